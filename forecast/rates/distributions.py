"""Uncertain shares of plants, such as a survival, and uncertain durations of stages."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline
from scipy.optimize import root
from scipy.special import betainc, betaincinv, betaln, log_ndtr, ndtr, ndtri

from forecast.errors import in_order, real, refuse
from forecast.rates.levels import Level
from forecast.streams import Array
from forecast.words import seasons as words
from forecast.words.numbers import figures

Z90 = 1.6448536269514722  # standard normal quantile at 0.95: 90 % lie within -Z90 and Z90
_LEAST = 1e-6  # below this standard deviation a share counts as known
_WIDEST = 6.5  # scores beyond, one in 10^10, are not looked up in a table
_FARTHEST = 34.0  # scores beyond, one in 10^253, count as this: SciPy's quantiles fail a little further out


@dataclass(frozen=True)
class Share:
    """An uncertain proportion of plants, such as a survival.

    Parameters
    ----------
    mean
        Expected share [0 to 1, above 0].
    sd
        Standard deviation of the share [same unit]; 0 if it is known and always the same.
    level
        What it varies by: a word or a `Level`.

    Raises
    ------
    Refused
        If the mean is not above 0 and at most 1, or no beta distribution has this standard deviation.

    Notes
    -----
    A beta distribution with a = m k and b = (1 - m) k, k = m (1 - m) / s^2 - 1.

    References
    ----------
    Johnson, N. L., Kotz, S. and Balakrishnan, N. (1995). Continuous Univariate Distributions,
    vol. 2, 2nd ed., ch. 25.

    Examples
    --------
    >>> survival = Share(0.8, 0.12, "batch")
    >>> print(survival)
    80 % on average; between 57 and 96 % in 9 of 10 batches
    >>> round(float(survival.quantile(0.05)), 3)
    0.572
    """

    mean: float
    sd: float
    level: Level | str

    def __post_init__(self) -> None:
        object.__setattr__(self, "level", Level.parse(self.level))
        real("mean", self.mean, gt=0, le=1, such_as="0.85 for 85 %")
        widest = math.sqrt(self.mean * (1 - self.mean))
        if not (self.sd == 0 or 0 < self.sd < widest):
            problem = f"no share with a mean of {figures(self.mean, 6)} varies so much"
            raise refuse("sd", self.sd, problem, f"Give a standard deviation from 0 to below {figures(widest)}.")
        if 0 < self.sd < _LEAST:
            raise refuse("sd", self.sd, "too small to be meant", f"Give 0, or at least {_LEAST:f}.")

    @classmethod
    def from_counts(cls, survived: int, of: int, *, level: Level | str) -> Share:
        """Return the posterior of a share after one count, under Jeffreys' prior Beta(1/2, 1/2).

        Parameters
        ----------
        survived
            Number that survived, 0 to `of`.
        of
            Number there were, at least 1.
        level
            What the share varies by. One count tells how well the share is known (``belief``), not how batches
            differ.

        Raises
        ------
        Refused
            If more survived than there were.

        Notes
        -----
        Beta(survived + 1/2, of - survived + 1/2).

        References
        ----------
        Brown, L. D., Cai, T. T. and DasGupta, A. (2001). Interval estimation for a binomial
        proportion. Statist. Sci. 16, 101-133. doi:10.1214/ss/1009213286
        """
        if not (of >= 1 and 0 <= survived <= of and survived == int(survived) and of == int(of)):
            raise refuse("survived", f"{survived} of {of}", "not a count", "Give whole numbers, survived at most of.")
        a, b = survived + 0.5, of - survived + 0.5
        return cls(a / (a + b), math.sqrt(a * b / (a + b + 1)) / (a + b), level)

    @classmethod
    def from_range(cls, p5: float, p95: float, *, level: Level | str, outside: float = 0.05) -> Share:
        """Return the share whose 90 % range has two ends, or another range.

        Parameters
        ----------
        p5, p95
            Its 5th and 95th percentile [0 to 1].
        level
            What the share varies by.
        outside
            Chance to lie below the range, and to lie above it.

        Raises
        ------
        Refused
            If the two values are not in order between 0 and 1, or no beta distribution fits them.
        """
        in_order({"p5": real("p5", p5, gt=0, lt=1), "p95": real("p95", p95, gt=0, lt=1)}, strictly=True)

        wide = -float(ndtri(outside))

        def excess(logs: Array) -> Array:
            a, b = np.exp(np.clip(logs, -30, 30))
            return np.array([ndtri(betainc(a, b, p5)) + wide, ndtri(betainc(b, a, 1 - p95)) + wide])

        mean, sd = (p5 + p95) / 2, (p95 - p5) / (2 * wide)
        size = max(mean * (1 - mean) / sd**2 - 1, 0.5)
        found = root(excess, np.log([mean * size, (1 - mean) * size]), tol=1e-12)
        if not np.abs(excess(found.x)).max() < 1e-8:
            remedy = "Give two values that differ, not too close to 0 or 1."
            raise refuse("p5", f"{p5} to {p95}", "no share fits this range", remedy)
        a, b = (float(value) for value in np.exp(found.x))
        return cls(a / (a + b), math.sqrt(a * b / (a + b + 1)) / (a + b), level)

    def around(self, mean: float) -> Share:
        """Return the share of another mean [0 to 1] that keeps the a + b of its beta distribution."""
        if not self.sd:
            return Share(mean, 0.0, self.level)
        return Share(mean, self.sd * math.sqrt(mean * (1 - mean) / (self.mean * (1 - self.mean))), self.level)

    @property
    def parameters(self) -> tuple[float, float]:
        """Parameters a and b of the beta distribution; infinite if the share does not vary."""
        if self.sd == 0:
            return math.inf, math.inf
        size = self.mean * (1 - self.mean) / self.sd**2 - 1
        return self.mean * size, (1 - self.mean) * size

    @property
    def variance(self) -> float:
        """Variance of the share."""
        return self.sd**2

    def quantile(self, u: ArrayLike) -> Array:
        """Return the quantile at probabilities `u` [0 to 1], any shape."""
        u = np.asarray(u, dtype=np.float64)
        if self.sd == 0:
            return np.full(u.shape, self.mean)
        a, b = self.parameters
        return np.asarray(betaincinv(a, b, u))

    def cdf(self, share: ArrayLike) -> Array:
        """Return the probability that the share is at most `share`."""
        share = np.asarray(share, dtype=np.float64)
        if self.sd == 0:
            return np.where(share >= self.mean, 1.0, 0.0)
        a, b = self.parameters
        return np.asarray(betainc(a, b, np.clip(share, 0, 1)))

    def log_at(self, score: Array) -> Array:
        """Return the logarithm of the quantile at standard normal scores, any shape.

        Notes
        -----
        A cubic spline through exact quantiles; a test holds the share to 1e-7. Scores that hardly ever
        come by chance, as after a disaster, have the exact quantile.
        """
        if self.sd == 0:
            return np.full(score.shape, math.log(self.mean))
        found = np.minimum(_log_share(*self.parameters)(np.clip(score, -_WIDEST, _WIDEST)), 0.0)
        far = np.abs(score) > _WIDEST
        if far.any():
            found[far] = _far_log_share(*self.parameters, score[far])
        return found

    def __str__(self) -> str:
        p5, p95 = self.quantile([0.05, 0.95]).tolist()
        level = Level.parse(self.level)
        return words.share(mean=self.mean, p5=p5, p95=p95, varies_by=level.greatest, doubted=level.doubted)


def _far_log_share(a: float, b: float, score: Array) -> Array:
    down = -np.minimum(np.abs(score), _FARTHEST)
    return np.where(score < 0, _log_in_tail(a, b, down), np.log1p(-np.exp(_log_in_tail(b, a, down))))


def _log_in_tail(a: float, b: float, score: Array) -> Array:
    """Logarithm of the quantile at scores far below 0; where b x is very small by the law at 0, x^a / (a B)."""
    log_chance = log_ndtr(score)
    small = (log_chance + math.log(a) + betaln(a, b)) / a
    found = np.log(np.fmax(betaincinv(a, b, np.exp(log_chance)), 1e-300))  # which may be no number if it is very small
    return np.where(small + math.log(max(b, 1.0)) < -15, small, found)


@lru_cache(maxsize=1024)
def _log_share(a: float, b: float) -> Callable[[Array], Array]:
    # A distribution with a peak at 0 or 1 bends sharply and wants more knots.
    knots = np.linspace(-_WIDEST, _WIDEST, 261 if min(a, b) > 1 else 4161)
    # Small shares are accurate as quantiles, large ones as quantiles of the share lost.
    lower = np.log(np.maximum(betaincinv(a, b, ndtr(knots)), 1e-300))
    upper = np.log1p(-np.minimum(betaincinv(b, a, ndtr(-knots)), 1 - 1e-16))
    spline = CubicSpline(knots, np.where(lower < -0.7, lower, upper))
    cubic, square, slope, value = spline.c
    per_step = (knots.size - 1) / (2 * _WIDEST)

    def evaluate(score: Array) -> Array:  # even knots need no search for their interval
        at = ((score + _WIDEST) * per_step).astype(np.intp)
        np.minimum(at, knots.size - 2, out=at)
        past = score - knots.take(at)
        found: Array = cubic.take(at)
        for part in (square, slope, value):
            found *= past
            found += part.take(at)
        return found

    return evaluate


@dataclass(frozen=True)
class Duration:
    """An uncertain duration of a stage: its median, and how batches and the plants of a batch differ.

    Parameters
    ----------
    median
        Time by which half of the plants of a typical batch are through [weeks, or `unit`], at least 0.
    batches_cv
        Coefficient of variation between batches [share of the mean].
    plants_cv
        Coefficient of variation between the plants of one batch [share of the mean].
    level
        What batches vary by: a word or a `Level`.
    unit
        What the median is counted in.

    Raises
    ------
    Refused
        If a number is negative or infinite, or a time of 0 varies.

    Notes
    -----
    Lognormal at both levels: the time of a plant is median * exp(s_b z_b) * exp(s_p v), with
    s = sqrt(log(1 + cv^2)). v is the plant's vigour, the same in all its stages: a plant that is
    slow to root stays behind.

    Examples
    --------
    >>> weaning = Duration(4, 0.2, 0.1, "batch")
    >>> print(weaning)
    4 weeks; between 2.9 and 5.5 in 9 of 10 batches
    """

    median: float
    batches_cv: float
    plants_cv: float
    level: Level | str
    unit: str = "weeks"

    def __post_init__(self) -> None:
        object.__setattr__(self, "level", Level.parse(self.level))
        for field in ("median", "batches_cv", "plants_cv"):
            real(field, getattr(self, field), ge=0)
        if self.median == 0 and (self.batches_cv or self.plants_cv):
            remedy = "Set both coefficients of variation to 0."
            raise refuse("median", 0, "a stage that takes no time cannot vary", remedy)

    @classmethod
    def from_range(cls, p5: float, p95: float, *, plants_cv: float, level: Level | str) -> Duration:
        """Return the duration of which the medians of batches have a 90 % range with two ends.

        Parameters
        ----------
        p5, p95
            5th and 95th percentile of the median of a batch [weeks].
        plants_cv
            Coefficient of variation between the plants of one batch [share of the mean].
        level
            What batches vary by.

        Raises
        ------
        Refused
            If not 0 < p5 <= p95.
        """
        in_order({"p5": real("p5", p5, gt=0), "p95": real("p95", p95, gt=0)})
        log_sd = math.log(p95 / p5) / (2 * Z90)
        return cls(math.sqrt(p5 * p95), math.sqrt(math.expm1(log_sd**2)), plants_cv, level)

    @property
    def log_sds(self) -> tuple[float, float]:
        """Standard deviations of the logarithm of the time, between batches and between plants."""
        return math.sqrt(math.log1p(self.batches_cv**2)), math.sqrt(math.log1p(self.plants_cv**2))

    @property
    def mean(self) -> float:
        """Mean time over batches and plants [weeks]."""
        return self.median * math.sqrt((1 + self.batches_cv**2) * (1 + self.plants_cv**2))

    @property
    def variance(self) -> float:
        """Variance of the time over batches and plants [weeks squared]."""
        return self.mean**2 * ((1 + self.batches_cv**2) * (1 + self.plants_cv**2) - 1)

    def quantile(self, u: ArrayLike) -> Array:
        """Return the quantile of the median time of a batch [weeks] at probabilities `u`."""
        return self.at(ndtri(np.asarray(u, dtype=np.float64)))

    def at(self, score: ArrayLike) -> Array:
        """Return the median time of a batch [weeks] at normal scores."""
        return self.median * np.exp(self.log_sds[0] * np.asarray(score, dtype=np.float64))

    def __str__(self) -> str:
        p5, p95 = self.quantile([0.05, 0.95]).tolist()
        level = Level.parse(self.level)
        return words.duration(
            median=self.median, unit=self.unit, p5=p5, p95=p95, varies_by=level.greatest, doubted=level.doubted
        )
