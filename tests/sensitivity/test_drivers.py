"""What an answer hangs on: closed forms of one stage, draws that happen to be low or high, and refusals."""

import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from defaults import defaults
from functions_of_inputs import tornado
from hypothesis import given, settings
from hypothesis import strategies as st
from refusals import faults_of
from scipy import stats
from small_seasons import CLIMATE, MIXED, asks, beta_spread, offer, season, stage

import forecast
from forecast import Refused, what_drives
from forecast.growth.simulation import season_streams
from forecast.season.targets import Target
from forecast.sensitivity.drivers import Drivers, _crossing
from forecast.sensitivity.inputs import inputs_of
from forecast.sensitivity.sobol import sobol_table
from forecast.words import sensitivity as words

TEN, NINETY = 0.1, 0.9
SCORE = 1.2815515655446004  # normal quantile at 0.9
Z95 = 1.6448536269514722
PLANTS, PRICE, COST = 400, 2.0, 1.2
A, B = 20.0, 5.0
WEEK = "2027-W20"
ORDER = [("A", "2027-W05", PLANTS)]
BETA = stats.beta(A, B)


def only(target=10_000, level="batch", **cells):
    """One stage without time, one order; what is not sold is thrown away."""
    return plan_of([stage("arrival", survival_level=level, **beta_spread(A, B))], target=target).replace(**cells)


def plan_of(route, price=PRICE, cost=COST, target=10_000):
    made = season(route, price_list=[offer(unit_price=cost)], targets=[asks(target)])
    return made.replace(varieties=[made.variety("A").replace(sale_price=price)])


def row_of(drivers, name):
    table = drivers.table().set_index("input")
    return table.loc[name]


def test_the_margin_at_a_low_and_a_high_survival_is_that_of_the_closed_form():
    """All are sold: plants x (price x survival - cost); the base by the mean of the beta distribution."""
    drivers = what_drives(only(), orders=ORDER, draws=1024, seed=1)
    row = row_of(drivers, "arrival survival of crop")
    for end, at, q in (("p10", "at_p10", TEN), ("p90", "at_p90", NINETY)):
        assert row[end] == pytest.approx(BETA.ppf(q), abs=1e-6)
        assert row[at] == pytest.approx(PLANTS * (PRICE * BETA.ppf(q) - COST), abs=0.01)
    assert row["swing"] == pytest.approx(PLANTS * PRICE * (BETA.ppf(NINETY) - BETA.ppf(TEN)), abs=0.02)
    error = PLANTS * PRICE * BETA.std() / np.sqrt(1024)
    assert drivers.base == pytest.approx(PLANTS * (PRICE * BETA.mean() - COST), abs=3 * error)


def test_ends_are_those_of_seasons_in_which_the_survival_is_known():
    """By another route: the same season with that survival and no spread."""
    plan = only(target=320)
    for answer in ("margin", "chance", "saleable"):
        drivers = what_drives(plan, orders=ORDER, answer=answer, draws=256, seed=1)
        row = row_of(drivers, "arrival survival of crop")
        for end in ("p10", "p90"):
            known = plan.with_stage("crop", "arrival", survival=float(row[end]), survival_sd=0)
            outcome = forecast.simulate(known, ORDER, draws=256, seed=1)
            if answer == "margin":
                margin = forecast.cash_flow(outcome).margin
                error = 3 * PRICE * np.sqrt(PLANTS) / 2 / np.sqrt(256)  # of the binomial plants of cash_flow
                assert row[f"at_{end}"] == pytest.approx(margin.mean(), abs=error)
            elif answer == "chance":
                assert row[f"at_{end}"] == pytest.approx(outcome.chance("A", week=WEEK, at_least=320), abs=1e-6)
                assert row[f"at_{end}"] == pytest.approx(stats.binom.sf(319, PLANTS, row[end]), abs=1e-6)
            else:
                assert row[f"at_{end}"] == pytest.approx(PLANTS * row[end], rel=1e-6)


def test_the_survival_that_breaks_even_is_cost_over_price_and_its_chance_that_of_the_beta_distribution():
    found = what_drives(only(), orders=ORDER, draws=64, seed=1).break_even("arrival survival of crop")
    assert found.value == pytest.approx(COST / PRICE, abs=1e-4)
    assert found.chance == pytest.approx(BETA.cdf(COST / PRICE), abs=1e-4)
    assert (found.input, found.unit, found.profitable) == ("arrival survival of crop", "share", "above")
    assert str(found) == words.break_even(
        name=found.input, value=words.input_value(found.value, "share"), above=True, chance=found.chance
    )


def test_prices_break_even_where_the_closed_form_says():
    """Income plants x price x mean the draws survival of cost plants x lab price."""
    plan = only()
    drivers = what_drives(plan, orders=ORDER, also={"sale price": 0.3}, draws=256, seed=1)
    alone = what_drives(plan, orders=ORDER, draws=256, seed=1)
    survival = (alone.base / PLANTS + COST) / PRICE
    sale, lab = drivers.break_even("sale price"), alone.break_even("lab price")
    assert (sale.unit, lab.unit) == ("EUR per plant", "EUR per plantlet")
    assert sale.value == pytest.approx(COST / survival, abs=1e-6)
    assert sale.chance == pytest.approx(stats.norm.cdf((sale.value / PRICE - 1) * Z95 / 0.3), abs=1e-6)
    assert lab.value == pytest.approx(PRICE * survival, abs=1e-6)
    assert lab.chance is None
    assert (sale.profitable, lab.profitable) == ("above", "below")
    dearer = plan.replace(price_list=(plan.price_list[0].replace(unit_price=lab.value),))
    assert what_drives(dearer, orders=ORDER, draws=256, seed=1).base == pytest.approx(0, abs=1e-6)


def test_orders_that_pay_or_lose_whatever_happens_have_no_break_even():
    plan = only()
    cheap = plan.replace(price_list=(plan.price_list[0].replace(unit_price=0.01),))
    found = what_drives(cheap, orders=ORDER, draws=64, seed=1).break_even("arrival survival of crop")
    assert found.value is None
    dear = plan.replace(price_list=(plan.price_list[0].replace(unit_price=PRICE),))
    drivers = what_drives(dear, orders=ORDER, draws=64, seed=1)
    assert drivers.break_even("arrival survival of crop").value is None
    free = dear.with_stage("crop", "arrival", cost=PRICE)
    free_plants = what_drives(free, orders=ORDER, draws=64, seed=1).break_even("lab price")
    assert (free_plants.value, free_plants.profitable, free_plants.tried) == (None, "never", ())


def test_a_price_within_a_range_moves_the_margin_by_the_income_alone():
    drivers = what_drives(only(), orders=ORDER, also={"sale price": 0.1, "lab price": 0.2}, draws=512, seed=1)
    plain = what_drives(only(), orders=ORDER, draws=512, seed=1)
    sale, lab = row_of(drivers, "sale price"), row_of(drivers, "lab price")
    assert [sale["p10"], sale["p90"]] == pytest.approx([1 - 0.1 * SCORE / Z95, 1 + 0.1 * SCORE / Z95])
    assert sale["swing"] == pytest.approx(2 * 0.1 * SCORE / Z95 * (plain.base + PLANTS * COST), rel=1e-9)
    assert lab["at_p10"] - lab["at_p90"] == pytest.approx(2 * 0.2 * SCORE / Z95 * PLANTS * COST, rel=1e-9)


def test_demand_is_set_to_its_quantiles():
    """Far more plants than asked for: sold is the demand, whatever the survival."""
    plan = only().replace(targets=(Target(variety="A", week=WEEK, p5=50, median=80, p95=120),))
    row = row_of(what_drives(plan, orders=ORDER, draws=256, seed=1), f"demand for A in {WEEK}")
    for end, q in (("p10", TEN), ("p90", NINETY)):
        assert row[end] == float(plan.targets[0].demand.quantile(q))
        assert row[f"at_{end}"] == pytest.approx(PRICE * row[end] - PLANTS * COST, abs=1e-6)


def test_indices_of_two_survivals_are_those_of_a_product():
    """Saleable = plants x S1 x S2, c = sd / mean: as for any product; within four of the errors told."""
    route = [stage("arrival", **beta_spread(A, B)), stage("grading", **beta_spread(30.0, 3.0))]
    plan = season(route, targets=[asks(300)])
    square = np.array([(law.std() / law.mean()) ** 2 for law in (BETA, stats.beta(30, 3))])
    every = np.prod(1 + square)
    drivers = what_drives(plan, orders=ORDER, answer="saleable", draws=4096, seed=1)
    table = drivers.indices().set_index("input").loc[["arrival survival of crop", "grading survival of crop"]]
    for name, exact in (("first", square / (every - 1)), ("total", square * every / (1 + square) / (every - 1))):
        assert (np.abs(table[name] - exact) <= 4 * table[f"{name}_error"]).all()
        assert table[f"{name}_error"].max() < 0.03
    assert drivers.interactions().interact is False


TWO = {"varieties": ("A", "B"), "targets": [asks(300, variety=name) for name in "AB"]}
THREE = [("A", "2027-W05", 400), ("B", "2027-W06", 300), ("B", "2027-W07", 100)]


def mixed(graded):
    arrival = stage("arrival", survival_level=MIXED, **beta_spread(A, B))
    return season([arrival, stage("grading", **beta_spread(graded, 3.0))], **TWO)


def test_indices_leave_nothing_out():
    """All else is a row of its own; a sum of parts that do not act together has indices that add to 1."""
    table = what_drives(mixed(90.0), orders=THREE, answer="saleable", draws=2048, seed=2).indices(top=1)
    assert table["input"].tolist() == ["arrival survival of crop", "all else"]
    error = np.sqrt((table[["first_error", "total_error"]] ** 2).sum())
    assert abs(table["first"].sum() - 1) < 3 * error["first_error"] + 0.01
    assert abs(table["total"].sum() - 1) < 3 * error["total_error"] + 0.01


def test_draws_that_are_no_power_of_two_are_cut_for_indices():
    cells = {"orders": ORDER, "answer": "saleable", "seed": 1}
    one, two = (what_drives(only(), draws=draws, **cells).indices() for draws in (512, 700))
    assert one.equals(two)


def test_what_holds_for_several_batches_is_low_as_a_whole():
    """Against draws in which the mean score happens to be near: their mean answer, within its own error."""
    plan = mixed(30.0)
    drivers = what_drives(plan, orders=THREE, answer="saleable", draws=16384, seed=1)
    outcome = forecast.simulate(plan, THREE, draws=16384, seed=1)
    one = inputs_of(plan, outcome.batches, season_streams(16384, 1), {})["arrival survival of crop"]
    weights = np.array([400, 300, 100]) / 800
    shared = np.array([[1.0, 0.3, 0.3], [0.3, 1.0, 0.5], [0.3, 0.5, 1.0]])
    assert one.sd == pytest.approx(np.sqrt(weights @ shared @ weights))
    assert weights @ one.scores(-SCORE) / one.sd == pytest.approx(np.full(16384, -SCORE))
    saleable = sum(batch.quantity * np.exp(outcome.fate(batch).log_survival.sum(axis=0)) for batch in outcome.batches)
    mean = weights @ one.drawn / one.sd
    row = row_of(drivers, one.name)
    for end, score in (("p10", -SCORE), ("p90", SCORE)):
        near = np.abs(mean - score) < 0.05
        error = saleable[near].std() / np.sqrt(near.sum())
        assert near.sum() > 200
        assert row[f"at_{end}"] == pytest.approx(saleable[near].mean(), abs=3 * error + 1)
        assert row[end] == pytest.approx(BETA.ppf(stats.norm.cdf(score * one.sd)), abs=1e-6)


def test_weather_is_warm_or_cold_as_a_whole():
    """Against draws whose mean temperature from delivery to sale happens to be near the quantile."""
    warm = {"runs_on": "degree-days", "base_temperature": 4, "typical": 600}
    growing = stage("growing on", plants_cv=0.1, batches_cv=0, survival=1, **warm)
    plan, draws = season([growing], climate=CLIMATE, targets=[asks(300)]), 8192
    drivers = what_drives(plan, orders=ORDER, answer="saleable", draws=draws, seed=1)
    assert drivers.table()["input"].tolist() == ["weather of the season"]
    outcome = forecast.simulate(plan, ORDER, draws=draws, seed=1)
    low, _ = forecast.fates.weather.Weather.of(plan, outcome.streams).outside(plan.weeks)
    mean = low[4:19].mean(axis=0)
    mean = (mean - mean.mean()) / mean.std()
    share = outcome.fate(outcome.batches[0]).saleable(np.array([15.0]), None)[0]
    row = drivers.table().iloc[0]
    for end, score in (("p10", -SCORE), ("p90", SCORE)):
        near = np.abs(mean - score) < 0.1
        error = PLANTS * share[near].std() / np.sqrt(near.sum())
        assert row[f"at_{end}"] == pytest.approx(PLANTS * share[near].mean(), abs=3 * error + 3)
    assert row["p10"] == pytest.approx(-row["p90"])
    spread = low[4:19].mean(axis=0).std()
    assert row["p90"] == pytest.approx(SCORE * spread, rel=3 / np.sqrt(2 * draws) + 0.01)


def test_the_base_is_the_mean_margin_of_the_cash_flow():
    """With several batches, two sales, shelf life, markdown and bench; within the error of its sampled plants."""
    plan = season(
        [stage(typical=4, batches_cv=0.2, plants_cv=0.2, survival_level=MIXED, **beta_spread(A, B))],
        varieties=("A", "B"),
        saleable_weeks=6,
        targets=[
            {"variety": "A", "week": "2027-W12", "p5": 150, "median": 200, "p95": 300},
            {"variety": "A", "week": "2027-W16", "target": 150},
            {"variety": "B", "week": "2027-W14", "target": 100},
        ],
        places=[{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 0.5}],
    )
    plan = plan.replace(varieties=[one.replace(sale_price=6, markdown_price=1.5) for one in plan.varieties])
    orders = [("A", "2027-W05", 300), ("A", "2027-W09", 150), ("B", "2027-W08", 150)]
    drivers = what_drives(plan, orders=orders, draws=4096, seed=1)
    margin = forecast.cash_flow(forecast.simulate(plan, orders, draws=4096, seed=1)).margin
    assert drivers.base == pytest.approx(margin.mean(), abs=3 * 6 * np.sqrt(600 / 4) / np.sqrt(4096) + 1)
    chance = what_drives(plan, orders=orders, answer="chance", draws=4096, seed=1).base
    target = forecast.simulate(plan, orders, draws=4096, seed=1).targets()
    assert chance == pytest.approx(target["chance"].mean(), abs=0.01)


@settings(max_examples=15, deadline=None, derandomize=True)
@given(
    survivals=st.lists(st.floats(0.3, 0.95), min_size=1, max_size=3),
    level=st.sampled_from(["belief", "season", "batch", MIXED]),
)
def test_a_higher_survival_never_means_fewer_plants_and_swings_fall_along_the_table(survivals, level):
    names = ("arrival", "growing on", "grading")
    route = [
        stage(name, survival=mean, survival_sd=0.3 * mean * (1 - mean), survival_level=level)
        for name, mean in zip(names, survivals, strict=False)
    ]
    table = what_drives(season(route, targets=[asks(300)]), orders=ORDER, answer="saleable", draws=64, seed=1).table()
    assert (table["at_p90"] > table["at_p10"]).all()
    assert (table["swing"].diff().dropna() <= 0).all()
    assert (table["swing"] == table["at_p90"] - table["at_p10"]).all()


def test_only_what_is_uncertain_and_of_the_variety_asked_for_is_an_input():
    route = [stage("arrival", survival_level="plant", survival_sd=0.1), stage("grading", **beta_spread(A, B))]
    plan = season(route, **TWO).with_stage("B", "grading", survival=0.9, survival_sd=0.05)
    both = [("A", "2027-W05", 400), ("B", "2027-W06", 300)]
    cells = {"orders": both, "answer": "saleable", "draws": 64, "seed": 1}
    assert set(what_drives(plan, **cells).table()["input"]) == {"grading survival of crop", "grading survival of B"}
    alone = what_drives(plan, "B", **cells)
    assert alone.table()["input"].tolist() == ["grading survival of B"]
    outcome = forecast.simulate(plan, both, draws=64, seed=1)
    (batch,) = [one for one in outcome.batches if one.variety == "B"]
    assert alone.base == pytest.approx(300 * outcome.fate(batch).survival.mean())


# --- tables, break-even values and refusals by hand


FEW = {"draws": 16, "seed": 1}


def losses(count):
    """As many stages that only lose plants, the first the most."""
    return [stage(f"s{i}", **beta_spread(8.0 * 2**i, 2.0 * 2**i)) for i in range(count)]


ONE = plan_of(losses(1))


# --- tables


def test_the_tornado_has_a_row_for_each_input_with_its_unit_the_largest_swing_first():
    drivers = what_drives(plan_of(losses(3)), orders=ORDER, also={"sale price": 0.05}, **FEW)
    table = drivers.table()
    assert table.columns.tolist() == ["input", "unit", "p10", "p90", "at_p10", "at_p90", "swing"]
    assert table["unit"].value_counts().to_dict() == {"share": 3, "of the stated price": 1}
    assert table["swing"].tolist() == sorted((table["at_p90"] - table["at_p10"]).abs(), reverse=True)
    table["swing"] = 0.0
    assert (drivers.table()["swing"] > 0).all()


@pytest.mark.parametrize(("asked", "rows"), [({}, 5), ({"top": 2}, 2), ({"top": 6}, 6), ({"top": 9}, 6)])
def test_indices_are_of_the_five_largest_swings_unless_others_are_asked_for(asked, rows):
    drivers = what_drives(plan_of(losses(6)), orders=ORDER, **FEW)
    table = drivers.indices(**asked)
    names = drivers.table()["input"].tolist()
    assert table["input"].tolist() == [*names[:rows], *(["all else"] if rows < 6 else [])]
    assert table.columns.tolist() == ["input", "first", "first_error", "total", "total_error"]


def test_drivers_and_break_evens_are_shown_in_one_line():
    drivers = what_drives(ONE, orders=ORDER, **FEW)
    assert repr(drivers) == f"Drivers(answer=margin, base={drivers.base:.3g} EUR, draws=16, seed=1)"
    found = drivers.break_even("lab price")
    assert repr(found) == f"BreakEven(input=lab price, value={found.value}, unit=EUR per plantlet)"
    assert found.table().iloc[0].tolist() == ["lab price", found.value, "EUR per plantlet", None]


def test_the_text_names_the_first_three_inputs_of_the_table():
    drivers = what_drives(plan_of(losses(4)), orders=ORDER, answer="saleable", **FEW)
    table = drivers.table().drop(columns="swing")
    names, cells = table.pop("input").tolist()[:3], table.iloc[0].to_dict()
    assert str(drivers) == words.drivers(
        dict.fromkeys(names, True), answer="saleable", base=drivers.base, currency="EUR", **cells
    )


@pytest.mark.parametrize(("answer", "target"), [("margin", 280), ("chance", 200)])
def test_the_error_of_a_swing_and_of_two_is_the_spread_over_seeds(answer, target):
    made, asked = plan_of(losses(3), target=target), {"orders": ORDER, "answer": answer, "draws": 128}
    found = [what_drives(made, **asked, seed=seed) for seed in range(1, 65)]
    names = [f"s{i} survival of crop" for i in range(3)]
    assert all(drivers.table()["input"].tolist() == names for drivers in found)
    swings = np.array([drivers.table()["swing"] for drivers in found])
    for one, other in [(0, None), (1, None), (2, None), (0, 1), (0, 2)]:
        spread = (swings[:, one] - (0 if other is None else swings[:, other])).std(ddof=1)
        error = math.sqrt(np.mean([drivers._error(one, other) ** 2 for drivers in found[:16]]))
        assert spread > 0
        assert 0.7 < error / spread < 1.4


def test_an_input_that_may_matter_as_much_is_said_to():
    """Two stages that lose alike differ by the draws alone."""
    route = [stage(name, **beta_spread(A, B)) for name in ("one", "two")]
    text = str(what_drives(plan_of(route, target=240), orders=ORDER, draws=64, seed=1))
    assert text.endswith("(which may matter as much).")


def test_inputs_whose_swings_are_within_their_errors_are_not_named():
    """Hardly any plant is lost, and the target is met in any case."""
    route = [stage("one", survival=0.95, survival_sd=0.01), stage("two", survival=0.95, survival_sd=0.001)]
    drivers = what_drives(plan_of(route, target=300), orders=ORDER, answer="chance", draws=64, seed=1)
    assert drivers.table()["swing"].max() < 0.005
    assert str(drivers) == words.no_drivers(answer="chance", base=drivers.base, currency="EUR")


# --- where orders stop to pay


def log_sd(share):
    """Return the deviation of the logarithm of a lognormal time from its relative spread."""
    return math.sqrt(math.log(1 + share**2))


def test_a_time_breaks_even_from_above_where_too_few_plants_are_ready_in_time():
    """Ready within 15 weeks are Phi(ln(15 / time) / s) of the plants; 0.6 of them pay for all, at 1.2 against 2."""
    growing = stage(typical=12, survival=1, plants_cv=0.2, batches_cv=0.2)
    found = what_drives(plan_of([growing]), orders=ORDER, draws=64, seed=1).break_even("acclimatisation time of crop")
    value = 15 * math.exp(-log_sd(0.2) * stats.norm.ppf(0.6))
    chance = stats.norm.sf(math.log(value / 12) / log_sd(0.2))
    assert found.value == pytest.approx(value, rel=1e-3)
    assert found.chance == pytest.approx(chance, abs=2e-3)
    assert (found.input, found.unit) == ("acclimatisation time of crop", "weeks")
    assert found.profitable == "below"


@pytest.mark.parametrize(
    ("margins", "pair"),
    [
        ({-2: -1.0, -1: 1.0, 0: 2.0, 1: 2.0, 2: 3.0}, (-2, -1)),
        ({2: 3.0, 0: 2.0, 1: -1.0, -1: 5.0, -2: -1.0}, (0, 1)),  # the other crossing is farther from the middle
        ({-1: 0.0, 0: 1.0, 1: 2.0}, None),
        ({-1: -1.0, 0: 0.0, 1: -2.0}, (-1, 0)),  # as near as the one after it, which comes later
        ({-1: -3.0, 0: -1.0}, None),
    ],
)
def test_of_several_changes_of_sign_the_nearest_to_the_middle_counts(margins, pair):
    assert _crossing(margins) == pair


@pytest.mark.parametrize(
    ("name", "cells", "profitable"),
    [("lab price", {"cost": 0}, True), ("sale price", {"price": 0.0}, False), ("lab price", {"price": 0.0}, False)],
)
def test_a_price_that_decides_nothing_has_no_break_even(name, cells, profitable):
    found = what_drives(plan_of(losses(1), **cells), orders=ORDER, **FEW).break_even(name)
    assert (found.input, found.value, found.chance) == (name, None, None)
    assert found.unit == ("EUR per plantlet" if name == "lab price" else "EUR per plant")
    assert found.profitable == ("always" if profitable else "never")


def test_a_lab_price_within_a_range_breaks_even_from_above_with_its_chance():
    """In every season 0.8 live: at 2 a plant they bring in 1.6, a third more than 1.2; 0.4 is twice a third of 1.2."""
    made = plan_of([stage("arrival", survival=0.8)])
    found = what_drives(made, orders=ORDER, also={"lab price": 0.4}, **FEW).break_even("lab price")
    chance = stats.norm.sf(1 / 3 / 0.4 * stats.norm.ppf(0.95))
    assert found.value == pytest.approx(1.6)
    assert found.chance == pytest.approx(chance)
    value = words.price(found.value, "EUR per plantlet")
    assert str(found) == words.break_even(name="lab price", value=value, above=False, chance=found.chance)


# --- refusals


@pytest.mark.parametrize("part", [0, -0.1, 0.51, True, "0.1", math.nan])
def test_what_is_no_range_of_a_price_is_refused_in_words(part):
    with pytest.raises(Refused) as refusal:
        what_drives(ONE, orders=ORDER, also={"sale price": part}, **FEW)
    assert str(refusal.value).endswith(
        "not a part of the sale price. Give a number above 0 and up to 0.5, such as 0.1 for 10 %."
    )


def test_half_of_a_price_is_still_a_range():
    table = what_drives(ONE, orders=ORDER, also={"sale price": 0.5}, **FEW).table()
    row = table.set_index("input").loc["sale price"]
    assert row["p90"] == pytest.approx(1 + 0.5 * stats.norm.ppf(0.9) / stats.norm.ppf(0.95))


ORDER_IT = "Order something of it, and give it a row in targets."
ENTER = "Enter standard deviations of survivals and times."
NO_PRICE = "not a price that this answer depends on. For a margin: sale price or lab price."


@pytest.mark.parametrize(
    ("made", "asked", "said"),
    [
        (ONE, {"answer": "profit"}, "answer, 'profit': not an answer. Write margin, chance or saleable."),
        (ONE.replace(targets=()), {"answer": "chance"}, f"variety: no variety ordered has a target. {ORDER_IT}"),
        (plan_of([stage("arrival", survival=0.8)]), {}, f"season, 'test': nothing is uncertain in it. {ENTER}"),
        (ONE, {"answer": "chance", "also": {"sale price": 0.1}}, f"also, 'sale price': {NO_PRICE}"),
        (ONE, {"also": {"freight": 0.1}}, f"also, 'freight': {NO_PRICE}"),
    ],
)
def test_what_cannot_be_answered_is_refused_in_words(made, asked, said):
    with pytest.raises(Refused) as refusal:
        what_drives(made, orders=ORDER, **asked, **FEW)
    assert str(refusal.value) == said


@pytest.mark.parametrize("top", [0, -1, 1.5, "2"])
def test_what_is_no_number_of_inputs_is_refused_in_words(top):
    (fault,) = faults_of(what_drives(ONE, orders=ORDER, **FEW).indices, top=top)
    assert (fault.column, fault.value) == ("top", top)


def test_what_has_no_break_even_is_refused_in_words():
    with pytest.raises(Refused) as refusal:
        what_drives(ONE, orders=ORDER, answer="chance", **FEW).break_even("sale price")
    remedy = 'Call what_drives with answer="margin".'
    assert str(refusal.value) == f"answer, 'chance': only a margin breaks even. {remedy}"
    with pytest.raises(Refused) as refusal:
        what_drives(ONE, orders=ORDER, **FEW).break_even("lab prise")
    assert str(refusal.value).startswith("input, 'lab prise': not an uncertain input of these orders. ")
    assert "lab price" in str(refusal.value).split(". ", maxsplit=1)[1]


# --- functions of inputs


def test_two_even_draws_are_enough_and_inputs_of_equal_swing_keep_their_order():
    inputs = {name: stats.uniform(0, 1) for name in ("first", "second", "third")}
    table = tornado(lambda x: x[0] - x[1] + 2 * x[2], inputs, n=2, seed=0)
    assert table["input"].tolist() == ["third", "first", "second"]
    assert table.columns.tolist() == ["input", "p10", "p90", "at_p10", "at_p90", "swing"]
    assert table["p10"].tolist() == pytest.approx([0.1] * 3)
    assert table["p90"].tolist() == pytest.approx([0.9] * 3)
    assert table["swing"].tolist() == pytest.approx([1.6, 0.8, 0.8])


def test_the_errors_of_indices_are_those_of_a_ratio_of_two_means_by_hand():
    """Of products p with mean index times V over n draws, sd(p - index q) / (mean q sqrt(n)), q the squares."""
    rng = np.random.default_rng(5)
    one, other, mixed = rng.normal(3, 1, (3, 8))
    (row,) = sobol_table(["input"], one, other, [mixed]).to_dict("records")
    mean = np.concatenate([one, other]).mean()
    a, b, m = one - mean, other - mean, mixed - mean
    squares = (a**2 + b**2) / 2
    for name, parts in (("first", b * (m - a)), ("total", (a - m) ** 2 / 2)):
        index = parts.mean() / np.concatenate([one, other]).var()
        assert row[name] == pytest.approx(index)
        assert row[f"{name}_error"] == pytest.approx(np.std(parts - index * squares) / squares.mean() / math.sqrt(8))


def test_an_order_of_a_variety_without_a_price_of_its_own_has_no_sale_to_break_even():
    two = season([stage("arrival", **beta_spread(8.0, 2.0))], varieties=("A", "B"), targets=[asks(50)])
    two = two.replace(varieties=[two.variety("A").replace(sale_price=2.0), two.variety("B")])
    drivers = what_drives(two, "B", orders=[("A", "2027-W05", 40), ("B", "2027-W05", 30)], **FEW)
    assert drivers.base == pytest.approx(-30)
    assert drivers.break_even("sale price").value is None


# --- prices of two varieties


BOTH = [("A", "2027-W05", 400), ("B", "2027-W06", 300)]
SURVIVAL, PRICES, COSTS = 0.8, {"A": 4.0, "B": 2.5}, {"A": 2.5, "B": 1.6}


def two_varieties(**cells):
    plan = season(
        [stage("arrival", **beta_spread(20.0, 5.0))],
        varieties=("A", "B"),
        price_list=[offer(name, unit_price=cost) for name, cost in COSTS.items()],
        targets=[asks(10_000, variety=name) for name in "AB"],
    )
    own = [plan.variety(name).replace(sale_price=price) for name, price in PRICES.items()]
    return what_drives(plan.replace(varieties=own), orders=BOTH, draws=1024, seed=1, **cells)


INCOME = SURVIVAL * (400 * PRICES["A"] + 300 * PRICES["B"])
SPENT = 400 * COSTS["A"] + 300 * COSTS["B"]


@pytest.mark.parametrize(("name", "part"), [("sale price", SPENT / INCOME), ("lab price", INCOME / SPENT)])
def test_prices_of_two_varieties_break_even_at_a_part_of_what_is_stated(name, part):
    found = two_varieties().break_even(name)
    assert found.value == pytest.approx(part, rel=2e-3)
    assert found.unit == "of the stated prices"
    assert found.chance is None


def test_the_chance_of_a_price_below_the_break_even_is_that_of_its_range():
    """Nine in ten of prices lie within 0.3 of what is stated: normal, with a spread of 0.3 / 1.645."""
    found = two_varieties(also={"sale price": 0.3}).break_even("sale price")
    assert found.chance == pytest.approx(stats.norm.cdf((found.value - 1) * stats.norm.ppf(0.95) / 0.3), rel=1e-6)
    assert 0.01 < found.chance < 0.5


@pytest.mark.parametrize(("price", "profitable"), [(400.0, True), (0.5, False)])
def test_where_no_survival_breaks_even_the_ends_that_were_tried_are_named(price, profitable):
    """Ends at five standard deviations of the score: of a Beta(20, 5) from 0.32 to 0.99."""
    plan = plan_of([stage("arrival", **beta_spread(20.0, 5.0))], price, cost=1.0)
    found = what_drives(plan, orders=[("A", "2027-W05", 400)], draws=256, seed=1).break_even("arrival survival of crop")
    assert (found.value, found.chance, found.profitable) == (None, None, "always" if profitable else "never")
    assert found.tried == pytest.approx([BETA.ppf(stats.norm.cdf(score)) for score in (-5, 5)], abs=1e-4)
    ends = [words.input_value(value, "share") for value in found.tried]
    assert str(found) == words.no_break_even(name="arrival survival of crop", ends=ends, profitable=profitable)


# --- interactions of two survivals


def interactions_of(ends, draws):
    """Two survivals, each Beta(ends, ends): mean one half, variance 1 / (4 (2 ends + 1))."""
    route = [stage(name, **beta_spread(ends, ends)) for name in ("arrival", "grading")]
    plan = season(route, targets=[asks(300)])
    return what_drives(plan, orders=ORDER, answer="saleable", draws=draws, seed=1).interactions()


@pytest.mark.parametrize(
    ("ends", "together", "interact"), [(4 / 3, 0.12, True), (0.5, 0.2, True), (12.0, 1 / 51, False)]
)
def test_a_product_acts_together_by_a_share_in_closed_form(ends, together, interact):
    """With c the variance over the squared mean, the product's own is 2 c + c^2, and c^2 of it together."""
    c = 1 / (2 * ends + 1)
    assert together == pytest.approx(c / (2 + c))
    found = interactions_of(ends, 8192)
    assert abs(found.alone - (1 - together)) <= 2 * found.error
    assert found.error <= 0.065
    assert found.interact is interact


def test_the_input_that_interacts_most_is_named_and_few_draws_do_not_show():
    found = interactions_of(0.5, 8192)
    assert found.most in ("arrival survival of crop", "grading survival of crop")
    assert str(found) == words.interactions(alone=found.alone, error=found.error, interact=True, most=found.most)
    assert interactions_of(12.0, 32).interact is None


@pytest.mark.parametrize(
    ("alone", "error", "interact"), [(0.95, 0, False), (0.949, 0, True), (0.9, 0.1, None), (0.9, 0.099, False)]
)
def test_the_rest_counts_or_not_if_it_is_surely_more_than_a_twentieth_or_less_than_a_fifth(alone, error, interact):
    """The most of the rest is that of the second input."""
    indices = {"first": [alone, 0.0], "first_error": [error / 2, 0.0], "total": [alone, 0.3]}
    table = pd.DataFrame({"input": ["one", "other"]} | indices)
    drivers = Drivers("saleable", 0.0, "EUR", SimpleNamespace(sobol=lambda _: table))
    drivers.__dict__["_tornado"] = table
    found = drivers.interactions()
    assert (found.alone, found.error, found.interact, found.most) == (alone, error, interact, "other")


def test_an_order_that_always_earns_a_little_is_always_profitable():
    """A plant of a cent, or of nothing, that brings a euro if it lives."""
    for cost, name in ((0.01, "arrival survival of crop"), (0, "sale price")):
        plan = plan_of([stage("arrival", **beta_spread(A, B))], price=1.0, cost=cost)
        found = what_drives(plan, orders=[("A", "2027-W05", 1)], draws=16, seed=1).break_even(name)
        assert (found.value, found.profitable) == (None, "always")


def test_the_lab_price_that_breaks_even_leaves_the_freight_as_it_is():
    """Four boxes at 30: income less freight over the plants."""
    plan = only()
    plan = plan.replace(price_list=(plan.price_list[0].replace(freight_per_box=30, plants_per_box=100),))
    drivers = what_drives(plan, orders=ORDER, draws=64, seed=1)
    income = drivers.base + PLANTS * COST + 120
    assert drivers.break_even("lab price").value == pytest.approx((income - 120) / PLANTS)
    sale = drivers.break_even("sale price").value
    assert sale == pytest.approx(PRICE * (PLANTS * COST + 120) / income)


def test_a_variety_that_the_season_does_not_know_is_refused_as_such():
    with pytest.raises(Refused) as known:
        ONE.variety("Z")
    with pytest.raises(Refused) as asked:
        what_drives(ONE, "Z", orders=ORDER, **FEW)
    assert str(asked.value) == str(known.value)


def test_what_need_not_be_said_of_drivers():
    assert defaults(what_drives) == {"answer": "margin", "draws": 1024}
    assert defaults(Drivers.indices) == {"top": 5}
