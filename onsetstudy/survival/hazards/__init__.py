"""survival.hazards."""
