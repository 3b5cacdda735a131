"""What one batch meets in every draw: how long each stage takes, and how many plants survive it."""
