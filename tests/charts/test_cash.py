"""What the charts of the whole order say, read from their descriptions."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from chart_specs import is_a_summary_in_few_colours, rows, titles

import forecast
from forecast import Refused
from forecast.charts.cash import cash_chart, margin_chart, order_chart, service_level_chart
from forecast.ordering.baselines import simple_orders
from forecast.weeks import Week
from forecast.words.numbers import of_20

DRAWS = 128


@pytest.fixture(scope="module")
def flows(demo, demo_plan):
    simple = simple_orders(demo, draws=DRAWS, seed=1)
    mean = forecast.cash_flow(forecast.simulate(demo, simple, draws=DRAWS, seed=1))
    return {"this plan": demo_plan.cash_flow(), "from the mean": mean}


@pytest.fixture(scope="module")
def prices(demo_plan):
    return demo_plan.short_prices()


@pytest.fixture(scope="module")
def drawn(demo_plan, flows, prices):
    return {
        "quantity": order_chart(demo_plan).to_dict(),
        "price": order_chart(demo_plan, what="price").to_dict(),
        "cash": cash_chart(demo_plan.cash_flow()).to_dict(),
        "margin": margin_chart(flows).to_dict(),
        "service_level": service_level_chart(prices).to_dict(),
    }


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("quantity", {"plantlets ordered [number]", "delivery [week, lab]"}),
        ("price", {"price without freight [EUR]", "delivery [week, lab]"}),
        ("cash", {"cash since the season began [EUR]", "week [its Monday]"}),
        ("margin", {"margin of the season [EUR]"}),
        ("service_level", {"a missing plant, beyond its lost sale [EUR]", "target [plants]"}),
    ],
)
def test_axes_name_their_units(drawn, name, expected):
    assert titles(drawn[name]) == expected


@pytest.mark.parametrize("name", ["quantity", "price", "cash", "margin", "service_level"])
def test_charts_hold_summaries_in_few_colours_and_can_be_drawn(drawn, name):
    is_a_summary_in_few_colours(drawn[name], DRAWS)


def test_a_text_says_the_same(demo_plan, flows, drawn):
    assert drawn["quantity"]["description"].startswith(" ".join(str(demo_plan).splitlines()))
    assert drawn["cash"]["description"] == " ".join(str(demo_plan.cash_flow()).splitlines())
    for name, flow in flows.items():
        assert f"{name}: on average" in drawn["margin"]["description"]
        assert forecast.words.numbers.signed(flow.worst_tenth(0.1)) in drawn["margin"]["description"]


@pytest.mark.parametrize("what", ["quantity", "price"])
def test_bars_add_up_to_what_a_lab_sends_in_a_week(demo_plan, drawn, what):
    sums = demo_plan.table().groupby(["week", "lab"])[what].sum()
    found = {row["delivery"]: row["sum"] for row in rows(drawn[what], "sum")}
    assert found == pytest.approx({f"{week}, {lab}": total for (week, lab), total in sums.items()})
    parts = pd.DataFrame(rows(drawn[what], "until"))
    assert ((parts["until"] - parts["since"]) - parts[what]).abs().max() < 0.011
    assert parts.groupby("delivery")["until"].max().to_dict() == pytest.approx(found)
    unit = "plantlets" if what == "quantity" else "EUR"
    for row in rows(drawn[what], "sum"):
        assert row["label"] == f"{row['sum']:,.0f} {unit}"
        assert f"{row['delivery']}: {row['label']}" in drawn[what]["description"]


def test_deliveries_are_in_the_order_in_which_they_come(drawn):
    order = drawn["quantity"]["layer"][0]["encoding"]["y"]["sort"]
    assert order == sorted(order)
    assert len(order) == len(rows(drawn["quantity"], "sum"))


def test_cash_is_that_of_every_week_and_its_low_point_is_where_it_falls(demo_plan, drawn):
    weekly, low = demo_plan.cash_flow().table(), demo_plan.cash_flow().low_point
    assert [row["median"] for row in rows(drawn["cash"], "median")] == weekly["median"].tolist()
    (mark,) = rows(drawn["cash"], "lowest")
    assert mark["monday"] == low.week.monday.isoformat()
    assert mark["lowest"] == pytest.approx(low.median, abs=0.01)
    assert mark["label"] == f"lowest: about {forecast.words.numbers.money(low.median, 'EUR')} in {low.week}"
    assert Week.parse(mark["week"]) == low.week


def test_twenty_dots_are_at_the_quantiles_of_each_margin(flows, drawn):
    """Each within half a step of its quantile; the dots below an amount are the share of draws below it, within one."""
    table = pd.DataFrame([row for row in rows(drawn["margin"], "kind") if row["kind"] == "season"])
    assert table["plan"].value_counts().to_dict() == dict.fromkeys(flows, 20)
    steps = np.diff(np.unique(table["margin"]))
    step = steps.min()
    assert step in (100, 200, 500, 1000)
    for name, flow in flows.items():
        dots = np.sort(table[table["plan"] == name]["margin"])
        exact = np.quantile(flow.margin, np.arange(0.025, 1, 0.05))
        assert np.abs(dots - exact).max() <= step / 2 + 1e-6
        for amount in (11_000, 13_000, 15_000):
            below, between = (dots < amount).mean(), (flow.margin < amount).mean()
            assert abs(below - between) <= 0.05 + (np.abs(flow.margin - amount) < step).mean()


def test_dots_of_one_margin_are_heaped_without_gaps(drawn):
    table = pd.DataFrame([row for row in rows(drawn["margin"], "kind") if row["kind"] == "season"])
    for _, heap in table.groupby(["plan", "margin"]):
        assert sorted(heap["heap"]) == [k + 0.5 for k in range(len(heap))]


def test_means_are_marked_and_plans_keep_their_order(flows, drawn):
    means = {row["plan"]: row for row in rows(drawn["margin"], "kind") if row["kind"] == "mean"}
    for name, flow in flows.items():
        assert means[name]["margin"] == pytest.approx(flow.margin.mean(), abs=0.01)
        assert means[name]["label"] == f"about {forecast.words.numbers.signed(flow.margin.mean())}"
    assert drawn["margin"]["facet"]["row"]["sort"] == list(flows)


def test_each_service_level_stands_at_its_price_and_the_plan_at_what_it_counts(prices, drawn):
    found = rows(drawn["service_level"], "level")
    table = prices.table()
    for at, row in enumerate(table.fillna({"channel": ""}).to_dict("records")):
        who = f"{row['variety']}, {row['channel']}" if row["channel"] else row["variety"]
        own = [one for one in found if one["target"] == f"{row['target']:,} {who}, {row['week']}"]
        expected = {(of_20(float(level)), row[level]) for level in ("0.8", "0.9", "0.95") if row[level] > 0}
        expected.add((of_20(row["chance"]), row["short_cost"]))
        assert {(one["level"], one["price"]) for one in own} == expected, at
    assert drawn["service_level"]["description"] == " ".join(str(prices).splitlines())


def test_without_a_price_there_is_nothing_to_draw(prices):
    free = replace(prices, rows=prices.rows.assign(short_cost=0.0))
    with pytest.raises(Refused, match="no service level has a price"):
        service_level_chart(free)


def test_what_cannot_be_drawn_is_refused(demo_plan, flows):
    with pytest.raises(Refused, match=r"what, 'boxes': not what can be drawn\. Write quantity or price\."):
        order_chart(demo_plan, what="boxes")
    with pytest.raises(Refused, match=r"flows, 0: not so many plans\. Give one to 5\."):
        margin_chart({})
    with pytest.raises(Refused, match=r"flows, 6: not so many plans"):
        margin_chart({str(k): flows["this plan"] for k in range(6)})


def test_margins_in_two_currencies_are_not_compared(demo, flows):
    other = demo.replace(currency="SEK")
    flow = forecast.cash_flow(forecast.simulate(other, simple_orders(other, draws=16, seed=1), draws=16, seed=1))
    with pytest.raises(Refused, match=r"flows, 'EUR, SEK': not in one currency"):
        margin_chart({"ours": flows["this plan"], "theirs": flow})
