"""Every public result shows itself: in one line, as a short answer, and as a table without anything for machines."""

import re
from pathlib import Path

import pandas as pd
import pytest

import forecast
from forecast.words.results import SHARES, Result

DEMO = Path(__file__).parents[1] / "demo_data"
DRAWS = {"draws": 64, "seed": 1}
VARIETY, CULTURE = "Hosta 'Orrinfall'", "Heuchera 'Pellowen'"
MOST_LINES = 15
FOR_MACHINES = re.compile(r"\bnan\b|\bNaT\b|\bNone\b|\(\)| at 0x|<NA>", re.IGNORECASE)


class Demo:
    """The demo, and what is found from it when it is first needed."""

    def __init__(self):
        self.season = forecast.read_season(DEMO)
        self.records = forecast.read_records(DEMO)
        self.outcome = forecast.simulate(self.season, **DRAWS)
        self.space = forecast.bench_space(self.outcome)
        self.plan = forecast.plan_orders(self.season, **DRAWS)
        self.drivers = forecast.what_drives(self.season, VARIETY, **DRAWS)
        self.cultures = forecast.multiply(self.season, CULTURE, **DRAWS)
        self.running = forecast.reforecast(
            forecast.read_season(DEMO / "season_2026"), self.records, on_date="2026-06-14", **DRAWS
        )


RESULTS = {
    "simulate": lambda demo: demo.outcome,
    "size_order": lambda demo: forecast.size_order(demo.season, VARIETY, **DRAWS),
    "size_order for the margin": lambda demo: forecast.size_order(demo.season, VARIETY, aim="margin", **DRAWS),
    "delivery_weeks": lambda demo: forecast.delivery_weeks(demo.season, CULTURE, **DRAWS),
    "plan_orders": lambda demo: demo.plan,
    "out_of_sample": lambda demo: demo.plan.out_of_sample(draws=64, seed=2, searches=2),
    "explants_needed": lambda demo: forecast.explants_needed(demo.season, CULTURE, **DRAWS),
    "multiply": lambda demo: demo.cultures,
    "compare_routes": lambda demo: forecast.compare_routes(demo.season, CULTURE, **DRAWS),
    "learn": lambda demo: forecast.learn(demo.season, demo.records),
    "bench_space": lambda demo: demo.space,
    "remedies": lambda demo: demo.space.remedies("covered house"),
    "hours_of_work": lambda demo: forecast.hours_of_work(demo.outcome),
    "cash_flow": lambda demo: forecast.cash_flow(demo.outcome),
    "compare": lambda demo: forecast.compare(demo.season, demo.season.replace(budget=1000), **DRAWS),
    "what_drives": lambda demo: demo.drivers,
    "break_even": lambda demo: demo.drivers.break_even(demo.drivers.table()["input"].iloc[0]),
    "trial_worth": lambda demo: forecast.trial_worth(demo.season, VARIETY, **DRAWS),
    "reforecast": lambda demo: demo.running,
    "scorecard": lambda demo: forecast.scorecard(demo.season, demo.records, **DRAWS),
}


@pytest.fixture(scope="module")
def demo():
    return Demo()


@pytest.fixture(params=RESULTS)
def result(request, demo):
    return RESULTS[request.param](demo)


def test_a_result_is_reported_in_one_line_in_a_few_and_as_a_table(result):
    line, answer, table, html = repr(result), str(result), result.table(), result._repr_html_()
    assert isinstance(result, Result)
    assert line.startswith(f"{type(result).__name__}(")
    assert "\n" not in line
    assert 1 <= len(answer.splitlines()) <= MOST_LINES
    assert isinstance(table, pd.DataFrame)
    shares = table[[name for name in table.columns if name in SHARES]].apply(pd.to_numeric)
    assert not (shares.abs() > 1).any(axis=None)
    text = re.sub(r"<style.*?</style>|<[^>]*>", " ", html, flags=re.DOTALL)
    for shown in (line, answer, text):
        assert FOR_MACHINES.findall(shown) == []
    assert result._repr_html_() == html


def test_shares_beside_weeks_are_percentages(demo):
    """16: a learned survival and the ends of a survival in the tornado chart, but not the weeks in other rows."""
    chances = forecast.what_drives(demo.season, VARIETY, answer="chance", **DRAWS)
    for result in (forecast.learn(demo.season, demo.records), demo.drivers, chances):
        table, html = result.table(), result._repr_html_()
        rows = [re.findall(r"<td[^>]*>(.*?)</td>", row) for row in html.split("<tr>")[2:]]
        columns = ("estimate", "learned") if "estimate" in table else ("p10", "p90")
        share = table["what"].eq("survival") if "estimate" in table else table["unit"].eq("share")
        for row, is_share in zip(rows, share, strict=False):
            cells = [row[table.columns.get_loc(name)] for name in columns]
            assert all(cell.endswith(" %") == is_share for cell in cells)
    assert all(row[table.columns.get_loc("at_p90")].endswith(" %") for row in rows)


def test_inputs_are_reported_in_one_line_and_in_a_few(demo):
    for given in (demo.season, demo.records):
        assert "\n" not in repr(given)
        assert len(str(given).splitlines()) <= MOST_LINES
        assert FOR_MACHINES.findall(repr(given) + str(given)) == []
