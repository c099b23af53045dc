"""Tests that compare arms by scores of the pooled curve, by permutation or by their variance.

Takes intervals and arms (strata, blocks, clusters), gives a ``HypothesisTest``. It must not know what an effect is
worth: it estimates nothing.
"""
