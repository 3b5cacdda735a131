"""What a grower has in a workbook is kept by every write, part by part; else it is refused before anything is lost."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import pytest
from openpyxl import load_workbook
from refusals import refused_lines
from rich_books import DRAWN, MAIN, SEASON, around, links, parts, rich_book, sheet_parts, values

from forecast import read_season, write_season
from forecast.__main__ import main
from forecast.planning.whole_order import plan_orders
from forecast.season.season import Season
from forecast.show.plan_workbook import write_plan_workbook
from forecast.starter.starter import start

OWN = {
    "xl/drawings/drawing1.xml", "xl/drawings/_rels/drawing1.xml.rels", "xl/charts/chart1.xml", "xl/media/image1.png",
    "xl/threadedComments/threadedComment1.xml", "xl/persons/person.xml", "xl/calcChain.xml", "xl/sharedStrings.xml",
}  # fmt: skip
"""Parts that no write of ours touches."""


def kept(before: dict[str, bytes], path: Path, *, but: set[str] = frozenset()) -> None:
    """Check that each part is as it was, byte for byte, but those that have to change."""
    after = parts(path)
    assert set(before) <= set(after)
    may = {"xl/workbook.xml", "xl/_rels/workbook.xml.rels", "[Content_Types].xml", "xl/styles.xml", *but}
    assert {name for name, data in before.items() if after[name] != data} <= may
    assert OWN & set(before) <= {name for name, data in before.items() if after[name] == data}
    for data in after.values():
        if data[:1] == b"<":
            ElementTree.fromstring(data)


@pytest.fixture(params=["usual", "strict"])
def book(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    return rich_book(tmp_path / "mine.xlsx", strict=request.param == "strict")


def changed(season: Season) -> Season:
    """The season with another number and another note."""
    first, second = season.targets
    return season.replace(targets=(first.replace(target=450), second.replace(note="=a note")))


def test_a_workbook_by_hand_is_read(book: Path) -> None:
    season = read_season(book)
    assert [row.variety for row in season.varieties] == ["Hosta 'Orrinfall'", "Hosta 'Ñandú'"]
    assert season.targets[0].note == "retail"


def test_a_season_that_is_written_unchanged_changes_no_cell(book: Path) -> None:
    before = parts(book)
    write_season(read_season(book), book, overwrite=True)
    after = parts(book)
    assert set(after) == set(before)
    assert {name for name in before if after[name] != before[name]} <= {"xl/workbook.xml"}


def test_two_cells_that_change_are_all_that_changes(book: Path) -> None:
    before, cells, beside = parts(book), values(book, "targets"), around(book, "targets")
    season = changed(read_season(book))
    write_season(season, book, overwrite=True)
    assert read_season(book) == season
    kept(before, book, but={sheet_parts(book)["targets"]})
    found = values(book, "targets")
    differ = {where for where in found if found[where] != cells.get(where)}
    assert differ == {"C2", "D3"}
    assert found["C2"] == ("450", cells["C2"][1])  # in the look that it had
    assert found["D3"][0] == "=a note"
    assert around(book, "targets") == beside


def test_formulas_elsewhere_are_calculated_again_when_it_is_opened(book: Path) -> None:
    write_season(changed(read_season(book)), book, overwrite=True)
    root = ElementTree.fromstring(parts(book)["xl/workbook.xml"])
    (settings,) = (one for one in root if one.tag.endswith("}calcPr"))
    assert settings.get("fullCalcOnLoad") == "1"
    assert settings.get("calcId") == "191029"


def test_names_hidden_sheets_and_the_order_of_sheets_stay(book: Path) -> None:
    start(book, additions=["orders", "windows"])
    root = ElementTree.fromstring(parts(book)["xl/workbook.xml"])
    found = {one.tag.rpartition("}")[2]: one for one in root}
    sheets = [(one.get("name"), one.get("state")) for one in found["sheets"]]
    assert sheets[: len(SEASON) + 2] == [
        *((name, None) for name in SEASON),
        ("my sums", None),
        ("old prices", "hidden"),
    ]
    assert [name for name, _ in sheets[len(SEASON) + 2 :]] == ["orders", "profiles"]
    assert len({one.get("sheetId") for one in found["sheets"]}) == len(sheets)
    assert [(one.get("name"), one.text) for one in found["definedNames"]] == [("wanted", "targets!$C$2:$C$40")]


def test_columns_are_added_behind_all_that_is_there(book: Path) -> None:
    before, season, cells = parts(book), read_season(book), values(book, "targets")
    beside = around(book, "targets")
    assert start(book, additions=["promises", "channels"])["targets"][0] == "channel"
    comments = {"xl/comments1.xml", "xl/drawings/vmlDrawing1.vml"}
    sheet = sheet_parts(book)["targets"]
    kept(before, book, but={sheet, *comments})
    assert read_season(book) == season
    found = values(book, "targets")
    assert {where: found[where] for where in cells} == cells
    assert [found[f"{letter}1"][0] for letter in "EFG"] == ["channel", "price", "promised"]
    assert found["E1"][1] == cells["A1"][1]  # in the look of the other headings
    assert around(book, "targets") == beside
    checks = parts(book)[sheet]
    assert b'"retail,wholesale"' in checks
    if "xl/comments1.xml" in before:
        root = ElementTree.fromstring(parts(book)["xl/comments1.xml"])
        texts = {one.get("ref"): "".join(one.itertext()) for one in root.iter(f"{{{MAIN}}}comment")}
        assert texts["C2"] == "asked twice"
        assert texts["B3"] == "[Threaded comment] later?"
        assert texts["E1"].startswith("channel\n")
        drawn = parts(book)["xl/drawings/vmlDrawing1.vml"]
        assert drawn.count(b"<v:shape ") == len(texts)
        assert drawn.count(b'fillcolor="#ccffcc"') == 2
        ids = [one.get("id") for one in ElementTree.fromstring(drawn).iter() if one.tag.endswith("}shape")]
        assert len(ids) == len(set(ids))


@pytest.mark.filterwarnings("ignore:.* extension is not supported:UserWarning")  # of what reads it back here
def test_notes_are_not_drawn_among_the_pictures_of_a_header(tmp_path: Path) -> None:
    """legacyDrawingHF holds those: ECMA-376 (2016), part 4."""

    def with_header(whole: dict) -> None:
        name = "xl/worksheets/_rels/sheet2.xml.rels"
        whole[name] = links(("vmlDrawing", "../drawings/vmlDrawing7.vml"))
        whole["xl/drawings/vmlDrawing7.vml"] = DRAWN
        sheet = "xl/worksheets/sheet2.xml"
        whole[sheet] = whole[sheet].replace("</worksheet>", '<legacyDrawingHF r:id="rId1"/></worksheet>')

    book = rich_book(tmp_path / "mine.xlsx", change=with_header)
    before = parts(book)
    assert sheet_parts(book)["varieties"] == "xl/worksheets/sheet2.xml"
    start(book, additions=["leftovers"])
    assert parts(book)["xl/drawings/vmlDrawing7.vml"] == before["xl/drawings/vmlDrawing7.vml"]
    root = ElementTree.fromstring(parts(book)["xl/worksheets/sheet2.xml"])
    assert [one.tag.rpartition("}")[2] for one in root][-2:] == ["legacyDrawing", "legacyDrawingHF"]
    notes = load_workbook(book)["varieties"]
    assert {cell.value for row in notes for cell in row if cell.comment} == {"markdown_price", "outlet"}


def test_rows_that_are_added_continue_the_look_of_those_above(book: Path) -> None:
    season, cells = read_season(book), values(book, "price_list")
    more = season.price_list[0].replace(lab="Birch Lab")
    write_season(season.replace(price_list=(*season.price_list, more)), book, overwrite=True)
    found = values(book, "price_list")
    assert found["A4"] == ("Birch Lab", cells["A3"][1])
    assert {where: found[where] for where in cells} == cells
    assert read_season(book).price_list[-1] == more


def test_a_row_that_comes_between_moves_those_below_with_their_looks(tmp_path: Path) -> None:
    def mark(whole: dict) -> None:
        sheet = f"xl/worksheets/sheet{[*SEASON].index('price_list') + 1}.xml"
        whole[sheet] = whole[sheet].replace('<c r="A3" s="2"', '<c r="A3" s="4"')

    book = rich_book(tmp_path / "mine.xlsx", change=mark)
    season = read_season(book)
    first, second = season.price_list
    write_season(season.replace(price_list=(first, first.replace(lab="Birch Lab"), second)), book, overwrite=True)
    found = values(book, "price_list")
    assert [found[f"A{row}"] for row in (2, 3, 4)] == [("Alder Lab", "2"), ("Birch Lab", "4"), ("Alder Lab", "4")]
    assert read_season(book).price_list == (first, first.replace(lab="Birch Lab"), second)


def test_no_row_is_put_where_it_would_not_be_seen(tmp_path: Path) -> None:
    def hide(whole: dict) -> None:
        sheet = f"xl/worksheets/sheet{[*SEASON].index('price_list') + 1}.xml"
        hidden = (
            '<row r="4"><c r="A4" t="inlineStr"><is><t># mine</t></is></c></row><row r="5" hidden="1"/></sheetData>'
        )
        whole[sheet] = whole[sheet].replace("</sheetData>", hidden)

    book = rich_book(tmp_path / "mine.xlsx", change=hide)
    season = read_season(book)
    more = season.price_list[0].replace(lab="Birch Lab")
    write_season(season.replace(price_list=(*season.price_list, more)), book, overwrite=True)
    found = values(book, "price_list")
    assert (found["A4"][0], found["A6"][0]) == ("# mine", "Birch Lab")
    assert read_season(book).price_list[-1] == more


def test_a_result_that_is_formatted_as_a_table_keeps_its_headings(book: Path) -> None:
    plan = plan_orders(read_season(book), draws=64, seed=1)
    write_plan_workbook(plan, book, overwrite=True)
    whole, part = parts(book), sheet_parts(book)["result targets"]
    whole[part] = whole[part].replace(b"</worksheet>", b'<tableParts count="0"/></worksheet>')
    _saved(book, whole)
    write_plan_workbook(plan, book, overwrite=True)
    (line,) = refused_lines(write_plan_workbook, plan.simulate(), book, overwrite=True)
    assert line.startswith("mine.xlsx, sheet result targets: formatted as a table whose headings would change; nothing")
    assert parts(book)[part] == whole[part]


def test_rows_that_are_gone_leave_their_looks(book: Path) -> None:
    season, cells = read_season(book), values(book, "price_list")
    only = season.replace(price_list=season.price_list[:1], targets=season.targets[:1], varieties=season.varieties[:1])
    if "xl/comments1.xml" in parts(book):
        lines = refused_lines(write_season, only, book, overwrite=True)
        assert lines[0].startswith("mine.xlsx, sheet targets, row 3: a row with a note, which would then be beside")
        return
    write_season(only, book, overwrite=True)
    found = values(book, "price_list")
    assert found["A3"] == ("", cells["A3"][1])
    assert read_season(book) == only


def test_a_plan_is_put_beside_the_season_and_again_in_its_place(book: Path) -> None:
    before = parts(book)
    for draws in (64, 128):
        plan = plan_orders(read_season(book), draws=draws, seed=1)
        write_plan_workbook(plan, book, overwrite=True)
        kept(before, book)
        assert read_season(book) == plan.season
        targets = values(book, "result targets")
        assert targets["A1"][0] == "variety"
        assert f"{draws} simulated seasons" in values(book, "assumptions")["C2"][0]
    assert len([name for name in sheet_parts(book) if name.startswith("result ")]) == 11
    write_plan_workbook(plan.simulate(), book, overwrite=True)
    left = {where: text for where, (text, _) in values(book, "result deliveries").items() if text}
    assert {where[1:] for where in left} == {"1"}  # of an earlier plan: its headings alone


def test_beside_a_result_a_growers_own_column_stays_and_is_not_written_over(book: Path) -> None:
    plan = plan_orders(read_season(book), draws=64, seed=1)
    write_plan_workbook(plan, book, overwrite=True)
    part, whole = sheet_parts(book)["result labs"], parts(book)
    text = whole[part].decode()
    last = text[text.index('<row r="2"') :]
    mine = last[: last.index("</row>")]
    for cell, message in (
        ('<c r="Z2"><f>A2</f><v>7</v></c>', ""), ('<c r="B2"><f>1+1</f><v>2</v></c>', "a formula, which would be lost"),
    ):  # fmt: skip
        start_, end = mine.index('<c r="B2"'), mine.index('<c r="C2"')
        row = mine + cell if "Z2" in cell else mine[:start_] + cell + mine[end:]
        whole[part] = text.replace(mine, row).encode()
        _saved(book, whole)
        if message:
            assert message in refused_lines(write_plan_workbook, plan, book, overwrite=True)[0]
            assert parts(book) == whole
        else:
            write_plan_workbook(plan_orders(read_season(book), draws=128, seed=1), book, overwrite=True)
            assert values(book, "result labs")["Z2"][0] == "7"


def _saved(path: Path, whole: dict[str, bytes]) -> None:
    import zipfile  # noqa: PLC0415

    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in whole.items():
            archive.writestr(name, data)


def test_orders_are_written_into_the_workbook_of_the_season(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = parts(book)
    season = read_season(book)
    plan = plan_orders(season, draws=64, seed=season.seed)
    assert main(["order", str(book), "--draws", "64", "--out", str(book)]) == 0
    assert capsys.readouterr().out.endswith(f"Written to {book}: orders, order_table.\n")
    kept(before, book)
    assert read_season(book).orders == plan.orders
    assert main(["order", str(book), "--draws", "64", "--out", str(book)]) == 2
    assert "sheet orders: already exists; nothing was written" in capsys.readouterr().err
    assert main(["order", str(book), "--draws", "64", "--out", str(book), "--overwrite"]) == 0
    assert main(["order", str(book), "--mine", "--draws", "64"]) == 0


def test_a_formula_that_would_be_replaced_is_refused_and_nothing_is_written(tmp_path: Path) -> None:
    tables = dict(SEASON)
    tables["targets"] = [
        SEASON["targets"][0],
        ["Hosta 'Orrinfall'", "2027-W30", "=200*2 -> 400", None],
        SEASON["targets"][2],
    ]
    book = rich_book(tmp_path / "mine.xlsx", tables=tables)
    before, season = book.read_bytes(), read_season(book)
    assert season.targets[0].target == 400
    first, second = season.targets
    other = season.replace(targets=(first.replace(target=450), second))
    (line,) = refused_lines(write_season, other, book, overwrite=True)
    assert line.startswith(
        "mine.xlsx, sheet targets, row 2, column target: a formula, which would be lost; nothing was"
    )
    assert book.read_bytes() == before
    write_season(season.replace(targets=(first, second.replace(target=250))), book, overwrite=True)
    assert b"<f>200*2</f><v>400</v>" in parts(book)[sheet_parts(book)["targets"]]


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("_xmlsignatures/sig1.xml", "signed, and the signature would no longer hold."),
        ("xl/revisions/revisionHeaders.xml", "shared, with a record of who changed what."),
    ],
)
def test_what_a_change_would_spoil_is_refused(tmp_path: Path, name: str, told: str) -> None:
    book = rich_book(tmp_path / "mine.xlsx", change=lambda whole: whole.update({name: "<any/>"}))
    before = book.read_bytes()
    (line,) = refused_lines(start, book, additions=["orders"])
    assert line == f"mine.xlsx: {told} Save a copy without that, and write into the copy."
    assert book.read_bytes() == before


@pytest.mark.parametrize("lock", [".~lock.mine.xlsx#", "~$mine.xlsx"])
def test_a_workbook_that_is_open_elsewhere_is_read_but_not_written(tmp_path: Path, lock: str) -> None:
    book = rich_book(tmp_path / "mine.xlsx")
    (tmp_path / lock).write_text("somebody", encoding="utf-8")
    before = book.read_bytes()
    read_season(book)
    (line,) = refused_lines(start, book, additions=["orders"])
    assert line == (
        "mine.xlsx: open in another program; nothing was written. Save and close it there. If it is not open anywhere, "
        f"delete the file {lock}."
    )
    assert book.read_bytes() == before


def test_a_workbook_that_may_only_be_read_is_not_replaced(tmp_path: Path) -> None:
    book = rich_book(tmp_path / "mine.xlsx")
    book.chmod(0o444)
    (line,) = refused_lines(start, book, additions=["orders"])
    assert line.startswith("mine.xlsx: may only be read; nothing was written.")
