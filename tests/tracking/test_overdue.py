"""Plants that stand in a stage which all should have left by now, by hand: no two plants or batches differ."""

from datetime import date

import pytest
from small_seasons import season, stage

from forecast.records.batches import BatchRecord, CountRecord
from forecast.records.records import Records
from forecast.tracking.reforecasting import reforecast

ROUTE = [
    stage(typical=4, survival=1),
    stage("growing on", typical=6, survival=1, plants_per_m2=50),
    stage("hardening", typical=3, survival=1, plants_per_m2=25),
]
DELIVERED = date(2027, 1, 18)  # W03
BATCH = BatchRecord(batch="B", variety="A", lab="Lab", delivered=DELIVERED, ordered=100, received=100)


def forecast_from(*counts, day):
    rows = [
        CountRecord(batch="B", date=on, stage=where, **({"transferred": 0, "saleable": 0, "losses": 0} | cells))
        for on, where, cells in counts
    ]
    made = season(ROUTE, orders=[{"variety": "A", "week": "2027-W03", "quantity": 100, "lab": "Lab"}])
    return reforecast(made, Records(batches=[BATCH], counts=rows), on_date=day, draws=16, seed=1).outcome


def ready(outcome):
    """Return the week in which all hundred become saleable at once."""
    table = outcome.table("A").set_index("week")["median"]
    assert set(table) == {0, 100}
    return table[table == 100].index[0]


def test_plants_that_keep_to_time_are_ready_thirteen_weeks_after_delivery():
    seen = (date(2027, 2, 1), "acclimatisation", {"alive": 100})
    assert ready(forecast_from(seen, day=date(2027, 2, 1))) == "2027-W16"


@pytest.mark.parametrize(
    ("day", "week"),
    [(date(2027, 3, 1), "2027-W18"), (date(2027, 3, 2), "2027-W19"), (date(2027, 3, 15), "2027-W20")],
)
def test_plants_overdue_in_a_stage_leave_it_when_they_are_counted_and_need_all_of_the_later_stages(day, week):
    """Counted on a Monday (the 1st and 15th), they need nine weeks from then on; on a Tuesday, until one."""
    outcome = forecast_from((day, "acclimatisation", {"alive": 100}), day=day)
    assert ready(outcome) == week


def test_plants_overdue_in_the_last_stage_are_saleable_from_the_day_on():
    day = date(2027, 6, 7)  # W23
    first = (date(2027, 2, 15), "acclimatisation", {"alive": 100, "transferred": 100})
    second = (date(2027, 3, 29), "growing on", {"alive": 100, "transferred": 100})
    outcome = forecast_from(first, second, (day, "hardening", {"alive": 100}), day=day)
    assert ready(outcome) == "2027-W23"


def test_plants_overdue_are_on_the_bench_of_the_stage_that_they_go_on_to():
    """A hundred at 50 to the square metre take 2 for six weeks, then at 25 they take 4."""
    day = date(2027, 3, 1)  # W09
    (area,) = forecast_from((day, "acclimatisation", {"alive": 100}), day=day).drawn.area()[0].mean(axis=-1)
    assert area[8:14] == pytest.approx([2] * 6)
    assert area[14:17] == pytest.approx([4] * 3)


def running(*target):
    """Of two deliveries one came, and all of it stands overdue in its first stage on a Monday."""
    orders = [
        {"variety": "A", "week": week, "quantity": quantity, "lab": "Lab"}
        for week, quantity in (("2027-W03", 100), ("2027-W04", 30))
    ]
    rows = [{"variety": "A", "week": week, "target": number} for week, number in target]
    made = season(ROUTE, orders=orders, targets=rows)
    seen = CountRecord(
        batch="B", date=date(2027, 3, 1), stage="acclimatisation", alive=100, transferred=0, saleable=0, losses=0
    )
    records = Records(batches=[BATCH], counts=[seen])
    return reforecast(made, records, on_date="2027-03-01", draws=16, seed=1)


def test_what_is_missing_is_topped_up_in_time_to_grow_for_thirteen_weeks():
    (order,) = running(("2027-W24", 120)).top_up()
    assert (order.quantity, str(order.week), order.cost, order.chance) == (20, "2027-W11", 20, 1)
    late = running(("2027-W21", 120)).top_up()
    assert len(late) == 0
    assert "2027-W22" in str(late.unmet[0])
    assert len(running(("2027-W21", 100)).top_up()) == 0
    assert running(("2027-W21", 100)).top_up().unmet == ()
