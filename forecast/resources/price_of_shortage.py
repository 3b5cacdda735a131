"""The price of being short: the service level that it gives, and what a service level counts a missing plant for."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import pandas as pd

from forecast.errors import Refused, faults_of, real, refuse
from forecast.resources.reached import Reached, income, landed
from forecast.season.targets import Target
from forecast.words import orders as words
from forecast.words.results import Result, records

LEVELS = (0.8, 0.9, 0.95)
_STEP = 0.04  # of a delivery, to either side of which a plant more is valued
_FEWEST = 1e-6  # plants fewer that are missing: less is nothing


@dataclass(frozen=True, eq=False, repr=False)
class ShortPrices(Result):
    """What a missing plant costs beyond its lost sale, target by target, for a service level to be right.

    Parameters
    ----------
    rows
        As `table` returns them.
    levels
        Service levels that are asked about [0 to 1].
    currency, draws, seed
        ISO 4217 code; the draws of the plan.
    """

    rows: pd.DataFrame
    levels: tuple[float, ...]
    currency: str
    draws: int
    seed: int

    @property
    def share_columns(self) -> frozenset[str]:
        """The chance that a target is met."""
        return frozenset({"chance"})

    def facts(self) -> dict[str, object]:
        """Return the number of targets, draws and seed."""
        return {"targets": len(self.rows), "draws": self.draws, "seed": self.seed}

    def table(self) -> pd.DataFrame:
        """Return a row for each target.

        Returns
        -------
        DataFrame
            variety, channel, week, until (these two without columns that are empty), target; short_cost, what a missing
            plant is counted for beyond its lost sale [currency]; chance that the plan meets the target; and a column
            for each service level: the short_cost at which it is right [currency], missing if it is out of reach.
        """
        return self.rows.copy()

    def __str__(self) -> str:
        return words.short_prices(records(self.rows), self.levels, self.currency)


def short_prices(reached: Reached, levels: Sequence[float], *, draws: int, seed: int) -> ShortPrices:
    """Return what service levels count a missing plant for, on the deliveries of a plan; see `Plan.short_prices`."""
    faults = [
        fault
        for level in levels
        for fault in faults_of(real, "levels", level, gt=0, lt=1, problem="not a service level", such_as="0.9")
    ]
    if faults:
        raise Refused(faults)
    if not len(levels):
        raise refuse("levels", None, "no service level is given", "Give at least one, such as 0.9.")
    season, asked = reached.season, tuple(sorted(set(map(float, levels))))
    found = reached.table().drop(columns=["sold", "short", "level", "more_plants", "more_cost", "more_income"])
    rows = [(at, row) for name in season.targeted for at, row in enumerate(season.targets_of(name))]
    found.insert(list(found.columns).index("chance"), "short_cost", [season.short_cost_of(row) for _, row in rows])
    for level in asked:
        found[str(level)] = [_price(reached, row, at, level) for at, row in rows]
    found = found.drop(columns=["promised", "promised_share"], errors="ignore").round(2)
    return ShortPrices(found, asked, season.currency, draws, seed)


def _price(reached: Reached, row: Target, at: int, level: float) -> float:
    """Return what a missing plant of a target has to cost for a service level to be right [currency]; NaN if none is.

    Notes
    -----
    The net cost of one more plant, what it brings in and saves of other targets of the variety taken off, for each
    missing plant that it saves: a quotient of differences about the smallest quantity that reaches the level,
    whatever the lab accepts.
    """
    variety, targets = row.variety, reached.season.targets_of(row.variety)
    one = max(reached.timely(row), key=lambda one: one.quantity, default=None)
    enough = None if one is None else reached.enough(one, at, level, orderable=False)
    if one is None or enough is None:
        return math.nan
    step = max(round(_STEP * enough.quantity), 1)
    numbers = (max(enough.quantity + by, 1) for by in (-step, step))
    less, more = (replace(one, quantity=number) for number in numbers)
    few, many = (reached.grown(one, each) for each in (less, more))
    saved = [float((few.sold(variety).missing(k) - many.sold(variety).missing(k)).mean()) for k in range(len(targets))]
    worth = income(many) - income(few)
    worth += sum(reached.season.short_cost_of(targets[k]) * plants for k, plants in enumerate(saved) if k != at)
    cost = (landed(enough) + reached.growing(variety)) * (more.quantity - less.quantity)
    return max((cost - worth) / saved[at], 0.0) if saved[at] > _FEWEST else math.nan
