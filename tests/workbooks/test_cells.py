"""Cells changed in place: those that are asked for, and no other, however a file writes its cells."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from books import by_hand
from hypothesis import given
from hypothesis import strategies as st
from rich_books import MAIN, parts, rich_book, values

from forecast import read_season, write_season
from forecast.records.records import read_records, write_records
from forecast.workbooks.cell_text import area, letters, place
from forecast.workbooks.cells import Grid, Moved, Value, widen
from forecast.workbooks.markup import cut, read, with_attribute
from forecast.workbooks.styles import BARE, Style, Styles
from forecast.workbooks.unsound import Unsound

PLACES = st.tuples(st.integers(1, 12), st.integers(1, 30))
NUMBERS = st.integers(-(10**6), 10**6)


def sheet(cells: dict[tuple[int, int], int], *, numbered: bool) -> bytes:
    """Return a sheet of numbers, whose rows and cells say where they are, or only come one after the other."""
    rows = []
    for row in range(1, max((row for row, _ in cells), default=0) + 1):
        inner = []
        for column in range(1, max((column for at, column in cells if at == row), default=0) + 1):
            where = f' r="{letters(column)}{row}"' if numbered else ""
            value = cells.get((row, column))
            inner.append(f"<c{where}/>" if value is None else f"<c{where} s='3'><v>{value}</v></c>")
        at = f' r="{row}"' if numbered else ""
        rows.append(f"<row{at}>{''.join(inner)}</row>" if inner else f"<row{at}/>")
    data = f"<sheetData>{''.join(rows)}</sheetData>" if rows else "<sheetData/>"
    head = f'<worksheet xmlns="{MAIN}"><!-- <row> > --><dimension ref="A1"/>'
    return f'{head}{data}<pageMargins left="1"/></worksheet>'.encode()


def numbers(data: bytes) -> dict[tuple[int, int], int]:
    """Return the numbers of a sheet, by an independent reader."""
    found, row = {}, 0
    for line in ElementTree.fromstring(data).iter(f"{{{MAIN}}}row"):
        row, column = int(line.get("r", row + 1)), 0
        for one in line:
            column = place(one.get("r"))[1] if one.get("r") else column + 1
            value = one.find(f"{{{MAIN}}}v")
            if value is not None:
                assert (row, column) not in found
                found[row, column] = int(value.text)
    return found


@given(
    before=st.dictionaries(PLACES, NUMBERS, max_size=20),
    changes=st.dictionaries(PLACES, NUMBERS | st.none(), max_size=20),
    numbered=st.booleans(),
)
def test_cells_are_as_they_were_or_as_they_were_asked_to_be(before, changes, numbered) -> None:
    data = sheet(before, numbered=numbered)
    after = Grid(data).put({at: Value(value) for at, value in changes.items()}, lambda look: look)
    expected = {at: value for at, value in {**before, **changes}.items() if value is not None}
    assert numbers(after) == expected
    root = ElementTree.fromstring(after)
    order = [int(row.get("r", 0)) for row in root.iter(f"{{{MAIN}}}row")]
    assert not numbered or order == sorted(order)
    size = root.find(f"{{{MAIN}}}dimension").get("ref")
    top, left, bottom, right = area(size)
    assert all(top <= row <= bottom and left <= column <= right for row, column in changes)
    assert after.endswith(b'<pageMargins left="1"/></worksheet>')
    assert b"<!-- <row> > -->" in after


@given(before=st.dictionaries(PLACES, NUMBERS, min_size=1, max_size=20), to=PLACES, numbered=st.booleans())
def test_a_cell_that_moves_takes_its_look_along(before, to, numbered) -> None:
    source = min(before)
    after = Grid(sheet(before, numbered=numbered)).put({to: Moved(*source)}, lambda look: look)
    assert numbers(after) == {**before, to: before[source]}
    assert Grid(after).style(to) == 3


def test_nothing_asked_is_nothing_changed() -> None:
    data = sheet({(2, 3): 5}, numbered=True)
    assert Grid(data).put({}, lambda look: look) == data


def test_formulas_are_found_with_all_that_they_fill() -> None:
    data = (
        f'<x:worksheet xmlns:x="{MAIN}"><x:sheetData><x:row r="1"><x:c r="A1"><x:f t="array" ref="A1:B2">1</x:f></x:c>'
        '<x:c r="C1"><x:f t="shared" ref="C1:C9" si="0">2</x:f></x:c><x:c r="D1"><x:v>2</x:v></x:c></x:row>'
        "</x:sheetData></x:worksheet>"
    ).encode()
    assert Grid(data).formulas() == {(1, 1), (1, 2), (2, 1), (2, 2), (1, 3)}


@pytest.mark.parametrize(
    "data",
    [
        b"<a><b></a>", b"no mark-up", b"<!DOCTYPE a [<!ENTITY b 'c'>]><a/>",
        "<?xml version='1.0' encoding='iso-8859-1'?><a/>".encode("latin-1"), b"", b"<a/><b/>",
    ],
)  # fmt: skip
def test_what_is_no_plain_xml_is_refused(data: bytes) -> None:
    with pytest.raises(Unsound):
        read(data)


def test_elements_are_found_where_they_are() -> None:
    data = "<?xml version='1.0'?><a x='>' y=\"'\"><!-- <b> --><b/><![CDATA[<b>]]><c:d z='é&amp;'>x</c:d></a>".encode()
    root = read(data)
    assert [one.tag for one in root.children] == ["b", "c:d"]
    assert (root.attributes, root.children[1].attributes) == ({"x": ">", "y": "'"}, {"z": "é&"})
    assert root.children[1].text == "<c:d z='é&amp;'>x</c:d>"
    assert cut(data, [root.children[0].appended("<e/>")]).decode() == data.decode().replace("<b/>", "<b><e/></b>")


def test_an_attribute_is_set_added_or_left_out() -> None:
    assert with_attribute("<a b='1' c=\"2\"/>", "b", "3&") == '<a c="2" b="3&amp;"/>'
    assert with_attribute("<a>", "b", "3") == '<a b="3">'
    assert with_attribute('<a b="1">', "b", None) == "<a>"


def test_columns_with_a_width_keep_it() -> None:
    data = f'<worksheet xmlns="{MAIN}"><cols><col min="2" max="4" width="9"/></cols><sheetData/></worksheet>'.encode()
    root = ElementTree.fromstring(widen(data, {1: 5.5, 3: 7.5, 5: 8.5}))
    found = [(one.get("min"), one.get("max"), one.get("width")) for one in root.iter(f"{{{MAIN}}}col")]
    assert found == [("1", "1", "5.5"), ("2", "4", "9"), ("5", "5", "8.5")]


@pytest.mark.parametrize(
    "data", [BARE.encode(), f'<styleSheet xmlns="{MAIN}"><cellXfs><xf/></cellXfs></styleSheet>'.encode()]
)
def test_looks_are_added_once_behind_those_that_are_there(data: bytes) -> None:
    styles = Styles(data)
    looks = [Style(), Style(format="0.0%", bold=True), Style(fill="EEF2F7", ruled="1D5C8F"), Style(format="0.0%")]
    indices = [styles.index(look) for look in (*looks, *looks)]
    assert indices == [1, 2, 3, 4] * 2
    assert styles.as_text(0) == styles.as_text(0) == 5
    root = ElementTree.fromstring(styles.data())
    names = [one.tag.rpartition("}")[2] for one in root]
    order = ["numFmts", "fonts", "fills", "borders", "cellStyleXfs", "cellXfs", "cellStyles"]
    assert names == [name for name in order if name in names]
    groups = {one.tag.rpartition("}")[2]: list(one) for one in root}
    for one in groups["cellXfs"][1:]:
        assert int(one.get("fontId") or 0) < len(groups["fonts"])
        assert int(one.get("fillId") or 0) < max(len(groups["fills"]), 1)
    assert groups["cellXfs"][5].get("quotePrefix") == "1"
    assert {one.get("formatCode") for one in groups["numFmts"]} == {"0.0%"}


def prefixed(whole: dict) -> None:
    """Write sheets, workbook and styles with a prefix, as some programs do."""
    for name, part in whole.items():
        if re.fullmatch(r"xl/(worksheets/sheet\d+|workbook|styles)\.xml", name):
            text = part.replace(f'xmlns="{MAIN}"', f'xmlns:x="{MAIN}"')
            whole[name] = re.sub(r"<(/?)(\w+)(?=[\s/>])", r"<\1x:\2", text)


def test_a_workbook_with_prefixes_is_read_and_changed_alike(tmp_path: Path) -> None:
    usual, other = rich_book(tmp_path / "usual.xlsx"), rich_book(tmp_path / "other.xlsx", change=prefixed)
    season = read_season(usual)
    assert b"<x:c " in parts(other)["xl/worksheets/sheet1.xml"]
    assert read_season(other) == season
    more = season.price_list[0].replace(lab="Birch Lab", note="=1+1")
    changed = season.replace(price_list=(more, *season.price_list))
    for book in (usual, other):
        write_season(changed, book, overwrite=True)
        assert read_season(book) == changed
    assert {at: text for at, (text, _) in values(usual, "price_list").items()} == {
        at: text for at, (text, _) in values(other, "price_list").items()
    }


def test_records_in_a_workbook_without_addresses_are_changed_in_place(tmp_path: Path) -> None:
    book = by_hand(tmp_path / "mine.xlsx")
    records = read_records(book)
    first, *rest = records.counts
    other = type(records)(batches=records.batches, counts=(first.replace(why=None), *rest))
    write_records(other, book, overwrite=True)
    assert read_records(book) == other
    assert b"inlineStr" not in parts(book)["xl/worksheets/sheet2.xml"]
