"""What all outcomes share: means, proportions, ranks, strata, agreement of two who judge.

Takes plain arrays, gives estimates and tests. It must not know whether a number is a time, a score or a cost, nor
protocols, records or pages.
"""
