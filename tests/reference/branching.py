"""Explants that multiply alone, generation after generation: the textbook branching process (Galton-Watson).

With f(s) = sum_k p_k s^k the number in generation n has the generating function f_n(s)^start, where f_0(s) = s and
f_n = f(f_(n-1)).

Harris, T. E. (1963). The Theory of Branching Processes. Springer, ch. I.
Athreya, K. B. and Ney, P. E. (1972). Branching Processes. Springer, ch. I, part A.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.polynomial.polynomial import polyval
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len
from scipy.optimize import brentq
from scipy.special import betainc, gammainc

from forecast.streams import Array

_MOST_SHOOTS = 2**14  # of one explant, where its chances are cut off


@dataclass(frozen=True)
class Branching:
    """So many explants at the start, each of which gives 0, 1, 2, ... shoots by the same chances.

    >>> culture = Branching((1 / 6, 1 / 2, 1 / 3), start=3)
    >>> round(culture.mean(5), 4), round(culture.extinction_probability, 4), culture.quantile(0.95, 5)
    (6.4842, 0.125, 14)
    """

    chances: tuple[float, ...]
    start: int = 1

    @classmethod
    def negative_binomial(cls, mean: float, size: float, start: int = 1) -> Branching:
        """Make the process whose explants give a negative binomial number of shoots, of variance mean + mean^2 / size.

        Poisson if the size is infinite. p_(j+1) / p_j = mean (1 + j / size) / ((j + 1) (1 + mean / size)); cut off
        where less than 1e-15 is left, and divided by the sum (Johnson, N. L., Kemp, A. W. and Kotz, S. 2005,
        Univariate Discrete Distributions, 3rd ed., ch. 5).
        """

        def done(k: int) -> bool:
            return bool((betainc(k, size, mean / (size + mean)) if size < math.inf else gammainc(k, mean)) < 1e-15)

        j = np.arange(bisect_left(range(1, _MOST_SHOOTS + 1), True, key=done))
        logs = np.cumsum(np.log(mean) + np.log1p(j / size) - np.log1p(j) - math.log1p(mean / size))
        chances = np.exp(np.concatenate([[0.0], logs]) - max(logs.max(initial=0.0), 0.0))
        return cls(tuple((chances / chances.sum()).tolist()), start)

    def with_loss(self, share: float) -> Branching:
        """Return the process in which each explant is lost with a chance c [0 to 1] before it divides.

        p_0 becomes c + (1 - c) p_0 and p_k becomes (1 - c) p_k, so m becomes (1 - c) m and s^2 becomes
        (1 - c) s^2 + c (1 - c) m^2 (generating function c + (1 - c) f(s); Harris 1963, ch. I).
        """
        none, *some = ((1 - share) * self._p).tolist()
        return replace(self, chances=(share + none, *some))

    @cached_property
    def _p(self) -> Array:
        p = np.trim_zeros(np.array(self.chances, dtype=np.float64), "b")
        return np.asarray(p / math.fsum(p))

    @cached_property
    def _beyond(self) -> Array:
        return np.append(np.cumsum(self._p[:0:-1])[::-1], [0.0] * (self._p.size == 1))  # P(shoots > 0), > 1, ...

    @property
    def offspring_mean(self) -> float:
        """Mean number of shoots of one explant, m = f'(1) = sum_k k p_k (Harris 1963, ch. I)."""
        return float(self._p @ np.arange(self._p.size))

    @property
    def offspring_variance(self) -> float:
        """Variance of the shoots of one explant, s^2 = sum_k (k - m)^2 p_k (Harris 1963, ch. I)."""
        return float(self._p @ (np.arange(self._p.size) - self.offspring_mean) ** 2)

    def mean(self, generation: int) -> float:
        """Return the mean number in a generation, start m^n (Harris 1963, ch. I)."""
        return self.start * self.offspring_mean**generation

    def variance(self, generation: int) -> float:
        """Return the variance of the number in a generation.

        start s^2 m^(n-1) (m^n - 1) / (m - 1), or start s^2 n if m = 1 (Harris 1963, ch. I; Athreya and Ney 1972,
        ch. I), added up as start s^2 (m^(n-1) + ... + m^(2n-2)), which serves any m.
        """
        powers = np.arange(generation - 1, 2 * generation - 1)
        return float(self.start * self.offspring_variance * (self.offspring_mean**powers).sum())

    def extinct_by(self, generation: int) -> float:
        """Return the chance that nothing is left by a generation, f_n(0)^start (Harris 1963, ch. I)."""
        s, k = 0.0, np.arange(self._p.size)
        for _ in range(generation):
            s = min(float(self._p @ s**k), 1.0)
        return s**self.start

    @property
    def extinction_probability(self) -> float:
        """Chance that some day nothing is left.

        q^start, q the smallest root of f(s) = s in [0, 1]: 1 if m <= 1, unless each explant gives exactly one shoot
        (Harris 1963, ch. I; Athreya and Ney 1972, ch. I). The root 1 is divided out, so that q is sharp for m near 1:
        f(s) - s = (1 - s) (p_0 - sum_(j>=1) P(shoots > j) s^j).
        """
        rest, k = np.append(-self._p[0], self._beyond[1:]), np.arange(max(self._p.size - 1, 1))
        if rest[0] == 0 or not rest.sum() > 0:  # the sum is m - 1
            return float(rest[0] != 0)
        root = brentq(lambda s: float(rest @ s**k), 0.0, 1.0, xtol=1e-300, rtol=1e-15, maxiter=10_000)
        return float(root) ** self.start

    def distribution(self, generation: int) -> Array:
        """Return the chances of 0, 1, 2, ... plants in a generation, up to where less than 1e-16 is left.

        The discrete Fourier transform of f_n(s)^start at roots of unity (Abate, J. and Whitt, W. 1992, Oper. Res.
        Lett. 12, 245-251). What lies beyond the last number w falls among the first: less than 1e-16 by Chernoff's
        bound, min over s > 1 of f_n(s)^start / s^(w+1). Rounding is of that order.
        """
        n, above = generation, np.geomspace(1e-12, 1e3, 400)
        with np.errstate(over="ignore", invalid="ignore"):
            bounds = (self.start * np.log1p(self._less_one(above, n)) + 37) / np.log1p(above)  # exp(-37) < 1e-16
        most = min(min(bounds[np.isfinite(bounds)].tolist(), default=math.inf), self.start * (self._p.size - 1) ** n)
        if self.offspring_variance == 0:  # the number is known
            return np.asarray(np.eye(int(most) + 1)[-1])
        points = next_fast_len(int(most) + 1, real=True)
        z = self._less_one(np.expm1(-2j * np.pi * np.arange(points // 2 + 1) / points), n)
        off = z.real * (2 + z.real) + z.imag**2  # |1 + z|^2 - 1
        with np.errstate(divide="ignore"):
            size = np.where(off < -0.5, np.log(np.abs(1 + z)), np.log1p(np.maximum(off, -0.5)) / 2)
        found = np.exp(self.start * size) * np.exp(1j * self.start * np.arctan2(z.imag, 1 + z.real))
        return np.maximum(irfft(found, n=points)[: int(most) + 1], 0.0)

    def _less_one(self, z: NDArray[Any], n: int) -> NDArray[Any]:
        # f_n(1 + z) - 1, by f(s) - 1 = (s - 1) sum_j P(shoots > j) s^j, which is sharp near s = 1.
        for _ in range(n):
            z = z * polyval(1 + z, self._beyond)
        return z

    def quantile(self, q: float, generation: int) -> int:
        """Return the smallest n with P(Z <= n) >= q, Z the number in a generation, 0 < q < 1; 1e-13 short will do."""
        return int(np.searchsorted(np.cumsum(self.distribution(generation)), q - 1e-13))
