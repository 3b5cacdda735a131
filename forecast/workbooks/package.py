"""The file of a workbook: its parts, of which only those that must are changed, and its sheets."""

from __future__ import annotations

import posixpath
import re
import zipfile
from collections.abc import Sequence
from io import BytesIO

from forecast.workbooks.markup import Cut, Element, cut, namespaces, native, placed, quoted, read, with_attribute
from forecast.workbooks.styles import BARE, Styles
from forecast.workbooks.unsound import Unsound

TRANSITIONAL = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
STRICT = "http://purl.oclc.org/ooxml/officeDocument/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_KIND = "application/vnd.openxmlformats-officedocument"
_TYPES, _ROOT_LINKS = "[Content_Types].xml", "_rels/.rels"
_HEAD = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
MAIN = {
    False: "http://schemas.openxmlformats.org/spreadsheetml/2006/main",
    True: "http://purl.oclc.org/ooxml/spreadsheetml/main",
}
"""The namespace of the parts, by whether they are strict: ECMA-376 (2016), parts 1 and 4, annex A."""
_BOOK_ORDER = (
    "fileVersion", "fileSharing", "workbookPr", "workbookProtection", "bookViews", "sheets", "functionGroups",
    "externalReferences", "definedNames", "calcPr", "oleSize", "customWorkbookViews", "pivotCaches", "smartTagPr",
    "smartTagTypes", "webPublishing", "fileRecoveryPr", "webPublishObjects", "extLst",
)  # fmt: skip
"""Of the children of workbook: ECMA-376 (2016), part 1, 18.2.27."""
NOT_KEPT = {
    "_xmlsignatures/": "signed, and the signature would no longer hold",
    "xl/revisions/": "shared, with a record of who changed what",
}
"""What a change would spoil, by the beginning of the names of its parts."""
_NEW = {
    _TYPES: f'<Types xmlns="{_PACKAGE}/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="xml" ContentType="application/xml"/>'
    f'<Override PartName="/xl/workbook.xml" ContentType="{_KIND}.spreadsheetml.sheet.main+xml"/>'
    f'<Override PartName="/xl/styles.xml" ContentType="{_KIND}.spreadsheetml.styles+xml"/>'
    '<Override PartName="/docProps/core.xml" ContentType="application/vnd.openxmlformats-package.core-properties+xml"/>'
    "</Types>",
    _ROOT_LINKS: f'<Relationships xmlns="{_PACKAGE}/relationships">'
    f'<Relationship Id="rId1" Type="{TRANSITIONAL}/officeDocument" Target="xl/workbook.xml"/>'
    f'<Relationship Id="rId2" Type="{_PACKAGE}/relationships/metadata/core-properties" Target="docProps/core.xml"/>'
    "</Relationships>",
    "docProps/core.xml": f'<cp:coreProperties xmlns:cp="{_PACKAGE}/metadata/core-properties" '
    'xmlns:dc="http://purl.org/dc/elements/1.1/"><dc:creator>forecast</dc:creator></cp:coreProperties>',
    "xl/workbook.xml": f'<workbook xmlns="{MAIN[False]}"><bookViews><workbookView activeTab="0"/></bookViews>'
    "<sheets/></workbook>",
    "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{_PACKAGE}/relationships">'
    f'<Relationship Id="rId1" Type="{TRANSITIONAL}/styles" Target="styles.xml"/></Relationships>',
}


class Package:
    """The parts of a workbook's file by name; those that are not changed are kept byte for byte.

    `Unsound` if the parts that a change needs are not as spreadsheet programs save them.
    """

    def __init__(self, data: bytes = b"") -> None:
        if data:
            with zipfile.ZipFile(BytesIO(data)) as archive:
                self._infos = [one for one in archive.infolist() if not one.is_dir()]
                self.parts = {one.filename: archive.read(one) for one in self._infos}
        else:
            self._infos = []
            self.parts = {name: f"{_HEAD}{text}".encode() for name, text in _NEW.items()}
            self.parts["xl/styles.xml"] = BARE.encode()
        self._book = self._target(_ROOT_LINKS, "", "officeDocument")
        root = read(self.parts[self._book], 2)
        self.strict = MAIN[True] in namespaces(root).values()
        links = {one["Id"]: one for one in self._links(self._book)}
        relation = self._relations()
        self.sheets: dict[str, str] = {}
        prefixes = [name for name, value in namespaces(root).items() if value == relation]
        sheets = root.child("sheets")
        for one in sheets.children if sheets else ():
            local = [*prefixes, *(name for name, value in namespaces(one).items() if value == relation)]
            link = next((one.attributes[f"{p}:id"] for p in local if f"{p}:id" in one.attributes), "")
            if link in links:
                self.sheets[one.attributes["name"]] = self._resolved(self._book, links[link]["Target"])
        self._styles: Styles | None = None

    @property
    def styles(self) -> Styles:
        """The looks of its cells."""
        if self._styles is None:
            self._styles = Styles(self.parts[self._styles_part()])
        return self._styles

    def spoilt(self) -> str:
        """Return why the workbook cannot be changed without spoiling something; empty if nothing would be."""
        return next((why for begin, why in NOT_KEPT.items() if any(name.startswith(begin) for name in self.parts)), "")

    def linked(self, part: str, kind: str) -> str:
        """Return the part of some kind to which a part is linked; empty if there is none."""
        found = (one for one in self._links(part) if one["Type"].rpartition("/")[2] == kind)
        return next((self._resolved(part, one["Target"]) for one in found if one.get("TargetMode") != "External"), "")

    def target(self, part: str, link: str) -> str:
        """Return the part to which a link of a part leads; empty if there is no such link."""
        return next((self._resolved(part, one["Target"]) for one in self._links(part) if one["Id"] == link), "")

    def add_sheet(self, name: str, text: str) -> str:
        """Add a sheet behind the others, and return the name of its part."""
        part = self.free("xl/worksheets/sheet{}.xml")
        self.add_part(part, text.replace(MAIN[False], MAIN[self.strict]), f"{_KIND}.spreadsheetml.worksheet+xml")
        link = self.link(self._book, part, "worksheet")
        root = read(self.parts[self._book], 2)
        sheets = self._child(root, "sheets")
        number = 1 + max((int(one.attributes["sheetId"]) for one in sheets.children), default=0)
        new = f'<sheet xmlns:r="{self._relations()}" name="{quoted(name)}" sheetId="{number}" r:id="{link}"/>'
        self._change(self._book, [sheets.appended(native(root, new))])
        self.sheets[name] = part
        return part

    def recalculate(self) -> None:
        """Let formulas, if there are any, be calculated again by the program that opens it."""
        if not any(re.search(rb"<(\w+:)?f[\s>/]", self.parts[part]) for part in self.sheets.values()):
            return
        root = read(self.parts[self._book], 2)
        there = root.child("calcPr")
        if there is None:
            at = placed(root, _BOOK_ORDER, "calcPr")
            self._change(self._book, [(at, at, native(root, '<calcPr fullCalcOnLoad="1"/>'))])
            return
        tag = self.parts[self._book][there.start : there.inner].decode()
        self._change(self._book, [(there.start, there.inner, with_attribute(tag, "fullCalcOnLoad", "1"))])

    def free(self, pattern: str) -> str:
        """Return a name of a part that is free, with a number in it."""
        number = 1
        while pattern.format(number) in self.parts:
            number += 1
        return pattern.format(number)

    def add_part(self, name: str, text: str, kind: str, *, by_ending: bool = False) -> None:
        """Add a part of some kind, which is said of all of its ending or of the part alone."""
        self.parts[name] = f"{_HEAD}{text}".encode()
        root = read(self.parts[_TYPES], 1)
        ending = name.rpartition(".")[2]
        if by_ending:
            if any(one.attributes.get("Extension", "").lower() == ending for one in root.children):
                return
            new = f'<Default Extension="{ending}" ContentType="{kind}"/>'
            self._change(_TYPES, [(root.inner, root.inner, native(root, new))])
        else:
            new = f'<Override PartName="/{quoted(name)}" ContentType="{kind}"/>'
            self._change(_TYPES, [root.appended(native(root, new))])

    def link(self, part: str, target: str, kind: str) -> str:
        """Link a part to another one, and return the name of the link."""
        links = self._links_of(part)
        if links not in self.parts:
            self.parts[links] = f'{_HEAD}<Relationships xmlns="{_PACKAGE}/relationships"/>'.encode()
        root = read(self.parts[links], 1)
        taken = {one.attributes["Id"] for one in root.children}
        number = len(taken) + 1
        while f"rId{number}" in taken:
            number += 1
        where = posixpath.relpath(target, posixpath.dirname(part) or ".")
        address = "/".join([self._relations(), kind])
        new = f'<Relationship Id="rId{number}" Type="{address}" Target="{quoted(where)}"/>'
        self._change(links, [root.appended(native(root, new))])
        return f"rId{number}"

    def data(self) -> bytes:
        """Return the file: parts in the order in which they were, new ones behind them."""
        if self._styles is not None:
            self.parts[self._styles_part()] = self._styles.data()
        content = BytesIO()
        with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as archive:
            known = {one.filename: one for one in self._infos}
            for name, data in self.parts.items():
                info = zipfile.ZipInfo(name, known[name].date_time if name in known else (1980, 1, 1, 0, 0, 0))
                info.compress_type = known[name].compress_type if name in known else zipfile.ZIP_DEFLATED
                info.external_attr = known[name].external_attr if name in known else 0o600 << 16
                archive.writestr(info, data)
        return content.getvalue()

    def _change(self, part: str, cuts: Sequence[Cut]) -> None:
        self.parts[part] = cut(self.parts[part], cuts)

    def _relations(self) -> str:
        return STRICT if self.strict else TRANSITIONAL

    def _styles_part(self) -> str:
        found = self.linked(self._book, "styles")
        if not found:
            found = self.free("xl/styles{}.xml")
            self.add_part(found, BARE.split("\n", 1)[1], f"{_KIND}.spreadsheetml.styles+xml")
            self.link(self._book, found, "styles")
        return found

    def _target(self, links: str, base: str, kind: str) -> str:
        root = read(self.parts[links], 1)
        for one in root.children:
            if one.attributes.get("Type", "").rpartition("/")[2] == kind:
                return self._resolved(base, one.attributes["Target"])
        raise Unsound

    def _links(self, part: str) -> list[dict[str, str]]:
        data = self.parts.get(self._links_of(part))
        return [one.attributes for one in read(data, 1).children] if data else []

    def _links_of(self, part: str) -> str:
        folder, name = posixpath.split(part)
        return posixpath.join(folder, "_rels", f"{name}.rels")

    def _resolved(self, part: str, target: str) -> str:
        if target.startswith("/"):
            return target[1:]
        return posixpath.normpath(posixpath.join(posixpath.dirname(part), target))

    def _child(self, root: Element, name: str) -> Element:
        found = root.child(name)
        if found is None:
            raise Unsound
        return found
