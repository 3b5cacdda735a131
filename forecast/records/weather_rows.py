"""The rows of measured weather, and checks of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import date
from typing import Annotated

from pydantic import AfterValidator

from forecast.errors import Fault, Refused
from forecast.records.batches import DateCell
from forecast.season.cells import Note, Number, Row, Unit, wrong
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


Air = Annotated[Number, AfterValidator(_air), Unit(Unit.CELSIUS)]


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

    def checks(self) -> Iterable[Callable[[], object]]:
        """Return the checks of cells beside each other."""
        return [self._ordered]

    def _ordered(self) -> None:
        if self.t_max < self.t_min:
            raise Refused([max_below_min("", None, "t_max", self.t_max, self.t_min)])


def twice(rows: Iterable[tuple[int, WeatherRecord]]) -> Iterator[Fault]:
    """Return the days in more than one row; rows come with their numbers."""
    first: dict[date, int] = {}
    for number, row in rows:
        if row.date in first:
            yield repeated_day("weather", number, row.date, first[row.date])
        first.setdefault(row.date, number)


def too_warm(rows: Sequence[WeatherRecord], season: Season, numbers: Mapping[int, int]) -> Iterator[Fault]:
    """Return a fault if days are too warm for a climate to be in °C; `numbers` are those of rows, by their identity."""
    if not season.climate:
        return
    usual = {week: sum(season.normals.normal(week)) / 2 for week in {Week.of(row.date) for row in rows}}
    days = [row for row in rows if (row.t_min + row.t_max) / 2 > usual[Week.of(row.date)] + _TOO_WARM]
    if days:
        more = f", as are {len(days) - 1:,} more days" if len(days) > 1 else ""
        problem = f"more than {figures(_TOO_WARM, 6)} °C above the climate normals of {Week.of(days[0].date)}{more}"
        remedy = "Write °C, (F - 32) / 1.8 from Fahrenheit, or check the climate."
        yield Fault(problem, remedy, "weather", numbers.get(id(days[0])), "date", str(days[0].date))
