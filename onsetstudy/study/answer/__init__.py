"""The one road from numbers to what may be said of them: claims, cautions, and what it takes to know more.

Takes estimates, looks and doubts, gives claims and cautions. It must not compute an estimate or
say a claim in words; a caution has its words with it.
"""
