"""Cells as a workbook's file holds them."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from typing import Any

from forecast.workbooks.markup import quoted

FIRST_DAY = date(1899, 12, 30)  # of serial numbers, from March 1900 on: ECMA-376 (2016), part 1, 18.17.4
DAYS_1904 = 1462  # fewer of them in a workbook whose first day is in 1904
LONGEST = 32_767  # characters in a cell
_LIKE_A_SIGN = re.compile("_(?=x[0-9A-Fa-f]{4}_)")
_RUN = tuple("=+-@\t\r\n'")


def escaped(text: str) -> str:
    """Return a text as a workbook's file holds it (ECMA-376, part 1, 22.9.2.19).

    A sign may be written as its number there, a carriage return as _x000D_; so a text that looks like it is escaped.
    """
    return _LIKE_A_SIGN.sub("_x005F_", text).replace("\r", "_x000D_")


def runs(text: str) -> bool:
    """Say whether a spreadsheet would run a text if it were typed."""
    return text.lstrip("'").startswith(_RUN)


def address(row: int, column: int) -> str:
    """Return the address of a cell, row and column counted from 1."""
    return f"{letters(column)}{row}"


def letters(column: int) -> str:
    """Return the letters of a column, counted from 1."""
    found = ""
    while column:
        column, rest = divmod(column - 1, 26)
        found = chr(65 + rest) + found
    return found


def place(text: str) -> tuple[int, int]:
    """Return row and column of an address, counted from 1."""
    found = re.fullmatch(r"\$?([A-Za-z]+)\$?(\d+)", text)
    if found is None:
        raise ValueError(text)
    column = 0
    for letter in found[1].upper():
        column = 26 * column + ord(letter) - 64
    return int(found[2]), column


def area(text: str) -> tuple[int, int, int, int]:
    """Return first row and column, and last row and column, of an address such as B2:D9 or B2."""
    first, _, last = text.partition(":")
    return (*place(first), *place(last or first))


def cell(where: str, value: Any, style: int = 0, as_text: Callable[[int], int] | None = None, since: int = 0) -> str:
    """Return a cell; one without a value if there is none, and an empty text if it then would say nothing.

    `as_text` gives the look of a text that a spreadsheet would run; `since` the days by which serial numbers are less.
    """
    if hasattr(value, "item"):  # a number of NumPy
        value = value.item()
    if isinstance(value, str) and as_text and runs(value):
        style = as_text(style)
    look = f' s="{style}"' if style else ""
    if value is None or value == "":
        return f'<c r="{where}"{look}/>' if look else ""
    if isinstance(value, bool):
        return f'<c r="{where}"{look} t="b"><v>{int(value)}</v></c>'
    if isinstance(value, date):
        return f'<c r="{where}"{look}><v>{(value - FIRST_DAY).days - since}</v></c>'
    if isinstance(value, str):
        text = f'<t xml:space="preserve">{quoted(escaped(value))}</t>'
        return f'<c r="{where}"{look} t="inlineStr"><is>{text}</is></c>'
    return f'<c r="{where}"{look}><v>{value!r}</v></c>'
