"""cli.before."""
