"""report.render."""
