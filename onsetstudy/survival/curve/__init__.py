"""The curve of onset and its certificate: the nonparametric maximum likelihood estimate.

Takes :class:`~onsetstudy.core.intervals.Intervals` and weights, gives an ``OnsetCurve`` whose optimality was checked.
It must not know arms.
"""
