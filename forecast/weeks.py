"""ISO 8601 weeks, and days; weeks start on Monday, week 1 holds 4 January, a year has 52 or 53."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime
from functools import total_ordering
from typing import Any

from forecast.errors import refuse

_WRITTEN = re.compile(r"(\d{4})-W(\d{2})")
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
_NEARLY = re.compile(r"(\d{4})[ -]?[Ww](?:eek)?[ -]?(\d{1,2})")
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


def _remedy(written: object) -> str:
    """Return how to write a week, with the week that is meant if that is clear."""
    day = written
    if isinstance(written, str):
        parts = _NEARLY.fullmatch(written.strip())
        if parts and 1 <= int(parts[2]) <= 52:
            return f"Write {parts[1]}-W{int(parts[2]):02d}."
        try:
            day = date.fromisoformat(written.strip())
        except ValueError:
            day = None
    if isinstance(day, date):
        year, week, _ = day.isocalendar()
        return f"That day lies in {year}-W{week:02d}; write the week."
    return "Write it as year and week number, such as 2027-W14."


def read_day(cell: Any) -> date:
    """Return the day of a cell: a date, or text such as 2027-04-13, of the years 1900 to 2199."""
    remedy = "Write year, month and day, such as 2027-04-13."
    day = None
    if isinstance(cell, datetime):
        if cell.time() != datetime.min.time():
            raise refuse("date", str(cell), "a time of day, too", "Write the day alone, such as 2027-04-13.")
        day = cell.date()
    elif isinstance(cell, date):
        day = cell
    elif isinstance(cell, str) and _DAY.fullmatch(cell.strip()):
        try:
            day = date.fromisoformat(cell.strip())
        except ValueError:
            raise refuse("date", cell, "there is no such day", remedy) from None
    if day is None:
        raise refuse("date", str(cell), "not a date", remedy)
    if not 1900 <= day.year < 2200:
        raise refuse("date", str(cell), "not a plausible year", remedy)
    return day
