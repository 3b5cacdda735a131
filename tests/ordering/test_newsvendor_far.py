"""Orders of one sale whose best quantity lies far from what is usual: the critical fractile in closed form."""

import pytest
from scipy.stats import gamma, uniform

from forecast.ordering.newsvendor import best_quantity

ASKED = gamma(4, scale=25)


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
    found = best_quantity(10, lambda n: uniform(0, n), price=0.1, short=5, left=0.5)
    costs = {n: 0.1 * n + 5 * 50 / n + 0.5 * (n - 10) ** 2 / (2 * n) for n in range(10, 200)}
    best = min(costs, key=costs.__getitem__)
    assert found.quantity == best
    assert found.cost == pytest.approx(costs[best], rel=1e-6)
