"""What is a comment and what is not: no row is left out in silence."""

import re
import zipfile
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest
from books import book, patched
from refusals import refused, refused_lines

from forecast import read_season, write_season
from forecast.io.files_in import RECORDS
from forecast.records.records import read_records, write_records
from forecast.season.cells import is_error
from forecast.season.season import TABLES
from forecast.show.plan_workbook import write_plan_workbook
from forecast.starter.past import records_until
from forecast.starter.starter import VARIETIES, example
from forecast.weeks import Week

# As spreadsheets in English, German, French, Spanish, Dutch, Danish, Russian and Hungarian show them, from memory.
ERRORS = [
    *("#N/A", "#REF!", "#NAME?", "#VALUE!", "#DIV/0!", "#NUM!", "#NULL!", "#SPILL!", "#CALC!", "#GETTING_DATA"),
    *("#NV", "#BEZUG!", "#WERT!", "#ZAHL!", "#ÜBERLAUF!", "#VALEUR!", "#NOM?", "#¡VALOR!", "#¿NOMBRE?", "#¡DIV/0!"),
    *("#WAARDE!", "#DEEL/0!", "#VÆRDI!", "#I/T", "#Н/Д", "#ССЫЛКА!", "#HIÁNYZIK", "########", "Err:502"),
]
TEXTS = ["#1 container", "#1", "#5", "#todo", "#VIP", "#1!", "# 1", "grey mould!", "N/A", "Hosta #N/A"]
ODD = [*ERRORS[:-1], "#Hosta", "#1", "#x y", "#!", "##"]
WEEK = Week.parse("2026-W40")
Change = Callable[[str, str, str], None]


def test_errors_of_spreadsheets_are_known_in_any_language_and_nothing_else_is_taken_for_one() -> None:
    assert [text for text in ERRORS if not is_error(text)] == []
    assert [text for text in TEXTS if is_error(text)] == []


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("whole")
    there = [{"variety": VARIETIES[0], "stage": "growing on", "quantity": 30, "since": WEEK}]
    season = example(WEEK).replace(profiles=[{"profile": "early", "week": 1, "weight": 1}], on_hand=there)
    write_season(season, folder)
    write_records(records_until(WEEK), folder)
    return folder


@pytest.mark.parametrize("table", [*TABLES, "batches", "counts"])
@pytest.mark.parametrize("quoted", ["", '"'], ids=["plain", "quoted"])
def test_a_row_whose_first_cell_begins_with_a_number_sign_is_reported_and_never_left_out(
    whole: Path, tmp_path: Path, table: str, quoted: str
) -> None:
    for file in whole.glob("*.csv"):
        (tmp_path / file.name).write_bytes(file.read_bytes())
    (tmp_path / "season.toml").write_bytes((whole / "season.toml").read_bytes())
    read = read_records if table in RECORDS else read_season
    file = tmp_path / f"{table}.csv"
    header, *rows = file.read_text(encoding="utf-8").splitlines()
    for odd in ODD:
        cells = re.sub(r'^("[^"]*"|[^,]*)', lambda _, odd=odd: f"{quoted}{odd}{quoted}", rows[-1])
        file.write_text("\n".join([header, *rows[:-1], cells]), encoding="utf-8")
        place = f"{table}.csv, row {len(rows) + 1}, column {header.split(',')[0]}, '{odd}': "
        (line,) = [line for line in refused_lines(read, tmp_path) if line.startswith(place)]
        expected = "a spreadsheet error" if is_error(odd) else "starts with #, but is not a comment"
        expected = "the column was too narrow" if not odd.strip("# ") and is_error(odd) else expected
        assert ("too narrow" if odd == "########" else expected) in line
    file.write_text("\n".join([header, *rows, f"{quoted}# {odd}{quoted}"]), encoding="utf-8")
    read(tmp_path)


def test_a_remark_without_its_space_is_reported_above_the_header_too(folder: Path, change: Change) -> None:
    change("targets.csv", "variety,week", "#wanted in 2027; by week\nvariety,week")
    assert refused_lines(read_season, folder) == [
        "targets.csv, row 1, '#wanted in 2027; by week': starts with #, but is not a comment. Begin a comment with # "
        "and a space; else begin the row with something else."
    ]


@pytest.mark.parametrize("first", ["#variety", "#"])
def test_a_header_that_begins_with_a_number_sign_is_a_header(folder: Path, change: Change, first: str) -> None:
    before = read_season(folder)
    change("targets.csv", "variety,week", f"{first},week")
    said = refused_lines(read_season, folder)
    assert f"targets.csv, row 1, column {first}: no such column." in said[0]
    change("targets.csv", f"{first},week", "variety,week")
    assert read_season(folder) == before


def test_a_lone_number_sign_is_a_comment_only_if_nothing_else_is_in_its_row(folder: Path, change: Change) -> None:
    before = read_season(folder)
    change("targets.csv", "Hosta 'Belwin'", "#\n#,,\nHosta 'Belwin'")
    assert read_season(folder) == before
    change("targets.csv", "#,,\n", "#,2027-W41,400\n")
    said = "targets.csv, row 4, column variety, '#': starts with #, but is not a comment."
    assert refused(read_season, folder).startswith(said)


def test_the_marks_between_cells_are_not_sought_in_remarks(folder: Path) -> None:
    before = read_season(folder)
    for file in folder.glob("*.csv"):
        text = file.read_text(encoding="utf-8")
        file.write_text(f'"# one; two; three; four; five; six; seven"\n#\n{text}', encoding="utf-8")
    assert read_season(folder) == before


NARROW = "the column was too narrow to show what is in the cell. Widen it in the spreadsheet and save again."
FORMULA = "a spreadsheet error. Correct the formula and save the file again."


@pytest.mark.parametrize(("error", "said"), [("#NV", FORMULA), ("#WERT!", FORMULA), ("########", NARROW)])
@pytest.mark.parametrize("column", ["pot", "note"])
def test_an_error_in_a_cell_that_may_hold_any_text_is_reported(
    folder: Path, change: Change, column: str, error: str, said: str
) -> None:
    change("varieties.csv", {"pot": "12 cm", "note": "new here"}[column], error)
    assert refused_lines(read_season, folder) == [f"varieties.csv, row 4, column {column}, '{error}': {said}"]


def column_letter(path: Path, sheet: str, column: str) -> str:
    made = openpyxl.load_workbook(path)[sheet]
    return str(next(cell.column_letter for cell in made[1] if cell.value == column))


@pytest.mark.parametrize("shown", ["#N/A", "#NV", "#BEZUG!", "#CALC!", "oops"])
@pytest.mark.parametrize("column", ["batch", "date", "alive", "why"])
def test_an_error_cell_of_a_workbook_is_reported_in_any_column_and_language(
    tmp_path: Path, column: str, shown: str
) -> None:
    path = book(tmp_path)
    place = f"{column_letter(path, 'counts', column)}3"
    made = openpyxl.load_workbook(path)
    made["counts"][place] = "MARK"
    made.save(path)
    cell = f'<c r="{place}" t="e"><v>{shown}</v></c>'
    part = "xl/worksheets/sheet2.xml"
    with zipfile.ZipFile(path) as archive:
        old = re.search(rf'<c r="{place}"[^>]*>.*?</c>', archive.read(part).decode())
    assert old
    patched(path, part, old[0], cell)
    assert f"records.xlsx, sheet counts, row 3, column {column}, '{shown}': a spreadsheet error. Correct the " in (
        refused(read_records, path)
    )


def test_a_workbook_is_read_with_its_remarks_and_rows_alike(tmp_path: Path) -> None:
    there = [{"variety": VARIETIES[0], "stage": "growing on", "quantity": 30, "since": WEEK}]
    season = example(WEEK).replace(profiles=[{"profile": "early", "week": 1, "weight": 1}], on_hand=there)
    path = tmp_path / "plan.xlsx"
    write_plan_workbook(season, path)
    made = openpyxl.load_workbook(path)
    made["targets"].append(["# more to come", "any", "thing"])
    made["targets"].append(["#"])
    made.save(path)
    assert read_season(path) == season
    made["targets"].append(["#NV", *[cell.value for cell in made["targets"][2]][1:]])
    made.save(path)
    row = made["targets"].max_row
    assert refused(read_season, path).startswith(
        f"plan.xlsx, sheet targets, row {row}, column variety, '#NV': a spreadsheet error."
    )
