"""Daily records of weather stations: read, checked and summed up by month."""

from __future__ import annotations

import calendar
import math
from collections.abc import Sequence
from datetime import date, datetime
from numbers import Real

import numpy as np
from numpy.typing import NDArray

from forecast.errors import Fault, Refused, refuse
from forecast.streams import Array

Days = NDArray[np.int64]

COLDEST, WARMEST = -90.0, 60.0  # no air is colder or warmer [°C]
_MOST_MISSING, _MOST_RUNNING = 5, 3  # days a month may lack, and may lack in a row


def read_days(
    dates: Sequence[object], t_min: Sequence[object], t_max: Sequence[object], unit: str
) -> tuple[Days, Array, Array]:
    """Return the ordinals of the days on which both minimum and maximum were measured, in order, with both [°C].

    Dates may be written as 2027-04-13, in any order; temperatures are in `unit`, ``C`` or ``F``, and None, empty or NaN
    where nothing was measured. `Refused` with every fault: what is not a date, a repeated day, what is not an air
    temperature, a maximum below its minimum. The header is row 1.
    """
    if not len(dates) == len(t_min) == len(t_max):
        counts = f"{len(dates)} dates, {len(t_min)} minima, {len(t_max)} maxima"
        raise refuse("date", counts, "columns of different length", "Give all three for every day.")
    faults: list[Fault] = []
    seen: dict[int, int] = {}
    record: list[tuple[float, float, float]] = []
    for row, (written, *pair) in enumerate(zip(dates, t_min, t_max, strict=True), 2):
        day = _day(written)
        if day is None:
            faults.append(Fault("not a date", "Write it as 2027-04-13.", "record", row, "date", written))
        elif day in seen:
            faults.append(repeated_day("record", row, date.fromordinal(day), seen[day]))
        else:
            seen[day] = row
        least, most = (
            _celsius(value, unit, row, column, faults) for column, value in zip(("t_min", "t_max"), pair, strict=True)
        )
        if most < least:
            faults.append(max_below_min("record", row, "t_max", *pair[::-1]))
        if day is not None and not math.isnan(least + most):
            record.append((day, least, most))
    if faults:
        raise Refused(faults)
    table = np.array(sorted(record), dtype=np.float64).reshape(-1, 3)
    return table[:, 0].astype(np.int64), table[:, 1], table[:, 2]


def months_measured(days: Days, t_min: Array, t_max: Array) -> list[Array]:
    """Return the mean minimum and maximum of every month that was measured well enough, by month of the year.

    The days are in order, as from `read_days`; the twelve arrays have shape (years, 2) [°C].
    """
    dates = [date.fromordinal(int(day)) for day in days]
    months = np.array([12 * day.year + day.month - 1 for day in dates], dtype=np.int64)
    means: list[list[tuple[float, float]]] = [[] for _ in range(12)]
    for month in np.unique(months):
        here = slice(*np.searchsorted(months, [month, month + 1]))
        if _counts(days[here], dates[here.start].replace(day=1)):
            means[month % 12].append((float(t_min[here].mean()), float(t_max[here].mean())))
    return [np.array(known, dtype=np.float64).reshape(-1, 2) for known in means]


def repeated_day(table: str, row: int, day: date, first: int) -> Fault:
    """Return the fault of a day that is in the row `first` already."""
    return Fault(f"the day is in row {first} already", "Keep one row a day.", table, row, "date", str(day))


def not_air_temperature(table: str, row: int | None, column: str, value: object) -> Fault:
    """Return the fault of a number that is not an air temperature in °C."""
    remedy = "Give a temperature in °C; from °F it is (°F - 32) / 1.8."
    return Fault("not an air temperature in °C", remedy, table, row, column, value)


def max_below_min(table: str, row: int | None, column: str, t_max: object, t_min: object) -> Fault:
    """Return the fault of a maximum below its minimum."""
    remedy = "Give the minimum first, then the maximum."
    return Fault(f"the maximum is below the minimum of {t_min}", remedy, table, row, column, t_max)


def number(value: object) -> float:
    """Return a value as a float; NaN if it is not a number."""
    try:
        return float(value)  # type: ignore[arg-type]
    except OverflowError:  # a whole number beyond all floats
        return math.inf
    except (TypeError, ValueError):
        return math.nan


def _celsius(value: object, unit: str, row: int, column: str, faults: list[Fault]) -> float:
    """Return a temperature [°C]; NaN if there is none, and what is wrong is added to the faults."""
    found = number(value)
    absent = value is None or type(value).__name__ == "NAType"  # <NA> of pandas, which is not imported here
    blank = absent or (isinstance(value, str) and not value.strip())
    if blank or (isinstance(value, Real) and math.isnan(found)):
        return math.nan
    celsius = (found - 32) / 1.8 if unit == "F" else found
    if COLDEST <= celsius <= WARMEST:
        return celsius
    remedy = "Check the unit; leave a cell empty if nothing was measured."
    faults.append(Fault(f"not an air temperature in °{unit}", remedy, "record", row, column, value))
    return math.nan


def _day(written: object) -> int | None:
    try:
        if isinstance(written, np.datetime64):
            written = written.astype("datetime64[D]").item()
        if isinstance(written, str):
            written = date.fromisoformat(written.strip())
        if isinstance(written, datetime):
            written = written.date()
        return written.toordinal() if isinstance(written, date) else None
    except (TypeError, ValueError):
        return None


def _counts(days: Days, first: date) -> bool:
    """Return whether enough days of a month were measured."""
    length = calendar.monthrange(first.year, first.month)[1]
    before = first.toordinal() - 1
    running = np.diff([before, *days, before + length + 1]).max() - 1
    return length - len(days) <= _MOST_MISSING and bool(running <= _MOST_RUNNING)
