"""ISO 8601 weeks, and days; weeks start on Monday, week 1 holds 4 January, a year has 52 or 53."""

from __future__ import annotations

import re
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime
from functools import total_ordering
from typing import Any

from forecast.errors import refuse

_WRITTEN = re.compile(r"(\d{4})-W(\d{2})")
_DAY = re.compile(r"([0-9]{1,4})([-/.]) ?([0-9]{1,2})\2 ?([0-9]{1,4})")
_NEARLY = re.compile(r"(\d{4})[ -]?[Ww](?:eek)?[ -]?(\d{1,2})")
_WEEK = "Write it as year and week number, such as 2027-W14."
_LAST_YEAR = 9998
_LAST_DAY = date(_LAST_YEAR, 12, 31).toordinal()


@total_ordering
@dataclass(frozen=True)
class Week:
    """One ISO 8601 week.

    Parameters
    ----------
    year
        ISO year, 1 to 9998; it can differ from the calendar year around New Year.
    week
        Week of that year, 1 to 52 or 53.

    Raises
    ------
    Refused
        If the year has no such week, or a sum leaves these years.

    References
    ----------
    ISO 8601-1:2019, Date and time, representations for information interchange.

    Examples
    --------
    >>> week = Week.parse("2026-W52")
    >>> str(week + 1), str(week + 2)
    ('2026-W53', '2027-W01')
    >>> (week + 2) - week
    2
    """

    year: int
    week: int

    def __post_init__(self) -> None:
        held = "years run from 1 to 9998"
        if 1 <= self.year <= _LAST_YEAR:
            last = date(self.year, 12, 28).isocalendar().week
            if 1 <= self.week <= last:
                return
            held = f"{self.year} has weeks 01 to {last}"
        remedy = "Write a week as year and week number, such as 2027-W14."
        raise refuse("week", str(self), f"there is no such week; {held}", remedy)

    @classmethod
    def parse(cls, text: str | Week) -> Week:
        """Return the week of a text such as ``2027-W14``; a `Week` passes through.

        Raises
        ------
        Refused
            If the text is not a week or the year has no such week.
        """
        if isinstance(text, Week):
            return text
        match = _WRITTEN.fullmatch(text.strip()) if isinstance(text, str) else None
        if match is None:
            raise refuse("week", text, "not a week", _remedy(text))
        return cls(int(match[1]), int(match[2]))

    @classmethod
    def of(cls, day: date) -> Week:
        """Return the week that holds a day."""
        year, week, _ = day.isocalendar()
        return cls(year, week)

    @property
    def monday(self) -> date:
        """First day of the week."""
        return date.fromisocalendar(self.year, self.week, 1)

    def __str__(self) -> str:
        return f"{self.year:04d}-W{self.week:02d}"

    def __lt__(self, other: Week) -> bool:
        if not isinstance(other, Week):
            return NotImplemented
        return (self.year, self.week) < (other.year, other.week)

    def __add__(self, weeks: int) -> Week:
        day = self.monday.toordinal() + 7 * weeks
        if not 1 <= day <= _LAST_DAY:
            raise refuse("week", f"{self} {weeks:+,} weeks", "no calendar goes that far", "Give a smaller number.")
        return Week.of(date.fromordinal(day))

    def __sub__(self, other: Week) -> int:
        if not isinstance(other, Week):
            return NotImplemented
        return (self.monday - other.monday).days // 7


FIRST, LAST = Week(1, 1), Week(_LAST_YEAR, 52)  # that there are


def _remedy(written: object) -> str:
    """Return how to write a week, with the week that is meant if that is clear."""
    if isinstance(written, str):
        parts = _NEARLY.fullmatch(written.strip())
        if parts and 1 <= int(parts[2]) <= 52:
            return f"Write {parts[1]}-W{int(parts[2]):02d}."
        days = _days(written.strip()) or ()
    else:
        days = (written,) if isinstance(written, date) else ()
    weeks = dict.fromkeys("{}-W{:02d}".format(*day.isocalendar()) for day in days)
    return f"That day lies in {' or '.join(weeks)}; write the week." if weeks else _WEEK


def _days(text: str) -> tuple[date, ...] | None:
    """Return the days that year, month and day in figures may be: two for 03/04/2025; None if a text is none of it.

    The year has four figures and comes first, before month and day, or last.
    """
    found = _DAY.fullmatch(text)
    if not found:
        return None
    first, _, middle, last = found.groups()
    if len(first) == 4 and len(last) <= 2:
        orders = [(first, middle, last)]
    elif len(last) == 4 and len(first) <= 2:
        orders = [(last, middle, first), (last, first, middle)]
    else:
        return None
    days: dict[date, None] = {}
    for order in orders:
        with suppress(ValueError):
            days[date(*map(int, order))] = None
    return tuple(days)


def read_day(cell: Any) -> date:
    """Return the day of a cell: a date, or text such as 2027-04-13, of the years 1900 to 2199.

    Text in another order, such as 13/04/2027, is read if it can be one day alone. Other cells, which
    may settle the order, are not known here.
    """
    remedy = "Write year, month and day, such as 2027-04-13."
    if isinstance(cell, datetime) and cell.time() != datetime.min.time():
        raise refuse("date", str(cell), "a time of day, too", "Write the day alone, such as 2027-04-13.")
    if isinstance(cell, date):
        days: tuple[date, ...] | None = (cell.date() if isinstance(cell, datetime) else cell,)
    else:
        days = _days(cell.strip()) if isinstance(cell, str) else None
    if days is None:
        raise refuse("date", str(cell), "not a date", remedy)
    if not days:
        raise refuse("date", str(cell), "there is no such day", remedy)
    if not 1900 <= days[0].year < 2200:
        raise refuse("date", str(cell), "not a plausible year", remedy)
    if len(days) > 1:
        either = f"Write {days[0]} or {days[1]} (year-month-day), whichever is meant."
        raise refuse("date", str(cell), "could be read in two ways", either)
    return days[0]
