"""Looks of cells, put behind those that a workbook has."""

from __future__ import annotations

import re
from typing import NamedTuple

from forecast.workbooks.markup import Cut, Element, cut, native, placed, quoted, read, with_attribute

_ORDER = (
    "numFmts", "fonts", "fills", "borders", "cellStyleXfs", "cellXfs", "cellStyles", "dxfs", "tableStyles", "colors",
    "extLst",
)  # fmt: skip
"""Of the children of styleSheet: ECMA-376 (2016), part 1, 18.8.39."""
_FIRST_OWN = 164  # number formats below are built in: ECMA-376 (2016), part 1, 18.8.30
_FONT = '<sz val="10"/><name val="Arial"/><family val="2"/>'
BARE = (
    '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
    '<styleSheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
    f'<fonts count="1"><font>{_FONT}</font></fonts>'
    '<fills count="2"><fill><patternFill patternType="none"/></fill>'
    '<fill><patternFill patternType="gray125"/></fill></fills>'
    '<borders count="1"><border><left/><right/><top/><bottom/><diagonal/></border></borders>'
    '<cellStyleXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0"/></cellStyleXfs>'
    '<cellXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0" xfId="0"/></cellXfs>'
    '<cellStyles count="1"><cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles>'
    "</styleSheet>"
)
"""The styles of a new workbook."""


class Style(NamedTuple):
    """How a cell looks; colours as RRGGBB."""

    format: str = "General"
    bold: bool = False
    italic: bool = False
    size: float = 0.0  # points; 0 for that of the workbook
    colour: str = ""
    fill: str = ""
    ruled: str = ""  # colour of a line below
    right: bool = False
    indented: bool = False
    top: bool = False
    wrapped: bool = False
    quoted: bool = False  # a text, whatever it begins with


PLAIN = Style()


class Styles:
    """The styles of a workbook, to which looks are added."""

    def __init__(self, data: bytes) -> None:
        self._data, self._root = data, read(data, 3)
        self._added: dict[str, list[str]] = {}
        self._known: dict[Style | tuple[int, bool], int] = {}

    def index(self, style: Style) -> int:
        """Return the number of a look, which is added if it is new."""
        if style not in self._known:
            self._known[style] = self._put("cellXfs", self._format(style))
        return self._known[style]

    def as_text(self, number: int) -> int:
        """Return the number of the look that is like a known one, of a text whatever it begins with."""
        if (number, True) not in self._known:
            there = self._there("cellXfs")
            xf = there.children[number].text if there and number < len(there.children) else '<xf numFmtId="0"/>'
            end = xf.index(">") + 1
            changed = with_attribute(xf[:end], "quotePrefix", "1") + xf[end:]
            self._known[number, True] = self._put("cellXfs", changed, as_it_is=True)
        return self._known[number, True]

    def data(self) -> bytes:
        """Return the part with all looks that were added."""
        cuts: list[Cut] = []
        for name in (name for name in _ORDER if name in self._added):
            texts = self._added[name]
            there, text = self._there(name), "".join(texts)
            if there is None:
                at = placed(self._root, _ORDER, name)
                cuts.append((at, at, native(self._root, f'<{name} count="{len(texts)}">{text}</{name}>')))
                continue
            opening = with_attribute(there.opening, "count", str(len(there.children) + len(texts)))
            cuts.append((there.start, there.end, f"{opening}{there.content}{text}</{there.tag}>"))
        return cut(self._data, cuts)

    def _there(self, name: str) -> Element | None:
        return self._root.child(name)

    def _put(self, name: str, text: str, *, as_it_is: bool = False) -> int:
        """Add to a collection, and return the number of what was added; what is there already is not added again."""
        there, texts = self._there(name), self._added.setdefault(name, [])
        begin = len(there.children) if there else 0
        written = text if as_it_is or there is None else native(self._root, text)
        if written not in texts:
            texts.append(written)
        return begin + texts.index(written)

    def _format(self, style: Style) -> str:
        font = self._font(style)
        fill = self._fill(style.fill) if style.fill else 0
        border = self._border(style.ruled) if style.ruled else 0
        align = " ".join(
            text
            for text, wanted in (
                ('horizontal="right"', style.right), ('horizontal="left" indent="1"', style.indented),
                ('vertical="top"', style.top), ('wrapText="1"', style.wrapped),
            )
            if wanted
        )  # fmt: skip
        applied = "".join(
            f' apply{name}="1"'
            for name, wanted in (("NumberFormat", style.format != "General"), ("Font", font), ("Fill", fill),
                                 ("Border", border), ("Alignment", align))
            if wanted
        )  # fmt: skip
        prefix = ' quotePrefix="1"' if style.quoted else ""
        opening = f'<xf numFmtId="{self._number(style.format)}" fontId="{font}" fillId="{fill}" borderId="{border}"'
        return f'{opening} xfId="0"{prefix}{applied}' + (f"><alignment {align}/></xf>" if align else "/>")

    def _font(self, style: Style) -> int:
        self._base("fonts", f"<font>{_FONT}</font>")
        if not (style.bold or style.italic or style.size or style.colour):
            return 0
        size, name = self._usual()
        marks = "<b/>" * style.bold + "<i/>" * style.italic
        colour = f'<color rgb="FF{style.colour}"/>' if style.colour else ""
        size = f'<sz val="{style.size}"/>' if style.size else size
        return self._put("fonts", f"<font>{marks}{size}{colour}{name}</font>")

    def _usual(self) -> tuple[str, str]:
        """Return size and name of the usual font."""
        there = self._there("fonts")
        font = there.children[0] if there and there.children else None
        found = {one.name: one.attributes.get("val", "") for one in font.children} if font else {}
        name = f'<name val="{quoted(found["name"])}"/>' if found.get("name") else '<name val="Arial"/>'
        return f'<sz val="{quoted(found.get("sz") or "10")}"/>', name

    def _fill(self, colour: str) -> int:
        for pattern in ("none", "gray125"):  # the first two are as they are whatever is written
            self._base("fills", f'<fill><patternFill patternType="{pattern}"/></fill>')
        text = f'<fill><patternFill patternType="solid"><fgColor rgb="FF{colour}"/></patternFill></fill>'
        return self._put("fills", text)

    def _border(self, colour: str) -> int:
        self._base("borders", "<border><left/><right/><top/><bottom/><diagonal/></border>")
        line = f'<bottom style="medium"><color rgb="FF{colour}"/></bottom>'
        return self._put("borders", f"<border><left/><right/><top/>{line}<diagonal/></border>")

    def _base(self, name: str, text: str) -> int:
        """Add what must come first in a collection that is not there; return the number of the usual one."""
        if self._there(name) is None:
            self._put(name, text)
        return 0

    def _number(self, code: str) -> int:
        if code == "General":
            return 0
        there = self._there("numFmts")
        known = (
            {one.attributes["formatCode"]: int(one.attributes["numFmtId"]) for one in there.children} if there else {}
        )
        if code in known:
            return known[code]
        added = self._added.setdefault("numFmts", [])
        for text in added:
            if f'formatCode="{quoted(code)}"' in text:
                return int(re.findall(r'numFmtId="(\d+)"', text)[0])
        number = max([_FIRST_OWN - 1, *known.values()]) + len(added) + 1
        self._put("numFmts", f'<numFmt numFmtId="{number}" formatCode="{quoted(code)}"/>')
        return number
