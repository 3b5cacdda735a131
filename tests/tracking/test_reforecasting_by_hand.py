"""A running season cell by cell where it is known by hand: no plants differ, few are lost."""

from datetime import date, timedelta

import numpy as np
import pytest
from refusals import refused
from small_seasons import offer, season, stage

import forecast
from forecast.records.batches import BatchRecord, CountRecord
from forecast.records.records import Records
from forecast.records.weather_rows import WeatherRecord
from forecast.tracking.evidence import StageEvidence
from forecast.tracking.reforecasting import _evidence, narrowing, reforecast
from forecast.words import records as words

FEW = {"draws": 16, "seed": 1}
ROUTE = [stage(typical=4, survival=1), stage("growing on", typical=6, survival=1)]
ORDERS = [
    {"variety": "B", "week": "2027-W04", "quantity": 60, "lab": "Lab"},
    {"variety": "A", "week": "2027-W03", "quantity": 100, "lab": "Lab"},
    {"variety": "A", "week": "2027-W06", "quantity": 80},
]
WANTED = [{"variety": "A", "week": "2027-W20", "target": 170}, {"variety": "B", "week": "2027-W20", "target": 1_500}]


def plan(route=ROUTE, **cells):
    return season(route, **({"varieties": ("A", "B"), "orders": ORDERS, "targets": WANTED} | cells))


def came(name, variety, day, ordered, **cells):
    rows = {"batch": name, "variety": variety, "lab": "Lab", "delivered": day, "ordered": ordered, "received": ordered}
    return BatchRecord(**(rows | cells))


def count(name, day, where, alive, transferred=0, saleable=0, losses=0):
    rows = {"transferred": transferred, "saleable": saleable, "losses": losses}
    return CountRecord(batch=name, date=day, stage=where, alive=alive, **rows)


FIRST = came("N1", "A", "2027-01-19", 100)  # the Tuesday of W03
COUNTS = [
    count("N1", "2027-02-16", "acclimatisation", 90, transferred=70, losses=10),  # a Tuesday
    count("N1", "2027-02-24", "acclimatisation", 19, transferred=9, losses=1),  # a Wednesday
    count("N1", "2027-03-04", "growing on", 79, saleable=30),  # a Thursday
]


def test_plants_are_where_they_were_counted_last_since_the_day_they_came_there():
    records = Records(batches=[FIRST], counts=COUNTS)
    made = plan(orders=[*ORDERS[:2], ORDERS[2] | {"week": "2027-W12"}, ORDERS[0] | {"week": "2027-W13"}])
    found = reforecast(made, records, on_date="2027-03-07", **FEW)
    assert found.cohorts.columns.tolist() == ["variety", "batch", "stage", "entered", "counted", "plants"]
    assert found.cohorts.to_numpy().tolist() == [
        ["A", "N1", "acclimatisation", date(2027, 1, 19), date(2027, 2, 24), 10],
        ["A", "N1", "growing on", date(2027, 2, 24), date(2027, 3, 4), 9],
        ["A", "N1", "growing on", date(2027, 2, 16), date(2027, 3, 4), 40],
        ["A", "N1", "saleable", date(2027, 3, 4), date(2027, 3, 4), 30],
        ["A", "", "", date(2027, 3, 22), None, 80],
        ["B", "", "", date(2027, 3, 29), None, 60],
    ]
    assert [str(batch.week) for batch in found.outcome.batches] == [
        *("2027-W08", "2027-W09", "2027-W09", "2027-W10", "2027-W12", "2027-W13"),
    ]
    numbers = [(batch.variety, batch.number) for batch in found.outcome.batches]
    assert len(set(numbers)) == len(numbers)
    assert [(row.variety, str(row.week), row.quantity) for row in found.overdue] == [("B", "2027-W04", 60)]
    assert found.outcome.begun


def test_plants_are_ready_when_the_rest_of_their_time_is_over():
    """Forty entered on Tuesday the 16th of February for six weeks: on hand from Monday the 5th of April (W14).

    Ten are overdue and go on when they are counted, on Wednesday the 24th; nine went on that day: both are in W15.
    """
    found = reforecast(plan(), Records(batches=[FIRST], counts=COUNTS), on_date="2027-03-07", **FEW)
    middle = found.outcome.table("A").set_index("week")["median"]
    assert middle[["2027-W09", "2027-W10", "2027-W13", "2027-W14", "2027-W15"]].tolist() == [0, 30, 30, 70, 89]


def test_it_is_shown_target_by_target_with_overdue_deliveries():
    made = plan(orders=[ORDERS[1], {"variety": "B", "week": "2027-W03", "quantity": 1_400, "lab": "Lab"}])
    made = made.replace(orders=[*made.orders, {"variety": "B", "week": "2027-W30", "quantity": 1_600, "lab": "Lab"}])
    made = made.replace(targets=[*made.targets, {"variety": "B", "week": "2027-W05", "target": 5}])
    found = reforecast(made, Records(batches=[FIRST]), on_date="2027-02-01", **FEW)
    same = {"p5": 0, "median": 0, "p95": 0, "chance": 0}
    assert str(found).splitlines() == [
        "On 2027-02-01:",
        words.expected(
            same | {"variety": "A", "week": "2027-W20", "target": 170} | dict.fromkeys(("p5", "median", "p95"), 100)
        ),
        words.expected({"variety": "B", "week": "2027-W05", "target": 5} | same),
        words.expected({"variety": "B", "week": "2027-W20", "target": 1500} | same),
        words.overdue(variety="B", lab="Lab", week="2027-W03", quantity=1400, to_come=1400),
    ]
    assert found.targets("B").index.tolist() == [0, 1]
    later = reforecast(made, Records(batches=[FIRST]), on_date="2027-02-08", **FEW)
    assert later.targets("B")["week"].tolist() == ["2027-W20"]


def test_it_is_shown_in_a_line_and_as_the_table_of_its_targets():
    found = reforecast(plan(), Records(), on_date="2027-01-05", **FEW)
    assert repr(found) == "Reforecast(season=test, on_date=2027-01-05, draws=16, seed=1)"
    assert found.table().equals(found.targets())
    usual = reforecast(plan(), Records(), on_date="2027-01-05", draws=16)
    assert usual.outcome.streams.seed == plan().seed


# --- which order a delivery belongs to


def awaited(*rows, day="2027-03-20", orders=ORDERS):
    """Return the orders that are counted as still to come, and those that did not come."""
    found = reforecast(plan(orders=orders), Records(batches=rows), on_date=day, **FEW)
    coming = found.cohorts[found.cohorts["batch"] == ""]
    missing = [(row.variety, str(row.week), row.quantity) for row in found.overdue]
    return list(zip(coming["variety"], coming["plants"], strict=True)), missing


@pytest.mark.parametrize("weeks", [-4, -3, -2, -1, 0, 1, 2, 3, 6])
def test_a_delivery_belongs_to_the_order_of_its_variety_and_lab_whatever_its_week(weeks):
    order = [{"variety": "A", "week": "2027-W05", "quantity": 80, "lab": "Lab"}]
    row = came("N1", "A", date(2027, 2, 1) + timedelta(7 * weeks), 80)
    assert awaited(row, orders=order) == ([], [])


@pytest.mark.parametrize("days", [-7, 0, 7])
def test_of_another_number_the_rest_is_still_to_come_whatever_the_week(days):
    order = [{"variety": "A", "week": "2027-W05", "quantity": 80, "lab": "Lab"}]
    row = came("N1", "A", date(2027, 2, 1) + timedelta(days), 70)
    assert awaited(row, orders=order) == ([], [("A", "2027-W05", 10)])
    assert awaited(row, orders=order, day="2027-02-07") == ([("A", 80 if days > 0 else 10)], [])


def test_each_delivery_belongs_to_one_order_the_nearest_first():
    """Of three orders of 80 a week apart the delivery of the second week is that of the second."""
    orders = [{"variety": "A", "week": f"2027-W0{k}", "quantity": 80, "lab": "Lab"} for k in (4, 5, 6)]
    assert awaited(came("N1", "A", "2027-02-01", 80), orders=orders) == (
        [],
        [("A", "2027-W04", 80), ("A", "2027-W06", 80)],
    )
    both = [came("N1", "A", "2027-02-01", 80), came("N2", "A", "2027-02-02", 80)]
    assert awaited(*both, orders=orders) == ([], [("A", "2027-W06", 80)])


def test_a_delivery_of_another_variety_or_lab_is_not_that_order():
    other_lab = [offer("A"), offer("A", lab="Other lab"), offer("B")]
    orders = [{"variety": "A", "week": "2027-W05", "quantity": 80, "lab": "Lab"}]
    for row in (came("N1", "B", "2027-02-01", 80), came("N1", "A", "2027-02-01", 80, lab="Other lab")):
        found = reforecast(
            plan(orders=orders, price_list=other_lab), Records(batches=[row]), on_date="2027-02-10", **FEW
        )
        assert [one.quantity for one in found.overdue] == [80]
    any_lab = [{"variety": "A", "week": "2027-W05", "quantity": 80}]
    row = came("N1", "A", "2027-02-01", 80, lab="Other lab")
    found = reforecast(plan(orders=any_lab, price_list=other_lab), Records(batches=[row]), on_date="2027-02-10", **FEW)
    assert found.overdue == ()


def test_an_order_of_this_week_is_awaited_until_its_sunday():
    order = [{"variety": "A", "week": "2027-W05", "quantity": 80, "lab": "Lab"}]
    assert awaited(day="2027-02-07", orders=order) == ([("A", 80)], [])
    assert awaited(day="2027-02-08", orders=order) == ([], [("A", "2027-W05", 80)])


# --- days and waits at the edges


@pytest.mark.parametrize(("day", "fine"), [("2027-01-03", False), ("2027-01-04", True), ("2027-10-10", True),
                                           ("2027-10-11", False)])  # fmt: skip
def test_a_day_is_one_from_the_first_monday_to_the_last_sunday(day, fine):
    if fine:
        assert str(reforecast(plan(), Records(), on_date=day, **FEW).on_date) == day
        return
    assert refused(reforecast, plan(), Records(), on_date=day, **FEW) == (
        f"on_date, '{day}': outside the season. Choose a day from 2027-01-04 to 2027-10-10."
    )


def test_counts_may_be_a_quarter_of_a_year_apart_and_no_more():
    reforecast(plan(), Records(), on_date="2027-01-04", counted_every=13, **FEW)
    assert (
        refused(reforecast, plan(), Records(), on_date="2027-01-04", counted_every=13.5, **FEW)
        == "counted_every, 13.5: not a number of weeks between counts. Give a number from 0 to 13."
    )


def test_all_of_a_batch_wait_after_each_stage_any_time_up_to_the_next_count():
    """Two stages of four and six weeks, and two waits even between 0 and 4: by 14 weeks half are saleable.

    By 10 + t weeks, t up to 4, they are in t^2 / 32 of the draws; by 18 all are.
    """
    orders = [{"variety": "A", "week": "2027-W03", "quantity": 100, "lab": "Lab"}]
    made = plan(orders=orders)
    found = reforecast(made, Records(), on_date="2027-01-04", counted_every=4, draws=4096, seed=1).outcome
    week = forecast.Week.parse("2027-W03")
    for late, chance in ((0, 0), (1, 1 / 32), (2, 4 / 32), (4, 1 / 2), (6, 28 / 32), (8, 1)):
        assert found.chance("A", week=week + (10 + late), at_least=100) == pytest.approx(chance, abs=0.01)


@pytest.mark.parametrize(("weeks", "harmed"), [(1, True), (2, False)])
def test_heat_of_the_first_two_weeks_has_done_its_harm_once_they_are_over(weeks, harmed):
    """At 30 degrees each day nearly all would be lost; those that were counted after two weeks all live."""
    route = [stage(typical=8, survival=0.9, heat_above=20, heat_loss=1.0)]
    climate = [{"month": k, "t_min": 20, "t_max": 30, "year_sd": 0} for k in range(1, 13)]
    orders = [{"variety": "A", "week": "2027-W03", "quantity": 100, "lab": "Lab"}]
    made = plan(route, orders=orders, climate=climate)
    delivered = date(2027, 1, 18)
    day = delivered + timedelta(7 * weeks)
    days = [WeatherRecord(date=delivered + timedelta(k), t_min=20, t_max=30) for k in range(7 * weeks)]
    records = Records(
        batches=[came("N1", "A", delivered, 100)], counts=[count("N1", day, "acclimatisation", 100)], weather=days
    )
    found = reforecast(made, records, on_date=day, **FEW).outcome
    (batch,) = found.batches
    rest = 1 - weeks / 8
    usual = np.exp(rest * np.log(0.9))
    if harmed:
        assert (found.fate(batch).survival < 0.5 * usual).all()
    else:
        assert found.fate(batch).survival == pytest.approx(np.full(16, usual))


def test_a_forecast_narrows_with_the_plants_of_its_own_variety():
    rows = [FIRST, came("N2", "B", "2027-01-26", 60)]
    table = narrowing(
        plan(), Records(batches=rows, counts=COUNTS), "A", week="2027-W20", days=["2027-01-10", "2027-03-07"], **FEW
    )
    assert table.columns.tolist() == ["day", "p5", "median", "p95", "alive"]
    assert table.to_numpy().tolist() == [["2027-01-10", 180, 180, 180, 0], ["2027-03-07", 89, 89, 89, 89]]


# --- topping up


def top_up(day, **cells):
    """Return the top-up of a season in which 100 of 170 came, and 60 of 1,500."""
    records = Records(batches=[FIRST, came("N2", "B", "2027-01-26", 60)])
    return reforecast(plan(orders=ORDERS[:2], **cells), records, on_date=day, **FEW).top_up()


@pytest.mark.parametrize(("day", "week"), [("2027-02-15", "2027-W09"), ("2027-02-16", "2027-W10")])
def test_leads_count_from_the_first_monday_from_that_day_on(day, week):
    offers = [offer("A", lead_weeks=2, last_week=week), offer("B", lead_weeks=2, last_week=week)]
    found = top_up(day, price_list=offers)
    assert [(row.variety, row.quantity, str(row.week), row.chance) for row in found] == [
        ("A", 70, week, 1),
        ("B", 1_440, week, 1),
    ]
    assert found.unmet == ()


def test_where_one_lab_delivers_no_more_the_others_are_topped_up():
    found = top_up("2027-02-16", price_list=[offer("A", last_week="2027-W07"), offer("B", lead_weeks=2)])
    assert [row.variety for row in found] == ["B"]
    week = {"by": "2027-W20", "ordered": "2027-W08", "arrival": "2027-W08", "last": "2027-W07"}
    assert [str(one) for one in found.unmet] == [words.no_top_up(variety="A", **week)]


@pytest.mark.parametrize(("service_level", "lacking"), [(0.4, 0), (0.6, 1)])
def test_a_row_is_topped_up_to_its_own_confidence(service_level, lacking):
    """Half of the draws wait less than four weeks in all, as above, and have enough by week 17."""
    target = [{"variety": "A", "week": "2027-W17", "target": 100, "promised": service_level}]
    made = plan(orders=ORDERS[1:2], targets=target)
    found = reforecast(made, Records(), on_date="2027-01-04", counted_every=4, draws=256, seed=1)
    assert found.targets()["chance"].tolist() == pytest.approx([0.5], abs=0.05)
    assert len(found.top_up()) + len(found.top_up().unmet) == lacking


def test_plants_that_were_not_counted_since_they_came_are_in_the_stage_after_arrival():
    made = plan([stage("arrival", survival=1), stage("growing on", typical=6, survival=1)], orders=[])
    found = reforecast(made, Records(batches=[FIRST]), on_date="2027-01-24", **FEW)
    assert found.cohorts.to_numpy().tolist() == [["A", "N1", "growing on", date(2027, 1, 19), date(2027, 1, 19), 100]]


def test_of_plants_that_came_those_alive_have_survived_arrival_and_those_not_received_have_not():
    made = plan([stage("arrival"), stage("growing on", typical=6)])
    batch = came("N1", "A", "2027-01-19", 100, received=90, dead_on_arrival=10)
    assert list(_evidence(made, batch, [])) == [StageEvidence("arrival", 20, 80, 0, ())]
