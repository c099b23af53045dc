"""study.practice."""
