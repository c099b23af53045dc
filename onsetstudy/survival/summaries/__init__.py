"""survival.summaries."""
