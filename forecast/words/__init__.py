"""Sentences and table styles from named numbers."""
