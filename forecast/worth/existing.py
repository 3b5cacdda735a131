"""Plants of a variety that come in any case: those on hand when the season begins, and those ordered already."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np

from forecast.fates.fate import Batch, Fate
from forecast.growth.benches import elapsed
from forecast.growth.simulation import batches_on_hand, draw_fate, fate_of
from forecast.growth.stock import aged_of, earlier
from forecast.ordering.shipments import placed
from forecast.season.season import Season
from forecast.streams import Array, Streams
from forecast.worth.concave import Plants

_NOTHING = 1e-12


@dataclass(frozen=True, eq=False)
class Existing:
    """Plants that come in any case, expected given the draw, and the variances that their luck gives them.

    `survivors` and `timing` are those of `variances`; `in_grade` is the variance of those that are ready and not past
    their best, shape (weeks, draws).
    """

    mean: Plants
    survivors: Plants
    timing: Plants
    in_grade: Array

    @classmethod
    def of(cls, season: Season, streams: Streams, variety: str, weeks: slice) -> Self:
        """Return those of a variety in some weeks of the season.

        Notes
        -----
        Orders that are placed have batches of their own, other than those that could still be ordered.
        """
        shape = season.weeks, streams.draws
        mean, survivors, timing, in_grade = np.zeros((4, *shape))
        life, batches = season.variety(variety).saleable_weeks, batches_in_any_case(season, variety)
        for batch in batches:
            share = _fate(season, streams, batch).ready(elapsed(season, batch))
            good = share - earlier(share, life)
            mean += batch.quantity * share
            one, other = variances(share, share[-1])
            survivors += batch.quantity * one
            timing += batch.quantity * other
            in_grade += batch.quantity * good * (1 - good)
        past = earlier(mean, life, aged_of(season, batches))
        found = Plants(mean[weeks], past[weeks], mean[-1])
        both = (Plants(one[weeks], earlier(one, life)[weeks], one[-1]) for one in (survivors, timing))
        return cls(found, next(both), next(both), in_grade[weeks])

    def __bool__(self) -> bool:
        return bool(self.mean.through.any() or self.mean.past.any())


def variances(share: Array, through: Array) -> tuple[Array, Array]:
    """Return the variance of those of one plant that are ready, shape of `share`: by its survival, and by its time.

    By some weeks a `share` is ready, by the end all that come `through`, shape (draws,).
    """
    part = share / np.maximum(through, _NOTHING)
    return part * share * (1 - through), share * (1 - part)


def _fate(season: Season, streams: Streams, batch: Batch) -> Fate:
    if batch.there is not None:
        return fate_of(season, streams, batch)
    return draw_fate(season, streams, batch.variety, f"placed, {batch.number}", batch.week)


def batches_in_any_case(season: Season, variety: str) -> list[Batch]:
    """Return the batches of a variety that come in any case."""
    ordered = [one for one in placed(season) if one.variety == variety] if season.orders else []
    there = [one for one in batches_on_hand(season) if one.variety == variety]
    return [
        *there,
        *(Batch(variety, at, one.week, one.quantity, one.lab) for at, one in enumerate(ordered, start=1)),
    ]
