"""Counts of survivors by batch that vary more than a binomial: likelihood, chances, maximum likelihood."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import minimize_scalar
from scipy.special import betaln, expit, gammaln, logit, xlogy

from forecast.errors import Fault, Refused
from forecast.streams import Array

_FARTHEST = 30.0  # logit of a share that is fitted at 0 or 1
_ALIKE = (math.log(1e-3), math.log(1e7))  # of log k: from all or nothing to binomial
_LEAST = 1e-12  # a mixture's part below this is left out of a chance


def log_pmf(survived: ArrayLike, of: ArrayLike, a: ArrayLike, b: ArrayLike) -> Array:
    """Return the log chance of so many survivors of a batch whose share is beta distributed.

    Parameters
    ----------
    survived, of
        Plants alive, and plants there were [number].
    a, b
        Parameters of the beta distribution, above 0.

    Notes
    -----
    log C(n, y) + log B(y + a, n - y + b) - log B(a, b).

    References
    ----------
    Skellam, J. G. (1948). A probability distribution derived from the binomial distribution by regarding the
    probability of success as variable between the sets of trials. J. R. Statist. Soc. B 10, 257-261.
    """
    y, n, a, b = (np.asarray(number, dtype=np.float64) for number in (survived, of, a, b))
    choose = gammaln(n + 1) - gammaln(y + 1) - gammaln(n - y + 1)
    return np.asarray(choose + betaln(y + a, n - y + b) - betaln(a, b))


def mixed_pmf(of: int, a: Array, b: Array, weights: Array) -> Array:
    """Return the chances of 0, 1, ..., `of` survivors under a mixture of beta-binomial distributions.

    Parameters
    ----------
    of
        Plants in the batch [number].
    a, b, weights
        Parameters of the beta distributions and their weights, all of one shape; the weights add to 1.
    """
    kept = weights > _LEAST * weights.max()
    a, b, weights = a[kept], b[kept], weights[kept]
    chances = np.array([np.exp(log_pmf(survived, of, a, b)) @ weights for survived in range(of + 1)])
    return np.asarray(chances / chances.sum())


@dataclass(frozen=True)
class Fit:
    """Shares by group and the likeness of plants of a batch, by maximum likelihood.

    Parameters
    ----------
    shares
        Share that survives by group [0 to 1].
    correlation
        Correlation of two plants of a batch, phi = 1 / (k + 1) [0 to 1]; close to 0 is binomial.
    log_likelihood
        Of the beta-binomial model, with its binomial coefficients.
    pooled
        Share by group if plants died independently: survivors over plants.
    deviance
        Twice the log-likelihood by which the binomial model by group falls short of a share for each batch.
    free
        Degrees of freedom of the deviance: batches less groups.
    """

    shares: dict[Hashable, float]
    correlation: float
    log_likelihood: float
    pooled: dict[Hashable, float]
    deviance: float
    free: int

    @property
    def likeness(self) -> float:
        """Return k = a + b of the beta distributions."""
        return 1 / self.correlation - 1


def fit_groups(survived: Sequence[int], of: Sequence[int], group: Sequence[Hashable]) -> Fit:
    """Fit a share to each group of batches, and one correlation within batches to all, by maximum likelihood.

    Parameters
    ----------
    survived, of
        Plants alive and plants there were, by batch [number].
    group
        The group of each batch.

    Raises
    ------
    Refused
        If there is no batch, the three have not one length, or a row is not a count; every fault is listed.

    Notes
    -----
    Survivors of a batch of group g are beta-binomial with a = p_g k and b = (1 - p_g) k. For a given k the groups
    are fitted one by one, so that the search is over log k alone, between k = 0.001 and 10 million. Groups in which
    all or none survived are fitted at 1 or 0.

    References
    ----------
    Crowder, M. J. (1978). Beta-binomial ANOVA for proportions. Appl. Statist. 27, 34-37. doi:10.2307/2346223

    Examples
    --------
    >>> fit = fit_groups([5, 9, 30, 28], [10, 10, 30, 30], ["early", "early", "late", "late"])
    >>> round(fit.pooled["late"], 3), fit.free
    (0.967, 2)
    """
    if not len(survived) == len(of) == len(group) > 0:
        raise Refused([Fault("not one row for each batch", "Give survived, of and group of one length, at least 1.")])
    remedy = "Give whole numbers, survived at most of."
    faults = [
        Fault("not a count", remedy, row=row, column="survived", value=f"{y} of {n}")
        for row, (y, n) in enumerate(zip(survived, of, strict=True), 1)
        if not (n >= 1 and 0 <= y <= n and y == int(y) and n == int(n))
    ]
    if faults:
        raise Refused(faults)
    names = list(dict.fromkeys(group))
    at = np.array([names.index(name) for name in group])
    y, n = np.asarray(survived, dtype=np.float64), np.asarray(of, dtype=np.float64)
    rows = [(y[at == index], n[at == index]) for index in range(len(names))]

    def best(log_k: float) -> tuple[float, list[float]]:
        k, total, found = math.exp(log_k), 0.0, []
        for alive, there in rows:
            share, value = _best_share(alive, there, k)
            total += value
            found.append(share)
        return total, found

    log_k = _peak(lambda log_k: best(log_k)[0], *_ALIKE)
    total, shares = best(log_k)
    pooled = [float(alive.sum() / there.sum()) for alive, there in rows]
    fitted = np.array(pooled)[at]
    full = xlogy(y, y / n) + xlogy(n - y, 1 - y / n)
    deviance = 2 * float((full - xlogy(y, fitted) - xlogy(n - y, 1 - fitted)).sum())
    return Fit(
        dict(zip(names, shares, strict=True)),
        1 / (1 + math.exp(log_k)),
        total,
        dict(zip(names, pooled, strict=True)),
        deviance,
        len(y) - len(names),
    )


def _best_share(y: Array, n: Array, k: float) -> tuple[float, float]:
    if y.sum() in (0, n.sum()):  # certain: its likelihood is 1
        return float(y.sum() / n.sum()), 0.0

    def value(x: float) -> float:
        return float(log_pmf(y, n, k * expit(x), k * expit(-x)).sum())

    start = float(logit(y.sum() / n.sum()))
    x = _peak(value, max(start - 6, -_FARTHEST), min(start + 6, _FARTHEST))
    return float(expit(x)), value(x)


def _peak(function: Callable[[float], float], low: float, high: float) -> float:
    tried = np.linspace(low, high, 13)
    first = int(np.argmax([function(x) for x in tried.tolist()]))
    bounds = (float(tried[max(first - 1, 0)]), float(tried[min(first + 1, 12)]))
    return float(minimize_scalar(lambda x: -function(x), bounds=bounds, method="bounded", options={"xatol": 1e-9}).x)
