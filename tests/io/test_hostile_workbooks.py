"""Workbooks made to do harm: bombs, entities, macros, links and sheets without end, refused at once and unopened."""

import random
import resource
import zipfile
import zlib
from pathlib import Path

import pytest
from books import book, by_hand, patched
from refusals import refused_lines

from forecast import Refused
from forecast.records.records import read_records

pytestmark = pytest.mark.filterwarnings("ignore:[0-9]+ entr")  # what is odd is read

AGAIN = "Open it in a spreadsheet program and save it as .xlsx."
SMALLER = "Check what was saved in it; keep only the tables."


def zipped(path: Path, **more: bytes) -> Path:
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as archive:
        for name, data in more.items():
            archive.writestr(name, data)
    return path


def inflated(path: Path, part: str, megabytes: int, told: int | None = None) -> Path:
    """Put a part into a workbook that unpacks to so much, takes a thousandth, and says that it is `told` bytes."""
    with zipfile.ZipFile(path) as archive:
        parts = {info.filename: archive.read(info) for info in archive.infolist() if info.filename != part}
    packer = zlib.compressobj(wbits=-zlib.MAX_WBITS)
    once = packer.compress(b" " * 1_000_000) + packer.flush(zlib.Z_FULL_FLUSH)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
        archive.writestr(zipfile.ZipInfo(part), once * megabytes + packer.flush())
        archive.filelist[-1].compress_type = zipfile.ZIP_DEFLATED
        archive.filelist[-1].file_size = megabytes * 1_000_000 if told is None else told
    return path


@pytest.mark.parametrize(
    "part", ["xl/worksheets/sheet1.xml", "xl/sharedStrings.xml", "xl/styles.xml", "xl/workbook.xml"]
)
def test_a_part_that_unpacks_to_a_gigabyte_is_refused_unread(tmp_path: Path, part: str) -> None:
    path = inflated(by_hand(tmp_path / "records.xlsx"), part, 1100)
    assert path.stat().st_size < 2_000_000
    with Peak() as peak:
        assert refused_lines(lambda: read_records(path)) == [f"records.xlsx: larger than 200 MB. {SMALLER}"]
    assert peak.grown < 50 * 2**20


@pytest.mark.parametrize("part", ["xl/worksheets/sheet1.xml", "xl/sharedStrings.xml", "[Content_Types].xml"])
def test_a_part_that_unpacks_to_more_than_a_table_is_refused(tmp_path: Path, part: str) -> None:
    path = inflated(by_hand(tmp_path / "records.xlsx"), part, 21)
    said = f"records.xlsx: {part} in it is larger than a table. {SMALLER}"
    assert refused_lines(lambda: read_records(path)) == [said]


class Peak:
    """How much the greatest memory of this process grows [bytes]."""

    def __enter__(self) -> "Peak":
        self.before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
        return self

    def __exit__(self, *_: object) -> None:
        self.grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 - self.before


def test_a_part_that_says_it_is_small_and_is_not_is_refused(tmp_path: Path) -> None:
    """The size stands in the file and may be a lie: no more than that is unpacked."""
    path = inflated(by_hand(tmp_path / "records.xlsx"), "xl/worksheets/sheet1.xml", 500, told=1000)
    with Peak() as peak:
        assert refused_lines(lambda: read_records(path)) == [f"records.xlsx: damaged, or not a workbook. {AGAIN}"]
    assert peak.grown < 50 * 2**20


def test_parts_that_overlap_are_counted_each(tmp_path: Path) -> None:
    """As in a bomb that is not nested: a thousand names of one packed part."""
    path = inflated(by_hand(tmp_path / "records.xlsx"), "xl/media/image1.png", 1)
    with zipfile.ZipFile(path, "a") as archive:
        (info,) = [one for one in archive.infolist() if one.filename.endswith("png")]
        for number in range(300):
            again = zipfile.ZipInfo(f"xl/media/{number}.png")
            for field in ("header_offset", "compress_size", "file_size", "CRC", "compress_type"):
                setattr(again, field, getattr(info, field))
            archive.filelist.append(again)
        archive._didModify = True
    assert refused_lines(lambda: read_records(path)) == [f"records.xlsx: larger than 200 MB. {SMALLER}"]


ENTITIES = '<!DOCTYPE a [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
PLACES = ["xl/worksheets/sheet1.xml", "xl/sharedStrings.xml", "xl/styles.xml", "xl/workbook.xml", "[Content_Types].xml"]


@pytest.mark.parametrize("part", PLACES)
@pytest.mark.parametrize("how", ["at the beginning", "behind a long remark", "in UTF-16", "in UTF-16 without its mark"])
def test_entities_are_refused_wherever_they_are_and_however_they_are_written(
    tmp_path: Path, part: str, how: str
) -> None:
    path = by_hand(tmp_path / "records.xlsx")
    with zipfile.ZipFile(path) as archive:
        parts = {info.filename: archive.read(info).decode() for info in archive.infolist()}
    remark = f"<!-- {'x' * 100_000} -->" if how == "behind a long remark" else ""
    text = f"{remark}{ENTITIES}{parts[part]}"
    encoding = {"in UTF-16": "utf-16", "in UTF-16 without its mark": "utf-16-le"}.get(how, "utf-8")
    with zipfile.ZipFile(path, "w") as archive:
        for name, old in parts.items():
            archive.writestr(name, text.encode(encoding) if name == part else old.encode())
    assert refused_lines(lambda: read_records(path)) == [
        f"records.xlsx: not a workbook as spreadsheet programs save it. {AGAIN}"
    ]


def test_macros_links_and_names_that_lead_elsewhere_are_let_be(tmp_path: Path) -> None:
    """They are never opened, so the values are read as if there were none."""
    whole = read_records(book(tmp_path))
    rels = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    path = zipped(
        book(tmp_path),
        **{
            "xl/vbaProject.bin": b"\xd0\xcf\x11\xe0 Sub Auto_Open()",
            "../../../outside.txt": b"outside",
            "/etc/outside.txt": b"outside",
            "xl/externalLinks/externalLink1.xml": b"<externalLink><externalBook/></externalLink>",
            "xl/media/drawing.svg": b"<!DOCTYPE svg [<!ENTITY a 'b'>]><svg/>",
        },
    )
    link = (
        f'<Relationship Id="rId99" Type="{rels}/externalLink" TargetMode="External" Target="http://127.0.0.1/x.xlsx"/>'
    )
    patched(path, "xl/_rels/workbook.xml.rels", "</Relationships>", f"{link}</Relationships>")
    patched(path, "xl/workbook.xml", "</sheets>", '</sheets><externalReferences><externalReference xmlns:r="'
            f'{rels}" r:id="rId99"/></externalReferences>')  # fmt: skip
    around = set(tmp_path.parent.iterdir())
    assert read_records(path) == whole
    assert set(tmp_path.parent.iterdir()) == around
    assert not Path("/etc/outside.txt").exists()


@pytest.mark.parametrize(
    "target", ["../../../../etc/passwd", "/etc/passwd", "http://127.0.0.1/sheet.xml", "file:///etc/passwd"]
)
def test_a_sheet_that_would_be_elsewhere_is_no_sheet(tmp_path: Path, target: str) -> None:
    path = patched(by_hand(tmp_path / "records.xlsx"), "xl/_rels/workbook.xml.rels", "worksheets/sheet1.xml", target)
    told = refused_lines(lambda: read_records(path))
    assert told[0] == "records.xlsx: no sheet batches. Add it, or rename the right sheet. Known names: counts."


DDE = "cmd|'/C calc'!A0"


def test_a_formula_that_would_run_a_program_is_text_in_a_refusal(tmp_path: Path) -> None:
    path = book(tmp_path, lambda made: made["batches"].cell(2, 5, f"={DDE}"))
    said = f'records.xlsx, sheet batches, row 2, column ordered, "={DDE}": a formula that was never calculated. '
    assert refused_lines(lambda: read_records(path)) == [
        f"{said}Open it in a spreadsheet program and save it again, or write the value."
    ]


LAID_OUT = [
    (
        "a row far below",
        '<row r="1000000000"><c><v>1</v></c></row>',
        "more rows or cells than a table has. Delete what lies around it.",
    ),
    (
        "columns far beside",
        '<row><c r="ZZZ9"/></row>' * 2000,
        "more rows or cells than a table has. Delete what lies around it.",
    ),
    (
        "a cell far beside",
        '<row r="5"><c r="XFD5"><v>1</v></c></row>',
        "XFD5 is filled, far from the table. Clear it.",
    ),
]


@pytest.mark.parametrize(("xml", "said"), [case[1:] for case in LAID_OUT], ids=[case[0] for case in LAID_OUT])
def test_a_sheet_that_reaches_far_is_refused_at_once(tmp_path: Path, xml: str, said: str) -> None:
    path = patched(by_hand(tmp_path / "records.xlsx"), "xl/worksheets/sheet1.xml", "</sheetData>", f"{xml}</sheetData>")
    with Peak() as peak:
        assert refused_lines(lambda: read_records(path))[0] == f"records.xlsx, sheet batches: {said}"
    assert peak.grown < 300 * 2**20


FIRST = "records.xlsx, sheet batches, row 1, column"
MERGED = "merged with A1. Unmerge the cells and fill each."
HIDDEN = "a hidden column. Unhide it and check its contents."
EVERYWHERE = '<mergeCell ref="A1:XFD1048576"/>' * 50_000
BELOW = '<mergeCell ref="A900:B1048576"/>' * 50_000
COLUMNS = '<col min="2" max="999" hidden="1"/>' * 50_000
AROUND = [
    (
        "merged everywhere",
        "</sheetData>",
        f"</sheetData><mergeCells>{EVERYWHERE}</mergeCells>",
        f"{FIRST} variety, 'variety': {MERGED}",
    ),
    (
        "merged below",
        "</sheetData>",
        f"</sheetData><mergeCells>{BELOW}</mergeCells>",
        "",
    ),
    (
        "hidden columns without end",
        "<sheetData>",
        '<cols><col min="1" max="99999999999" hidden="1"/></cols><sheetData>',
        f"{FIRST} batch, 'batch': {HIDDEN}",
    ),
    (
        "hidden columns many times",
        "<sheetData>",
        f"<cols>{COLUMNS}</cols><sheetData>",
        f"{FIRST} variety, 'variety': {HIDDEN}",
    ),
    ("hidden rows below", "</sheetData>", '<row hidden="1"/>' * 100_000 + "</sheetData>", ""),
]


@pytest.mark.parametrize(("at", "xml", "said"), [case[1:] for case in AROUND], ids=[case[0] for case in AROUND])
def test_what_lies_around_a_sheet_takes_no_time(tmp_path: Path, at: str, xml: str, said: str) -> None:
    path = patched(by_hand(tmp_path / "records.xlsx"), "xl/worksheets/sheet1.xml", at, xml)
    if said:
        assert refused_lines(lambda: read_records(path))[0] == said
    else:
        assert read_records(path) == read_records(by_hand(tmp_path / "plain.xlsx"))


def test_long_formulas_that_many_cells_share_are_not_multiplied_out(tmp_path: Path) -> None:
    first = f'<row><c><f t="shared" si="0">{"A1+" * 100_000}1</f></c></row>'
    path = patched(
        by_hand(tmp_path / "records.xlsx"), "xl/worksheets/sheet1.xml", "</sheetData>",
        first + '<row><c><f t="shared" si="0"/></c></row>' * 5000 + "</sheetData>",
    )  # fmt: skip
    told = refused_lines(lambda: read_records(path))
    assert "row 4, column batch" in told[0]
    assert "a formula that was never calculated" in told[0]


def test_a_workbook_that_lost_some_bytes_is_refused_or_says_the_same(tmp_path: Path) -> None:
    path = book(tmp_path)
    whole, data, draw, refused = read_records(path), path.read_bytes(), random.Random(2), 0
    for _ in range(60):
        start = draw.randrange(len(data))
        path.write_bytes(data[:start] + data[start + draw.randint(1, 50) :])
        try:
            assert read_records(path) == whole
        except Refused:
            refused += 1
    assert refused > 50
