"""Sections that a clinician reads.

Takes a practice's results, gives sections. It must not know in which order they stand.
"""
