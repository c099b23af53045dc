"""cli.during."""
