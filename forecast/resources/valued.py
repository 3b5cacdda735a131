"""What the orders of a season are worth as they are: what they cost, earn, and reach of each target."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import pandas as pd

from forecast.growth.draws import KeptDraws
from forecast.growth.outcome import Outcome
from forecast.growth.simulation import simulate
from forecast.ordering.shipments import Bill
from forecast.resources.money_flow import CashFlow, cash_flow, ordered
from forecast.resources.reached import Reached, given_away
from forecast.season.consistency import unpriced
from forecast.season.season import Season
from forecast.streams import PLANNING_DRAWS
from forecast.words import orders as words
from forecast.words import resources as sentences
from forecast.words.results import Result


@dataclass(frozen=True, eq=False, repr=False)
class Valued(Result):
    """What orders cost, earn, and reach.

    Parameters
    ----------
    outcome
        What comes of the orders, plants on hand included.
    bill
        What is paid for them to labs and carriers.
    flow
        What they earn and cost week by week; payments alone if a variety with a target has no sale price.
    earns
        Whether every variety with a target has a sale price, so that their margin is known.
    """

    outcome: Outcome
    bill: Bill
    flow: CashFlow
    earns: bool

    @property
    def margin(self) -> float | None:
        """Expected margin [currency]; None if it is not known."""
        return float(self.flow.margin.mean()) if self.earns else None

    @property
    def cost(self) -> float:
        """Expected cost, freight and growing included [currency]; fixed costs apart."""
        return float(self.flow.by_variety()["outlay"].sum())

    def table(self) -> pd.DataFrame:
        """Return a row for each line of the orders, as `Bill.table` does."""
        return self.bill.table()

    def targets(self) -> pd.DataFrame:
        """Return what is reached of each target, and what more would take, as `Plan.targets` does."""
        return self._targets.copy()

    @cached_property
    def _targets(self) -> pd.DataFrame:
        shipments = tuple(charge.shipment for charge in self.bill.charges)
        return Reached(self.outcome, shipments, self.flow if self.earns else None).table()

    def facts(self) -> dict[str, object]:
        """Return what tells this result from others: the outcome, and the number of orders."""
        return self.outcome.facts() | {"orders": len(self.bill.charges)}

    def __str__(self) -> str:
        return "\n".join(self._sentences())

    def _sentences(self) -> Iterator[str]:
        season, batches = self.outcome.season, self.outcome.ordered
        there = sum(batch.quantity for batch in self.outcome.batches) - sum(batch.quantity for batch in batches)
        yield words.your_orders(
            plants=sum(batch.quantity for batch in batches), varieties=len({batch.variety for batch in batches}),
            deliveries=len(batches), there=there,
            placed=sum(row.quantity for row in season.orders if row.placed == "yes"),
        )  # fmt: skip
        paid, currency = self.bill.total, season.currency
        yield words.costs(purchase=paid, total=self.cost, currency=currency, budget=season.budget)
        if season.budget is not None and paid > season.budget:
            yield words.over_budget(budget=season.budget, currency=currency)
        if self.margin is not None:
            yield words.your_margin(margin=self.margin, worst_tenth=self.flow.worst_tenth(), currency=currency)
            if season.fixed_costs is not None:
                left = float(self.flow.result.mean())
                yield sentences.after_fixed_costs(season.fixed_costs, left, self.flow.chance_of_loss, currency)
            if season.overdraft is not None and (overdrawn := self.flow.chance_overdrawn) is not None:
                yield sentences.account(season.overdraft, overdrawn, currency)
        if season.targets:
            yield words.all_met(targets=len(season.targets), chance=self.outcome.chance_of_all())


def value_orders(season: Season, *, draws: int = PLANNING_DRAWS, seed: int | None = None) -> Valued:
    """Return what the orders that a season holds are worth, those placed and those considered.

    Parameters
    ----------
    season
        The season.
    draws, seed
        Number of simulated seasons, and their seed; that of the season if not given: the same as those of a plan pair
        the two.

    Raises
    ------
    Refused
        If it holds no orders, or no line of the price list covers one of them; every fault is listed.
    """
    outcome = simulate(season, draws=draws, seed=seed)
    earns, priced = not unpriced(season.varieties, season.targets), outcome
    if not earns:
        fates = map(outcome.fate, outcome.batches)
        priced = Outcome(KeptDraws(given_away(season), outcome.batches, fates, outcome.streams))
    return Valued(outcome, ordered(priced), cash_flow(priced), earns)
