"""A workbook is the same season as a folder: started, added to, and read by every command."""

from __future__ import annotations

import re
import warnings
import zipfile
from pathlib import Path
from xml.etree import ElementTree

import pytest
from openpyxl import load_workbook
from refusals import refused_lines

from forecast.__main__ import main
from forecast.io.seasons import read_season
from forecast.records.records import read_records
from forecast.season.season import TABLES
from forecast.starter.additions import ADDITIONS, NEW
from forecast.starter.answers import Answers
from forecast.starter.columns import FILLED
from forecast.starter.starter import begin, start
from forecast.weeks import Week

FIRST = Week(2026, 40)
SOUTH = Answers(["aroids", "echeverias"], "brisbane", "AUD", ["Coast Lab", "Range Lab"], bench=80.0)
CHOICES = {
    "varieties": {"group"}, "price_list": {"lab", "variety"}, "targets": {"variety", "week"},
    "stages": {"place"}, "season": {"first_week"},
}  # fmt: skip
"""Columns of a first season in which names or weeks are chosen."""


@pytest.fixture
def begun(tmp_path: Path) -> tuple[Path, Path]:
    """A season in a workbook and in a folder, from the same answers."""
    for path in (tmp_path / "mine.xlsx", tmp_path / "mine"):
        begin(path, SOUTH, first_week=FIRST)
    return tmp_path / "mine.xlsx", tmp_path / "mine"


def sound(path: Path):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        return read_season(path)


def printed(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> str:
    assert main([str(one) for one in arguments]) == 0
    return capsys.readouterr().out


def headings(path: Path, table: str) -> list[str]:
    sheet = load_workbook(path)[table]
    return next(
        [cell.value for cell in row if cell.value]
        for row in sheet
        if row[0].value and not str(row[0].value).startswith("#")
    )


def test_a_season_that_begins_as_a_workbook_is_that_of_the_folder(begun) -> None:
    book, folder = begun
    assert sound(book) == sound(folder)
    assert sum(len(headings(book, table)) for table in FILLED) == 10
    there = load_workbook(book).sheetnames
    assert there == ["start here", *FILLED, "season", "stages", "places", "climate", "lists"]


def test_the_example_is_that_of_the_folder_and_so_are_its_records(tmp_path: Path) -> None:
    start(tmp_path / "mine.xlsx", first_week=FIRST)
    start(tmp_path / "mine", first_week=FIRST)
    assert sound(tmp_path / "mine.xlsx") == sound(tmp_path / "mine")
    assert read_records(tmp_path / "mine.xlsx") == read_records(tmp_path / "mine")


@pytest.mark.parametrize("name", ADDITIONS)
def test_it_begins_with_what_is_named_as_the_folder_does(name: str, tmp_path: Path) -> None:
    for path in (tmp_path / "mine.xlsx", tmp_path / "mine"):
        start(path, first_week=FIRST, additions=[name])
    assert sound(tmp_path / "mine.xlsx") == sound(tmp_path / "mine")


def test_what_is_printed_is_that_of_the_folder_with_sheets_for_files(tmp_path, capsys) -> None:
    asked = ["--crops", "aroids, echeverias", "--climate", "brisbane", "--currency", "aud", "--bench", "80"]
    found = [printed(capsys, "start", tmp_path / name, *asked) for name in ("mine.xlsx", "mine")]
    assert found[0].replace("mine.xlsx", "mine").replace("three sheets", "three tables") == found[1].replace(".csv", "")
    later = ["--with", "windows,promises", "--with", "orders,records"]
    found = [printed(capsys, "start", tmp_path / name, *later).splitlines() for name in ("mine.xlsx", "mine")]
    as_files = {re.sub(r"mine.xlsx, sheet (\w+)", r"mine/\1.csv", line) for line in found[0]}
    assert as_files == set(found[1])
    again = [printed(capsys, "start", tmp_path / name, *later) for name in ("mine.xlsx", "mine")]
    assert again[0].replace("sheets", "tables").replace("mine.xlsx", "mine") == again[1]


def test_every_command_prints_of_the_workbook_what_it_prints_of_the_folder(tmp_path, capsys) -> None:
    for path in (tmp_path / "mine.xlsx", tmp_path / "mine"):
        start(path, first_week=FIRST)
    few = ["--draws", "64"]
    for command in (
        ["check"], ["order", *few], ["order", "--mine", *few], ["order", "--by-hand", "Hosta 'First'", *few],
        ["whatif", "--survival", "acclimatisation -10", *few], ["learn", *few],
    ):  # fmt: skip
        one, other = (printed(capsys, command[0], tmp_path / name, *command[1:]) for name in ("mine.xlsx", "mine"))
        assert one.replace("the sheet orders", "orders.csv") == other, command
    codes, outs = [], []
    for name in ("mine.xlsx", "mine"):
        codes.append(main(["today", str(tmp_path / name), "--on", str(FIRST.monday), *few]))
        outs.append(capsys.readouterr().out)
    assert codes[0] == codes[1]
    assert outs[0] == outs[1]
    page = tmp_path / "order.html"
    assert main(["report", str(tmp_path / "mine.xlsx"), "--out", str(page), *few]) == 0
    assert "Hosta" in page.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", [*ADDITIONS, *NEW])
def test_more_is_added_to_a_workbook_as_to_the_folder_and_the_season_stays(begun, name: str) -> None:
    book, folder = begun
    before = read_season(book)
    added = [start(path, additions=[name]) for path in begun]
    assert {f"{sheet}.csv": set(columns) for sheet, columns in added[0].items()} == {
        file: set(columns) for file, columns in added[1].items()
    }
    assert read_season(book).replace(profiles=()) == before
    assert read_season(book) == read_season(folder)
    assert start(book, additions=[name]) == {}


def test_all_of_them_one_after_the_other_make_one_sound_workbook(begun) -> None:
    book, folder = begun
    for name in (*ADDITIONS, *NEW):
        start(book, additions=[name])
    start(folder, additions=[*ADDITIONS, *NEW])
    assert sound(book) == sound(folder)
    for table in TABLES:
        columns = headings(book, table)
        assert len(columns) == len(set(columns))


def test_names_weeks_and_words_are_chosen_and_numbers_have_limits(begun) -> None:
    made = load_workbook(begun[0])
    for table, chosen in CHOICES.items():
        sheet, columns = made[table], headings(begun[0], table)
        row = next(row[0].row for row in sheet if row[0].value == columns[0])
        checks = {
            sheet.cell(row, min(area.min_col for area in one.sqref.ranges)).value: one
            for one in sheet.data_validations.dataValidation
        }
        assert {name for name, one in checks.items() if one.type == "list"} >= chosen
        for one in checks.values():
            assert min(area.min_row for area in one.sqref.ranges) > row
            assert one.showErrorMessage
            assert one.error.endswith(".")  # a spreadsheet shows 225 characters of it, and 255 of what to write
            assert len(one.error) <= 225
            assert len(one.prompt or "") <= 255
            assert len(one.errorTitle) <= 32
    price = next(one for one in made["price_list"].data_validations.dataValidation if one.type == "decimal")
    assert (price.formula1, price.formula2) == ("0", "1000000000")
    (share,) = (one for one in made["season"].data_validations.dataValidation if one.promptTitle == "service_level")
    assert (share.formula1, share.formula2) == ("0.000001", "0.999999")


def test_headings_say_what_they_mean_and_what_may_be_written(begun) -> None:
    made = load_workbook(begun[0])
    for table in (*FILLED, "stages", "places", "climate", "season"):
        sheet, columns = made[table], headings(begun[0], table)
        notes = {cell.value: cell.comment.text for row in sheet for cell in row if cell.comment}
        assert set(notes) == set(columns)
        for column, note in notes.items():
            assert note.startswith(f"{column}\n")
    notes = {cell.value: cell.comment.text for row in made["targets"] for cell in row if cell.comment}
    assert "Write a whole number, 1 or more." in notes["target"]
    assert notes["variety"].endswith("Required.")


def test_the_lists_to_choose_from_hold_what_the_season_has(begun) -> None:
    season, sheet = read_season(begun[0]), load_workbook(begun[0])["lists"]
    columns = {column[1].value: [cell.value for cell in column[2:] if cell.value] for column in sheet.iter_cols()}
    assert columns["week"] == [str(season.first_week + at) for at in range(season.weeks)]
    assert columns["lab"] == ["Coast Lab", "Range Lab"]
    assert columns["group"] == list(dict.fromkeys(row.applies_to for row in season.stages))


def test_tables_that_begin_empty_show_a_row_as_an_example_which_is_not_read(begun) -> None:
    start(begun[0], additions=["orders", "stock", "records"])
    season = read_season(begun[0])
    assert (season.orders, season.on_hand) == ((), ())
    for table in ("orders", "on_hand", "batches", "counts"):
        texts = [str(row[0].value) for row in load_workbook(begun[0])[table] if row[0].value]
        assert sum(text.startswith("# such as ") for text in texts) == 1


def test_every_part_is_well_formed_and_declared(begun) -> None:
    start(begun[0], additions=[*ADDITIONS, *NEW])
    with zipfile.ZipFile(begun[0]) as archive:
        names = archive.namelist()
        assert len(names) == len(set(names))
        kinds = ElementTree.fromstring(archive.read("[Content_Types].xml"))
        declared = {one.get("PartName", "").lstrip("/") for one in kinds}
        endings = {one.get("Extension") for one in kinds if one.get("Extension")}
        for name in names:
            ElementTree.fromstring(archive.read(name))
            assert name in declared or name.rpartition(".")[2] in endings - {"xml"} or name == "[Content_Types].xml"
        assert declared - {""} <= set(names)


def test_nothing_is_replaced_unasked(begun) -> None:
    before = begun[0].read_bytes()
    (line,) = refused_lines(begin, begun[0], SOUTH, first_week=FIRST)
    assert line == (
        "mine.xlsx, sheet varieties: already exists; nothing was written. 6 more are there, too. Choose another file, "
        "or allow them to be replaced (overwrite=True, --overwrite)."
    )
    assert begun[0].read_bytes() == before


def test_a_season_that_is_replaced_keeps_all_else_in_the_workbook(begun) -> None:
    made = load_workbook(begun[0])
    made.create_sheet("my sums")["B3"] = "=SUM(targets!C4:C9)"
    made.save(begun[0])
    other = Answers(["hostas"], "de bilt")
    season, _ = begin(begun[0], other, first_week=FIRST, overwrite=True)
    assert read_season(begun[0]) == season
    assert load_workbook(begun[0])["my sums"]["B3"].value == "=SUM(targets!C4:C9)"


@pytest.mark.parametrize("name", ["mine.xls", "mine.ods", "mine.xlsb", "mine.numbers"])
def test_other_kinds_of_workbook_are_not_begun(tmp_path: Path, name: str) -> None:
    (line,) = refused_lines(begin, tmp_path / name, SOUTH)
    assert line.endswith(f"a workbook that ends in {Path(name).suffix} is not written. Let it end in .xlsx.")
    assert list(tmp_path.iterdir()) == []
