"""15,000 odd cells: each is refused with place and remedy, read as written, or noted; no known slip in silence.

Every column of every table gets some 90 texts: those of `nasty`, numbers in many forms, and what a slip makes of the
number that is there. What is read is compared with the text by a reader of its own, unless it is noted as understood;
what a slip makes is refused or warned of in its own row and column.
"""

from __future__ import annotations

import csv
import io
import json
import math
import tomllib
import unicodedata
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest
from nasty import NASTY
from small_folder import MULTIPLIED, TEXTS

from forecast.__main__ import main
from forecast.errors import Fault
from forecast.io.as_written import Line, Understood, understood
from forecast.io.layout import Sheet, lay_out, read_row
from forecast.io.seasons import look_at_season
from forecast.io.tables import Read
from forecast.rates.by_cycle import ByCycle
from forecast.rates.levels import Level
from forecast.records.batches import BatchRecord, CountRecord
from forecast.records.records import look_at_records
from forecast.records.weather_rows import WeatherRecord
from forecast.season.cells import Row, shielded
from forecast.season.header import Header
from forecast.season.season import TABLES
from forecast.weeks import Week

RECORDS: dict[str, type[Row]] = {"batches": BatchRecord, "counts": CountRecord, "weather": WeatherRecord}
KINDS: dict[str, type[Row]] = {"season": Header, **TABLES, **RECORDS}
LEAST = 15_000
FILLED: dict[str, dict[str, str]] = {
    "season": {"hourly_wage": "18", "location": "a station", "persistence": "0.3", "daily_course": "sine", "seed": "1"},
    "varieties": {"markdown_price": "3", "yearly_fall": "0.3", "lowest_price": "4"},
    "stages": {"runs_on": "degree-days", "typical": "390", "base_temperature": "4", "upper_threshold": "26",
               "cold_below": "2", "cold_loss": "0.2", "heat_above": "24", "heat_loss": "0.1", "minutes": "0.4",
               "step": "1"},
    "places": {"warmer_by": "4", "held_above": "5", "shaded_by": "2", "first_week": "2026-W40",
               "last_week": "2028-W04"},
    "targets": {"promised": "0.9", "until": "2027-W44", "channel": "a florist", "profile": "early", "price": "9.5",
                "price_end": "9", "promised_share": "0.9", "short_cost": "2", "waits": "2"},
    "orders": {"placed": "yes", "order": "4711"},
    "cultures": {"start": "2026-W45"},
    "divisions": {"first_weeks": "4", "most_rounds": "3"},
}  # fmt: skip
"""Cells of the first row of a table that the small season leaves empty."""
PAST = {
    "batches": "batch,variety,lab,delivered,ordered,received,dead_on_arrival,note\n"
    "B1,Hosta 'Ambrel',North Lab,2026-03-01,100,98,2,fine\nB2,Hosta 'Ambrel',South Lab,2026-03-09,80,80,0,\n",
    "counts": "batch,date,stage,alive,transferred,saleable,losses,why,note\n"
    "B1,2026-03-15,acclimatisation,90,80,0,6,cold,fine\nB1,2026-04-01,growing on,78,0,0,2,,\n",
    "weather": "date,t_min,t_max,note\n2026-03-02,1.5,9.25,fine\n2026-03-03,-2,7,\n2026-03-04,0,6,\n",
}
"""Records of the season before, of which no order of the season came."""

WEEKS = {("stages", "typical"), ("varieties", "saleable_weeks"), ("price_list", "lead_weeks"),
         ("cultures", "start_weeks"), ("cultures", "cycle_weeks"), ("cultures", "rooting_weeks"),
         ("divisions", "round_weeks"), ("season", "weeks")}  # fmt: skip
KEPT = {("stages", "survival"), ("stages", "survival_p95"), ("divisions", "survival"), ("cultures", "rooting"),
        ("cultures", "deflasking"), ("season", "service_level"), ("targets", "promised")}  # fmt: skip
LOST = {("cultures", "start_contamination"), ("cultures", "start_death"), ("cultures", "contamination"),
        ("cultures", "off_types")}  # fmt: skip
PRICES = {("price_list", "unit_price"), ("varieties", "sale_price"), ("price_list", "freight_per_box"),
          ("places", "cost_per_m2_week"), ("season", "hourly_wage"), ("stages", "cost")}  # fmt: skip
DENSE = {("stages", "plants_per_m2"), ("divisions", "plants_per_m2")}
CELSIUS = {("stages", "base_temperature"), ("stages", "upper_threshold"), ("stages", "cold_below"),
           ("stages", "heat_above"), ("places", "held_above"), ("climate", "t_min"), ("climate", "t_max"),
           ("weather", "t_min"), ("weather", "t_max")}  # fmt: skip
PLANTS = {("orders", "quantity"), ("on_hand", "quantity"), ("batches", "received"), ("batches", "ordered"),
          ("counts", "alive"), ("counts", "losses")}  # fmt: skip
TRAYS = {("price_list", "minimum"), ("price_list", "multiple")}
DIGIT = {("places", "usable"), ("divisions", "divisions"), ("cultures", "multiplication")}  # of which one slipped
SHARES = {("stages", "batches_cv"), ("stages", "plants_cv"), ("cultures", "multiplication_cv"),
          ("divisions", "divisions_cv")}  # fmt: skip


class Held:
    """Tables that are held in memory, each as the rows of a CSV file."""

    def __init__(self, rows: dict[str, list[list[str]]]) -> None:
        self.sheets = {
            table: lay_out(table, list(enumerate(cells, 1)), KINDS[table], mark=",", empty="absent")
            for table, cells in rows.items()
        }

    def place(self, table: str) -> str:
        return table

    def sheet(self, table: str, _: type[Row]) -> Sheet:
        return self.sheets.get(table) or Sheet((), ())

    def ignored(self) -> tuple[Fault, ...]:
        return ()

    def __contains__(self, table: str) -> bool:
        return table in self.sheets


def _rows(table: str, text: str) -> list[list[str]]:
    """Return the rows of a table under all of its columns, with the cells of its first row that are often empty."""
    rows = list(csv.DictReader(io.StringIO(text)))
    rows[0] |= FILLED.get(table, {})
    if table == "stages":
        rows = [row | {"step": str(1 + at % 3)} for at, row in enumerate(rows)]
    columns = list(KINDS[table].model_fields)
    return [columns, *([row.get(column) or "" for column in columns] for row in rows)]


def _season() -> dict[str, list[list[str]]]:
    header = {name: str(cell) for name, cell in tomllib.loads(TEXTS["season.toml"]).items()}
    texts = {name.removesuffix(".csv"): text for name, text in {**TEXTS, **MULTIPLIED}.items() if name != "season.toml"}
    columns = list(Header.model_fields)
    header |= FILLED["season"]
    rows = {table: _rows(table, text) for table, text in texts.items()}
    return {"season": [columns, [header.get(name, "") for name in columns]], **rows}


SEASON, HISTORY = _season(), {table: _rows(table, text) for table, text in PAST.items()}


def _place(table: str, column: str) -> int:
    """Return the row, from 0, into which an odd cell of a column goes: the first in which it is filled, if any is."""
    rows = {**SEASON, **HISTORY}[table]
    if column == "typical":  # the first stage runs on degree-days
        return 1
    at = rows[0].index(column)
    return next((row for row, cells in enumerate(rows[1:]) if cells[at]), 0)


def _slips(table: str, column: str, text: str) -> list[str]:
    """Return what known slips make of a cell, each of which must not be read in silence."""
    key = (table, column)
    try:
        value = float(text.split(maxsplit=1)[0])
    except (ValueError, IndexError):
        return []
    made: list[float] = []
    made += [7 * value] if key in WEEKS and value else []
    made += [value / 10, value / 100, 1 - value, 100 * value] if key in KEPT and 0.5 < value < 1 else []
    made += [1 - value, 100 * value] if key in LOST and 0 < value < 0.5 else []
    made += [100 * value] if key in PRICES else []
    made += [0.01, 1 / value, 10_000 * value] if key in DENSE else []
    made += [1.8 * value + 32] if key in CELSIUS else []
    made += [10 * value] if key in PLANTS and value else []
    made += [100 * value] if key in SHARES and value else []
    made += [value / 10] if key in DIGIT else []
    made += [100 * value] if key in TRAYS else []
    return [f"{round(one, 6):.12g}" for one in made]


def _forms(text: str) -> list[str]:
    """Return other forms of a number, and numbers near and far."""
    try:
        value = float(text.split(maxsplit=1)[0])
    except (ValueError, IndexError):
        return [text.upper(), text.lower(), f" {text} ", f"{text}x", f"'{text}", text[::-1], text[:1]]
    made = [f"{value * factor:.12g}" for factor in (-1, 0.001, 0.01, 0.1, 1 / 7, 0.5, 2, 10, 100, 1000, 1e6, 1e12)]
    made += [f" {text}", f"+{text}", f"{text}%", f"{100 * value:g} %", f"{text} m", f"{text}.", text.replace(".", ",")]
    return [*made, f"{value:e}", f"{value:.1f}", f"{value:.3f}", f"{value + 0.5:g}", f"1{text}", f"{text}{text}"]


def _same(cell: Any, text: str, default: Any) -> bool:
    """Say whether a cell holds what a text says, by a reader that shares nothing with the package's."""
    text = text.strip()
    if not text:
        return bool(cell == default)
    if isinstance(cell, bool) or cell is None:
        return False
    if isinstance(cell, int | float):
        return math.isfinite(cell) and cell == float(text)
    if isinstance(cell, Week):
        return f"{cell.year:04d}-W{cell.week:02d}" == text
    if isinstance(cell, date):
        return cell.isoformat() == text or datetime.strptime(text, "%d/%m/%Y").date() == cell
    if isinstance(cell, ByCycle):
        return list(cell.values) == [float(part) for part in text.split()]
    if isinstance(cell, Level):
        words = text.split()
        known = dict(zip(words[::2], map(float, words[1::2]), strict=True)) if len(words) > 1 else {words[0]: 1.0}
        return all(math.isclose(dict(cell.shares).get(word, 0), share) for word, share in known.items())
    plain, read = ("".join(unicodedata.normalize("NFC", one).split()) for one in (text, cell))
    return plain == read


def _looked_at(table: str, sheets: dict[str, Sheet]) -> Read[Any]:
    source = Held({})
    source.sheets = sheets
    return look_at_records(source) if table in RECORDS else look_at_season(source)


BASE = {table: Held(HISTORY if table in RECORDS else SEASON).sheets for table in KINDS}


def _judge(table: str, at: int, column: str, text: str) -> tuple[str, str]:
    """Return what becomes of an odd cell, and why it is at fault if it is."""
    sheet = BASE[table][table]
    line = sheet.lines[at]
    cells = {name: cell for name, cell in line.cells.items() if name != column}
    cells |= {column: text.strip()} if text.strip() else {}
    changed = Line(line.number, cells, line.faults)
    lines, found = understood(table, (*sheet.lines[:at], changed, *sheet.lines[at + 1 :]), KINDS[table])
    row, faults = read_row(lines[at], KINDS[table])
    odd: tuple[Fault, ...] = ()
    if row is not None:
        read = _looked_at(table, BASE[table] | {table: Sheet(lines, sheet.faults)})
        faults, odd = list(read.faults), read.odd
    for fault in (*faults, *odd):
        if not (fault.problem and fault.remedy and fault.table is not None) or "\n" in str(fault):
            return "fault", f"no place or remedy: {fault!r}"
    if faults:
        return "refused", ""
    if noted := [
        one for one in found if text.strip() and (one.written, one.column or column) == (text.strip(), column)
    ]:
        return _noted(getattr(row, column), noted, at, sheet)
    if not _same(getattr(row, column), text, KINDS[table].model_fields[column].default):
        return "fault", f"read as {getattr(row, column)!r}"
    return ("warned", "") if odd else ("read", "")


def _noted(cell: Any, noted: list[Understood], at: int, sheet: Sheet) -> tuple[str, str]:
    """Return that a cell was understood, if it holds what the note says of its row."""
    (one,) = noted
    true = sheet.lines[at].number in one.rows and _same(cell, one.read, None) and one.read != one.written
    return ("understood", "") if true else ("fault", f"read as {cell!r}, noted as {one}")


def test_the_tables_themselves_are_sound() -> None:
    for table in ("season", "batches"):
        read = _looked_at(table, BASE[table])
        assert [str(fault) for fault in (*read.faults, *read.odd)] == []


def _odd_cells(table: str, column: str) -> tuple[int, str, list[str], list[str]]:
    """Return the row and cell of a column, the slips that may befall it, and all odd texts."""
    rows, at = {**SEASON, **HISTORY}[table], _place(table, column)
    there = rows[at + 1][rows[0].index(column)]
    slips = _slips(table, column, there)
    return at, there, slips, list(dict.fromkeys([*slips, *_forms(there), *NASTY]))


@pytest.mark.parametrize("table", KINDS)
def test_no_odd_cell_is_read_in_silence_as_something_else(table: str) -> None:
    wrong = []
    for column in KINDS[table].model_fields:
        at, there, slips, texts = _odd_cells(table, column)
        for text in texts:
            verdict, why = _judge(table, at, column, text)
            if verdict == "fault" or (verdict == "read" and text in slips):
                wrong.append((column, there, text[:40], why or "a slip, in silence"))
    assert wrong == []


def test_so_many_cells_are_tried_and_slips_of_every_kind() -> None:
    cells = [_odd_cells(table, column) for table, kind in KINDS.items() for column in kind.model_fields]
    assert sum(len(texts) for *_, texts in cells) >= LEAST
    slips = WEEKS | KEPT | LOST | PRICES | DENSE | CELSIUS | PLANTS | SHARES | TRAYS | DIGIT
    assert [key for key in sorted(slips) if not _odd_cells(*key)[2]] == []


@pytest.mark.parametrize(
    ("table", "column"),
    [(table, column) for table in TABLES for column in ("note", "variety") if column in TABLES[table].model_fields]
    + sorted(WEEKS | KEPT | DENSE),
)
def test_whole_folders_say_the_same(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], table: str, column: str
) -> None:  # fmt: skip
    rows = {**SEASON, **HISTORY}
    at, _, _, texts = _odd_cells(table, column)
    if table == "season":  # numbers there are no texts
        return
    for text in texts[:: len(texts) // 6]:
        for name, cells in rows.items():
            lines = [list(row) for row in cells]
            if name == table:
                lines[at + 1][lines[0].index(column)] = text
            if name == "season":
                given = [(key, cell) for key, cell in zip(*lines, strict=True) if cell]
                numbers = {key for key, cell in given if cell.replace(".", "").isdigit()}
                toml = [f"{key} = {cell if key in numbers else json.dumps(cell)}" for key, cell in given]
                (tmp_path / "season.toml").write_text("\n".join(toml), encoding="utf-8")
            else:
                written = io.StringIO()
                csv.writer(written).writerows([[shielded(cell) for cell in line] for line in lines])
                (tmp_path / f"{name}.csv").write_bytes(written.getvalue().encode(errors="surrogatepass"))
        verdict, _ = _judge(table, at, column, text)
        code = main(["check", str(tmp_path)])
        told = capsys.readouterr()
        assert "Traceback" not in told.out + told.err
        assert (code, "slip" in told.out) == (0 if verdict != "refused" else 2, verdict == "warned"), (text, told)
