"""Invented trials with a known truth, for power and for the demo.

Takes a scenario and named chance, gives readings, and what the analysis makes of thousands of them. It must not know
real records.
"""
