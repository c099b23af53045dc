"""study.group."""
