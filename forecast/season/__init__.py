"""What is planned, and what was counted."""
