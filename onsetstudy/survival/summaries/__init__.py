"""What a curve comes to: waits up to tau, proportions at a minute, quantiles, and their contrasts between arms.

Takes intervals, arms, strata, weights, gives ``ArmContrast``. It must not know protocols: the minute is an argument.
"""
