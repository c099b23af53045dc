"""report.sections.main."""
