"""From draws to what to do."""
