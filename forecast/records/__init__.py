"""What was counted."""
