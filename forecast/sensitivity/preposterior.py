"""Expected margins of orders and chances of outcomes of a trial, before it (preposterior analysis)."""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, xlog1py, xlogy
from scipy.stats import norm, qmc

from forecast.growth.simulation import COORDINATES, owners
from forecast.ordering.margins import Margins
from forecast.ordering.price_breaks import PriceList
from forecast.ordering.shipments import Shipment, bill
from forecast.ordering.trial_orders import Case
from forecast.rates.levels import Level
from forecast.season.season import Season
from forecast.streams import Array, IndependentSets, Streams
from forecast.weeks import Week

GROUPS = 16  # independent sets of draws, left out in turn for the Monte Carlo error
_LASTING = ("belief", "variety")  # levels that are the same in the trial and in the main order
_WIDEST, _STEP = 6.0, 0.125  # of the lattice of scores where one survival is uncertain
_POINTS = 128  # at which scores are drawn where several are
_MOST_TRIED = 60  # quantities of a price-list line
_TRIALS = 256  # draws of a trial


def even_sets(draws: int, seed: int) -> Streams:
    """Make the streams of a trial: independent sets of draws, from which its error is known."""
    return IndependentSets(seed, draws, COORDINATES, GROUPS)


class Preposterior:
    """Expected margins of orders, and chances of outcomes, by the part of survival that is unknown and lasts.

    The case is a target of the season with all that is needed to try orders for it, `number` that of its delivery.
    """

    def __init__(self, season: Season, case: Case, number: int) -> None:
        self.case, self.margins = case, Margins(case)
        self._season, self._variety, self._number = season, case.request.variety, number
        self._held = _lasting(season, self._variety)
        self.uncertain_stages = tuple(name for name, _ in self._held)
        self.scores, self.weights = _nodes(len(self._held), case.streams)
        self._ways = self._best_weeks()
        self.choices: tuple[Shipment | None, ...] = (None, *self._orderable())
        other = int(case.streams.generator("trial").integers(2**62))  # the trial has a season of its own
        self._trial = even_sets(min(case.streams.draws, _TRIALS), other)
        self._chances: dict[int, Array] = {}

    def _best_weeks(self) -> list[tuple[PriceList, Week]]:
        """Return for each price-list line the week of delivery that is best without a trial."""
        best: dict[PriceList, tuple[float, Week]] = {}
        for prices, week in self.case.ways():
            margin = self.margins.greatest(prices, week)[1]
            if prices not in best or margin >= best[prices][0]:
                best[prices] = margin, week
        return [(prices, week) for prices, (_, week) in sorted(best.items(), key=lambda item: -item[1][0])]

    def _orderable(self) -> list[Shipment]:
        """Return the orders that are compared: up to what costs as much as all that can be sold brings, thinned out."""
        found = []
        for prices, week in self._ways:
            greatest = self.margins.greatest(prices, week)[0].quantity
            most = self.margins.most(prices, week)
            every = [n for _, quantities in prices.ranges(most) for n in quantities]
            kept = np.linspace(0, len(every) - 1, min(len(every), _MOST_TRIED)).round().astype(int)
            tried = {every[at] for at in kept} | {greatest, *(some[0] for _, some in prices.ranges(most))}
            found += [Shipment(prices, week, n) for n in sorted(tried)]
        return found

    def _shifts(self, streams: Streams, scores: Array) -> dict[str, Array]:
        """Return what must be added to scores so that their lasting parts are those given."""
        route = {stage.stage: stage for stage in self._season.route(self._variety)}
        shifts = {}
        for (name, level), score in zip(self._held, scores, strict=True):
            quantity, whose = f"{name} survival", owners(route[name], self._variety, 1)
            parts = {word: share for word, share in level.shares if word in _LASTING}
            drawn = sum(math.sqrt(share) * streams.normal(whose[word], quantity) for word, share in parts.items())
            shifts[quantity] = math.sqrt(sum(parts.values())) * score - drawn
        return shifts

    def _given(self, streams: Streams, scores: Array) -> Case:
        shifts = self._shifts(streams, scores)
        return Case(self._season, streams, self.case.request, self._number, shifts=shifts)

    @cached_property
    def _by_group(self) -> Array:
        """Expected margin of each choice, shape (groups, nodes, choices) [currency]."""
        found = np.zeros((GROUPS, len(self.weights), len(self.choices)))
        for node, scores in enumerate(self.scores):
            given = Margins(self._given(self.case.streams, scores))
            for at, choice in enumerate(self.choices):
                if choice is not None:
                    income = given.income(choice.quantity, choice.week)
                    found[:, node, at] = _grouped(income) - given.case.cost(choice)
        return found

    @cached_property
    def _survivals(self) -> Array:
        """Share of a trial batch that comes through all stages, shape (nodes, draws)."""
        week = self._ways[0][1]
        return np.array([self._given(self._trial, scores).fate(week).survival for scores in self.scores])

    def _likelihoods(self, plants: int) -> Array:
        """Chance of each number of survivors of a trial, shape (groups, nodes, plants + 1)."""
        if plants not in self._chances:
            number = np.arange(plants + 1.0)[:, None]
            choose = gammaln(plants + 1) - gammaln(number + 1) - gammaln(plants - number + 1)
            found = np.empty((GROUPS, len(self.weights), plants + 1))
            for node, share in enumerate(self._survivals):
                mass = np.exp(choose + xlogy(number, share) + xlog1py(plants - number, -share))
                found[:, node] = _grouped(mass)
            self._chances[plants] = found
        return self._chances[plants]

    def known(self) -> tuple[int, float, float]:
        """Return the best choice without a trial, its margin [currency], and the value of perfect information."""
        margins = self._by_group.mean(axis=0)
        expected = self.weights @ margins
        best = int(np.argmax(expected))
        return best, float(expected[best]), max(float(self.weights @ margins.max(axis=1) - expected[best]), 0.0)

    def evsi(self, plants: int) -> tuple[float, float]:
        """Return the value of a trial (EVSI), and its standard error [currency].

        Notes
        -----
        The error is that of a jackknife over independent sets of draws, and over those of scores where these are drawn.
        """
        if not self._held:
            return 0.0, 0.0
        by_group = self._by_group, self._likelihoods(plants)
        margins, chances = (table.mean(axis=0) for table in by_group)
        kept = ~np.eye(GROUPS, dtype=bool)
        draws = [_evsi(self.weights, *(table[rest].mean(axis=0) for table in by_group)) for rest in kept]
        variance = _jackknife(draws)
        if len(self._held) > 1:
            group = np.arange(len(self.weights)) // (_POINTS // GROUPS)
            variance += _jackknife([_evsi(self.weights[k], margins[k], chances[k]) for k in (r[group] for r in kept)])
        return _evsi(self.weights, margins, chances), math.sqrt(variance)

    def outcomes(self, plants: int) -> tuple[Array, Array, NDArray[np.intp], Array]:
        """Return by number of survivors its chance, the survival and margin then expected, and the best choice."""
        margins, chances = self._by_group.mean(axis=0), self._likelihoods(plants).mean(axis=0)
        joint = self.weights[:, None] * chances
        total = np.maximum(joint.sum(axis=0), np.finfo(float).tiny)
        expected = (joint.T @ margins) / total[:, None]
        best = np.argmax(expected, axis=1)
        return total, joint.T @ self._survivals.mean(axis=1) / total, best, expected[np.arange(plants + 1), best]

    def cost(self, plants: int) -> tuple[float, int, str]:
        """Return the cost of a trial [currency], the plantlets bought for it, and from which lab."""
        bills = []
        for prices, week in self._ways:
            bought = prices.orderable(plants)
            paid = bill([Shipment(prices, week, bought)]).total
            bills.append((paid + plants * self.case.growing(week), bought, prices.lab))
        return min(bills) if plants else (0.0, 0, min(bills)[2])


def _lasting(season: Season, variety: str) -> tuple[tuple[str, Level], ...]:
    """Return the stages whose survival is uncertain in a way that lasts, with the level at which it varies."""
    found = []
    for stage, share in zip(season.route(variety), season.survivals(variety), strict=True):
        level = Level.parse(share.level)
        if share.sd > 0 and any(word in _LASTING for word, _ in level.shares):
            found.append((stage.stage, level))
    return tuple(found)


def _nodes(uncertain: int, streams: Streams) -> tuple[Array, Array]:
    """Return scores of what lasts, shape (nodes, stages), and their weights."""
    if uncertain > 1:
        sets = (qmc.Sobol(uncertain, rng=streams.generator("what lasts", str(at))) for at in range(GROUPS))
        points = np.concatenate([one.random(_POINTS // GROUPS) for one in sets])
        return norm.ppf(points), np.full(_POINTS, 1 / _POINTS)
    scores = np.linspace(-_WIDEST, _WIDEST, 1 + round(2 * _WIDEST / _STEP))[:, None] if uncertain else np.zeros((1, 0))
    weights = norm.pdf(scores).prod(axis=1)
    return scores, weights / weights.sum()


def _evsi(weights: Array, margins: Array, chances: Array) -> float:
    """Value of a trial from margins (nodes, choices) and chances of outcomes (nodes, outcomes)."""
    weights = weights / weights.sum()
    joint = (weights[:, None] * chances).T @ margins
    return max(float(joint.max(axis=1).sum() - (weights @ margins).max()), 0.0)


def _grouped(by_draw: Array) -> Array:
    """Return means over the independent sets of draws, the last axis, as the first axis."""
    return np.array([some.mean(axis=-1) for some in np.array_split(by_draw, GROUPS, axis=-1)])


def _jackknife(left_out: list[float]) -> float:
    """Variance of a number from those found with one group left out."""
    return (len(left_out) - 1) * float(np.var(left_out))
