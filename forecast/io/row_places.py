"""Which rows of a sheet the rows of a table go to, so that as many as can be stay where they are."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher

from forecast.season.cells import Row


@dataclass(frozen=True)
class Placed:
    """A row of a table: where it goes, and the row and its number that were its own before, if there was one."""

    number: int
    row: Row
    before: tuple[int, Row] | None = None


def place_rows(old: Sequence[tuple[int, Row]], new: Sequence[Row], first: int, taken: Collection[int]) -> list[Placed]:
    """Return where each new row goes, in their order.

    Rows that are the same stay, or move together where others come between; where some are replaced by others, these
    take their places one by one. No row goes above `first`, or to a row that is `taken`, as by a comment.
    """
    last, found = first - 1, []
    for before, row in _paired(old, new):
        number = max(last + 1, before[0]) if before else last + 1
        while number in taken:
            number += 1
        found.append(Placed(number, row, before))
        last = number
    return found


def in_old_order(old: Sequence[Row], new: Sequence[Row]) -> list[Row]:
    """Return new rows in the order of the old ones, where it does not matter: others take the places of those gone."""
    left = Counter(map(repr, new)) - Counter(map(repr, old))
    others = [row for row in new if _taken(left, row)]
    kept = Counter(map(repr, new)) & Counter(map(repr, old))
    found = []
    for row in old:
        if _taken(kept, row):
            found.append(row)
        elif others:
            found.append(others.pop(0))
    return [*found, *others]


def _taken(left: Counter[str], row: Row) -> bool:
    """Take a row from those that are left; say whether it was among them."""
    left[repr(row)] -= 1
    return left[repr(row)] >= 0


def _paired(old: Sequence[tuple[int, Row]], new: Sequence[Row]) -> Iterator[tuple[tuple[int, Row] | None, Row]]:
    """Yield each new row with the old one that it was."""
    keys = [repr(row) for _, row in old], [repr(row) for row in new]
    for _, begin, end, start, stop in SequenceMatcher(None, *keys, autojunk=False).get_opcodes():
        for at in range(start, stop):
            before = begin + at - start
            yield (old[before] if before < end else None), new[at]
