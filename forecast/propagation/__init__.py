"""Explants and stock plants."""
