"""Numbers on axes, in texts and tooltips of charts, as Vega prints them."""

from datetime import date
from pathlib import Path

import altair as alt
import pandas as pd
import pytest
from chart_specs import badly_printed

import forecast
from forecast import charts
from forecast.records.records import read_records

DEMO = Path(__file__).parents[2] / "demo_data"
HOSTA, HEUCHERA = "Hosta 'Orrinfall'", "Heuchera 'Pellowen'"
FEW = {"draws": 16, "seed": 1}
DAYS = pd.DataFrame({"day": [str(date(2027, 3, 1))], "p5": [9000], "median": [10_000], "p95": [11_000]})


def of_orders(season, plan):
    order, outcome = forecast.size_order(season, HOSTA, **FEW), forecast.simulate(season, plan.orders, **FEW)
    space = forecast.bench_space(outcome)
    return {
        "order_curve": charts.order_curve(order),
        "saleable": charts.saleable(outcome, HOSTA),
        "bench": charts.bench(space, "covered house"),
        "space_map": charts.space_map(space),
        "work_calendar": charts.work_calendar(forecast.hours_of_work(outcome)),
        "chances": charts.chances({"plan": outcome}, HOSTA, "2027-W41"),
        "order_chart": charts.order_chart(plan),
        "cash_chart": charts.cash_chart(plan.cash_flow()),
        "margin_chart": charts.margin_chart({"plan": plan.cash_flow()}),
        "service_level_chart": charts.service_level_chart(plan.short_prices()),
    }


def of_answers(season):
    cultures, weeks = (
        forecast.multiply(season, HEUCHERA, subcultures=3, **FEW),
        forecast.delivery_weeks(season, HOSTA, **FEW),
    )
    return {
        "clean": charts.clean(cultures),
        "cycles": charts.cycles(cultures),
        "ready": charts.ready(cultures),
        "routes": charts.routes(forecast.compare_routes(season, HEUCHERA, **FEW)),
        "ready_dates": charts.ready_dates(weeks),
        "survival_by_week": charts.survival_by_week(weeks),
        "narrowing": charts.narrowing(DAYS, came=9500),
        "tornado_chart": charts.tornado_chart(forecast.what_drives(season, HOSTA, **FEW)),
        "tornado_chart of chances": charts.tornado_chart(forecast.what_drives(season, HOSTA, answer="chance", **FEW)),
        "comparison_chart": charts.comparison_chart(forecast.compare(season, season, **FEW)),
    }


def of_records(season):
    records = read_records(DEMO)
    learned = forecast.learn(season, records)
    return {
        "calibration": charts.calibration(forecast.scorecard(season, records, **FEW)),
        "labs": charts.labs(learned, "acclimatisation"),
        "next_batch": charts.next_batch(learned, HOSTA, "acclimatisation", of=2000),
        "shrinkage": charts.shrinkage(learned, "acclimatisation"),
    }


@pytest.fixture(scope="module")
def drawn(demo, demo_plan):
    return of_orders(demo, demo_plan) | of_answers(demo) | of_records(demo)


def test_no_chart_prints_a_number_without_its_thousands_or_with_a_power_of_ten(drawn):
    assert {name.split()[0] for name in drawn} == {*charts.__all__} - {"draw_offline"}
    assert {name: bad for name, chart in drawn.items() if (bad := badly_printed(chart.to_dict()))} == {}


@pytest.mark.parametrize("shown", [None, "", "s", ".3s", "e", "g", ".2g", ".0f", "d", "~r"])
def test_formats_that_would_are_found_in_texts_and_tooltips(shown):
    cells = {} if shown is None else {"format": shown}
    chart = alt.Chart(pd.DataFrame({"v": [1]})).mark_text()
    assert badly_printed(chart.encode(text=alt.Text("v:Q", **cells)).to_dict())
    assert badly_printed(chart.encode(tooltip=[alt.Tooltip("v:Q", **cells)]).to_dict())


@pytest.mark.parametrize("shown", ["s", ".3s", "e", "g", ".2g", ".0f", "d", "~r", ",", ",.0f"])
def test_formats_that_would_are_found_on_axes(shown):
    """A comma alone prints 1e+2 on an axis; without decimals 0, 1, 1, 2 stand on a short one."""
    x = alt.X("v:Q", axis=alt.Axis(format=shown))
    assert badly_printed(alt.Chart(pd.DataFrame({"v": [1]})).mark_point().encode(x=x).to_dict())
