"""A workbook by hand from ECMA-376, with all that a grower may have put into it, and an independent look at its parts.

Names, elements and their order are those of ECMA-376 (2016), parts 1 and 4; extension lists (x14 lists, sparklines)
are those of [MS-XLSX], 2.2 and 2.3, and threaded comments those of [MS-XLSX], 2.6.
"""

from __future__ import annotations

import re
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path
from xml.etree import ElementTree

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"
KIND = "application/vnd.openxmlformats-officedocument"
X14 = "http://schemas.microsoft.com/office/spreadsheetml/2009/9/main"
THREADED = "http://schemas.microsoft.com/office/spreadsheetml/2018/threadedcomments"
STRICT = {
    MAIN: "http://purl.oclc.org/ooxml/spreadsheetml/main",
    OFFICE: "http://purl.oclc.org/ooxml/officeDocument/relationships",
    "http://schemas.openxmlformats.org/drawingml/2006/main": "http://purl.oclc.org/ooxml/drawingml/main",
    "http://schemas.openxmlformats.org/drawingml/2006/chart": "http://purl.oclc.org/ooxml/drawingml/chart",
    "http://schemas.openxmlformats.org/drawingml/2006/spreadsheetDrawing": (
        "http://purl.oclc.org/ooxml/drawingml/spreadsheetDrawing"
    ),
}
PICTURE = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010806000000"
    "1f15c4890000000d49444154789c6360606060000000050001a5f645400000000049454e44ae426082"
)
HIDDEN, CONFORMS = 'state="hidden"', ' conformance="strict"'
HEAD = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
SEASON = {
    "season": [
        ["currency", "first_week", "weeks", "service_level", "location", "name"],
        ["EUR", "2026-W40", 60, 0.9, "Trial field", "Grüner Hof"],
    ],
    "varieties": [
        ["variety", "group", "sale_price"],
        ["Hosta 'Orrinfall'", "hosta", 7.5],
        ["Hosta 'Ñandú'", "hosta", 9],
    ],
    "stages": [
        [
            "applies_to",
            "stage",
            "place",
            "typical",
            "batches_cv",
            "plants_cv",
            "survival",
            "survival_sd",
            "plants_per_m2",
        ],
        ["hosta", "growing on", "house", 12, 0.15, 0.1, 0.9, 0.04, 60],
    ],
    "places": [["place", "area", "usable"], ["house", 80, 0.6]],
    "price_list": [
        ["lab", "variety", "unit_price", "multiple", "lead_weeks"],
        ["Alder Lab", "Hosta 'Orrinfall'", 1.4, 72, 16],
        ["Alder Lab", "Hosta 'Ñandú'", 1.5, 72, 16],
    ],
    "targets": [
        ["variety", "week", "target", "note"],
        ["Hosta 'Orrinfall'", "2027-W30", 400, "retail"],
        ["Hosta 'Ñandú'", "2027-W32", 200, None],
    ],
}
"""Rows of the tables of a small season; all invented."""


def letters(column: int) -> str:
    return chr(64 + column)


class Texts(list):
    """Shared texts, each once."""

    def at(self, text: str) -> int:
        if text not in self:
            self.append(text)
        return self.index(text)


def cell(where: str, value: object, texts: Texts, style: int) -> str:
    look = f' s="{style}"' if style else ""
    if value is None:
        return f'<c r="{where}"{look}/>'
    if isinstance(value, str) and value.startswith("="):
        formula, _, cached = value[1:].partition(" -> ")
        return f'<c r="{where}"{look}><f>{formula}</f><v>{cached}</v></c>'
    if isinstance(value, str):
        return f'<c r="{where}"{look} t="s"><v>{texts.at(value)}</v></c>'
    return f'<c r="{where}"{look}><v>{value}</v></c>'


def rows_of(rows: list[list[object]], texts: Texts, first: int = 1) -> str:
    found = []
    for number, row in enumerate(rows, start=first):
        style = 1 if number == first else 2
        cells = "".join(cell(f"{letters(at)}{number}", one, texts, style) for at, one in enumerate(row, start=1))
        found.append(f'<row r="{number}" spans="1:{len(row)}" ht="18.5" customHeight="1">{cells}</row>')
    return "".join(found)


VALIDATION = (
    '<dataValidations count="1"><dataValidation type="list" allowBlank="1" sqref="D2:D40">'
    '<formula1>"retail,wholesale"</formula1></dataValidation></dataValidations>'
)
CONDITIONAL = (
    '<conditionalFormatting sqref="C2:C40"><cfRule type="cellIs" dxfId="0" priority="1" operator="greaterThan">'
    "<formula>300</formula></cfRule></conditionalFormatting>"
)
EXTENSIONS = (
    '<extLst><ext uri="{CCE6A557-97BC-4b89-ADB6-D9C93CAAB3DF}" xmlns:x14="' + X14 + '">'
    '<x14:dataValidations count="1" xmlns:xm="http://schemas.microsoft.com/office/excel/2006/main">'
    '<x14:dataValidation type="list" allowBlank="1"><x14:formula1><xm:f>varieties!$A$2:$A$30</xm:f></x14:formula1>'
    "<xm:sqref>A2:A40</xm:sqref></x14:dataValidation></x14:dataValidations></ext>"
    '<ext uri="{05C60535-1F16-4fd2-B633-F4F36F0B64E0}" xmlns:x14="' + X14 + '">'
    '<x14:sparklineGroups xmlns:xm="http://schemas.microsoft.com/office/excel/2006/main"><x14:sparklineGroup>'
    "<x14:sparklines><x14:sparkline><xm:f>targets!C2:C3</xm:f><xm:sqref>F2</xm:sqref></x14:sparkline></x14:sparklines>"
    "</x14:sparklineGroup></x14:sparklineGroups></ext></extLst>"
)
STYLES = (
    f'<styleSheet xmlns="{MAIN}"><numFmts count="1"><numFmt numFmtId="164" formatCode="0.0&quot; EUR&quot;"/></numFmts>'
    '<fonts count="2"><font><sz val="12"/><name val="Gentium"/></font><font><b/><sz val="12"/><color rgb="FF884400"/>'
    '<name val="Gentium"/></font></fonts><fills count="3"><fill><patternFill patternType="none"/></fill><fill>'
    '<patternFill patternType="gray125"/></fill><fill><patternFill patternType="solid"><fgColor rgb="FFFFEEAA"/>'
    '</patternFill></fill></fills><borders count="1"><border>'
    "<left/><right/><top/><bottom/><diagonal/></border></borders>"
    '<cellStyleXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0"/></cellStyleXfs>'
    '<cellXfs count="5"><xf numFmtId="0" fontId="0" fillId="0" borderId="0" xfId="0"/>'
    '<xf numFmtId="0" fontId="1" fillId="0" borderId="0" xfId="0" applyFont="1"/>'
    '<xf numFmtId="0" fontId="0" fillId="2" borderId="0" xfId="0" applyFill="1"/>'
    '<xf numFmtId="14" fontId="0" fillId="0" borderId="0" xfId="0" applyNumberFormat="1"/>'
    '<xf numFmtId="9" fontId="0" fillId="2" borderId="0" xfId="0" applyNumberFormat="1"/></cellXfs>'
    '<cellStyles count="1"><cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles>'
    '<dxfs count="1"><dxf><font><color rgb="FFB5430B"/></font></dxf></dxfs></styleSheet>'
)
CHART = (
    '<c:chartSpace xmlns:c="http://schemas.openxmlformats.org/drawingml/2006/chart" '
    'xmlns:a="http://schemas.openxmlformats.org/drawingml/2006/main"><c:chart><c:plotArea><c:layout/><c:barChart>'
    '<c:barDir val="col"/><c:ser><c:idx val="0"/><c:order val="0"/><c:val><c:numRef><c:f>targets!$C$2:$C$3</c:f>'
    '</c:numRef></c:val></c:ser><c:axId val="1"/><c:axId val="2"/></c:barChart><c:catAx><c:axId val="1"/><c:scaling/>'
    '<c:axPos val="b"/><c:crossAx val="2"/></c:catAx><c:valAx><c:axId val="2"/><c:scaling/><c:axPos val="l"/>'
    '<c:crossAx val="1"/></c:valAx></c:plotArea></c:chart><c:extLst><c:ext uri="{mine}"/></c:extLst></c:chartSpace>'
)
_FROM_TO = (
    "<xdr:from><xdr:col>{0}</xdr:col><xdr:colOff>0</xdr:colOff><xdr:row>8</xdr:row><xdr:rowOff>0</xdr:rowOff></xdr:from>"
    "<xdr:to><xdr:col>{1}</xdr:col><xdr:colOff>0</xdr:colOff><xdr:row>20</xdr:row><xdr:rowOff>0</xdr:rowOff></xdr:to>"
)
DRAWING = (
    '<xdr:wsDr xmlns:xdr="http://schemas.openxmlformats.org/drawingml/2006/spreadsheetDrawing" '
    f'xmlns:a="http://schemas.openxmlformats.org/drawingml/2006/main" xmlns:r="{OFFICE}">'
    f'<xdr:twoCellAnchor>{_FROM_TO.format(1, 6)}<xdr:graphicFrame macro=""><xdr:nvGraphicFramePr>'
    '<xdr:cNvPr id="2" name="Chart 1"/><xdr:cNvGraphicFramePr/></xdr:nvGraphicFramePr><xdr:xfrm><a:off x="0" y="0"/>'
    '<a:ext cx="0" cy="0"/></xdr:xfrm><a:graphic><a:graphicData '
    'uri="http://schemas.openxmlformats.org/drawingml/2006/chart"><c:chart '
    'xmlns:c="http://schemas.openxmlformats.org/drawingml/2006/chart" r:id="rId1"/></a:graphicData></a:graphic>'
    f"</xdr:graphicFrame><xdr:clientData/></xdr:twoCellAnchor><xdr:twoCellAnchor>{_FROM_TO.format(7, 9)}<xdr:pic>"
    '<xdr:nvPicPr><xdr:cNvPr id="3" name="Picture 1"/><xdr:cNvPicPr/></xdr:nvPicPr><xdr:blipFill>'
    '<a:blip r:embed="rId2"/><a:stretch><a:fillRect/></a:stretch></xdr:blipFill><xdr:spPr><a:xfrm><a:off x="0" y="0"/>'
    '<a:ext cx="9" cy="9"/></a:xfrm><a:prstGeom prst="rect"><a:avLst/></a:prstGeom></xdr:spPr></xdr:pic>'
    "<xdr:clientData/></xdr:twoCellAnchor></xdr:wsDr>"
)
COMMENTS = (
    f'<comments xmlns="{MAIN}"><authors><author>A Grower</author><author>tc={{7}}</author></authors><commentList>'
    '<comment ref="C2" authorId="0"><text><r><t>asked twice</t></r></text></comment>'
    '<comment ref="B3" authorId="1"><text><t>[Threaded comment] later?</t></text></comment></commentList></comments>'
)
THREAD = (
    f'<ThreadedComments xmlns="{THREADED}"><threadedComment ref="B3" dT="2026-09-01T08:00:00.00" '
    'personId="{1}" id="{7}"><text>later?</text></threadedComment></ThreadedComments>'
)
PERSONS = (
    f'<personList xmlns="{THREADED}"><person displayName="A Grower" id="{{1}}" userId="1" providerId="None"/>'
    "</personList>"
)
DRAWN = (
    '<xml xmlns:v="urn:schemas-microsoft-com:vml" xmlns:o="urn:schemas-microsoft-com:office:office" '
    'xmlns:x="urn:schemas-microsoft-com:office:excel"><v:shapetype id="_x0000_t202" coordsize="21600,21600" '
    'o:spt="202" '
    'path="m,l,21600r21600,l21600,xe"/>'
    + "".join(
        f'<v:shape id="_x0000_s{1025 + at}" type="#_x0000_t202" style="visibility:hidden" fillcolor="#ccffcc">'
        f'<v:textbox/><x:ClientData ObjectType="Note"><x:Row>{row}</x:Row><x:Column>{column}</x:Column></x:ClientData>'
        "</v:shape>"
        for at, (row, column) in enumerate(((1, 2), (2, 1)))
    )
    + "</xml>"
)


def links(*found: tuple[str, str]) -> str:
    kinds = [kind if kind.startswith("http") else f"{OFFICE}/{kind}" for kind, _ in found]
    lines = "".join(
        f'<Relationship Id="rId{at}" Type="{kinds[at - 1]}" Target="{target}"/>'
        for at, (_, target) in enumerate(found, start=1)
    )
    return f'<Relationships xmlns="{PACKAGE}/relationships">{lines}</Relationships>'


def rich_book(
    path: Path, *, tables: Mapping[str, list[list[object]]] = SEASON, strict: bool = False, notes: bool = True,
    change: Callable[[dict[str, str | bytes]], None] | None = None,
) -> Path:  # fmt: skip
    """Write a workbook in which the sheet targets has all of it; two more sheets are the grower's own."""
    texts, whole = Texts(), dict[str, str | bytes]()
    names = [*tables, "my sums", "old prices"]
    for number, (table, rows) in enumerate(tables.items(), start=1):
        cols = '<cols><col min="1" max="1" width="31.5" customWidth="1" style="2"/></cols>'
        own = table == "targets"
        size = f"A1:{letters(len(rows[0]))}{len(rows)}"
        whole[f"xl/worksheets/sheet{number}.xml"] = (
            f'<worksheet xmlns="{MAIN}" xmlns:r="{OFFICE}"><sheetPr><tabColor rgb="FF33AA55"/></sheetPr>'
            f'<dimension ref="{size}"/><sheetViews><sheetView workbookViewId="0"/></sheetViews>'
            f'<sheetFormatPr defaultRowHeight="15"/>{cols}<sheetData>{rows_of(rows, texts)}</sheetData>'
            f"{CONDITIONAL + VALIDATION if own else ''}"
            f'<pageMargins left="0.7" right="0.7" top="0.7" bottom="0.7" header="0.3" footer="0.3"/>'
            + ('<drawing r:id="rId1"/>' if own else "")
            + ('<legacyDrawing r:id="rId2"/>' if own and notes and not strict else "")
            + (EXTENSIONS if own else "")
            + "</worksheet>"
        )
        if own:
            beside = [("drawing", "../drawings/drawing1.xml")]
            if notes and not strict:
                beside += [
                    ("vmlDrawing", "../drawings/vmlDrawing1.vml"), ("comments", "../comments1.xml"),
                    (
                        "http://schemas.microsoft.com/office/2017/10/relationships/threadedComment",
                        "../threadedComments/threadedComment1.xml",
                    ),
                ]  # fmt: skip
            whole[f"xl/worksheets/_rels/sheet{number}.xml.rels"] = links(*beside)
    sums = rows_of([["plants", "twice"], ["=SUM(targets!C2:C40) -> 600", "=A2*2 -> 1200"]], texts)
    whole[f"xl/worksheets/sheet{len(tables) + 1}.xml"] = (
        f'<worksheet xmlns="{MAIN}"><sheetData>{sums}</sheetData></worksheet>'
    )
    whole[f"xl/worksheets/sheet{len(tables) + 2}.xml"] = (
        f'<worksheet xmlns="{MAIN}"><sheetData>{rows_of([["old", 1.2]], texts)}</sheetData></worksheet>'
    )
    sheets = "".join(
        f'<sheet name="{name}" sheetId="{10 + at}" {HIDDEN if at == len(names) else ""} r:id="rId{at}"/>'
        for at, name in enumerate(names, start=1)
    )
    whole["xl/workbook.xml"] = (
        f'<workbook xmlns="{MAIN}" xmlns:r="{OFFICE}"{CONFORMS if strict else ""}>'
        f'<workbookPr/><bookViews><workbookView activeTab="2"/></bookViews><sheets>{sheets}</sheets><definedNames>'
        '<definedName name="wanted">targets!$C$2:$C$40</definedName></definedNames><calcPr calcId="191029"/></workbook>'
    )
    found = [("worksheet", f"worksheets/sheet{at}.xml") for at in range(1, len(names) + 1)]
    found += [("styles", "styles.xml"), ("sharedStrings", "sharedStrings.xml"), ("calcChain", "calcChain.xml")]
    if notes and not strict:
        found.append(("http://schemas.microsoft.com/office/2017/10/relationships/person", "persons/person.xml"))
        whole["xl/persons/person.xml"] = PERSONS
        whole["xl/comments1.xml"] = COMMENTS
        whole["xl/drawings/vmlDrawing1.vml"] = DRAWN
        whole["xl/threadedComments/threadedComment1.xml"] = THREAD
    whole["xl/_rels/workbook.xml.rels"] = links(*found)
    whole["_rels/.rels"] = links(("officeDocument", "xl/workbook.xml"))
    whole["xl/styles.xml"] = STYLES
    chained = f'<c r="A2" i="{10 + len(tables) + 1}"/><c r="B2"/>'
    whole["xl/calcChain.xml"] = f'<calcChain xmlns="{MAIN}">{chained}</calcChain>'
    whole["xl/drawings/drawing1.xml"] = DRAWING
    whole["xl/drawings/_rels/drawing1.xml.rels"] = links(
        ("chart", "../charts/chart1.xml"), ("image", "../media/image1.png")
    )
    whole["xl/charts/chart1.xml"] = CHART
    whole["xl/media/image1.png"] = PICTURE
    whole["xl/sharedStrings.xml"] = (
        f'<sst xmlns="{MAIN}" uniqueCount="{len(texts)}">'
        + "".join(f"<si><t>{text}</t></si>" for text in texts)
        + "</sst>"
    )
    whole["[Content_Types].xml"] = _types(whole)
    if change:
        change(whole)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, part in whole.items():
            archive.writestr(name, _bytes(part, strict=strict))
    return path


def _bytes(part: str | bytes, *, strict: bool) -> bytes:
    if isinstance(part, bytes):
        return part
    if strict:
        for usual, other in STRICT.items():
            part = part.replace(usual, other)
    return f"{HEAD}{part}".encode()


def _types(whole: Mapping[str, object]) -> str:
    kinds = {
        r"xl/workbook\.xml": "spreadsheetml.sheet.main+xml",
        r"xl/worksheets/sheet\d+\.xml": "spreadsheetml.worksheet+xml",
        r"xl/styles\.xml": "spreadsheetml.styles+xml", r"xl/sharedStrings\.xml": "spreadsheetml.sharedStrings+xml",
        r"xl/comments1\.xml": "spreadsheetml.comments+xml", r"xl/drawings/drawing1\.xml": "drawing+xml",
        r"xl/charts/chart1\.xml": "drawingml.chart+xml", r"xl/calcChain\.xml": "spreadsheetml.calcChain+xml",
    }  # fmt: skip
    lines = [
        f'<Override PartName="/{name}" ContentType="{KIND}.{kind}"/>'
        for name in whole for pattern, kind in kinds.items() if re.fullmatch(pattern, name)
    ]  # fmt: skip
    for name, kind in (
        ("xl/threadedComments/threadedComment1.xml", "application/vnd.ms-excel.threadedcomments+xml"),
        ("xl/persons/person.xml", "application/vnd.ms-excel.person+xml"),
    ):
        lines += [f'<Override PartName="/{name}" ContentType="{kind}"/>'] if name in whole else []
    usual = (
        f'<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        f'<Default Extension="xml" ContentType="application/xml"/><Default Extension="png" ContentType="image/png"/>'
        f'<Default Extension="vml" ContentType="{KIND}.vmlDrawing"/>'
    )
    return f'<Types xmlns="{PACKAGE}/content-types">{usual}{"".join(lines)}</Types>'


def parts(path: Path) -> dict[str, bytes]:
    """Return the parts of a file, by name."""
    with zipfile.ZipFile(path) as archive:
        assert archive.testzip() is None
        return {name: archive.read(name) for name in archive.namelist()}


def sheet_parts(path: Path) -> dict[str, str]:
    """Return the part of each sheet, by an independent way: ElementTree over workbook and its relationships."""
    found = parts(path)
    targets = {one.get("Id"): one.get("Target") for one in ElementTree.fromstring(found["xl/_rels/workbook.xml.rels"])}
    sheets = next(one for one in ElementTree.fromstring(found["xl/workbook.xml"]) if one.tag.endswith("}sheets"))
    names = {}
    for one in sheets:
        link = next(value for name, value in one.attrib.items() if name.endswith("}id"))
        names[one.get("name")] = f"xl/{targets[link]}".replace("xl//xl/", "xl/")
    return names


def values(path: Path, sheet: str) -> dict[str, tuple[str, str]]:
    """Return value and look of each cell of a sheet by its address."""
    found = parts(path)
    shared = ["".join(one.itertext()) for one in ElementTree.fromstring(found["xl/sharedStrings.xml"])]
    cells = {}
    for one in ElementTree.fromstring(found[sheet_parts(path)[sheet]]).iter():
        if not one.tag.endswith("}c"):
            continue
        text = "".join(part.text or "" for part in one.iter() if part.tag.rpartition("}")[2] in ("v", "t"))
        cells[one.get("r")] = (shared[int(text)] if one.get("t") == "s" else text, one.get("s", "0"))
    return cells


def around(path: Path, sheet: str) -> list[bytes]:
    """Return all children of a sheet but its cells, its size, its widths and its lists, as canonical XML."""
    root = ElementTree.fromstring(parts(path)[sheet_parts(path)[sheet]])
    changing = {"sheetData", "dimension", "cols", "dataValidations"}
    return [
        ElementTree.canonicalize(ElementTree.tostring(one)).encode()
        for one in root
        if one.tag.rpartition("}")[2] not in changing
    ]
