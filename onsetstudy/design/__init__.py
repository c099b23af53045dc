"""Before the study: sizes, schedules and invented cases with a known truth.

Takes plain values and a ``Protocol``, gives frames and frozen results. It must not know records or reports.
"""
