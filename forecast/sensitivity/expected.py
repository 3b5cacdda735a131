"""Plants and money of orders in every draw, expected over the chance of single plants: smooth in their rates."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cached_property
from typing import Any

import numpy as np
from numpy.polynomial.hermite_e import hermegauss

from forecast.errors import whole
from forecast.growth.blocks import bytes_of_draw, check_room
from forecast.growth.outcome import Outcome
from forecast.growth.selling import Buyers, Sold, buyers_of, sell
from forecast.growth.simulation import batches_of
from forecast.growth.stock import price_factor
from forecast.resources.money_flow import Line, growing, income
from forecast.season.season import Season
from forecast.streams import MOST_DRAWS, Array

_LUCK, _WEIGHTS = hermegauss(5)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
_HISTORIES = 8  # of plants by week that are there together


class Expected:
    """Plants and money of one variety of an outcome in every draw, expected over the chance of single plants.

    Notes
    -----
    Given the draw the number that has become saleable by a week is a sum of binomials. It is taken as normal with
    their mean and variance, and with one luck for all weeks; what depends on it is averaged over that luck by five
    points of Gauss-Hermite quadrature. The chance that the first target of a variety is met is exact. So two
    scenarios differ by what was changed alone, and not by the plants that happened to live.
    """

    def __init__(self, outcome: Outcome, variety: str) -> None:
        self.outcome, self.variety = outcome, variety
        self._season, self._batches = outcome.season, [one for one in outcome.batches if one.variety == variety]
        self._targets = self._season.targets_of(variety)
        self._life = self._season.variety(variety).saleable_weeks

    def saleable(self) -> Array:
        """Return the plants saleable in the week of the last target, if none was sold before, shape (draws,)."""
        found = np.zeros(self.outcome.draws)
        for batch in self._batches:
            elapsed = np.array([float(max(row.last for row in self._targets) - batch.week)])
            found += batch.quantity * self.outcome.fate(batch).saleable(elapsed, self._life)[0]
        return found

    def on_hand(self) -> Array:
        """Return the number on hand on each Monday, before the sale of that week, shape (weeks, draws) [plants]."""
        return self._mean(self._sold().before)

    def offered(self, at: int) -> Array:
        """Return the plants that a target could have, shape (draws,), as `Sold.offered` does."""
        return self._mean(self._sold().offered(at))

    def met(self) -> Array:
        """Return the chance [0 to 1] that each target is met, by week, shape (targets, draws)."""
        buyers, found = self._buyers, []
        needed = [self._season.needed(row.target, row.come[-1]) for row in buyers.rows]
        if exact := buyers.first_alone:
            found = [self.outcome.chances(self.variety, week=self._targets[0].week, at_least=needed[0])]
        if needed[exact:]:
            sold = self._sold()
            every = [np.tile(number, _LUCK.size) for number in needed]
            found += [self._mean(sold.kept(at, every[at]).astype(np.float64)) for at in range(exact, len(needed))]
        return np.array(found)

    def income(self) -> Array:
        """Return what the plants bring in [currency], shape (draws,)."""
        factor = price_factor(self._season, self.outcome.streams)
        factor = np.tile(factor, _LUCK.size) if factor.size > 1 else factor
        lines = income(self._season, self.variety, self._sold(), factor)
        return self._mean(_total(lines, _LUCK.size * self.outcome.draws))

    def growing(self) -> Array:
        """Return what their stages, work and bench cost [currency], shape (draws,)."""
        return -_total(growing(self.outcome, self.variety), self.outcome.draws)

    @cached_property
    def _buyers(self) -> Buyers:
        return buyers_of(self._season, self.outcome.streams, self.variety, self._batches)

    def _sold(self) -> Sold:
        """Return what is sold, in lucks x draws."""
        weeks = np.arange(self._season.weeks, dtype=np.float64)
        mean, variance = np.zeros((2, weeks.size, self.outcome.draws))
        for batch in self._batches:
            share = self.outcome.fate(batch).ready(weeks - (batch.week - self._season.first_week))
            mean += batch.quantity * share
            variance += batch.quantity * share * (1 - share)
        ready = mean[:, None] + _LUCK[:, None] * np.sqrt(np.maximum(variance, 0))[:, None]
        ready = ready.reshape(weeks.size, -1)  # not cut off at 0 and all, so that means stay what they are
        return sell(ready, self._buyers.repeated(_LUCK.size), mean.mean(axis=1))

    def _mean(self, values: Array) -> Array:
        """Average over the lucks, the last axis holding lucks x draws."""
        return np.asarray(np.moveaxis(values.reshape(*values.shape[:-1], _LUCK.size, -1), -2, -1) @ _WEIGHTS)


def check_expected(draws: int, *ordered: tuple[Season, Any]) -> None:
    """Refuse more draws than memory holds for what is expected of a variety, and outcomes of seasons with orders."""
    whole("draws", draws, 1, MOST_DRAWS)
    kept = [bytes_of_draw(season, batches_of(season, orders)) for season, orders in ordered]
    for season, _ in ordered:
        check_room(season, draws, _HISTORIES * season.weeks * _LUCK.size, kept=kept)


def _total(lines: Iterable[Line], draws: int) -> Array:
    found = np.zeros(draws)
    for line in lines:
        found += line.amounts.sum(axis=0)
    return found
