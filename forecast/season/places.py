"""The rows of places and climate: where plants stand, and how warm it is outside."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Self

import numpy as np
from pydantic import Field, model_validator

from forecast.season.cells import AboveZero, Celsius, Counted, FromZero, Name, Note, Row, ShareCell, WeekCell, wrong
from forecast.streams import Array
from forecast.weather.climate import Climate
from forecast.weeks import Week


class Place(Row):
    """One growing space.

    Parameters
    ----------
    place
        Its name.
    area
        Floor or bench area [m²].
    usable
        Share of it on which plants can stand.
    cost_per_m2_week
        Cost of a square metre of bench for a week [currency].
    warmer_by
        How much warmer it is than outside, by day and by night [°C].
    held_above
        Temperature above which heating holds it [°C].
    shaded_by
        How much its shade lowers the maximum of the day [°C].
    first_week, last_week
        First and last week in which it can be used; without them, always. A place that closes in between
        has a row for each time it is open.
    """

    place: Name
    area: AboveZero
    usable: Annotated[ShareCell, Field(gt=0)]
    cost_per_m2_week: FromZero = 0.0
    warmer_by: Annotated[Celsius, Field(ge=0, le=40)] = 0.0
    held_above: Celsius | None = None
    shaded_by: Annotated[Celsius, Field(ge=0, le=40)] = 0.0
    first_week: WeekCell | None = None
    last_week: WeekCell | None = None
    note: Note = None

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.first_week and self.last_week and self.last_week < self.first_week:
            raise wrong(
                "the last usable week comes before the first",
                "Swap the two; a place that closes in between has a row for each time it is open.",
                "last_week",
                str(self.last_week),
            )
        return self

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
        shut = (self.first_week and week < self.first_week) or (self.last_week and week > self.last_week)
        return 0.0 if shut else self.area * self.usable


class Normal(Row):
    """The usual temperatures of one month or week of the year, outside.

    Parameters
    ----------
    month
        1 for January to 12; or
    week
        1 to 52 of the ISO year; a week 53 is taken between 52 and 1.
    t_min, t_max
        Mean daily minimum and maximum [°C].
    year_sd
        Standard deviation between years of the mean temperature of the month or week [°C]; normals seldom state it,
        a list of monthly means of 10 years or more gives it.
    source
        Where the figures come from.
    """

    month: Annotated[Counted, Field(le=12)] | None = None
    week: Annotated[Counted, Field(le=52)] | None = None
    t_min: Celsius
    t_max: Celsius
    year_sd: FromZero
    source: Note = None
    note: Note = None

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if (self.month is None) == (self.week is None):
            raise wrong(
                "neither a month nor a week" if self.month is None else "a month and a week", "Fill one.", "month"
            )
        if self.t_max < self.t_min:
            raise wrong("the maximum lies below the minimum", "Swap the two.", "t_max", self.t_max)
        return self


def climate_of(rows: Sequence[Normal], persistence: float) -> Climate:
    """Return the climate that rows of months or weeks tell, in whatever order they stand.

    Raises
    ------
    Refused
        If they do not make a year.
    """
    inorder = sorted(rows, key=lambda row: row.month or row.week or 0)
    t_min, t_max, spread = ([getattr(row, name) for row in inorder] for name in ("t_min", "t_max", "year_sd"))
    return Climate(t_min, t_max, spread, persistence)
