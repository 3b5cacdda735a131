"""The season's tables and their rules."""
