"""files.sealed."""
