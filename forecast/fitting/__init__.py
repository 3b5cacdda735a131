"""From counts to rates."""
