"""The way in."""
