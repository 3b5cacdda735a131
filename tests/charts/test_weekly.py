"""What the charts by week say, read from their descriptions."""

import pandas as pd
import pytest
from chart_specs import rows, says_what_it_shows

import forecast
from forecast import charts
from forecast.words.charts import CLOSED, OVER

VARIETY = "Heuchera 'Pellowen'"
NAMES = ["ready_dates", "survival_by_week", "chances", "space_map", "work_calendar", "narrowing"]
TABLE = pd.DataFrame(
    [("2027-03-01", 220, 304, 371, 400), ("2027-05-03", 280, 322, 360, 380), ("2027-07-05", 318, 330, 341, 335)],
    columns=["day", "p5", "median", "p95", "alive"],
)


@pytest.fixture(scope="module")
def weeks(demo):
    return forecast.delivery_weeks(demo, VARIETY, draws=128, seed=1)


@pytest.fixture(scope="module")
def outcome(demo):
    return forecast.simulate(demo, draws=128, seed=1)


@pytest.fixture(scope="module")
def plans(demo):
    orders = {f"{n} plants": [(VARIETY, "2027-W10", n)] for n in (500, 700, 900)}
    return {name: forecast.simulate(demo, rows, draws=128, seed=1) for name, rows in orders.items()}


@pytest.fixture(scope="module")
def drawn(weeks, outcome, plans):
    return {
        "ready_dates": charts.ready_dates(weeks).to_dict(),
        "survival_by_week": charts.survival_by_week(weeks).to_dict(),
        "chances": charts.chances(plans, VARIETY, "2027-W41").to_dict(),
        "space_map": charts.space_map(forecast.bench_space(outcome)).to_dict(),
        "work_calendar": charts.work_calendar(forecast.hours_of_work(outcome)).to_dict(),
        "narrowing": charts.narrowing(TABLE, 327).to_dict(),
    }


@pytest.mark.parametrize("name", NAMES)
def test_axes_name_their_units_a_text_says_the_same_and_the_draws_are_summed_up(drawn, name):
    says_what_it_shows(drawn[name], most=250)


def test_each_week_of_delivery_has_its_bar_from_first_to_last_ready(drawn, weeks):
    bars = rows(drawn["ready_dates"], "ready_first")
    assert [bar["week"] for bar in bars] == sorted(set(weeks.table()["week"]))
    assert all(bar["ready_first"] <= bar["ready"] <= bar["ready_last"] for bar in bars)
    assert [row["by"] for row in rows(drawn["ready_dates"], "by")] == ["2027-10-11"]
    assert "Target week 2027-W41." in drawn["ready_dates"]["description"]


def test_what_is_not_ready_in_the_season_ends_with_it(demo):
    late = forecast.delivery_weeks(demo, "Hosta 'Quenvara'", draws=64, seed=1, week="2028-W03")
    bars = rows(charts.ready_dates(late).to_dict(), "ready_last")
    end = demo.last_week.monday.isoformat()
    assert all(bar["ready_last"] <= end for bar in bars)
    table = late.table().drop_duplicates("week").set_index("week")["ready_last"]
    assert "" in set(table)
    assert all(bar["ready_last"] == end for bar in bars if table[bar["week"]] == "")


def test_survival_lies_within_its_bar_and_the_chance_is_that_of_the_table(drawn, weeks):
    bars = rows(drawn["survival_by_week"], "survival")
    assert all(0 < bar["survival_p5"] <= bar["survival"] <= bar["survival_p95"] < 1 for bar in bars)
    table = weeks.table().drop_duplicates("week").set_index("week")["chance"]
    assert {bar["week"]: bar["chance"] for bar in bars} == table.round(4).to_dict()
    assert "450" in drawn["survival_by_week"]["title"]["subtitle"]


def test_each_plan_has_a_line_that_falls(drawn, plans):
    points = rows(drawn["chances"], "plan")
    assert list(dict.fromkeys(point["plan"] for point in points)) == list(plans)
    for name, outcome in plans.items():
        line = [(point["plants"], point["chance"]) for point in points if point["plan"] == name]
        assert line == sorted(line, key=lambda point: (point[0], -point[1]))
        assert {chance: number for number, chance in line}[0.9] == outcome.quantile(VARIETY, week="2027-W41", q=0.1)
    assert all(f"{name}: " in drawn["chances"]["description"] for name in plans)


def test_the_map_of_places_distinguishes_shut_and_overfull_ones(demo, drawn):
    marks = {row["mark"] for row in rows(drawn["space_map"], "mark")}
    assert marks == {"", CLOSED}
    assert {row["available"] for row in rows(drawn["space_map"], "mark") if row["mark"] == CLOSED} == {0}
    orders = [(VARIETY, "2027-W10", 30_000)]
    full = charts.space_map(forecast.bench_space(forecast.simulate(demo, orders, draws=64, seed=1))).to_dict()
    over = [row for row in rows(full, "mark") if row["mark"] == OVER]
    assert over
    assert all(row["overrun"] >= 0.1 for row in over)


def test_the_map_says_how_large_a_place_is(drawn):
    named = {row["where"] for row in rows(drawn["space_map"], "where")}
    assert named == {"covered house, 174 m²", "shade house, 195 m²"}


def test_the_work_of_each_week_and_stage_is_written_in_its_cell(drawn, outcome):
    work = forecast.hours_of_work(outcome)
    cells = rows(drawn["work_calendar"], "hours")
    expected = work.by_stage[work.by_stage["hours"] >= 0.5]
    assert [(cell["week"], cell["stage"]) for cell in cells] == list(
        zip(expected["week"], expected["stage"], strict=True)
    )
    assert all(cell["label"] == f"{cell['hours']:.0f}" for cell in cells)
    assert drawn["work_calendar"]["description"] == str(work)


def test_the_band_of_a_forecast_that_narrows_is_the_table_and_the_rule_what_came(drawn):
    band = rows(drawn["narrowing"], "median")
    assert [(row["day"], row["p5"], row["median"], row["p95"]) for row in band] == [
        ("2027-03-01", 220, 304, 371), ("2027-05-03", 280, 322, 360), ("2027-07-05", 318, 330, 341),
    ]  # fmt: skip
    assert rows(drawn["narrowing"], "came") == [{"came": 327}]
    assert drawn["narrowing"]["layer"][-1]["mark"]["type"] == "rule"
    assert drawn["narrowing"]["description"] == (
        "Saleable plants expected, by the day of the forecast: on 2027-03-01 about 305 (220 to 370); "
        "on 2027-07-05 about 330 (320 to 340). The final number was 327."
    )


def test_without_a_final_count_there_is_no_rule_and_nothing_is_said_of_it():
    spec = charts.narrowing(TABLE.head(1)).to_dict()
    assert [layer["mark"]["type"] for layer in spec["layer"]] == ["area", "line"]
    assert spec["description"].endswith("on 2027-03-01 about 305 (220 to 370).")
    assert "dashed" not in spec["title"]["subtitle"]


def test_a_forecast_of_no_day_is_refused():
    with pytest.raises(forecast.Refused, match="no day is given"):
        charts.narrowing(TABLE.head(0))
