"""The cells in which two seasons differ."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from typing import Any

import pandas as pd

from forecast.season.cells import Row, plain
from forecast.season.consistency import KEYS
from forecast.season.header import Header
from forecast.season.season import TABLES, Season

_KEYS = KEYS | {"orders": ("variety", "week", "lab")}
_SEASON = "season"
THERE, ABSENT = "there", "not there"
COLUMNS = ["table", "row", "column", "from", "to"]


def differences(season: Season, other: Season) -> pd.DataFrame:
    """Return every cell in which one season differs from another: table, row (its name), column, from and to.

    The table is ``season`` for what holds for all of it. A row that one of the seasons lacks has one line without a
    column. A variety's own stages are compared with those of its group. Notes and sources do not count.
    """
    found: list[tuple[Any, ...]] = [(_SEASON, "", *cell) for cell in _cells(season, other, Header.model_fields)]
    for table in TABLES:
        rows, others = _named(season, table), _named(other, table)
        for name in dict.fromkeys([*rows, *others]):
            one = rows.get(name) or _usual(season, table, name)
            two = others.get(name) or _usual(other, table, name)
            row = ", ".join(name)
            if one is None or two is None:
                states = [THERE if known is not None else ABSENT for known in (one, two)]
                found.append((table, row, "", *states))
            else:
                found += [(table, row, *cell) for cell in _cells(one, two, TABLES[table].model_fields)]
    return pd.DataFrame(found, columns=COLUMNS, dtype=object)


def _named(season: Season, table: str) -> dict[tuple[str, ...], Row]:
    """Return the rows of a table by what names them; of rows of one name, the later ones by a number, too."""
    found: dict[tuple[str, ...], Row] = {}
    times: Counter[tuple[str, ...]] = Counter()
    for row in getattr(season, table):
        name = tuple(str(plain(cell)) for cell in (getattr(row, key) for key in _KEYS[table]) if cell is not None)
        times[name] += 1
        found[(*name, str(times[name])) if times[name] > 1 else name] = row
    return found


def _usual(season: Season, table: str, name: tuple[str, ...]) -> Row | None:
    """Return the stage of its group that a variety goes through, if the row is one that it has of its own elsewhere."""
    if table != "stages" or name[0] not in {row.variety for row in season.varieties}:
        return None
    return next((row for row in season.route(name[0]) if row.stage == name[1]), None)


def _cells(one: Any, two: Any, columns: Mapping[str, Any]) -> Iterator[tuple[str, Any, Any]]:
    for column in columns:
        if column not in ("note", "source", "applies_to"):
            cells = [plain(getattr(row, column)) for row in (one, two)]
            if cells[0] != cells[1]:
                yield column, *cells
