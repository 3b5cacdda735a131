"""Buy in, multiply or divide: costs by hand, weeks, break-even numbers."""

import math

import pytest
from small_cultures import UNSURE, nursery

import forecast
from forecast.growth.simulation import season_streams
from forecast.propagation.cultures import Cultures
from forecast.propagation.outlays import outlays

CULTURE = {"cost_start": 90, "cost_per_explant": 3, "cost_per_vessel": 1.5, "minutes_per_vessel": 3}


def compared(season, **asked):
    usual = {"target": 60, "week": "2027-W30", "service_level": 0.9, "draws": 512, "seed": 1}
    return forecast.compare_routes(season, "A", **(usual | asked))


@pytest.fixture(scope="module")
def sure():
    return compared(nursery(CULTURE, {"price": 4, "cost": 0.2, "minutes": 3, "round_weeks": 40}))


def test_the_three_routes_stand_side_by_side(sure):
    assert [route.route for route in sure] == ["buy in", "from explants", "divide stock"]
    table = sure.table()
    assert (table["chance"] >= 0.9).all()
    assert (table["why_not"] == "").all()
    assert sure.best.cost == table["cost"].min()


def test_buying_in_is_the_order_sized_alone(sure):
    season = nursery(CULTURE, {})
    order = forecast.size_order(season, "A", target=60, week="2027-W30", service_level=0.9, draws=512, seed=1)
    route = sure["buy in"]
    assert route.cost == order.cost
    assert route.chance == order.chance
    assert route.cost_per_plant == pytest.approx(order.cost / 60)
    assert route.cost_per_saleable == pytest.approx(order.cost / order.saleable)


def test_explants_cost_what_vessels_and_growing_come_to_by_hand(sure):
    """Vessels at 1.5 and 3 minutes of 20 an hour: 2.5 each; growing on costs 0.5 a plantlet."""
    route = sure["from explants"]
    plan = route.plan
    explants, cycles = plan.explants, plan.cycles
    planted = sum(explants * 3**i for i in range(cycles))
    shoots = explants * 3**cycles
    potted = min(shoots, plan.potted or shoots)
    cost = 90 + 3 * explants + 2.5 * (explants + planted + math.ceil(shoots / 10)) + 0.5 * potted
    assert route.cost == pytest.approx(cost)


def test_money_is_out_from_the_week_it_is_spent(sure):
    plan = sure["from explants"].plan
    spent = plan.outlays()
    weeks = [forecast.Week.parse("2027-W30") - forecast.Week.parse(week) for week in spent["week"]]
    right = sum(amount * week for amount, week in zip(spent["amount"], weeks, strict=True)) / spent["amount"].sum()
    assert sure["from explants"].weeks_out == pytest.approx(right, rel=1e-3)
    order = sure["buy in"].plan
    bought, grown = order.purchase, order.cost - order.purchase
    until = order.by - order.week
    assert sure["buy in"].weeks_out == pytest.approx((bought * until + grown * (until - until // 2)) / order.cost)


def test_stock_beyond_what_is_at_hand_is_bought(sure):
    route = sure["divide stock"]
    plan = route.plan
    shoots = plan.explants * 3
    potted = min(shoots, plan.potted or shoots)
    assert plan.cycles == 1
    assert route.cost == pytest.approx(4 * max(plan.explants - 10, 0) + 1.2 * shoots + 0.5 * potted)
    assert "stock plants of A" in str(plan)


def test_without_buying_stock_the_number_comes_years_later():
    route = compared(nursery(None, {}), target=600)["divide stock"]
    assert "enough in no season in 100" in route.why_not
    # 10 stock plants, times 3 a round: 810 after 4 rounds, 3 rounds of 20 weeks after the first division
    assert 60 <= route.earliest - forecast.Week.parse("2027-W01") <= 75


def test_the_earliest_week_has_the_number_and_the_week_before_has_not():
    routes = compared(nursery(UNSURE, {"price": 4}), target=100)
    made = routes["from explants"].plan.cultures
    earliest = routes["from explants"].earliest
    begun = made.but(start=forecast.Week.parse("2027-W01"))
    assert begun.chance(week=earliest, at_least=100) >= 0.9
    assert begun.chance(week=earliest + -1, at_least=100) < 0.9


def test_break_even_lies_where_the_costs_cross():
    """A fixed cost of 90 and cheap plantlets against 2 a plantlet: few are bought, many are multiplied."""
    routes = compared(nursery(CULTURE | {"cost_per_vessel": 0.1, "minutes_per_vessel": 0, "explants": 400}))
    crossing = routes.break_even.iloc[0]
    assert (crossing["cheaper"], crossing["than"]) == ("from explants", "buy in")
    costs = routes.curve.pivot(index="target", columns="route", values="cost")
    number = float(crossing["target"].replace(",", ""))
    below, above = costs[costs.index < number].iloc[-1], costs[costs.index > number].iloc[0]
    assert below["buy in"] < below["from explants"]
    assert above["buy in"] > above["from explants"]


def test_a_variety_of_which_nothing_is_told_is_refused():
    season = nursery(None).replace(
        varieties=({"variety": "A", "group": "crop"}, {"variety": "B", "group": "crop"}),
    )
    with pytest.raises(forecast.Refused, match="tells no way to come by it"):
        forecast.compare_routes(season, "B", target=5, week="2027-W30", draws=8, seed=1)


def test_an_unknown_route_is_refused(sure):
    with pytest.raises(forecast.Refused, match="There is: buy in, from explants, divide stock"):
        sure["by magic"]


def test_routes_say_it_in_words(sure):
    text = str(sure)
    assert "a plant wanted" in text
    assert text.splitlines()[-1] == f"Cheapest: {sure.best.route}."


@pytest.mark.parametrize("target", [12, 50, 100])
def test_dividing_costs_no_more_than_the_best_of_all_rounds_stock_and_starts(target):
    """Brute force over rounds, stock and every week of starting, all divisions potted."""
    season = nursery(None, {"price": 4, "most_rounds": 2})
    by, streams, best = forecast.Week.parse("2027-W30"), season_streams(512, 1), math.inf
    for rounds in (1, 2):
        for stock in range(1, 60):
            kept = [1.0] * (rounds - 1) + [0.0]
            made = Cultures(season, season.division("A"), streams, season.first_week, stock, kept)
            for later in range(by - made.enters(rounds) + 1):
                begun = made.but(start=season.first_week + later)
                if begun.chance(week=by, at_least=target) >= 0.9:
                    best = min(best, sum(amount for _, _, amount in outlays(begun, by)))
    assert compared(season, target=target)["divide stock"].cost <= best * 1.01


def test_a_range_that_is_wanted_keeps_its_shape_for_other_numbers():
    target = ({"variety": "A", "week": "2027-W30", "p5": 30, "median": 100, "p95": 300},)
    season = nursery(CULTURE | {"explants": 400}).replace(targets=target)
    curve = forecast.compare_routes(season, "A", draws=512, seed=1).curve
    costs = curve[curve["route"] == "buy in"].set_index("target")["cost_per_plant"]
    assert costs.loc[100] == pytest.approx(costs.loc[200], rel=0.1)
    assert costs.loc[100] == pytest.approx(costs.loc[50], rel=0.1)
