"""Where floats meet counts: orders against exact fractions."""

from fractions import Fraction
from math import ceil, comb

import pytest
from small_seasons import asks, offer, season, stage

import forecast
from forecast.ordering.baselines import simple_orders
from forecast.ordering.price_breaks import PriceList
from forecast.rounding import round_down, round_up
from forecast.season.targets import Target

BY = "2027-W10"


def sized(stages, target, **asked):
    return forecast.size_order(season(stages), "A", target=target, week=BY, draws=16, seed=1, **asked)


def plants(survival, **cells):
    return stage(survival=survival, survival_level="plant", **cells)


@pytest.mark.parametrize(("target", "survival", "quantity"), [(630, 0.7, 900), (30, 0.6, 50), (693, 0.77, 900)])
def test_the_order_by_average_is_the_exact_quotient(target, survival, quantity):
    assert Fraction(str(survival)) * quantity == target
    assert sized([plants(survival)], target).by_average == quantity
    (order,) = simple_orders(season([plants(survival)], targets=[asks(target, BY)]), draws=16, seed=1)
    assert order.quantity == quantity


def test_the_order_by_average_is_exact_for_every_survival_in_hundredths():
    for hundredths in range(50, 100, 7):
        for quantity in range(100, 1000, 100):
            target = hundredths * quantity // 100
            assert sized([plants(hundredths / 100)], target).by_average == quantity


def test_points_of_the_original_leave_what_is_left_of_a_thousand():
    """20, 11 and 9 of 100 are lost of the original number: 600 of 1,000 are left."""
    points = [
        plants(1 - lost, share_of="original") | {"stage": name}
        for name, lost in (("acclimatisation", 0.2), ("growing on", 0.11), ("hardening", 0.09))
    ]
    assert sized(points, 600).by_average == 1000


def chance(at_least, of, survival):
    """P(Binomial(of, survival) >= at_least), exactly."""
    p = Fraction(str(survival))
    return sum(comb(of, k) * p**k * (1 - p) ** (of - k) for k in range(at_least, of + 1))


@pytest.mark.parametrize("survival", [0.6, 0.7, 0.8, 0.9, 0.95])
@pytest.mark.parametrize("at_least", [1, 2, 3])
@pytest.mark.parametrize("more", [0, 1, 2])
def test_a_tie_at_exactly_the_service_level_is_enough(survival, at_least, more):
    quantity = at_least + more
    level = float(chance(at_least, quantity, survival))
    assert sized([plants(survival)], at_least, service_level=level).quantity == quantity


def test_a_quantity_off_by_its_last_digits_is_ordered_as_it_is():
    (prices,) = PriceList.of(season([stage()], price_list=[offer(multiple=100)]).price_list)
    assert prices.orderable(630 / 0.7) == 900
    assert prices.orderable(900.01) == 1000


def test_a_flat_overage_is_the_exact_product():
    for share in ("0.1", "0.15", "0.2", "0.3"):
        for target in (50, 100, 110, 230, 700):
            plan = season([plants(0.9)], targets=[asks(target, BY)])
            (order,) = simple_orders(plan, overage=float(share), draws=16, seed=1)
            assert order.quantity == ceil((1 + Fraction(share)) * target)


def test_hours_at_the_hood_are_counted_in_whole_vessels():
    for vessels in range(1, 2000, 13):
        for minutes in ("0.7", "1.1", "2.3"):
            hours = float(vessels * Fraction(minutes) / 60)
            assert round_down(60 * hours / float(minutes)) == vessels
            assert round_up(60 * hours / float(minutes)) == vessels


def test_the_middle_of_an_uncertain_demand_is_rounded_as_the_demand_is():
    for median in (12.2, 12.5, 13.5, 14.8):
        row = Target(variety="A", week=BY, p5=median, median=median, p95=median)
        assert row.demand is not None
        assert row.median_demand == row.demand.at(0.0) == int(median + 0.5)
