"""What is possible in records, but probably a slip: warned of, not refused."""

from __future__ import annotations

import statistics
from collections.abc import Iterator, Sequence
from datetime import date
from typing import Any

from forecast.errors import Fault
from forecast.records.batches import BatchRecord
from forecast.records.weather_rows import WeatherRecord
from forecast.season.consistency import Tables
from forecast.season.oddities import spelt_twice
from forecast.season.season import Season
from forecast.weather.climate import Climate
from forecast.weeks import Week
from forecast.words.numbers import figures

_MORE, _LESS = 1.5, 0.5  # received, as shares of what was ordered
_HALF, _PLANTS = 0.5, 20  # lost at one count, of at least so many
_DAYS = 1100  # from the delivery of a batch to its counts
_WARMEST, _COLDEST = 50.0, -50.0  # °C that hardly any place outside reaches
_LEAP, _NEAR = 20.0, 3  # °C from the mean of the days before and after, that are not farther than so many days
_ENOUGH, _OFF = 60, 5.0  # days, and °C from the normals, by which a climate is compared with weather


def odd_records(tables: Tables, season: Season | None = None) -> list[Fault]:
    """List what is odd in the rows of records, and in weather beside the climate of a season."""
    found = [*_received(tables), *_named_twice(tables), *_counted(tables), *_leaping(tables)]
    labs = [("batches", number, "lab", row.lab) for number, row in tables.rows.get("batches", ()) if row.lab]
    found += spelt_twice(labs)
    if season is not None and season.climate:
        found += _half_a_year_off([row for _, row in tables.rows["weather"]], season.normals)
    return found


def _received(tables: Tables) -> Iterator[Fault]:
    """List batches of which far more or fewer came than were ordered, or most were dead."""
    remedy = "Correct the one that is wrong, or leave it if it is meant."
    for number, row in tables.rows.get("batches", ()):
        if not _LESS * row.ordered <= row.received <= _MORE * row.ordered:
            problem = f"{row.received:,} received of {row.ordered:,} ordered"
            yield Fault(problem, remedy, "batches", number, "received", row.received)
        elif row.dead_on_arrival > _HALF * row.received:
            problem = f"more than half of the {row.received:,} received"
            yield Fault(problem, remedy, "batches", number, "dead_on_arrival", row.dead_on_arrival)


def _named_twice(tables: Tables) -> Iterator[Fault]:
    """List batches that are there under two names."""
    first: dict[tuple[Any, ...], tuple[int, BatchRecord]] = {}
    for number, row in tables.rows.get("batches", ()):
        key = (row.variety, row.lab, row.delivered, row.ordered, row.received, row.dead_on_arrival)
        if key in first and first[key][1].batch != row.batch:
            before, other = first[key]
            problem = f"but for its name the same as {other.batch!r} in row {before}"
            remedy = "Keep one of the two rows if it is one batch."
            yield Fault(problem, remedy, "batches", number, "batch", row.batch)
        first.setdefault(key, (number, row))
    names = [("batches", number, "batch", row.batch) for number, row in tables.rows.get("batches", ())]
    yield from spelt_twice(names, letters=False)


def _counted(tables: Tables) -> Iterator[Fault]:
    """List counts at which most plants are lost, and those years after the delivery."""
    delivered: dict[str, date] = {row.batch: row.delivered for _, row in tables.rows.get("batches", ())}
    for number, row in tables.rows.get("counts", ()):
        found = row.alive + row.losses
        if found >= _PLANTS and row.losses > _HALF * found:
            problem = f"more than half of {found:,} plants"
            remedy = "Check that alive and losses are not swapped, or leave it if it is meant."
            yield Fault(problem, remedy, "counts", number, "losses", row.losses)
        if (row.date - delivered.get(row.batch, row.date)).days > _DAYS:
            problem, remedy = f"years after the delivery on {delivered[row.batch]}", "Check the year."
            yield Fault(problem, remedy, "counts", number, "date", str(row.date))


def _leaping(tables: Tables) -> Iterator[Fault]:
    """List days that hardly any place outside has, and those that lie far from the days beside them."""
    rows: Sequence[tuple[int, WeatherRecord]] = sorted(tables.rows["weather"], key=lambda pair: pair[1].date)
    remedy = "Write °C: (F - 32) / 1.8 from Fahrenheit."
    for at, (number, row) in enumerate(rows):
        beside = [one for _, one in rows[max(at - 1, 0) : at + 2] if 0 < abs((one.date - row.date).days) <= _NEAR]
        for column in ("t_min", "t_max"):
            value = getattr(row, column)
            usual = statistics.mean(getattr(one, column) for one in beside) if beside else value
            if not _COLDEST <= value <= _WARMEST:
                yield Fault("hardly any place has such a day", remedy, "weather", number, column, value)
            elif abs(value - usual) > _LEAP:
                problem = f"more than {figures(_LEAP)} °C from the days beside it, {usual:.1f} °C on average"
                yield Fault(problem, remedy, "weather", number, column, value)


def _half_a_year_off(rows: Sequence[WeatherRecord], climate: Climate) -> Iterator[Fault]:
    """List a climate that lies half a year beside the weather that was measured."""
    if len(rows) < _ENOUGH:
        return
    off, shifted = (_departure(rows, one) for one in (climate, climate.shifted(26)))
    if off > _OFF and shifted < off / 2:
        problem = f"{off:.1f} °C from the climate on average, {shifted:.1f} °C from the one of half a year later"
        remedy = "Check climate.csv: it seems to be that of the other half of the Earth."
        yield Fault(problem, remedy, "weather", None, "t_min")


def _departure(rows: Sequence[WeatherRecord], climate: Climate) -> float:
    """Return how far days lie from normals on average [°C]."""
    usual = {week: sum(climate.normal(week)) / 2 for week in {Week.of(row.date) for row in rows}}
    return statistics.mean(abs((row.t_min + row.t_max) / 2 - usual[Week.of(row.date)]) for row in rows)
