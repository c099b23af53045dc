"""Estimates of several practices combined; refuses unlike ones."""
