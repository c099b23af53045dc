"""The one road from results to what may be said of them."""
