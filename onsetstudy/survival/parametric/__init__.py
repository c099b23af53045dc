"""survival.parametric."""
