"""A season as spreadsheet programs save it: in whatever form the file holds a value, it is the same value."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from refusals import refused_lines
from rich_books import SEASON, rich_book

from forecast import read_season
from forecast.season.season import Season

SERIAL = (date(2027, 7, 26) - date(1899, 12, 30)).days  # Monday of 2027-W30
TARGETS = f"xl/worksheets/sheet{[*SEASON].index('targets') + 1}.xml"
PLACES = f"xl/worksheets/sheet{[*SEASON].index('places') + 1}.xml"
HEADER = f"xl/worksheets/sheet{[*SEASON].index('season') + 1}.xml"


def changed(part: str, where: str, new: str) -> Callable[[dict], None]:
    """Return what puts something else in the place of a cell."""

    def change(whole: dict) -> None:
        text = whole[part]
        start = text.index(f'<c r="{where}"')
        end = text.index("</c>", start) + 4 if text[start:].split(">", 1)[0][-1] != "/" else text.index("/>", start) + 2
        whole[part] = text[:start] + new + text[end:]

    return change


@pytest.fixture
def usual(tmp_path: Path) -> Season:
    return read_season(rich_book(tmp_path / "usual.xlsx"))


SAME = {
    "text in the cell": (TARGETS, "A2", '<c r="A2" t="inlineStr"><is><t>Hosta \'Orrinfall\'</t></is></c>'),
    "text in runs": (
        TARGETS, "A2",
        '<c r="A2" t="inlineStr"><is><r><rPr><b/></rPr><t xml:space="preserve">Hosta </t></r>'
        "<r><t>'Orrinfall'</t></r></is></c>",
    ),
    "text from a formula": (TARGETS, "A2", '<c r="A2" t="str"><f>varieties!A2</f><v>Hosta \'Orrinfall\'</v></c>'),
    "text with a sound beside it": (
        TARGETS, "D2",
        '<c r="D2" t="inlineStr"><is><t>retail</t><rPh sb="0" eb="1"><t>x</t></rPh></is></c>',
    ),
    "number as text": (TARGETS, "C2", '<c r="C2" t="inlineStr"><is><t>400</t></is></c>'),
    "number with decimals": (TARGETS, "C2", '<c r="C2"><v>400.0</v></c>'),
    "number with a power of ten": (TARGETS, "C2", '<c r="C2"><v>4E2</v></c>'),
    "number from a formula": (TARGETS, "C2", '<c r="C2"><f>2*200</f><v>400</v></c>'),
    "number from a formula of an area": (TARGETS, "C2", '<c r="C2"><f t="array" ref="C2:C2">2*200</f><v>400</v></c>'),
    "week as a day": (TARGETS, "B2", f'<c r="B2" s="3"><v>{SERIAL}</v></c>'),
    "week as a day in ISO 8601": (TARGETS, "B2", '<c r="B2" s="3" t="d"><v>2027-07-26</v></c>'),
    "week with spaces": (TARGETS, "B2", '<c r="B2" t="inlineStr"><is><t xml:space="preserve"> 2027-W30 </t></is></c>'),
    "share shown as per cent": (HEADER, "D2", '<c r="D2" s="4"><v>0.9</v></c>'),
    "share typed as per cent": (HEADER, "D2", '<c r="D2" t="inlineStr"><is><t>90 %</t></is></c>'),
    "share with all digits of a machine": (HEADER, "D2", '<c r="D2" s="4"><v>0.90000000000000002</v></c>'),
    "empty text": (TARGETS, "D3", '<c r="D3" t="str"><f>""</f><v></v></c>'),
}  # fmt: skip


@pytest.mark.parametrize("strict", [False, True], ids=["usual", "strict"])
@pytest.mark.parametrize("name", SAME)
def test_the_same_value_in_another_form_is_the_same_season(
    tmp_path: Path, usual: Season, name: str, strict: bool
) -> None:
    book = rich_book(tmp_path / "mine.xlsx", change=changed(*SAME[name]), strict=strict)
    assert read_season(book) == usual


def test_rows_and_columns_that_are_empty_or_only_coloured_are_nothing(tmp_path: Path, usual: Season) -> None:
    def change(whole: dict) -> None:
        cells = "".join(f'<c r="{letter}2" s="2"/>' for letter in "FGH")
        whole[TARGETS] = whole[TARGETS].replace('</row><row r="3"', f'{cells}</row><row r="3"')
        rows = "".join(f'<row r="{row}" s="2" customFormat="1"><c r="A{row}" s="2"/></row>' for row in range(4, 400))
        whole[TARGETS] = whole[TARGETS].replace("</sheetData>", f"{rows}</sheetData>")

    assert read_season(rich_book(tmp_path / "mine.xlsx", change=change)) == usual


def test_days_that_are_counted_from_1904_are_the_same_days(tmp_path: Path, usual: Season) -> None:
    def change(whole: dict) -> None:
        changed(TARGETS, "B2", f'<c r="B2" s="3"><v>{SERIAL - 1462}</v></c>')(whole)
        whole["xl/workbook.xml"] = whole["xl/workbook.xml"].replace("<workbookPr/>", '<workbookPr date1904="1"/>')

    assert read_season(rich_book(tmp_path / "mine.xlsx", change=change)) == usual


WRONG = {
    "a yes or no where a number is": (
        TARGETS, "C2", '<c r="C2" t="b"><v>1</v></c>', "sheet targets, row 2, column target, 'TRUE': not a number.",
    ),
    "an error": (
        TARGETS, "C2", '<c r="C2" t="e"><f>1/0</f><v>#DIV/0!</v></c>',
        "sheet targets, row 2, column target, '#DIV/0!': a spreadsheet error.",
    ),
    "a share above 1": (
        HEADER, "D2", '<c r="D2"><v>90</v></c>',
        "sheet season, row 2, column service_level, '90': a share lies between 0 and 1. For 90 % write 0.9.",
    ),
    "a name that is not known": (
        TARGETS, "A2", '<c r="A2" t="inlineStr"><is><t>Hosta Orinfall</t></is></c>',
        "sheet targets, row 2, column variety, 'Hosta Orinfall': ",
    ),
    "a number below its limit": (
        PLACES, "B2", '<c r="B2"><v>-3</v></c>', "sheet places, row 2, column area, '-3': not above 0.",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_what_is_wrong_is_named_with_sheet_row_column_value_and_remedy(tmp_path: Path, name: str) -> None:
    part, where, new, told = WRONG[name]
    book = rich_book(tmp_path / "mine.xlsx", change=changed(part, where, new))
    lines = refused_lines(read_season, book)
    assert lines[0].startswith(f"mine.xlsx, {told}")
    assert lines[0].count(". ") >= 1


def test_a_remedy_names_sheets_where_those_of_a_folder_name_files(tmp_path: Path) -> None:
    tables = {**SEASON, "targets": [SEASON["targets"][0], ["Hosta 'Orrinfall'", "2036-W30", 400, None]]}
    lines = refused_lines(read_season, rich_book(tmp_path / "mine.xlsx", tables=tables))
    assert "the sheet season" in lines[0]
    assert ".toml" not in lines[0]
    assert ".csv" not in lines[0]


@pytest.mark.parametrize(
    ("first", "told"),
    [
        ("mimetype", ".ods, of another kind of program"),
        ("xl/workbook.bin", ".xlsb, a format that is not read"),
        ("Index/Document.iwa", ".numbers, of another kind of program"),
    ],
)
def test_files_of_other_programs_are_named(tmp_path: Path, first: str, told: str) -> None:
    import zipfile  # noqa: PLC0415

    with zipfile.ZipFile(tmp_path / "mine.xlsx", "w") as archive:
        archive.writestr(first, "application/vnd.oasis.opendocument.spreadsheet")
    assert refused_lines(read_season, tmp_path / "mine.xlsx") == [
        f"mine.xlsx: {told}. Open it in a spreadsheet program and save it as .xlsx."
    ]
