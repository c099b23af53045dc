"""Scores: pain and anxiety, compared as means, ranks and ordered bands, between cases and within patients.

Takes arrays of scores and arms, gives frozen results. It must not know the instrument's name, only its limits.
"""
