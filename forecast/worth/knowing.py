"""What it would be worth to know a survival before ordering."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr

from forecast.defaults.sourcing import Footing, footing
from forecast.growth.simulation import owners
from forecast.rates.distributions import Share
from forecast.rates.levels import Level
from forecast.season.stages import Stage
from forecast.streams import Array
from forecast.worth.columns import Ways

DOUBT = 0.5  # of the variance of a number that no source backs: as if it were worth one counted batch; judgement
_LASTING = ("belief", "variety")  # levels that are the same in a count and in the order
_TIMES = np.concatenate([np.arange(0.0, 0.6, 0.2), np.arange(0.6, 1.6, 0.02), np.arange(1.6, 4.1, 0.3)])
"""Multiples of what is planned whose income is worked out."""
_ORDERED = np.linspace(0.0, 2.5, 126)
_REACHED = np.linspace(0.0, 4.0, 401)
_DRAWS = 256
_GROUPS = 16  # of draws, left out in turn for the Monte Carlo error
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(33)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
_SCORES = np.linspace(-4.5, 4.5, 37)


class Knowing(NamedTuple):
    """A survival, what it rests on, and what knowing it before the order would be worth.

    `worth` and its standard `error` [currency].
    """

    stage: str
    applies_to: str
    rests_on: Footing
    worth: float
    error: float


def worth_of_knowing(planned: Sequence[tuple[Ways, Mapping[int, int]]]) -> list[Knowing]:
    """Return what knowing each survival that no source backs would be worth, greatest first.

    Parameters
    ----------
    planned
        The possible deliveries of each variety, and how many plantlets of each are planned, by its place.

    Notes
    -----
    In doubt is what lasts of a survival: the parts of its variance at the levels ``belief`` and ``variety``, or half of
    it, as in a default, if that is more. Let r be the survival expected when the doubt is gone, over the stated one. It
    multiplies all plants that come, in every draw, in place of what lasts there. Who knows r orders the multiple of the
    plan, in the same weeks from the same labs, whose expected worth is greatest given r; who does not, the multiple
    that is best over all r. The difference of both is the expected value of partial perfect information. Freight, the
    limits of the plan, and that plants which die later cost more to grow are not counted.
    """
    gains: dict[tuple[str, str, Footing], Array] = {}
    for ways, plants in planned:
        if not plants:
            continue
        order = _Order(ways, plants)
        for stage, share in zip(ways.season.route(ways.variety), ways.season.survivals(ways.variety), strict=True):
            rests_on = footing(stage.source, "survival")
            if share.sd and rests_on != "source" and not Level.parse(share.level).plant:
                key = stage.stage, stage.applies_to, rests_on
                gains[key] = gains.get(key, 0.0) + _gains(order.values(*_doubt(ways, stage, share)))
    found = [Knowing(*key, max(float(gain[0]), 0.0), _error(gain[1:])) for key, gain in gains.items()]
    return sorted(found, key=lambda one: -one.worth)


class _Order:
    """What multiples of the planned deliveries of one variety bring in and cost."""

    def __init__(self, ways: Ways, plants: Mapping[int, int]) -> None:
        self._income = np.array([self._brings(ways, lots) for lots in _multiples(plants)])
        orders = [{at: ways.ways[at].prices.orderable(times * n) for at, n in plants.items()} for times in _ORDERED[1:]]
        self._sizes = np.array([0.0, *(sum(lots.values()) / sum(plants.values()) for lots in orders)])
        growing = {at: float(ways.ways[at].growing.mean()) for at in plants}
        self._costs = np.array([sum(ways.ways[at].shipment(n).price + n * growing[at] for at, n in lots.items())
                                for lots in ({}, *orders)])  # fmt: skip

    @staticmethod
    def _brings(ways: Ways, lots: Mapping[int, int]) -> Array:
        """Return what plants sell for, and what those served would have cost if short, shape (draws,) [currency]."""
        brought = ways.column(0, lots).worth + _spent(ways, lots) if lots else np.zeros(_draws(ways))
        return np.asarray(brought[:_DRAWS])

    def values(self, known: Array, drawn: Array) -> Array:
        """Return the expected worth of every multiple given what is known, shape (groups, nodes, multiples).

        `known` are the factors r, and `drawn` what takes their place in the draws.
        """
        reached = [np.interp(_REACHED / one, _TIMES, some) for one, some in zip(drawn, self._income.T, strict=True)]
        groups = [np.mean(some, axis=0) for some in np.array_split(np.array(reached), min(_GROUPS, len(reached)))]
        at = known[:, None] * self._sizes
        return np.asarray([np.interp(at, _REACHED, one) for one in groups] - self._costs)


def _draws(ways: Ways) -> int:
    return min(ways.streams.draws, _DRAWS)


def _multiples(plants: Mapping[int, int]) -> Iterator[dict[int, int]]:
    for times in _TIMES:
        lots = {at: round(times * number) for at, number in plants.items()}
        yield {at: number for at, number in lots.items() if number}


def _spent(ways: Ways, lots: Mapping[int, int]) -> Array:
    return np.asarray(sum(ways.ways[at].shipment(n).price + n * ways.ways[at].growing for at, n in lots.items()))


def _doubt(ways: Ways, stage: Stage, share: Share) -> tuple[Array, Array]:
    """Return the survival once the doubt is gone, over the stated one, at each node, and what lasts of it in draws."""
    lasting = {word: part for word, part in Level.parse(share.level).shares if word in _LASTING}
    known = sum(lasting.values())
    whose = owners(stage, ways.variety, 1)
    score = np.zeros(_draws(ways))
    for word, part in lasting.items():
        score += math.sqrt(part / known) * ways.streams.normal(whose[word], f"{stage.stage} survival")[: score.size]
    return _expected(share, max(known, DOUBT), _NODES), _expected(share, known, score)


def _expected(share: Share, known: float, scores: Array) -> Array:
    """Return the survival expected where a part of its variance is known to have these scores, over the stated one."""
    return np.interp(scores, _SCORES, _curve(share, known)) if known else np.ones(scores.size)


@lru_cache(maxsize=256)
def _curve(share: Share, known: float) -> Array:
    rest = math.sqrt(max(1 - known, 0)) * _NODES
    return np.asarray(share.quantile(ndtr(math.sqrt(known) * _SCORES[:, None] + rest)) @ _WEIGHTS / share.mean)


def _gains(values: Array) -> Array:
    """Return what knowing adds, over all groups of draws and with each left out, shape (1 + groups,)."""
    kept = np.vstack([np.ones(len(values), dtype=bool), ~np.eye(len(values), dtype=bool)])
    means = np.array([values[some].mean(axis=0) for some in kept])
    return np.asarray(means.max(axis=2) @ _WEIGHTS - (_WEIGHTS @ means).max(axis=1))


def _error(left_out: Array) -> float:
    return math.sqrt((left_out.size - 1) * float(np.var(left_out)))
