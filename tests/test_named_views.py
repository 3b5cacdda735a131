"""The views that notebooks show instead of code of their own: each against what it is a view of."""

from collections import Counter
from pathlib import Path

import pandas as pd
import pytest
from grower_seasons import SEASONS

import forecast
from forecast import Refused, show
from forecast.ordering.baselines import each_by_itself
from forecast.tracking.reforecasting import narrowing
from forecast.words import orders as order_words
from forecast.words import records as words
from forecast.words import resources as resource_words
from forecast.words import results as result_words

HOSTA, HEUCHERA = "Hosta 'Orrinfall'", "Heuchera 'Brunnock'"
DEMO = Path(__file__).parents[1] / "demo_data"
DRAWS = {"draws": 64, "seed": 1}


@pytest.fixture(scope="module")
def records():
    return forecast.read_records(DEMO)


@pytest.fixture(scope="module")
def learned(demo, records):
    return forecast.learn(demo, records)


@pytest.fixture(scope="module")
def running():
    return forecast.read_season(DEMO / "season_2026")


def test_a_table_of_one_variety_has_its_rows_and_others_of_all(demo):
    assert set(demo.table("targets", HEUCHERA)["variety"]) == {HEUCHERA}
    assert len(demo.table("targets", HEUCHERA)) == len(demo.targets_of(HEUCHERA)) == 2
    assert demo.table("places", HEUCHERA).equals(demo.table("places"))
    with pytest.raises(Refused, match="no such variety"):
        demo.table("targets", "Nobody")


def test_the_table_of_stages_says_what_the_check_says(demo):
    table = demo.stage_table(HOSTA)
    assert table["stage"].tolist() == [row.stage for row in demo.route(HOSTA)]
    assert table["survival"].tolist() == [str(share) for share in demo.survivals(HOSTA)]
    assert table["time"].tolist()[:2] == ["takes no time", str(demo.route(HOSTA)[1].duration)]
    bare = demo.with_stage("hosta", "arrival", cold_below=None, cold_loss=None)
    assert "cold_below" in table
    assert "cold_below" not in bare.stage_table(HOSTA)


def test_a_variety_is_the_one_named_or_that_of_the_first_row(demo):
    assert demo.choose(HEUCHERA) == HEUCHERA
    assert demo.choose() == demo.targets[0].variety
    assert demo.choose(table="cultures") == demo.cultures[0].variety
    with pytest.raises(Refused, match=r"cultures\.csv: the season has no rows in it"):
        demo.replace(cultures=()).choose(table="cultures")


def test_what_is_asked_first_is_the_first_week_with_all_its_buyers(demo):
    assert demo.first_asked(HOSTA) == {"week": demo.targets_of(HOSTA)[0].week}
    first, second = demo.targets_of(HEUCHERA)
    together = demo.replace(targets=(first, second.replace(week=first.week, until=first.until)))
    assert together.first_asked(HEUCHERA) == {"week": first.week, "target": first.target + second.target}
    forecast.size_order(together, HEUCHERA, **together.first_asked(HEUCHERA), **DRAWS)
    with pytest.raises(Refused, match="has no target"):
        together.first_asked(HOSTA)


def test_the_least_certain_stage_is_that_of_the_widest_survival(demo):
    assert demo.least_certain_stage(HOSTA).stage == "acclimatisation"
    stages = tuple(row.surviving(forecast.Share(row.stated.mean, 0, "batch")) for row in demo.stages)
    sure = demo.replace(stages=stages)
    with pytest.raises(Refused, match=r"no survival of .* is uncertain"):
        sure.least_certain_stage(HOSTA)


def test_without_promises_none_is_left_and_it_is_said_if_there_was_none(demo):
    hoped = demo.without_promises()
    assert {row.promised for row in hoped.targets} == {row.promised_share for row in hoped.targets} == {None}
    assert [row.target for row in hoped.targets] == [row.target for row in demo.targets]
    with pytest.raises(Refused, match="no target is promised"):
        hoped.without_promises()


def test_a_plan_beside_another_has_what_both_order(demo_plan, demo):
    other = forecast.plan_orders(demo.replace(budget=5000), draws=128, seed=1)
    table = demo_plan.changes_from(other).set_index("variety")
    for column, plan in (("this", demo_plan), ("other", other)):
        counts = Counter()
        for row in plan.orders:
            counts[row.variety] += row.quantity
        assert table[column].to_dict() == {name: counts[name] for name in table.index}
    assert (table["this"] - table["other"]).equals(table["difference"])


def test_the_headline_of_a_plan_names_a_variety_with_its_orders(demo_plan, demo):
    mine = demo_plan.orders_of(HOSTA)
    assert [row for row in demo_plan.orders if row.variety == HOSTA] == list(mine)
    line = demo_plan.headline(HOSTA)
    assert line.startswith(f"{HOSTA}: order {mine[0].quantity:,} from {mine[0].lab} for ")
    assert line.endswith("simulated seasons.")
    assert demo_plan.headline() == str(demo_plan).splitlines()[0]
    tight = forecast.plan_orders(demo.replace(budget=3000), draws=128, seed=1)
    left = next(iter(tight.left_out()))
    assert tight.headline(left).startswith(f"{left}: none this year, because")
    with pytest.raises(Refused, match="none this year"):
        tight.orders_of(left)


def test_alternatives_that_fit_are_those_that_keep_all_limits(demo_plan):
    every = demo_plan.alternatives()
    assert demo_plan.alternatives(fitting=True).equals(every[every["fits"]].reset_index(drop=True))


def test_learned_times_have_a_row_for_each_group_and_stage(learned):
    times, rates = learned.times(), learned.table()
    assert not times.duplicated(["applies_to", "stage"]).any()
    for row in rates[rates["what"] == "time"].to_dict("records"):
        owner = learned.prior.route(row["variety"])[0].applies_to
        (found,) = times[(times["applies_to"] == owner) & (times["stage"] == row["stage"])].to_dict("records")
        assert found["learned"] == pytest.approx(row["learned"], abs=0.006)


def test_the_rate_that_changed_most_is_that_of_the_largest_change(learned):
    rows = learned.table().query("what == 'survival' and based_on == 'records'")
    moved = (rows["learned"] - rows["estimate"]).abs()
    most = learned.most_changed
    assert abs(most.learned - most.estimate) == moved.max()
    assert learned.headline().startswith(f"Your records changed most the survival of {most.variety} in {most.stage}:")


def test_what_stands_where_adds_up_to_the_cohorts(running, records):
    now = forecast.reforecast(running, records, on_date="2026-06-14", **DRAWS)
    standing = now.standing()
    assert standing["plants"].sum() == now.cohorts.query("batch != ''")["plants"].sum()
    assert not standing.duplicated(["variety", "batch", "stage"]).any()


def test_two_forecasts_are_beside_each_other_by_target(running, records):
    now, then = (forecast.reforecast(running, records, on_date=day, **DRAWS) for day in ("2026-09-20", "2026-01-12"))
    table = now.beside(then)
    assert table[["variety", "week"]].equals(now.targets()[["variety", "week"]])
    assert len(table) < len(then.targets())  # some are over by now
    before = then.targets().set_index(["variety", "week"])["chance"]
    assert table["chance_then"].tolist() == [
        before[variety, week] for variety, week in table.set_index(["variety", "week"]).index
    ]
    assert table["chance_now"].equals(now.targets()["chance"])


def test_a_forecast_narrows_every_third_week_from_the_first_delivery_on(running, records):
    found = narrowing(running, records, HOSTA, week="2026-W41", until="2026-06-14", draws=16, seed=1)
    days = pd.to_datetime(found["day"])
    came = [row.delivered for row in records.batches if row.variety == HOSTA and row.delivered.year == 2026]
    assert days.iloc[0].date() == min(came)
    assert set(days.diff().dropna().dt.days) == {21}
    with pytest.raises(Refused, match=r"no batch of .* was delivered by 2026-01-05"):
        narrowing(running, records, HOSTA, week="2026-W41", until="2026-01-05", draws=16)


def test_the_busiest_weeks_are_those_of_most_hours(demo):
    hours = forecast.hours_of_work(forecast.simulate(demo, **DRAWS))
    busy = hours.table(busiest=3)
    assert busy["median"].tolist() == sorted(hours.table()["median"], reverse=True)[:3]
    idle = demo.replace(stages=tuple(row.replace(minutes=0) for row in demo.stages))
    with pytest.raises(Refused, match="no stage states minutes"):
        forecast.hours_of_work(forecast.simulate(idle, **DRAWS)).table(busiest=3)


def test_each_target_has_an_order_of_its_own_unless_none_is_enough(part):
    rows = [row for _, row in part.each_target()]
    alone = [forecast.size_order(part, row.variety, week=row.week, **DRAWS).delivery for row in rows]
    assert each_by_itself(part, **DRAWS) == tuple(alone)
    hurried = part.replace(targets=(rows[0].replace(week=forecast.Week(2027, 9)), *rows[1:]))
    assert each_by_itself(hurried, **DRAWS) == tuple(alone[1:])


@pytest.mark.filterwarnings("ignore::UserWarning")
def test_without_prices_an_order_sheet_has_all_but_money(tmp_path):
    season = forecast.read_season(SEASONS["no_prices"](tmp_path / "mine"))
    sheets = show.order_sheet(forecast.plan_orders(season, draws=64))
    assert "money" not in sheets
    assert len(sheets["labs"]) == 2
    show.write_order_sheet(forecast.plan_orders(season, draws=64), tmp_path / "order.xlsx")


# Sentences


def test_what_falls_short_is_counted_and_named():
    falling = [("A", 100, "2027-W40", 0.5), ("B", 50, "2027-W42", 0.2)]
    worst = "most of all 50 B by 18 Oct 2027 (2027-W42): met in 4 of 20 simulated seasons."
    assert words.falling_short(falling, 3) == f"2 of 3 targets to come fall short, {worst}"
    assert words.falling_short(falling, 2) == f"All 2 targets to come fall short, {worst}"
    assert words.falling_short(falling[1:], 1) == f"The target to come falls short, {worst}"
    assert words.falling_short([], 3) == "All 3 targets to come will be met as often as you ask."
    assert words.falling_short([], 0) == "No target is still to come."


def test_orders_of_a_variety_are_listed_with_how_its_targets_do():
    week = forecast.Week(2027, 10)
    one, two = (100, "Lab", week), (50, "Other lab", week + 1)
    assert order_words.of_variety("A", [one], [0.8]) == (
        "A: order 100 from Lab for 8 Mar 2027 (2027-W10); its target is met in 16 of 20 simulated seasons."
    )
    assert order_words.of_variety("A", [one, two], [0.8, 0.9]) == (
        "A: order 100 from Lab for 8 Mar 2027 (2027-W10) and 50 from Other lab for 15 Mar 2027 (2027-W11); each of its "
        "targets is met in 16 to 18 of 20 simulated seasons."
    )
    assert order_words.of_variety("A", [one], []) == "A: order 100 from Lab for 8 Mar 2027 (2027-W10)."


def test_a_week_without_half_an_hour_of_work_is_not_called_busy():
    busy = {"week": "2027-W10", "p5": 0.0, "median": 0.1, "p95": 0.4, "stage": "wean", "share": 0.9}
    assert resource_words.busiest_week(busy) == "Hardly any work: no week takes half an hour."
    busy |= {"p5": 6.1, "median": 6.2, "p95": 6.3}
    assert (
        resource_words.busiest_week(busy)
        == "Busiest week: 8 Mar 2027 (2027-W10), about 6 hours, most of them for wean."
    )


def test_notebooks_show_chances_as_seasons_and_a_long_row_upright():
    table = pd.DataFrame({"variety": ["A", "B"], "chance": [0.8, float("nan")], "overrun": [0.0, 1.0]})
    html = result_words.in_notebook(table)
    assert "16 of 20" in html
    assert "nan" not in html
    assert "80 %" in result_words.styled(table)
    row = pd.DataFrame([{f"column {at}": at for at in range(13)}])
    assert result_words.in_notebook(row).count("<tr>") == 14
    assert result_words.in_notebook(row.iloc[:, :12]).count("<tr>") == 2
    assert "no rows" in result_words.in_notebook(table.head(0))
