"""files.documents."""
