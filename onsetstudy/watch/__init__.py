"""Watching after adoption: whether it goes on as well as it used to.

Takes arrays in the order of treatment, gives frozen results. It must not know protocols, records or reports.
"""
