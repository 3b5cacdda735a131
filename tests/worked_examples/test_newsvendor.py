"""One order for one sale, against published answers and against enumeration.

Snyder, L. V. and Shen, Z.-J. M. (2019), Fundamentals of Supply Chain Theory, 2nd ed., is called Snyder and Shen here.
Each answer is found a second way: from the closed form of the textbook, or by a sum over everything that can happen.
"""

import math
from itertools import count, takewhile

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from newsvendor import Certain, best_quantity, short_and_left
from scipy import stats
from small_seasons import offer

from forecast.ordering.margins import sold
from forecast.ordering.price_breaks import PriceList
from forecast.season.price_list import PriceLine

some = settings(max_examples=60, deadline=None, derandomize=True)

PRINTED = {  # Snyder and Shen, problem 4.7 (b)
    "values": ([1, 2, 3, 4, 5, 6, 7, 8], [0.25, 0.05, 0.10, 0.20, 0.15, 0.10, 0.10, 0.05]),
}


@pytest.mark.parametrize(
    ("mean", "deviation", "short", "left", "quantity", "cost"),
    [(50, 8, 0.70, 0.18, 56.603956, 1.997605), (900, 60, 79, 43, 922.721404, 2718.196782)],
)
def test_normal_demand(mean, deviation, short, left, quantity, cost):
    """Snyder and Shen, example 4.3 and problem 4.1; again by the critical fractile and the normal loss function."""
    found = best_quantity(stats.norm(mean, deviation), short=short, left=left, whole=False)
    assert (round(found.quantity, 6), round(found.cost, 6)) == (quantity, cost)
    score = stats.norm.ppf(short / (short + left))
    assert found.quantity == pytest.approx(mean + deviation * score, rel=1e-10)
    assert found.cost == pytest.approx((short + left) * deviation * stats.norm.pdf(score), rel=1e-11)


@pytest.mark.parametrize(
    ("demand", "short", "left", "quantity", "cost"),
    [
        (stats.poisson(6), 4, 1, 8, 3.570107),
        (stats.poisson(18), 270, 200, 19, 786.088441),
        (stats.rv_discrete(**PRINTED), 1e6, 5e5, 5, 1_225_000),
    ],
)
def test_whole_demand(demand, short, left, quantity, cost):
    """Snyder and Shen, example 4.7, problems 4.8 (a) and 4.7 (b); again by a sum over demands at every quantity."""
    found = best_quantity(demand, short=short, left=left)
    assert (found.quantity, round(found.cost, 6)) == (quantity, cost)
    asked = np.arange(200)
    costs = {
        n: demand.pmf(asked) @ (short * np.maximum(asked - n, 0) + left * np.maximum(n - asked, 0)) for n in range(60)
    }
    assert min(costs, key=costs.get) == found.quantity
    assert found.cost == pytest.approx(costs[found.quantity], rel=1e-12)


@pytest.mark.parametrize(
    ("asked", "low", "high", "short", "left", "quantity", "cost"),
    [(1.5, -0.5, 0.5, 75e6, 15e6, 11 / 6, 6_250_000), (25, -5, 0, 1200, 150, 29.4444, 333.333)],
)
def test_a_delivery_that_is_off_by_an_amount(asked, low, high, short, left, quantity, cost):
    """Snyder and Shen, example 9.6 and problem 9.5 (additive yield); again by the fractile of what is short."""
    found = best_quantity(asked, lambda n: stats.uniform(n + low, high - low), short=short, left=left, whole=False)
    assert found.quantity == pytest.approx(quantity, abs=5e-5)
    assert found.cost == pytest.approx(cost, abs=5e-4)
    assert found.quantity == pytest.approx(asked - (low + (high - low) * left / (short + left)), rel=1e-10)
    assert found.cost == pytest.approx(short * left * (high - low) / (2 * (short + left)), rel=1e-10)


def test_a_share_that_all_plants_have_in_common():
    """Proportional yield between .6 and 1 (Yano and Lee 1995, Lot sizing with random yields, set the problem)."""
    price, short, left, target, low, high = 1, 5, 0.5, 100, 0.6, 1.0
    found = best_quantity(
        target,
        lambda n: stats.uniform(low * n, (high - low) * n),
        **{"price": price, "short": short, "left": left, "whole": False},
    )
    assert (round(found.quantity, 5), round(found.cost, 5)) == (133.19886, 157.29114)
    mean = (low + high) / 2
    root = math.sqrt(low**2 + 2 * (high - low) * (price + left * mean) / (short + left))
    assert found.quantity == pytest.approx(target / root, rel=1e-9)


def test_castings_for_an_order_of_which_all_or_none_are_bought():
    """A foundry's reject allowance: four good ones at 30,000 each or nothing, 15,000 a casting, nine in ten good.

    A textbook's worked solution prints 18,732 for four; the others by hand from the binomial.
    """
    worth = {
        n: 120_000 * sum(math.comb(n, k) * 0.9**k * 0.1 ** (n - k) for k in range(4, n + 1)) - 15_000 * n
        for n in range(4, 9)
    }
    assert [round(earned, 2) for earned in worth.values()] == [18732.00, 35224.80, 28098.00, 14672.64, -51.80]
    found = best_quantity(4, lambda n: stats.binom(n, 0.9), price=15_000, any_short=120_000)
    assert found.quantity == 5
    assert 120_000 - found.cost == pytest.approx(35224.80, abs=0.005)


def enumerated(asked, came, of, price, short, left):
    """Sum over everything that can come of `of` plants."""
    numbers = np.arange(of + 1)
    costs = short * np.maximum(asked - numbers, 0) + left * np.maximum(numbers - asked, 0)
    return price * of + float(came.pmf(numbers) @ costs)


@pytest.mark.parametrize(
    ("asked", "comes", "costs", "quantity", "cost"),
    [
        (100, lambda n: stats.binom(n, 0.8), (1, 5, 0.5), 127, 133.9479),
        (20, lambda n: stats.binom(n, 0.7), (2, 10, 1), 30, 67.3771),
        (100, lambda n: stats.betabinom(n, 8, 2), (1, 5, 0.5), 128, 159.1060),
    ],
)
def test_plants_that_come_through_by_chance(asked, comes, costs, quantity, cost):
    """Binomial and beta-binomial yield; the answers by enumeration."""
    found = best_quantity(asked, comes, **dict(zip(("price", "short", "left"), costs, strict=True)))
    assert (found.quantity, round(found.cost, 4)) == (quantity, cost)
    every = {n: enumerated(asked, comes(n), n, *costs) for n in range(1, 2 * quantity)}
    assert min(every, key=every.get) == quantity
    assert found.cost == pytest.approx(every[quantity], rel=1e-12)


def yearly(prices, quantity, demand, ordering, interest):
    """Return what orders of a quantity cost a year: plants, ordering, and interest on half an order."""
    price = prices.row(quantity).unit_price * quantity
    return demand / quantity * (price + ordering) + interest * price / 2


def test_a_price_for_all_units_from_301_on_is_worth_buying_for():
    """Lots of goods that keep: 1,000 a year, 200 an order, interest 25 %; a textbook prints 88,862.58 and 93,116.45."""
    rows = [offer(from_quantity=start, unit_price=price) for start, price in ((1, 100), (101, 90), (301, 85))]
    (prices,) = PriceList.of(PriceLine(**row) for row in rows)
    costs = {n: yearly(prices, n, 1000, 200, 0.25) for _, some in prices.ranges(2000) for n in some}
    assert (round(costs[301], 2), round(costs[101], 2)) == (88862.58, 93116.45)
    assert min(costs, key=costs.get) == 301


def test_a_price_for_all_units_from_800_on_is_worth_buying_for():
    """Snyder and Shen, example 3.5."""
    rows = [offer(from_quantity=start, unit_price=price) for start, price in ((1, 0.75), (400, 0.72), (800, 0.68))]
    (prices,) = PriceList.of(PriceLine(**row) for row in rows)
    costs = {n: yearly(prices, n, 1300, 8, 0.3) for _, some in prices.ranges(5000) for n in some}
    best = min(costs, key=costs.get)
    assert (best, round(costs[best], 2)) == (800, 978.60)


@some
@given(of=st.integers(0, 60), share=st.just(0.0) | st.floats(1e-9, 1), asked=st.integers(0, 70))
def test_the_number_sold_is_the_sum_over_all_that_can_come(of, share, asked):
    numbers = np.arange(of + 1)
    by_sum = stats.binom.pmf(numbers, of, share) @ np.minimum(numbers, asked)
    assert sold(asked, of, np.array([share]))[0] == pytest.approx(by_sum, abs=1e-10)


@some
@given(of=st.integers(1, 40), share=st.floats(0.01, 0.99), mean=st.floats(0.5, 30))
def test_short_left_and_sold_add_up_whatever_is_asked_for_and_comes(of, share, mean):
    came, asked = stats.binom(of, share), stats.poisson(mean)
    short, left = short_and_left(asked, came)
    table = np.arange(200)
    by_sum = sum(came.pmf(n) * (asked.pmf(table) @ np.maximum(table - n, 0)) for n in range(of + 1))
    assert short == pytest.approx(by_sum, abs=1e-9)
    assert short - left == pytest.approx(mean - of * share, abs=1e-9)


@pytest.mark.parametrize(
    ("asked", "came"),
    [
        (stats.norm(50, 8), stats.binom(60, 0.8)),
        (stats.poisson(48), stats.uniform(30, 25.5)),
        (stats.lognorm(0.3, scale=50), stats.norm(50, 3)),
        (stats.norm(50, 8), 47.3),
        (47.3, stats.poisson(48)),
    ],
)
def test_what_is_short_of_whole_and_of_smooth_quantities_agrees_with_draws(asked, came):
    rng = np.random.default_rng(1)
    drawn = [
        np.full(400_000, one) if isinstance(one, float) else one.rvs(400_000, random_state=rng) for one in (asked, came)
    ]
    lacking = np.maximum(drawn[0] - drawn[1], 0)
    over = np.maximum(drawn[1] - drawn[0], 0)
    for exact, sample in zip(short_and_left(asked, came), (lacking, over), strict=True):
        assert exact == pytest.approx(sample.mean(), abs=4 * sample.std() / math.sqrt(sample.size))


@some
@given(
    demand=st.sampled_from([stats.poisson(12), 15, stats.binom(30, 0.4)]),
    share=st.sampled_from([0.4, 0.8, 1.0]),
    short=st.floats(3, 20),
    left=st.floats(-0.5, 3),
)
def test_no_quantity_costs_less_than_the_best(demand, share, short, left):
    found = best_quantity(demand, lambda n: stats.binom(n, share), price=1, short=short, left=left)
    costs = [
        n + short * short_and_left(demand, stats.binom(n, share))[0]
        + left * short_and_left(demand, stats.binom(n, share))[1]
        for n in takewhile(lambda n: n <= 2 * found.quantity + 5, count())
    ]  # fmt: skip
    assert found.cost <= min(costs) + 1e-9


# --- far from what is usual

ASKED = stats.gamma(4, scale=25)


@pytest.mark.parametrize("fractile", [0.0005, 0.9995])
def test_the_best_quantity_is_that_of_the_critical_fractile(fractile):
    """P(D <= q) = (short - price) / short: Arrow, Harris and Marschak (1951), Econometrica 19, 250-272."""
    price = 10 * (1 - fractile)
    found = best_quantity(ASKED, price=price, short=10, left=0, whole=False)
    assert found.quantity == pytest.approx(ASKED.ppf(fractile), rel=1e-4)


def test_nothing_is_ordered_where_one_that_is_short_costs_less_than_one_that_is_ordered():
    found = best_quantity(ASKED, price=3, short=2, left=1, whole=False)
    assert found.quantity == 0
    assert found.cost == pytest.approx(2 * ASKED.mean(), rel=1e-6)


def test_of_a_share_that_is_anything_from_none_to_all_the_cost_is_in_closed_form():
    """Ten are asked for, of n a uniform share comes: 50 / n are short, and (n - 10)^2 / 2 n are left over, n >= 10."""
    found = best_quantity(10, lambda n: stats.uniform(0, n), price=0.1, short=5, left=0.5)
    costs = {n: 0.1 * n + 5 * 50 / n + 0.5 * (n - 10) ** 2 / (2 * n) for n in range(10, 200)}
    best = min(costs, key=costs.__getitem__)
    assert found.quantity == best
    assert found.cost == pytest.approx(costs[best], rel=1e-6)


# --- edges


@pytest.mark.parametrize(
    ("asked", "came", "short", "left"),
    [(5, 5, 0, 0), (7, 4, 3, 0), (4, 7, 0, 3), (2.5, 1.25, 1.25, 0), (1.25, 2.5, 0, 1.25), (0, 0, 0, 0), (3, 0, 3, 0)],
)
def test_of_numbers_that_are_known_the_difference_is_short_or_left(asked, came, short, left):
    assert short_and_left(asked, came) == pytest.approx((short, left))


def test_a_number_that_is_known_is_a_distribution_at_one_point():
    number = Certain(4.0)
    assert number.cdf([3.9, 4, 4.1]).tolist() == [0, 1, 1]
    assert number.sf([3.9, 4, 4.1]).tolist() == [1, 0, 0]
    assert (number.ppf(0.1), number.isf(0.1), number.mean()) == (4, 4, 4)
    assert number.expect(lambda t: t**2) == 16


def test_of_orders_that_cost_the_same_it_is_the_smallest():
    """Each that is ordered costs what it saves."""
    assert (best_quantity(10, price=1, short=1).quantity, best_quantity(10, price=1, short=1).cost) == (0, 10)
    found = best_quantity(10, price=1, short=2)
    assert (found.quantity, found.cost, found.short, found.left) == (10, 10, 0, 0)
    assert best_quantity(10, price=1).cost == 0
    assert best_quantity(10, price=3, any_short=30).quantity == 0


@pytest.mark.parametrize("number", [1, 2, 3, 7, 8, 9, 1000])
def test_all_that_is_surely_needed_is_ordered_if_it_pays(number):
    assert best_quantity(number, price=1, short=2).quantity == number
    assert best_quantity(number, left=1, short=2).quantity == number
    assert best_quantity(number, price=1, any_short=1.5 * number).quantity == number


def test_what_is_asked_for_may_be_none_on_average():
    """Anything from -1 to 1: the critical fractile is three in four, 0.5; 3 (1 - q)^2 / 4 + (1 + q)^2 / 4 is paid."""
    found = best_quantity(stats.uniform(-1, 2), short=3, left=1, whole=False)
    assert found.quantity == pytest.approx(0.5, rel=1e-8)
    assert found.cost == pytest.approx(0.75, rel=1e-8)


@pytest.mark.parametrize("mean", [2.5, 12])
def test_what_any_short_costs_comes_on_top_of_what_each_costs(mean):
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
