"""One order for one sale at its edges: numbers that are known, ties, what nothing limits, and any short at all."""

import numpy as np
import pytest
from scipy import stats

from forecast.errors import Refused
from forecast.ordering.newsvendor import Certain, best_quantity, short_and_left, sold

UNLIMITED = (
    "price, {}: nothing limits the order. Give a price above what one left over earns; with any_short, a price above "
    "0, left from 0, and whole."
)


@pytest.mark.parametrize(
    ("asked", "came", "short", "left"),
    [(5, 5, 0, 0), (7, 4, 3, 0), (4, 7, 0, 3), (2.5, 1.25, 1.25, 0), (1.25, 2.5, 0, 1.25), (0, 0, 0, 0), (3, 0, 3, 0)],
)
def test_of_numbers_that_are_known_the_difference_is_short_or_left(
    asked: float, came: float, short: float, left: float
) -> None:
    assert short_and_left(asked, came) == pytest.approx((short, left))


def test_a_number_that_is_known_is_a_distribution_at_one_point() -> None:
    number = Certain(4.0)
    assert number.cdf([3.9, 4, 4.1]).tolist() == [0, 1, 1]
    assert number.sf([3.9, 4, 4.1]).tolist() == [1, 0, 0]
    assert (number.ppf(0.1), number.isf(0.1), number.mean()) == (4, 4, 4)
    assert number.expect(lambda t: t**2) == 16


@pytest.mark.parametrize(
    ("costs", "price"),
    [
        ({"price": 0, "left": 0}, 0),
        ({"price": 2, "left": -2}, 2),
        ({"price": 0, "left": 1, "any_short": 3}, 0),
        ({"price": 1, "left": -0.5, "any_short": 3}, 1),
        ({"price": 1, "any_short": 3, "whole": False}, 1),
    ],
)
def test_costs_under_which_nothing_limits_the_order_are_refused(costs: dict[str, float], price: float) -> None:
    with pytest.raises(Refused) as refused:
        best_quantity(10, short=1, **costs)  # type: ignore[arg-type]
    assert str(refused.value) == UNLIMITED.format(price)


def test_of_orders_that_cost_the_same_it_is_the_smallest() -> None:
    """Each that is ordered costs what it saves."""
    assert (best_quantity(10, price=1, short=1).quantity, best_quantity(10, price=1, short=1).cost) == (0, 10)
    found = best_quantity(10, price=1, short=2)
    assert (found.quantity, found.cost, found.short, found.left) == (10, 10, 0, 0)
    assert best_quantity(10, price=1).cost == 0
    assert best_quantity(10, price=3, any_short=30).quantity == 0


@pytest.mark.parametrize("number", [1, 2, 3, 7, 8, 9, 1000])
def test_all_that_is_surely_wanted_is_ordered_if_it_pays(number: int) -> None:
    assert best_quantity(number, price=1, short=2).quantity == number
    assert best_quantity(number, left=1, short=2).quantity == number
    assert best_quantity(number, price=1, any_short=1.5 * number).quantity == number


def test_what_is_asked_for_may_be_none_on_average() -> None:
    """Anything from -1 to 1: the critical fractile is three in four, 0.5; 3 (1 - q)^2 / 4 + (1 + q)^2 / 4 is paid."""
    found = best_quantity(stats.uniform(-1, 2), short=3, left=1, whole=False)
    assert found.quantity == pytest.approx(0.5, rel=1e-8)
    assert found.cost == pytest.approx(0.75, rel=1e-8)


@pytest.mark.parametrize("mean", [2.5, 12])
def test_what_any_short_costs_comes_on_top_of_what_each_costs(mean: float) -> None:
    """By a sum over all that can be asked for and come, at every quantity."""
    asked = np.arange(80)
    costs = []
    for n in range(80):
        came = stats.binom.pmf(asked, n, 0.8) if n else np.where(asked == 0, 1.0, 0.0)
        both = np.outer(stats.poisson.pmf(asked, mean), came)
        lacking = np.maximum(asked[:, None] - asked, 0)
        over = np.maximum(asked - asked[:, None], 0)
        costs.append(float(n + (both * (2 * lacking + 0.25 * over + 20 * (lacking > 0))).sum()))
    found = best_quantity(stats.poisson(mean), lambda n: stats.binom(n, 0.8), price=1, short=2, left=0.25, any_short=20)
    assert found.quantity == int(np.argmin(costs))
    assert found.cost == pytest.approx(min(costs), rel=1e-9)


def test_what_is_sold_may_be_asked_for_draw_by_draw_or_not_at_all() -> None:
    """Of two plants that each come through once in two, one at least does three times in four."""
    share = np.full(4, 0.5)
    assert sold([0, 1, 2, 5], 2, share).tolist() == pytest.approx([0, 0.75, 1, 1])
    assert sold(1, 2, share).tolist() == pytest.approx([0.75] * 4)
    assert sold(3, 0, share).tolist() == [0] * 4
    assert sold(0, 2, np.array([0.0, 1.0])).tolist() == [0, 0]
    assert sold(1, 2, np.array([0.0, 1.0])).tolist() == [0, 1]
