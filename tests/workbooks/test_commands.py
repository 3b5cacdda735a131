"""What commands write into workbooks: new ones, and those that are there."""

from __future__ import annotations

from pathlib import Path

import pytest
from openpyxl import load_workbook
from openpyxl.comments import Comment
from openpyxl.styles import PatternFill
from refusals import refused_lines
from rich_books import around, parts, rich_book, sheet_parts, values

from forecast import learn, read_season, write_season
from forecast.__main__ import main
from forecast.planning.whole_order import plan_orders
from forecast.records.records import read_records, write_records
from forecast.season.season import TABLES
from forecast.show.sheets import write_order_sheet
from forecast.starter.starter import start
from forecast.weeks import Week

FIRST = Week(2026, 40)
FEW = ["--draws", "64"]


@pytest.fixture
def begun(tmp_path: Path) -> Path:
    start(tmp_path / "mine.xlsx", first_week=FIRST)
    return tmp_path / "mine.xlsx"


def run(*arguments: object) -> int:
    return main([str(one) for one in arguments])


def test_orders_go_into_a_new_workbook_or_one_that_is_there(begun: Path, tmp_path: Path, capsys) -> None:
    out = tmp_path / "orders.xlsx"
    assert run("order", begun, *FEW, "--out", out) == 0
    printed = capsys.readouterr().out
    assert f"Written to {out}: orders, order_table." in printed
    assert list(sheet_parts(out)) == ["orders", "order_table"]
    plan = plan_orders(read_season(begun), draws=64, seed=1)
    columns = [cell.value for cell in load_workbook(out)["orders"][1]]
    assert columns[:3] == ["variety", "week", "quantity"]
    assert len(list(load_workbook(out)["orders"])) == 1 + len(plan.orders)
    before = begun.read_bytes()
    assert run("order", begun, *FEW, "--out", begun) == 2  # it has orders, and they are its own
    assert "mine.xlsx, sheet orders: already exists; nothing was written." in capsys.readouterr().err
    assert begun.read_bytes() == before
    assert run("order", begun, *FEW, "--out", begun, "--overwrite") == 0
    assert read_season(begun).orders == plan.orders


def test_a_learned_season_goes_into_another_workbook(begun: Path, tmp_path: Path, capsys) -> None:
    out, before = tmp_path / "learned.xlsx", begun.read_bytes()
    assert run("learn", begun, *FEW, "--write", out) == 0
    assert f"Written to {out}. To order by it: python -m forecast order {out}" in capsys.readouterr().out
    learned = learn(read_season(begun), read_records(begun))
    assert read_season(out) == learned.replace()
    assert not {"batches", "counts"} & set(sheet_parts(out))
    assert run("learn", begun, *FEW, "--write", out) == 2
    assert run("learn", begun, *FEW, "--write", out, "--overwrite") == 0
    assert read_season(out) == learned.replace()
    assert begun.read_bytes() == before


@pytest.mark.parametrize("extra", [[], ["--overwrite"]])
def test_what_was_learned_does_not_replace_the_figures_that_it_was_learned_from(begun: Path, capsys, extra) -> None:
    before = begun.read_bytes()
    assert run("learn", begun, *FEW, "--write", begun, *extra) == 2
    printed = capsys.readouterr()
    assert "the workbook of your own figures. Choose another one" in printed.err
    assert begun.read_bytes() == before


def test_a_learned_season_keeps_what_is_in_the_workbook_into_which_it_goes(begun: Path, tmp_path: Path) -> None:
    out = rich_book(tmp_path / "learned.xlsx", notes=False)
    before = parts(out)
    beside = {table: around(out, table) for table in ("targets", "stages")}
    assert run("learn", begun, *FEW, "--write", out, "--overwrite") == 0
    assert read_season(out) == learn(read_season(begun), read_records(begun)).replace()
    after = parts(out)
    for name in ("xl/charts/chart1.xml", "xl/media/image1.png", "xl/drawings/drawing1.xml", "xl/sharedStrings.xml"):
        assert after[name] == before[name]
    assert {table: around(out, table) for table in beside} == beside
    assert values(out, "my sums")["A2"] == ("600", "2")


def test_records_are_written_where_they_were_and_new_ones_below(begun: Path) -> None:
    records = read_records(begun)
    made = load_workbook(begun)
    sheet = made["counts"]
    place = next(row[0] for row in sheet if row[0].value == records.counts[-1].batch).row
    sheet.cell(place, 1).fill = PatternFill("solid", fgColor="FFEEAA")
    sheet.cell(place, 3).comment = Comment("counted by two of us", "A Grower")
    sheet.delete_rows(sheet.max_row)
    made.save(begun)
    held = {row[0].coordinate: row[0].value for row in load_workbook(begun)["counts"]}
    fewer = read_records(begun)
    assert len(fewer.counts) == len(records.counts) - 1
    write_records(records, begun, overwrite=True)
    assert read_records(begun) == records
    sheet = load_workbook(begun)["counts"]
    assert {at: sheet[at].value for at in held} == held
    assert sheet.cell(place, 1).fill.fgColor.rgb == "00FFEEAA"
    assert sheet.cell(place, 3).comment.text == "counted by two of us"
    assert sheet.cell(sheet.max_row, 2).is_date


def test_an_order_sheet_is_never_written_over_a_season(begun: Path) -> None:
    plan = plan_orders(read_season(begun), draws=64, seed=1)
    before = begun.read_bytes()
    assert "already exists" in refused_lines(write_order_sheet, plan, begun)[0]
    (line,) = refused_lines(write_order_sheet, plan, begun, overwrite=True)
    assert line == (
        "mine.xlsx, sheet orders: holds something else; nothing was written. Rename it, or choose another name for "
        "what is written."
    )
    assert begun.read_bytes() == before


@pytest.mark.parametrize("table", ["targets", "varieties"])
def test_a_table_at_fault_is_reported_before_anything_is_written(begun: Path, table: str) -> None:
    season, made = read_season(begun), load_workbook(begun)
    made[table].cell(4, 1).value = "Hosta #N/A?"
    made[table].cell(4, len(list(made[table].columns))).value = "many"
    made.save(begun)
    before = begun.read_bytes()
    lines = refused_lines(write_season, season, begun, overwrite=True)
    assert lines[0].startswith(f"mine.xlsx, sheet {table}, row 4, column ")
    assert begun.read_bytes() == before


def test_a_sheet_that_is_empty_is_not_filled_without_headings(begun: Path) -> None:
    made = load_workbook(begun)
    made.create_sheet("on_hand")
    made.save(begun)
    season = read_season(begun)
    write_season(season, begun, overwrite=True)
    there = season.replace(
        on_hand=[{"variety": season.varieties[0].variety, "stage": "growing on", "quantity": 9, "since": FIRST}]
    )
    assert refused_lines(write_season, there, begun, overwrite=True) == [
        "mine.xlsx, sheet on_hand: empty. Delete the sheet; it is then added with its headings."
    ]


def test_tables_without_rows_any_more_are_emptied(begun: Path) -> None:
    season = read_season(begun)
    bare = season.replace(**dict.fromkeys(("orders", "cultures", "divisions", "climate"), ()))
    write_season(bare, begun, overwrite=True)
    assert read_season(begun) == bare
    write_season(season, begun, overwrite=True)
    assert read_season(begun) == season


def test_a_workbook_that_is_changed_meanwhile_is_not_written_over(begun: Path) -> None:
    from forecast.io.workbook_out import WorkbookOut  # noqa: PLC0415

    book = WorkbookOut(begun, overwrite=True)
    made = load_workbook(begun)
    made["targets"]["A9"].value = "# mine"
    made.save(begun)
    before = begun.read_bytes()
    assert refused_lines(book.write) == [
        "mine.xlsx: changed meanwhile; nothing was written. Close it in other programs, and do it again."
    ]
    assert begun.read_bytes() == before


def test_a_workbook_with_macros_keeps_them_and_none_is_begun(tmp_path: Path) -> None:
    def with_macros(whole: dict) -> None:
        whole["xl/vbaProject.bin"] = b"\xd0\xcf\x11\xe0 Sub Auto_Open()"
        kind = "application/vnd.ms-excel.sheet.macroEnabled.main+xml"
        usual = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"
        whole["[Content_Types].xml"] = whole["[Content_Types].xml"].replace(usual, kind)

    book = rich_book(tmp_path / "mine.xlsm", change=with_macros)
    before = parts(book)
    start(book, additions=["orders"])
    assert parts(book)["xl/vbaProject.bin"] == before["xl/vbaProject.bin"]
    assert b"macroEnabled" in parts(book)["[Content_Types].xml"]
    (line,) = refused_lines(write_season, read_season(book), tmp_path / "new.xlsm")
    assert line.endswith("a workbook with macros, which is not there. Let it end in .xlsx.")


def test_a_season_is_written_as_a_workbook_that_is_new(begun: Path, tmp_path: Path) -> None:
    season = read_season(begun)
    write_season(season, tmp_path / "other.xlsx")
    assert read_season(tmp_path / "other.xlsx") == season
    assert set(sheet_parts(tmp_path / "other.xlsx")) <= {"season", *TABLES}
    (line, *_) = refused_lines(write_season, season, tmp_path / "other.xlsx")
    assert line.startswith("other.xlsx, sheet season: already exists; nothing was written.")
