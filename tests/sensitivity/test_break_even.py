"""Where orders of several varieties no longer pay: prices in closed form, as parts of what is stated."""

import pytest
from scipy.stats import beta, norm
from small_seasons import beta_spread, offer, season, stage

from forecast import what_drives

ORDERS = [("A", "2027-W05", 400), ("B", "2027-W06", 300)]
SURVIVAL, PRICES, COSTS = 0.8, {"A": 4.0, "B": 2.5}, {"A": 2.5, "B": 1.6}


def drivers(**cells):
    plan = season(
        [stage("arrival", **beta_spread(20.0, 5.0))],
        varieties=("A", "B"),
        price_list=[offer(name, unit_price=cost) for name, cost in COSTS.items()],
        targets=[{"variety": name, "week": "2027-W20", "target": 10_000} for name in "AB"],
    )
    own = [plan.variety(name).replace(sale_price=price) for name, price in PRICES.items()]
    return what_drives(plan.replace(varieties=own), orders=ORDERS, draws=1024, seed=1, **cells)


INCOME = SURVIVAL * (400 * PRICES["A"] + 300 * PRICES["B"])
SPENT = 400 * COSTS["A"] + 300 * COSTS["B"]


@pytest.mark.parametrize(("name", "part"), [("sale price", SPENT / INCOME), ("lab price", INCOME / SPENT)])
def test_prices_of_two_varieties_break_even_at_a_part_of_what_is_stated(name, part):
    found = drivers().break_even(name)
    assert found.value == pytest.approx(part, rel=2e-3)
    assert found.unit == "of the stated prices"
    assert f"{found.value:.2f} of the stated prices" in str(found)
    assert found.chance is None


def test_the_chance_of_a_price_below_the_break_even_is_that_of_its_range():
    """Nine in ten of prices lie within 0.3 of what is stated: normal, with a spread of 0.3 / 1.645."""
    found = drivers(also={"sale price": 0.3}).break_even("sale price")
    assert found.chance == pytest.approx(norm.cdf((found.value - 1) * norm.ppf(0.95) / 0.3), rel=1e-6)
    assert 0.01 < found.chance < 0.5


@pytest.mark.parametrize(("price", "says"), [(400.0, "pay"), (0.5, "do not pay")])
def test_where_no_survival_breaks_even_the_ends_that_were_tried_are_said(price, says):
    """Ends at five standard deviations of the score: of a Beta(20, 5) from 0.32 to 0.99."""
    plan = season(
        [stage("arrival", **beta_spread(20.0, 5.0))],
        price_list=[offer(unit_price=1.0)],
        targets=[{"variety": "A", "week": "2027-W20", "target": 10_000}],
    )
    plan = plan.replace(varieties=[plan.variety("A").replace(sale_price=price)])
    found = what_drives(plan, orders=[("A", "2027-W05", 400)], draws=256, seed=1).break_even(
        "survival in arrival, crop"
    )
    low, high = (f"{beta(20, 5).ppf(norm.cdf(score)):.2f}" for score in (-5, 5))
    assert str(found) == f"For any survival in arrival, crop between {low} and {high} the orders {says}."
    assert (found.value, found.chance) == (None, None)
