"""Time to onset when onset is only known to lie between two tests.

Takes :class:`~onsetstudy.core.intervals.Intervals` and plain arrays, gives frozen results
with certificates. It must not know protocols, records or reports, so that a statistician
can use it bare.
"""
