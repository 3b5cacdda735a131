"""What becomes ready of a variety, week by week, and what is wanted of it, in every draw."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from forecast.fates.fate import Batch
from forecast.rounding import near_whole
from forecast.season.orders import SALEABLE
from forecast.season.season import Season
from forecast.season.targets import Target
from forecast.streams import Array, Streams

SEASON = ("season",)
"""Whose scores the factors are that all demand, and all sale prices, share."""


def drawn_demand(streams: Streams, row: Target) -> Array:
    """Return the demand of a target [plants] in every draw, shape (draws,): one number, or drawn from its range.

    How all demand varies from season to season is left out: see `demand_of`.
    """
    if row.demand is None:
        return np.full(streams.draws, float(row.median_demand))
    return row.demand.at(streams.normal(row.owner, "demand"))


def demand_of(season: Season, streams: Streams, row: Target) -> Array:
    """Return the demand of a target over all its weeks [plants] in every draw, shape (draws,), whole numbers."""
    if not season.demand_cv:
        return drawn_demand(streams, row)
    factor = factor_at(season.demand_cv, streams.normal(SEASON, "demand"))
    amount = row.median_demand if row.demand is None else row.demand.amount.at(streams.normal(row.owner, "demand"))
    return np.floor(amount * factor + 0.5)


def weekly_demand(season: Season, streams: Streams, row: Target) -> Array:
    """Return the plants that are wanted of a target in each of its weeks, whole numbers, shape (weeks, draws).

    Of a demand D the plants wanted by the end of a week are D times the share of its profile, rounded, half upwards.
    """
    return by_week(demand_of(season, streams, row), season.sold_by(row))


def by_week(demand: Array, shares: Array) -> Array:
    """Return demands, shape (draws,), in whole plants by week if such shares are wanted by each, shape (weeks, draws).

    Examples
    --------
    >>> by_week(np.array([10.0, 3.0]), np.array([0.25, 0.5, 0.75, 1.0])).T.tolist()
    [[3.0, 2.0, 3.0, 2.0], [1.0, 1.0, 0.0, 1.0]]
    """
    if shares.size == 1:
        return demand[None]
    return np.diff(np.floor(near_whole(shares[:, None] * demand + 0.5)), axis=0, prepend=0)


def price_factor(season: Season, streams: Streams) -> Array:
    """Return what sale prices are multiplied by in every draw, shape (draws,), or (1,) if they do not vary."""
    return factor_at(season.price_cv, streams.normal(SEASON, "price")) if season.price_cv else np.ones(1)


def factor_at(cv: float, score: ArrayLike) -> Array:
    """Return a log-normal factor of mean 1 at normal scores, its standard deviation being `cv`."""
    variance = math.log1p(cv**2)
    return np.asarray(np.exp(math.sqrt(variance) * np.asarray(score, dtype=np.float64) - variance / 2))


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


def earlier(ready: NDArray[Any], weeks: int | None, aged: Array | None = None) -> NDArray[Any]:
    """Return those that were ready `weeks` before, shape (weeks, draws): they are past their sale window.

    So are plants that were saleable before the season, those `aged` (see `aged_of`) by each week, shape (weeks,).
    """
    before = np.zeros_like(ready)
    if weeks is not None:
        before[weeks:] = ready[: max(len(ready) - weeks, 0)]
    return before if aged is None else np.maximum(before, aged[:, None].astype(before.dtype))


def aged_of(season: Season, batches: Sequence[Batch]) -> Array | None:
    """Return the plants of a variety that were saleable before the season and are past their sale window by each week.

    Of shape (weeks,) [plants]; None if there are none of them. They are the oldest of its batches.
    """
    if not any(map(old, batches)):
        return None
    found, weeks = np.zeros(season.weeks), np.arange(season.weeks)
    for batch in filter(old, batches):
        life = season.variety(batch.variety).saleable_weeks
        if life is not None:
            found[weeks + age_of(season, batch) >= life] += batch.quantity
    return found


def age_of(season: Season, batch: Batch) -> int:
    """Return for how many weeks the plants of a batch were saleable before the season; 0 if they were not yet."""
    return season.first_week - batch.there.since if batch.there is not None and old(batch) else 0


def old(batch: Batch) -> bool:
    """Say whether the plants of a batch were saleable when the season began."""
    return batch.there is not None and batch.there.stage == SALEABLE
