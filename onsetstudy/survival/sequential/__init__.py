"""Tests and limits that hold whenever one chooses to look: e-values and confidence sequences.

Takes a stream of intervals in the order of treatment, gives one value a case. It must not know planned looks.
"""
