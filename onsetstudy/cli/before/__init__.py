"""Doors before the first case."""
