"""study.counts."""
