"""A new sheet of a workbook: its headings, their notes, its rows, and what may be typed below."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from forecast.workbooks.cell_text import address, cell, letters, runs
from forecast.workbooks.markup import quoted
from forecast.workbooks.notes import add_notes
from forecast.workbooks.package import MAIN, Package
from forecast.workbooks.styles import Style

INK, SOFT, DATA, BAND, PALE = "1B2733", "5A6773", "1D5C8F", "A9C4DA", "EEF2F7"
"""Colours: text, remarks, headings and tabs, other tabs, and the line of units."""
DAY = "yyyy-mm-dd"
WIDEST, WIDEST_FILLED = 100, 40  # characters of a column; longer texts are wrapped where nobody is to fill in rows
_HEIGHT, _TITLE_HEIGHT = 13.5, 21  # points of a line, and of a title
_FIRST_LINE = f' ht="{_HEIGHT}" customHeight="1"'  # the height of a row that shows the first line of long texts
LONGEST_LIST = 255  # characters of words to choose from, and of what is said of a cell
_LONGEST_TITLE = 32
_READ = 115  # characters of a line that is read
_HEADING = Style(bold=True, colour="FFFFFF", fill=DATA, top=True)
_TITLE = Style(bold=True, colour=INK, size=13)
_UNITS = Style(italic=True, colour=SOFT, fill=PALE, ruled=DATA)
_EXAMPLE = Style(italic=True, colour=SOFT)


@dataclass(frozen=True)
class Check:
    """What may be typed into a column: one of a list, or a number or day within bounds.

    `kind` is list, whole, decimal or date. `first` is the list, as a formula or as words in double quotes, or the
    bound; `compared` how the number lies to it, or to both bounds. What is not `strict` may be typed all the same.
    """

    kind: str
    first: str
    second: str = ""
    compared: str = "between"
    strict: bool = True
    hint: str = ""  # what to write, shown beside a cell that is chosen
    wrong: str = ""  # what is said of something else

    def text(self, ref: str, title: str) -> str:
        """Return the check of some cells, as a workbook's file holds it."""
        given = {
            "type": self.kind, "operator": "" if self.kind == "list" or self.compared == "between" else self.compared,
            "errorStyle": "" if self.strict else "warning", "allowBlank": "1",
            "showInputMessage": "1" if self.hint else "", "showErrorMessage": "1",
            "errorTitle": title[:_LONGEST_TITLE], "error": self.wrong[: LONGEST_LIST - 30],
            "promptTitle": title[:_LONGEST_TITLE] if self.hint else "", "prompt": self.hint[:LONGEST_LIST],
            "sqref": ref,
        }  # fmt: skip
        said = "".join(f' {name}="{quoted(value)}"' for name, value in given.items() if value)
        second = f"<formula2>{quoted(self.second)}</formula2>" if self.second else ""
        return f"<dataValidation{said}><formula1>{quoted(self.first)}</formula1>{second}</dataValidation>"


@dataclass(frozen=True)
class Column:
    """A column of a new sheet."""

    name: str
    format: str = "General"
    unit: str = ""
    note: str = ""
    example: Any = None
    check: Check | None = None

    @property
    def numeric(self) -> bool:
        """Whether numbers are to be typed into it."""
        return self.check is not None and self.check.kind in ("whole", "decimal")


@dataclass(frozen=True)
class Page:
    """A new sheet: columns and the rows below them; with a title it is one to be filled, and says what is."""

    columns: tuple[Column, ...]
    rows: Sequence[Sequence[Any]]
    title: str = ""
    remarks: tuple[str, ...] = ()  # lines below the title
    tab: str = ""
    to_fill: int = 0  # rows below the headings for which there are checks
    bold: Callable[[Sequence[Any]], bool] | None = None  # which rows are sums

    @property
    def header(self) -> int:
        """Row of the headings."""
        return 1 + bool(self.title) + len(self.remarks)

    @property
    def first(self) -> int:
        """First row of what is below the headings and what is said of them."""
        return self.header + 1 + any(one.unit for one in self.columns) + self._exemplified

    @property
    def _exemplified(self) -> bool:
        return any(one.example is not None for one in self.columns)

    def above(self) -> Iterator[tuple[Sequence[Any], Style]]:
        """Yield the rows above those that count, and their looks."""
        if self.title:
            yield [f"# {self.title}"], _TITLE
        for remark in self.remarks:
            yield [f"# {remark}"], _EXAMPLE
        yield [one.name for one in self.columns], _HEADING
        if any(one.unit for one in self.columns):
            units = [one.unit or None for one in self.columns]
            yield [f"# {units[0] or 'unit'}", *units[1:]], _UNITS
        if self._exemplified:
            examples = [one.example for one in self.columns]
            yield [f"# such as {examples[0]}", *examples[1:]], _EXAMPLE


def add_page(package: Package, name: str, page: Page) -> None:
    """Add a sheet to a workbook."""
    part = package.add_sheet(name, _text(package, page))
    notes = {(page.header, at): one.note for at, one in enumerate(page.columns, start=1) if one.note}
    add_notes(package, part, notes)


def add_text(package: Package, name: str, lines: Sequence[tuple[str, str]], tab: str = "") -> None:
    """Add a sheet of lines to read, in two columns; the first one is its title."""
    look = package.styles.index
    heads = [look(_TITLE), look(Style(bold=True, colour=INK, top=True))]
    body = look(Style(colour=INK, wrapped=True, top=True))
    as_text = package.styles.as_text
    rows = [
        f'<row r="{at}"{_height(1 + len(other) // _READ, title=at == 1)}>'
        f"{cell(f'A{at}', one, heads[at > 1], as_text)}{cell(f'B{at}', other, body, as_text)}</row>"
        for at, (one, other) in enumerate(lines, start=1)
    ]
    colour = f'<sheetPr><tabColor rgb="FF{tab}"/></sheetPr>' if tab else ""
    widths = (f'<col min="{at}" max="{at}" width="{width}" customWidth="1"/>' for at, width in ((1, 26), (2, 98)))
    cols = f"<cols>{''.join(widths)}</cols>"
    view = '<sheetViews><sheetView showGridLines="0" workbookViewId="0"/></sheetViews>'
    package.add_sheet(
        name, f'<worksheet xmlns="{MAIN[False]}">{colour}{view}{cols}<sheetData>{"".join(rows)}</sheetData>'
        f"{_PRINTED}</worksheet>",
    )  # fmt: skip


_PRINTED = (
    '<pageMargins left="0.5" right="0.5" top="0.6" bottom="0.6" header="0.3" footer="0.3"/>'
    '<pageSetup paperSize="9" orientation="landscape" fitToHeight="0"/>'
)


def _text(package: Package, page: Page) -> str:
    above = list(page.above())
    look = package.styles.index
    widest, rows = (WIDEST_FILLED if page.title else WIDEST), []
    for at, (values, style) in enumerate(above, start=1):
        looks = [look(_aligned(style, one, page)) for one in range(len(values))]
        rows.append(_row(at, values, looks, package, _height(1, title=style is _TITLE)))
    for at, values in enumerate(page.rows, start=page.first):
        bold = bool(page.bold and page.bold(values))
        looks = [
            look(_style(column, value, bold, widest=widest)._replace(indented=_indented(page, one, value)))
            for one, (column, value) in enumerate(zip(page.columns, values, strict=True))
        ]
        longest = max((len(one) for one in values if isinstance(one, str)), default=0)
        height = _FIRST_LINE * (longest > widest) if page.title else _height(1 + longest // widest)
        rows.append(_row(at, values, looks, package, height))
    checks = [
        one.check.text(f"{address(page.first, at)}:{address(page.first + page.to_fill, at)}", one.name)
        for at, one in enumerate(page.columns, start=1)
        if one.check and page.to_fill
    ]
    listed = f'<dataValidations count="{len(checks)}">{"".join(checks)}</dataValidations>' if checks else ""
    colour = f'<tabColor rgb="FF{page.tab}"/>' if page.tab else ""
    top = len(above)
    pane = f'<pane ySplit="{top}" topLeftCell="A{top + 1}" activePane="bottomLeft" state="frozen"/>'
    chosen = f'activeCell="A{top + 1}" sqref="A{top + 1}"'
    view = f'<sheetView workbookViewId="0">{pane}<selection pane="bottomLeft" {chosen}/></sheetView>'
    return (
        f'<worksheet xmlns="{MAIN[False]}"><sheetPr>{colour}<pageSetUpPr fitToPage="1"/></sheetPr>'
        f"<sheetViews>{view}</sheetViews><cols>{''.join(_widths(page))}</cols>"
        f"<sheetData>{''.join(rows)}</sheetData>{listed}{_PRINTED}</worksheet>"
    )


def _height(lines: int, *, title: bool = False) -> str:
    """Return the height of a row, if it is another than usual, as a workbook's file holds it."""
    points = _TITLE_HEIGHT if title else _HEIGHT * lines
    return f' ht="{points}" customHeight="1"' if title or lines > 1 else ""


def _row(at: int, values: Sequence[Any], looks: Sequence[int], package: Package, height: str) -> str:
    cells = (
        cell(address(at, column), value, style, package.styles.as_text)
        for column, (value, style) in enumerate(zip(values, looks, strict=True), start=1)
    )
    return f'<row r="{at}"{height}>{"".join(cells)}</row>'


def _aligned(style: Style, at: int, page: Page) -> Style:
    """Return the look of a cell above the rows: to the right above numbers, and there in their format."""
    if style is _TITLE or (style is _EXAMPLE and at == 0):
        return style
    column = page.columns[at]
    numbers = at > 0 and _numeric(page, at)
    return style._replace(
        right=numbers, indented=at > 0 and not numbers, format=column.format if style is _EXAMPLE else "General"
    )


def _numeric(page: Page, at: int) -> bool:
    values = [row[at] for row in page.rows if row[at] is not None]
    return all(isinstance(value, int | float) for value in values) if values else page.columns[at].numeric


def _style(column: Column, value: Any, bold: bool, *, widest: int) -> Style:
    if isinstance(value, date):
        return Style(format=DAY, bold=bold, top=True)
    if isinstance(value, str):
        return Style(bold=bold, top=True, wrapped=len(value) > widest, quoted=runs(value))
    return Style(format=column.format, bold=bold, top=True)


def _indented(page: Page, at: int, value: Any) -> bool:
    """Say whether a cell stands off from the one to its left."""
    return bool(page.title) and at > 0 and isinstance(value, str | date)


def _widths(page: Page) -> Iterator[str]:
    for at, column in enumerate(page.columns):
        texts = [column.name, *(str(row[at]) for row in page.rows if row[at] is not None)]
        if page.title:
            texts += [f"{column.unit}  ", str(column.example or "") + " " * (9 * (at == 0))]
        width = min(max(map(len, texts)), WIDEST_FILLED if page.title else WIDEST) + 3
        yield f'<col min="{at + 1}" max="{at + 1}" width="{width}" customWidth="1"/>'


def named_range(sheet: str, column: int, first: int, last: int) -> str:
    """Return a range of a column as a formula refers to it."""
    quoted_name = "'{}'".format(sheet.replace("'", "''"))
    return f"{quoted_name}!${letters(column)}${first}:${letters(column)}${last}"
