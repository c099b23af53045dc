"""The recorder at the chair: a page, and the server that keeps what is tapped on it."""
