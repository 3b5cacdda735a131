"""Whether a plan keeps its promises, and its minimum of the worst tenth, on draws that had no part in finding it."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from copy import copy
from functools import cached_property
from typing import NamedTuple

from forecast.growth.draws import met_chances
from forecast.growth.simulation import outcome_of, season_streams
from forecast.growth.summaries import worst_seasons, worst_tenth_by_draw
from forecast.ordering.shipments import Shipment, placed
from forecast.resources.money_flow import cash_flow
from forecast.season.season import Season
from forecast.season.targets import Target
from forecast.streams import Array, Streams
from forecast.worth.promises import Reach

_TIMES, _MOST = 8, 16384
_ERRORS = 1.64  # standard errors, by which a chance, worst tenth or lowest cash must be above: so that 19 of 20 are
_FAR = 4.0  # likewise, of a chance that need not be looked at again


class Shortfall(NamedTuple):
    """A target whose promise is not kept on fresh draws, and by how much its chance is too low."""

    row: Target
    lacks: float


class FreshDraws:
    """Draws that have no part in a search: eight times as many as it has, but no more than 16,384, or as many."""

    def __init__(self, season: Season, streams: Streams) -> None:
        self._season, self._like = season, streams
        self._chances: dict[tuple[str, tuple[Shipment, ...]], list[float]] = {}  # of the targets of a variety

    def of(self, season: Season, unchanged: Collection[str]) -> FreshDraws:
        """Return the same draws of another season, with what is known of varieties that are the same in it."""
        found = copy(self)
        found._season = season
        found._chances = {key: chances for key, chances in self._chances.items() if key[0] in unchanged}
        return found

    @cached_property
    def _streams(self) -> Streams:
        draws = min(_TIMES * self._like.draws, max(self._like.draws, _MOST))
        return season_streams(draws, int(self._like.generator("fresh draws").integers(2**62)))

    def promises_missed(
        self, shipments: Sequence[Shipment], variety: str, reached: Sequence[Reach]
    ) -> Iterator[Shortfall]:
        """Yield what shipments miss of the promises of a variety, of which so much is reached in the search.

        Notes
        -----
        From their chances, less their standard error. What is kept by far in the search is not looked at.
        """
        if all(_by_far(one.chance, one.level, self._like.draws) for one in reached):
            return
        rows = self._season.targets_of(variety)
        key = variety, tuple(shipments)
        if key not in self._chances:
            own = [one.delivery for one in (*placed(self._season), *shipments) if one.variety == variety]
            there = [row for row in self._season.on_hand if row.variety == variety]
            drawn = outcome_of(self._season, own, self._streams, there).drawn
            self._chances[key] = met_chances(drawn, variety)
        chances = self._chances[key]
        for row, level, _ in reached:
            chance = chances[rows.index(row)]
            lacks = level - chance + _ERRORS * math.sqrt(chance * (1 - chance) / self._streams.draws)
            if lacks > 0:
                yield Shortfall(row, float(lacks))

    def money_missed(
        self, shipments: Sequence[Shipment], floor: float | None, overdraft: float | None
    ) -> tuple[float, float]:
        """Return by how much the worst tenth is below a minimum, and the cash too low, less their errors; 0 if not."""
        if floor is None and overdraft is None:
            return 0.0, 0.0
        own = [one.delivery for one in (*placed(self._season), *shipments)]
        flow = cash_flow(outcome_of(self._season, own, self._streams))
        least = None if overdraft is None else -overdraft
        return _missed(flow.margin, floor), _missed(flow.cash.min(axis=0), least)


def _missed(found: Array, least: float | None) -> float:
    """Return by how much the mean of the worst tenth is below a minimum, less its standard error; 0 if it is not."""
    if least is None:
        return 0.0
    error = float(worst_tenth_by_draw(found).std()) / math.sqrt(found.size)
    return max(least - float(worst_seasons(found) @ found) + _ERRORS * error, 0.0)


def _by_far(chance: float, level: float, draws: int) -> bool:
    """Say whether a chance found in some draws is so far above a level that in no others it is below."""
    return chance - level > _FAR * math.sqrt(level * (1 - level) / draws)
