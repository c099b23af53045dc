"""Sections of the quarterly report, one module for each question: results in, a ``Section`` or nothing out."""
