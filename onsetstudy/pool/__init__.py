"""Estimates and counts of several practices combined; refuses unlike ones.

Takes estimates with standard errors or fourfold tables, gives averages, heterogeneity and funnels. It must not know
files or who a practice is.
"""
