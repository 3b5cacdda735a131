"""Orders in whatever form they are given say the same; what is no order is named by its row."""

import re

import pandas as pd
import pytest
from small_seasons import season, stage

import forecast
from forecast import Refused
from forecast.season.rows import Delivery

PLAN = season(
    [stage(typical=4, survival=0.8, survival_sd=0.1)],
    varieties=("A", "B"),
    targets=[{"variety": "A", "week": "2027-W20", "target": 40}],
)
ROWS = [("A", "2027-W05", 50, "Lab"), ("B", "2027-W06", 30, "Lab")]
CELLS = [dict(zip(("variety", "week", "quantity", "lab"), row, strict=True)) for row in ROWS]


def told(orders):
    outcome = forecast.simulate(PLAN, orders, draws=16, seed=1)
    return [(batch.variety, str(batch.week), batch.quantity, batch.lab) for batch in outcome.batches]


@pytest.mark.parametrize(
    "orders",
    [
        ROWS,
        [list(row) for row in ROWS],
        CELLS,
        [Delivery(**row) for row in CELLS],
        pd.DataFrame(CELLS),
        pd.DataFrame([row | {"remark": "by boat", "price": 3.5} for row in CELLS]),
        iter(ROWS),
    ],
    ids=["tuples", "lists", "dicts", "deliveries", "frame", "frame with more", "iterator"],
)
def test_every_form_gives_the_same_batches(orders):
    assert told(orders) == ROWS


def test_an_empty_cell_of_a_frame_is_a_lab_that_is_not_said():
    frame = pd.DataFrame([CELLS[0], {key: cell for key, cell in CELLS[1].items() if key != "lab"}])
    assert told(frame) == [ROWS[0], (*ROWS[1][:3], None)]
    assert told([row[:3] for row in ROWS]) == [(*row[:3], None) for row in ROWS]


def test_one_order_that_was_sized_and_several_are_orders():
    order = forecast.size_order(PLAN, "A", draws=16, seed=1)
    expected = [("A", str(order.week), order.quantity, "Lab")]
    assert told(order) == told([order]) == told(forecast.size_orders(PLAN, draws=16, seed=1)) == expected


def test_what_is_no_order_is_refused_with_its_row_and_all_at_once():
    bad = [
        ROWS[0],
        ("A", "2027-W05"),
        ("Z", "2027-W05", 5),
        ("A", "2029-W05", 5),
        "A,2027-W05,5",
        ("A", "2027-W05", -5),
    ]
    with pytest.raises(Refused) as caught:
        forecast.simulate(PLAN, bad, draws=16, seed=1)
    faults = caught.value.faults
    assert {fault.row for fault in faults} == {2, 3, 4, 5, 6}
    assert {fault.table for fault in faults} == {"orders"}
    text = str(caught.value)
    for said in ("not an order. Give variety, week of delivery and quantity", "outside the season", "no such variety"):
        assert said in text


def test_a_frame_without_its_columns_is_refused():
    with pytest.raises(Refused, match=re.escape("quantity")):
        forecast.simulate(PLAN, pd.DataFrame(CELLS).drop(columns="quantity"), draws=16, seed=1)


def test_nothing_ordered_is_refused():
    for orders in ([], pd.DataFrame(columns=["variety", "week", "quantity"])):
        with pytest.raises(Refused):
            forecast.simulate(PLAN, orders, draws=16, seed=1)


def test_orders_of_one_lab_and_week_are_delivered_together_and_others_apart():
    rows = [
        ("A", "2027-W05", 50, "Lab"),
        ("A", "2027-W05", 30, "Lab"),
        ("A", "2027-W05", 7),
        ("A", "2027-W06", 9, "Lab"),
    ]
    assert told(rows) == [
        ("A", "2027-W05", 7, None),
        ("A", "2027-W05", 80, "Lab"),
        ("A", "2027-W06", 9, "Lab"),
    ]
