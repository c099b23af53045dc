"""Curves of a named shape: accelerated time, and models in which some teeth never become numb.

Takes intervals and covariates, gives certified fits. It must not know the rest of the analysis: these are second
opinions.
"""
