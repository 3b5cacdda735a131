"""What is on hand of a variety, week by week, as plants become ready, are sold and pass their best."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecast.season.season import Season
from forecast.season.targets import Target
from forecast.streams import Array, Streams


def drawn_demand(streams: Streams, row: Target) -> Array:
    """Return the demand of a target [plants] in every draw, shape (draws,): one number, or drawn from its range."""
    if row.demand is None:
        return np.full(streams.draws, float(row.median_demand))
    return row.demand.at(streams.normal(row.owner, "demand"))


def sales_of(season: Season, streams: Streams, variety: str) -> list[tuple[int, Array]]:
    """Return the number of the week of each target of a variety, and its demand, shape (draws,)."""
    return [(row.week - season.first_week, drawn_demand(streams, row)) for row in season.targets_of(variety)]


def sampled(ready: Array, plants: int | NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.int32]:
    """Sample one history a draw of the number ready, shape (weeks, draws) [plants].

    `ready` is the share of the plants that have become saleable by each week, shape (weeks, draws), and `plants` the
    number delivered, one for all draws or shape (draws,).
    """
    some = np.flatnonzero(np.diff(ready, axis=0, prepend=0).any(axis=1))
    weeks = slice(int(some[0]), int(some[-1]) + 1) if some.size else slice(0)  # in which any become ready
    steps = np.diff(ready[weeks], axis=0, prepend=0, append=1).clip(min=0).T
    newly = rng.multinomial(plants, np.ascontiguousarray(steps))[:, :-1]
    counts = np.zeros(ready.shape, dtype=np.int32)
    counts[weeks] = np.cumsum(newly, axis=1, dtype=np.int32).T
    counts[weeks.stop :] = counts[weeks.stop - 1] if some.size else 0
    return counts


def earlier(ready: NDArray[Any], weeks: int | None) -> NDArray[Any]:
    """Return those that were ready `weeks` before, shape (weeks, draws): they are past their sale window."""
    before = np.zeros_like(ready)
    if weeks is not None:
        before[weeks:] = ready[:-weeks]
    return before


def on_hand(ready: NDArray[Any], saleable_weeks: int | None, sales: Sequence[tuple[int, Array]]) -> tuple[Array, Array]:
    """Return the plants on hand in each week, before and after that week's sale, two arrays of shape (weeks, draws).

    Of the plants that have become saleable by each week, shape (weeks, draws), each keeps its grade for
    `saleable_weeks` (None: for the whole season). `sales` are numbers of weeks with the plants asked for, shape
    (draws,). The oldest plants are sold first; what cannot be had is not sold later.
    """
    sold = dict(sales)
    past = earlier(ready, saleable_weeks)
    gone = np.zeros(ready.shape[1])
    before, after = np.empty(ready.shape), np.empty(ready.shape)
    for week in range(ready.shape[0]):
        gone = np.maximum(gone, past[week])
        before[week] = ready[week] - gone
        if week in sold:
            gone = gone + np.minimum(before[week], sold[week])
        after[week] = ready[week] - gone
    return before, after
