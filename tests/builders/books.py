"""Records in workbooks: as a library writes them, as spreadsheets do, and with their parts changed."""

import zipfile
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path

from openpyxl import Workbook

BATCHES = [
    ["batch", "variety", "lab", "delivered", "ordered", "received", "dead_on_arrival"],
    ["B1", "Alba", "North Lab", datetime(2027, 3, 1), 110, 100.0, 2],
    [7, "Nova", None, date(2027, 3, 8), 50, 50, None],
]
COUNTS = [
    ["batch", "date", "stage", "alive", "transferred", "saleable", "losses", "why"],
    ["B1", datetime(2027, 3, 15), "weaning", 95, 40, 0, 3, "dried out"],
    ["B1", datetime(2027, 3, 29), "weaning", 54, 54, 0, 1, None],
    ["B1", datetime(2027, 3, 29), "pots", 40, 0, 0, 0, None],
    [7, "2027-03-29", "weaning", 45, 0, 0, 5, "1,5 % grey mould"],
]


def book(path: Path, change: Callable[[Workbook], None] | None = None) -> Path:
    made = Workbook()
    made.remove(made.active)
    for name, rows in (("batches", BATCHES), ("counts", COUNTS)):
        sheet = made.create_sheet(name)
        for row in rows:
            sheet.append(row)
    if change:
        change(made)
    made.save(path / "records.xlsx")
    return path / "records.xlsx"


def patched(path: Path, part: str, old: str, new: str) -> Path:
    """Replace a text in a part of the workbook's file."""
    whole = {info.filename: data for info, data in parts(path)}
    assert old.encode() in whole[part]
    whole[part] = whole[part].replace(old.encode(), new.encode())
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in whole.items():
            archive.writestr(name, data)
    return path


def parts(path: Path) -> list[tuple[zipfile.ZipInfo, bytes]]:
    with zipfile.ZipFile(path) as archive:
        return [(info, archive.read(info)) for info in archive.infolist()]


MAIN = 'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"
KIND = "application/vnd.openxmlformats-officedocument.spreadsheetml"


def by_hand(path: Path) -> Path:
    """Write the workbook as spreadsheets do: texts shared, no mark of columns, days counted from 30 December 1899."""
    texts: list[str] = []

    def cell(value: object) -> str:
        if isinstance(value, date):
            return f'<c s="1"><v>{(date(value.year, value.month, value.day) - date(1899, 12, 30)).days}</v></c>'
        if isinstance(value, str):
            texts.append(value)
            return f'<c t="s"><v>{len(texts) - 1}</v></c>'
        return "<c/>" if value is None else f"<c><v>{value}</v></c>"

    whole = {}
    for number, rows in enumerate((BATCHES, COUNTS), start=1):
        lines = "".join(f"<row>{''.join(map(cell, row))}</row>" for row in rows)
        whole[f"xl/worksheets/sheet{number}.xml"] = f"<worksheet {MAIN}><sheetData>{lines}</sheetData></worksheet>"
    shared = "".join(f"<si><t>{text}</t></si>" for text in texts)
    whole["xl/sharedStrings.xml"] = f"<sst {MAIN}>{shared}</sst>"
    formats = '<cellXfs count="2"><xf numFmtId="0"/><xf numFmtId="14"/></cellXfs>'
    whole["xl/styles.xml"] = f"<styleSheet {MAIN}>{formats}</styleSheet>"
    sheets = "".join(f'<sheet name="{name}" sheetId="{i}" r:id="r{i}"/>' for i, name in ((1, "batches"), (2, "counts")))
    whole["xl/workbook.xml"] = f'<workbook {MAIN} xmlns:r="{OFFICE}"><sheets>{sheets}</sheets></workbook>'
    targets = [("worksheet", "worksheets/sheet1"), ("worksheet", "worksheets/sheet2")]
    targets += [("sharedStrings", "sharedStrings"), ("styles", "styles")]
    links = "".join(
        f'<Relationship Id="r{i}" Type="{OFFICE}/{kind}" Target="{target}.xml"/>'
        for i, (kind, target) in enumerate(targets, start=1)
    )
    opened = f'<Relationships xmlns="{PACKAGE}/relationships">'
    whole["xl/_rels/workbook.xml.rels"] = f"{opened}{links}</Relationships>"
    first = f'<Relationship Id="r1" Type="{OFFICE}/officeDocument" Target="xl/workbook.xml"/>'
    whole["_rels/.rels"] = f"{opened}{first}</Relationships>"
    kinds = [("workbook", "sheet.main"), ("worksheets/sheet1", "worksheet"), ("worksheets/sheet2", "worksheet")]
    kinds += [("sharedStrings", "sharedStrings"), ("styles", "styles")]
    named = "".join(f'<Override PartName="/xl/{part}.xml" ContentType="{KIND}.{kind}+xml"/>' for part, kind in kinds)
    whole["[Content_Types].xml"] = f'<Types xmlns="{PACKAGE}/content-types">{named}</Types>'
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in whole.items():
            archive.writestr(name, text)
    return path
