"""records.derived."""
