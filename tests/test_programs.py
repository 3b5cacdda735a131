"""Mixed-integer programs by hand, and one that no solver ends soon."""

import math
import time

import numpy as np
import pytest

from forecast.programs import solve

LESS, MORE = np.array([-math.inf]), np.array([math.inf])


@pytest.mark.parametrize(
    ("integers", "found", "least"),
    [(1, [1, 0.4], -10.4), (2, [1, 0], -8)],
)
def test_the_first_columns_are_whole_numbers_and_the_others_need_not_be(integers, found, least):
    """8 for 10 and 6 for 5, at most one of each, with 12 to spend."""
    x, bound = solve(
        np.array([-8.0, -6.0]), np.array([[10.0, 5.0]]), LESS, np.array([12.0]), np.ones(2), integers=integers
    )
    assert x == pytest.approx(found)
    assert bound == pytest.approx(least)


def test_rows_hold_from_below_and_above_and_columns_up_to_their_most():
    """At least 7 in all and at least 1 more of the second than of the first, of which there are 2 at most."""
    rows, lower, upper = np.array([[1.0, 1.0], [-1.0, 1.0]]), np.array([7.0, 1.0]), np.array([math.inf, 4.0])
    x, least = solve(np.array([1.0, 2.0]), rows, lower, upper, np.array([2.0, 50.0]), integers=2)
    assert x == pytest.approx([2, 5])
    assert least == pytest.approx(12)
    assert solve(np.array([2.0, 1.0]), rows, lower, upper, np.array([9.0, 50.0]), integers=2)[0] == pytest.approx(
        [2, 5]
    )
    assert solve(np.ones(2), rows, lower, upper, np.array([2.0, 4.0]), integers=2) == (None, -math.inf)


def halved():
    """Four sums to be halved by 30 numbers at once; 100 is paid in any case, and 1 for each by which a half is missed.

    Columns are the numbers, what is missed above and below, and what is paid in any case.
    """
    numbers = np.random.default_rng(1).integers(0, 100, size=(4, 30)).astype(float)
    halves = np.append(np.floor(numbers.sum(axis=1) / 2), 1)
    rows = np.zeros((5, 39))
    rows[:4, :30], rows[:4, 30:34], rows[:4, 34:38], rows[4, 38] = numbers, np.eye(4), -np.eye(4), 1
    most = np.concatenate([np.ones(30), np.full(9, math.inf)])
    return np.concatenate([np.zeros(30), np.ones(8), [100]]), rows, halves, halves, most


@pytest.mark.parametrize("until", [{"seconds": 0.3}, {"seconds": 6, "gap": 0.5}])
def test_a_search_ends_in_time_or_once_it_is_good_enough_with_a_bound_that_holds(until, capfd):
    """To prove the best takes more than ten seconds."""
    cost, rows, halves, *others = halved()
    began = time.monotonic()
    x, bound = solve(cost, rows, halves, *others, integers=30, **until)
    assert time.monotonic() - began < 3
    assert bound == pytest.approx(100)
    assert bound <= cost @ x <= 200
    assert rows @ x == pytest.approx(halves, abs=1e-5)
    assert capfd.readouterr() == ("", "")
