"""Outputs are compared with those stored but for the last printed digit of a number: tests/printed.py says how."""

import os

from nbval.plugin import IPyNbCell
from printed import as_stored

os.environ["FORECAST_PROGRESS"] = "off"  # nbval takes progress that was shown and cleared for an output


def pytest_itemcollected(item):
    """Let a cell take for what is stored what differs from it in no more than that."""
    if isinstance(item, IPyNbCell):
        same = item.compare_outputs
        item.compare_outputs = lambda found, stored: same(as_stored(found, stored), stored)
