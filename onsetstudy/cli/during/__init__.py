"""Doors while cases are treated."""
