"""records.checks."""
