"""What a trial batch is worth before the big order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import groupby

import numpy as np
import pandas as pd

from forecast.errors import whole
from forecast.growth.simulation import season_streams
from forecast.ordering.request import requested
from forecast.ordering.shipments import Shipment
from forecast.ordering.trial_orders import Case
from forecast.season.season import Season
from forecast.sensitivity.preposterior import GROUPS, Preposterior
from forecast.streams import MOST_DRAWS
from forecast.weeks import Week
from forecast.words.numbers import money

MOST_PLANTS = 2000
_UNLIKELY = 1e-3  # chance of outcomes at either end that are passed over in words
_MOST_RUNS = 4  # decisions that are all told in words


@dataclass(frozen=True, eq=False)
class TrialWorth:
    """What better knowledge of the survival is worth before the big order, and what a trial costs.

    Parameters
    ----------
    variety, plants
        What is tried, and how many of it.
    doubts
        Stages whose survival is in doubt in a way that lasts, so that a trial tells of it.
    perfect
        Worth of knowing the survival for sure [currency]: no trial can be worth more.
    worth, error
        Worth of the trial [currency], and the standard error of it from the number of draws.
    cost
        Cost of the trial [currency]: the plants of the cheapest offer, freight, growing.
    bought, lab
        Plantlets that must be bought for it, and from which lab.
    choice, margin
        What is ordered without a trial, and its expected margin [currency].
    currency
        ISO 4217 code.

    Notes
    -----
    Worths are of one season's order. Plants of the trial that become saleable are not counted as income.
    """

    variety: str
    plants: int
    doubts: tuple[str, ...]
    perfect: float
    worth: float
    error: float
    cost: float
    bought: int
    lab: str
    choice: Shipment | None
    margin: float
    currency: str
    _tables: Preposterior = field(repr=False)

    @property
    def net(self) -> float:
        """Worth of the trial less its cost [currency]."""
        return self.worth - self.cost

    def curve(self, numbers: Sequence[int] = (0, 6, 12, 24, 36, 48, 72, 108, 144, 216, 288)) -> pd.DataFrame:
        """Return the worth of trials of other sizes.

        Parameters
        ----------
        numbers
            Plants tried.

        Returns
        -------
        DataFrame
            plants, bought, worth, error, cost, net [currency]; the best number is that with the greatest net.

        Raises
        ------
        Refused
            If a number is not whole.
        """
        rows = []
        for number in sorted({*(whole("numbers", one, 0, MOST_PLANTS) for one in numbers), self.plants}):
            worth, error = self._tables.worth(number)
            cost, bought, _ = self._tables.cost(number)
            rows.append((number, bought, worth, error, cost, worth - cost))
        return pd.DataFrame(rows, columns=["plants", "bought", "worth", "error", "cost", "net"])

    def decisions(self) -> pd.DataFrame:
        """Return what would be ordered after each outcome of the trial.

        Returns
        -------
        DataFrame
            survived: number of the trial that comes through all stages; chance of this outcome [0 to 1]; survival that
            is then expected of the big order [0 to 1]; lab, week, quantity (empty and 0 if none is ordered); margin
            then expected [currency]; changed: whether the decision is not that of one survivor fewer.
        """
        chances, survivals, best, margins = self._tables.outcomes(self.plants)
        choices = [self._tables.choices[at] for at in best]
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

    def __str__(self) -> str:
        without = f"Without a trial, order {_named(self.choice)} of {self.variety}"
        first = f"{without}; it is expected to earn about {money(self.margin, self.currency)}."
        if self.choice is None:
            first = f"{without}: every order is expected to lose."
        if not self.doubts:
            return (
                f"{first}\nNo survival of {self.variety} is in doubt in a way that lasts (levels belief and variety), "
                "so a trial tells nothing of the big order and is worth 0."
            )
        pays = "pays" if self.net > 0 else "does not pay"
        return (
            f"{first}\nTo try {self.plants:,} first is worth about {money(self.worth, self.currency)} (give or take "
            f"{money(self.error, self.currency)}) and costs about {money(self.cost, self.currency)}: it {pays}. "
            f"To know the survival for sure would be worth {money(self.perfect, self.currency)}.\n{self._changes()}"
        )

    def _changes(self) -> str:
        chances, _, best, _ = self._tables.outcomes(self.plants)
        below = np.cumsum(chances)
        likely = np.flatnonzero((below > _UNLIKELY) & (below - chances < 1 - _UNLIKELY)).tolist()
        runs = [(at, list(outcomes)) for at, outcomes in groupby(likely, key=lambda survived: best[survived])]
        if len(runs) == 1:
            return "No outcome that is at all likely changes the order."
        if len(runs) > _MOST_RUNS:  # the worst, the best, and what leaves the order as it is
            runs = [run for run in runs if run in (runs[0], runs[-1]) or self._tables.choices[run[0]] == self.choice]
        said = [f"from {some[0]:,}, {_named(self._tables.choices[at])}" for at, some in runs[1:]]
        least, limit = self._tables.choices[runs[0][0]], runs[0][1][-1] + 1
        said = [f"with fewer than {limit:,} of {self.plants:,} through, order {_named(least)}", *said]
        return f"How the order changes: {'; '.join(said)}."


def _named(choice: Shipment | None) -> str:
    return f"{choice.quantity:,} from {choice.lab} for {choice.week}" if choice else "none"


def trial_worth(
    season: Season,
    variety: str,
    *,
    draws: int,
    seed: int,
    plants: int = 72,
    target: int | None = None,
    week: Week | str | None = None,
) -> TrialWorth:
    """Find what a trial batch is worth before the big order of a variety whose survival is in doubt.

    Parameters
    ----------
    season, variety
        The season, and which of its varieties.
    draws, seed
        Number of simulated seasons for each survival that is thought of, at least 16, and their seed.
    plants
        Plants that are tried [number].
    wanted, week
        Number of plants, by the Monday of which week; each overrides the season's table of what is wanted.

    Returns
    -------
    TrialWorth

    Raises
    ------
    Refused
        If the variety or week is unknown, it is not clear what is wanted, the variety has no sale price, or `plants` or
        `draws` is not such a number.

    Notes
    -----
    A trial tells only of what lasts: those parts of the survival of stages that vary at the levels ``belief`` and
    ``variety``. What varies by the season or the batch is drawn anew for the trial and for the big order, and the
    times of stages are taken as they are. The outcome of the trial is the number that comes through all stages, until
    they are saleable; the trial is over before the big order is placed.

    The big order is that of greatest expected margin (as `size_order` finds it with ``aim="margin"``), or none: orderable
    quantities of each offer, in its best week, up to what costs as much as all that can be sold brings; of more than
    60, some 60.

    With x what lasts, L(y | x) the chance of y survivors of the trial and M(x, a) the expected margin of choice a, the
    worth of the trial is the sum over y of max over a of E[L(y | x) M(x, a)], less max over a of E[M(x, a)]: the
    expected value of sample information. Given x, margin and chance are means over the draws of all that does not last,
    exact in the chance of single plants; a trial has 256 draws of its own at most. The mean over x is taken by the
    trapezoidal rule if one survival is in doubt, else over 128 scrambled Sobol points. The error takes draws for plain
    random numbers, and they are more even than that: it is too large, by a factor of up to three where it was measured.

    References
    ----------
    Raiffa, H. and Schlaifer, R. (1961). Applied Statistical Decision Theory. Harvard Business School, Boston.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> trial = forecast.trial_worth(season, "Calla 'Daviorne'", draws=64, seed=1)
    >>> 0 <= trial.worth <= trial.perfect
    True
    """
    plants = whole("plants", plants, 0, MOST_PLANTS)
    draws = whole("draws", draws, GROUPS, MOST_DRAWS)
    request, number = requested(season, variety, target, week, None)
    tables = Preposterior(season, Case(season, season_streams(draws, seed), request, number), number)
    best, margin, perfect = tables.known()
    worth, error = tables.worth(plants)
    cost, bought, lab = tables.cost(plants)
    return TrialWorth(
        variety=variety,
        plants=plants,
        doubts=tables.doubts,
        perfect=perfect,
        worth=worth,
        error=error,
        cost=cost,
        bought=bought,
        lab=lab,
        choice=tables.choices[best],
        margin=margin,
        currency=season.currency,
        _tables=tables,
    )
