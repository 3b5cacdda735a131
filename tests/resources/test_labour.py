"""Hours of work against minutes times plants, by hand and counted plant by plant."""

import numpy as np
import pandas as pd
import pytest
from labelled import plants_by_state
from plant_by_plant import draw
from scipy import stats
from small_seasons import MILD, MIXED, beta_spread, season, stage

import forecast
from forecast.records.records import Records
from forecast.resources.labour import Hours, entering, hours_of_work

MINUTES = {"arrival": 1.2, "acclimatisation": 0.5, "growing on": 2.0, "grading": 0.3}
SURE = [
    stage("arrival", survival=0.9, minutes=1.2),
    stage("acclimatisation", typical=4, survival=0.8, minutes=0.5),
    stage("growing on", typical=6, survival=0.95, minutes=2),
    stage("grading", survival=0.9, minutes=0.3),
]
UNSURE = [
    stage("arrival", survival=0.96, survival_sd=0.03, minutes=1.2),
    stage(typical=4, batches_cv=0.2, plants_cv=0.15, survival_level=MIXED, minutes=0.5, **beta_spread(12.0, 3.0)),
    stage("growing on", typical=6, batches_cv=0.15, plants_cv=0.25, survival_level=MIXED, minutes=2)
    | {"survival": 0.9, "survival_sd": 0.05},
    stage("grading", survival=0.95, survival_level="plant", minutes=0.3),
]
WARM = [
    UNSURE[0],
    UNSURE[1],
    UNSURE[2] | {"runs_on": "degree-days", "base_temperature": 5, "typical": 300},
    UNSURE[3],
]
CLOCKS = {"weeks": season(UNSURE, weeks=52), "degree-days": season(WARM, weeks=52, climate=MILD)}


def work(plan, orders, draws=64, seed=1):
    return hours_of_work(forecast.simulate(plan, orders, draws=draws, seed=seed))


def test_hours_are_minutes_times_the_plants_that_enter_as_by_hand():
    """1,000 come in week 3; 900 are weaned in the same week, 720 potted on in week 7, and 684 graded in week 13."""
    found = work(season(SURE), [("A", "2027-W03", 1000)])
    assert found.by_stage.columns.tolist() == ["week", "stage", "p5", "median", "p95", "hours"]
    assert found.by_stage.to_numpy().tolist() == [
        ["2027-W03", "arrival", 1000, 1000, 1000, 20.0],
        ["2027-W03", "acclimatisation", 900, 900, 900, 7.5],
        ["2027-W07", "growing on", 720, 720, 720, 24.0],
        ["2027-W13", "grading", 684, 684, 684, 3.42],
    ]
    weekly = found.table().set_index("week")
    assert weekly.columns.tolist() == ["p5", "median", "p95"]
    for name in weekly:
        assert weekly[name][weekly[name] > 0].to_dict() == {"2027-W03": 27.5, "2027-W07": 24.0, "2027-W13": 3.42}
    assert weekly.index.tolist() == [f"2027-W{week:02d}" for week in range(1, 41)]


def test_the_busiest_week_and_what_it_is_busy_with():
    plan = season(SURE)
    orders = [("A", "2027-W03", 1000)]
    hours = {"p5": 27.5, "median": 27.5, "p95": 27.5}
    assert work(plan, orders).busiest() == {"week": "2027-W03", **hours, "stage": "arrival", "share": 20 / 27.5}
    slow = work(plan.with_stage("crop", "growing on", minutes=3), orders)
    assert slow.busiest() == {"week": "2027-W07", **dict.fromkeys(hours, 36), "stage": "growing on", "share": 1}


def test_without_minutes_no_work_is_stated_though_plants_are_counted():
    found = work(season([row | {"minutes": 0} for row in SURE]), [("A", "2027-W03", 1000)])
    assert found.busiest()["stage"] == ""
    assert found.table()[["p5", "median", "p95"]].to_numpy().max() == 0
    assert found.by_stage[["median", "hours"]].to_numpy().tolist() == [[1000, 0], [900, 0], [720, 0], [684, 0]]


def test_work_of_which_no_week_is_sure_is_still_reported():
    """A batch is potted on in one week, but which one, no two seasons in three agree: the middle of each week is 0."""
    plan = season([stage(typical=8, batches_cv=0.4, survival=1), stage("growing on", typical=3, minutes=6)])
    found = work(plan, [("A", "2027-W03", 1000)], draws=512)
    assert found.table()["median"].max() == 0
    busy = found.busiest()
    assert (busy["median"], busy["p95"], busy["stage"]) == (0, 100, "growing on")


def test_hours_of_less_than_half_a_plant_are_reported_without_a_stage():
    """0.4 plants in the mean take 60 minutes each."""
    plan = season([stage(typical=3, survival=0.4), stage("growing on", typical=3, minutes=60)])
    found = work(plan, [("A", "2027-W03", 1)])
    assert found.table()["median"].max() == 0.4
    assert (found.busiest()["week"], found.busiest()["stage"], found.busiest()["share"]) == ("2027-W06", "", 0)


def test_a_busy_week_may_be_made_by_several_batches_and_varieties():
    """By hand: in week 7 720 of A are potted on, 2 minutes each, 500 of B come, 1.2, and 450 are weaned, 0.5."""
    found = work(season(SURE, varieties="AB"), [("A", "2027-W03", 1000), ("B", "2027-W07", 500)])
    assert found.table().set_index("week")["median"]["2027-W07"] == pytest.approx(
        (720 * 2 + 500 * 1.2 + 450 * 0.5) / 60
    )
    here = found.by_stage[found.by_stage["week"] == "2027-W07"]
    assert here.set_index("stage")["hours"].to_dict() == {"arrival": 10.0, "acclimatisation": 3.75, "growing on": 24.0}
    both = work(season(SURE), [("A", "2027-W03", 600), ("A", "2027-W05", 400)])
    potted = both.by_stage[both.by_stage["stage"] == "growing on"]
    assert potted[["week", "median"]].to_numpy().tolist() == [["2027-W07", 432], ["2027-W09", 288]]


@pytest.mark.parametrize("weeks", [1, 2, 5])
@pytest.mark.parametrize("delivered", [1, 4, 9])
def test_a_stage_that_ends_on_a_monday_gives_work_in_the_week_that_begins_then(weeks, delivered):
    rows = [stage(typical=weeks, survival=1), stage("growing on", typical=weeks, survival=1, minutes=6)]
    weekly = work(season(rows), [("A", f"2027-W{delivered:02d}", 100)]).table()
    assert weekly[weekly["median"] > 0]["week"].tolist() == [f"2027-W{delivered + weeks:02d}"]


@pytest.mark.parametrize("clock", CLOCKS)
@pytest.mark.parametrize("delivered", ["2027-W01", "2027-W04", "2027-W11"])
def test_what_plants_take_on_arrival_is_worked_in_the_week_of_delivery(clock, delivered):
    found = work(CLOCKS[clock], [("A", delivered, 500)])
    arrival = found.by_stage[found.by_stage["stage"] == "arrival"]
    assert arrival.to_numpy().tolist() == [[delivered, "arrival", 500, 500, 500, 10.0]]
    weaned = found.by_stage[found.by_stage["stage"] == "acclimatisation"]
    assert weaned["week"].tolist() == [delivered]
    assert found.table().set_index("week")["p95"][:delivered].iloc[:-1].sum() == 0


@pytest.mark.parametrize("clock", CLOCKS)
def test_all_who_live_to_enter_a_stage_enter_it_in_some_week_of_every_draw(clock):
    outcome = forecast.simulate(CLOCKS[clock], [("A", "2027-W02", 300), ("A", "2027-W05", 200)], draws=64, seed=1)
    for batch in outcome.batches:
        entered = entering(outcome, batch, ends=True)
        assert entered.shape == (5, outcome.season.weeks, 64)
        assert entered.min() > -1e-9
        totals = entered.sum(axis=1)
        assert np.abs(totals[0] - batch.quantity).max() < 1e-9
        assert np.diff(totals, axis=0).max() < 0
        assert np.abs(totals[4] - 0.95 * totals[3]).max() < 1e-9  # in grading only single plants differ
    ready = sum(entering(outcome, batch, ends=True)[-1].sum(axis=0) for batch in outcome.batches)
    assert np.abs(ready - plants_by_state(outcome, "A").sel(state="saleable").values[-1]).max() < 1e-6


@pytest.mark.parametrize("clock", CLOCKS)
def test_hours_of_all_weeks_are_orders_times_expected_survival_times_minutes(clock):
    """Survivals of stages are independent; hours have the standard error that eight seeds show."""
    quantity, reached = 2000, np.cumprod([1, 0.96, 0.8, 0.9])
    expected = quantity * reached * list(MINUTES.values()) / 60
    found = []
    for seed in range(1, 9):
        table = work(CLOCKS[clock], [("A", "2027-W02", quantity)], draws=1024, seed=seed).by_stage
        found.append(table.groupby("stage")["hours"].sum()[list(MINUTES)].tolist())
    error = np.std(found, axis=0, ddof=1) / np.sqrt(8)
    rows = len(table)  # each rounded to 0.005 h
    assert (np.abs(np.mean(found, axis=0) - expected) < 4 * error + 0.005 * rows).all()
    assert (0.005 * rows < 0.03 * expected).all()


ORDERS = [("A", "2027-W02", 60), ("A", "2027-W04", 40)]
CELLS = {"acclimatisation": (1, 3), "growing on": (4, 5, 6, 7, 9), "grading": (9, 11, 13, 15, 17)}  # weeks after first


def test_plants_entering_each_stage_by_week_are_those_counted_plant_by_plant():
    """Within 4 standard errors of the difference; the engine's own is taken from eight seeds."""
    plan, replicates = CLOCKS["weeks"], 20_000
    rng = np.random.default_rng(1)
    names = list(MINUTES)
    counted = np.zeros((len(names), plan.weeks, replicates))
    for batch in draw(plan, ORDERS, replicates, rng):
        shape = (replicates, batch.plants)
        vigour, alive, time = rng.standard_normal(shape), np.ones(shape, dtype=bool), np.full(shape, float(batch.start))
        for k in range(len(names)):
            at = np.floor(time + 1e-9).astype(int)
            for week in range(plan.weeks):
                counted[k, week] += (alive & (at == week)).sum(axis=1)
            alive &= rng.random(shape) < batch.survival[k][:, None]
            time = time + batch.weeks[k][:, None] * np.exp(batch.log_sd[k] * vigour)
    told = []
    for seed in range(1, 9):
        outcome = forecast.simulate(plan, ORDERS, draws=1024, seed=seed)
        told.append(sum(entering(outcome, batch) for batch in outcome.batches).mean(axis=2))
    error = np.hypot(np.std(told, axis=0, ddof=1) / np.sqrt(8), counted.std(axis=2, ddof=1) / np.sqrt(replicates))
    gap = np.abs(np.mean(told, axis=0) - counted.mean(axis=2))
    for name, weeks in CELLS.items():
        for week in weeks:
            k = names.index(name)
            assert counted[k, week].mean() > 0.5
            assert gap[k, week] < 4 * error[k, week], (name, week)


def test_nine_weeks_in_ten_have_hours_between_low_and_high():
    """One batch, one stage with work and no spread of time: hours are a Beta's quantiles times minutes and plants."""
    plan = season([stage("arrival", **beta_spread(12.0, 3.0)), stage(typical=5, survival=1, minutes=6)])
    weekly = work(plan, [("A", "2027-W03", 1000)], draws=8192).table().set_index("week").loc["2027-W03"]
    for name, q in (("p5", 0.05), ("median", 0.5), ("p95", 0.95)):
        right = stats.beta(12, 3).ppf(q)
        error = np.sqrt(q * (1 - q) / 8192) / stats.beta(12, 3).pdf(right)  # of a quantile of plain draws
        assert abs(weekly[name] - 100 * right) < 100 * 3 * error


def made_up(weekly, by_stage):
    """Hours that are written by hand: low, middle and high by week, and hours by week and stage."""
    weeks = pd.DataFrame(weekly, columns=["p5", "median", "p95"])
    weeks.insert(0, "week", [f"2027-W{i + 1:02d}" for i in range(len(weekly))])
    return Hours(weeks, pd.DataFrame(by_stage, columns=["week", "stage", "hours"]))


@pytest.mark.parametrize(
    ("hours", "stage", "share"),
    [((6.0, 6.0), "arrival", 1 / 2), ((6.0, 6.1), "grading", 6.1 / 12.1), ((4.0, 5.0, 3.0), "grading", 5 / 12)],
)
def test_the_stage_that_takes_most_of_the_busiest_week_and_its_share(hours, stage, share):
    rows = [("2027-W01", name, one) for name, one in zip(("arrival", "grading", "potting"), hours, strict=False)]
    found = made_up([(10.0, 12.0, 14.0), (9.0, 12.0, 13.0)], [*rows, ("2027-W02", "potting", 90.0)])
    busy = found.busiest()
    assert (busy["week"], busy["stage"], busy["share"]) == ("2027-W01", stage, pytest.approx(share))


def test_the_busiest_week_has_the_greatest_middle_then_the_greatest_high_and_comes_first():
    weekly = [(0.0, 1.0, 9.0), (0.0, 1.2, 2.0), (0.0, 1.2, 3.0), (1.0, 1.2, 3.0)]
    assert made_up(weekly, []).busiest()["week"] == "2027-W03"


def test_the_tables_of_work_hold_hundredths_of_hours_and_whole_plants():
    """333.7 plants enter, 7 minutes each: 38.9317 hours."""
    plan = season([stage("arrival", survival=0.3337), stage(typical=3, survival=1, minutes=7)], weeks=4)
    found = work(plan, [("A", "2027-W02", 1000)])
    right = [
        ("2027-W02", "arrival", 1000.0, 1000.0, 1000.0, 0.0),
        ("2027-W02", "acclimatisation", 334.0, 334.0, 334.0, 38.93),
    ]
    columns = ["week", "stage", "p5", "median", "p95", "hours"]
    pd.testing.assert_frame_equal(found.by_stage, pd.DataFrame(right, columns=columns))
    hours = [0.0, 38.93, 0.0, 0.0]
    weeks = [f"2027-W{i:02d}" for i in range(1, 5)]
    pd.testing.assert_frame_equal(
        found.table(), pd.DataFrame({"week": weeks, "p5": hours, "median": hours, "p95": hours})
    )


def test_a_stage_is_reported_in_weeks_in_which_more_than_half_a_plant_enters_it_in_some_draw():
    rows = [stage("arrival", survival=0.5), stage("potting", survival=1), stage("grading", survival=1)]
    assert work(season(rows), [("A", "2027-W02", 1)]).by_stage["stage"].tolist() == ["arrival"]
    more = work(season([rows[0] | {"survival": 0.51}, *rows[1:]]), [("A", "2027-W02", 1)]).by_stage
    assert more["stage"].tolist() == ["arrival", "potting", "grading"]


def test_without_orders_there_are_no_plants_and_no_hours():
    outcome = forecast.reforecast(season(SURE, weeks=3), Records(), on_date="2027-01-05", draws=8, seed=1).outcome
    found = hours_of_work(outcome)
    assert found.busiest()["stage"] == ""
    assert found.by_stage.columns.tolist() == ["week", "stage", "p5", "median", "p95", "hours"]
    assert found.by_stage.empty
    assert found.table().to_numpy().tolist() == [[f"2027-W{i:02d}", 0, 0, 0] for i in (1, 2, 3)]
