"""Sensitivity of an answer to its uncertain inputs: tornado, Sobol indices, interactions and break-even values."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from forecast.errors import real, refuse
from forecast.growth.simulation import simulate
from forecast.rates.distributions import Z90
from forecast.season.cells import suggestion
from forecast.season.season import Season
from forecast.sensitivity.expected import check_expected
from forecast.sensitivity.inputs import PRICES
from forecast.sensitivity.response import Answer, Response
from forecast.sensitivity.sobol import TENTHS, ranked
from forecast.streams import PLANNING_DRAWS, Array
from forecast.words import sensitivity as words
from forecast.words.numbers import apart
from forecast.words.results import Result

_WIDEST = 5.0  # a score beyond it, one in three million, counts as impossible
_LOOKS = 11  # scores at which the margin is computed before its zero is sought
_MOST_RANGE = 0.5
_SCORES = [float(ndtri(q)) for q in TENTHS]
_NAMED = 3  # inputs of largest swing that are named
_TOGETHER = 0.1  # share of the variance that interactions may explain before they count


@dataclass(frozen=True, repr=False)
class BreakEven(Result):
    """Value of an input at which the expected margin of orders is 0.

    Parameters
    ----------
    input, unit
        The input, and the unit of its value.
    value
        The value; None if the margin is 0 nowhere in the possible range.
    chance
        Chance [0 to 1] that the input lies on the side on which the orders lose money; None if it is not uncertain.
    profitable
        Where the orders are profitable: above or below the value; without one, always or never.
    tried
        Lowest and highest value that were tried; empty for a price, of which all were.
    """

    input: str
    unit: str
    value: float | None
    chance: float | None
    profitable: Literal["above", "below", "always", "never"]
    tried: tuple[float, ...] = ()

    def facts(self) -> dict[str, object]:
        """Return the input, its value and unit, and the chance to lie beyond, as far as they are known."""
        known = {name: getattr(self, name) for name in ("input", "value", "unit", "chance")}
        return {name: value for name, value in known.items() if value is not None}

    def table(self) -> pd.DataFrame:
        """Return input, value, unit and chance as a table of one row."""
        return pd.DataFrame([{name: getattr(self, name) for name in ("input", "value", "unit", "chance")}])

    def __str__(self) -> str:
        shown = words.price if self.input in PRICES else words.input_value
        if self.value is None:
            ends = [shown(value, self.unit) for value in self.tried]
            return words.no_break_even(name=self.input, ends=ends, profitable=self.profitable == "always")
        value, above = shown(self.value, self.unit), self.profitable == "above"
        return words.break_even(name=self.input, value=value, above=above, chance=self.chance)


@dataclass(frozen=True)
class Interactions:
    """Share of the variance that inputs explain one by one, with twice its standard error, and whether the rest counts.

    `interact` is None if it takes more draws to tell; `most` is the input that takes part in most of the rest.
    """

    alone: float
    error: float
    interact: bool | None
    most: str

    def __str__(self) -> str:
        return words.interactions(**vars(self))


@dataclass(frozen=True, eq=False, repr=False)
class Drivers(Result):
    """The uncertain inputs that an answer is most sensitive to.

    Parameters
    ----------
    answer
        margin [currency], chance [0 to 1] or saleable [plants].
    base
        The answer expected with all inputs random.
    currency
        ISO 4217 code.
    response
        The answer as a function of its inputs.
    """

    answer: Answer
    base: float
    currency: str
    response: Response

    def facts(self) -> dict[str, object]:
        """Return the answer, its expected value, draws and seed."""
        streams = self.response.streams
        base = words.answer_value(self.base, self.answer, self.currency)
        return {"answer": self.answer, "base": base, "draws": streams.draws, "seed": streams.seed}

    @property
    def share_columns(self) -> frozenset[str]:
        """Columns of the table that hold shares: the answers, if they are chances."""
        return frozenset({"at_p10", "at_p90", "swing"} if self.answer == "chance" else ())

    def table(self) -> pd.DataFrame:
        """Return the tornado: how far the answer swings with each input, all others left random, the largest first.

        Returns
        -------
        DataFrame
            input; p10 and p90, its 10th and 90th percentile, in unit; at_p10 and at_p90, the expected answer with the
            input set to these in the same draws; swing, how far apart these are. An input that holds for several
            batches is set as a whole: by their mean score, weighted by plants, while they go on differing around it.
        """
        return self._tornado.copy()

    @cached_property
    def _tornado(self) -> pd.DataFrame:
        inputs, rows = self.response.inputs, []
        for (name, one), found in zip(inputs.items(), _ends(self.response, inputs), strict=True):
            rows.append((name, one.unit, *(one.at(score) for score in _SCORES), *found))
        return ranked(pd.DataFrame(rows, columns=["input", "unit", "p10", "p90", "at_p10", "at_p90"]))

    @cached_property
    def _repeated(self) -> Array:
        """How far the answer swings in other draws with the inputs of largest swing, shape (repeats, inputs)."""
        top = self._tornado.head(_NAMED)
        signs = np.where(top["at_p90"] >= top["at_p10"], 1, -1)
        ends = np.array([_ends(response, top["input"]) for response in self.response.repeated()])
        return np.asarray(signs * (ends[:, :, 1] - ends[:, :, 0]))

    def _error(self, one: int, other: int | None = None) -> float:
        """Return the standard error of the swing of an input, or of that by which it is larger than another."""
        swings = self._repeated
        return float(np.std(swings[:, one] - (0 if other is None else swings[:, other]), ddof=1))

    def _apart(self, one: int, other: int | None = None) -> bool:
        """Return whether it can be seen that an input changes the answer, or changes it more than another."""
        swings = self._tornado["swing"]
        change = float(swings[one]) - (0 if other is None else float(swings[other]))
        scale = 100 if self.answer == "chance" else 1  # it is written as so many of 100 seasons
        return apart(scale * change, scale * self._error(one, other))

    def indices(self, *, top: int = 5) -> pd.DataFrame:
        """Return the Sobol indices of the inputs of largest swing, and of all others together.

        Parameters
        ----------
        top
            How many inputs, at least 1.

        Returns
        -------
        DataFrame
            A row for each input, the last, ``all else``, being all others: input; first, the share of the variance of
            the answer [0 to 1] that is gone once this input is known; total, the share that is left when all but this
            one are known; and their standard errors, first_error and total_error.

        Notes
        -----
        All that belongs to an input is one group: every batch's own luck in it, every week's weather. The chance of
        single plants is averaged out. Indices need inputs that are independent: here the parts of a survival or time
        that a season shares between groups of plants are drawn for each group alone, unlike in the tornado. The
        largest power of two of the draws is used.
        """
        if not isinstance(top, int) or top < 1:
            raise refuse("top", top, "not a number of inputs", "Give a whole number from 1.")
        return self.response.sobol(self._tornado["input"].tolist()[:top])

    def interactions(self) -> Interactions:
        """Return whether the inputs of largest swing matter together more than one by one."""
        table = self.indices()
        alone, error = float(table["first"].sum()), 2 * float(np.sqrt((table["first_error"] ** 2).sum()))
        interact = True if alone + error < 1 - _TOGETHER / 2 else False if alone - error > 1 - 2 * _TOGETHER else None
        most = int((table["total"] - table["first"]).argmax())
        return Interactions(alone, error, interact, str(table["input"].iloc[most]))

    def break_even(self, input: str | None = None) -> BreakEven:
        """Return the value of an input at which the expected margin of the orders is 0.

        Parameters
        ----------
        input
            A survival or another input of the tornado, by its name; ``sale price`` or ``lab price``, uncertain or not.
            If not given, the input that the margin is most sensitive to.

        Returns
        -------
        BreakEven
            Of several such values the one nearest to the median of the input. Of a price in currency if the orders
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
            raise refuse("answer", self.answer, "only a margin breaks even", 'Call what_drives with answer="margin".')
        if input is None:
            input = next(iter(self._tornado["input"]), PRICES[0])
        if input in PRICES:
            return self._price(input)
        if input not in self.response.inputs:
            known = [*self.response.inputs, *PRICES]
            raise refuse("input", input, "not an uncertain input of these orders", suggestion(input, known))
        one = self.response.inputs[input]

        def margin(score: float) -> float:
            return self.response.expected({input: one.scores(score)}, [input])

        looks = sorted(np.linspace(-_WIDEST, _WIDEST, _LOOKS).tolist(), key=abs)
        margins = {score: margin(score) for score in looks}
        found = _crossing(margins)
        if found is None:
            tried = one.at(-_WIDEST), one.at(_WIDEST)
            return BreakEven(input, one.unit, None, None, "always" if margins[0.0] > 0 else "never", tried)
        score = float(brentq(margin, *found, xtol=1e-6))
        below = margins[found[0]] < 0
        chance = float(ndtr(score if below else -score))
        return BreakEven(input, one.unit, one.at(score), chance, "above" if below else "below")

    def _price(self, name: str) -> BreakEven:
        unit, stated = self.response.stated(name, self.currency)
        free, full = (self.response.expected({}, [], {name: part}) for part in (0.0, 1.0))
        one, slope = self.response.inputs.get(name), full - free
        part = -free / slope if slope else math.inf
        if not 0 < part < math.inf:
            return BreakEven(name, unit, None, None, "always" if full > 0 else "never")
        below, chance = slope > 0, None
        if one is not None:
            score = (part - 1) * Z90 / self.response.ranges[name]
            chance = float(ndtr(score if below else -score))
        return BreakEven(name, unit, part * stated, chance, "above" if below else "below")

    def __str__(self) -> str:
        names = self._tornado["input"].tolist()[:_NAMED]
        seen = [at for at in range(len(names)) if self._apart(at)]
        if not seen:
            return words.no_drivers(answer=self.answer, base=self.base, currency=self.currency)
        first, *rest = seen
        cells = {name: self._tornado[name][first] for name in ("unit", "p10", "p90", "at_p10", "at_p90")}
        inputs = {names[first]: True} | {names[at]: self._apart(first, at) for at in rest}
        return words.drivers(inputs, answer=self.answer, base=self.base, currency=self.currency, **cells)


def what_drives(
    season: Season,
    variety: str | None = None,
    *,
    orders: Iterable[Any] | pd.DataFrame | None = None,
    answer: Answer = "margin",
    also: Mapping[str, float] | None = None,
    draws: int = PLANNING_DRAWS,
    seed: int | None = None,
) -> Drivers:
    """Return which uncertain inputs an answer is most sensitive to: survivals, times, weather, demand, and prices.

    Parameters
    ----------
    season, variety
        The season, and one of its varieties; all that are ordered if not given.
    orders
        As for `simulate`; without them, the orders that the season holds.
    answer
        ``margin``: the expected margin of the orders [currency]. ``chance``: the on-time chance, averaged over the
        targets of the varieties ordered. ``saleable``: plants saleable in the week of the last target of their variety,
        if none was sold before.
    also
        Prices that are uncertain, too: ``sale price`` (marked-down plants included) or ``lab price``, each with the
        part of the price within which 90 % of its draws lie, such as 0.1 for 10 % more or less. For a margin.
    draws, seed
        Number of simulated seasons, and their seed; the season's if not given.

    Returns
    -------
    Drivers

    Raises
    ------
    Refused
        If there are no orders or any cannot be used, no variety ordered has a target, nothing is uncertain, or a price
        and its range cannot be used. For the margin, as `cash_flow`.

    Notes
    -----
    The chance of single plants is averaged out (see `forecast.sensitivity.expected.Expected`), so that answers differ
    by the input alone. The margin is that of `cash_flow`.

    References
    ----------
    Howard, R. A. (1988). Decision analysis: practice and promise. Manage. Sci. 34, 679-695 (the tornado).
    doi:10.1287/mnsc.34.6.679

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> drivers = forecast.what_drives(season, "Calla 'Daviorne'", draws=128, seed=1)
    >>> drivers.table()["input"].iloc[0]
    'acclimatisation survival of calla'
    """
    if answer not in get_args(Answer):
        raise refuse("answer", answer, "not an answer", f"Write {', '.join(get_args(Answer)[:2])} or saleable.")
    ranges = dict(also or {})
    for name, part in ranges.items():
        if name not in PRICES or answer != "margin":
            remedy = f"For a margin: {' or '.join(PRICES)}."
            raise refuse("also", name, "not a price that this answer depends on", remedy)
        real("also", part, gt=0, le=_MOST_RANGE, problem=f"not a part of the {name}", such_as="0.1 for 10 %")
    orders = list(orders) if isinstance(orders, Iterator) else orders
    check_expected(draws, (season, orders))
    outcome = simulate(season, orders, draws=draws, seed=seed)
    if variety is not None:
        season.variety(variety)
    names = [name for name in outcome.varieties if variety in (None, name)]
    counted = [name for name in names if answer == "margin" or season.targets_of(name)]
    if not counted:
        remedy = "Order something of it, and give it a row in targets."
        raise refuse("variety", variety, "no variety ordered has a target", remedy)
    response = Response(outcome, counted, answer, ranges)
    if not response.inputs:
        remedy = "Enter standard deviations of survivals and times."
        raise refuse("season", season.name, "nothing is uncertain in it", remedy)
    return Drivers(answer, response.base, season.currency, response)


def _ends(response: Response, names: Iterable[str]) -> list[list[float]]:
    """Return the expected answers with each of some inputs at its 10th and at its 90th percentile."""
    inputs = {name: response.inputs[name] for name in names}
    return [[response.expected({name: one.scores(at)}, [name]) for at in _SCORES] for name, one in inputs.items()]


def _crossing(margins: Mapping[float, float]) -> tuple[float, float] | None:
    """Return the two neighbouring scores, nearest to the median, between which the margin changes its sign."""
    scores = sorted(margins)
    pairs = [(a, b) for a, b in pairwise(scores) if (margins[a] < 0) != (margins[b] < 0)]
    return min(pairs, key=lambda pair: abs(sum(pair)), default=None)
