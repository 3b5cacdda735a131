"""Names of a package that are imported when they are first asked for: all of them at once take seconds."""

import sys
from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any


def lazy(package: str, homes: Mapping[str, str]) -> tuple[Callable[[str], Any], Callable[[], list[str]]]:
    """Return the ``__getattr__`` and ``__dir__`` of a package.

    Parameters
    ----------
    package
        Its name.
    homes
        The module of each public name, seen from ``forecast``.
    """
    module = sys.modules[package]

    def find(name: str) -> Any:
        if name not in homes:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        found = getattr(import_module(f"forecast.{homes[name]}"), name)
        setattr(module, name, found)
        return found

    return find, lambda: sorted({*vars(module), *homes})
