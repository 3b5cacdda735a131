"""How tables look: percentages, thousands separated, no index, nothing where a cell is empty."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from forecast.words.numbers import percent

if TYPE_CHECKING:
    import pandas as pd

SHARES = frozenset(
    {
        "chance",
        "other_chance",
        "overrun",
        "without",
        "better",
        "survival",
        "share",
        "service_level",
        "target_before",
        "clean",
        "clean_so_far",
        "extinct",
        "over_capacity",
        "shelf",
    }
)
"""Columns that hold shares [0 to 1] and are shown as percentages."""


def styled(frame: pd.DataFrame) -> str:
    """Return a table as HTML for eyes.

    Parameters
    ----------
    frame
        The table. Columns named in `SHARES` are shown as percentages.

    Returns
    -------
    str
        HTML, the same for the same table.
    """
    from pandas.io.formats.style import Styler  # noqa: PLC0415 (with its templates it takes a while)

    look = Styler(frame, uuid="table", cell_ids=False).hide(axis="index")
    look = look.format({name: _look(str(name)) for name in frame.columns}, escape="html")
    return str(look.to_html())


def _look(column: str) -> Any:
    return _share if column in SHARES else cell


def _share(value: Any) -> str:
    return f"{percent(value)} %" if _number(value) else cell(value)


def cell(value: Any) -> str:
    """Return what a cell shows: numbers with the digits that are known, and nothing if it is empty."""
    if value is None or (isinstance(value, float) and math.isnan(value)) or (isinstance(value, tuple) and not value):
        return ""
    if isinstance(value, bool) or not _number(value):
        return str(value) if str(value) not in ("nan", "NaT", "<NA>", "None") else ""
    if float(value).is_integer():
        return f"{int(value):,}"
    return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.3g}"


def _number(value: Any) -> bool:
    return hasattr(value, "__float__") and not isinstance(value, str) and str(value) not in ("nan", "<NA>", "NaT")
