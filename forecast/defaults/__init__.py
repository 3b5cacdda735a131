"""Published figures to start from: crops and climates."""
