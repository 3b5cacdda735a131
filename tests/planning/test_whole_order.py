"""Whole orders: the best of every combination, within every limit, and what is out of reach or refused."""

import math
import re
from collections import defaultdict
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_by_plan import benches, broken, every_cost, every_margin
from random_orders import competing
from random_seasons import price_lists, stages, week
from refusals import refused
from small_cultures import CULTURE
from small_seasons import offer, season, stage
from whole_orders import large

import forecast
from forecast.errors import OutOfReach
from forecast.growth.simulation import season_streams
from forecast.planning import column_generation
from forecast.planning.cheapest import least_cost
from forecast.planning.column_generation import best_margin
from forecast.planning.plan import LeftOut
from forecast.planning.whole_order import plan_orders
from forecast.season.orders import Delivery
from forecast.words import orders as words

DRAWS = 16
some = settings(max_examples=40, deadline=None, derandomize=True)


def limited(plan, plans, rng, *, floored=True):
    """Set limits that forbid the best plan: some of budget, benches and the worst tenth."""
    kinds, best, floor = rng.integers(0, 16), plans.best(), -math.inf
    if kinds & 1 and plans.spent[best] > 0:
        plan = plan.replace(budget=float(plans.spent[best] * rng.uniform(0.4, 0.98)))
    full = plans.full(np.array([best]))[0].reshape(2, -1).max(axis=1)
    if kinds & 2 and full.any():
        areas = np.maximum(full * rng.uniform(0.4, 0.98, size=2), 1e-3).tolist()
        plan = plan.replace(places=tuple(row.replace(area=a) for row, a in zip(plan.places, areas, strict=True)))
    within = limits_of(plan)
    if floored and kinds & 12 == 12:
        now, reach = plans.bad(np.array([plans.best(**within)]))[0], plans.bad(np.arange(len(plans.combos)))
        best = reach[plans.spent <= within["budget"]].max()
        floor = float(now + rng.uniform(-0.2, 0.6) * (best - now))
    return plan, floor


def limits_of(plan):
    return {"budget": math.inf if plan.budget is None else plan.budget, "bench": benches(plan)}


def likely(plan):
    return max(row.median_demand for row in plan.targets)


# --- against every combination


@pytest.mark.parametrize("seed", range(200))
def test_no_combination_of_orders_earns_more_within_the_limits(seed):
    rng, each = np.random.default_rng([1, seed]), 1 + seed % 2
    varieties, labs = (3, 2) if each == 1 else (2, 1 + seed % 4 // 2)
    plan = competing(seed, varieties, labs, coarse=labs * each / 2)
    plans = every_margin(plan, DRAWS, 1, each, 7 * likely(plan))
    plan, floor = limited(plan, plans, rng)
    best = plans.best(**limits_of(plan), floor=floor)
    options = {"draws": DRAWS, "seed": 1, "deliveries": each, "gap": 1e-9}
    if floor > -math.inf:
        options["worst_tenth"] = floor
    if best is None:
        with pytest.raises(OutOfReach):
            plan_orders(plan, **options)
        return
    found = plan_orders(plan, **options)
    assert found.margin == pytest.approx(plans.value[best], rel=1e-6, abs=1e-6)
    assert found.bound >= plans.value[best] - 1e-9 * abs(plans.value[best])
    faults, margin = broken(
        plan, found.orders, draws=DRAWS, seed=1, deliveries_each=each, floor=options.get("worst_tenth")
    )
    assert not faults
    assert margin.mean() == pytest.approx(found.margin, rel=1e-9, abs=1e-6)


def one_line_each(orders):
    """What one lab sends of a variety in one week, added up."""
    plants = defaultdict(int)
    for *line, quantity in orders:
        plants[tuple(line)] += quantity
    return sorted((*key, quantity) for key, quantity in plants.items())


@pytest.mark.parametrize("seed", range(60))
def test_no_combination_of_orders_that_meet_the_targets_costs_less_within_the_limits(seed):
    rows = 1 + seed % 2
    plan = competing(1000 + seed, 2, 3 - rows, rows=rows, earliest=10, lives=(None, 9))
    plans = every_cost(plan, DRAWS, 1, 7 * likely(plan))
    assert all(plans.items)
    plan, _ = limited(plan, plans, np.random.default_rng([2, seed]), floored=False)
    best = plans.best(**limits_of(plan))
    if best is None:
        assert lacking(plan, draws=DRAWS, gap=1e-9)
        return
    found = plan_orders(plan, draws=DRAWS, seed=1, aim="cost", gap=1e-9)
    assert found.margin == pytest.approx(plans.value[best], rel=1e-6)
    assert found.cost == pytest.approx(plans.spent[best], rel=1e-6)
    assert found.bound >= plans.value[best] - 1e-9 * abs(plans.value[best])
    orders = sorted((row.variety, row.lab, row.week, row.quantity) for row in found.orders)
    cheapest = np.flatnonzero(np.isclose(plans.value, found.margin))
    same = [at for at in cheapest if one_line_each(plans.orders(at)) == orders]
    limits = limits_of(plan)
    assert any((plans.full(np.array([at]))[0] <= limits["bench"] * (1 + 2e-6)).all() for at in same)
    assert found.cost <= limits["budget"] * (1 + 1e-6)


# --- one target without limits


@st.composite
def single(draw):
    """Draw a season of one target, with one or two price lists and room for all."""
    lists = [draw(price_lists())] + ([draw(price_lists(lab="Other lab"))] if draw(st.booleans()) else [])
    number, by = draw(st.integers(2, 40)), week(draw(st.integers(12, 29)))
    options = {"p5": number / 2, "median": number, "p95": 2 * number} if draw(st.booleans()) else {"target": number}
    house = {"place": "house", "area": 1e7, "usable": 1, "cost_per_m2_week": draw(st.sampled_from([0, 2]))}
    return season(
        draw(stages(3)),
        price_list=[row for rows in lists for row in rows],
        targets=[{"variety": "A", "week": by} | options],
        weeks=30,
        places=[house],
        saleable_weeks=draw(st.sampled_from([None, None, 8])),
    )


@some
@given(plan=single())
def test_alone_a_target_is_met_by_the_order_that_is_sized_for_it(plan):
    try:
        order = forecast.size_order(plan, "A", draws=64, seed=1)
    except OutOfReach as unmet:
        why = re.escape(str(unmet))
        with pytest.raises(OutOfReach, match=f"^{why}$"):
            plan_orders(plan, draws=64, seed=1, aim="cost", gap=1e-9)
        return
    found = plan_orders(plan, draws=64, seed=1, aim="cost", gap=1e-9)
    assert found.cost == pytest.approx(order.cost, rel=1e-6)
    assert found.margin == pytest.approx(-order.cost, rel=1e-6)
    costs = order.options()["cost"]
    if (costs < costs.min() + 0.02).sum() == 1:  # no other week or lab is as cheap to the cent
        (row,) = found.orders
        assert (row.lab, row.week, row.quantity) == (order.lab, order.week, order.quantity)


# --- no plan breaks a limit


def many(seed, varieties=4):
    """Return a season with many orderable quantities, and limits that may or may not be tight."""
    rng = np.random.default_rng([3, seed])
    plan = competing(seed, varieties)
    offers = tuple(row.replace(multiple=int(rng.choice([1, 5]))) for row in plan.price_list)
    areas = rng.choice([0.5, 2.0, 100.0], size=2).tolist()
    places = tuple(row.replace(area=a) for row, a in zip(plan.places, areas, strict=True))
    return plan.replace(price_list=offers, places=places, budget=rng.choice([None, 60.0, 200.0]))


@settings(some, max_examples=25)
@given(
    seed=st.integers(0, 10**6),
    each=st.sampled_from([1, 2]),
    floor=st.sampled_from([None, None, -50.0, 0.0, 30.0]),
    seconds=st.sampled_from([0.01, 2.0]),
)
def test_no_plan_breaks_a_limit_however_soon_the_search_must_end(seed, each, floor, seconds):
    plan = many(seed)
    try:
        found = plan_orders(plan, draws=48, seed=2, deliveries=each, worst_tenth=floor, time_limit=seconds)
    except OutOfReach:  # a plan of nothing reaches floors up to 0
        assert floor == 30
        return
    faults, margin = broken(plan, found.orders, draws=48, seed=2, deliveries_each=each, floor=floor)
    assert not faults
    assert margin.mean() == pytest.approx(found.margin, rel=1e-6, abs=1e-5)
    assert found.margin <= found.bound
    assert found.gap >= 0
    assert np.isfinite([found.margin, found.bound, found.gap, found.cost]).all()
    for frame in (found.table(), found.limits(), found.alternatives()):
        assert not frame.isna().any().any()


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
        {"variety": name, "week": "2027-W10", "p5": 60, "median": 100, "p95": 160} for name in cells.get("sold", "AB")
    ]
    usual["price_list"] = [offer("A", last_week="2027-W04"), offer("B", unit_price=1.5, last_week="2027-W04")]
    plan = season(route, **usual | {name: cell for name, cell in cells.items() if name != "sold"})
    return plan.replace(varieties=tuple(row.replace(**prices.get(row.variety, {})) for row in plan.varieties))


def changed(found, row):
    """Return the orders of a plan with one of them changed as a row of `alternatives` says."""
    one = next(
        order
        for order in found.orders
        if (order.variety, order.lab, str(order.week), order.quantity) == (row.variety, row.lab, row.week, row.quantity)
    )
    others = [order for order in found.orders if order is not one]
    if row.instead == "nothing":
        return others
    number, *terms = row.instead.replace(",", "").split(" ")
    cells = {"variety": one.variety, "lab": one.lab, "week": one.week} | {"quantity": int(number)}
    if "from" in terms:
        cells["lab"] = " ".join(terms[1 : terms.index("for")] if "for" in terms else terms[1:])
    if "for" in terms:
        cells["week"] = terms[-1]
    return [*others, Delivery(**cells)]


@pytest.mark.parametrize("seed", [1, 2, 5, 7, 11, 13])
def test_the_loss_of_another_plan_is_what_it_would_earn_less(seed):
    plan = many(seed, 3).replace(budget=150.0)
    found = plan_orders(plan, draws=32, seed=1, time_limit=3)
    rows = found.alternatives()
    assert not rows.empty
    assert rows["loss"].is_monotonic_increasing
    for row in rows.itertuples():
        faults, margin = broken(plan, changed(found, row), draws=32, seed=1)
        assert found.margin - margin.mean() == pytest.approx(row.loss, abs=0.006)
        assert row.fits == (not faults)
    assert (rows[rows["fits"]]["loss"] > -0.02).all()


@pytest.mark.parametrize(("limit", "at"), [("budget", 260.0), ("house", 1.2)])
def test_one_more_of_a_limit_earns_its_shadow_price(limit, at):
    """What plans earn is nearly concave in a limit of which there is little: so one more is worth between two steps."""
    step = at / 10

    def found(number):
        cells = (
            {"budget": number} if limit == "budget" else {"places": [{"place": "house", "area": number, "usable": 1}]}
        )
        offers = [offer("A", last_week="2027-W01"), offer("B", unit_price=1.5, last_week="2027-W01")]
        return plan_orders(sells(price_list=offers, **cells), draws=64, seed=1, gap=1e-3, deliveries=1)

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


def test_with_as_much_more_budget_as_it_takes_there_is_a_plan_and_with_a_little_less_there_is_none():
    need = plan_orders(sure(), draws=64, seed=1, aim="cost", gap=1e-9).cost
    assert lacking(sure(budget=need - 120.5)) == {"budget": pytest.approx(120.5)}
    assert plan_orders(sure(budget=need + 1e-6), draws=64, seed=1, aim="cost").cost <= need + 1e-6
    assert "budget" in lacking(sure(budget=need - 120.5 + 0.98 * 120.5))


def test_with_as_much_more_bench_as_it_takes_there_is_a_plan_and_with_a_little_less_there_is_none():
    found = lacking(sure(places=house(1)))
    assert list(found) == ["house"]
    more = found["house"]
    assert more > 1
    assert plan_orders(sure(places=house(1 + more + 1e-6)), draws=64, seed=1, aim="cost").orders
    exact = plan_orders(sure(), draws=64, seed=1, aim="cost").limits().set_index("limit").loc["house", "used"]
    assert more <= exact - 1 + 0.005
    assert "house" in lacking(sure(places=house(1 + 0.98 * more)))


def test_every_limit_that_binds_is_named():
    need = plan_orders(sure(), draws=64, seed=1, aim="cost").cost
    found = lacking(sure(places=house(1), budget=need / 2))
    assert list(found) == ["house", "budget"]
    area, budget = found.values()
    enough = sure(places=house(1 + area + 1e-6), budget=need / 2 + budget + 1e-6)
    assert plan_orders(enough, draws=64, seed=1, aim="cost").orders
    less = sure(places=house(1 + 0.98 * area), budget=need / 2 + 0.98 * budget)
    assert lacking(less)


def test_a_minimum_is_out_of_reach_above_the_best_and_in_reach_a_little_below():
    with pytest.raises(OutOfReach), patch.object(column_generation, "floor_out_of_reach", return_value="") as found:
        plan_orders(sells(), draws=100, seed=1, deliveries=1, worst_tenth=5000)
    floor, shortfall, _ = found.call_args.args
    best = floor - shortfall
    found = plan_orders(sells(), draws=100, seed=1, deliveries=1, worst_tenth=best - 2)
    faults, _ = broken(sells(), found.orders, draws=100, seed=1, deliveries_each=1, floor=best - 2)
    assert not faults
    free = plan_orders(sells(), draws=100, seed=1, deliveries=1)
    assert found.margin < free.margin
    assert free.limits()["limit"].tolist() == ["house"]
    row = found.limits().set_index("limit").loc["worst tenth"]
    assert row["used"] >= best - 2
    assert row["shadow_price"] > 0
    with pytest.raises(OutOfReach):
        plan_orders(sells(), draws=100, seed=1, deliveries=1, worst_tenth=best + 2)


def test_a_minimum_that_every_season_reaches_is_reached_and_one_above_is_not():
    """100 of A earn 530 and 150 of B 675 in every season."""
    found = plan_orders(sold(), worst_tenth=1205, **FEW)
    assert (found.margin, found.bound) == (pytest.approx(1205), pytest.approx(1205))
    with pytest.raises(OutOfReach) as refused:
        plan_orders(sold(), worst_tenth=2000, **FEW)
    assert str(refused.value) == words.floor_out_of_reach(2000, 2000 - 1205, "EUR")


NOT_ABOVE_0 = "not usable. Give a number above 0."


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"aim": "profit"}, "aim, 'profit': no such aim. Give one of margin, cost."),
        *(({"deliveries": n}, f"deliveries, '{n}': not usable. Give a whole number from 1 to 2.") for n in (0, 3)),
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
    assert refused(plan_orders, sells(prices={}), draws=16, seed=1) == (
        "varieties, rows 2 to 3, column sale_price: a target needs it. Fill in the price at which it is sold."
    )
    assert plan_orders(sells(prices={}), draws=16, seed=1, aim="cost").orders


def test_draws_and_seed_are_those_for_planning_and_of_the_season_if_not_given():
    found = plan_orders(sold().replace(seed=7))
    assert (found.draws, found.seed) == (1024, 7)


@pytest.mark.parametrize(("plan", "aim"), [(sells(budget=400.0), "margin"), (sure(), "cost")])
def test_a_search_reports_better_plans_and_better_bounds(plan, aim):
    heard = []
    options = {"time_limit": 60.0, "gap": 0.005, "callback": lambda *one: heard.append(one)}
    if aim == "margin":
        found = best_margin(plan, season_streams(64, 1), deliveries=2, floor=None, **options)
    else:
        found = least_cost(plan, season_streams(64, 1), **options)
    values, bounds, seconds = map(list, zip(*heard, strict=True))
    assert values == sorted(values)
    assert bounds == sorted(bounds, reverse=True)
    assert seconds == sorted(seconds)
    assert values[-1] == found.value
    assert bounds[-1] == pytest.approx(found.bound)
    assert all(value <= bound + 1e-6 for value, bound in zip(values, bounds, strict=True))


@pytest.mark.parametrize(("plan", "aim"), [(sells(budget=400.0), "margin"), (sure(), "cost")])
def test_progress_counts_rounds_of_the_search_and_ends_with_all_there_were(plan, aim):
    """Issue 16: done of a total, in one unit that is no clock."""
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
    """With 400 to spend: B earns 1 for 1, and A, whole boxes apart, 1.43 for 1."""
    found = plan_orders(sold(budget=400.0), gap=1e-9, **FEW)
    numbers = {row.variety: row.quantity for row in found.orders}
    assert numbers == {"A": 100, "B": 6}
    assert found.margin == pytest.approx(530 + 6 * 4.5)
    assert found.cost == pytest.approx(370 + 6 * 4.5)


def test_by_default_a_variety_may_have_two_deliveries():
    """Ready after four weeks and past the sale window after one, with targets in weeks 16 and 18."""
    plan = sold().replace(
        targets=[{"variety": "A", "week": week, "target": 100} for week in ("2027-W16", "2027-W18")],
        price_list=[offer("A", first_week="2027-W12", last_week="2027-W14")],
    )
    plan = plan.replace(varieties=[row.replace(saleable_weeks=1) for row in plan.varieties])
    two, one = plan_orders(plan, **FEW), plan_orders(plan, deliveries=1, **FEW)
    assert [(str(row.week), row.quantity) for row in two.orders] == [("2027-W12", 100), ("2027-W14", 100)]
    assert two.margin == pytest.approx(2 * one.margin) == pytest.approx(2 * 100 * (9 - 2.5))


def test_whole_numbers_are_numbers():
    found = plan_orders(sold(), time_limit=20, gap=1, worst_tenth=1000, **FEW)
    assert found.margin == pytest.approx(1205)
    assert found.limits().set_index("limit").loc["worst tenth", "available"] == 1000


# --- beside whole plants


@pytest.mark.parametrize("seed", [None, 3, 8, 21])
def test_whole_plants_earn_what_the_plan_says_less_what_the_chance_of_single_plants_costs(seed):
    """Of Y plants, sales up to D lose at most the mean of those that Y lacks of E Y: half its mean deviation.

    That is at most half its standard deviation. What lacks for one row is counted twice, as it may lack for the next.
    """
    plan = forecast.read_season("demo_data") if seed is None else competing(seed, 3)
    draws = 512
    found = plan_orders(plan, draws=draws, seed=1)
    whole = found.cash_flow().margin
    _, expected = broken(plan, found.orders, draws=draws, seed=1)
    chance = 0.0
    for variety in found.simulate().varieties:
        for row in plan.targets_of(variety):
            variance = sum(
                batch.quantity * share * (1 - share)
                for batch in found.simulate().batches
                if batch.variety == variety
                for share in [found.simulate().fate(batch).ready(np.array([float(row.week - batch.week)]))[0]]
            )
            price = plan.variety(variety).price(row.week - plan.first_week)
            chance += 2 * price * np.sqrt(variance).mean() / 2
    error = (whole - expected).std() / math.sqrt(draws)
    assert error < 0.02 * found.margin
    assert whole.mean() <= found.margin + 4 * error
    assert whole.mean() >= found.margin - chance - 4 * error
