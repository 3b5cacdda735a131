"""What is said of a workbook's file that cannot be changed."""

from __future__ import annotations


class Unsound(Exception):
    """A workbook's file is not as spreadsheet programs save it."""
