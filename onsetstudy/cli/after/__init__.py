"""cli.after."""
