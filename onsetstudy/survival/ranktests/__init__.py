"""survival.ranktests."""
