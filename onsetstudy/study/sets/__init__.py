"""Which cases, which arm, which interval, within which strata.

Takes records, arms and an estimand, gives an ``AnalysisSet`` and the one road from it to a contrast, for rows and for
counts alike. It must not know what is said of the answer.
"""
