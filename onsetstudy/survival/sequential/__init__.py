"""survival.sequential."""
