"""What orders are worth by the package's own account: margin, price of being short, and promises kept."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from forecast.growth.draws import KeptDraws
from forecast.growth.outcome import Outcome
from forecast.growth.simulation import season_streams, simulate
from forecast.resources.money_flow import cash_flow
from forecast.season.season import Season
from forecast.streams import Array


@dataclass(frozen=True, eq=False)
class Worth:
    """What some orders come to in every draw.

    Parameters
    ----------
    margin, short
        Margin, and price of being short, shape (draws,) [currency].
    chances
        By promised row, what is promised and what is reached.
    """

    margin: Array
    short: Array
    chances: dict[tuple[str, str, str], tuple[float, float]]

    @property
    def objective(self) -> Array:
        """The margin less the price of being short, shape (draws,) [currency]."""
        return self.margin - self.short

    @property
    def worst(self) -> float:
        """Mean margin of the worst tenth [currency]."""
        kept = self.margin.size / 10
        parts = np.clip(kept - np.arange(self.margin.size), 0, 1)
        return float(parts @ np.sort(self.margin) / kept)

    def keeps(self, errors: float = 0.0) -> bool:
        """Say whether every promise is kept, but for so many standard errors."""
        n = self.margin.size
        return all(
            reached >= asked - errors * (asked * (1 - asked) / n) ** 0.5 for asked, reached in self.chances.values()
        )


def worth(season: Season, orders: Iterable[Any], *, draws: int, seed: int) -> Worth:
    """Return what orders come to; without any, that nothing is sold."""
    orders = tuple(orders)
    there = bool(orders or season.on_hand)
    nothing = KeptDraws(season, (), (), season_streams(draws, seed))
    outcome = simulate(season, orders, draws=draws, seed=seed) if there else Outcome(nothing)
    margin = cash_flow(outcome).margin if there else np.full(draws, -(season.fixed_costs or 0.0))
    short = np.zeros(draws)
    chances = {}
    for name in season.targeted:
        sold = outcome.sold(name)
        for at, row in enumerate(season.targets_of(name)):
            wanted = sold.buyers.rows[at].come[-1]
            short = short + season.short_cost_of(row) * (wanted - sold.total(at))
            if row.promised:
                kept = sold.kept(at, season.needed(row, wanted)).mean()
                chances[name, str(row.week), row.channel or ""] = row.promised, float(kept)
    return Worth(np.asarray(margin), np.asarray(short), chances)
