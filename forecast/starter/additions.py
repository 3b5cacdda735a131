"""What a first season leaves out: columns and tables by the name under which they are added."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from forecast.errors import Refused, refuse
from forecast.files_out import write_texts
from forecast.io.csv_folder import USUAL, Folder, Form, csv_text, form_of, separator
from forecast.io.files_in import HEADER, is_workbook, read_text
from forecast.io.tables import opened
from forecast.records.batches import BatchRecord, CountRecord
from forecast.season.cells import Row
from forecast.season.orders import Delivery, OnHand
from forecast.season.propagation_rows import Culture, Division
from forecast.season.season import TABLES
from forecast.season.targets import Weight
from forecast.starter.remarks import about, comments
from forecast.words.starting import any_of

PROFILES = (("autumn", 1, 1), ("autumn", 2, 3), ("autumn", 3, 2))
"""An invented profile: name, week and weight."""


_MORE = "More columns: python -m forecast start FOLDER --with "


class Addition(NamedTuple):
    """Columns of a table that are added together."""

    table: str
    columns: tuple[str, ...]
    profiles: bool = False  # whether they name rows of profiles.csv


ADDITIONS: Mapping[str, Addition] = {
    "ranges": Addition("targets", ("p5", "median", "p95")),
    "windows": Addition("targets", ("until", "profile", "price_end"), profiles=True),
    "channels": Addition("targets", ("channel", "price")),
    "promises": Addition("targets", ("promised", "promised_share", "short_cost", "waits")),
    "terms": Addition("price_list", ("form", "from_quantity", "deposit", "freight_per_box", "plants_per_box")),
    "leftovers": Addition("varieties", ("markdown_price", "outlet")),
    "costs": Addition("stages", ("cost", "minutes")),
    "stages": Addition("stages", ("batches_cv", "plants_cv", "time_level", "survival_sd", "survival_level", "source")),
}
"""By name."""

NEW: Mapping[str, Mapping[str, type[Row]]] = {
    "orders": {"orders": Delivery},
    "stock": {"on_hand": OnHand},
    "records": {"batches": BatchRecord, "counts": CountRecord},
    "cultures": {"cultures": Culture},
    "divisions": {"divisions": Division},
}
"""Tables that are added whole, by name."""

ALL = (*ADDITIONS, *NEW)


def named(names: Iterable[str]) -> tuple[str, ...]:
    """Return the names of additions once each, in their order; `Refused` if there is none of such a name."""
    some = list(names)
    for name in some:
        if name not in ALL:
            raise refuse("with", name, "there is nothing of this name to add", f"Give {any_of(ALL)}.")
    return tuple(name for name in ALL if name in some)


def more(table: str, columns: Iterable[str]) -> str:
    """Return how to add those additions to a table of which it has no column yet; an empty text if there are none."""
    known = set(columns)
    names = [name for name, one in ADDITIONS.items() if one.table == table and not known & set(one.columns)]
    return f"{_MORE}{any_of(names)}" if names else ""


def begun(path: str | os.PathLike[str]) -> bool:
    """Say whether a folder or a workbook holds a season."""
    if not is_workbook(path):
        return os.path.lexists(Path(path) / HEADER)
    return os.path.isfile(path) and "season" in opened(path, HEADER)


def add(path: str | os.PathLike[str], names: Iterable[str]) -> dict[str, list[str]]:
    """Add the columns and tables of some additions to the season in a folder or workbook; their cells are empty.

    Everything else stays as it is written. `Refused` if there is none of such a name, or a header is at fault; then
    nothing is written.

    Returns
    -------
    dict
        By file or sheet, the columns that were added; of a new one all of them.
    """
    asked = named(names)
    return _add_sheets(path, asked) if is_workbook(path) else _add_files(Path(path), asked)


def _add_sheets(path: str | os.PathLike[str], asked: Sequence[str]) -> dict[str, list[str]]:
    from forecast.starter.workbook import add_to, currency_of  # noqa: PLC0415 (a folder needs no openpyxl)

    wanted = [ADDITIONS[name] for name in asked if name in ADDITIONS]
    columns = {
        table: [column for one in wanted if one.table == table for column in one.columns]
        for table in dict.fromkeys(one.table for one in wanted)
    }
    tables = {table: kind for name in asked if name in NEW for table, kind in NEW[name].items()}
    rows = [Weight(profile=profile, week=week, weight=weight) for profile, week, weight in PROFILES]
    return add_to(path, columns, tables, rows if any(one.profiles for one in wanted) else (), currency_of(path))


def _add_files(folder: Path, asked: Sequence[str]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    texts: dict[str, str] = {}
    wanted = [ADDITIONS[name] for name in asked if name in ADDITIONS]
    for table, kind in ((table, kind) for name in asked if name in NEW for table, kind in NEW[name].items()):
        if not os.path.lexists(folder / f"{table}.csv"):
            found[f"{table}.csv"] = [*kind.model_fields]
            texts[f"{table}.csv"] = comments(kind) + csv_text(
                [*kind.model_fields], [], form_of(folder)._replace(begin="")
            )
    for table in dict.fromkeys(one.table for one in wanted):
        columns = [column for one in wanted if one.table == table for column in one.columns]
        text, new = _widened(folder, table, columns)
        if new:
            texts[f"{table}.csv"], found[f"{table}.csv"] = text, new
    if any(one.profiles for one in wanted) and not os.path.lexists(folder / "profiles.csv"):
        texts["profiles.csv"] = profiles_text(form_of(folder))
        found["profiles.csv"] = ["profile", "week", "weight"]
    if texts:
        write_texts(texts, folder, overwrite=True)
    return found


def profiles_text(form: Form = USUAL) -> str:
    """Return the text of profiles.csv with an invented profile."""
    columns = ["profile", "week", "weight"]
    rows = csv_text(columns, PROFILES, form._replace(begin=""))
    return form.begin + comments(Weight, columns) + rows


def _widened(folder: Path, table: str, columns: Sequence[str]) -> tuple[str, list[str]]:
    """Return the text of a table's file with those of some columns that it lacks, and their names."""
    name, kind = f"{table}.csv", TABLES[table]
    if faults := Folder(folder).sheet(table, kind).faults:
        raise Refused(faults)
    text = read_text(folder, name)
    mark, end = separator(text), "\r\n" if "\r\n" in text else "\n"
    rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True))
    at = next(at for at, row in enumerate(rows) if {cell.strip() for cell in row} & kind.model_fields.keys())
    header = [cell.strip() for cell in rows[at]]
    new = sorted(set(columns) - set(header), key=list(kind.model_fields).index)
    places = _places(header, new, list(kind.model_fields))
    written = io.StringIO()
    writer = csv.writer(written, delimiter=mark, lineterminator=end)
    for number, row in enumerate(rows):
        if number < at and "".join(row).startswith(f"# {_MORE}"):
            continue
        if number == at:
            lines = [*about(kind, new), *([f"# {rest}"] if (rest := more(table, [*header, *new])) else [])]
            writer.writerows([line] for line in lines)
        widen = number >= at and row and not row[0].strip().startswith("#")
        writer.writerow(_with(row, len(header), places, new if number == at else [""] * len(new)) if widen else row)
    mark_of_order = "\ufeff" if (folder / name).read_bytes().startswith(b"\xef\xbb\xbf") else ""
    return mark_of_order + written.getvalue(), new


def _places(header: Sequence[str], new: Sequence[str], known: Sequence[str]) -> list[int]:
    """Return before which column of a header each new one goes: the first of those that follow it among the known."""
    found = []
    for column in new:
        later = known[known.index(column) + 1 :]
        found.append(next((at for at, name in enumerate(header) if name in later), len(header)))
    return found


def _with(row: Sequence[str], width: int, places: Sequence[int], cells: Sequence[str]) -> list[str]:
    """Return a row of some width with cells put before places of it."""
    full = [*row, *[""] * (width - len(row))]
    wide: list[str] = []
    for at in range(len(full) + 1):
        wide += [cell for place, cell in zip(places, cells, strict=True) if place == at]
        wide += full[at : at + 1]
    return wide
