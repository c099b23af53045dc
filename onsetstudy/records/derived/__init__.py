"""What follows from checked records: onset intervals, the arm of a case, the flow of cases.

Takes ``Records`` and an estimand, gives frames under named columns. It must not know results.
"""
