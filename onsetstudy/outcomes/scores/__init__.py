"""outcomes.scores."""
