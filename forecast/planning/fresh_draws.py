"""Whether a plan keeps its promises, and its minimum of the worst tenth, on draws that had no part in finding it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from forecast.growth.simulation import outcome_of, repeats
from forecast.ordering.shipments import Shipment, placed
from forecast.resources.money_flow import cash_flow
from forecast.season.season import Season
from forecast.season.targets import Target
from forecast.streams import Streams

_ERRORS = 1.64  # standard errors, by which a chance must be above its level: so that 19 of 20 are
_FLOOR = 1.0  # likewise, of the worst tenth


class Shortfall(NamedTuple):
    """A target whose promise is not kept on fresh draws, and by how much its chance is too low."""

    row: Target
    lacks: float


def promises_missed(
    season: Season, shipments: Sequence[Shipment], variety: str, levels: dict[Target, float], streams: Streams
) -> Iterator[Shortfall]:
    """Yield what is missed of the promises of a variety, at the levels promised, on draws other than some streams.

    Notes
    -----
    From the chances in eight sets of as many draws, each taken as the search knows it, less their standard error.
    """
    rows = season.targets_of(variety)
    own = [one.delivery for one in (*placed(season), *shipments) if one.variety == variety]
    there = [row for row in season.on_hand if row.variety == variety]
    found = [outcome_of(season, own, other, there).targets(variety)["chance"] for other in repeats(streams)]
    mean, error = np.mean(found, axis=0), np.std(found, axis=0, ddof=1) / len(found) ** 0.5
    for at, row in enumerate(rows):
        if (level := levels.get(row)) is not None:
            lacks = level - (mean[at] - _ERRORS * error[at])
            if lacks > 0:
                yield Shortfall(row, float(lacks))


def worst_tenth_missed(season: Season, shipments: Sequence[Shipment], floor: float, streams: Streams) -> float:
    """Return by how much the mean margin in the worst tenth of such draws is below a minimum; 0 if it is not."""
    own = [one.delivery for one in (*placed(season), *shipments)]
    found = [cash_flow(outcome_of(season, own, other)).worst_tenth() for other in repeats(streams)]
    error = float(np.std(found, ddof=1)) / len(found) ** 0.5
    return float(max(floor - np.mean(found) + _FLOOR * error, 0.0))
