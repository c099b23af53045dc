"""design.allocation."""
