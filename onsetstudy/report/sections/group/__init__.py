"""report.sections.group."""
