"""Uncertain amounts, such as a price, and uncertain counts, such as a demand."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

from forecast.errors import in_order, real
from forecast.rates.distributions import Z90
from forecast.streams import Array
from forecast.words import seasons as words


@dataclass(frozen=True)
class Amount:
    """An uncertain positive amount, such as a price or a demand, by three percentiles: 0 < p5 <= median <= p95.

    Notes
    -----
    The logarithm is normal on either side of the median, with a width of its own on each.

    Examples
    --------
    >>> print(Amount(300, 400, 600))
    about 400 (90 % range 300 to 600)
    """

    p5: float
    median: float
    p95: float

    def __post_init__(self) -> None:
        for field, value in vars(self).items():
            real(field, value, gt=0)
        in_order(vars(self))

    @property
    def _widths(self) -> tuple[float, float]:
        return math.log(self.median / self.p5) / Z90, math.log(self.p95 / self.median) / Z90

    def _moment(self, order: int) -> float:
        below, above = (order * width for width in self._widths)
        halves = math.exp(below**2 / 2) * ndtr(-below) + math.exp(above**2 / 2) * ndtr(above)
        return float(self.median**order * halves)

    @property
    def mean(self) -> float:
        """Expected amount."""
        return self._moment(1)

    @property
    def variance(self) -> float:
        """Variance of the amount."""
        return self._moment(2) - self._moment(1) ** 2

    def quantile(self, u: ArrayLike) -> Array:
        """Return the quantile at probabilities `u` [0 to 1], any shape."""
        return self.at(ndtri(np.asarray(u, dtype=np.float64)))

    def at(self, score: ArrayLike) -> Array:
        """Return the amount at normal scores."""
        score = np.asarray(score, dtype=np.float64)
        below, above = self._widths
        return np.asarray(self.median * np.exp(np.where(score < 0, below, above) * score))

    def __str__(self) -> str:
        return words.amount(p5=self.p5, median=self.median, p95=self.p95)


@dataclass(frozen=True)
class Count:
    """An uncertain whole number, such as the plants that customers ask for: the one nearest to an amount.

    Examples
    --------
    >>> demand = Count(Amount(300, 400, 600))
    >>> demand.quantile([0.05, 0.5, 0.95])
    array([300., 400., 600.])
    """

    amount: Amount

    def _chance_above(self, number: Array) -> Array:
        below, above = self.amount._widths
        step = np.log((number + 0.5) / self.amount.median)
        width = np.where(step <= 0, below, above)
        with np.errstate(divide="ignore", invalid="ignore"):
            score = np.where(width > 0, step / width, np.where(step <= 0, -np.inf, np.inf))
        return np.asarray(ndtr(-score))

    def _survivals(self) -> tuple[Array, Array]:
        most = int(self.amount.at(8.0)) + 1
        number = np.arange(most, dtype=np.float64)
        return number, self._chance_above(number)

    @property
    def mean(self) -> float:
        """Expected number: the sum over n >= 0 of the chance of more than n."""
        return float(self._survivals()[1].sum())

    @property
    def variance(self) -> float:
        """Variance of the number."""
        number, above = self._survivals()
        return float(((2 * number + 1) * above).sum()) - self.mean**2

    def quantile(self, u: ArrayLike) -> Array:
        """Return the quantile at probabilities `u` [0 to 1], any shape, as whole numbers."""
        return self.at(ndtri(np.asarray(u, dtype=np.float64)))

    def at(self, score: ArrayLike) -> Array:
        """Return the number at normal scores."""
        return np.floor(self.amount.at(score) + 0.5)

    def __str__(self) -> str:
        return str(self.amount)
