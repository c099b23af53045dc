"""survival.testing."""
