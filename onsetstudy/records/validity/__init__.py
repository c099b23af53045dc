"""records.validity."""
