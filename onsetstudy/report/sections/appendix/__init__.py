"""report.sections.appendix."""
