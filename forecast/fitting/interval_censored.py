"""Interval-censored times: their likelihood, and where it is greatest."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, log_expit, log_ndtr, logit, ndtr, ndtri

from forecast.streams import Array

_NARROW = 1e-4  # an interval narrower than this many scales is the density at its middle times its width
_FARTHEST = 300.0  # scores of the smallest extreme value are held within, so that nothing overflows
_ROUGH, _STEPS = 12, 40  # of the integral over the location of a batch, to begin with and in the end
_FINEST = 8  # times as many where batches differ much more than their plants do
_DEEPEST = 32.0  # how far below its top the logarithm of an integrand is followed
_MOST_PLACED = 30
_LEAST, _MOST = (-100.0, -9.0, -40.0, -12.0), (100.0, 4.0, 40.0, 3.0)  # what parameters are held within
_MOST_STEPS = 30
_NEAR, _CLOSE = 1e-2, 1e-6  # steps of Newton's, the last to begin with and in the end: the next is about its square
_LEAST_CURVED = 1e-6  # of the likelihood, below which Newton's steps are not trusted
_GAIN = 1e-6  # of log-likelihood, by which one more parameter must better it
_KEPT = 0.999999  # share that finishes above which it is on its edge
_ALIKE = math.log(1e-3)  # log spread below which batches do not differ


@dataclass(frozen=True)
class Law:
    """A law of log time: location + scale W, with W standard."""

    density: Callable[[Array], tuple[Array, Array, Array]]  # logarithm of the density of W, its slope and its bend
    between: Callable[[Array, Array, Array], tuple[Array, Array, Array]]
    """From a, b and b - a, log P(a < W <= b), and the logs of the densities at a and b less that, each without a
    difference of large numbers."""
    cdf: Callable[[Array], Array]
    quantile: Callable[[Array], Array]
    deviation: float  # standard deviation of W


def _log_less(gap: Array) -> Array:  # log(1 - exp(-gap)), gap above 0
    return np.where(gap < math.log(2), np.log(-np.expm1(-gap)), np.log1p(-np.exp(-gap)))


def _log_normal(w: Array) -> Array:
    return -(w**2) / 2 - math.log(2 * math.pi) / 2


def _normal_between(a: Array, b: Array, _: Array) -> tuple[Array, Array, Array]:
    upper = a + b > 0  # taken in the lower tail, where nothing rounds to 1
    low, high = log_ndtr(np.where(upper, -b, a)), log_ndtr(np.where(upper, -a, b))
    value = high + _log_less(high - low)
    return value, _log_normal(a) - value, _log_normal(b) - value


def _logistic_between(a: Array, b: Array, width: Array) -> tuple[Array, Array, Array]:
    less, below, above = _log_less(width), log_expit(b), log_expit(-a)
    return below + above + less, log_expit(a) - below - less, log_expit(-b) - above - less


def _logistic_density(w: Array) -> tuple[Array, Array, Array]:
    slope = -np.tanh(w / 2)
    return -np.abs(w) - 2 * np.log1p(np.exp(-np.abs(w))), slope, (slope**2 - 1) / 2


def _least_density(w: Array) -> tuple[Array, Array, Array]:
    w = np.clip(w, -np.inf, _FARTHEST)
    return w - np.exp(w), 1 - np.exp(w), -np.exp(w)


def _least_between(a: Array, b: Array, width: Array) -> tuple[Array, Array, Array]:
    a, b = np.clip(a, -np.inf, _FARTHEST), np.clip(b, -np.inf, _FARTHEST)
    passed = np.where(np.isinf(a), np.exp(b), np.exp(a) * np.expm1(np.clip(width, 0, _FARTHEST)))
    less = _log_less(passed)
    return less - np.exp(a), a - less, b - passed - less


LAWS: Mapping[str, Law] = {
    "lognormal": Law(
        lambda w: (_log_normal(w), -w, np.full_like(w, -1.0)), _normal_between, ndtr, ndtri, 1.0,
    ),
    "log-logistic": Law(_logistic_density, _logistic_between, expit, logit, math.pi / math.sqrt(3)),
    "weibull": Law(
        _least_density, _least_between, lambda w: -np.expm1(-np.exp(w)), lambda u: np.log(-np.log1p(-u)),
        math.pi / math.sqrt(6),
    ),
}  # fmt: skip


class CensoredData:
    """Interval-censored times: each row a count of plants that became ready after one time and until another.

    Rows are batch, after, until and a count above 0. Two plants of batch May, found ready at a count in week 4 but not
    in week 3, one that became ready in week 5 exactly, and six still growing at the last count, in week 9::

        ("May", 3, 4, 2), ("May", 5, 5, 1), ("May", 9, inf, 6)

    Equal rows are added up and rows sorted, so that the order in which they were listed cannot matter. ``lower``,
    ``upper`` and ``midpoint`` are logs of these times, ``width`` that of until / after, ``open`` says where plants were
    still growing (right-censored), and ``owner`` is the number of the batch of each row.
    """

    def __init__(self, rows: Iterable[tuple[str, float, float, int]]) -> None:
        counts: dict[tuple[str, float, float], int] = {}
        for batch, after, until, count in rows:
            counts[batch, after, until] = counts.get((batch, after, until), 0) + count
        keys = sorted(counts)
        batches = [key[0] for key in keys]
        times = np.array([key[1:] for key in keys], dtype=np.float64)
        first_look, last_look = times[:, :1], times[:, 1:]
        self.count = np.array([counts[key] for key in keys], dtype=np.float64)[:, None]
        self.open = np.isinf(last_look)
        with np.errstate(divide="ignore", invalid="ignore"):
            self.lower, self.upper = np.log(first_look), np.log(last_look)
            self.width = np.where(self.open, np.inf, np.log1p((last_look - first_look) / first_look))
            self.log_width = np.where(self.width > 0, np.log(self.width), -self.lower)  # per unit of time, if exact
        both = np.isfinite(self.lower) & np.isfinite(self.upper)
        self.midpoint = np.where(both, (self.lower + self.upper) / 2, np.where(self.open, self.lower, self.upper))
        first = [i for i, (one, two) in enumerate(pairwise(["", *batches])) if i == 0 or one != two]
        self.first = np.array(first)
        self.owner = np.repeat(np.arange(self.first.size), np.diff([*first, len(keys)]))

    def add(self, rows: Array) -> Array:
        """Add up the rows of each batch, along the first axis."""
        return np.asarray(np.add.reduceat(rows, self.first, axis=0))


@dataclass(frozen=True)
class _Terms:  # of each row, with derivatives in location, log scale and logit of the share that finishes
    value: Array
    slope: list[Array]
    bend: list[list[Array]]


def _terms(data: CensoredData, law: Law, location: Array, log_scale: float, log_odds: float | None) -> _Terms:
    scale = math.exp(log_scale)
    a, b, width = (data.lower - location) / scale, (data.upper - location) / scale, data.width / scale
    with np.errstate(all="ignore"):  # what is not a number here is replaced below
        value, *relative = law.between(a, b, np.broadcast_to(width, a.shape))
        parts = []
        for w, sign, ratio in ((a, -1, relative[0]), (b, 1, relative[1])):
            known = np.isfinite(w)
            score = np.where(known, w, 0.0)
            slope = law.density(score)[1]
            weight = np.where(known, sign * np.exp(ratio), 0.0)
            bent = weight * slope
            parts.append((weight, weight * score, bent, score * bent, score * score * bent))
        m0, m1, s0, s1, s2 = (low + high for low, high in zip(*parts, strict=True))
        found = [value, -m0 / scale, -m1, (s0 - m0**2) / scale**2, (m0 + s1 - m0 * m1) / scale, m1 + s2 - m1**2]
    narrow = (width < _NARROW) & ~data.open
    if narrow.any():
        w = (data.midpoint - location) / scale
        density, slope, bend = law.density(w)
        point = [density - log_scale + data.log_width, -slope / scale, -w * slope - 1, bend / scale**2]
        point += [(slope + w * bend) / scale, w * slope + w**2 * bend]
        found = [np.where(narrow, one, other) for one, other in zip(point, found, strict=True)]
    value, by, by_scale, twice, across, twice_scale = found
    terms = _Terms(value, [by, by_scale], [[twice, across], [across, twice_scale]])
    return terms if log_odds is None else _with_never(data.open, terms, log_odds)


def _with_never(growing: NDArray[np.bool_], terms: _Terms, log_odds: float) -> _Terms:
    ever, log_ever, log_never = float(expit(log_odds)), float(log_expit(log_odds)), float(log_expit(-log_odds))
    later = log_ever + terms.value
    value = np.where(growing, np.logaddexp(log_never, later), later)
    late = np.exp(later - value)  # 1 for the ready; chance that one still growing will be ready yet
    mixed = late * (1 - late)
    slope = [late * one for one in terms.slope] + [late - ever]
    bend = [
        [late * terms.bend[i][j] + mixed * terms.slope[i] * terms.slope[j] for j in (0, 1)] + [mixed * terms.slope[i]]
        for i in (0, 1)
    ]
    bend.append([mixed * terms.slope[0], mixed * terms.slope[1], mixed - ever * (1 - ever)])
    return _Terms(value, slope, bend)


class Likelihood:
    """Log-likelihood of interval-censored times under a law of log time in a batch.

    Its parameters are location, log scale, logit of the share that finishes if some `never` do, and log spread of
    batches if their location differs `between` them, normally.

    Notes
    -----
    The location of a batch is integrated by the trapezoidal rule over 41 points or more, placed for each batch where
    its integrand is within exp(-32) of its top. For a smooth integrand that vanishes at both ends this rule is as sharp
    as Gauss-Hermite quadrature, and unlike that it also holds where the counts confine a batch to one interval.

    References
    ----------
    Trefethen, L. N. and Weideman, J. A. C. (2014). The exponentially convergent trapezoidal rule. SIAM Rev. 56,
    385-458. doi:10.1137/130932132
    """

    def __init__(self, data: CensoredData, law: Law, *, never: bool, between: bool) -> None:
        self.data, self.law, self.never, self.between = data, law, never, between
        self.size, self.steps = 2 + never + between, _STEPS
        self._range: tuple[Array, Array] | None = None
        self._last: tuple[bytes, tuple[float, Array, Array]] | None = None

    def at(self, parameters: Array) -> tuple[float, Array, Array]:
        """Return the log-likelihood with its first and second derivatives."""
        key = parameters.tobytes() + bytes([self.steps])
        if self._last is None or self._last[0] != key:
            self._last = key, self._over_batches(parameters) if self.between else self._plainly(parameters)
        return self._last[1]

    def _rows(self, location: Array, parameters: Array) -> _Terms:
        odds = float(parameters[2]) if self.never else None
        return _terms(self.data, self.law, location, float(parameters[1]), odds)

    def _plainly(self, parameters: Array) -> tuple[float, Array, Array]:
        terms, count = self._rows(np.full((1, 1), parameters[0]), parameters), self.data.count
        slope = np.array([(count * one).sum() for one in terms.slope])
        bend = np.array([[(count * one).sum() for one in line] for line in terms.bend])
        return float((count * terms.value).sum()), slope, bend

    def _over_batches(self, parameters: Array) -> tuple[float, Array, Array]:
        data, spread = self.data, math.exp(float(parameters[-1]))
        z, terms, weight = self._quadrature(parameters)
        top = weight.max(axis=1, keepdims=True)
        chance = np.exp(weight - top)
        total = chance.sum(axis=1, keepdims=True)
        chance /= total
        slopes = [z / spread, *(data.add(data.count * one) for one in terms.slope[1:]), z**2 - 1]
        slope = np.array([(chance * one).sum(axis=1) for one in slopes])
        bend = np.zeros((self.size, self.size))
        for i, one in enumerate(slopes):
            for j, other in enumerate(slopes[: i + 1]):
                second = (chance * (one - slope[i][:, None]) * (other - slope[j][:, None])).sum()
                if 0 < j <= i < self.size - 1:
                    second += (chance * data.add(data.count * terms.bend[i][j])).sum()
                bend[i, j] = bend[j, i] = second
        bend[0, 0] -= data.first.size / spread**2
        bend[-1, 0] -= 2 * slope[0].sum()
        bend[0, -1] = bend[-1, 0]
        bend[-1, -1] -= 2 * (slope[-1] + 1).sum()
        return float((top + np.log(total)).sum()), slope.sum(axis=1), bend

    def _quadrature(self, parameters: Array) -> tuple[Array, _Terms, Array]:
        # Points lie evenly over where the integrand of a batch lives: narrower or wider until they fit.
        data, mean, spread = self.data, float(parameters[0]), math.exp(float(parameters[-1]))
        low, high = self._range if self._range is not None else self._widest(parameters)
        steps = self.steps * math.ceil(min(max(spread / (3 * math.exp(float(parameters[1]))), 1), _FINEST))
        for _ in range(_MOST_PLACED):
            at = low + (high - low) * np.linspace(0, 1, steps + 1)
            z, terms = (at - mean) / spread, self._rows(at[data.owner], parameters)
            step = (high - low) / steps / (spread * math.sqrt(2 * math.pi))
            weight = data.add(data.count * terms.value) - z**2 / 2 + np.log(step)
            near = weight > weight.max(axis=1, keepdims=True) - _DEEPEST
            first, last = near.argmax(axis=1)[:, None], steps - near[:, ::-1].argmax(axis=1)[:, None]
            fits = (first > 0) & (last < steps) & (last - first >= steps // 2)
            if fits.all():
                break
            span = high - low
            lower, higher = (np.take_along_axis(at, np.clip(i, 0, steps), axis=1) for i in (first - 1, last + 1))
            low = np.where(fits, low, np.where(first > 0, lower, low - span / 2))
            high = np.where(fits, high, np.where(last < steps, higher, high + span / 2))
        self._range = low, high
        return z, terms, weight

    def _widest(self, parameters: Array) -> tuple[Array, Array]:
        reach, mean = 9 * np.exp(parameters[[1, -1]]), parameters[0]
        bounds = np.concatenate([self.data.lower, self.data.upper, self.data.midpoint], axis=1)
        low = np.minimum.reduceat(np.where(np.isfinite(bounds), bounds, np.inf).min(axis=1), self.data.first)
        high = np.maximum.reduceat(np.where(np.isfinite(bounds), bounds, -np.inf).max(axis=1), self.data.first)
        low, high = np.minimum(low - reach[0], mean - reach[1]), np.maximum(high + reach[0], mean + reach[1])
        return low[:, None], high[:, None]


@dataclass(frozen=True)
class Fit:
    """A maximum of a likelihood."""

    parameters: Array  # where it lies
    log_likelihood: float
    information: Array  # observed: minus the second derivatives there


class _Climb:
    """Newton's steps up a log-likelihood in its free parameters, the others held at where they start."""

    def __init__(self, likelihood: Likelihood, start: Sequence[float], scale_held: bool) -> None:
        self.likelihood = likelihood
        self.place = np.array(start, dtype=np.float64)
        self.free = np.array([i for i in range(self.place.size) if not (scale_held and i == 1)])
        lines = [0, 1] + [2] * likelihood.never + [3] * likelihood.between
        self.least, self.most = np.array(_LEAST)[lines], np.array(_MOST)[lines]

    def whole(self, part: Array) -> Array:
        full = self.place.copy()
        full[self.free] = part
        return np.asarray(np.clip(full, self.least, self.most))

    def loss(self, part: Array) -> tuple[float, Array]:
        value, slope, _ = self.likelihood.at(self.whole(part))
        return -value, -slope[self.free]

    def bend(self, part: Array) -> Array:
        return np.asarray(-self.likelihood.at(self.whole(part))[2][np.ix_(self.free, self.free)])

    def newton(self, part: Array) -> tuple[Array, bool]:
        """Return where Newton's steps lead, and whether they end at the top."""
        near = _NEAR if self.likelihood.steps == _ROUGH else _CLOSE
        for _ in range(_MOST_STEPS):
            curvature, (height, downhill) = self.bend(part), self.loss(part)
            if not np.isfinite(curvature).all() or not np.linalg.eigvalsh(curvature)[0] > _LEAST_CURVED:
                return part, False
            step = np.linalg.solve(curvature, -downhill)
            step *= 1.5 / max(float(np.abs(step).max()), 1.5)
            if np.abs(step).max() < near:
                return part + step, True
            steps = (part + share * step for share in (1.0, 0.5, 0.25))
            lower = next((one for one in steps if self.loss(one)[0] <= height + 1e-12 * abs(height)), None)
            if lower is None:
                return part, False
            part = lower
        return part, False


def maximise(likelihood: Likelihood, start: Sequence[float], *, scale_held: bool = False) -> Fit:
    """Return the greatest log-likelihood found from a start, with the log scale held where it starts if so asked."""
    climb = _Climb(likelihood, start, scale_held)
    part, reached = climb.place[climb.free], False
    for steps in (_ROUGH, _STEPS) if likelihood.between else (_STEPS,):
        likelihood.steps = steps
        found, reached = climb.newton(part)
        part = found if reached or steps == _STEPS else part
    if not reached:
        options: Any = {"gtol": 1e-6 * float(likelihood.data.count.sum()), "maxiter": 200}
        with suppress(ValueError, OverflowError, UnboundLocalError, np.linalg.LinAlgError):  # no way up is no error
            best = minimize(climb.loss, part, jac=True, hess=climb.bend, method="trust-exact", options=options)
            part, _ = climb.newton(np.asarray(best.x))
    value, _, curved = likelihood.at(climb.whole(part))
    return Fit(climb.whole(part), value, -curved)


def starts(data: CensoredData, *, ready_only: bool) -> tuple[float, float, float]:
    """Return starting values of location, log scale and log spread of batches, from the midpoints of the rows."""
    count = np.where(data.open & ready_only, 1e-9, data.count)
    middle = data.midpoint + np.where(data.open, 0.3, 0.0)
    mean = float((count * middle).sum() / count.sum())
    of_batch = data.add(count * middle) / data.add(count)
    within = float((count * (middle - of_batch[data.owner]) ** 2).sum() / count.sum())
    overall = float((count * (middle - mean) ** 2).sum() / count.sum())
    many = data.first.size > 1
    return mean, math.log(max(within if many else overall, 0.0025)) / 2, math.log(max(overall - within, 0.0025)) / 2


def fit_best(data: CensoredData, law: Law, *, never: bool, many: bool) -> tuple[Fit, bool, bool]:
    """Return the best fit, whether some plants never finish in it, and whether its batches differ."""
    chosen: tuple[Fit, bool, bool] | None = None
    ready = float(data.count[~data.open].sum() / data.count.sum())
    for over, across in [(False, False), (True, False), (False, True), (True, True)]:
        if (over and not never) or (across and not many):
            continue
        likelihood = Likelihood(data, law, never=over, between=across)
        mean, log_scale, log_spread = starts(data, ready_only=over)
        odds = float(logit(min(ready, 0.95)))
        fit = maximise(likelihood, [mean, log_scale] + [odds] * over + [log_spread] * across)
        if over and not across and chosen is not None and fit.log_likelihood < chosen[0].log_likelihood + _GAIN:
            again = maximise(likelihood, [*chosen[0].parameters, 3.0])
            fit = max(fit, again, key=lambda one: one.log_likelihood)
        edge = (over and expit(fit.parameters[2]) > _KEPT) or (across and fit.parameters[-1] < _ALIKE)
        if chosen is None or (fit.log_likelihood > chosen[0].log_likelihood + _GAIN and not edge):
            chosen = fit, over, across
    assert chosen is not None
    return chosen
