"""What the live panel shows, asked without a browser."""

import json
import re
import sys
from pathlib import Path

import nbformat
import numpy as np
import pytest
import vl_convert
from chart_specs import badly_printed
from hypothesis import given
from hypothesis import strategies as st
from labelled import saleable_by_week
from small_seasons import offer, stage
from small_seasons import season as small

import forecast
from forecast.show.panel import Panel, what_if
from forecast.show.panel_state import WhatIf
from forecast.words.numbers import dated

ROOT = Path(__file__).parents[2]
SEASON = forecast.read_season(ROOT / "demo_data")
VARIETY = "Hosta 'Orrinfall'"
TWICE = "Heuchera 'Brunnock'"  # wanted by two channels
DRAWS = {"draws": 256, "seed": 4}


def at(asked, **to):
    """Return the position in which the sliders whose label begins so have a value; those of the base plan else."""
    found = list(asked.base)
    for label, value in to.items():
        (number,) = [i for i, slider in enumerate(asked.sliders) if slider.label.startswith(label)]
        found[number] = asked.sliders[number].values.index(value)
    return tuple(found)


@pytest.fixture(scope="module")
def plan():
    return forecast.plan_orders(SEASON, **DRAWS)


@pytest.fixture(scope="module")
def planned(plan):
    return WhatIf(SEASON, VARIETY, orders=plan.orders, **DRAWS)


@pytest.fixture(scope="module")
def given_orders():
    return WhatIf(SEASON, VARIETY, orders=SEASON.orders, **DRAWS)


@pytest.fixture(scope="module")
def certain():
    """A season without chance: each of the plants that come is saleable."""
    rows = [{"variety": "A", "group": "crop", "sale_price": 3}]
    target = [{"variety": "A", "week": "2027-W20", "target": 100}]
    season = small([stage(survival=1)], price_list=[offer(first_week="2027-W10", last_week="2027-W10")], targets=target)
    return season.replace(varieties=tuple(season.varieties[0].replace(**row) for row in rows))


def _same_rows(shown, table):
    for column in ("p5", "median", "p95"):
        np.testing.assert_allclose(shown[column], table.set_index("week").loc[shown["week"], column], atol=0.011)


# The numbers


def test_without_chance_the_order_is_what_is_needed_and_earns_price_less_cost(certain):
    asked = WhatIf(certain, "A", **DRAWS)
    answer = asked.answer()
    assert (answer.plants, answer.chance, answer.cost, answer.margin) == (100, 1, 100, pytest.approx(200))
    dearer = asked.answer(at(asked, Sale=3.5))
    assert dearer.margin == pytest.approx(250)
    assert dearer.against(answer) == "Earns 50 EUR more."
    fewer = asked.answer(at(asked, Target=60))
    assert fewer.against(answer) == "Earns 120 EUR less."
    smaller = asked.answer(at(asked, Target=60, Plantlets=61))
    assert smaller.against(answer) == "39 fewer plantlets, costs 39 EUR less, earns 81 EUR less."
    assert not any(slider.label.startswith("Survival") for slider in asked.sliders)  # nothing is uncertain


def test_it_begins_with_the_plan_and_its_orders_stay_when_survival_moves(plan):
    asked = WhatIf(SEASON, **DRAWS)
    assert asked.variety == VARIETY  # of which most are wanted
    rows = sorted(asked.answer().orders, key=lambda row: (row.week, row.lab, row.variety))
    assert rows == list(plan.orders)
    own = [row for row in plan.orders if row.variety == VARIETY]
    assert asked.answer().plants == sum(row.quantity for row in own)
    assert f"{own[0].quantity:,} from {own[0].lab} for {dated(own[0].week)}" in asked.answer().sentence
    poorer = asked.answer(at(asked, Survival=0.75))
    assert poorer.orders == asked.answer().orders
    assert poorer.chance < asked.answer().chance


def test_it_says_how_many_more_plants_the_service_level_takes(planned):
    """What the sentence names is enough, and orderable."""
    there = at(planned, Survival=0.75)
    more = int(
        re.search(r"([0-9,]+) more plants would meet it in 18 of 20", planned.answer(there).sentence)[1].replace(
            ",", ""
        )
    )
    (own,) = [row for row in planned.answer().orders if row.variety == VARIETY]
    larger = planned.answer(at(planned, Survival=0.75, Plantlets=own.quantity + more))
    assert larger.chance >= 0.9
    fewer = planned.answer(at(planned, Survival=0.75, Plantlets=own.quantity + more - 50))
    assert fewer.chance < 0.9


def test_an_order_earns_what_plants_sold_one_by_one_bring(planned):
    answer = planned.answer()
    orders = [row for row in answer.orders if row.variety == VARIETY]
    outcome = forecast.simulate(SEASON, orders, **DRAWS)
    plants = saleable_by_week(outcome).sel(variety=VARIETY)
    sold, every = np.minimum(plants.sel(week="2027-W41").to_numpy(), 800), plants.sel(week="2028-W04").to_numpy()
    brought = 9.5 * sold + 3 * np.minimum(every - sold, 800)  # those that are late are marked down, too
    chance = 9.5 * np.sqrt(answer.plants / 4 / DRAWS["draws"])  # of single plants; all else is the same
    assert answer.margin == pytest.approx(brought.mean() - answer.cost, abs=4 * chance)


@pytest.mark.parametrize("moved", [{}, {"Survival": 0.6}, {"Delivery": forecast.Week(2027, 12)}])
@pytest.mark.parametrize("kind", ["planned", "given_orders"])
def test_the_season_and_orders_of_an_answer_give_the_same_plants_and_benches_by_other_calls(request, kind, moved):
    asked = request.getfixturevalue(kind)
    answer = asked.answer(at(asked, **moved))
    outcome = forecast.simulate(answer.season, answer.orders, **DRAWS)
    _same_rows(answer.saleable, outcome.table(VARIETY, sold=True))
    weekly = forecast.bench_space(outcome).table()
    for place, rows in answer.benches.items():
        _same_rows(rows, weekly[weekly["place"] == place])
    assert answer.target["chance"].tolist() == outcome.targets(VARIETY)["chance"].tolist()


def test_given_orders_cost_and_earn_what_their_cash_flow_says(given_orders):
    answer = given_orders.answer(at(given_orders, Plantlets=1224, Sale=10.5))
    own = [row for row in answer.orders if row.variety == VARIETY]
    assert [row.quantity for row in own] == [1224]
    outcome = forecast.simulate(answer.season, own, **DRAWS)
    money = forecast.cash_flow(outcome).by_variety().iloc[0]
    assert (answer.cost, answer.margin) == (pytest.approx(money["outlay"]), pytest.approx(money["margin"]))
    assert answer.chance == outcome.targets(VARIETY)["chance"].iloc[0]


def test_a_range_of_demand_keeps_its_proportions():
    asked = WhatIf(SEASON, "Calla 'Umbrasel'", orders=SEASON.orders, **DRAWS)
    (row,) = asked.answer(at(asked, Target=400)).season.targets_of("Calla 'Umbrasel'")
    assert (row.p5, row.median, row.p95) == pytest.approx((260 * 8 / 7, 400, 500 * 8 / 7))


def test_each_target_of_a_variety_has_a_slider_of_its_own():
    asked = WhatIf(SEASON, TWICE, orders=SEASON.orders, **DRAWS)
    labels = [slider.label for slider in asked.sliders]
    for week in ("2027-W37", "2027-W38"):
        assert sum(week in label for label in labels) == 1
    assert asked.answer().chance == asked.answer().target["chance"].min()
    moved = asked.answer(tuple(at(asked, **{"Target by 2027-W38": 170})))
    assert [row.median_demand for row in moved.season.targets_of(TWICE)] == [350, 170]


# Laws


@given(data=st.data())
def test_more_plantlets_never_make_the_target_less_sure(given_orders, data):
    slider = next(slider for slider in given_orders.sliders if slider.label.startswith("Plantlets"))
    fewer, more = sorted(data.draw(st.lists(st.sampled_from(slider.values), min_size=2, max_size=2)))
    chances = [given_orders.answer(at(given_orders, Plantlets=number)).chance for number in (fewer, more)]
    assert chances[0] <= chances[1]


@given(data=st.data())
def test_what_is_earned_rises_evenly_with_the_price(planned, data):
    slider = next(slider for slider in planned.sliders if slider.label.startswith("Sale"))
    low, high = data.draw(st.lists(st.sampled_from(slider.values), min_size=2, max_size=2, unique=True))
    first, other, base = (planned.answer(at(planned, Sale=price)).margin for price in (low, high, 9.5))
    assert (other - first) / (high - low) * (low - 9.5) == pytest.approx(first - base, abs=1e-6)


def test_nothing_jitters(planned, plan):
    there = at(planned, Survival=0.7, Target=700)
    before = planned.shown(there)
    for survival in (0.3, 0.9, 0.5):
        planned.shown(at(planned, Survival=survival))
    assert planned.shown(there) == before
    assert WhatIf(SEASON, VARIETY, orders=plan.orders, **DRAWS).shown(there) == before


# What is said and shown


def test_the_stage_is_the_one_whose_survival_is_least_certain():
    asked = WhatIf(SEASON, "Gerbera 'Zollinka'", orders=SEASON.orders, **DRAWS)
    assert asked.sliders[0].label == "Survival in growing on, gerbera [% of plants that enter it]"


def test_without_a_sale_price_and_with_orders_that_come_too_late_it_says_so():
    target = [{"variety": "A", "week": "2027-W14", "target": 100}]
    slow = small([stage(typical=10, plants_cv=0.3, survival_sd=0.05)], targets=target)
    with pytest.raises(forecast.OutOfReach, match="No order of A meets the target of 100"):
        WhatIf(slow.replace(price_list=[offer(first_week="2027-W13")]), "A", **DRAWS)
    asked = WhatIf(slow, "A", orders=[("A", "2027-W13", 200)], **DRAWS)
    late = asked.answer()
    assert "met in no simulated season" in late.sentence
    assert late.chance < 0.9
    assert late.margin is None  # it has no sale price
    assert not any(slider.label.startswith("Sale") for slider in asked.sliders)


def test_the_base_plan_now_and_what_was_kept_are_side_by_side(planned):
    there = at(planned, Target=400)
    table = planned.side_by_side(planned.base, [there])
    assert list(table.columns) == ["base plan", "now", "scenario 1"]
    assert table.loc["what differs"].tolist() == ["nothing", "nothing", "Target: 400"]
    assert table.loc["plantlets ordered", "scenario 1"] == f"{planned.answer(there).plants:,}"
    assert table.loc["compared with the base plan", "now"] == "The same as the base plan."
    assert table.loc["compared with the base plan", "scenario 1"] == planned.answer(there).against(planned.answer())


def test_what_is_shown_is_plain_and_names_the_data_of_the_chart(planned):
    panel = Panel(planned)
    bundle, _ = panel._repr_mimebundle_()
    spec = bundle["application/vnd.vegalite.v5+json"]
    shown = planned.shown(planned.base)
    assert json.loads(json.dumps(shown, allow_nan=False))["sentence"] == bundle["text/plain"]
    named = {layer["data"]["name"] for part in spec["vconcat"] for layer in part["layer"]}
    assert named == shown["data"].keys()
    assert [row["base"] for row in shown["data"]["saleable"]] == [row["median"] for row in shown["data"]["saleable"]]
    assert badly_printed(spec) == set()
    drawn = vl_convert.vegalite_to_svg(spec)
    assert "covered house" in drawn
    assert "saleable plants on hand [number]" in drawn


def test_the_panel_follows_what_the_browser_says(planned):
    panel = Panel(planned)
    there = at(planned, Survival=0.7)
    panel._live.at = list(there)
    panel._live.kept = [list(there)]
    assert (panel.at, panel.kept) == (there, (there,))
    assert panel._live.shown == planned.shown(there, [there])
    assert panel.season.route(VARIETY)[1].survival == 0.7
    assert panel.orders == planned.answer(there).orders
    assert panel.table()["scenario 1"].equals(panel.table()["now"].rename("scenario 1"))
    assert str(panel) == planned.answer(there).sentence


@pytest.mark.parametrize("path", sorted((ROOT / "notebooks").glob("*.ipynb")), ids=lambda path: path.stem)
def test_what_a_notebook_keeps_needs_no_kernel_to_be_seen(path):
    notebook = nbformat.read(path, as_version=4)
    assert "widgets" not in notebook.metadata
    kinds = {kind for cell in notebook.cells for output in cell.get("outputs", []) for kind in output.get("data", {})}
    assert "application/vnd.jupyter.widget-view+json" not in kinds


# Refusals


@pytest.mark.parametrize("wrong", [(0,), (0, 0, 0, 0, 99), (-1, 0, 0, 0, 0)])
def test_a_position_that_is_none_is_refused(planned, wrong):
    with pytest.raises(forecast.Refused, match="no such position"):
        planned.answer(wrong)


def test_a_variety_of_which_nothing_can_be_asked_is_refused(certain):
    with pytest.raises(forecast.Refused, match="not ordered"):
        what_if(SEASON, VARIETY, orders=[(TWICE, "2027-W10", 500, "Birch Lab")], **DRAWS)
    unpaid = certain.replace(varieties=[certain.variety("A").replace(sale_price=0.5)])
    with pytest.raises(forecast.Refused, match="the plan orders none of it"):
        what_if(unpaid, "A", **DRAWS)
    with pytest.raises(forecast.Refused, match="nothing is ordered of any variety"):
        what_if(unpaid, **DRAWS)
    two = small([stage()], varieties=("A", "B"), targets=certain.targets)
    with pytest.raises(forecast.Refused, match="it has no target"):
        what_if(two, "B", orders=[("B", "2027-W10", 5)], **DRAWS)
    with pytest.raises(forecast.Refused, match="no lab sells this variety"):
        what_if(certain.replace(price_list=()), "A", **DRAWS)
    with pytest.raises(forecast.Refused, match="targets: there are none"):
        what_if(small([stage()]), **DRAWS)
    with pytest.raises(forecast.Refused, match="no price-list line covers 7 of"):
        what_if(SEASON, VARIETY, orders=[(VARIETY, "2027-W10", 7, "Birch Lab")], **DRAWS)


def test_without_the_package_it_says_what_to_install(planned, monkeypatch):
    monkeypatch.setitem(sys.modules, "anywidget", None)
    with pytest.raises(forecast.ForecastError, match=r"needs the package anywidget.*pip install '.\[notebooks\]'"):
        Panel(planned)
