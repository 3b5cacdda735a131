"""One quantity is one number, wherever it is printed."""

import re
from html import unescape

import pytest

import forecast
from forecast import charts, show


@pytest.fixture(scope="module")
def plan(demo):
    return forecast.plan_orders(demo, draws=512, seed=1)


def margin_and_worst_tenth(plan):
    """Both in whole plants, from what comes in and goes out season by season; to the figures that are printed."""
    margin = sorted((plan.cash_flow().cash[-1]).tolist())
    tenth = len(margin) / 10
    whole = int(tenth)
    worst = (sum(margin[:whole]) + (tenth - whole) * margin[whole]) / tenth
    return [f"{500 * round(amount / 500):,} EUR" for amount in (sum(margin) / len(margin), worst)]


def amounts(text):
    return re.findall(r"[\d,]+ EUR", text)


def test_a_plan_earns_the_same_wherever_it_is_printed(plan, tmp_path):
    margin, worst = margin_and_worst_tenth(plan)
    (says,) = (line for line in str(plan).splitlines() if "expected margin" in line)
    assert amounts(says) == [margin, worst]
    flow = str(plan.cash_flow()).splitlines()[0]
    assert amounts(flow) == [margin, worst]
    chart = charts.margin_chart({"this plan": plan.cash_flow()}).to_dict()["description"]
    assert f"this plan: on average {margin}" in chart
    assert f"worst 10 % of seasons {worst.removesuffix(' EUR')}" in chart
    assert f"expected margin is about {margin}" in " ".join(show.order_sheet(plan)["notes"]["note"])
    forecast.report(plan.season, tmp_path / "order.html", plan=plan)
    page = unescape((tmp_path / "order.html").read_text(encoding="utf-8"))
    assert f"The season earns about {margin} on average" in page
    assert f"and about {worst} in the worst 10 % of seasons" in page


def test_plants_freight_and_growing_cost_the_same_wherever_they_are_printed(plan, tmp_path):
    spent = amounts(str(plan).splitlines()[0])
    forecast.report(plan.season, tmp_path / "order.html", plan=plan)
    page = unescape((tmp_path / "order.html").read_text(encoding="utf-8"))
    said = re.findall(r"Plants and freight cost[^.]*\.", page)
    assert len(said) > 1
    for sentence in said:
        assert [amount for amount in amounts(sentence) if amount in spent] == spent
    (used,) = re.findall(r"<t[hd][^>]*>budget</t[hd]>.*?([\d,]+ EUR)", page, re.DOTALL)
    assert used == spent[0]  # what labs and carriers are paid


def test_a_budget_is_printed_as_it_was_given(demo, tmp_path):
    odd = demo.replace(budget=27_402)
    plan = forecast.plan_orders(odd, draws=64, seed=1, gap=0.05)
    forecast.report(odd, tmp_path / "order.html", plan=plan)
    page = unescape((tmp_path / "order.html").read_text(encoding="utf-8"))
    assert "(budget 27,402 EUR)" in str(plan)
    assert "27,500" not in page
    assert page.count("27,402 EUR") >= 3
