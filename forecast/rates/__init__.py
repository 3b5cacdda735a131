"""What is believed of one number."""
