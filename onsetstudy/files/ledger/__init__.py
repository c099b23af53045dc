"""files.ledger."""
