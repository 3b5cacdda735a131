"""What the answer hangs on: which uncertain input moves it most, and where orders no longer pay."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from typing import Any, get_args

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from forecast.errors import refuse
from forecast.growth.simulation import simulate
from forecast.rates.distributions import Z90
from forecast.season.cells import suggestion
from forecast.season.season import Season
from forecast.sensitivity.inputs import PRICES, told
from forecast.sensitivity.response import Answer, Answers
from forecast.sensitivity.sobol import TENTHS, ranked
from forecast.words.numbers import rounded, seasons

_WIDEST = 5.0  # a score beyond it, one in three million, counts as impossible
_LOOKS = 11  # scores at which the margin is looked at before its zero is sought
_MOST_RANGE = 0.5
_TOGETHER = 0.1  # share of the variance that inputs acting together may explain before it is worth a word


@dataclass(frozen=True)
class BreakEven:
    """Where the expected margin of orders is 0.

    Parameters
    ----------
    input, unit
        The input, and what its value is counted in.
    value
        Its value there; None if the margin is 0 nowhere in the possible range.
    chance
        Chance [0 to 1] that the input lies on the side on which the orders do not pay; None if it is not uncertain.
    """

    input: str
    unit: str
    value: float | None
    chance: float | None
    _sentence: str = field(repr=False)

    def __str__(self) -> str:
        return self._sentence


@dataclass(frozen=True, eq=False)
class Drivers:
    """Which uncertain inputs an answer hangs on.

    Parameters
    ----------
    answer
        margin [currency], chance [0 to 1] or saleable [plants].
    base
        The answer expected with all inputs random.
    currency
        ISO 4217 code.
    """

    answer: Answer
    base: float
    currency: str
    _answers: Answers = field(repr=False)

    def tornado(self) -> pd.DataFrame:
        """Return how far the answer swings with each input, all others left random, the largest swing first.

        Returns
        -------
        DataFrame
            input; low and high, its quantiles 0.1 and 0.9, in unit; at_p10 and at_p90, the expected answer with the
            input set to these in the same draws; swing, how far apart these are. What holds for several batches is
            low or high as a whole: their mean score, by plants, is set, and they go on differing around it.
        """
        return self._tornado.copy()

    @cached_property
    def _tornado(self) -> pd.DataFrame:
        scores, rows = [float(ndtri(q)) for q in TENTHS], []
        for name, one in self._answers.inputs.items():
            found = [self._answers.expected({name: one.scores(score)}, [name]) for score in scores]
            rows.append((name, one.unit, *(one.at(score) for score in scores), *found))
        return ranked(pd.DataFrame(rows, columns=["input", "unit", "p10", "p90", "at_p10", "at_p90"]))

    def indices(self, *, top: int = 5) -> pd.DataFrame:
        """Return the Sobol indices of the inputs of largest swing, and of all others together.

        Parameters
        ----------
        top
            How many inputs, at least 1.

        Returns
        -------
        DataFrame
            As `forecast.sensitivity.sobol.sobol_table`; the last row, ``all else``, is all other inputs.

        Notes
        -----
        All that belongs to an input is one group: every batch's own luck in it, every week's weather. The chance of
        single plants is averaged out. Indices need inputs that are independent: here the parts of a survival or time
        that a season shares between groups of plants are drawn for each group alone, unlike in the tornado. The
        largest power of two of the draws is used.
        """
        if not isinstance(top, int) or top < 1:
            raise refuse("top", top, "not a number of inputs", "Give a whole number from 1.")
        return self._indices(top).copy()

    def _indices(self, top: int) -> pd.DataFrame:
        names = self._tornado["input"].tolist()[:top]
        return self._answers.shared(names)

    def interactions(self) -> str:
        """Say whether inputs matter together more than one by one."""
        table = self._indices(5)
        alone, error = float(table["first"].sum()), 2 * float(np.sqrt((table["first_error"] ** 2).sum()))
        text = f"one by one the inputs explain {100 * alone:.0f} % of the variance, give or take {100 * error:.0f}"
        if alone + error < 1 - _TOGETHER / 2:
            most = int((table["total"] - table["first"]).argmax())
            return f"Inputs act together: {text}. Most of the rest has to do with {table['input'].iloc[most]}."
        if alone - error > 1 - 2 * _TOGETHER:
            return f"Inputs hardly act together: {text}."
        return f"More draws would tell whether inputs act together: {text}."

    def break_even(self, input: str) -> BreakEven:
        """Find the value of an input at which the orders are expected to earn nothing.

        Parameters
        ----------
        input
            A survival or another input of the tornado, by its name; ``sale price`` or ``lab price``, uncertain or not.

        Returns
        -------
        BreakEven
            Of several such values the one nearest to the middle of the input. Of a price in currency if the orders
            are for one variety (the lab price is then the mean paid), else as a part of the stated prices.

        Raises
        ------
        Refused
            If the answer is no margin, or there is no such input.

        Notes
        -----
        The expected margin with the input set, in the same draws, is brought to 0 by Brent's method over normal scores
        from -5 to 5; in a price it is a straight line.
        """
        if self.answer != "margin":
            raise refuse("answer", self.answer, "only a margin breaks even", 'Ask what_drives with answer="margin".')
        if input in PRICES:
            return self._price(input)
        if input not in self._answers.inputs:
            known = [*self._answers.inputs, *PRICES]
            raise refuse("input", input, "not an uncertain input of these orders", suggestion(input, known))
        one = self._answers.inputs[input]

        def margin(score: float) -> float:
            return self._answers.expected({input: one.scores(score)}, [input])

        looks = sorted(np.linspace(-_WIDEST, _WIDEST, _LOOKS).tolist(), key=abs)
        margins = {score: margin(score) for score in looks}
        found = _crossing(margins)
        if found is None:
            ends = " and ".join(told(one.at(score), one.unit) for score in (-_WIDEST, _WIDEST))
            pay = "pay" if margins[0.0] > 0 else "do not pay"
            return BreakEven(input, one.unit, None, None, f"For any {input} between {ends} the orders {pay}.")
        score = float(brentq(margin, *found, xtol=1e-6))
        below = margins[found[0]] < 0
        chance = float(ndtr(score if below else -score))
        value = one.at(score)
        return BreakEven(input, one.unit, value, chance, _ends(input, one.told(value), below, chance))

    def _price(self, name: str) -> BreakEven:
        unit, stated = self._answers.stated(name, self.currency)
        free, full = (self._answers.expected({}, [], {name: part}) for part in (0.0, 1.0))
        one, slope = self._answers.inputs.get(name), full - free
        part = -free / slope if slope else math.inf
        if not 0 < part < math.inf:
            pay = "pay" if full > 0 else "do not pay"
            return BreakEven(name, unit, None, None, f"Whatever the {name}, the orders {pay}.")
        below, chance = slope > 0, None
        if one is not None:
            score = (part - 1) * Z90 / self._answers.ranges[name]
            chance = float(ndtr(score if below else -score))
        shown = f"{part * stated:.2f} {unit}"
        return BreakEven(name, unit, part * stated, chance, _ends(name, shown, below, chance))

    def said(self, amount: float) -> str:
        """Write an answer with its unit."""
        if self.answer == "margin":
            return f"{round(float(f'{amount:.3g}')):,} {self.currency}"  # one figure more, as answers are paired
        return seasons(amount) if self.answer == "chance" else f"{rounded(amount)} plants"

    def __str__(self) -> str:
        what = {"margin": "expected margin", "chance": "chance of what is wanted", "saleable": "number saleable"}
        rows = self._tornado.to_dict("records")
        first = rows[0]
        low, high = (told(first[end], first["unit"]) for end in ("p10", "p90"))
        text = (
            f"The {what[self.answer]}, {self.said(self.base)}, hangs most on {first['input']}: {low} gives "
            f"{self.said(first['at_p10'])}, {high} gives {self.said(first['at_p90'])}."
        )
        if len(rows) > 1:
            text += f"\nThen {'comes' if len(rows) == 2 else 'come'} {' and '.join(row['input'] for row in rows[1:3])}."
        return text


def what_drives(
    season: Season,
    variety: str | None = None,
    *,
    orders: Iterable[Any] | pd.DataFrame | None = None,
    answer: Answer = "margin",
    also: Mapping[str, float] | None = None,
    draws: int,
    seed: int,
) -> Drivers:
    """Say which uncertain inputs an answer hangs on: survivals, times, weather, demand, and prices if asked.

    Parameters
    ----------
    season, variety
        The season, and one of its varieties; all that are ordered if not given.
    orders
        As for `simulate`; without them, the orders that the season holds.
    answer
        ``margin``: what the orders are expected to earn [currency]. ``chance``: the chance that a wanted number is met,
        averaged over the rows wanted of what is ordered. ``saleable``: plants saleable in the last week in which
        their variety is wanted, if none was sold before.
    also
        Prices that are uncertain, too: ``sale price`` (marked-down plants included) or ``lab price``, each with the
        part of the price within which it lies nine times in ten, such as 0.1 for 10 % more or less. For a margin.
    draws, seed
        Number of simulated seasons, and their seed.

    Returns
    -------
    Drivers

    Raises
    ------
    Refused
        If there are no orders or any cannot be used, nothing is wanted of what is ordered, nothing is uncertain, or a
        price and its range cannot be used. For the margin, as `cash_flow`.

    Notes
    -----
    The chance of single plants is averaged out (see `forecast.sensitivity.expected.Expected`), so that answers differ by
    the input alone. The margin is that of `cash_flow`.

    References
    ----------
    Howard, R. A. (1988). Decision analysis: practice and promise. Manage. Sci. 34, 679-695 (the tornado).
    doi:10.1287/mnsc.34.6.679

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> drivers = forecast.what_drives(season, "Calla 'Daviorne'", draws=128, seed=1)
    >>> drivers.tornado()["input"].iloc[0]
    'survival in acclimatisation, calla'
    """
    if answer not in get_args(Answer):
        raise refuse("answer", answer, "not an answer", f"Write {', '.join(get_args(Answer)[:2])} or saleable.")
    ranges = dict(also or {})
    for name, part in ranges.items():
        if name not in PRICES or answer != "margin":
            raise refuse("also", name, "not a price that this answer hangs on", f"For a margin: {' or '.join(PRICES)}.")
        if isinstance(part, bool) or not isinstance(part, int | float) or not 0 < part <= _MOST_RANGE:
            raise refuse("also", part, f"not a range of the {name}", f"Give a part of it up to {_MOST_RANGE}: 0.1.")
    outcome = simulate(season, orders, draws=draws, seed=seed)
    if variety is not None:
        season.variety(variety)
    target = [
        name
        for name in outcome.varieties
        if variety in (None, name) and (answer == "margin" or season.targets_of(name))
    ]
    if not target:
        remedy = "Order something of it, and say how many are wanted."
        raise refuse("variety", variety, "nothing that is ordered is wanted", remedy)
    answers = Answers(outcome, target, answer, ranges)
    if not answers.inputs:
        raise refuse("season", season.name, "nothing is uncertain in it", "State spreads of survivals and times.")
    return Drivers(answer, answers.base, season.currency, answers)


def _crossing(margins: Mapping[float, float]) -> tuple[float, float] | None:
    """Return the two neighbouring scores, nearest to the middle, between which the margin changes its sign."""
    scores = sorted(margins)
    pairs = [(a, b) for a, b in pairwise(scores) if (margins[a] < 0) != (margins[b] < 0)]
    return min(pairs, key=lambda pair: abs(sum(pair)), default=None)


def _ends(name: str, value: str, below: bool, chance: float | None) -> str:
    text = f"The orders do not pay if {name} is {'below' if below else 'above'} {value}"
    return f"{text}." if chance is None else f"{text}, as it is in {seasons(chance)}."
