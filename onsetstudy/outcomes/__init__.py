"""Outcomes beside onset: chair time, harms, scores, and published results to compare with.

Takes plain arrays, gives frozen results. It must not know protocols, records or reports.
"""
