"""Records in a workbook: the same as in CSV files, and refused where a workbook hides or lacks what it should say."""

import csv
import io
import zipfile
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path

import pytest
from books import BATCHES, COUNTS, book, by_hand, parts, patched
from openpyxl import Workbook, load_workbook
from openpyxl.worksheet.datavalidation import DataValidation
from refusals import refused_lines

from forecast.records.records import read_records

DEMO = Path(__file__).parents[2] / "demo_data"


def test_a_workbook_and_csv_files_of_the_same_cells_give_equal_records(tmp_path: Path) -> None:
    for name, rows in (("batches", BATCHES), ("counts", COUNTS)):
        text = io.StringIO()
        plain = [[str(cell.date()) if isinstance(cell, datetime) else cell for cell in row] for row in rows]
        csv.writer(text).writerows([[int(cell) if isinstance(cell, float) else cell for cell in row] for row in plain])
        (tmp_path / f"{name}.csv").write_text(text.getvalue(), encoding="utf-8", newline="")
    found = read_records(book(tmp_path))
    assert found == read_records(tmp_path)
    assert [row.batch for row in found.batches] == ["7", "B1"]
    assert found.batches[1].received == 100
    assert found.batches[1].delivered == date(2027, 3, 1)


def test_the_demonstration_in_a_workbook_is_the_demonstration(tmp_path: Path) -> None:
    made = Workbook()
    for name in ("batches", "counts", "weather"):
        sheet = made.create_sheet(name)
        with (DEMO / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            for row in csv.reader(file):
                cells = [int(cell) if cell.isdigit() else cell or None for cell in row]
                sheet.append([datetime.fromisoformat(cell) if str(cell)[:3] == "202" else cell for cell in cells])
    made["Sheet"].append(["whatever else", "=1/0"])
    made.save(tmp_path / "demo.xlsx")
    assert read_records(tmp_path / "demo.xlsx") == read_records(DEMO)


def test_what_does_not_touch_the_values_is_let_be(tmp_path: Path) -> None:
    def decorated(made: Workbook) -> None:
        sheet = made["counts"]
        sheet.insert_rows(1, 2)
        sheet["A1"] = "# counted by two of us"
        sheet.merge_cells("A1:F1")
        sheet["J3"].number_format = "0.00"
        sheet.auto_filter.ref = "A3:H7"
        sheet.freeze_panes = "A4"
        sheet.row_dimensions[20].hidden = True
        sheet.column_dimensions["P"].hidden = True
        lists = DataValidation(type="list", formula1='"weaning,pots"')
        sheet.add_data_validation(lists)
        lists.add("C4:C20")
        made.create_sheet("prices").sheet_state = "hidden"

    plain = tmp_path / "plain"
    plain.mkdir()
    assert read_records(book(tmp_path, decorated)) == read_records(book(plain))


def test_rows_beyond_the_stated_size_of_a_sheet_are_read(tmp_path: Path) -> None:
    whole = read_records(book(tmp_path))
    cut = patched(tmp_path / "records.xlsx", "xl/worksheets/sheet2.xml", 'ref="A1:H5"', 'ref="B2:C3"')
    assert read_records(cut) == whole


def cells(sheet: str, **values: object) -> Callable[[Workbook], None]:
    def change(made: Workbook) -> None:
        for place, value in values.items():
            made[sheet][place] = value

    return change


def hidden_row(made: Workbook) -> None:
    made["counts"].row_dimensions[4].hidden = True


def hidden_column(made: Workbook) -> None:
    made["counts"].column_dimensions["G"].hidden = True


def hidden_sheet(made: Workbook) -> None:
    made["counts"].sheet_state = "veryHidden"


def merged(made: Workbook) -> None:
    made["counts"].merge_cells("A2:A4")


def renamed(made: Workbook) -> None:
    made["counts"].title = "count"


def serial(made: Workbook) -> None:
    made["batches"]["D2"] = 46082
    made["batches"]["D2"].number_format = "General"


def far(made: Workbook) -> None:
    made["counts"]["XFD3"] = 1


IN_COUNTS = "records.xlsx, sheet counts"
ODD = [
    pytest.param(
        cells("counts", G2="#REF!"),
        [f"{IN_COUNTS}, row 2, column losses, '#REF!': a spreadsheet error. Correct the formula and "
         "save the file again."],
        id="an error",
    ),
    pytest.param(
        cells("counts", H2="#N/A"),
        [f"{IN_COUNTS}, row 2, column why, '#N/A': a spreadsheet error. Correct the formula and save the file "
         "again."],
        id="an error in a cell that may be empty",
    ),
    pytest.param(
        cells("counts", D2="=90+5", H3="=H2"),
        [f"{IN_COUNTS}, row 2, column alive, '=90+5': a formula that was never calculated. Open it in a spreadsheet "
         "program and save it again, or write the value.",
         f"{IN_COUNTS}, row 3, column why, '=H2': a formula that was never calculated. Open it in a spreadsheet "
         "program "
         "and save it again, or write the value."],
        id="formulas without values",
    ),
    pytest.param(
        merged,
        [f"{IN_COUNTS}, rows 3 to 4, column batch: merged with A2. Unmerge the cells and fill each."],
        id="merged cells",
    ),
    pytest.param(
        hidden_row,
        [f"{IN_COUNTS}, row 4: a hidden row. Unhide it, or delete it."],
        id="a hidden row",
    ),
    pytest.param(
        hidden_column,
        [f"{IN_COUNTS}, row 1, column losses, 'losses': a hidden column. Unhide it and check its contents."],
        id="a hidden column",
    ),
    pytest.param(
        hidden_sheet,
        [f"{IN_COUNTS}: a hidden sheet. Unhide it and check its contents."],
        id="a hidden sheet",
    ),
    pytest.param(
        renamed,
        ["records.xlsx: no sheet counts. Add it, or rename the right sheet. Did you mean 'count'?"],
        id="a sheet of another name",
    ),
    pytest.param(
        far,
        [f"{IN_COUNTS}: XFD3 is filled, far from the table. Clear it."],
        id="a cell far away",
    ),
    pytest.param(
        cells("counts", J4=12),
        [f"{IN_COUNTS}, row 4, '12': a cell in a column without a name. Name the column, such as note, or clear it."],
        id="a cell under no name",
    ),
    pytest.param(
        cells("batches", D2=datetime(2027, 3, 1, 14, 30)),
        ["records.xlsx, sheet batches, row 2, column delivered, '2027-03-01 14:30:00': not a date. Write year, month "
         "and day, such as 2027-04-13."],
        id="a time of day",
    ),
    pytest.param(
        cells("counts", D2=datetime(1900, 4, 4), G3=0.5, E3=True),
        [f"{IN_COUNTS}, row 2, column alive, '1900-04-04': not a number. Write digits with a decimal point, without "
         "unit or spaces, such as 12.5.",
         f"{IN_COUNTS}, row 3, column transferred, 'TRUE': not a number. Write digits with a decimal point, without "
         "unit "
         "or spaces, such as 12.5.",
         f"{IN_COUNTS}, row 3, column losses, '0.5': not a whole number. Write 0 or 1."],
        id="what is no number of plants",
    ),
    pytest.param(
        cells("counts", A5="C9", B3=datetime(2026, 3, 29)),
        [f"{IN_COUNTS}, row 5, column batch, 'C9': there is no batch of this name in batches. Correct the spelling, or "
         "add it to batches.",
         f"{IN_COUNTS}, row 3, column date, '2026-03-29': before the delivery of B1 on 2027-03-01. Correct this day, "
         "or that in batches."],
        id="contradictions between the sheets",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("change", "lines"), ODD)
def test_an_odd_cell_is_reported_with_sheet_row_and_column(
    tmp_path: Path, change: Callable[[Workbook], None], lines: list[str]
) -> None:
    assert refused_lines(read_records, book(tmp_path, change)) == lines


def test_formulas_that_were_calculated_are_read_by_their_values(tmp_path: Path) -> None:
    whole = read_records(book(tmp_path))
    path = book(tmp_path, cells("counts", D2="=90+5", H3='=IF(1=1,"","x")'))
    patched(path, "xl/worksheets/sheet2.xml", "<f>90+5</f><v />", "<f>90+5</f><v>95</v>")
    patched(path, "xl/worksheets/sheet2.xml", '<c r="H3">', '<c r="H3" t="str">')
    assert read_records(path) == whole


def test_a_workbook_with_shared_texts_is_read_alike(tmp_path: Path) -> None:
    assert read_records(by_hand(tmp_path / "hand.xlsx")) == read_records(book(tmp_path))


def test_a_hidden_row_without_its_number_is_found(tmp_path: Path) -> None:
    path = by_hand(tmp_path / "records.xlsx")
    part = "xl/worksheets/sheet2.xml"
    text = {info.filename: data.decode() for info, data in parts(path)}[part]
    third = "<row>" + text.split("<row>")[3]
    patched(path, part, third, third.replace("<row>", '<row hidden="1">'))
    assert refused_lines(read_records, path) == [f"{IN_COUNTS}, row 3: a hidden row. Unhide it, or delete it."]


def test_a_workbook_that_unpacks_to_too_much_is_refused_unread(tmp_path: Path) -> None:
    path = book(tmp_path)
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as archive, archive.open("xl/media/bomb", "w") as bomb:
        for _ in range(201):
            bomb.write(bytes(1_000_000))
    assert path.stat().st_size < 1_000_000
    told = "records.xlsx: larger than 200 MB. Check what was saved in it; keep only the tables."
    assert refused_lines(read_records, path) == [told]


def test_a_workbook_with_entities_of_its_own_is_refused(tmp_path: Path) -> None:
    laughs = '<!DOCTYPE worksheet [<!ENTITY ha "ha ha">]><worksheet'
    path = patched(book(tmp_path), "xl/worksheets/sheet2.xml", "<worksheet", laughs)
    assert refused_lines(read_records, path) == [
        "records.xlsx: not a workbook as spreadsheet programs save it. Open it in a spreadsheet program and save it "
        "as .xlsx."
    ]


NO_BOOK = "records.xlsx: damaged, or not a workbook. Open it in a spreadsheet program and save it as .xlsx."
FILES = [
    (
        b"batch,variety\n",
        "records.xlsx: not a workbook. Give the folder that holds batches.csv and counts.csv, or an .xlsx workbook.",
    ),
    (b"", "records.xlsx: not a workbook. Give the folder that holds batches.csv and counts.csv, or an .xlsx workbook."),
    (
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1",
        "records.xlsx: an old format, or locked with a password. Open it in a spreadsheet program and save it as "
        ".xlsx, without a password.",
    ),
    (b"PK\x03\x04 and nothing", NO_BOOK),
]


@pytest.mark.parametrize(("data", "line"), FILES)
def test_what_is_no_workbook_is_refused(tmp_path: Path, data: bytes, line: str) -> None:
    (tmp_path / "records.xlsx").write_bytes(data)
    assert refused_lines(read_records, tmp_path / "records.xlsx") == [line]


def test_an_archive_of_something_else_is_refused(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "records.xlsx", "w") as archive:
        archive.writestr("letter.txt", "no table")
    assert refused_lines(read_records, tmp_path / "records.xlsx") == [NO_BOOK]


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    assert refused_lines(read_records, tmp_path / "none.xlsx")[0].endswith(
        "none.xlsx': there is no such folder or workbook. "
        "Give the folder that holds batches.csv and counts.csv, or an .xlsx workbook."
    )


@pytest.mark.parametrize("share", [0.1, 0.3, 0.5, 0.7, 0.9, 0.99])
def test_a_workbook_cut_short_is_refused(tmp_path: Path, share: float) -> None:
    path = book(tmp_path)
    data = path.read_bytes()
    path.write_bytes(data[: int(share * len(data))])
    assert refused_lines(read_records, path) == [NO_BOOK]


@pytest.mark.parametrize("part", ["xl/workbook.xml", "xl/worksheets/sheet1.xml", "xl/styles.xml"])
def test_a_damaged_part_is_refused(tmp_path: Path, part: str) -> None:
    path = patched(book(tmp_path), part, "</", "<//")
    lines = refused_lines(read_records, path)
    assert len(lines) == 1
    assert lines[0].startswith("records.xlsx: ")
    assert lines[0].endswith("Open it in a spreadsheet program and save it as .xlsx.")


def test_a_workbook_that_is_read_is_left_as_it_was(tmp_path: Path) -> None:
    path = book(tmp_path)
    before = path.read_bytes()
    read_records(path)
    assert path.read_bytes() == before
    assert load_workbook(path).sheetnames == ["batches", "counts"]


# Other kinds of workbook

STRICT = {
    "http://schemas.openxmlformats.org/spreadsheetml/2006/main": "http://purl.oclc.org/ooxml/spreadsheetml/main",
    "http://schemas.openxmlformats.org/officeDocument/2006/relationships": (
        "http://purl.oclc.org/ooxml/officeDocument/relationships"
    ),
    "http://schemas.openxmlformats.org/drawingml/2006/main": "http://purl.oclc.org/ooxml/drawingml/main",
}


def other_kind(path: Path, texts: dict[str, str], suffix: str) -> Path:
    """Save a workbook again with other texts in its parts."""
    other = path.with_suffix(suffix)
    with zipfile.ZipFile(other, "w", zipfile.ZIP_DEFLATED) as archive:
        for info, data in parts(path):
            for old, new in texts.items():
                data = data.replace(old.encode(), new.encode())  # noqa: PLW2901
            archive.writestr(info.filename, data)
    return other


@pytest.mark.parametrize("make", [book, lambda path: by_hand(path / "records.xlsx")], ids=["written", "by hand"])
def test_strict_open_xml_is_read_alike(tmp_path: Path, make: Callable[[Path], Path]) -> None:
    whole = read_records(make(tmp_path))
    strict = other_kind(tmp_path / "records.xlsx", STRICT, ".strict.xlsx")
    whole_file = {info.filename: data for info, data in parts(strict)}
    assert b"purl.oclc.org/ooxml/spreadsheetml/main" in whole_file["xl/workbook.xml"]
    assert read_records(strict) == whole


def test_days_of_strict_open_xml_are_read_as_they_are_written(tmp_path: Path) -> None:
    """They are in ISO 8601, not numbers: ECMA-376 (2016), part 1, 18.18.11."""
    whole = read_records(book(tmp_path))
    path = tmp_path / "records.xlsx"
    serial = (date(2027, 3, 1) - date(1899, 12, 30)).days
    text = {info.filename: data.decode() for info, data in parts(path)}["xl/worksheets/sheet1.xml"]
    cell = text[text.index('<c r="D2"') : text.index("</c>", text.index('<c r="D2"')) + 4]
    assert f"<v>{serial}</v>" in cell
    patched(path, "xl/worksheets/sheet1.xml", cell, '<c r="D2" t="d"><v>2027-03-01</v></c>')
    assert read_records(other_kind(path, STRICT, ".strict.xlsx")) == whole


def test_a_workbook_with_macros_is_read_by_its_values(tmp_path: Path) -> None:
    whole = read_records(book(tmp_path))
    kinds = {
        "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml": (
            "application/vnd.ms-excel.sheet.macroEnabled.main+xml"
        )
    }
    path = other_kind(tmp_path / "records.xlsx", kinds, ".xlsm")
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr("xl/vbaProject.bin", b"\xd0\xcf\x11\xe0 Sub Auto_Open()")
    assert read_records(path) == whole


@pytest.mark.parametrize("name", ["records.xls", "records.xlsb.xls"])
def test_a_workbook_of_the_old_format_is_reported_with_its_remedy(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600))
    assert refused_lines(read_records, tmp_path / name) == [
        f"{name}: an old format, or locked with a password. Open it in a spreadsheet program and save it as .xlsx, "
        "without a password."
    ]
