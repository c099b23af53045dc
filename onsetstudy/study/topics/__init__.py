"""study.topics."""
