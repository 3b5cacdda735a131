"""Value of a trial batch before the main order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
import pandas as pd

from forecast.errors import whole
from forecast.ordering.request import requested
from forecast.ordering.shipments import Shipment
from forecast.ordering.trial_orders import Case
from forecast.season.season import Season
from forecast.sensitivity.preposterior import GROUPS, Preposterior, even_sets
from forecast.streams import MOST_DRAWS, PLANNING_DRAWS
from forecast.weeks import Week
from forecast.words import sensitivity as words
from forecast.words.numbers import apart
from forecast.words.results import Result

MOST_PLANTS = 2000
_UNLIKELY = 1e-3  # chance of outcomes at either end that are not named
_MOST_RUNS = 4  # decisions that are all named


@dataclass(frozen=True, eq=False, repr=False)
class TrialValue(Result):
    """Value of a trial before the main order, and its cost.

    Parameters
    ----------
    variety, plants
        The variety, and the plants of the trial.
    uncertain_stages
        Stages whose survival is uncertain in a way that lasts, so that a trial informs the main order.
    evpi
        Value of perfect information on the survival [currency]: no trial can be worth more.
    evsi, error
        Value of the trial (of its sample information) [currency], and its standard error from the number of draws.
    cost
        Cost of the trial [currency]: the plants of the cheapest price-list line, freight, growing.
    bought, lab
        Plantlets that must be bought for it, and from which lab.
    choice, margin
        The order without a trial (None if nothing is ordered), and its expected margin [currency].
    currency
        ISO 4217 code.
    tables
        Expected margins and chances of outcomes.

    Notes
    -----
    Values are of one season's order. Plants of the trial that become saleable are not counted as income.
    """

    variety: str
    plants: int
    uncertain_stages: tuple[str, ...]
    evpi: float
    evsi: float
    error: float
    cost: float
    bought: int
    lab: str
    choice: Shipment | None
    margin: float
    currency: str
    tables: Preposterior

    @property
    def net_value(self) -> float:
        """Value of the trial less its cost [currency]."""
        return self.evsi - self.cost

    def facts(self) -> dict[str, object]:
        """Return variety, plants, value, draws and seed."""
        streams = self.tables.case.streams
        evsi = words.answer_value(self.evsi, "margin", self.currency)
        return {"variety": self.variety, "plants": self.plants, "evsi": evsi, "draws": streams.draws,
                "seed": streams.seed}  # fmt: skip

    def curve(self, numbers: Sequence[int] = (0, 6, 12, 24, 36, 48, 72, 108, 144, 216, 288)) -> pd.DataFrame:
        """Return the value of trials of other sizes.

        Parameters
        ----------
        numbers
            Plants of the trial.

        Returns
        -------
        DataFrame
            plants, bought, evsi, error, cost, net_value [currency]; the best size is that of the greatest net value.

        Raises
        ------
        Refused
            If a number is not whole.
        """
        rows = []
        for number in sorted({*(whole("numbers", one, 0, MOST_PLANTS) for one in numbers), self.plants}):
            evsi, error = self.tables.evsi(number)
            cost, bought, _ = self.tables.cost(number)
            rows.append((number, bought, evsi, error, cost, evsi - cost))
        return pd.DataFrame(rows, columns=["plants", "bought", "evsi", "error", "cost", "net_value"])

    def table(self) -> pd.DataFrame:
        """Return the order after each outcome of the trial.

        Returns
        -------
        DataFrame
            survived: plants of the trial that survive all stages; chance of this outcome [0 to 1]; survival then
            expected of the main order [0 to 1]; lab, week, quantity (empty and 0 if nothing is ordered); margin then
            expected [currency]; changed: whether the order is not that of one survivor fewer.
        """
        chances, survivals, best, margins = self.tables.outcomes(self.plants)
        choices = [self.tables.choices[at] for at in best]
        return pd.DataFrame(
            {
                "survived": np.arange(len(choices)),
                "chance": chances,
                "survival": survivals,
                "lab": [choice.lab if choice else "" for choice in choices],
                "week": [str(choice.week) if choice else "" for choice in choices],
                "quantity": [choice.quantity if choice else 0 for choice in choices],
                "margin": margins,
                "changed": np.diff(best, prepend=best[0]) != 0,
            }
        )

    def decisions(self) -> list[tuple[int, int, Shipment | None]]:
        """Return the first and last likely number of survivors for which an order is best, and that order.

        Of more than four such runs only the first, the last, and those of the order without a trial.
        """
        chances, _, best, _ = self.tables.outcomes(self.plants)
        below = np.cumsum(chances)
        likely = np.flatnonzero((below > _UNLIKELY) & (below - chances < 1 - _UNLIKELY)).tolist()
        runs = [(at, list(outcomes)) for at, outcomes in groupby(likely, key=lambda survived: best[survived])]
        if len(runs) > _MOST_RUNS:
            runs = [run for run in runs if run in (runs[0], runs[-1]) or self.tables.choices[run[0]] == self.choice]
        return [(some[0], some[-1], self.tables.choices[at]) for at, some in runs]

    def __str__(self) -> str:
        order = _named(self.choice, self.variety) if self.choice else ""
        first = words.without_trial(variety=self.variety, order=order, margin=self.margin, currency=self.currency)
        if not self.uncertain_stages:
            return f"{first}\n{words.no_trial(self.variety)}"
        value = words.trial(
            plants=self.plants, evsi=self.evsi, error=self.error, cost=self.cost, evpi=self.evpi, currency=self.currency
        )
        if not apart(self.evsi, self.error):
            return f"{first}\n{value}"
        runs = [(low, high, _named(choice)) for low, high, choice in self.decisions()]
        return f"{first}\n{value}\n{words.decisions(runs, self.plants)}"


def _named(choice: Shipment | None, variety: str = "") -> str:
    return words.order(choice.quantity, variety, choice.lab, choice.week) if choice else "none"


def trial_worth(
    season: Season,
    variety: str,
    *,
    plants: int = 72,
    target: int | None = None,
    week: Week | str | None = None,
    draws: int = PLANNING_DRAWS,
    seed: int | None = None,
) -> TrialValue:
    """Return the value of a trial batch before the main order of a variety whose survival is uncertain.

    Parameters
    ----------
    season, variety
        The season, and which of its varieties.
    plants
        Plants of the trial.
    target, week
        Number of saleable plants, by the Monday of which week; each overrides the season's targets.
    draws, seed
        Number of simulated seasons for each survival that is tried, at least 16, and their seed; the season's if not
        given.

    Returns
    -------
    TrialValue

    Raises
    ------
    Refused
        If the variety or week is unknown, the target is not clear, the variety has no sale price, or `plants` or
        `draws` is not such a number.

    Notes
    -----
    A trial informs only about what lasts: those parts of the survival of stages that vary at the levels ``belief`` and
    ``variety``. Those that vary by season or batch are drawn anew for the trial and for the main order, and the times
    of stages are taken as they are. The outcome of the trial is the number that survives all stages, until they are
    saleable; the trial is over before the main order is placed.

    The main order is that of greatest expected margin (as `size_order` finds it with ``aim="margin"``), or none:
    orderable quantities of each price-list line, in its best week, up to what costs as much as all that can be sold
    brings; of more than 60, some 60.

    With x what lasts, L(y | x) the chance of y survivors of the trial and M(x, a) the expected margin of choice a, the
    value of the trial is the sum over y of max over a of E[L(y | x) M(x, a)], less max over a of E[M(x, a)]: the
    expected value of sample information (EVSI). Given x, margin and chance are means over the draws of all that does
    not last, exact in the chance of single plants; a trial has 256 draws of its own at most. The mean over x is taken
    by the trapezoidal rule if one survival is uncertain, else over 16 independent sets of 8 scrambled Sobol points.
    The draws are 16 independent sets too, and the error is what comes of leaving out one set after the other.

    References
    ----------
    Raiffa, H. and Schlaifer, R. (1961). Applied Statistical Decision Theory. Harvard Business School, Boston.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> trial = forecast.trial_worth(season, "Calla 'Daviorne'", draws=64)
    >>> 0 <= trial.evsi <= trial.evpi
    True
    """
    plants = whole("plants", plants, 0, MOST_PLANTS)
    draws = whole("draws", draws, GROUPS, MOST_DRAWS)
    request, number = requested(season, variety, target, week, None)
    streams = even_sets(draws, season.seed if seed is None else seed)
    tables = Preposterior(season, Case(season, streams, request, number), number)
    best, margin, evpi = tables.known()
    evsi, error = tables.evsi(plants)
    cost, bought, lab = tables.cost(plants)
    return TrialValue(
        variety, plants, tables.uncertain_stages, evpi, evsi, error, cost, bought, lab, tables.choices[best], margin,
        season.currency, tables,
    )  # fmt: skip
