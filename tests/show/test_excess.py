"""Whatever prints an order says that most of it only beats the clock, and by which week how many are enough."""

from html import unescape

import pytest
from icalendar import Calendar
from ruinous import RUINOUS, ruinous

import forecast
from forecast import charts, show
from forecast.__main__ import main

DRAWS = {"draws": 1024, "seed": 1}


@pytest.fixture(scope="module", params=RUINOUS)
def told(request):
    """A season, its plan, and the sentence about its order."""
    plan = ruinous(request.param)
    found = forecast.plan_orders(plan, aim="cost", **DRAWS)
    (excess,) = found.excess
    sentence = str(excess)
    (order,) = found.orders
    assert order.quantity >= request.param  # a plan is checked on fresh draws, where a little more can be needed
    assert f"{order.quantity:,} A ordered for the {excess.asked:,} needed" in sentence
    return plan, found, sentence


def test_the_command_prints_it(told, tmp_path, capsys):
    season, _, sentence = told
    forecast.write_season(season, tmp_path / "season")
    assert main(["order", str(tmp_path / "season"), "--aim", "cost", "--draws", "1024", "--seed", "1"]) == 0
    assert sentence in capsys.readouterr().out.splitlines()


def test_the_page_prints_it(told, tmp_path):
    season, plan, sentence = told
    forecast.report(season, tmp_path / "order.html", plan=plan)
    assert sentence in unescape((tmp_path / "order.html").read_text(encoding="utf-8"))


def test_the_sheets_print_it(told):
    _, plan, sentence = told
    assert sentence in list(show.order_sheet(plan)["notes"]["note"])


def test_the_calendar_prints_it(told, tmp_path):
    _, plan, sentence = told
    show.write_calendar(plan, tmp_path / "plan.ics")
    entries = Calendar.from_ical((tmp_path / "plan.ics").read_bytes()).walk("VEVENT")
    (order,) = [entry for entry in entries if entry["categories"].to_ical() == b"order"]
    assert sentence in str(order["description"]).splitlines()


def test_the_charts_and_the_panel_print_it(told):
    _, plan, sentence = told
    assert sentence in str(charts.order_chart(plan).to_dict())
    assert sentence in plan._repr_html_()


def test_an_order_for_one_target_prints_it(told):
    season, *_ = told
    order = forecast.size_order(season, "A", **DRAWS)
    sentence = str(order.excess)
    assert f"{order.quantity:,} A ordered" in sentence
    assert sentence in str(charts.order_curve(order).to_dict())
    assert sentence in order._repr_html_()
