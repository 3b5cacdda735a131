"""Where computed numbers meet whole ones: the one tolerance for the last digits of floating-point arithmetic."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

TOLERANCE = 1e-9  # of a number above 1, as a share of it: what arithmetic may leave of nothing


def near_whole(number: ArrayLike) -> NDArray[np.float64]:
    """Return numbers, those that differ from a whole one by their last digits alone as that one.

    Examples
    --------
    >>> 630 / 0.7
    900.0000000000001
    >>> near_whole([630 / 0.7, 900.01]).tolist()
    [900.0, 900.01]
    """
    some = np.asarray(number, dtype=np.float64)
    whole = np.rint(some)
    return np.where(np.abs(some - whole) <= TOLERANCE * np.maximum(np.abs(some), 1), whole, some)


def round_up(number: float) -> int:
    """Return the smallest whole number that is not less, but for the last digits: a need.

    Examples
    --------
    >>> round_up(630 / 0.7), round_up(900.01)
    (900, 901)
    """
    return math.ceil(near_whole(number))


def round_down(number: float) -> int:
    """Return the largest whole number that is not more, but for the last digits: what there is room or time for."""
    return math.floor(near_whole(number))


def reaches(chance: ArrayLike, level: float) -> NDArray[np.bool_]:
    """Return whether chances are a level or more, but for the last digits.

    Examples
    --------
    >>> bool(reaches(0.7 + 0.2, 0.9)), 0.7 + 0.2 >= 0.9
    (True, False)
    """
    return np.asarray(chance, dtype=np.float64) >= level - TOLERANCE
