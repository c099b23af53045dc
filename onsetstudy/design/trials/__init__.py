"""design.trials."""
