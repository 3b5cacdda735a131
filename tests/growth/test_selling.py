"""Sales over weeks: against buyers one by one, a formula, a linear program, and cases by hand."""

from __future__ import annotations

from fractions import Fraction
from typing import NamedTuple

import numpy as np
import pytest
from best_sales import most_income, served
from selling import FOREVER, Shop, Till, Wish, stretched
from small_seasons import LIVE, season

import forecast
from forecast.growth.draws import foreseen
from forecast.growth.selling import Buyers, Row, Sold, buyers_of, sell
from forecast.growth.simulation import season_streams
from forecast.growth.stock import by_week, demand_of, drawn_demand, price_factor, weekly_demand
from forecast.season.season import Season
from forecast.season.targets import Target, sold_by
from forecast.streams import Array
from forecast.weeks import Week

FIRST = Week(2027, 1)
DRAWS = 5


class Case(NamedTuple):
    """What becomes ready in each week of each draw, how long it keeps its grade, who buys, and how many, by draw."""

    newly: Array
    keeps: int
    wishes: list[Wish]
    profiles: list[list[int]]
    asked: dict[tuple[str, str, str], list[int]]

    def sold(self) -> Sold:
        """Sell by the package."""
        rows, due = [], np.zeros(len(self.newly))
        for wish, profile in zip(self.wishes, self.profiles, strict=True):
            weeks = wish.last - wish.first + 1
            demand = by_week(np.array(self.asked[wish.key], dtype=float), sold_by(profile, weeks))
            target = Target(
                variety="A", week=FIRST + wish.first, until=FIRST + wish.last, channel=wish.key[2], target=1,
                waits=wish.waits, promised=wish.promised or None,
            )  # fmt: skip
            prices = np.array(list(wish.prices.values()))
            rows.append(Row(target, wish.first, demand, prices, range(wish.first, wish.last + wish.waits + 1)))
            if wish.promised:
                due[wish.first : wish.last + 1] += demand.mean(axis=1)
        buyers = Buyers(tuple(rows), np.cumsum(due), None if self.keeps == FOREVER else self.keeps)
        return sell(np.cumsum(self.newly, axis=0), buyers)

    def till(self, draw: int) -> Till:
        """Sell one draw, buyer by buyer."""
        mean = {}
        for wish in self.wishes:
            weeks = [wish.by_week(number) for number in self.asked[wish.key]]
            mean[wish.key] = {week: sum(one[week] for one in weeks) / len(weeks) for week in weeks[0]}
        shop = Shop(self.wishes, self.keeps, self.newly.mean(axis=1), mean)
        ready = [int(number) for number in self.newly[:, draw]]
        return shop.open(ready, {key: numbers[draw] for key, numbers in self.asked.items()})


def drawn(seed: int, rows: int, *, promises: bool = True, rising: bool = True) -> Case:
    """Draw a case of so many rows."""
    rng = np.random.default_rng([seed, rows, promises, rising])
    weeks, keeps = int(rng.integers(2, 12)), int(rng.choice([1, 2, 3, 5, FOREVER]))
    newly = rng.integers(0, 12, size=(weeks, DRAWS)) * (rng.random((weeks, DRAWS)) < 0.6)
    wishes, profiles, asked = [], [], {}
    for at in range(rows):
        first = int(rng.integers(0, weeks))
        last = int(rng.integers(first, weeks))
        waits = int(min(rng.integers(0, 4), weeks - 1 - last)) if rng.random() < 0.6 else 0
        begin = float(rng.integers(3, 20))
        end = float(rng.integers(3, 20 if rising else int(begin) + 1))
        cells = {"waits": str(waits)}
        if promises and rng.random() < 0.5:
            cells["promised"] = str(rng.choice([0.7, 0.8, 0.9]))
        prices = dict(zip(range(first, last + 1), np.linspace(begin, end, last - first + 1).tolist(), strict=True))
        weights = [int(number) for number in rng.integers(0, 4, size=int(rng.integers(1, 5)))]
        weights[0] += not any(weights)
        profiles.append(weights)
        key = ("A", str(first), f"channel {at}")
        parts = stretched([Fraction(weight) for weight in weights], last - first + 1)
        wishes.append(Wish(key, first, last, cells, prices, parts))
        asked[key] = [int(number) for number in rng.integers(0, 25, size=DRAWS)]
    inorder = sorted(range(rows), key=lambda at: wishes[at].first)
    return Case(newly, keeps, [wishes[at] for at in inorder], [profiles[at] for at in inorder], asked)


@pytest.mark.parametrize("rows", [1, 2, 3, 5])
@pytest.mark.parametrize("seed", range(60))
def test_each_row_each_week_and_each_plant_is_as_buyer_by_buyer(seed: int, rows: int) -> None:
    case = drawn(seed, rows)
    made = case.sold()
    leaving = made.leaving()
    for draw in range(DRAWS):
        till = case.till(draw)
        assert {wish.key: made.total(at)[draw] for at, wish in enumerate(case.wishes)} == dict(till.sold)
        assert {week: number for week, number in enumerate(leaving[:, draw]) if number} == {
            week: number for week, number in till.leaving.items() if number
        }
        takings = np.zeros(len(case.newly))
        for at, row in enumerate(made.buyers.rows):
            takings[row.open.start : row.open.stop] += made.takings(at)[:, draw]
        assert takings == pytest.approx([till.takings.get(week, 0) for week in range(takings.size)], abs=1e-9)
        unsold = [till.standing[week] for week in range(made.buyers.last)]
        assert made.after[: made.buyers.last, draw].tolist() == unsold
    for at, wish in enumerate(case.wishes):
        assert (made.missing(at) == np.array(case.asked[wish.key]) - made.total(at)).all()


@pytest.mark.parametrize("seed", range(300))
def test_one_row_is_served_by_a_formula_and_earns_what_a_linear_program_finds(seed: int) -> None:
    """In 1,500 random cases, five in each; prices that never rise, so that who comes first pays at least as much."""
    case = drawn(seed, 1, promises=False, rising=False)
    made, (wish,) = case.sold(), case.wishes
    outlet, markdown = seed % 9, min(2.0, *wish.prices.values())
    income = made.takings(0).sum(axis=0) + markdown * made.marked_down(outlet).sum(axis=0)
    for draw in range(DRAWS):
        ready = [int(number) for number in case.newly[:, draw]]
        come = wish.by_week(case.asked[wish.key][draw])
        demand = [come.get(week, 0) for week in range(len(ready))]
        assert made.total(0)[draw] == served(ready, case.keeps, demand, wish.waits)[-1]
        best = most_income(ready, case.keeps, [(wish.waits, come, wish.prices)], markdown=markdown, outlet=outlet)
        assert income[draw] == pytest.approx(best, abs=1e-8)


@pytest.mark.parametrize("seed", range(100))
def test_no_rows_earn_more_than_a_linear_program_finds(seed: int) -> None:
    case = drawn(seed, 3)
    made = case.sold()
    income = sum(made.takings(at).sum(axis=0) for at in range(3)) + made.marked_down(6).sum(axis=0)
    for draw in range(DRAWS):
        ready = [int(number) for number in case.newly[:, draw]]
        buyers = [(wish.waits, wish.by_week(case.asked[wish.key][draw]), wish.prices) for wish in case.wishes]
        assert income[draw] <= most_income(ready, case.keeps, buyers, markdown=1, outlet=6) + 1e-8


def test_what_is_marked_down_is_what_leaves_first_up_to_the_outlet() -> None:
    for seed in range(40):
        made = drawn(seed, 2).sold()
        leaving, down = made.leaving(), made.marked_down(5)
        assert (leaving >= 0).all()
        assert (down.sum(axis=0) == np.minimum(leaving.sum(axis=0), 5)).all()
        assert (down <= leaving).all()
        sold = sum(made.total(at) for at in range(2))
        assert (sold + leaving.sum(axis=0) == made.ready[-1]).all()


def test_draws_in_parts_and_repeated_are_the_same_draws() -> None:
    for seed in range(20):
        case = drawn(seed, 3)
        whole = case.sold()
        come = np.cumsum(case.newly, axis=0)
        expected = come.mean(axis=1)
        part = sell(come[:, 1:3], whole.buyers.part(slice(1, 3)), expected)
        twice = sell(np.tile(come, 2), whole.buyers.repeated(2), expected)
        assert (part.after == whole.after[:, 1:3]).all()
        assert (twice.after == np.tile(whole.after, 2)).all()
        assert whole.buyers.part(slice(None)) is whole.buyers


# Demand


def made(*rows: dict[str, object], **cells: object) -> Season:
    """Return a season with these targets of one variety that sells at 10."""
    targets = [{"variety": "A", "week": "2027-W10", "target": 100} | row for row in rows]
    found = season([LIVE], targets=targets, **cells)
    return found.replace(varieties=[found.varieties[0].replace(sale_price=10, markdown_price=2)])


def fading(*rows: dict[str, object], weeks: int | None) -> Season:
    """Return such a season in which plants keep their grade for some weeks."""
    plan = made(*rows)
    return plan.replace(varieties=[plan.varieties[0].replace(saleable_weeks=weeks)])


RANGE = {"target": None, "p5": 60, "median": 100, "p95": 150}


def test_demand_by_week_adds_up_to_the_demand_in_whole_plants() -> None:
    profile = [{"profile": "x", "week": week, "weight": weight} for week, weight in ((1, 1), (2, 5), (3, 2))]
    plan = made(RANGE | {"until": "2027-W16", "profile": "x"}, profiles=profile)
    streams, (row,) = season_streams(512, 1), plan.targets
    weekly, whole = weekly_demand(plan, streams, row), drawn_demand(streams, row)
    assert weekly.shape == (7, 512)
    assert (weekly.sum(axis=0) == whole).all()
    assert (weekly >= 0).all()
    assert (weekly == np.rint(weekly)).all()
    parts = stretched([Fraction(1), Fraction(5), Fraction(2)], 7)
    exact = [np.floor(np.array([float(part * int(number)) for number in whole]) + 0.5) for part in parts]
    assert (np.cumsum(weekly, axis=0) == exact).mean() > 0.995  # halves fall either way by their last digits


def test_a_season_factor_is_log_normal_of_mean_one_and_shared_by_all() -> None:
    plan = made(RANGE, {"week": "2027-W12", "target": 400}, demand_cv=0.2, price_cv=0.1)
    streams, (row, fixed) = season_streams(4096, 1), plan.targets
    factor = demand_of(plan, streams, fixed) / 400
    assert factor.mean() == pytest.approx(1, abs=0.002)
    assert factor.std() == pytest.approx(0.2, abs=0.005)
    assert np.log(factor).mean() == pytest.approx(-np.log(1.04) / 2, abs=0.002)
    amount = row.demand.amount.at(streams.normal(row.owner, "demand"))
    assert np.abs(demand_of(plan, streams, row) - amount * factor).max() < 1.5  # both rounded
    prices = price_factor(plan, streams)
    assert prices.mean() == pytest.approx(1, abs=0.001)
    assert prices.std() == pytest.approx(0.1, abs=0.003)
    assert abs(np.corrcoef(prices, factor)[0, 1]) < 0.05
    plain = plan.replace(demand_cv=None, price_cv=None)
    assert (demand_of(plain, streams, row) == drawn_demand(streams, row)).all()
    assert price_factor(plain, streams).tolist() == [1]


def test_a_season_factor_changes_no_other_number() -> None:
    plan = made(RANGE)
    varied = plan.replace(demand_cv=0.3, price_cv=0.2)
    one, other = (forecast.simulate(it, [("A", "2027-W05", 90)], draws=256, seed=2) for it in (plan, varied))
    assert (one.ready("A") == other.ready("A")).all()
    assert (drawn_demand(one.streams, plan.targets[0]) == drawn_demand(other.streams, plan.targets[0])).all()
    sales, others = (forecast.cash_flow(it).margin for it in (one, other))
    factor = price_factor(varied, other.streams)
    sold = other.sold("A")
    income = (sold.takings(0) * factor).sum(axis=0) + 2 * sold.marked_down(varied.outlet_of("A")).sum(axis=0)
    assert others == pytest.approx(income - 90)
    assert not np.allclose(sales, others)


# An outcome


def test_rows_of_a_variety_share_its_plants_promised_ones_first() -> None:
    rows = (
        {"channel": "retail", "target": 60, "price": 12},
        {"channel": "garden centre", "target": 50, "price": 8, "promised": 0.9},
    )
    outcome = forecast.simulate(made(*rows), [("A", "2027-W05", 80)], draws=16, seed=1)
    sold = outcome.sold("A")
    assert [sold.total(at).tolist() for at in (0, 1)] == [[30] * 16, [50] * 16]
    table = outcome.targets()
    assert table.columns.tolist() == [
        "variety", "week", "target", "channel", "promised", "p5", "median", "p95", "chance",
    ]  # fmt: skip
    assert table["median"].tolist() == [30, 50]
    assert table["chance"].tolist() == [0, 1]
    assert outcome.chance_of_all() == 0
    flow = forecast.cash_flow(outcome)
    sales = flow.entries().query("what == 'sales'").set_index("row")["amount"]
    assert sales.to_dict() == {2: 360.0, 3: 400.0}
    assert flow.entries().query("what == 'markdown'").empty


def test_a_window_is_sold_week_by_week_and_the_rest_marked_down_after_its_last_waiting_buyer() -> None:
    plan = made({"until": "2027-W13", "target": 40, "price": 10, "price_end": 7, "waits": 1})
    late = forecast.simulate(plan, [("A", "2027-W12", 25), ("A", "2027-W14", 30)], draws=4, seed=1)
    sold = late.sold("A")
    assert sold.plants[0][:, 0].tolist() == [0, 0, 20, 5, 5]  # those of W11 waited, and those of W13
    assert sold.missing(0).tolist() == [10] * 4
    assert late.targets()[["until", "median", "chance"]].to_numpy().tolist() == [["2027-W13", 30, 0]]
    entries = forecast.cash_flow(late).entries().query("amount > 0")
    takings = entries[["what", "week", "amount"]].to_numpy().tolist()
    assert sorted(takings) == [
        ["markdown", "2027-W14", 25 * 2.0],
        ["sales", "2027-W12", 10 * 9.0 + 10 * 8],
        ["sales", "2027-W13", 5 * 7.0],
        ["sales", "2027-W14", 5 * 7.0],
    ]
    space = forecast.bench_space(late).table().set_index("week")["median"]  # a hundred plants to a square metre
    assert space[["2027-W11", "2027-W12", "2027-W13", "2027-W14"]].tolist() == pytest.approx([0, 0.05, 0, 0])


def test_plants_are_held_back_for_a_later_promise_by_what_is_expected() -> None:
    rows = {"target": 60}, {"week": "2027-W14", "target": 50, "promised": 0.9}
    alone = forecast.simulate(made(*rows), [("A", "2027-W05", 80)], draws=8, seed=1)
    assert [alone.sold("A").total(at)[0] for at in (0, 1)] == [30, 50]
    more = forecast.simulate(made(*rows), [("A", "2027-W05", 80), ("A", "2027-W13", 30)], draws=8, seed=1)
    assert [more.sold("A").total(at)[0] for at in (0, 1)] == [60, 50]  # 20 were to be kept: 30 come
    assert foreseen(more.drawn, "A")[[3, 4, 11, 12]].tolist() == [0, 80, 80, 110]
    past = forecast.simulate(fading(*rows, weeks=9), [("A", "2027-W05", 80)], draws=8, seed=1)
    assert [past.sold("A").total(at)[0] for at in (0, 1)] == [60, 0]  # past their sale window by then
    assert past.targets()["chance"].tolist() == [1, 0]


def test_a_promise_for_a_share_is_kept_by_that_share() -> None:
    plan = made({"target": 99, "promised": 0.9, "promised_share": 0.8})
    outcome = forecast.simulate(plan, [("A", "2027-W05", 80)], draws=4, seed=1)
    assert outcome.targets()["chance"].tolist() == [1]  # 79.2, rounded up
    fewer = forecast.simulate(plan, [("A", "2027-W05", 79)], draws=4, seed=1)
    assert fewer.targets()["chance"].tolist() == [0]
    assert outcome.targets()["promised_share"].tolist() == [0.8]


def test_buyers_know_which_plants_may_be_held_back() -> None:
    rows = {"target": 60}, {"week": "2027-W14", "target": 50, "promised": 0.9}
    streams = season_streams(4, 1)
    for weeks, holds in ((None, True), (5, True), (4, False)):
        assert buyers_of(fading(*rows, weeks=weeks), streams, "A").holds is holds
    assert not buyers_of(made(rows[1]), streams, "A").holds
    assert buyers_of(made(*rows), streams, "A").last == 13
