"""design.sizes."""
