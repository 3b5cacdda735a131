"""Comment lines on the columns of a table and on the settings of a season, from the docstrings of their rows."""

from __future__ import annotations

import csv
import inspect
import io
from collections.abc import Collection
from itertools import pairwise

from forecast.season.cells import Row
from forecast.season.header import Header
from forecast.season.season import Season

_SUCH_AS = {"demand_cv": 0.15, "price_cv": 0.1, "location": '"the weather station nearest to us, 1991-2020"'}
_OR = " Or:"  # ends the meaning of columns that the next ones may replace
_LARGE = 20000  # a sum of money to begin with


def parameters(kind: type[Row]) -> list[tuple[tuple[str, ...], str]]:
    """Return the columns and what they mean, those that are explained together as one, from a row's docstring."""
    text = inspect.cleandoc(kind.__doc__ or "").split("Parameters\n----------\n")[-1].split("\n\n")[0]
    found: list[tuple[str, str]] = []
    for line in text.splitlines():
        if line.startswith(" ") and found:
            name, meaning = found[-1]
            found[-1] = (name, f"{meaning} {line.strip()}".strip())
        else:
            found.append((line.strip(), ""))
    return [
        (tuple(names.split(", ")), meaning.replace("``", "").replace(" (see `Level`)", "")) for names, meaning in found
    ]


def about(kind: type[Row], columns: Collection[str]) -> list[str]:
    """Return the comment lines that say what some columns mean."""
    known = [([name for name in names if name in columns], meaning) for names, meaning in parameters(kind)]
    known.append(([], ""))
    return [
        f"# {', '.join(names)}: {meaning if others else meaning.removesuffix(_OR)}"
        for (names, meaning), (others, _) in pairwise(known)
        if names
    ]


def comments(kind: type[Row], columns: Collection[str] | None = None, more: str = "") -> str:
    """Return the comments above the header of a table: what a row is, what must be filled, and each of its columns.

    Of some columns, if they are given, with a last line about `more`.
    """
    known = kind.model_fields if columns is None else columns
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    summary = inspect.cleandoc(kind.__doc__ or "").splitlines()[0]
    needed = ", ".join(name for name, cell in kind.model_fields.items() if cell.is_required())
    writer.writerow(
        [f"# One row is: {summary} Lines that start with # and a space are comments; delete them if you like."]
    )
    writer.writerow([f"# Required: {needed}. Write weeks as 2027-W14, and shares as 0.85 or 85 %."])
    writer.writerows([line] for line in about(kind, known))
    if more:
        writer.writerow([f"# {more}"])
    return text.getvalue()


def settings(season: Season, *, brief: bool = False) -> str:
    """Return the text of season.toml, with a comment on each setting; if `brief`, on those that are set alone."""
    lines = ["# Settings of the whole season. Lines that start with # are comments."]
    for every, meaning in parameters(Header):
        usual = {name: Header.model_fields[name].default for name in every}
        names = [name for name in every if not brief or getattr(season, name) != usual[name]]
        if not names:
            continue
        lines.append(f"\n# {', '.join(names)}: {meaning}")
        for name in names:
            value = getattr(season, name)
            if value is None:
                lines.append(f"# {name} = {_SUCH_AS.get(name, _LARGE)}")
            elif isinstance(value, int | float):
                lines.append(f"{name} = {value}")
            else:
                lines.append(f'{name} = "{value}"')
    return "\n".join(lines) + "\n"
