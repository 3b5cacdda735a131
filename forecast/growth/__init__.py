"""From a season to draws of what happens."""
