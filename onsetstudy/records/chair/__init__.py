"""records.chair."""
