"""Notes on the headings of a sheet, which show when the pointer is over them."""

from __future__ import annotations

import re
from collections.abc import Mapping

from forecast.workbooks.cell_text import address, place
from forecast.workbooks.cells import put_in_order
from forecast.workbooks.markup import cut, native, quoted, read
from forecast.workbooks.package import MAIN, TRANSITIONAL, Package

_AUTHOR = "forecast"
_DRAWN = "application/vnd.openxmlformats-officedocument.vmlDrawing"
_WRITTEN = "application/vnd.openxmlformats-officedocument.spreadsheetml.comments+xml"
_BOX = (
    '<v:shapetype id="_x0000_t202" coordsize="21600,21600" o:spt="202" path="m,l,21600r21600,l21600,xe">'
    '<v:stroke joinstyle="miter"/><v:path gradientshapeok="t" o:connecttype="rect"/></v:shapetype>'
)
_SPACES = {"v": "vml", "o": "office:office", "x": "office:excel"}
_WIDE, _LINE = 46, 12  # characters of a line of a note, and lines that a note has at most
Notes = Mapping[tuple[int, int], str]
"""Notes by row and column, counted from 1."""


def add_notes(package: Package, part: str, notes: Notes) -> None:
    """Put notes on cells of a sheet that have none; a strict workbook, which has no such notes, gets none."""
    if package.strict or not notes:
        return
    written = package.linked(part, "comments") or _comments(package, part)
    drawn = _drawing(package, part) or _new_drawing(package, part)
    package.parts[written] = _written(package.parts[written], notes)
    package.parts[drawn] = _drawn(package.parts[drawn].decode("utf-8"), notes).encode()


def _comments(package: Package, part: str) -> str:
    """Add a part for the texts of notes."""
    name = package.free("xl/comments{}.xml")
    package.add_part(name, f'<comments xmlns="{MAIN[False]}"><authors/><commentList/></comments>', _WRITTEN)
    package.link(part, name, "comments")
    return name


def _drawing(package: Package, part: str) -> str:
    """Return the part with the boxes of notes, not that with pictures of headers; empty if there is none."""
    there = read(package.parts[part], 1).child("legacyDrawing")
    links = [value for name, value in there.attributes.items() if name.endswith(":id")] if there else []
    return package.target(part, links[0]) if links else ""


def _new_drawing(package: Package, part: str) -> str:
    """Add a part for the boxes of notes."""
    name = package.free("xl/drawings/vmlDrawing{}.vml")
    spaces = " ".join(f'xmlns:{prefix}="urn:schemas-microsoft-com:{space}"' for prefix, space in _SPACES.items())
    package.add_part(name, f"<xml {spaces}></xml>", _DRAWN, by_ending=True)
    link = package.link(part, name, "vmlDrawing")
    element = f'<legacyDrawing xmlns:r="{TRANSITIONAL}" r:id="{link}"/>'
    package.parts[part] = put_in_order(package.parts[part], "legacyDrawing", element)
    return name


def noted(package: Package, part: str) -> set[tuple[int, int]]:
    """Return the cells of a sheet that have a note, of the old or the new kind, by row and column."""
    found = set()
    for kind in ("comments", "threadedComment"):
        if name := package.linked(part, kind):
            refs = re.findall(rb'<(?:\w+:)?(?:comment|threadedComment)\s[^>]*?\bref="(\w+)"', package.parts[name])
            found |= {place(ref.decode()) for ref in refs}
    return found


def _written(data: bytes, notes: Notes) -> bytes:
    root = read(data, 2)
    authors, listed = root.child("authors"), root.child("commentList")
    if authors is None or listed is None:
        return data
    texts = []
    for (row, column), text in sorted(notes.items()):
        head, _, rest = text.partition("\n")
        runs = f'<r><rPr><b/><sz val="9"/><rFont val="Arial"/></rPr><t xml:space="preserve">{quoted(head)}\n</t></r>'
        runs += f'<r><rPr><sz val="9"/><rFont val="Arial"/></rPr><t xml:space="preserve">{quoted(rest)}</t></r>'
        number = len(authors.children)
        texts.append(f'<comment ref="{address(row, column)}" authorId="{number}"><text>{runs}</text></comment>')
    author = native(root, f"<author>{_AUTHOR}</author>")
    return cut(data, [authors.appended(author), listed.appended(native(root, "".join(texts)))])


def _drawn(text: str, notes: Notes) -> str:
    number = max([1024, *map(int, re.findall(r"_x0000_s(\d+)", text))])
    box = "" if 'id="_x0000_t202"' in text else _BOX
    shapes = []
    for at, ((row, column), note) in enumerate(sorted(notes.items()), start=1):
        lines = sum(1 + len(line) // _WIDE for line in note.split("\n"))
        last = row + min(lines, _LINE)
        where = f"{column}, 12, {max(row - 2, 0)}, 6, {column + 3}, 60, {last}, 8"
        shapes.append(
            f'<v:shape id="_x0000_s{number + at}" type="#_x0000_t202" '
            'style="position:absolute;width:240pt;height:80pt;z-index:1;visibility:hidden" fillcolor="#FFF9E5" '
            'strokecolor="#7699BB" o:insetmode="auto"><v:fill color2="#FFF9E5"/><v:path o:connecttype="none"/>'
            '<v:textbox style="mso-direction-alt:auto"><div style="text-align:left"></div></v:textbox>'
            f'<x:ClientData ObjectType="Note"><x:MoveWithCells/><x:SizeWithCells/><x:Anchor>{where}</x:Anchor>'
            f"<x:AutoFill>False</x:AutoFill><x:Row>{row - 1}</x:Row><x:Column>{column - 1}</x:Column>"
            "</x:ClientData></v:shape>"
        )
    begin, end = text.rsplit("</xml>", 1)
    return f"{begin}{box}{''.join(shapes)}</xml>{end}"
