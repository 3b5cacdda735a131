"""The rows of measured weather, and checks of them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from typing import Annotated, Self

from pydantic import AfterValidator, model_validator

from forecast.errors import Fault
from forecast.records.batches import DateCell
from forecast.season.cells import Note, Number, Row, wrong
from forecast.season.season import Season
from forecast.weather.station import COLDEST, WARMEST, max_below_min, not_air_temperature, repeated_day
from forecast.weeks import Week
from forecast.words.numbers import figures

_TOO_WARM = 25.0  # above the normal of its week no day is so warm [°C]; common practice, no source


def _air(number: float) -> float:
    if not COLDEST <= number <= WARMEST:
        fault = not_air_temperature("", None, "", number)
        raise wrong(fault.problem, fault.remedy)
    return number


Air = Annotated[Number, AfterValidator(_air)]


class WeatherRecord(Row):
    """The temperature of the air outside on one day, as measured.

    Parameters
    ----------
    date
        The day, such as 2027-04-13. A day that was not measured has no row.
    t_min, t_max
        Its minimum and maximum [°C].
    """

    date: DateCell
    t_min: Air
    t_max: Air
    note: Note = None

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.t_max < self.t_min:
            fault = max_below_min("", None, "t_max", self.t_max, self.t_min)
            raise wrong(fault.problem, fault.remedy, "t_max", self.t_max)
        return self


def twice(rows: Iterable[tuple[int, WeatherRecord]]) -> Iterator[Fault]:
    """Return the days in more than one row; rows come with their numbers."""
    first: dict[date, int] = {}
    for number, row in rows:
        if row.date in first:
            yield repeated_day("weather", number, row.date, first[row.date])
        first.setdefault(row.date, number)


def too_warm(rows: Sequence[WeatherRecord], season: Season) -> Iterator[Fault]:
    """Return a fault if days are too warm for the climate of a season to be in °C."""
    if not season.climate:
        return
    usual = {week: sum(season.normals.normal(week)) / 2 for week in {Week.of(row.date) for row in rows}}
    days = [row for row in rows if (row.t_min + row.t_max) / 2 > usual[Week.of(row.date)] + _TOO_WARM]
    if days:
        more = f", as are {len(days) - 1:,} more days" if len(days) > 1 else ""
        problem = f"more than {figures(_TOO_WARM, 6)} °C above the climate normals of {Week.of(days[0].date)}{more}"
        remedy = "Write °C, (F - 32) / 1.8 from Fahrenheit, or check the climate."
        yield Fault(problem, remedy, "weather", None, "date", str(days[0].date))
