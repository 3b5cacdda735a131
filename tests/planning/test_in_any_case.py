"""Plants on hand and orders already placed, wherever a plan is said: in its cost, its promises, and on the page."""

import pytest
from in_any_case import LINES, ROUTE, made
from small_seasons import offer, season, stage

import forecast
from forecast.__main__ import main
from forecast.growth.simulation import season_streams
from forecast.ordering.shipments import placed
from forecast.planning.column_generation import check_plan
from forecast.resources.money_flow import cash_flow
from forecast.sensitivity.stress import poorer
from forecast.show.partner_summary import LOWER, Summary
from forecast.worth.columns import Ways

DRAWS = {"draws": 256, "seed": 3}


def test_the_cost_of_a_plan_is_that_of_all_orders_and_of_plants_on_hand():
    found = forecast.plan_orders(made(there=True, placed=True), aim="cost", **DRAWS)
    amounts = found.cash_flow().entries()["amount"]
    assert found.cost == pytest.approx(-amounts[amounts < 0].sum())
    assert found.cost > found.paid > found.bill.total
    assert found.margin == -found.cost


def test_no_more_is_ordered_of_what_is_placed_and_its_promise_is_said(tmp_path, capsys):
    plan = made(placed=True, target={"target": 30, "promised": 0.8})
    forecast.write_season(plan, tmp_path / "season")
    assert main(["order", str(tmp_path / "season"), "--draws", "256"]) == 0
    printed = capsys.readouterr().out
    assert "A: no more this year, because its best order" in printed
    assert "none this year" not in printed
    assert "16 of 20" in printed


def test_the_page_counts_placed_orders_where_survival_is_lower():
    plan = made(placed=True)
    found = forecast.plan_orders(plan, **DRAWS)
    assert found.orders
    every = (*placed(plan), *found.shipments)
    then = forecast.simulate(poorer(plan, points=LOWER), every, **DRAWS)
    assert Summary(found).poorer.ready("A").mean() == pytest.approx(then.ready("A").mean())


def test_hoped_for_buyers_are_met_at_their_level_after_promised_ones():
    targets = [
        {"variety": "A", "week": "2027-W22", "target": 100, "price": 9.0, "promised": 0.75, "channel": "shop"},
        {"variety": "A", "week": "2027-W22", "target": 300, "price": 6.0, "channel": "market"},
    ]
    place = {"place": "house", "area": 40, "usable": 1}
    plan = season(ROUTE, varieties=["A"], targets=targets, price_list=LINES, weeks=30, places=[place])
    found = forecast.plan_orders(plan.replace(service_level=0.9), aim="cost", **DRAWS)
    assert (found.targets()["chance"] >= found.targets()["level"] - 0.02).all()


@pytest.mark.parametrize("saleable_weeks", [None, 2, 6])
def test_cash_of_a_delivery_is_that_of_its_account_in_every_week(saleable_weeks):
    rows = [
        stage("weaning", typical=4, survival=0.8, survival_sd=0, cost=0.2, place="house", plants_per_m2=40),
        stage("growing on", typical=6, batches_cv=0.1, survival=0.9, cost=0.6, place="house", plants_per_m2=20),
    ]
    usual = {"unit_price": 1.4, "minimum": 20, "multiple": 20, "first_week": "2027-W05", "last_week": "2027-W05"}
    target = {"variety": "A", "week": "2027-W16", "until": "2027-W19", "target": 100, "price": 5.0, "short_cost": 0}
    place = {"place": "house", "area": 40, "usable": 1, "cost_per_m2_week": 2.0}
    plan = season(
        rows, varieties=["A"], targets=[target], price_list=[offer("A", deposit=0.3, **usual)], weeks=40,
        overdraft=400.0, places=[place],
    )  # fmt: skip
    plan = plan.replace(varieties=[row.replace(saleable_weeks=saleable_weeks) for row in plan.varieties])
    found = Ways(plan, season_streams(512, 3), "A").column(0, {0: 200})
    flow = cash_flow(forecast.simulate(plan, [("A", "2027-W05", 200, "Lab")], draws=512, seed=3))
    assert found.cash == pytest.approx(flow.cash.mean(axis=1), abs=6)


def test_a_search_over_a_long_sale_is_asked_for_its_memory(monkeypatch):
    asked = []
    monkeypatch.setattr(
        "forecast.planning.column_generation.check_room", lambda _, __, shares, once: asked.append((shares, once))
    )
    for cells in ({"until": "2027-W28"}, {"until": None, "waits": 6}, {"until": None}):
        check_plan(made(target=cells), 256)
    assert asked[0] == asked[1] > asked[2]
