"""A price list without weeks of delivery: any week will do that the lead time allows."""

import pytest
from small_seasons import asks, offer, season, stage

import forecast

ALWAYS = {"first_week": None, "last_week": None}


def priced(**cells):
    rows = [stage(typical=6, survival=0.8, survival_sd=0.05)]
    plan = season(rows, targets=[asks(100, "2027-W30")], price_list=[offer(**cells)])
    return plan.replace(varieties=[{"variety": "A", "group": "crop", "sale_price": 6}], split_gain=25)


@pytest.mark.parametrize("lead", [0, 9])
@pytest.mark.parametrize("aim", ["margin", "cost"])
def test_without_weeks_the_order_is_that_of_a_price_list_open_all_season(lead, aim):
    without = priced(lead_weeks=lead, **ALWAYS)
    open_all = priced(lead_weeks=lead, first_week=str(without.first_week), last_week=str(without.last_week))
    one, other = (forecast.plan_orders(each, aim=aim, draws=64, seed=1) for each in (without, open_all))
    assert one.orders == other.orders
    assert one.margin == other.margin
    sized = [str(forecast.size_order(each, "A", draws=64, seed=1)) for each in (without, open_all)]
    assert sized[0] == sized[1]


def test_empty_weeks_come_back_and_are_not_written(tmp_path):
    plan = priced(**ALWAYS)
    forecast.write_season(plan, tmp_path)
    assert "first_week" not in (tmp_path / "price_list.csv").read_text(encoding="utf-8")
    assert forecast.read_season(tmp_path).price_list == plan.price_list


def test_an_order_before_the_lead_time_is_over_is_refused_with_the_weeks_of_the_season():
    plan = priced(lead_weeks=9, **ALWAYS)
    early = {"variety": "A", "week": str(plan.first_week + 3), "quantity": 100}
    with pytest.raises(forecast.Refused) as refused:
        forecast.cash_flow(forecast.simulate(plan, [early], draws=16))
    assert f"{plan.first_week + 9} to {plan.last_week}" in str(refused.value)
