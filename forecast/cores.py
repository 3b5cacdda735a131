"""The same work on many items, on all cores of the machine."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")


def on_all_cores(function: Callable[[Item], Result], items: Sequence[Item]) -> list[Result]:
    """Call a function on every item, in threads; the results come in the order of the items."""
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        return list(pool.map(function, items))
