"""How a file writes numbers: with a decimal point or comma, and with what between thousands."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from typing import NamedTuple

_DIGITS = re.compile("[0-9]+")
_GROUPS = re.compile(r"[1-9][0-9]{0,2}(?:([.,' ])[0-9]{3})(?:\1[0-9]{3})*")
_LAST = re.compile(r"(.*)([.,])([0-9]*)")
_EXACT = 1e15  # below it every whole number is written as it is
_NAMES = {".": "a point", ",": "a comma", "'": "an apostrophe", " ": "a space"}


class Style(NamedTuple):
    """The marks of a style; an empty one is not known."""

    thousands: str = ""
    decimal: str = ""

    def agrees(self, other: Style) -> bool:
        """Say whether one file may hold numbers of both."""
        both = [mark for mark in (self.thousands or other.thousands, self.decimal or other.decimal) if mark]
        same = all(not one or not two or one == two for one, two in zip(self, other, strict=True))
        return same and len(set(both)) == len(both)

    def joined(self, other: Style) -> Style:
        """Return the style of a file that holds numbers of both."""
        return Style(self.thousands or other.thousands, self.decimal or other.decimal)


class Reading(NamedTuple):
    """One way to read a number: the marks it takes for granted, and the number with a point and nothing else."""

    style: Style
    number: str


def readings(text: str) -> tuple[Reading, ...]:
    """Return all ways to read digits with marks and neither sign nor exponent; none if they are no number.

    Examples
    --------
    >>> [one.number for one in readings("1,200")], [one.number for one in readings("1.234,50")]
    (['1200', '1.200'], ['1234.50'])
    """
    if _DIGITS.fullmatch(text):
        return (Reading(Style(), text),)
    found = []
    if groups := _GROUPS.fullmatch(text):
        found.append(Reading(Style(groups[1], ""), text.replace(groups[1], "")))
    if last := _LAST.fullmatch(text):
        whole, mark, decimals = last.groups()
        groups = _GROUPS.fullmatch(whole)
        if (not whole or _DIGITS.fullmatch(whole)) and (decimals or (whole and mark == ".")):
            found.append(Reading(Style("", mark if decimals else ""), f"{whole}.{decimals}".rstrip(".")))
        elif groups and groups[1] != mark and decimals:
            found.append(Reading(Style(groups[1], mark), f"{whole.replace(groups[1], '')}.{decimals}"))
    return tuple(found)


def read_by(style: Style, ways: Iterable[Reading]) -> tuple[Reading, ...]:
    """Return those ways to read a number that a style allows."""
    return tuple(way for way in ways if style.agrees(way.style))


def two_numbers(text: str) -> tuple[str, str]:
    """Return how to write both numbers that 1,200 or 1.200 may be, the second with its decimal mark.

    >>> two_numbers("1.200"), two_numbers("1,234"), two_numbers("12.000")
    (('1200', '1.2'), ('1234', '1,2340'), ('12000', '12'))
    """
    mark = "," if "," in text else "."
    whole, decimals = text.split(mark)
    second = f"{text.rstrip('0').rstrip(mark)}" if decimals.endswith("0") else f"{text}0"
    return f"{whole}{decimals}", second


def settled(votes: Counter[Style]) -> tuple[Style, dict[Style, Style]]:
    """Return the style of most numbers of a file, and each style that contradicts it, with one that it contradicts.

    `votes` are how many numbers are written in each style, in the order of the file.
    """
    style, taken = Style(), list[Style]()
    against: dict[Style, Style] = {}
    for one, _ in votes.most_common():
        if style.agrees(one):
            style = style.joined(one)
            taken.append(one)
        else:
            against[one] = next(other for other in taken if not other.agrees(one))
    return style, against


def named(style: Style) -> str:
    """Return what a style has, in words.

    >>> named(Style(",", ".")), named(Style("", ","))
    ('a comma between thousands and a decimal point', 'a decimal comma')
    """
    thousands = f"{_NAMES[style.thousands]} between thousands" if style.thousands else ""
    decimal = f"a decimal {_NAMES[style.decimal].removeprefix('a ')}" if style.decimal else ""
    return " and ".join(filter(None, (thousands, decimal)))


def unmistakable(number: float) -> str:
    """Return a number as a file is to hold it: 1.125, which might be taken for 1125, as 1.1250, and 4.0 as 4.

    >>> unmistakable(1.125), unmistakable(0.125), unmistakable(12.5), unmistakable(7), unmistakable(4.0)
    ('1.1250', '0.125', '12.5', '7', '4')
    """
    whole = isinstance(number, int) or (number.is_integer() and abs(number) < _EXACT)
    text = str(int(number)) if whole else repr(float(number))
    return f"{text}0" if len(readings(text.lstrip("-"))) > 1 else text
