"""Draws of an outcome with labels: where plants are, how many are saleable, and the area they take."""

from __future__ import annotations

import numpy as np
import xarray as xr

from forecast.growth.benches import elapsed
from forecast.growth.outcome import Outcome
from forecast.growth.stock import earlier


def plants_by_state(outcome: Outcome, variety: str) -> xr.DataArray:
    """Return the expected plants of a variety given the draw, by state, week and draw.

    States are the stages of its route, ``saleable``, ``past its best`` and ``lost``: they add to the plants delivered.
    """
    season = outcome.season
    names = [*(stage.stage for stage in season.route(variety)), "saleable", "past its best", "lost"]
    numbers = np.zeros((len(names), season.weeks, outcome.draws))
    for batch in outcome.drawn.batches_of(variety):
        since = elapsed(season, batch)
        alive, ready = outcome.fate(batch).course(since)
        past = earlier(ready, season.variety(variety).saleable_weeks)
        delivered = (since >= 0)[:, None]
        numbers += batch.quantity * np.array([*alive, ready - past, past, delivered - alive.sum(axis=0) - ready])
    labels = {"state": names, "week": [*map(str, outcome.weeks)]}
    return xr.DataArray(numbers, dims=("state", "week", "draw"), coords=labels)


def saleable_by_week(outcome: Outcome) -> xr.DataArray:
    """Return the saleable plants of one history a draw, by variety, week and draw."""
    labels = {"variety": list(outcome.varieties), "week": [*map(str, outcome.weeks)]}
    counts = np.array([outcome.saleable(name) for name in outcome.varieties])
    return xr.DataArray(counts, dims=("variety", "week", "draw"), coords=labels)


def area_by_place(outcome: Outcome) -> xr.Dataset:
    """Return the expected area [m²] and its standard deviation given the draw, by place, week and draw."""
    expected, variance = outcome.drawn.area()
    dims = ("place", "week", "draw")
    labels = {"place": list(outcome.season.place_names), "week": [*map(str, outcome.weeks)]}
    return xr.Dataset({"expected": (dims, expected), "deviation": (dims, np.sqrt(variance))}, coords=labels)
