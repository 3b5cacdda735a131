"""How results show themselves: in one line, as a short answer, and as a styled table."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from datetime import datetime
from html import escape
from typing import TYPE_CHECKING, Any

from forecast.words.numbers import figures, of_20, percent

if TYPE_CHECKING:
    import pandas as pd

SHARES = frozenset(
    {
        "chance",
        "chance_by_average",
        "other_chance",
        "overrun",
        "without",
        "better",
        "survival",
        "survival_p5",
        "survival_p95",
        "sd",
        "share",
        "service_level",
        "promised",
        "promised_share",
        "chance_before",
        "clean",
        "clean_so_far",
        "extinct",
        "first",
        "total",
        "over_capacity",
        "crps_share",
        "coverage_50",
        "coverage_80",
        "coverage_90",
        "skill_last_year",
        "skill_overall",
        "weight",
        "shelf",
    }
)
"""Columns that hold shares [0 to 1] and are shown as percentages."""
CHANCES = frozenset({"chance", "chance_then", "chance_now", "chance_before", "overrun", "without"})
"""Columns that hold chances [0 to 1], which notebooks show as so many of 20 seasons."""
_WIDE = 12  # columns
NO_ROWS = "<p>There are none: the table has no rows.</p>"
_SHARE_ROWS = {
    ("what", "survival"): ("estimate", "learned"),
    ("unit", "share"): ("value", "p10", "p90"),
}
"""Columns that hold shares only in the rows where another column has this text."""
MOST_ROWS = 40
_EMPTY = ("nan", "NaT", "<NA>", "None", "()", "[]", "{}")


class Result:
    """What a calculation returns.

    ``repr`` is one line of named facts, ``str`` the answer in words, `headline` its one line that matters most, and a
    notebook shows the answer and the table.
    A result defines `facts`, ``__str__`` and `table`; if it is a dataclass, it is one with ``repr=False``.
    """

    @property
    def share_columns(self) -> frozenset[str]:
        """Columns of its table that hold shares in this result, though not in every one."""
        return frozenset()

    def facts(self) -> dict[str, object]:
        """Return what tells this result from others of its kind, such as the draws and the seed, by name."""
        return {}

    def headline(self) -> str:
        """Return the answer in one line: the first that ``str`` gives."""
        return next(iter(str(self).splitlines()), "")

    def table(self) -> pd.DataFrame:
        """Return this result as a table."""
        raise NotImplementedError

    def __repr__(self) -> str:
        facts = (f"{name}={value:,}" if isinstance(value, int) else f"{name}={value}" for name, value in
                 self.facts().items())  # fmt: skip
        return " ".join(f"{type(self).__name__}({', '.join(facts)})".split())

    def _repr_html_(self) -> str:
        answer = "".join(f"<p>{escape(line)}</p>" for line in str(self).splitlines() if line)
        return answer + styled(self.table(), self.share_columns)


def in_notebook(frame: pd.DataFrame) -> str:
    """Return a table as HTML as notebooks show it: chances as so many of 20 seasons, a single long row upright."""
    if frame.empty:
        return NO_ROWS
    if len(frame) != 1 or len(frame.columns) <= _WIDE:
        return styled(frame, chances=CHANCES)
    import pandas as pd  # noqa: PLC0415 (see below)

    return styled(pd.DataFrame({"column": list(frame.columns), "entry": frame.iloc[0].tolist()}, dtype=object))


def styled(frame: pd.DataFrame, shares: frozenset[str] = frozenset(), chances: frozenset[str] = frozenset()) -> str:
    """Return a table as HTML for eyes, its first `MOST_ROWS` rows.

    Parameters
    ----------
    frame
        The table. Columns named in `SHARES` are shown as percentages.
    shares
        Other columns that are.
    chances
        Columns that are shown as so many of 20 seasons instead.

    Returns
    -------
    str
        HTML, the same for the same table.
    """
    import pandas as pd  # noqa: PLC0415 (with the templates of its Styler it takes a while)
    from pandas.io.formats.style import Styler  # noqa: PLC0415

    shown = frame.head(MOST_ROWS).reset_index(drop=True)
    shares |= SHARES
    right = [pd.api.types.is_numeric_dtype(frame[name]) or name in shares for name in frame]
    kinds = pd.DataFrame([["number" if one else "" for one in right]] * len(shown), shown.index, shown.columns)
    look = Styler(shown, uuid="table", cell_ids=False).hide(axis="index")
    ways: dict[Any, str | Callable[[object], str] | None] = {
        name: _of_20 if name in chances else _share if name in shares else cell for name in shown.columns
    }
    look = look.format(ways, escape="html")
    for (name, text), columns in _SHARE_ROWS.items():
        if name in shown:
            subset = shown.index[shown[name] == text], [one for one in columns if one in shown]
            look = look.format(_share, subset=subset, escape="html")
    look = look.format_index(lambda name: str(name).replace("_", " "), axis="columns", escape="html")
    sides = [("td", "left"), ("td.number", "right")]
    look = look.set_table_styles([{"selector": one, "props": f"text-align: {side}"} for one, side in sides])
    look = look.set_td_classes(kinds)
    if len(frame) > len(shown):
        look = look.set_caption(f"First {len(shown):,} of {len(frame):,} rows.")
    return str(look.to_html())


def nothing(why: str, *, again: bool = False) -> str:
    """Return why a cell of a notebook has nothing to show; again, if a cell above has said so."""
    return f"Nothing to show here{', as above' if again else ''}: {why}"


def shortly(why: str) -> str:
    """Return the first sentence of a reason."""
    return f"{why.splitlines()[0].split('. ')[0].rstrip('.')}."


def running(seconds: float) -> str:
    """Return for how long a cell has run."""
    return f"Working: {seconds:.0f} s so far ..."


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a table as plain values; None where a cell is empty."""
    rows = frame.astype(object).where(frame.notna(), None).to_dict("records")
    return [{str(name): cell for name, cell in row.items()} for row in rows]


def plain(frame: pd.DataFrame, headings: Mapping[str, str]) -> str:
    """Return columns of a table as text for a terminal, under their headings."""
    shown = frame[list(headings)]
    return str(shown.apply(lambda column: column.map(shown_as(str(column.name)))).rename(columns=headings).to_string(
        index=False
    ))  # fmt: skip


def shown_as(column: str) -> Callable[[Any], str]:
    """Return how the cells of a column are shown: shares as percentages, others as they are."""
    return _share if column in SHARES else cell


def _of_20(value: Any) -> str:
    return of_20(float(value)) if _number(value) else cell(value)


def _share(value: Any) -> str:
    if not _number(value):
        return cell(value)
    return f"{percent(value)} %"


def cell(value: Any) -> str:
    """Return what a cell shows: numbers with the digits that are known, and nothing if it is empty."""
    text = str(value)
    if text in _EMPTY:
        return ""
    if text in ("True", "False"):
        return "yes" if text == "True" else "no"
    if isinstance(value, (tuple, list)):
        return ", ".join(map(cell, value))
    if isinstance(value, datetime):
        return value.date().isoformat()
    return _figures(float(value)) if _number(value) else text


def _figures(number: float) -> str:
    if math.isinf(number):
        return "∞" if number > 0 else "-∞"
    return f"{round(number):,}" if number.is_integer() or abs(number) >= 1000 else figures(number)


def _number(value: Any) -> bool:
    return hasattr(value, "__float__") and not isinstance(value, str) and str(value) not in _EMPTY
