"""Days and weeks as people write them: which ones a text may be."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from contextlib import suppress
from datetime import date, timedelta

from forecast.errors import Refused
from forecast.weeks import Week

_MONTHS = (
    "january januar janvier januari enero", "february februar février fevrier februari febrero",
    "march märz maerz mars maart mrt marzo", "april avril abril", "may mai mei mayo", "june juni juin junio",
    "july juli juillet julio", "august août aout augustus agosto", "september septembre septiembre setiembre",
    "october oktober octobre octubre", "november novembre noviembre", "december dezember décembre decembre diciembre",
)  # fmt: skip
_DAY_FIRST = re.compile(
    r"([0-9]{1,2})(?:\.|st|nd|rd|th|er)?[ -]?(?:de |of )?([^\W\d_]{3,})\.?,?[ -]?(?:de )?([0-9]{4})"
)
_MONTH_FIRST = re.compile(r"([^\W\d_]{3,})\.? ?([0-9]{1,2})(?:st|nd|rd|th)?,? ([0-9]{4})")
_FIGURES = re.compile(r"([0-9]{1,4})([-/.]) ?([0-9]{1,2})\2 ?([0-9]{1,4})")
_WEEK = re.compile(r"([0-9]{4})[ ,/-]*(?:w|wk|week|kw|s|sem|semaine|woche|semana)[ .-]?([0-9]{1,2})")
_WEEK_FIRST = re.compile(
    r"(?:w|wk|week|kw|s|sem|semaine|woche|semana)[ .-]?([0-9]{1,2})(?:,|/|-| |of|de|van)* ?([0-9]{4})"
)
_OF_YEAR = re.compile(r"([0-9]{1,2}) ?/ ?([0-9]{4})")
_FIRST_SERIAL, _LAST_SERIAL = date(2000, 1, 1), date(2100, 1, 1)
DAY_FIRST, MONTH_FIRST = "day", "month"


def _named_months() -> dict[str, int]:
    """Return the months by their names, and by beginnings of at least three letters that only one of them has."""
    found: dict[str, set[int]] = {}
    for number, names in enumerate(_MONTHS, start=1):
        for name in names.split():
            for end in range(3, len(name) + 1):
                found.setdefault(name[:end], set()).add(number)
    return {name: min(numbers) for name, numbers in found.items() if len(numbers) == 1}


_NAMED = _named_months()


def days(text: str, base: date) -> dict[str, date]:
    """Return the days that a text may be, by what its figures begin with; a day without such a choice by "".

    The text is in small letters, with single spaces. Serial days count from `base`. Two days are two readings, as of
    03/04/2027; two of the same day are one.

    Examples
    --------
    >>> base = date(1899, 12, 30)
    >>> [str(day) for day in days("5 april 2027", base).values()], [str(day) for day in days("46482", base).values()]
    (['2027-04-05'], ['2027-04-05'])
    >>> {order: str(day) for order, day in days("03/04/2027", base).items()}
    {'day': '2027-04-03', 'month': '2027-03-04'}
    """
    found = dict(_days(text, base))
    return {"": next(iter(found.values()))} if len(set(found.values())) == 1 and len(found) == 2 else found


def _days(text: str, base: date) -> Iterator[tuple[str, date]]:
    if text.isdecimal():
        day = base + timedelta(days=int(text)) if len(text) == 5 else base
        if _FIRST_SERIAL <= day < _LAST_SERIAL:
            yield "", day
        return
    parts: list[tuple[str, int, int, int]] = []
    if named := _DAY_FIRST.fullmatch(text):
        parts = [("", int(named[3]), _NAMED.get(named[2], 0), int(named[1]))]
    elif named := _MONTH_FIRST.fullmatch(text):
        parts = [("", int(named[3]), _NAMED.get(named[1], 0), int(named[2]))]
    elif figures := _FIGURES.fullmatch(text):
        one, middle, last = int(figures[1]), int(figures[3]), int(figures[4])
        if len(figures[1]) == 4 and len(figures[4]) <= 2:
            parts = [("", one, middle, last)]
        elif len(figures[4]) == 4 and len(figures[1]) <= 2:
            parts = [(DAY_FIRST, last, middle, one), (MONTH_FIRST, last, one, middle)]
    for order, *ymd in parts:
        with suppress(ValueError):
            yield order, date(*ymd)


def weeks(text: str) -> Iterator[Week]:
    """Yield the week that a text in small letters names with its year, if any.

    >>> [str(week) for text in ("2027w14", "w14 2027", "week 14 2027", "2027 w 5") for week in weeks(text)]
    ['2027-W14', '2027-W14', '2027-W14', '2027-W05']
    """
    if found := _WEEK.fullmatch(text):
        yield from _week(found[1], found[2])
    elif found := _WEEK_FIRST.fullmatch(text):
        yield from _week(found[2], found[1])


def week_of_year(text: str) -> tuple[Week, bool] | None:
    """Return the week of a text such as 14/2027, and whether it may be a month, as 4/2027 is."""
    if found := _OF_YEAR.fullmatch(text):
        for week in _week(found[2], found[1]):
            return week, int(found[1]) <= len(_MONTHS)
    return None


def _week(year: str, week: str) -> Iterator[Week]:
    with suppress(Refused):
        yield Week(int(year), int(week))


def order_of(texts: Iterable[dict[str, date]]) -> str:
    """Return what comes first in the figures of a file's days, if those that can be read in one way all agree."""
    orders = {next(iter(ways)) for ways in texts if len(ways) == 1} - {""}
    return orders.pop() if len(orders) == 1 else ""
