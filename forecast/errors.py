"""Errors: what is wrong, where, and how to fix it."""

from __future__ import annotations

import math
import operator
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from numbers import Real
from typing import Any

FIRST_ROW = 2  # of a table, as a spreadsheet numbers it below its header
_LONGEST = 120  # characters shown of a value
_MOST_RUNS = 10  # rows, or rows that follow each other, named in one line
_MOST_LINES = 20  # lines for one table


@dataclass(frozen=True)
class Fault:
    """One problem: what is wrong, where, and how to fix it."""

    problem: str  # as a sentence without its full stop
    remedy: str
    table: str = ""  # file, sheet or value that holds it
    row: int | None = None  # as a spreadsheet numbers it: the header is row 1
    column: str = ""  # or field
    value: Any = None  # what is there, as it was written

    def __str__(self) -> str:
        return _line(self, [] if self.row is None else [self.row])

    def placed(self, table: str, row: int | None) -> Fault:
        """Return the same fault in a table and row."""
        return replace(self, table=table, row=row)


def _line(fault: Fault, rows: Sequence[int]) -> str:
    places = [fault.table, _rows(sorted(rows)) if rows else ""]
    if fault.column:
        places.append(f"{'column ' if rows else ''}{_short(fault.column)}")
    if fault.value is not None:
        places.append(_short(_shown(fault.value)))
    where = ", ".join(filter(None, places))
    return _on_one_line(f"{where}{': ' if where else ''}{fault.problem}. {fault.remedy}".rstrip())


def _shown(value: Any) -> str:
    try:
        return repr(value) if isinstance(value, str) else str(value)
    except (ValueError, RecursionError):  # more digits, or deeper nested, than Python writes
        return "what is too long to be shown"


def _short(text: str) -> str:
    return text if len(text) <= _LONGEST else f"{text[: _LONGEST - 3]}..."


def _on_one_line(text: str) -> str:
    """Return a text with signs that move the cursor, colour a terminal or hide what follows as numbers."""
    return "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in text)


def _rows(rows: Sequence[int]) -> str:
    if len(rows) == 1:
        return f"row {rows[0]}"
    runs: list[list[int]] = []
    for row in rows:
        if runs and row == runs[-1][-1] + 1:
            runs[-1].append(row)
        else:
            runs.append([row])
    named = [str(run[0]) if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs[:_MOST_RUNS]]
    more = sum(len(run) for run in runs[_MOST_RUNS:])
    return f"rows {', '.join(named)}{f' and {more:,} more' if more else ''}"


class ForecastError(ValueError):
    """Any refusal of this package; its message is meant for the grower."""


class Refused(ForecastError):
    """Input that is not accepted; ``faults`` holds every problem found, not only the first.

    Parameters
    ----------
    faults
        At least one fault.

    Notes
    -----
    The message has a line for each fault. Rows of a table with the same fault share a line, and a table
    has at most 20 lines; the others are counted.
    """

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__(self.faults)

    def __str__(self) -> str:
        return listed(self.faults)


def listed(faults: Sequence[Fault]) -> str:
    """Return a line for each fault; rows with the same one share a line, and a table has at most 20 lines."""
    return "\n".join(line for table, own in _lines(faults).items() for line in _shortened(table, own))


def problems(faults: Sequence[Fault]) -> int:
    """Return how many faults there are, the same one in several rows being one."""
    return sum(map(len, _lines(faults).values()))


def _lines(faults: Sequence[Fault]) -> dict[str, list[str]]:
    """Return a line for each fault, by table; rows with the same one share a line."""
    rows: dict[tuple[Any, ...], list[int]] = defaultdict(list)
    alike: dict[tuple[Any, ...], Fault] = {}
    for fault in faults:
        key = (fault.table, fault.column, _shown(fault.value), fault.problem, fault.remedy)
        alike.setdefault(key, fault)
        if fault.row is not None:
            rows[key].append(fault.row)
    lines: dict[str, list[str]] = defaultdict(list)
    for key, fault in alike.items():
        lines[fault.table].append(_line(fault, rows[key]))
    return lines


def _shortened(table: str, lines: Sequence[str]) -> Sequence[str]:
    if len(lines) <= _MOST_LINES:
        return lines
    where = f" in {table}" if table else ""
    return [*lines[:_MOST_LINES], f"... and {len(lines) - _MOST_LINES:,} more{where}. Correct these first."]


class OutOfReach(ForecastError):
    """No feasible answer; ``best`` holds the closest one found.

    Parameters
    ----------
    message
        Why there is none, and what would make one feasible.
    best
        The closest answer, of the kind the call would have returned; None if there is none at all.
    """

    def __init__(self, message: str, best: Any = None) -> None:
        self.best = best
        super().__init__(message)


def refuse(field: str, value: object, problem: str, remedy: str) -> Refused:
    """Return the error for one value of one field."""
    return Refused([Fault(problem, remedy, column=field, value=value)])


def whole(field: str, value: object, low: int, high: int) -> int:
    """Return a whole number between two bounds as an int, or refuse it by the name of its field."""
    number = None
    if hasattr(value, "__index__") and not isinstance(value, bool):
        number = operator.index(value)
    elif isinstance(value, float) and value.is_integer():
        number = int(value)
    if number is None or not low <= number <= high:
        raise refuse(field, str(value), "not usable", f"Give a whole number from {low} to {high:,}.")
    return number


def real(
    field: str, value: Any, *, gt: float = -math.inf, ge: float | None = None, lt: float = math.inf,
    le: float | None = None, problem: str = "not usable", such_as: str = "",
) -> float:  # fmt: skip
    """Return a number above `gt` or from `ge`, below `lt` or up to `le`, or refuse it by the name of its field.

    It is finite, unless `le` is infinite.

    Examples
    --------
    >>> real("share", 1.2, gt=0, le=1, such_as="0.1")
    Traceback (most recent call last):
    ...
    forecast.errors.Refused: share, 1.2: not usable. Give a number above 0 and up to 1, such as 0.1.
    """
    usable = isinstance(value, Real) and not isinstance(value, bool)
    enough = usable and (gt < value if ge is None else ge <= value)
    if enough and (value < lt if le is None else value <= le):
        return value  # type: ignore[no-any-return]
    ends = (("above", gt), ("from", ge), ("and below", lt), ("and up to" if ge is None else "to", le))
    bounds = [f"{word} {end:,.12g}" for word, end in ends if end is not None and math.isfinite(end)]
    remedy = " ".join(["Give a number", *bounds]).replace("number and", "number")
    example = f", such as {such_as}" if such_as else ""
    raise refuse(field, value, problem, f"{remedy}{example}.")


def in_order(values: Mapping[str, Any], *fields: str, strictly: bool = False) -> None:
    """Refuse values, by the names of their fields, that do not rise; equal ones pass unless `strictly`, so does None.

    Examples
    --------
    >>> in_order({"p5": 300, "median": None, "p95": 200})
    Traceback (most recent call last):
    ...
    forecast.errors.Refused: p95, 200: below p5, 300. Swap or correct the two.
    """
    filled = [(name, values[name]) for name in fields or values if values[name] is not None]
    for (lower, low), (upper, high) in pairwise(filled):
        if high < low or (strictly and high == low):
            numbers = isinstance(high, Real)
            word = "before" if not numbers else "not above" if strictly else "below"
            raise refuse(upper, high if numbers else str(high), f"{word} {lower}, {low}", "Swap or correct the two.")


def faults_of(check: Callable[..., object], *values: Any, **bounds: Any) -> tuple[Fault, ...]:
    """Return the faults that a check such as `real` finds; none if it passes."""
    try:
        check(*values, **bounds)
    except Refused as refusal:
        return refusal.faults
    return ()
