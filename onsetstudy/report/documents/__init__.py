"""report.documents."""
