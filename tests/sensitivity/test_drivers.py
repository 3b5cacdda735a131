"""What an answer hangs on: closed forms of one stage, draws that happen to be low or high, and refusals."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from small_seasons import MIXED, beta_spread, offer, season, stage

import forecast
from forecast import Refused, what_drives
from forecast.growth.simulation import season_streams
from forecast.sensitivity.inputs import inputs_of, told

TEN, NINETY = 0.1, 0.9
SCORE = 1.2815515655446004  # normal quantile at 0.9
Z95 = 1.6448536269514722
PLANTS, PRICE, COST = 400, 2.0, 1.2
A, B = 20.0, 5.0
WEEK = "2027-W20"
ORDER = [("A", "2027-W05", PLANTS)]
BETA = stats.beta(A, B)
CLIMATE = [
    {"month": i + 1, "t_min": low, "t_max": low + 8, "year_sd": 1.5}
    for i, low in enumerate((-2, 0, 3, 6, 10, 13, 15, 15, 11, 7, 3, 0))
]  # an invented year


def only(target=10_000, level="batch", **cells):
    """One stage without time, one order; what is not sold is thrown away."""
    rows = [{"variety": "A", "group": "crop", "sale_price": PRICE}]
    plan = season(
        [stage("arrival", survival_level=level, **beta_spread(A, B))],
        price_list=[offer(unit_price=COST)],
        targets=[{"variety": "A", "week": WEEK, "target": target}],
    )
    return plan.replace(varieties=tuple(forecast.season.varieties.Variety(**row) for row in rows), **cells)


def row_of(drivers, name):
    table = drivers.tornado().set_index("input")
    return table.loc[name]


def test_the_margin_at_a_low_and_a_high_survival_is_that_of_the_closed_form():
    """All are sold: plants x (price x survival - cost); the base by the mean of the beta distribution."""
    drivers = what_drives(only(), orders=ORDER, draws=1024, seed=1)
    row = row_of(drivers, "survival in arrival, crop")
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
        row = row_of(drivers, "survival in arrival, crop")
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
    found = what_drives(only(), orders=ORDER, draws=64, seed=1).break_even("survival in arrival, crop")
    assert found.value == pytest.approx(COST / PRICE, abs=1e-4)
    assert found.chance == pytest.approx(BETA.cdf(COST / PRICE), abs=1e-4)
    assert str(found) == (
        "The orders do not pay if survival in arrival, crop is below 0.60, as it is in about 1 season in 100."
    )


def test_prices_break_even_where_the_closed_form_says():
    """Income plants x price x mean survival in the draws, cost plants x lab price."""
    plan = only()
    drivers = what_drives(plan, orders=ORDER, also={"sale price": 0.3}, draws=256, seed=1)
    alone = what_drives(plan, orders=ORDER, draws=256, seed=1)
    survival = (alone.base / PLANTS + COST) / PRICE
    sale, lab = drivers.break_even("sale price"), alone.break_even("lab price")
    assert (sale.unit, lab.unit) == ("EUR a plant", "EUR a plantlet")
    assert sale.value == pytest.approx(COST / survival, abs=1e-6)
    assert sale.chance == pytest.approx(stats.norm.cdf((sale.value / PRICE - 1) * Z95 / 0.3), abs=1e-6)
    assert lab.value == pytest.approx(PRICE * survival, abs=1e-6)
    assert lab.chance is None
    assert str(lab) == f"The orders do not pay if lab price is above {lab.value:.2f} EUR a plantlet."
    dearer = plan.replace(price_list=(plan.price_list[0].replace(unit_price=lab.value),))
    assert what_drives(dearer, orders=ORDER, draws=256, seed=1).base == pytest.approx(0, abs=1e-6)


def test_orders_that_pay_or_lose_whatever_happens_have_no_break_even():
    plan = only()
    cheap = plan.replace(price_list=(plan.price_list[0].replace(unit_price=0.01),))
    found = what_drives(cheap, orders=ORDER, draws=64, seed=1).break_even("survival in arrival, crop")
    assert found.value is None
    assert str(found).endswith("the orders pay.")
    dear = plan.replace(price_list=(plan.price_list[0].replace(unit_price=PRICE),))
    drivers = what_drives(dear, orders=ORDER, draws=64, seed=1)
    assert str(drivers.break_even("survival in arrival, crop")).endswith("the orders do not pay.")
    free = dear.with_stage("crop", "arrival", cost=PRICE)
    assert str(what_drives(free, orders=ORDER, draws=64, seed=1).break_even("lab price")) == (
        "Whatever the lab price, the orders do not pay."
    )


def test_a_price_within_a_range_moves_the_margin_by_the_income_alone():
    drivers = what_drives(only(), orders=ORDER, also={"sale price": 0.1, "lab price": 0.2}, draws=512, seed=1)
    plain = what_drives(only(), orders=ORDER, draws=512, seed=1)
    sale, lab = row_of(drivers, "sale price"), row_of(drivers, "lab price")
    assert [sale["p10"], sale["p90"]] == pytest.approx([1 - 0.1 * SCORE / Z95, 1 + 0.1 * SCORE / Z95])
    assert sale["swing"] == pytest.approx(2 * 0.1 * SCORE / Z95 * (plain.base + PLANTS * COST), rel=1e-9)
    assert lab["at_p10"] - lab["at_p90"] == pytest.approx(2 * 0.2 * SCORE / Z95 * PLANTS * COST, rel=1e-9)


def test_demand_is_set_to_its_quantiles():
    """Far more plants than asked for: sold is the demand, whatever the survival."""
    plan = only().replace(targets=(forecast.season.rows.Target(variety="A", week=WEEK, p5=50, median=80, p95=120),))
    row = row_of(what_drives(plan, orders=ORDER, draws=256, seed=1), f"demand for A in {WEEK}")
    for end, q in (("p10", TEN), ("p90", NINETY)):
        assert row[end] == float(plan.targets[0].demand.quantile(q))
        assert row[f"at_{end}"] == pytest.approx(PRICE * row[end] - PLANTS * COST, abs=1e-6)


def test_indices_of_two_survivals_are_those_of_a_product():
    """Saleable = plants x S1 x S2, c = sd / mean: as for any product; within four of the errors told."""
    plan = season(
        [stage("arrival", **beta_spread(A, B)), stage("grading", **beta_spread(30.0, 3.0))],
        targets=[{"variety": "A", "week": WEEK, "target": 300}],
    )
    square = np.array([(law.std() / law.mean()) ** 2 for law in (BETA, stats.beta(30, 3))])
    every = np.prod(1 + square)
    drivers = what_drives(plan, orders=ORDER, answer="saleable", draws=4096, seed=1)
    table = drivers.indices().set_index("input").loc[["survival in arrival, crop", "survival in grading, crop"]]
    for name, exact in (("first", square / (every - 1)), ("total", square * every / (1 + square) / (every - 1))):
        assert (np.abs(table[name] - exact) <= 4 * table[f"{name}_error"]).all()
        assert table[f"{name}_error"].max() < 0.03
    assert drivers.interactions().startswith("Inputs hardly act together: one by one the inputs explain ")


def test_indices_leave_nothing_out():
    """All else is a row of its own; a sum of parts that do not act together has indices that add to 1."""
    plan = season(
        [stage("arrival", survival_level=MIXED, **beta_spread(A, B)), stage("grading", **beta_spread(90.0, 3.0))],
        varieties=("A", "B"),
        targets=[{"variety": name, "week": WEEK, "target": 300} for name in "AB"],
    )
    orders = [("A", "2027-W05", 400), ("B", "2027-W06", 300), ("B", "2027-W07", 100)]
    table = what_drives(plan, orders=orders, answer="saleable", draws=2048, seed=2).indices(top=1)
    assert table["input"].tolist() == ["survival in arrival, crop", "all else"]
    error = np.sqrt((table[["first_error", "total_error"]] ** 2).sum())
    assert abs(table["first"].sum() - 1) < 3 * error["first_error"] + 0.01
    assert abs(table["total"].sum() - 1) < 3 * error["total_error"] + 0.01


def test_draws_that_are_no_power_of_two_are_cut_for_indices():
    cells = {"orders": ORDER, "answer": "saleable", "seed": 1}
    one, two = (what_drives(only(), draws=draws, **cells).indices() for draws in (512, 700))
    assert one.equals(two)


def test_what_holds_for_several_batches_is_low_as_a_whole():
    """Against draws in which the mean score happens to be near: their mean answer, within its own error."""
    plan = season(
        [stage("arrival", survival_level=MIXED, **beta_spread(A, B)), stage("grading", **beta_spread(30.0, 3.0))],
        varieties=("A", "B"),
        targets=[{"variety": name, "week": WEEK, "target": 300} for name in "AB"],
    )
    orders = [("A", "2027-W05", 400), ("B", "2027-W06", 300), ("B", "2027-W07", 100)]
    drivers = what_drives(plan, orders=orders, answer="saleable", draws=16384, seed=1)
    outcome = forecast.simulate(plan, orders, draws=16384, seed=1)
    one = inputs_of(plan, outcome.batches, season_streams(16384, 1), {})["survival in arrival, crop"]
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
    route = [
        stage(
            "growing on",
            runs_on="degree-days",
            base_temperature=4,
            typical=600,
            plants_cv=0.1,
            batches_cv=0,
            survival=1,
        )
    ]
    cells = {"climate": CLIMATE, "targets": [{"variety": "A", "week": WEEK, "target": 300}]}
    plan = season(route, **cells)
    draws = 8192
    drivers = what_drives(plan, orders=ORDER, answer="saleable", draws=draws, seed=1)
    assert drivers.tornado()["input"].tolist() == ["weather of the season"]
    outcome = forecast.simulate(plan, ORDER, draws=draws, seed=1)
    low, _ = forecast.growth.weather.Weather.of(plan, outcome.streams).outside(plan.weeks)
    mean = low[4:19].mean(axis=0)
    mean = (mean - mean.mean()) / mean.std()
    share = outcome.fate(outcome.batches[0]).saleable(np.array([15.0]), None)[0]
    row = drivers.tornado().iloc[0]
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
    rows = (one.replace(sale_price=6, markdown_price=1.5) for one in plan.varieties)
    plan = plan.replace(varieties=tuple(rows))
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
    plan = season(
        [
            stage(name, survival=mean, survival_sd=0.3 * mean * (1 - mean), survival_level=level)
            for name, mean in zip(names, survivals, strict=False)
        ],
        targets=[{"variety": "A", "week": WEEK, "target": 300}],
    )
    table = what_drives(plan, orders=ORDER, answer="saleable", draws=64, seed=1).tornado()
    assert (table["at_p90"] > table["at_p10"]).all()
    assert (table["swing"].diff().dropna() <= 0).all()
    assert (table["swing"] == table["at_p90"] - table["at_p10"]).all()


def test_only_what_is_uncertain_and_of_the_variety_asked_for_is_an_input():
    plan = season(
        [stage("arrival", survival_level="plant", survival_sd=0.1), stage("grading", **beta_spread(A, B))],
        varieties=("A", "B"),
        targets=[{"variety": name, "week": WEEK, "target": 300} for name in "AB"],
    ).with_stage("B", "grading", survival=0.9, survival_sd=0.05)
    both = [("A", "2027-W05", 400), ("B", "2027-W06", 300)]
    cells = {"orders": both, "answer": "saleable", "draws": 64, "seed": 1}
    assert set(what_drives(plan, **cells).tornado()["input"]) == {
        "survival in grading, crop",
        "survival in grading, B",
    }
    alone = what_drives(plan, "B", **cells)
    assert alone.tornado()["input"].tolist() == ["survival in grading, B"]
    outcome = forecast.simulate(plan, both, draws=64, seed=1)
    (batch,) = [one for one in outcome.batches if one.variety == "B"]
    assert alone.base == pytest.approx(300 * outcome.fate(batch).survival.mean())


def test_sentences_say_what_the_table_holds():
    drivers = what_drives(only(), orders=ORDER, also={"sale price": 0.1}, draws=256, seed=1)
    first, second = drivers.tornado().to_dict("records")
    assert str(drivers) == (
        f"The expected margin, {drivers.said(drivers.base)}, hangs most on {first['input']}: "
        f"{told(first['p10'], first['unit'])} gives {drivers.said(first['at_p10'])}, "
        f"{told(first['p90'], first['unit'])} gives {drivers.said(first['at_p90'])}.\n"
        f"Then comes {second['input']}."
    )
    assert drivers.said(1234.5) == "1,230 EUR"
    assert told(0.92, "of the stated price") == "-8 %"
    assert told(0.734, "share") == "0.73"
    assert told(0.71, "°C from usual") == "+0.7 °C from usual"
    assert told(4.06, "weeks") == "4.1 weeks"


def test_what_cannot_be_asked_is_refused():
    plan = only()
    cells = {"orders": ORDER, "draws": 16, "seed": 1}
    with pytest.raises(Refused, match=r"answer, 'profit': not an answer\. Write margin, chance or saleable\."):
        what_drives(plan, answer="profit", **cells)
    with pytest.raises(Refused, match=r"also, 'freight': not a price .* For a margin: sale price or lab price\."):
        what_drives(plan, also={"freight": 0.1}, **cells)
    with pytest.raises(Refused, match=r"also, 'sale price': not a price that this answer hangs on"):
        what_drives(plan, answer="chance", also={"sale price": 0.1}, **cells)
    with pytest.raises(Refused, match=r"also, 10: not a range of the sale price\. Give a part of it up to 0\.5"):
        what_drives(plan, also={"sale price": 10}, **cells)
    with pytest.raises(Refused, match=r"variety, 'Z': this season has no such variety"):
        what_drives(plan, "Z", **cells)
    with pytest.raises(Refused, match="nothing that is ordered is wanted"):
        what_drives(plan.replace(targets=()), answer="chance", **cells)
    with pytest.raises(Refused, match="nothing is uncertain in it"):
        what_drives(plan.with_stage("crop", "arrival", survival=0.8, survival_sd=0), **cells)
    drivers = what_drives(plan, **cells)
    with pytest.raises(Refused, match=r"input, 'survival in arival, crop': not an uncertain input"):
        drivers.break_even("survival in arival, crop")
    with pytest.raises(Refused, match=r"top, 0: not a number of inputs"):
        drivers.indices(top=0)
    chance = what_drives(plan, answer="chance", **cells)
    with pytest.raises(Refused, match="only a margin breaks even"):
        chance.break_even("sale price")
