"""What a call takes that is not told."""

from __future__ import annotations

from collections.abc import Callable
from inspect import signature
from typing import Any


def defaults(call: Callable[..., Any]) -> dict[str, Any]:
    """Return the values of all arguments that need not be given, but for those that are then None."""
    found = {name: one.default for name, one in signature(call).parameters.items()}
    return {name: value for name, value in found.items() if value is not None and value is not signature(call).empty}
