"""The whole order."""
