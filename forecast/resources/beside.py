"""A grower's own orders beside the plan, in the same draws."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from forecast.errors import refuse
from forecast.growth.outcome import Outcome
from forecast.growth.summaries import worst_tenth_by_draw
from forecast.resources.money_flow import CashFlow
from forecast.season.season import Season
from forecast.streams import Array
from forecast.words import orders as words
from forecast.words.results import Result, records


class Side(NamedTuple):
    """Orders, placed ones included: what comes of them, what labs and carriers are paid [currency], what they earn.

    The last is None if a variety with a target has no sale price.
    """

    outcome: Outcome
    paid: float
    flow: CashFlow | None


@dataclass(frozen=True, eq=False, repr=False)
class Beside(Result):
    """Orders of one's own, and the plan.

    Parameters
    ----------
    mine, plan
        What comes of each, in the same draws.

    Raises
    ------
    Refused
        If the draws are others.
    """

    mine: Side
    plan: Side

    def __post_init__(self) -> None:
        """Refuse what is not paired."""
        drawn = [(one.outcome.draws, one.outcome.seed) for one in (self.mine, self.plan)]
        if drawn[0] != drawn[1]:
            raise refuse("plan", drawn[1], "other draws than those of the orders", "Give both the same draws and seed.")

    def table(self) -> pd.DataFrame:
        """Return a row for each thing that is compared.

        Returns
        -------
        DataFrame
            what: plantlets; paid, to labs and carriers; margin and worst_tenth, without sale prices left out; all_met,
            the chance that all targets are met; short, the price of being short, if it counts; mine, plan, and
            difference, of the plan less mine [plants, currency, 0 to 1]; error, the standard error of the difference,
            0 if nothing of it is left to chance.
        """
        return pd.DataFrame(self._rows(), columns=["what", "mine", "plan", "difference", "error"])

    def _rows(self) -> Iterator[tuple[str, float, float, float, float]]:
        sides = self.mine, self.plan
        plantlets = [float(sum(batch.quantity for batch in one.outcome.ordered)) for one in sides]
        yield _row("plantlets", plantlets, np.zeros((2, 1)))
        yield _row("paid", [one.paid for one in sides], np.zeros((2, 1)))
        flows = [one.flow for one in sides if one.flow is not None]
        if len(flows) == len(sides):
            yield _row("margin", [float(one.margin.mean()) for one in flows], [one.margin for one in flows])
            yield _row(
                "worst_tenth", [one.worst_tenth() for one in flows], [worst_tenth_by_draw(one.margin) for one in flows]
            )
        met = [np.exp(one.outcome.drawn.log_met()) for one in sides]
        yield _row("all_met", [float(one.mean()) for one in met], met)
        if shortage_counts(self.mine.outcome.season):
            short = [price_of_shortage(one.outcome) for one in sides]
            yield _row("short", [float(one.mean()) for one in short], short)

    def facts(self) -> dict[str, object]:
        """Return what tells this result from others: the outcome of the own orders."""
        return self.mine.outcome.facts()

    def __str__(self) -> str:
        return words.beside(records(self.table()), self.mine.outcome.season.currency)


def _row(what: str, values: list[float], by_draw: Array | list[Array]) -> tuple[str, float, float, float, float]:
    change = np.asarray(by_draw[1]) - np.asarray(by_draw[0])
    mine, plan = values
    return what, mine, plan, plan - mine, float(change.std()) / math.sqrt(change.size)


def shortage_counts(season: Season) -> bool:
    """Return whether a missing plant of some target costs more than its lost sale."""
    return any(season.short_cost_of(row) for row in season.targets)


def price_of_shortage(outcome: Outcome) -> Array:
    """Return what missing plants cost beyond their lost sale, shape (draws,) [currency]."""
    season, found = outcome.season, np.zeros(outcome.draws)
    for variety in season.targeted:
        sold = outcome.sold(variety)
        for at, row in enumerate(season.targets_of(variety)):
            found += season.short_cost_of(row) * sold.missing(at)
    return found
