"""Interim analyses: boundaries, spending, conditional power, estimates after stopping.

Takes information fractions and z statistics, gives plans and verdicts. It must not know which outcome is looked at.
"""
