"""study.planning."""
