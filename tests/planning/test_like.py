"""A plan that begins with what another was found with is as good, and proven as well, as one from the beginning."""

from __future__ import annotations

import pickle
from pathlib import Path

import numpy as np
import pytest
from random_windows import random_windows
from refusals import refused_lines
from whole_orders import varied

import forecast
from forecast.growth.simulation import season_streams
from forecast.worth.columns import Ways
from forecast.worth.dependence import concerns

ROOT = Path(__file__).parents[2]
DEMO = forecast.read_season(ROOT / "demo_data")
SEASONS = {
    "demo": DEMO.only([row.variety for row in DEMO.varieties][3:9]),
    "demo, little money": DEMO.only([row.variety for row in DEMO.varieties][:3]).replace(budget=2700.0),
    "windows": random_windows(4),
    "limits": varied(7, most=2, limits=True),
}
ASKED = {"draws": 256, "seed": 3, "time_limit": 600.0}
SURE = 1e-6


def of_rows(rows, at, **cells):
    return (*rows[:at], rows[at].replace(**cells), *rows[at + 1 :])


def prices(season, rng):
    at = int(rng.integers(len(season.varieties)))
    price = season.varieties[at].sale_price or 5.0
    return {"varieties": of_rows(season.varieties, at, sale_price=round(price * rng.uniform(0.8, 1.3), 2))}


def targets(season, rng):
    at = int(rng.integers(len(season.targets)))
    plants = round(season.targets[at].median_demand * rng.uniform(0.7, 1.4)) or 1
    return {"targets": of_rows(season.targets, at, target=plants, p5=None, median=None, p95=None)}


def survival(season, rng):
    row = season.stages[int(rng.integers(len(season.stages)))]
    share = round(row.stated.mean * rng.uniform(0.9, 1.0), 3)
    return {"stages": season.with_stage(row.applies_to, row.stage, survival=share).stages}


def labs(season, rng):
    at = int(rng.integers(len(season.price_list)))
    price = season.price_list[at].unit_price * rng.uniform(0.9, 1.2)
    return {"price_list": of_rows(season.price_list, at, unit_price=round(price, 3))}


def money(season, rng):
    return {"budget": round((season.budget or 20000.0) * rng.uniform(0.85, 1.2))}


def room(season, rng):
    return {"places": tuple(row.replace(area=row.area * rng.uniform(0.85, 1.2)) for row in season.places)}


CHANGES = [prices, targets, survival, labs, money, room]


@pytest.fixture(scope="module")
def plans():
    return {name: forecast.plan_orders(season, **ASKED) for name, season in SEASONS.items()}


def recounted(plan, other):
    """What a plan is worth by the tables of another search."""
    problems = {problem.ways.variety: problem for problem in other._solution.problems}
    found = []
    for one in plan._solution.chosen:
        problem = problems[one.shipments[0].variety]
        at = {(way.prices.lab, way.prices.breaks, way.week): way.at for way in problem.ways.ways}
        shipped = {at[one.lab, one.prices.breaks, one.week]: one.quantity for one in one.shipments}
        found.append(problem.column(shipped))
    assert other._solution.master.fits(found)
    return other._solution.master.worth(found)


@pytest.mark.parametrize("name", SEASONS)
@pytest.mark.parametrize("change", CHANGES)
def test_after_one_changed_number_a_plan_like_another_is_proven_as_one_from_the_beginning(plans, name, change):
    rng = np.random.default_rng([CHANGES.index(change), len(name)])
    season = SEASONS[name]
    changed = season.replace(**change(season, rng))
    again, anew = forecast.plan_orders(changed, like=plans[name], **ASKED), forecast.plan_orders(changed, **ASKED)
    (value, bound), (other, above) = ((one._solution.value, one._solution.bound) for one in (again, anew))
    assert recounted(again, anew) == pytest.approx(value, rel=1e-9)  # nothing in it is of the season before
    assert other <= bound + SURE * abs(bound)
    assert value <= above + SURE * abs(above)
    assert value >= other - max(0.003, plans[name].gap) * max(abs(again.margin), abs(anew.margin))


def test_changes_one_after_the_other_and_back_end_as_good_as_the_first_plan(plans):
    season, plan = SEASONS["demo"], plans["demo"]
    first, rng = plan, np.random.default_rng(1)
    for change in CHANGES:
        plan = forecast.plan_orders(season.replace(**change(season, rng)), like=plan, **ASKED)
    back = forecast.plan_orders(season, like=plan, **ASKED)
    assert back.margin >= first.margin - 0.003 * abs(first.margin)
    assert back._solution.bound >= first._solution.value


def test_a_plan_is_left_as_it_is_by_those_that_begin_with_it():
    season = SEASONS["demo"].only(SEASONS["demo"].targeted[3:5])
    plan, other = (forecast.plan_orders(season, **ASKED) for _ in range(2))
    for change in CHANGES:
        forecast.plan_orders(season.replace(**change(season, np.random.default_rng(5))), like=plan, **ASKED)
    assert plan.alternatives().equals(other.alternatives())
    assert plan.limits().equals(other.limits())
    assert plan.left_out() == other.left_out()
    assert str(plan) == str(other)


@pytest.mark.parametrize("other", [{"draws": 128}, {"seed": 4}, {"aim": "cost"}])
def test_nothing_is_taken_from_a_plan_of_other_draws_or_another_aim(plans, other):
    season, asked = SEASONS["windows"], ASKED | other
    one, two = (forecast.plan_orders(season, like=like, **asked) for like in (plans["windows"], None))
    assert one.orders == two.orders
    assert (one.margin, one.bound) == (two.margin, two.bound)


def test_a_plan_that_was_sent_leaves_nothing_to_begin_with_and_does_no_harm(plans):
    season = SEASONS["windows"]
    sent = pickle.loads(pickle.dumps(plans["windows"]))
    assert sent._solution.kept is None
    plan = forecast.plan_orders(season, like=sent, **ASKED)
    assert plan.orders == plans["windows"].orders


def test_like_takes_plans_only():
    assert "like" in refused_lines(lambda: forecast.plan_orders(SEASONS["demo"], like=DEMO, draws=8))[0]


# --- what the deliveries of a variety depend on


def each_change(season):
    """Every season in which one number of one row, or of what holds for all, is another."""
    for table in ("varieties", "stages", "places", "price_list", "targets", "profiles", "climate"):
        rows = getattr(season, table)
        for at, row in enumerate(rows):
            for name, cell in row.given().items():
                if isinstance(cell, float) and cell:
                    yield table, at, name, {table: lambda r=rows, a=at, n=name, c=cell: of_rows(r, a, **{n: c * 0.97})}
    for name in ("budget", "split_gain", "hourly_wage", "persistence", "service_level"):
        cell = getattr(season, name)
        if cell:
            yield "header", 0, name, {name: lambda c=cell: c * 0.97}


def columns(season, streams, variety):
    """What two deliveries of a variety earn, take and cost, as bytes."""
    ways = Ways(season, streams, variety)
    one = ways.column(0, {at: ways.ways[at].prices.orderable(50) for at in (0, len(ways.ways) // 2)})
    return [array.tobytes() for array in (one.margin, one.worth, one.freed, *(way.area for way in ways.ways))]


def test_what_concerns_no_variety_changes_nothing_of_its_deliveries():
    season = SEASONS["demo"]
    streams, names = season_streams(8, 1), season.targeted
    before = {name: (concerns(season, name), columns(season, streams, name)) for name in names}
    looked_at = same = 0
    changes = list(each_change(season))
    for at in np.random.default_rng(2).permutation(len(changes))[:60]:
        *_, cells = changes[at]
        try:
            changed = season.replace(**{name: make() for name, make in cells.items()})
        except forecast.Refused:
            continue
        for name in names:
            looked_at += 1
            if concerns(changed, name) == before[name][0]:
                same += 1
                assert columns(changed, season_streams(8, 1), name) == before[name][1], changes[at][:3]
    assert looked_at > 200
    assert 0.3 < same / looked_at < 0.95


def test_without_its_search_a_plan_is_the_same_and_one_like_it_begins_anew(demo):
    season = demo.only(["Hosta 'Orrinfall'", "Heuchera 'Pellowen'"])
    whole = forecast.plan_orders(season, draws=64, seed=1)
    alone = whole.without_search()
    assert alone.orders == whole.orders
    assert alone.targets().equals(whole.targets())
    assert forecast.plan_orders(season, draws=64, seed=1, like=alone).orders == whole.orders
