"""Draws: how many plants are where when."""
