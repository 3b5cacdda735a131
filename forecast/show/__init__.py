"""What people read."""
