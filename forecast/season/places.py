"""The rows of places and climate: growing areas, and how warm it is outside."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Annotated

import numpy as np
from pydantic import Field

from forecast.errors import in_order, refuse
from forecast.season.cells import (
    AboveZero,
    Celsius,
    Counted,
    FromZero,
    Money,
    Name,
    Note,
    Row,
    ShareCell,
    Unit,
    WeekCell,
)
from forecast.streams import Array
from forecast.weather.climate import Climate
from forecast.weeks import Week


class Place(Row):
    """One growing area.

    Parameters
    ----------
    place
        Its name.
    area
        Floor or bench area [m²].
    usable
        Share of the area on which plants can stand [0 to 1].
    cost_per_m2_week
        Cost per square metre of bench and week [currency].
    warmer_by
        How much warmer it is than outside, day and night [°C].
    held_above
        Temperature that heating maintains at least [°C].
    shaded_by
        How much shade lowers the daily maximum [°C].
    first_week, last_week
        First and last week of use. Empty: always. A place that closes in between has one row for each time it is open.
    """

    place: Name
    area: Annotated[AboveZero, Unit(Unit.AREA)]
    usable: Annotated[ShareCell, Field(gt=0)]
    cost_per_m2_week: Money = 0.0
    warmer_by: Annotated[Celsius, Field(ge=0, le=40)] = 0.0
    held_above: Celsius | None = None
    shaded_by: Annotated[Celsius, Field(ge=0, le=40)] = 0.0
    first_week: WeekCell | None = None
    last_week: WeekCell | None = None
    note: Note = None

    def checks(self) -> Iterable[Callable[[], object]]:
        """Return the checks of cells beside each other."""
        return [lambda: in_order(vars(self), "first_week", "last_week")]

    def air(self, t_min: Array, t_max: Array) -> tuple[Array, Array]:
        """Return the mean daily minimum and maximum [°C] in it from those outside, arrays of the same shape.

        Notes
        -----
        Both rise by `warmer_by`; shade lowers the maximum; heating holds both above `held_above`; the maximum
        never falls below the minimum.
        """
        t_min, t_max = t_min + self.warmer_by, t_max + self.warmer_by - self.shaded_by
        if self.held_above is not None:
            t_min = np.maximum(t_min, self.held_above)
        return t_min, np.maximum(t_max, t_min)

    def bench(self, week: Week) -> float:
        """Return the area [m²] on which plants can stand in a week."""
        closed = (self.first_week and week < self.first_week) or (self.last_week and week > self.last_week)
        return 0.0 if closed else self.area * self.usable


class Normal(Row):
    """Climate normals of one month or week of the year, outside.

    Parameters
    ----------
    month
        1 (January) to 12. Or:
    week
        ISO week, 1 to 52; a week 53 lies between 52 and 1.
    t_min, t_max
        Mean daily minimum and maximum [°C].
    t_mean
        Mean temperature [°C], if it is published and is not (t_min + t_max) / 2. Minimum and maximum are then shifted
        so that it is their middle, and degree-days follow it. Days in ``weather.csv`` are taken as they are.
    year_sd
        Standard deviation between years of the mean temperature of the month or week [°C]. Published normals rarely
        state it; compute it from monthly means of at least 10 years.
    source
        Where the figures come from.
    """

    month: Annotated[Counted, Field(le=12)] | None = None
    week: Annotated[Counted, Field(le=52)] | None = None
    t_min: Celsius
    t_max: Celsius
    t_mean: Celsius | None = None
    year_sd: Annotated[FromZero, Unit(Unit.CELSIUS)]
    source: Note = None
    note: Note = None

    def checks(self) -> Iterable[Callable[[], object]]:
        """Return the checks of cells beside each other."""
        return self._dated, (lambda: in_order(vars(self), "t_min", "t_mean", "t_max"))

    def _dated(self) -> None:
        if (self.month is None) == (self.week is None):
            filled = "neither" if self.month is None else "both"
            raise refuse("month", None, f"{filled} of month and week filled", "Fill one of the two.")

    @property
    def about_mean(self) -> tuple[float, float]:
        """Minimum and maximum [°C] whose middle is the mean temperature, as published if `t_mean` is filled."""
        shift = 0.0 if self.t_mean is None else self.t_mean - (self.t_min + self.t_max) / 2
        return self.t_min + shift, self.t_max + shift


def climate_of(rows: Sequence[Normal], persistence: float) -> Climate:
    """Return the climate of rows of months or weeks, in any order; `Refused` if they do not make a year."""
    inorder = sorted(rows, key=lambda row: row.month or row.week or 0)
    t_min, t_max = ([row.about_mean[at] for row in inorder] for at in (0, 1))
    return Climate(t_min, t_max, [row.year_sd for row in inorder], persistence)
