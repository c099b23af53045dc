"""Doors once cases are recorded."""
