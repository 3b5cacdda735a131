"""Whatever stands in a file, it is read or refused; and what was read is written and read back as it was."""

import csv
import io
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from books import BATCHES, COUNTS, book
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from nasty import NASTY, XML

from forecast import Refused, Season, read_season, write_season
from forecast.records.records import Records, read_records, write_records
from forecast.season.season import TABLES
from forecast.show.plan_workbook import write_plan_workbook

pytestmark = pytest.mark.filterwarnings("ignore:[0-9]+ entr")  # what is odd is read

FUZZED = settings(
    max_examples=100,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
FILES = ["season.toml", *(f"{table}.csv" for table in TABLES)]
texts = st.sampled_from(NASTY) | st.text(max_size=20) | st.text("0123456789.,-eE+%W ", max_size=8)
names = st.sampled_from(NASTY).filter(lambda text: text.strip().isprintable()) | st.text(
    st.characters(exclude_categories=["Cc", "Cs", "Cf"]), min_size=1, max_size=20
)  # most of which are sound, as all of them must be at once
contents = st.binary(max_size=300) | st.text(max_size=100).map(lambda text: text.encode("utf-8", "surrogatepass"))


def read(call: Callable[[], Any]) -> Any:
    """Return what is read, or None where it is refused: in lines that can be printed, each with its remedy."""
    try:
        return call()
    except Refused as error:
        refused = error
    assert refused.faults
    assert all(fault.problem and fault.remedy for fault in refused.faults)
    assert all(line.isprintable() for line in str(refused).splitlines())
    return None


@contextmanager
def spoilt(file: Path, data: bytes) -> Iterator[None]:
    before = file.read_bytes()
    file.write_bytes(data)
    try:
        yield
    finally:
        file.write_bytes(before)


def survives(found: Season | Records | None, folder: Path) -> None:
    """What was read is read back, from a folder and, if a workbook can keep it, from a workbook."""
    if isinstance(found, Season):
        write_season(found, folder / "again", overwrite=True)
        assert read_season(folder / "again") == found
    elif isinstance(found, Records):
        write_records(found, folder / "again", overwrite=True)
        assert read_records(folder / "again") == found


@FUZZED
@given(name=st.sampled_from(FILES), data=contents, where=st.floats(0, 1), length=st.integers(0, 400))
@example("season.toml", b"seed = " + b"9" * 5000, 0, 0)
@example("season.toml", b"note = " + b"[" * 5000, 1, 0)
@example("targets.csv", b"\xff", 0.5, 0)
def test_any_bytes_in_any_file_of_a_season(multiplied: Path, name: str, data: bytes, where: float, length: int) -> None:
    whole = (multiplied / name).read_bytes()
    start = round(where * len(whole))
    with spoilt(multiplied / name, whole[:start] + data + whole[start + length :]):
        found = read(lambda: read_season(multiplied))
    survives(found, multiplied)


def changed(data: bytes, swaps: list[tuple[float, float, str]]) -> bytes:
    """Put texts into cells of a CSV file."""
    rows = list(csv.reader(io.StringIO(data.decode(), newline="")))
    for down, across, text in swaps:
        row = rows[int(down * (len(rows) - 1e-9))]
        row[int(across * (len(row) - 1e-9))] = text
    written = io.StringIO()
    csv.writer(written).writerows(rows)
    return written.getvalue().encode("utf-8", "surrogatepass")


swaps = st.lists(st.tuples(st.floats(0, 1), st.floats(0, 1), texts), min_size=1, max_size=3)


@FUZZED
@given(table=st.sampled_from(list(TABLES)), swaps=swaps)
def test_any_text_in_any_cell_of_a_season(multiplied: Path, table: str, swaps: list[tuple[float, float, str]]) -> None:
    file = multiplied / f"{table}.csv"
    with spoilt(file, changed(file.read_bytes(), swaps)):
        found = read(lambda: read_season(multiplied))
    survives(found, multiplied)


@FUZZED
@given(name=names, variety=names, lab=names, place=names, stage=names, note=texts)
@example(*(NASTY[NASTY.index("=1+1") :][:6]))
def test_any_names_come_back(
    multiplied: Path, name: str, variety: str, lab: str, place: str, stage: str, note: str
) -> None:
    sound = read_season(multiplied)
    new = {"variety": variety, "lab": lab, "place": place, "stage": stage}
    old = {"variety": "Hosta 'Ambrel'", "lab": "North Lab", "place": "shade", "stage": "grading"}

    def renamed(row: Any) -> Any:
        changes = {column: new[column] for column in new if getattr(row, column, None) == old[column]}
        return row.replace(**changes, **({"note": note} if hasattr(row, "note") else {}))

    def season() -> Season:
        tables = {table: tuple(map(renamed, getattr(sound, table))) for table in TABLES if table != "climate"}
        return sound.replace(name=name, note=note, **tables)

    survives(read(season), multiplied)


@FUZZED
@given(table=st.sampled_from(["batches", "counts", "weather"]), swaps=swaps)
def test_any_text_in_any_cell_of_records(tmp_path: Path, table: str, swaps: list[tuple[float, float, str]]) -> None:
    days = [["date", "t_min", "t_max"], ["2027-03-01", -1.5, 6], ["2027-03-03", 0, 8]]
    for name, rows in (("batches", BATCHES), ("counts", COUNTS), ("weather", days)):
        written = io.StringIO()
        cells = [
            [str(getattr(cell, "date", lambda cell=cell: cell)()) if cell is not None else "" for cell in row]
            for row in rows
        ]
        csv.writer(written).writerows([[cell.removesuffix(".0") for cell in row] for row in cells])
        (tmp_path / f"{name}.csv").write_bytes(written.getvalue().encode())
    assert len(read_records(tmp_path).counts) == 4
    file = tmp_path / f"{table}.csv"
    with spoilt(file, changed(file.read_bytes(), swaps)):
        found = read(lambda: read_records(tmp_path))
    survives(found, tmp_path)


xml = st.sampled_from(XML) | st.text(max_size=10)


@FUZZED
@given(
    part=st.integers(0, 99),
    spoils=st.lists(st.tuples(st.floats(0, 1), st.integers(0, 30), xml), min_size=1, max_size=3),
)
def test_any_xml_in_any_part_of_a_workbook(tmp_path: Path, part: int, spoils: list[tuple[float, int, str]]) -> None:
    with zipfile.ZipFile(book(tmp_path)) as archive:
        parts = {info.filename: archive.read(info) for info in archive.infolist()}
    name = sorted(parts)[part % len(parts)]
    for where, length, text in spoils:
        data = parts[name]
        start = round(where * len(data))
        parts[name] = data[:start] + text.encode("utf-8", "surrogatepass") + data[start + length :]
    with zipfile.ZipFile(tmp_path / "records.xlsx", "w") as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    survives(read(lambda: read_records(tmp_path / "records.xlsx")), tmp_path)


@FUZZED
@given(where=st.floats(0, 1), length=st.integers(0, 300), data=st.binary(max_size=50))
def test_any_bytes_in_a_workbook(tmp_path: Path, where: float, length: int, data: bytes) -> None:
    whole = book(tmp_path).read_bytes()
    start = round(where * len(whole))
    (tmp_path / "records.xlsx").write_bytes(whole[:start] + data + whole[start + length :])
    survives(read(lambda: read_records(tmp_path / "records.xlsx")), tmp_path)


def test_nasty_notes_come_back_from_a_workbook(multiplied: Path) -> None:
    """But for those that a workbook cannot keep, such as an error of a spreadsheet."""
    season, left = read_season(multiplied), [text for text in NASTY if text.isprintable() and text != "#REF!"]
    assert len(left) > 60
    while left:
        tables = {}
        for table in TABLES:
            rows = getattr(season, table)
            tables[table] = tuple(row.replace(note=left.pop()) if left and table != "climate" else row for row in rows)
        noted = season.replace(name="'=1+1", **tables)
        write_plan_workbook(noted, multiplied / "season.xlsx", overwrite=True)
        assert read_season(multiplied / "season.xlsx") == noted
