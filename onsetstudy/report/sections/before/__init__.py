"""report.sections.before."""
