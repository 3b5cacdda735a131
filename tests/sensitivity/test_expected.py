"""What orders give with the chance of single plants averaged out, against exact sums and sampled histories."""

import numpy as np
import pytest
from small_seasons import MIXED, beta_spread, season, stage

import forecast
from forecast.ordering.margins import sold
from forecast.sensitivity.expected import Expected

WEEK = "2027-W20"
SPREADS = {"batches_cv": 0.2, "plants_cv": 0.2}


def outcome(target, orders, *, life=None, draws=256, spread=None):
    route = [stage(typical=5, survival_level=MIXED, **beta_spread(8, 2) | SPREADS | (spread or {}))]
    plan = season(route, targets=target, saleable_weeks=life)
    plan = plan.replace(varieties=tuple(row.replace(sale_price=5, markdown_price=1) for row in plan.varieties))
    return forecast.simulate(plan, orders, draws=draws, seed=1)


@pytest.mark.parametrize("number", [60, 75, 90])
def test_income_of_one_sale_is_that_of_exact_binomial_sums(number):
    """Draw by draw within 2 plants' price of the sums over the binomial, and on average within a twentieth of one."""
    found = outcome([{"variety": "A", "week": WEEK, "target": number}], [("A", "2027-W05", 100)])
    batch = found.batches[0]
    share = found.fate(batch).ready(np.array([15.0]))[0]
    exact = 4 * sold(number, 100, share) + 100 * share
    income = Expected(found, "A").income()
    assert np.abs(income - exact).max() < 2 * 5
    assert income.mean() == pytest.approx(exact.mean(), abs=0.05 * 5)


def test_the_chance_of_the_first_sale_is_exact():
    found = outcome([{"variety": "A", "week": WEEK, "target": 75}], [("A", "2027-W05", 60), ("A", "2027-W07", 40)])
    assert (Expected(found, "A").met()[0] == found.chances("A", week=WEEK, at_least=75)).all()


def test_later_sales_are_those_of_sampled_histories():
    """Two batches, two sales, plants that pass their best: means over 8,192 draws within 3 of their errors."""
    rows = [{"variety": "A", "week": "2027-W12", "target": 60}, {"variety": "A", "week": "2027-W15", "target": 50}]
    found = outcome(rows, [("A", "2027-W05", 100), ("A", "2027-W08", 60)], life=5, draws=8192)
    one = Expected(found, "A")
    before = found.on_hand("A")[0]
    first = found.season.first_week
    for week in (forecast.Week.parse("2027-W12") - first, forecast.Week.parse("2027-W15") - first):
        noise = (before[week] - one.on_hand()[week]).std() / np.sqrt(8192)
        assert one.on_hand()[week].mean() == pytest.approx(before[week].mean(), abs=3 * noise + 0.2)
    chance = found.targets()["chance"].tolist()
    assert one.met().mean(axis=1).tolist() == pytest.approx(chance, abs=0.01)
    flow = forecast.cash_flow(found)
    bought = sum(row.amount for row in flow.entries().itertuples() if row.table == "price_list")
    margin = one.income() - one.growing() + bought
    noise = (flow.margin - margin).std() / np.sqrt(8192)
    assert margin.mean() == pytest.approx(flow.margin.mean(), abs=3 * noise + 0.5)


def test_a_variety_of_which_nothing_is_left_to_chance_has_whole_plants():
    sure = {"survival": 1, "survival_sd": 0, "batches_cv": 0, "plants_cv": 0}
    found = outcome([{"variety": "A", "week": WEEK, "target": 75}], [("A", "2027-W05", 100)], spread=sure)
    one = Expected(found, "A")
    assert one.on_hand()[19] == pytest.approx(np.full(256, 100))
    assert one.saleable() == pytest.approx(np.full(256, 100))
    assert one.income() == pytest.approx(np.full(256, 75 * 5 + 25 * 1))
    all_sold = outcome([{"variety": "A", "week": WEEK, "target": 100}], [("A", "2027-W05", 100)], spread=sure)
    assert Expected(all_sold, "A").income() == pytest.approx(np.full(256, 100 * 5))


ROOTS = np.sqrt(5 + np.sqrt(10) * np.array([1, -1, -1, 1])) * [-1, -1, 1, 1]  # and 0: of the fifth Hermite polynomial
LUCK = np.array([*ROOTS, 0])
WEIGHTS = np.array([*(7 + 2 * np.sqrt(10) * np.array([-1, 1, 1, -1])) / 60, 8 / 15])  # Abramowitz and Stegun 25.4.46


def test_every_draw_is_averaged_over_five_lucks_that_last_all_season():
    """Ninety and thirty plants, all ready by the first sale: 60 are sold then, and 20 of those that are left later."""
    rows = [{"variety": "A", "week": "2027-W14", "target": 60}, {"variety": "A", "week": "2027-W17", "target": 20}]
    sure = {"batches_cv": 0, "plants_cv": 0, "cost": 0.5}
    found = outcome(rows, [("A", "2027-W05", 90), ("A", "2027-W07", 30)], spread=sure, draws=64)
    one, shares = Expected(found, "A"), [found.fate(batch).survival for batch in found.batches]
    numbers = [batch.quantity for batch in found.batches]
    assert numbers == [90, 30]
    mean = sum(n * share for n, share in zip(numbers, shares, strict=True))
    spread = np.sqrt(sum(n * share * (1 - share) for n, share in zip(numbers, shares, strict=True)))
    there = mean + LUCK[:, None] * spread
    early = np.minimum(there, 60)
    late = np.minimum(there - early, 20)
    assert one.saleable() == pytest.approx(mean)
    assert one.on_hand().shape == (40, 64)
    assert (one.on_hand()[:9] == 0).all()  # five weeks after the first delivery
    assert one.on_hand()[10] == pytest.approx(90 * shares[0])
    assert one.on_hand()[13] == pytest.approx(mean)
    assert one.on_hand()[16] == pytest.approx(WEIGHTS @ (there - early))
    assert one.income() == pytest.approx(WEIGHTS @ (5 * (early + late) + there - early - late))
    met = one.met()
    assert met.shape == (2, 64)
    assert (met[0] == found.chances("A", week="2027-W14", at_least=60)).all()
    assert met[1] == pytest.approx(WEIGHTS @ (there - early >= 20))
    assert 0 < met[1].mean() < 1
    assert one.growing() == pytest.approx(np.full(64, 0.5 * 120))
