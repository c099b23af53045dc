"""Confounding where arms were not allocated at random: propensity, learning, what is not measured.

Takes covariates and arms as arrays, gives weights and bounds. It must not know outcomes' units.
"""
