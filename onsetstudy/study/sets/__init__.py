"""study.sets."""
