"""adjustment."""
