"""files.bulk."""
