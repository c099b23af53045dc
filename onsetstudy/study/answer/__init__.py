"""The one road from results to what may be said of them: claims, cautions, the rule of adoption.

Takes estimates, looks and doubts, gives ``Claims``. It must not compute an estimate or choose words.
"""
