"""Beta-binomial counts: survivors by batch that vary more than a binomial."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaln, gammaln

from forecast.streams import Array

_LEAST = 1e-12  # a mixture's part below this is left out of a chance


def log_pmf(survived: ArrayLike, of: ArrayLike, a: ArrayLike, b: ArrayLike) -> Array:
    """Return the log chance of so many survivors `of` a batch whose share is beta distributed, Beta(a, b).

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

    `a`, `b` and `weights`, which add to 1, have one shape.
    """
    kept = weights > _LEAST * weights.max()
    a, b, weights = a[kept], b[kept], weights[kept]
    chances = np.array([np.exp(log_pmf(survived, of, a, b)) @ weights for survived in range(of + 1)])
    return np.asarray(chances / chances.sum())
