"""Whole orders: within every limit, and what is out of reach or refused; the best of all is in test_every_plan."""

import math
from unittest.mock import patch

import pytest
from random_orders import competing
from refusals import refused
from small_cultures import CULTURE
from small_seasons import offer, season, stage
from whole_orders import large

import forecast
from forecast.errors import OutOfReach
from forecast.growth.simulation import season_streams
from forecast.planning import column_generation
from forecast.planning.column_generation import best_plan
from forecast.planning.plan import LeftOut
from forecast.planning.whole_order import plan_orders
from forecast.words import orders as words

# --- no plan breaks a limit


def test_a_search_writes_nothing(capfd):
    for seed in range(20):
        plan_orders(competing(seed, 2), draws=16, seed=1, gap=1e-9)
        plan_orders(competing(1000 + seed, 2, 1, rows=1, earliest=10, lives=(None,)), draws=16, seed=1, aim="cost")
    plan_orders(large(10, 4, area=180, budget=15_000), draws=32, seed=1, gap=0.01)
    assert capfd.readouterr() == ("", "")


# --- limits, losses and what is left out

ROUTE = [stage(typical=2, survival=0.8, survival_sd=0.12, batches_cv=0.1, plants_cv=0.1)]
SOLD = {"A": {"sale_price": 5}, "B": {"sale_price": 6}}


def house(area):
    return [{"place": "house", "area": area, "usable": 1}]


def sells(route=ROUTE, prices=SOLD, **cells):
    """A season of A and B with an uncertain demand, of one lab with a price of 1."""
    usual = {"varieties": "AB", "weeks": 14}
    usual["targets"] = [
        {"variety": name, "week": "2027-W10", "p5": 60, "median": 100, "p95": 160, "short_cost": 0}
        for name in cells.get("sold", "AB")
    ]
    usual["price_list"] = [offer("A", last_week="2027-W04"), offer("B", unit_price=1.5, last_week="2027-W04")]
    plan = season(route, **usual | {name: cell for name, cell in cells.items() if name != "sold"})
    return plan.replace(varieties=tuple(row.replace(**prices.get(row.variety, {})) for row in plan.varieties))


@pytest.mark.parametrize(("limit", "at"), [("budget", 260.0), ("house", 1.2)])
def test_one_more_of_a_limit_earns_its_shadow_price(limit, at):
    """What plans earn is nearly concave in a limit of which there is little: so one more is worth between two steps."""
    step = at / 10

    def found(number):
        cells = (
            {"budget": number} if limit == "budget" else {"places": [{"place": "house", "area": number, "usable": 1}]}
        )
        offers = [offer("A", last_week="2027-W01"), offer("B", unit_price=1.5, last_week="2027-W01")]
        return plan_orders(sells(price_list=offers, **cells), draws=64, seed=1, gap=1e-3)

    fewer, here, more = (found(number) for number in (at - step, at, at + step))
    shadow_price = here.limits().set_index("limit").loc[limit, "shadow_price"]
    rounding = (1e-3 * here.margin + 6) / step  # the gap, and a plant
    assert shadow_price > 0.2 if limit == "budget" else shadow_price > 20
    assert (more.margin - here.margin) / step <= shadow_price + rounding
    assert (here.margin - fewer.margin) / step >= shadow_price - rounding
    assert rounding < 0.6 * shadow_price
    row = here.limits().set_index("limit").loc[limit]
    assert row["used"] == pytest.approx(at, rel=0.02)
    assert row["used"] <= at


def test_limits_that_are_far_off_are_worth_nothing():
    found = plan_orders(sells(budget=1e5), draws=64, seed=1)
    assert found.limits()["limit"].tolist() == ["budget", "house"]
    assert (found.limits()["shadow_price"] == 0).all()
    assert len(str(found).splitlines()) == 2


def left_out(plan):
    """Why nothing of B is ordered, beside A."""
    found = plan_orders(plan, draws=64, seed=1)
    assert {order.variety for order in found.orders} == {"A"}
    ((name, why),) = found.left_out().items()
    assert name == "B"
    return why


def test_a_variety_is_left_out_because_it_loses():
    why = left_out(sells(prices={"A": {"sale_price": 5}, "B": {"sale_price": 0.5}}))
    assert [quantity for quantity, _ in why.order] == [1]
    assert -1.5 < why.margin < -0.5


def test_a_variety_is_left_out_because_the_place_earns_more_with_others():
    offers = [offer("A", last_week="2027-W02"), offer("B", unit_price=1.5, minimum=40, last_week="2027-W02")]
    prices = {"A": {"sale_price": 5}, "B": {"sale_price": 2.3}}
    why = left_out(sells(places=house(0.5), prices=prices, price_list=offers))
    alone = plan_orders(sells(places=house(0.5), prices=prices, price_list=offers, sold="B"), draws=64, seed=1).margin
    assert alone > 5
    assert why.margin == pytest.approx(alone, rel=0.1)
    assert why.limits == ("house",)
    assert all(week <= forecast.Week(2027, 2) for _, week in why.order)


def test_a_variety_is_left_out_because_it_comes_from_no_lab_or_too_late():
    cultures = [CULTURE | {"variety": "B", "enters": "acclimatisation"}]
    assert left_out(sells(cultures=cultures, price_list=[offer("A", last_week="2027-W04")])) == LeftOut("no lab")
    late = [offer("A", last_week="2027-W04"), offer("B", first_week="2027-W11", last_week="2027-W12")]
    assert left_out(sells(cultures=cultures, price_list=late)) == LeftOut("too late")


def test_nothing_is_ordered_if_everything_loses():
    found = plan_orders(sells(prices={"A": {"sale_price": 0.2}, "B": {"sale_price": 0.2}}), draws=64, seed=1)
    assert found.orders == ()
    assert found.margin == found.cost == 0
    assert found.gap <= 1e-6
    assert {why.reason for why in found.left_out().values()} == {"loses"}
    assert all(why.order[0][0] == 1 and why.margin < 0 for why in found.left_out().values())
    assert str(found).splitlines()[0] == words.NOTHING
    assert found.table().empty
    assert found.alternatives().empty
    assert (found.limits()["used"] == 0).all()


# --- what cannot be


def sure(**cells):
    """A season in which exactly 150 of A and 150 of B are needed."""
    targets = [{"variety": name, "week": "2027-W10", "target": 150} for name in "AB"]
    return sells().replace(targets=targets, **cells)


def lacking(plan, draws=64, **options):
    with pytest.raises(OutOfReach), patch.object(words, "limits_short", wraps=words.limits_short) as found:
        plan_orders(plan, draws=draws, seed=1, aim="cost", **options)
    return found.call_args.args[0]


@pytest.mark.filterwarnings("ignore:The plan keeps its promises and minimum")
def test_with_as_much_more_budget_as_it_takes_there_is_a_plan_and_with_a_little_less_there_is_none():
    low = plan_orders(sure(), draws=64, seed=1, aim="cost").bill.total - 120.5
    found = lacking(sure(budget=low))
    assert list(found) == ["budget"]
    enough = low + found["budget"] + 1e-6
    assert plan_orders(sure(budget=enough), draws=64, seed=1, aim="cost").bill.total <= enough
    assert "budget" in lacking(sure(budget=low + 0.98 * found["budget"]))


@pytest.mark.filterwarnings("ignore:The plan keeps its promises and minimum")
def test_with_as_much_more_bench_as_it_takes_there_is_a_plan_and_with_a_little_less_there_is_none():
    found = lacking(sure(places=house(1)))
    assert list(found) == ["house"]
    more = found["house"]
    assert more > 1
    assert plan_orders(sure(places=house(1 + more + 1e-6)), draws=64, seed=1, aim="cost").orders
    exact = plan_orders(sure(), draws=64, seed=1, aim="cost").limits().set_index("limit").loc["house", "used"]
    assert more <= exact - 1 + 0.005
    assert "house" in lacking(sure(places=house(1 + 0.98 * more)))


@pytest.mark.filterwarnings("ignore:The plan keeps its promises and minimum")
def test_every_limit_that_binds_is_named():
    need = plan_orders(sure(), draws=64, seed=1, aim="cost").bill.total
    found = lacking(sure(places=house(1), budget=need / 2))
    assert list(found) == ["house", "budget"]
    area, budget = found.values()
    enough = sure(places=house(1 + area + 1e-6), budget=need / 2 + budget + 1e-6)
    assert plan_orders(enough, draws=64, seed=1, aim="cost").orders
    less = sure(places=house(1 + 0.98 * area), budget=need / 2 + 0.98 * budget)
    assert lacking(less)


@pytest.mark.filterwarnings("ignore:The plan keeps its promises and minimum")
def test_a_minimum_is_out_of_reach_above_the_best_and_in_reach_a_little_below():
    with pytest.raises(OutOfReach), patch.object(column_generation, "floor_out_of_reach", return_value="") as found:
        plan_orders(sells(), draws=100, seed=1, worst_tenth=5000)
    floor, shortfall, _ = found.call_args.args
    best = floor - shortfall
    found = plan_orders(sells(), draws=100, seed=1, worst_tenth=best - 2)
    free = plan_orders(sells(), draws=100, seed=1)
    assert found.margin < free.margin
    assert free.limits()["limit"].tolist() == ["house"]
    row = found.limits().set_index("limit").loc["worst tenth"]
    assert row["used"] >= best - 2
    assert row["shadow_price"] > 0
    with pytest.raises(OutOfReach):
        plan_orders(sells(), draws=100, seed=1, worst_tenth=best + 2)


def test_a_minimum_that_every_season_reaches_is_reached_and_one_above_is_not():
    """100 of A earn 530 and 150 of B 675 in every season."""
    found = plan_orders(sold(), worst_tenth=1205, gap=1e-9, **FEW)
    assert (found.margin, found.bound) == (pytest.approx(1205), pytest.approx(1205))
    with pytest.raises(OutOfReach) as refused:
        plan_orders(sold(), worst_tenth=2000, **FEW)
    assert str(refused.value) == words.floor_out_of_reach(2000, 2000 - 1205, "EUR")


NOT_ABOVE_0 = "not usable. Give a number above 0."


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"aim": "profit"}, "aim, 'profit': no such aim. Give one of margin, cost."),
        *(({"gap": one}, f"gap, {one}: {NOT_ABOVE_0}") for one in (0, math.nan, True)),
        *(({"time_limit": one}, f"time_limit, {one!r}: {NOT_ABOVE_0}") for one in (-1, 0, True, "60")),
        (
            {"aim": "cost", "worst_tenth": 0},
            "worst_tenth, 0: no minimum for this aim. Leave it out, or aim for the margin.",
        ),
        *(
            ({"worst_tenth": one}, f"worst_tenth, {one!r}: not usable. Give a number.")
            for one in (math.inf, math.nan, True, "0")
        ),
        ({"seed": -1}, "seed, '-1': not usable. Give a whole number from 0 to 9,223,372,036,854,775,807."),
        ({"draws": 0}, "draws, '0': not usable. Give a whole number from 1 to 4,194,304."),
    ],
)
def test_an_argument_at_fault_is_refused(options, message):
    assert refused(plan_orders, sells(), **{"draws": 16, "seed": 1} | options) == message


def test_a_season_without_targets_or_without_a_price_is_refused():
    told = "targets: there are none. Add rows to targets: variety, week and target."
    assert refused(plan_orders, sells().replace(targets=()), draws=16, seed=1) == told
    assert refused(plan_orders, sells(prices={}), draws=16, seed=1, aim="margin") == (
        "varieties, rows 2 to 3, column sale_price: a target needs it. Fill in the price at which it is sold."
    )
    assert plan_orders(sells(prices={}), draws=16, seed=1).aim == "cost"


def test_draws_and_seed_are_those_for_planning_and_of_the_season_if_not_given():
    found = plan_orders(sold().replace(seed=7))
    assert (found.draws, found.seed) == (1024, 7)


@pytest.mark.parametrize(("plan", "aim"), [(sells(budget=400.0), "margin"), (sure(), "cost")])
def test_a_search_reports_better_plans_and_better_bounds(plan, aim):
    heard = []
    options = {"time_limit": 60.0, "gap": 0.005, "callback": lambda *one: heard.append(one)}
    found = best_plan(plan, season_streams(64, 1), aim=aim, floor=None, **options)
    values, bounds, seconds = map(list, zip(*heard, strict=True))
    assert values[:-1] == sorted(values[:-1])  # at last promises are kept on other draws, too
    assert bounds[:-1] == sorted(bounds[:-1], reverse=True)  # the last holds what was found above a plane, too
    assert bounds[-1] == pytest.approx(min(bounds), rel=1e-4)
    assert seconds == sorted(seconds)
    assert values[-1] == found.value
    assert bounds[-1] == pytest.approx(found.bound)
    assert all(value <= bound + 1e-6 for value, bound in zip(values, bounds, strict=True))


@pytest.mark.parametrize(("plan", "aim"), [(sells(budget=400.0), "margin"), (sure(), "cost")])
def test_progress_counts_rounds_of_the_search_and_ends_with_all_there_were(plan, aim):
    """Done of a total, in one unit that is no clock."""
    heard = []
    plan_orders(plan, draws=64, seed=1, aim=aim, progress=lambda *one: heard.append(one))
    *rounds, last = heard
    assert [done for done, _ in rounds] == list(range(1, len(rounds) + 1))
    assert {total for _, total in rounds} == {205}
    assert last == (len(rounds), len(rounds))


# --- by hand: no plant is lost


WEEK = {"first_week": "2027-W12", "last_week": "2027-W12"}
FEW = {"draws": 8, "seed": 3}


def sold(**header):
    """Plants come in week 12 and are saleable in week 16, at 0.5 and three minutes of 20 an hour each.

    100 of A at 2, in boxes of fifty at 10, and 150 of B at 3 are sold at 9.
    """
    offers = [
        offer("A", unit_price=2, deposit=0.25, plants_per_box=50, freight_per_box=10, **WEEK),
        offer("B", lab="Other lab", unit_price=3, **WEEK),
    ]
    plan = season(
        [stage(typical=4, survival=1, cost=0.5, minutes=3)],
        varieties="AB",
        price_list=offers,
        targets=[{"variety": name, "week": "2027-W16", "target": number} for name, number in (("A", 100), ("B", 150))],
        weeks=20,
        hourly_wage=20,
        **header,
    )
    return plan.replace(varieties=[row.replace(sale_price=9.0) for row in plan.varieties])


def test_margin_cost_and_payments_are_those_by_hand():
    """A earns 100 x (9 - 3.5) - 20, B 150 x (9 - 4.5); they cost 370 and 675, of which 670 for plants and freight."""
    found = plan_orders(sold(budget=2000.0), gap=1e-9, **FEW)
    assert found.margin == pytest.approx(530 + 675)
    assert found.bound == pytest.approx(1205)
    assert found.cost == pytest.approx(370 + 675)
    assert found.table()["price"].sum() == 650
    assert found.table()["deposit"].tolist() == [50, 0]
    assert (found.table()["deposit"] + found.table()["balance"]).tolist() == [200, 450]
    assert (found.aim, found.draws, found.seed) == ("margin", 8, 3)
    assert 0 < found.seconds < 60
    assert found.season == sold(budget=2000.0)
    least = plan_orders(sold(), aim="cost", **FEW)
    assert (least.margin, least.cost) == (pytest.approx(-1045), pytest.approx(1045))


def test_a_scarce_budget_is_spent_on_what_earns_most_for_it():
    """Of 400 for plants and freight, A takes 220 and earns 530; 60 of B take the rest."""
    found = plan_orders(sold(budget=400.0), gap=1e-9, **FEW)
    numbers = {row.variety: row.quantity for row in found.orders}
    assert numbers == {"A": 100, "B": 60}
    assert found.margin == pytest.approx(530 + 60 * 4.5)
    assert found.bill.total == pytest.approx(400)


def test_a_variety_has_as_many_deliveries_as_earn():
    """Ready after four weeks and past the sale window after one, with targets in weeks 16 to 20."""
    plan = sold().replace(
        targets=[{"variety": "A", "week": f"2027-W{16 + at}", "target": 100} for at in range(5)],
        price_list=[offer("A", first_week="2027-W12", last_week="2027-W16")],
        weeks=24,
    )
    plan = plan.replace(varieties=[row.replace(saleable_weeks=1) for row in plan.varieties])
    found = plan_orders(plan, **FEW)
    assert [(str(row.week), row.quantity) for row in found.orders] == [(f"2027-W{12 + at}", 100) for at in range(5)]
    assert found.margin == pytest.approx(5 * 100 * (9 - 2.5))


def test_whole_numbers_are_numbers():
    found = plan_orders(sold(), time_limit=20, gap=1, worst_tenth=1000, **FEW)
    assert found.margin == pytest.approx(1205)
    assert found.limits().set_index("limit").loc["worst tenth", "available"] == 1000
