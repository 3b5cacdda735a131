"""Climates to start from: monthly normals of weather stations around the world."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from functools import cache

import pandas as pd

from forecast.defaults.lookup import not_known, rows_of, same_name, sources
from forecast.errors import real, refuse
from forecast.season.places import Normal

_COMMON = set("aero airport intl international ap field weather station the of".split())  # noqa: SIM905
_ROUNDED = 0.051  # how far (t_min + t_max) / 2 of rounded normals may lie from a rounded mean [°C]


@dataclass(frozen=True)
class Station:
    """A weather station, and its climate normals of 1991-2020.

    `latitude` and `longitude` are in degrees, south and west below 0; `elevation` is in m. `normals` are the rows of a
    season's table climate, with their source. `measured_sd` says whether its standard deviations between years come
    from a record; otherwise they are a judgement by `zone`.
    """

    name: str
    also: tuple[str, ...]
    country: str
    continent: str
    latitude: float
    longitude: float
    elevation: float
    normals: tuple[Normal, ...]
    source: str
    licence: str
    measured_sd: bool
    zone: str
    note: str

    @property
    def southern(self) -> bool:
        """Whether it lies south of the equator, where spring begins in September."""
        return self.latitude < 0


@cache
def stations() -> tuple[Station, ...]:
    """Return all stations."""
    months = defaultdict(list)
    for row in rows_of("climates.csv"):
        months[row["station"]].append(row)
    return tuple(_station(row, months[row["station"]]) for row in rows_of("stations.csv"))


def _station(row: dict[str, str], months: list[dict[str, str]]) -> Station:
    normals, between = sources()[row["source"]], sources()[row["year_sd_source"]]
    measured = not row["zone"]
    deviation = between.citation if measured else f"judgement for the {row['zone']}"
    source = f"{row['station']}, {row['country']}: {normals.citation}; year_sd: {deviation}"
    return Station(
        row["station"], tuple(filter(None, row["also"].split(";"))), row["country"], row["continent"],
        float(row["latitude"]), float(row["longitude"]), float(row["elevation"]),
        tuple(_normal(month, source) for month in months), source, normals.licence, measured, row["zone"], row["note"],
    )  # fmt: skip


def _normal(row: dict[str, str], source: str) -> Normal:
    """Return a row of a climate; its mean only where it is not that of minimum and maximum."""
    low, high, mean = (float(row[name]) if row[name] else math.nan for name in ("t_min", "t_max", "t_mean"))
    told = abs((low + high) / 2 - mean) > _ROUNDED
    return Normal(
        month=int(row["month"]), t_min=low, t_max=high, t_mean=mean if told else None,
        year_sd=float(row["year_sd"]), source=source,
    )  # fmt: skip


def _words(text: str) -> list[str]:
    words = same_name(text).split()
    return [word for word in words if word not in _COMMON] or words


def find_climate(name: str) -> Station:
    """Return the station of a place, as typed: its name, a part of it, or a city that it stands in for.

    Raises
    ------
    Refused
        If no station is of such a place, or more than one; the nearest names are offered.
    """
    asked, found = _words(name), list[Station]()
    for same in (_is, _begins, _is_within, _is_beyond):
        found = found or [one for one in stations() if any(same(asked, _words(word)) for word in (one.name, *one.also))]
    found = found or [one for one in stations() if asked == _words(one.country)]
    if len(found) == 1:
        return found[0]
    if found:
        several = " or ".join(repr(one.name) for one in found)
        raise refuse("climate", name, "more than one climate has this name", f"Did you mean {several}?")
    known = [word for one in stations() for word in (one.name.split()[0], one.name, *one.also)]
    raise not_known("climate", name, "climate", known)


def _is(asked: list[str], known: list[str]) -> bool:
    return asked == known


def _begins(asked: list[str], known: list[str]) -> bool:
    return bool(asked) and known[: len(asked)] == asked


def _is_within(asked: list[str], known: list[str]) -> bool:
    return bool(asked) and set(asked) <= set(known)


def _is_beyond(asked: list[str], known: list[str]) -> bool:
    return set(known) <= set(asked)


def nearest(latitude: float, longitude: float | None = None, *, number: int = 3) -> tuple[Station, ...]:
    """Return the stations nearest to a place, the nearest first; by latitude alone if its longitude is not given.

    South and west are below 0, so that a southern place gets southern seasons. `Refused` if it is not on Earth.

    Notes
    -----
    Great-circle distance, by the haversine formula.
    """
    real("latitude", latitude, ge=-90, le=90)
    if longitude is not None:
        real("longitude", longitude, ge=-180, le=180)

    def apart(one: Station) -> float:
        here = one.longitude if longitude is None else longitude
        return _arc((latitude, here), (one.latitude, one.longitude))

    same_side = [one for one in stations() if one.southern == (latitude < 0)]
    return tuple(sorted(same_side, key=apart)[:number])


def _arc(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Return the angle between two places on Earth [radians]."""
    (a, b), (c, d) = (map(math.radians, place) for place in (one, other))
    return 2 * math.asin(math.sqrt(math.sin((a - c) / 2) ** 2 + math.cos(a) * math.cos(c) * math.sin((b - d) / 2) ** 2))


def list_climates() -> pd.DataFrame:
    """Return a table of the stations: a row for each, by continent and name, its coldest and warmest month [°C].

    ``year_sd`` says whether the standard deviations between years are measured, or a judgement.
    """
    rows = []
    for one in sorted(stations(), key=lambda one: (one.continent, one.country, one.name)):
        means = [(row.t_min + row.t_max) / 2 if row.t_mean is None else row.t_mean for row in one.normals]
        between = "measured" if one.measured_sd else "judgement"
        side = f"{abs(one.latitude):.0f} {'S' if one.southern else 'N'}"
        rows.append((one.name, one.country, side, round(min(means)), round(max(means)), between))
    return pd.DataFrame(rows, columns=["climate", "country", "latitude", "coldest", "warmest", "year_sd"])
