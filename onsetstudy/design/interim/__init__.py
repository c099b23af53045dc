"""design.interim."""
