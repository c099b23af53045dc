"""Sizes in closed form: one frame, and a verb for each outcome.

Takes effects, spreads, allocation and losses as plain values, gives a ``SampleSize`` that names its test. It must not
know protocols or drawn trials.
"""
