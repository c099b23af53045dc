"""Proportional hazards for interval-censored onset: ratio, limits, separation, proportionality, shared frailty.

Takes intervals and covariates, gives certified fits or ``NotEstimable``. It must not know summaries of time.
"""
