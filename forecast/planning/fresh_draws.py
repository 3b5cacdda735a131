"""Whether a plan keeps its promises, and its minimum of the worst tenth, on draws that had no part in finding it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from functools import cached_property
from typing import NamedTuple

import numpy as np

from forecast.growth.simulation import outcome_of, repeats
from forecast.ordering.shipments import Shipment, placed
from forecast.resources.money_flow import cash_flow
from forecast.season.season import Season
from forecast.season.targets import Target
from forecast.streams import Array, Streams
from forecast.worth.promises import Reach

_ERRORS = 1.64  # standard errors, by which a chance must be above its level: so that 19 of 20 are
_FLOOR = 1.0  # likewise, of the worst tenth and of the lowest cash
_FAR = 4.0  # likewise, of a chance that need not be looked at again


class Shortfall(NamedTuple):
    """A target whose promise is not kept on fresh draws, and by how much its chance is too low."""

    row: Target
    lacks: float


class FreshDraws:
    """Eight sets of draws that have no part in a search, each as large as its own."""

    def __init__(self, season: Season, streams: Streams) -> None:
        self._season, self._like = season, streams

    @cached_property
    def _sets(self) -> list[Streams]:
        return list(repeats(self._like))

    def promises_missed(
        self, shipments: Sequence[Shipment], variety: str, reached: Sequence[Reach]
    ) -> Iterator[Shortfall]:
        """Yield what shipments miss of the promises of a variety, of which so much is reached in the search.

        Notes
        -----
        From the chances in all sets, less their standard error. What is kept by far in the search is not looked at.
        """
        if all(_by_far(one.chance, one.level, self._like.draws) for one in reached):
            return
        rows = self._season.targets_of(variety)
        own = [one.delivery for one in (*placed(self._season), *shipments) if one.variety == variety]
        there = [row for row in self._season.on_hand if row.variety == variety]

        def chances(streams: Streams) -> Array:
            return outcome_of(self._season, own, streams, there).targets(variety)["chance"].to_numpy()

        found = [chances(streams) for streams in self._sets]
        mean, error = np.mean(found, axis=0), np.std(found, axis=0, ddof=1) / len(found) ** 0.5
        for row, level, _ in reached:
            at = rows.index(row)
            lacks = level - (mean[at] - _ERRORS * error[at])
            if lacks > 0:
                yield Shortfall(row, float(lacks))

    def money_missed(
        self, shipments: Sequence[Shipment], floor: float | None, overdraft: float | None
    ) -> tuple[float, float]:
        """Return by how much the worst tenth is below a minimum, and the cash too low, less their errors; 0 if not."""
        if floor is None and overdraft is None:
            return 0.0, 0.0
        own = [one.delivery for one in (*placed(self._season), *shipments)]
        flows = [cash_flow(outcome_of(self._season, own, streams)) for streams in self._sets]
        margins, lowest = [one.worst_tenth() for one in flows], [one.lowest_tenth() for one in flows]
        return _missed(margins, floor), _missed(lowest, None if overdraft is None else -overdraft)


def _missed(found: Sequence[float], least: float | None) -> float:
    if least is None:
        return 0.0
    error = float(np.std(found, ddof=1)) / len(found) ** 0.5
    return float(max(least - np.mean(found) + _FLOOR * error, 0.0))


def _by_far(chance: float, level: float, draws: int) -> bool:
    """Say whether a chance found in some draws is so far above a level that in no others it is below."""
    return chance - level > _FAR * math.sqrt(level * (1 - level) / draws)
