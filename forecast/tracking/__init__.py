"""The running season, and hindsight."""
