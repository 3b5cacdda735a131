"""Promises that only very large orders keep: early weeks, and a sale window that is soon over."""

from random_windows import in_one_week, random_windows

import forecast


def test_a_plan_is_found_that_keeps_them_and_never_an_empty_one():
    """Of plants that come through few are saleable in week 32: earlier ones are past their best, others not ready."""
    season = in_one_week(random_windows(157, promises=True)).only(["V0"])
    plan = forecast.plan_orders(season, aim="cost", draws=64, seed=1, time_limit=20)
    assert plan.orders
    assert plan.bound >= plan.margin > -1e6
    sold = plan.simulate().targets()
    assert (sold["chance"] >= season.service_level - 0.1).all()  # of 64 draws on which it was chosen
    (excess,) = plan.excess
    assert excess.quantity == sum(row.quantity for row in plan.orders)
