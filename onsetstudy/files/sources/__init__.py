"""files.sources."""
