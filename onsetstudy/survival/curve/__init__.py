"""survival.curve."""
