"""Cells of a sheet that is there, changed in place: rows, looks and all around them stay as they are."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from forecast.workbooks.cell_text import address, area, cell, place
from forecast.workbooks.markup import Cut, Element, cut, native, placed, read, with_attribute
from forecast.workbooks.unsound import Unsound

SHEET_ORDER = (
    "sheetPr", "dimension", "sheetViews", "sheetFormatPr", "cols", "sheetData", "sheetCalcPr", "sheetProtection",
    "protectedRanges", "scenarios", "autoFilter", "sortState", "dataConsolidate", "customSheetViews", "mergeCells",
    "phoneticPr", "conditionalFormatting", "dataValidations", "hyperlinks", "printOptions", "pageMargins", "pageSetup",
    "headerFooter", "rowBreaks", "colBreaks", "customProperties", "cellWatches", "ignoredErrors", "smartTags",
    "drawing", "legacyDrawing", "legacyDrawingHF", "drawingHF", "picture", "oleObjects", "controls", "webPublishItems",
    "tableParts", "extLst",
)  # fmt: skip
"""Of the children of worksheet: ECMA-376 (2016), part 1, 18.3.1.99."""
_FORMULA = re.compile(r"""<(?:\w+:)?f(?=[\s/>])(?:[^>]*?\bref=["'](?P<ref>[^"']*)["'])?[^>]*>""")
_LEVEL = 3  # of cells in the part of a sheet
_MOST_COVERED = 100_000  # cells that formulas may fill


@dataclass(frozen=True)
class Value:
    """What a cell is to hold, with the look that it has, or with that of another cell, or with a new one."""

    value: Any
    like: tuple[int, int] | None = None  # row and column of the cell whose look it takes
    style: int | None = None


@dataclass(frozen=True)
class Moved:
    """That a cell is to be what another one is: its value as it is written, and its look."""

    row: int
    column: int


Place = tuple[int, int]
"""Row and column, counted from 1."""


class Grid:
    """The cells of a sheet by row and column."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.root = read(data, _LEVEL)
        sheet = self.root.child("sheetData")
        if sheet is None:
            raise Unsound
        self.sheet = sheet
        self.rows: dict[int, Element] = {}
        self.cells: dict[int, dict[int, Element]] = {}
        number = 0
        for row in sheet.children:
            number = int(row.attributes.get("r", number + 1))
            self.rows[number], self.cells[number] = row, dict(_placed(row))

    def style(self, at: Place) -> int:
        """Return the number of the look of a cell."""
        found = self.cells.get(at[0], {}).get(at[1])
        return int(found.attributes.get("s", 0)) if found else 0

    def formulas(self) -> set[Place]:
        """Return the cells that hold a formula, or are filled by one."""
        found = set()
        for row, cells in self.cells.items():
            for column, one in cells.items():
                if formula := _FORMULA.search(one.content):
                    found.add((row, column))
                    if formula["ref"] and "shared" not in formula[0]:
                        found |= set(_covered(formula["ref"]))
        return found

    def hidden(self) -> set[int]:
        """Return the rows that are hidden."""
        return {number for number, row in self.rows.items() if row.attributes.get("hidden") in ("1", "true")}

    def width(self) -> int:
        """Return the last column in which anything is written, or looks like anything."""
        return max((max(cells) for cells in self.cells.values() if cells), default=0)

    def put(self, changes: Mapping[Place, Value | Moved], as_text: Callable[[int], int], since: int = 0) -> bytes:
        """Return the part of the sheet with some cells changed; rows in which none is stay byte for byte."""
        rows: dict[int, dict[int, Value | Moved]] = defaultdict(dict)
        for (row, column), change in changes.items():
            rows[row][column] = change
        cuts: list[Cut] = []
        new: dict[int, str] = {}
        for row, changed in rows.items():
            text = self._row(row, changed, as_text, since)
            if row in self.rows:
                cuts.append((self.rows[row].start, self.rows[row].end, text))
            else:
                new[row] = native(self.root, text)
        cuts += self._between(new)
        cuts += self._size(changes)
        return cut(self.data, cuts)

    def _between(self, new: Mapping[int, str]) -> Iterator[Cut]:
        """Yield the changes that put new rows where they belong."""
        numbers, gaps = sorted(self.rows), defaultdict(list)
        for row in sorted(new):
            later = next((number for number in numbers if number > row), 0)
            gaps[later].append(new[row])
        for later, texts in gaps.items():
            if later:
                yield self.rows[later].start, self.rows[later].start, "".join(texts)
            else:
                yield self.sheet.appended("".join(texts))

    def _row(self, row: int, changed: Mapping[int, Value | Moved], as_text: Callable[[int], int], since: int) -> str:
        there = self.cells.get(row, {})
        texts = {}
        for column in sorted({*there, *changed}):
            if column not in changed:
                texts[column] = _addressed(there[column], row, column)
                continue
            text = self._cell((row, column), changed[column], as_text, since)
            texts[column] = native(self.root, text) if row in self.rows and not _of(self.root, text) else text
        content = "".join(texts[column] for column in sorted(texts))
        if row not in self.rows:
            return f'<row r="{row}">{content}</row>'
        one = self.rows[row]
        opening = with_attribute(with_attribute(one.opening, "spans", None), "r", str(row))
        return f"{opening}{content}</{one.tag}>"

    def _cell(self, at: Place, change: Value | Moved, as_text: Callable[[int], int], since: int) -> str:
        if isinstance(change, Moved):
            one = self.cells.get(change.row, {}).get(change.column)
            return _addressed(one, *at) if one else ""
        style = change.style if change.style is not None else self.style(change.like or at)
        return cell(address(*at), change.value, style, as_text, since)

    def _size(self, changes: Iterable[Place]) -> Iterator[Cut]:
        """Yield the change of the size that the sheet states, if it grows."""
        stated = self.root.child("dimension")
        if stated is None or "ref" not in stated.attributes:
            return
        top, left, bottom, right = area(stated.attributes["ref"])
        places = list(changes)
        ends = (min([top, *(row for row, _ in places)]), min([left, *(column for _, column in places)]))
        last = (max([bottom, *(row for row, _ in places)]), max([right, *(column for _, column in places)]))
        if (*ends, *last) != (top, left, bottom, right):
            tag = self.data[stated.start : stated.inner].decode()
            yield stated.start, stated.inner, with_attribute(tag, "ref", f"{address(*ends)}:{address(*last)}")


def put_in_order(data: bytes, name: str, text: str) -> bytes:
    """Return the part of a sheet with an element in it where it belongs; what is there of its name is kept."""
    root = read(data, 1)
    at = placed(root, SHEET_ORDER, name)
    return cut(data, [(at, at, native(root, text))])


def add_checks(data: bytes, checks: str, number: int) -> bytes:
    """Return the part of a sheet with checks of what is typed beside those that are there."""
    root = read(data, 2)
    there = root.child("dataValidations")
    if there is None:
        return put_in_order(data, "dataValidations", f'<dataValidations count="{number}">{checks}</dataValidations>')
    count = str(len(there.children) + number)
    opening = with_attribute(there.opening, "count", count)
    text = f"{opening}{there.content}{native(root, checks)}</{there.tag}>"
    return cut(data, [(there.start, there.end, text)])


def widen(data: bytes, widths: Mapping[int, float]) -> bytes:
    """Return the part of a sheet in which columns that have no width of their own get one."""
    root = read(data, 2)
    there = root.child("cols")
    old = {}
    for one in there.children if there else ():
        old[int(one.attributes["min"])] = (int(one.attributes["max"]), one.text)
    taken = [(first, last) for first, (last, _) in old.items()]
    new = {
        column: (column, f'<col min="{column}" max="{column}" width="{width}" customWidth="1"/>')
        for column, width in widths.items()
        if not any(first <= column <= last for first, last in taken)
    }
    if not new:
        return data
    if there is None:
        return put_in_order(data, "cols", f"<cols>{''.join(text for _, text in new.values())}</cols>")
    ordered = sorted([*old.items(), *((at, (last, native(root, text))) for at, (last, text) in new.items())])
    return cut(data, [(there.start, there.end, there.filled("".join(text for _, (_, text) in ordered)))])


def _placed(row: Element) -> Iterator[tuple[int, Element]]:
    column = 0
    for one in row.children:
        ref = one.attributes.get("r", "")
        column = place(ref)[1] if ref else column + 1
        yield column, one


def _addressed(one: Element, row: int, column: int) -> str:
    """Return a cell as it is written, at an address."""
    end = one.inner - one.start
    text = one.text.encode()
    return with_attribute(text[:end].decode(), "r", address(row, column)) + text[end:].decode()


def _of(root: Element, text: str) -> bool:
    """Say whether a cell is written as those of a part are, as one is that was moved."""
    prefix = root.tag.rpartition(":")[0]
    return not text or not prefix or text.startswith(f"<{prefix}:")


def _covered(ref: str) -> Iterator[Place]:
    top, left, bottom, right = area(ref)
    if (bottom - top + 1) * (right - left + 1) > _MOST_COVERED:
        raise Unsound
    for row in range(top, bottom + 1):
        yield from ((row, column) for column in range(left, right + 1))
