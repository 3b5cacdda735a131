"""One variety's order."""
