"""Sections of the quarterly report, one module for each question. Each takes results and gives a ``Section`` or nothing."""
