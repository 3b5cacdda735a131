"""Supply routes: costs by hand, weeks, crossings of costs drawn by hand, and why a route falls short."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from each_sized import each_sized
from scipy import stats
from small_cultures import SURE, UNSURE, nursery
from small_seasons import CLIMATE, stage

import forecast
from forecast.growth.simulation import season_streams
from forecast.propagation.cultures import Cultures
from forecast.propagation.outlays import expected_outlays
from forecast.resources.money_flow import growing
from forecast.words import propagation as words

COSTS = {"cost_start": 90, "cost_per_explant": 3, "cost_per_vessel": 1.5, "minutes_per_vessel": 3}


def compared(season, **asked):
    usual = {"target": 60, "week": "2027-W30", "service_level": 0.9, "draws": 512, "seed": 1}
    return forecast.compare_routes(season, "A", **(usual | asked))


@pytest.fixture(scope="module")
def compared_all():
    return compared(nursery(COSTS, {"price": 4, "cost": 0.2, "minutes": 3, "round_weeks": 40}))


def test_the_three_routes_are_side_by_side(compared_all):
    assert [route.route for route in compared_all] == ["buy in", "propagate in vitro", "divide stock"]
    table = compared_all.table()
    assert (table["chance"] >= 0.9).all()
    assert (table["why_not"] == "").all()
    assert compared_all.best.cost == table["cost"].min()


def test_buying_in_is_the_order_sized_alone(compared_all):
    season = nursery(COSTS, {})
    order = forecast.size_order(season, "A", target=60, week="2027-W30", service_level=0.9, draws=512, seed=1)
    route = compared_all["buy in"]
    assert route.cost == order.cost
    assert route.chance == order.chance
    assert route.cost_per_plant == pytest.approx(order.cost / 60)
    assert route.cost_per_saleable == pytest.approx(order.cost / order.saleable)


def test_explants_cost_what_vessels_and_growing_come_to_by_hand(compared_all):
    """Vessels at 1.5 and 3 minutes of 20 an hour: 2.5 each; growing on costs 0.5 a plantlet."""
    route = compared_all["propagate in vitro"]
    plan = route.plan
    explants, cycles = plan.explants, plan.subcultures
    planted = sum(explants * 3**i for i in range(cycles))
    shoots = explants * 3**cycles
    potted = min(shoots, plan.potted or shoots)
    cost = 90 + 3 * explants + 2.5 * (explants + planted + math.ceil(shoots / 10)) + 0.5 * potted
    assert route.cost == pytest.approx(cost)


def test_money_is_out_from_the_week_it_is_spent(compared_all):
    plan = compared_all["propagate in vitro"].plan
    spent = plan.outlays()
    weeks = [forecast.Week.parse("2027-W30") - forecast.Week.parse(week) for week in spent["week"]]
    right = sum(amount * week for amount, week in zip(spent["amount"], weeks, strict=True)) / spent["amount"].sum()
    assert compared_all["propagate in vitro"].weeks_out == pytest.approx(right, rel=1e-3)
    order = compared_all["buy in"].plan
    bought, grown = order.purchase, order.cost - order.purchase
    until = order.by - order.week
    weeks_out = (bought * until + grown * (until - until // 2)) / order.cost
    assert compared_all["buy in"].weeks_out == pytest.approx(weeks_out)


def test_stock_beyond_what_is_at_hand_is_bought(compared_all):
    route = compared_all["divide stock"]
    plan = route.plan
    shoots = plan.explants * 3
    potted = min(shoots, plan.potted or shoots)
    assert plan.subcultures == 1
    assert route.cost == pytest.approx(4 * max(plan.explants - 10, 0) + 1.2 * shoots + 0.5 * potted)


def test_without_buying_stock_the_number_comes_years_later():
    route = compared(nursery(None, {}), target=600)["divide stock"]
    assert (route.chance, route.why_not) == (0, words.enough_in(0))
    # 10 stock plants, times 3 a round: 810 after 4 rounds, 3 rounds of 20 weeks after the first division
    assert 60 <= route.earliest - forecast.Week.parse("2027-W01") <= 75


def test_the_earliest_week_has_the_number_and_the_week_before_has_not():
    routes = compared(nursery(UNSURE, {"price": 4}), target=100)
    made = routes["propagate in vitro"].plan.cultures
    earliest = routes["propagate in vitro"].earliest
    begun = made.replace(start=forecast.Week.parse("2027-W01"))
    assert begun.chance(week=earliest, at_least=100) >= 0.9
    assert begun.chance(week=earliest + -1, at_least=100) < 0.9


def test_break_even_lies_where_the_costs_cross():
    """A fixed cost of 90 and cheap plantlets against 2 a plantlet: few are bought, many are multiplied."""
    routes = compared(nursery(COSTS | {"cost_per_vessel": 0.1, "minutes_per_vessel": 0, "explants": 400}))
    crossing = routes.break_even().iloc[0]
    assert (crossing["cheaper"], crossing["than"]) == ("propagate in vitro", "buy in")
    costs = routes.curve().pivot_table(index="target", columns="route", values="cost")
    number = crossing["target"]
    below, above = costs[costs.index < number].iloc[-1], costs[costs.index > number].iloc[0]
    assert below["buy in"] < below["propagate in vitro"]
    assert above["buy in"] > above["propagate in vitro"]


def test_a_variety_of_which_nothing_is_reported_is_refused():
    season = nursery(None).replace(varieties=({"variety": "A", "group": "crop"}, {"variety": "B", "group": "crop"}))
    with pytest.raises(forecast.Refused, match="the season has no supply route for it"):
        forecast.compare_routes(season, "B", target=5, week="2027-W30", draws=8, seed=1)


def test_an_unknown_route_is_refused(compared_all):
    with pytest.raises(forecast.Refused, match="There is: buy in, propagate in vitro, divide stock"):
        compared_all["by magic"]


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
                begun = made.replace(start=season.first_week + later)
                if begun.chance(week=by, at_least=target) >= 0.9:
                    best = min(best, sum(amount for _, _, amount in expected_outlays(begun, by)))
    assert compared(season, target=target)["divide stock"].cost <= best * 1.01


def test_a_range_of_demand_keeps_its_shape_for_other_numbers():
    target = ({"variety": "A", "week": "2027-W30", "p5": 30, "median": 100, "p95": 300},)
    season = nursery(COSTS | {"explants": 400}).replace(targets=target)
    curve = forecast.compare_routes(season, "A", draws=512, seed=1).curve()
    costs = curve[curve["route"] == "buy in"].set_index("target")["cost_per_plant"]
    assert costs.loc[100] == pytest.approx(costs.loc[200], rel=0.1)
    assert costs.loc[100] == pytest.approx(costs.loc[50], rel=0.1)


# --- where no plant differs from another


FEW = {"draws": 8, "seed": 1}
ASKED = {"target": 60, "week": "2027-W20", "service_level": 0.9} | FEW


def sure(culture=None, division=None, survival=1.0, cost=0.5, **cells):
    """Five weeks of growing; what is bought comes in week 15."""
    culture = None if culture is None else {"cost_start": 30} | culture
    line = {"first_week": "2027-W15", "last_week": "2027-W15"} | cells
    return nursery(culture, division, growing=SURE | {"survival": survival, "cost": cost}, line=line)


def routes(*rows, **cells):
    return forecast.compare_routes(sure(*rows, **cells), "A", **ASKED)


def test_routes_that_meet_the_target_have_costs_and_weeks_by_hand():
    """Sixty at 2, paid five weeks ahead, and 0.5 each half way; to begin 30, then 20 explants in one cycle for free."""
    found = routes({})
    made = found["propagate in vitro"]
    bought = found["buy in"]
    assert (bought.chance, bought.cost, bought.cost_per_plant) == (1, 150, 2.5)
    assert (made.chance, made.cost, made.cost_per_plant) == (1, 60, 1)
    assert made.weeks_out == pytest.approx((30 * (forecast.Week.parse("2027-W20") - made.start) + 30 * 3) / 60)
    assert found.best is made


def test_the_table_has_a_row_for_each_route_and_empty_cells_for_what_is_not_known():
    table = routes({"start_weeks": 30}).table()
    names = ["route", "start", "earliest", "chance", "cost", "cost_per_plant", "cost_per_saleable", "weeks_out"]
    assert table.columns.tolist() == [*names, "why_not"]
    bought, made = table.to_dict("records")
    weeks_out = round((120 * 5 + 30 * 3) / 150, 1)
    assert list(bought.values()) == ["buy in", "2027-W15", "2027-W20", 1, 150, 2.5, 2.5, weeks_out, ""]
    known = [made[name] for name in ("route", "start", "chance", "why_not")]
    assert known == ["propagate in vitro", "", 0, words.NOTHING]
    assert made["earliest"] == "2027-W41"  # 30 weeks to begin, three a cycle, two of rooting, five of growing
    assert all(math.isnan(made[name]) for name in ("cost", "cost_per_plant", "cost_per_saleable", "weeks_out"))


def test_what_costs_nothing_is_out_for_no_time():
    route = routes(unit_price=0, cost=0)["buy in"]
    assert (route.cost, route.cost_per_plant, route.cost_per_saleable, route.weeks_out) == (0, 0, 0, 0)
    assert str(route.start) == "2027-W15"


def test_too_few_are_reported_with_their_chance_and_with_what_each_of_them_costs():
    """Ten stock plants divided once give 30, of which all live: too few for 60, at 1 each and 0.5 to grow."""
    route = routes(None, {"cost": 1})["divide stock"]
    assert (route.chance, route.why_not) == (0, words.enough_in(0))
    assert route.cost == pytest.approx(30 * 1.5)
    assert route.cost_per_saleable == pytest.approx(1.5)
    assert math.isnan(route.cost_per_plant)
    assert route.weeks_out > 0
    assert route.plan.explants == 10
    assert str(route.earliest) == "2027-W26"  # divided again after 20 weeks, and grown for five


def test_a_route_that_is_not_there_and_a_variety_that_has_none_are_refused_in_words():
    with pytest.raises(forecast.Refused) as told:
        routes({})["divide stock"]
    assert str(told.value) == (
        "route, 'divide stock': there is no such route for this variety. There is: buy in, propagate in vitro."
    )
    empty = sure().replace(price_list=())
    with pytest.raises(forecast.Refused) as told:
        forecast.compare_routes(empty, "A", **ASKED)
    assert str(told.value) == (
        "variety, 'A': the season has no supply route for it. Add a row for it to price_list, cultures or divisions."
    )


def test_what_cannot_be_bought_in_time_says_why():
    """Offered from week 22 on for week 20."""
    route = routes(first_week="2027-W22", last_week="2027-W23")["buy in"]
    assert route.plan is None
    assert (route.chance, route.start, route.earliest) == (0, None, None)
    assert route.why_not == "A cannot be delivered then"


def test_the_second_target_row_is_drawn_as_the_second_delivery():
    weeks = ("2027-W18", "2027-W20")
    plan = sure().with_stage("crop", "growing", survival=0.8, survival_sd=0.1)
    plan = plan.replace(targets=[{"variety": "A", "week": week, "target": 60} for week in weeks])
    plan = plan.replace(price_list=[plan.price_list[0].replace(first_week="2027-W10")])
    asked = {"draws": 64, "seed": 1}
    orders = each_sized(plan, **asked)
    for order, week in zip(orders, weeks, strict=True):
        route = forecast.compare_routes(plan, "A", week=week, **asked)["buy in"]
        assert (route.plan.quantity, route.chance, route.cost) == (order.quantity, order.chance, order.cost)
        assert route.cost_per_plant == order.cost / 60
        assert route.cost_per_saleable == order.cost / order.saleable
    assert orders[0].chance != orders[1].chance


def test_a_plan_begun_at_once_has_the_number_in_the_first_week_that_the_closed_form_says():
    """Ready within t weeks are Phi(ln(t / 5) / s) of the plants, s^2 = ln(1 + 0.3^2); 60 of 100 suffice by the mean."""
    plan = sure(first_week="2027-W04", multiple=100, minimum=100)
    plan = plan.replace(stages=[stage("growing", typical=5, survival=1, plants_cv=0.3, batches_cv=0)])
    route = forecast.compare_routes(plan, "A", **ASKED)["buy in"]
    width = math.sqrt(math.log(1 + 0.3**2))
    chances = [stats.binom.sf(59, 100, stats.norm.cdf(math.log(weeks / 5) / width)) for weeks in range(1, 12)]
    weeks = 1 + next(at for at, chance in enumerate(chances) if chance >= 0.9)
    assert route.plan.quantity == 100
    assert route.earliest == forecast.Week.parse("2027-W04") + weeks


# --- costs of other numbers


def test_the_curve_is_reported_to_the_cent():
    curve = routes(unit_price=1.2345).curve()
    assert curve.columns.tolist() == ["target", "route", "cost", "cost_per_plant"]
    assert curve["target"].tolist() == [8, 15, 30, 60, 120, 240]
    assert curve["cost"].tolist() == [round(1.7345 * n, 2) for n in (8, 15, 30, 60, 120, 240)]
    assert curve["cost_per_plant"].tolist() == [1.73] * 6


def crossings(**costs):
    """Return where costs of routes cross that are those of 10, 100, 1,000 and 10,000 plants."""
    table = pd.DataFrame(costs, index=pd.Index([10, 100, 1_000, 10_000], name="target"), dtype=float)
    found = replace(routes())
    vars(found)["_curve"] = table.melt(var_name="route", value_name="cost", ignore_index=False).dropna().reset_index()
    table = found.break_even()
    assert table.columns.tolist() == ["cheaper", "than", "target"]
    return table.to_numpy().tolist()


def test_costs_cross_between_two_numbers_on_a_logarithmic_scale():
    """Of b over a the logarithm is ln 4, then -ln 2: it is 0 two thirds of the way from 100 to 1,000, at 464."""
    assert crossings(a=(1, 1, 2, 2), b=(4, 4, 1, 1)) == [["b", "a", 465]]
    assert crossings(a=(4, 4, 1, 1), b=(1, 1, 2, 2)) == [["a", "b", 465]]


def test_of_several_crossings_the_last_counts():
    """The first half way from 10 to 100, the last half way from 1,000 to 10,000."""
    assert crossings(a=(1, 2, 2, 1), b=(2, 1, 1, 2)) == [["a", "b", 3150]]


def test_costs_that_are_equal_at_a_number_cross_there():
    assert crossings(a=(1, 1, 1, 1), b=(2, 2, 1, 0.5)) == [["b", "a", 1000]]
    assert crossings(a=(1, 1, 1, 1), b=(1, 2, 2, 0.5)) == [["b", "a", 3150]]


@pytest.mark.parametrize("b", [(2, 2, 1, 1), (2, 1, 2, 2), (1, 1, 2, 1), (1, 1, 1, 1)])
def test_costs_that_meet_and_do_not_cross_have_no_number_above_which_the_other_is_cheaper(b):
    assert crossings(a=(1, 1, 1, 1), b=b) == []


def test_a_route_that_costs_nothing_is_cheaper_as_long_as_it_does():
    assert crossings(a=(0, 0, 0, 0), b=(1, 1, 0, 1)) == []
    ((cheaper, than, number),) = crossings(a=(0, 0, 2, 2), b=(1, 1, 1, 1))
    assert (cheaper, than) == ("b", "a")
    assert 100 < number < 1_000


def test_routes_of_which_one_is_always_cheaper_or_that_share_no_number_do_not_cross():
    assert crossings(a=(1, 1, 1, 1), b=(2, 2, 2, 2)) == []
    assert crossings(a=(1, 1, None, None), b=(None, None, 2, 2)) == []


def test_each_two_of_three_routes_are_compared():
    found = crossings(a=(1, 1, 1, 1), b=(4, 4, 4, 1 / 4), c=(4, 4, 1 / 4, 1 / 4))
    assert found == [["b", "a", 3150], ["c", "a", 315]]


# --- when money is tied up, how soon a target could be met, and why not


WANTED = {"target": 60, "service_level": 0.9} | FEW


def spring(*rows, **cells):
    """Plantlets are delivered from week 4 to week 26."""
    return sure(*rows, **({"first_week": "2027-W04", "last_week": "2027-W26"} | cells))


def test_a_deposit_is_out_from_the_first_week_on_and_the_rest_from_delivery():
    """Sixty at 2, a fifth at once; delivered in week 15 for week 20, growing is paid half way."""
    route = forecast.compare_routes(spring(deposit=0.2, first_week="2027-W15"), "A", week="2027-W20", **WANTED)[
        "buy in"
    ]
    order = route.plan
    assert (order.quantity, str(order.week), route.cost) == (60, "2027-W15", 150)
    assert str(route.start) == "2027-W01"
    assert route.weeks_out == pytest.approx((24 * 19 + 96 * 5 + 30 * 3) / 150)
    assert (route.cost_per_plant, route.cost_per_saleable) == (2.5, 2.5)
    unpaid = forecast.compare_routes(spring(first_week="2027-W15"), "A", week="2027-W20", **WANTED)["buy in"]
    assert str(unpaid.start) == "2027-W15"
    assert unpaid.weeks_out == pytest.approx((120 * 5 + 30 * 3) / 150)


@pytest.mark.parametrize(("lead_weeks", "ready"), [(0, "2027-W09"), (6, "2027-W12")])
def test_bought_plants_could_be_had_when_the_first_delivery_has_grown(lead_weeks, ready):
    route = forecast.compare_routes(spring(lead_weeks=lead_weeks), "A", week="2027-W30", **WANTED)["buy in"]
    assert str(route.earliest) == ready


def test_multiplied_plants_could_be_had_after_all_weeks_in_culture_and_growing():
    """Two weeks to begin, three a cycle, two of rooting, five of growing; 40 explants give 120 in one cycle."""
    routes = forecast.compare_routes(spring({"explants": 40}), "A", week="2027-W30", **WANTED)
    assert str(routes["propagate in vitro"].earliest) == "2027-W13"
    assert routes["propagate in vitro"].plan.subcultures == 1


def test_what_comes_too_late_says_why_and_from_when_on_it_could_be_had():
    routes = forecast.compare_routes(spring({}, {}), "A", week="2027-W07", **WANTED)
    assert routes.best is None
    bought, made, _ = routes
    assert (bought.why_not, str(bought.earliest)) == (words.enough_in(0), "2027-W09")
    assert (made.why_not, str(made.earliest)) == (words.NOTHING, "2027-W13")
    for route in routes:
        assert route.cost_per_plant != route.cost_per_plant  # of none that is had


def test_after_the_season_nothing_is_bought_but_cultures_go_on():
    routes = forecast.compare_routes(spring({}), "A", week="2027-W45", **WANTED)
    assert routes["buy in"].why_not == "after the season"
    assert routes["buy in"].plan is None
    assert routes["buy in"].earliest is None
    assert routes["propagate in vitro"].why_not == ""
    assert routes.best.route == "propagate in vitro"


def test_the_curve_asks_for_an_eighth_to_four_times_the_number_and_bought_plants_cost_in_proportion():
    """At 2 a plantlet and 0.5 for growing; forty explants give 120 plants in a cycle, 360 in two."""
    curve = forecast.compare_routes(spring({}), "A", week="2027-W30", **WANTED).curve()
    assert sorted(set(curve["target"])) == [8, 15, 30, 60, 120, 240]
    bought = curve[curve["route"] == "buy in"].set_index("target")
    assert bought["cost"].to_dict() == {n: 2.5 * n for n in (8, 15, 30, 60, 120, 240)}
    assert (bought["cost_per_plant"] == 2.5).all()
    assert (curve["cost"] / curve["target"]).round(2).equals(curve["cost_per_plant"])


def test_what_never_is_enough_has_no_earliest_week():
    """All that are bought are past their best after two weeks; a hundredth survives, and no order is so large."""
    plan = spring(lead_weeks=0)
    plan = plan.replace(varieties=[plan.variety("A").replace(saleable_weeks=2)])
    poor = plan.with_stage("crop", "growing", survival=0.001)
    route = forecast.compare_routes(poor, "A", week="2027-W30", **WANTED)["buy in"]
    assert route.earliest is None
    assert route.why_not == words.enough_in(0)


WARM = {"runs_on": "degree-days", "typical": 300, "base_temperature": 4, "upper_threshold": 26, "time_level": "batch"}


def test_routes_are_compared_where_a_plan_started_at_once_never_meets_the_target():
    """Started at once, plantlets come in the cold of March, of which too many die for 600 in any week."""
    cold = nursery({}, growing=WARM | {"cold_below": 6, "cold_loss": 2}, climate=CLIMATE)
    route = compared(cold, target=600, week="2027-W40", draws=64)["propagate in vitro"]
    assert route.chance >= 0.9
    assert route.earliest is None


@pytest.mark.parametrize("week", ["2030-W36", "2031-W01", "2045-W01"])
def test_what_has_become_of_cultures_can_be_asked_for_any_later_week(week):
    """Plants keep their grade: in the end those are saleable that survive, however far the week."""
    made = forecast.multiply(nursery({}, growing=WARM, climate=CLIMATE), "A", draws=64)
    assert made.share(3, forecast.Week.parse(week)) == pytest.approx(made.fates[3].survival)
    assert made.chance(week=week, at_least=900) > 0.99


def test_the_last_line_names_the_cheapest_route():
    found = routes(unit_price=1.2)
    assert found.best is not None
    assert str(found).splitlines()[-1] == words.cheapest([found.best.route])


UNCERTAIN = nursery(COSTS | UNSURE, growing={"survival_sd": 0.05, "cost": 2})


@pytest.mark.parametrize("draws", [64, 256])
def test_the_error_of_a_difference_between_routes_is_its_spread_over_seeds(draws):
    """Of the same two plans in other draws."""
    errors, spreads = [], []
    for first in (1, 2, 3):
        found = compared(UNCERTAIN, draws=draws, seed=first)
        order, made = found["buy in"].plan, found["propagate in vitro"].plan.cultures
        more = []
        for seed in range(101, 141):
            streams = season_streams(draws, seed)
            anew = Cultures(UNCERTAIN, made.row, streams, made.start, made.explants, made.kept, made.potted)
            again = forecast.simulate(UNCERTAIN, order, draws=draws, seed=seed)
            grown = -sum(row.amounts.sum() for row in growing(again, "A")) / draws
            more.append(sum(row[2] for row in expected_outlays(anew, order.by)) - order.purchase - grown)
        ((_, error),) = found._errors.items()
        errors.append(error)
        spreads.append(np.std(more, ddof=1))
    assert 0.7 < math.sqrt(np.mean(np.square(errors)) / np.mean(np.square(spreads))) < 1.4


def test_routes_whose_costs_differ_by_less_than_is_known_are_both_the_cheapest():
    """A price at which buying in costs 2 EUR more than propagating."""
    first = compared(UNCERTAIN, draws=64)
    order, more = first["buy in"].plan, first["propagate in vitro"].cost + 2 - first["buy in"].cost
    (line,) = UNCERTAIN.price_list
    alike = UNCERTAIN.replace(price_list=[line.replace(unit_price=line.unit_price + more / order.quantity)])
    found = compared(alike, draws=64)
    assert found["buy in"].cost - found["propagate in vitro"].cost == pytest.approx(2, abs=0.01)
    assert str(found).splitlines()[-1] == words.cheapest(["propagate in vitro", "buy in"])
    assert str(first).splitlines()[-1] == words.cheapest([first.best.route])
