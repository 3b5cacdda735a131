"""What it takes: benches, hours, money."""
