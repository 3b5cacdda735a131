"""Temperatures and thermal time."""
