"""Small seasons that sell over weeks: the best of all their plans by exact values, and the one that is found."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from functools import cached_property
from math import hypot, prod
from pathlib import Path

import numpy as np
from enumerated_sales import SmallSeason, Valued
from small_windows import KINDS, small_windows
from valued_orders import worth
from whole_season import tables_of

from forecast.errors import OutOfReach
from forecast.io.seasons import write_season
from forecast.planning.whole_order import plan_orders
from forecast.season.season import Season

LARGEST = 40  # plants of a delivery that is tried
MOST, CASES = 1000, 1e6  # plans of a season that are tried, and all that can become of their plants and buyers
DRAWS = 4096
SPARE = 2.0  # standard errors of 1,024 draws by which a rival keeps its promises
SAMPLED = 20_000  # seasons by which the luck of a search is judged
SURE = 3.0  # standard errors


@dataclass(frozen=True)
class Found:
    """A plan that was found, and what no plan exceeds by the search that found it.

    Parameters
    ----------
    exact
        What its deliveries are worth.
    margin, value, bound
        By the account of the draws of the search: margin, margin less the price of being short, and bound of that.
    """

    exact: Valued
    margin: float
    value: float
    bound: float


@dataclass(frozen=True)
class Verdict:
    """A plan beside the best.

    Parameters
    ----------
    loss, luck
        By how much its exact value is less, and one standard error of the draws that it was chosen by.
    over
        By how much the best exceeds the bound, and likewise.
    kept
        By how much the chance of its worst promise exceeds what is promised; 1 if there are none.
    """

    loss: float
    luck: float
    over: float
    spread: float
    kept: float
    scale: float

    @property
    def best(self) -> bool:
        """Whether no plan is better, but for the luck of the search."""
        return self.loss <= SURE * self.luck + 1e-6 * self.scale

    @property
    def bounded(self) -> bool:
        """Whether no plan is above the bound, but for the luck of the search."""
        return self.over <= SURE * self.spread + 1e-6 * self.scale


@dataclass(frozen=True, eq=False)
class Case:
    """A small season; `small` is the same, read from the text of its tables."""

    name: str
    season: Season
    small: SmallSeason

    @cached_property
    def best(self) -> Valued | None:
        """The best of all plans that keep their promises with something to spare."""
        return self.small.best(LARGEST, SPARE)

    @property
    def sales(self) -> float:
        """What all that is asked for sells for."""
        return sum(
            float(crop.asked[1] @ crop.asked[0][:, k]) * max(wish.prices.values())
            for crop in self.small.crops.values()
            for k, wish in enumerate(crop.wishes)
        )

    def found(self, *, draws: int = DRAWS, seed: int = 1) -> Found | None:
        """Search for the best plan; None if it is said that there is none."""
        try:
            plan = plan_orders(self.season, draws=draws, seed=seed, gap=1e-6)
        except OutOfReach:
            return None
        orders = [(row.variety, row.lab or "", str(row.week), row.quantity) for row in plan.orders]
        short = float(worth(self.season, plan.orders, draws=draws, seed=seed).short.mean())
        return Found(self.small.valued(orders), plan.margin, plan.margin - short, plan.bound - short)

    def judged(self, found: Found, *, draws: int = DRAWS) -> Verdict:
        """Set a plan beside the best."""
        assert self.best is not None
        one, other = (self.small.sampled(plan.orders, SAMPLED) for plan in (self.best, found.exact))
        alike = {order[:3] for order in self.best.orders} == {order[:3] for order in found.exact.orders}
        luck = (one - other).std() if alike else hypot(one.std(), other.std())
        kept = [reached - asked for asked, reached in self.small.chances(found.exact)]
        return Verdict(
            loss=self.best.value - found.exact.value,
            luck=float(luck) / draws**0.5,
            over=self.best.value - found.bound,
            spread=float(one.std()) / draws**0.5,
            kept=min(kept, default=1.0),
            scale=self.sales,
        )


def read(season: Season) -> SmallSeason:
    """Return a season as the text of its tables says it."""
    with tempfile.TemporaryDirectory() as folder:
        write_season(season, Path(folder) / "season")
        return SmallSeason(tables_of(Path(folder) / "season"))


def case(number: int) -> Case:
    """Make a case: every fifth has two varieties and a budget that the best plan without one exceeds.

    The first season, from a seed of the number on, of which not too many plans could be the best.
    """
    kind, varieties = KINDS[number % len(KINDS)], 1 + (number % 5 == 4)
    for seed in range(number, 10**6, 1000):
        season = small_windows(seed, kind, varieties=varieties)
        small = read(season)
        if prod(len(some) for name in small.crops for some in small.choices(name, LARGEST)) > MOST:
            continue
        if sum(small.cases(one) for name in small.crops for one in small.bundles(name, LARGEST)) > CASES:
            continue
        if varieties == 1:
            return Case(f"{kind} {seed}", season, small)
        free = small.best(LARGEST, SPARE)
        if free is None or not free.paid:
            continue
        part = float(np.random.default_rng(number).uniform(0.4, 0.95))
        tight = season.replace(budget=round(part * free.paid, 2))
        return Case(f"{kind} {seed}, budget {part:.0%}", tight, read(tight))
    raise AssertionError
