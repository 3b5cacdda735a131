"""One order for one sale (newsvendor): what is short and left over, and the quantity of least cost."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.differentiate import derivative
from scipy.integrate import tanhsinh
from scipy.optimize import brentq

from forecast.streams import Array

_LEAST = 1e-16  # chances below this are left out
_NONE = 1e-9  # an order of a smaller part of what is asked for counts as none


@dataclass(frozen=True)
class Certain:
    """A number that is known, to stand where a distribution may."""

    value: float

    def cdf(self, number: ArrayLike) -> Array:
        """Return the chance that it is at most `number`."""
        return np.where(np.asarray(number) >= self.value, 1.0, 0.0)

    def sf(self, number: ArrayLike) -> Array:
        """Return the chance that it is more than `number`."""
        return 1 - self.cdf(number)

    def ppf(self, chance: float) -> float:  # noqa: ARG002  # alike at every chance
        """Return the number itself."""
        return self.value

    isf = ppf

    def mean(self) -> float:
        """Return the number itself."""
        return self.value

    def expect(self, function: Callable[[float], float]) -> float:
        """Return a function of it."""
        return function(self.value)


def short_and_left(asked: Any, came: Any) -> tuple[float, float]:
    """Return how many are expected to be short, and how many left over, of two independent quantities.

    They are what is asked for and what comes [plants, or any unit]: numbers, or frozen distributions of `scipy.stats`.
    E[max(D - Y, 0)] is the integral of P(Y <= t) P(D > t) over t. Where one of them is whole it is taken over the
    unit between whole numbers, of the sum of all such units; where both are, the sum alone is exact.
    """
    asked, came = _distribution(asked), _distribution(came)
    low, high = float(came.ppf(_LEAST)), float(asked.isf(_LEAST))
    short = 0.0
    if low < high and not math.isclose(low, high, rel_tol=1e-12):
        kinks = [low, high, float(came.isf(_LEAST)), float(asked.ppf(_LEAST))]
        both: Callable[[Any], Any] = lambda t: came.cdf(t) * asked.sf(t)  # noqa: E731
        if _whole(asked) and _whole(came):
            short = float(both(np.arange(low, high)).sum())
        elif hasattr(asked, "pmf") or hasattr(came, "pmf"):
            units = np.arange(math.floor(low), math.ceil(high), dtype=np.float64)
            short = _integral(
                lambda part: both(part[..., None] + units).sum(axis=-1), 0, 1, [kink % 1 for kink in kinks]
            )
        else:
            short = _integral(both, low, high, kinks)
    return short, short + float(came.mean()) - float(asked.mean())


@dataclass(frozen=True)
class Quantity:
    """The order that costs least, its expected cost [currency], and the numbers expected to be short and left over."""

    quantity: float
    cost: float
    short: float
    left: float


def best_quantity(
    asked: Any,
    comes: Callable[[float], Any] | None = None,
    *,
    price: float = 0.0,
    short: float = 0.0,
    left: float = 0.0,
    any_short: float = 0.0,
    whole: bool = True,
) -> Quantity:
    """Find the order of least expected cost, where what is asked for and what comes of it are uncertain.

    `asked` and what comes of an order of so many are numbers or frozen distributions of `scipy.stats`, independent of
    each other; all that is ordered comes, if `comes` is not given. An order costs `price` for each [currency], `short`
    and `left` for each that is short and left over, and `any_short` if any is short at all. Of quantities of least cost
    the smallest is found; if they need not be `whole`, the cost must be smooth.

    Notes
    -----
    The expected cost price q + short E[max(D - Y, 0)] + left E[max(Y - D, 0)] is convex in q where Y is q times a
    share, q and an amount, or binomial given a share: bisection finds its least. With ``any_short`` it is not, so that
    every quantity is tried until its price alone is more than the best cost.

    References
    ----------
    Snyder, L. V. and Shen, Z.-J. M. (2019). Fundamentals of Supply Chain Theory, 2nd ed., ch. 4 and 9.
    Yano, C. A. and Lee, H. L. (1995). Lot sizing with random yields: a review. Oper. Res. 43, 311-334.
    doi:10.1287/opre.43.2.311
    """
    asked = _distribution(asked)
    found: dict[float, Quantity] = {}

    def tried(quantity: float) -> Quantity:
        if quantity not in found:
            came = _distribution(comes(quantity) if comes and quantity else quantity)
            lacking, over = short_and_left(asked, came)
            cost = price * quantity + short * lacking + left * over
            if any_short:
                cost += any_short * float(asked.expect(lambda t: came.cdf(np.nextafter(t, -math.inf))))
            found[quantity] = Quantity(quantity, cost, lacking, over)
        return found[quantity]

    def cost(quantity: float) -> float:
        return tried(quantity).cost

    if any_short:
        best = number = 0
        while price * number <= cost(best):
            number += 1
            best = min(best, number, key=cost)
        return tried(best)
    return tried(_smallest_of_least(cost) if whole else _where_flat(cost, abs(float(asked.mean())) or 1.0))


def _smallest_of_least(cost: Callable[[float], float]) -> int:
    """Find the least of a convex function of whole numbers from 0."""
    high = 1
    while cost(high + 1) < cost(high):
        high *= 2
    low = 0
    while low < high:
        middle = (low + high) // 2
        if cost(middle + 1) < cost(middle):
            low = middle + 1
        else:
            high = middle
    return low


def _where_flat(cost: Callable[[float], float], usual: float) -> float:
    """Find where a smooth convex function of numbers above 0 has no slope."""
    every = np.vectorize(cost, otypes=[float])

    def slope(quantity: float) -> float:
        return float(derivative(every, quantity, initial_step=quantity / 64).df)

    low = high = usual
    while slope(high) < 0:
        high *= 2
    while slope(low) > 0:
        low /= 2
        if low < _NONE * usual:
            return 0.0
    return float(brentq(slope, low, high, xtol=1e-12, rtol=1e-14))


def _distribution(quantity: Any) -> Any:
    return quantity if hasattr(quantity, "cdf") else Certain(float(quantity))


def _whole(quantity: Any) -> bool:
    return hasattr(quantity, "pmf") or (isinstance(quantity, Certain) and quantity.value.is_integer())


def _integral(function: Callable[[Any], Any], low: float, high: float, kinks: list[float]) -> float:
    ends = np.array(sorted({low, high, *(kink for kink in kinks if low < kink < high)}))
    return float(tanhsinh(function, ends[:-1], ends[1:], rtol=1e-13).integral.sum())
