"""Beta-binomial shares by group of batches, by maximum likelihood: the fit of published examples."""

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.special import expit, logit, xlogy

from forecast.fitting.betabinomial import log_pmf
from forecast.streams import Array

_FARTHEST = 30.0  # logit of a share that is fitted at 0 or 1
_ALIKE = (math.log(1e-3), math.log(1e7))  # of log k: from all or nothing to binomial


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

    Notes
    -----
    Survivors of a batch of group g are beta-binomial with a = p_g k and b = (1 - p_g) k. For a given k the groups
    are fitted one by one, so that the search is over log k alone, between k = 0.001 and 10 million. Groups in which
    all or none survived are fitted at 1 or 0.

    References
    ----------
    Crowder, M. J. (1978). Beta-binomial ANOVA for proportions. Appl. Statist. 27, 34-37. doi:10.2307/2346223
    """
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
