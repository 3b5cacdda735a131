"""Which batch came of which order, and what of it is still to come."""

from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_seasons import asks, season, stage

from forecast.io.seasons import read_season, write_season
from forecast.records.batches import BatchRecord
from forecast.records.order_matching import match_orders
from forecast.records.records import Records, read_records, write_records
from forecast.season.orders import Delivery
from forecast.weeks import Week
from forecast.words import records as words

W10 = Week(2027, 10)


def order(weeks=0, quantity=100, **cells):
    return Delivery(**({"variety": "A", "week": W10 + weeks, "quantity": quantity, "lab": "Lab"} | cells))


def batch(name, weeks=0, ordered=100, received=None, **cells):
    usual = {"batch": name, "variety": "A", "lab": "Lab", "delivered": W10.monday + timedelta(weeks=weeks)}
    return BatchRecord(**(usual | {"ordered": ordered, "received": ordered if received is None else received} | cells))


def told(orders, *batches):
    """Return of each order the names of its batches with their plants, and what is to come; and batches of none."""
    found = match_orders(orders, batches)
    rows = [({row.batch: plants for row, plants in one.batches}, one.to_come) for one in found.orders]
    return rows, [row.batch for row in found.unordered]


def test_the_nearest_week_of_the_same_variety_and_lab():
    orders = [order(0), order(3), order(3, variety="B"), order(3, lab="Other lab")]
    assert told(orders, batch("N1", 2)) == ([({}, 100), ({"N1": 100}, 0), ({}, 100), ({}, 100)], [])


def test_of_two_equally_near_orders_the_one_of_its_number_and_then_the_earlier():
    assert told([order(0, 200), order(2, 100)], batch("N1", 1)) == ([({}, 200), ({"N1": 100}, 0)], [])
    assert told([order(0), order(2)], batch("N1", 1)) == ([({"N1": 100}, 0), ({}, 100)], [])


def test_a_lab_that_is_not_written_down_fits_any_if_none_fits_better():
    assert told([order(lab=None)], batch("N1")) == ([({"N1": 100}, 0)], [])
    assert told([order()], batch("N1", lab=None)) == ([({"N1": 100}, 0)], [])
    assert told([order(lab=None), order()], batch("N1")) == ([({}, 100), ({"N1": 100}, 0)], [])


def test_a_batch_that_finds_nothing_to_come_is_a_part_of_an_order_that_came_short_or_of_none():
    short = batch("N1", 0, 100, 60)
    assert told([order()], short) == ([({"N1": 60}, 0)], [])
    assert told([order()], short, batch("N2", 1, 40)) == ([({"N1": 60, "N2": 40}, 0)], [])
    assert told([order()], batch("N1"), batch("N2", 1, 40)) == ([({"N1": 100}, 0)], ["N2"])
    assert told([order(), order(2)], short, batch("N2", 1)) == ([({"N1": 60}, 0), ({"N2": 100}, 0)], [])


def test_a_name_goes_before_week_lab_and_variety():
    orders = [order(0, order="4711"), order(2, order="4712"), order(2, 50, variety="B", order="4712")]
    named = batch("N1", 0, order="4712")
    assert told(orders, named) == ([({}, 100), ({"N1": 100}, 0), ({}, 50)], [])
    assert told(orders, named.replace(lab="Other lab"))[0][1] == ({"N1": 100}, 0)
    assert told(orders, named.replace(variety="B", ordered=50, received=50))[0][2] == ({"N1": 50}, 0)
    assert told(orders, named.replace(variety="C"))[1] == []
    assert told(orders, named.replace(order="4713")) == ([({}, 100), ({}, 100), ({}, 50)], ["N1"])
    second = batch("N2", 2, order="4712")
    assert told(orders, named, second) == ([({}, 100), ({"N1": 100, "N2": 100}, 0), ({}, 50)], [])


def test_a_batch_that_names_an_order_that_has_come_is_more_of_it():
    orders = [order(0, order="4711"), order(2)]
    rows = batch("N1", order="4711"), batch("N2", 1, 30, order="4711")
    assert told(orders, *rows) == ([({"N1": 100, "N2": 30}, 0), ({}, 100)], [])


def test_orders_of_one_name_lab_and_week_are_one():
    assert told([order(), order(0, 50)], batch("N1", 0, 150)) == ([({"N1": 150}, 0)], [])


@pytest.mark.parametrize(("ordered", "received", "to_come"), [(60, 60, 40), (100, 60, 0), (60, 100, 0), (60, 70, 30),
                                                              (0, 0, 100), (100, 0, 0), (105, 105, 0)])  # fmt: skip
def test_to_come_is_what_batches_neither_brought_nor_state_as_ordered(ordered, received, to_come):
    (one,) = match_orders([order()], [batch("N1", 0, ordered, received)]).orders
    assert one.to_come == to_come
    assert one.received + one.to_come - one.surplus == 100


def test_what_does_not_fit_is_said_once_with_its_numbers():
    due = {"variety": "A", "lab": "Lab", "week": W10, "quantity": 100}
    assert list(match_orders([order()], [batch("N1", 4)]).remarks()) == []
    assert list(match_orders([order()], [batch("N1", -5)]).remarks()) == [
        words.far_from_order(**due, batch="N1", late=-5)
    ]
    assert list(match_orders([order()], [batch("N1", 0, 100, 109)]).remarks()) == []
    assert list(match_orders([order()], [batch("N1", 0, 60)]).remarks()) == []  # 40 are to come
    assert list(match_orders([order()], [batch("N1", 0, 100, 60)]).remarks()) == [
        words.other_number(**due, batches=["N1"], received=60, surplus=-40)
    ]
    assert list(match_orders([order()], [batch("N1", 0, 100, 120)]).remarks()) == [
        words.other_number(**due, batches=["N1"], received=120, surplus=20)
    ]
    both = [batch("N1", 0, 100, 60), batch("N2", 0, 100, 40)]
    assert list(match_orders([order()], both).remarks()) == [
        words.ordered_twice(**due, batches=["N1", "N2"], ordered=200)
    ]


@pytest.mark.parametrize("received", [90, 91, 99])
def test_an_order_that_came_a_little_short_is_named_once_and_one_that_came_in_full_is_not(received):
    """Also of a few plants too few a word is said."""
    due = {"variety": "A", "lab": "Lab", "week": W10, "quantity": 100}
    assert list(match_orders([order()], [batch("N1", 0, 100, received)]).remarks()) == [
        words.came_short(**due, received=received)
    ]
    parts = [batch("N1", 0, 60), batch("N2", 1, 40, received - 60)]
    assert list(match_orders([order()], parts).remarks()) == [words.came_short(**due, received=received)]
    made_up = [batch("N1", 0, 100, received), batch("N2", 2, 100 - received)]
    assert list(match_orders([order()], made_up).remarks()) == []
    more_to_come = [batch("N1", 0, 50, received - 50)]  # of 50 ordered, and 50 are to come
    assert list(match_orders([order()], more_to_come).remarks()) == []
    assert list(match_orders([order()], []).remarks()) == []


def test_batches_of_a_season_without_orders_are_no_surprise():
    found = match_orders([], [batch("N1")])
    assert [row.batch for row in found.unordered] == ["N1"]
    assert list(found.remarks()) == []


LABS, NAMES = st.sampled_from(["Lab", "Other lab", None]), st.sampled_from([None, "4711", "4712"])
ROWS = st.tuples(st.integers(0, 6), st.integers(0, 5), LABS, st.sampled_from("AB"), NAMES)


@settings(max_examples=300, deadline=None)
@given(st.lists(ROWS, max_size=6), st.lists(st.tuples(ROWS, st.integers(0, 7)), max_size=6), st.randoms())
def test_every_plant_that_came_is_of_one_order_or_of_none_and_rows_may_be_in_any_order(orders, batches, rng):
    wanted = [order(week, 10 * n, lab=lab, variety=name, order=number) for week, n, lab, name, number in orders]
    came = [
        batch(f"N{at}", week, 10 * n, 10 * received, lab=lab, variety=name, order=number)
        for at, ((week, n, lab, name, number), received) in enumerate(batches)
    ]
    found = match_orders(wanted, came)
    of_orders = sum(one.received for one in found.orders) + sum(row.received for row in found.unordered)
    assert of_orders == sum(row.received for row in came)
    assert all(0 <= one.to_come <= one.order.quantity for one in found.orders)
    assert sum(one.order.quantity for one in found.orders) == sum(row.quantity for row in wanted)
    matched = {row.batch for one in found.orders for row, _ in one.batches}
    assert matched.isdisjoint(row.batch for row in found.unordered)
    rng.shuffle(wanted)
    rng.shuffle(came)
    assert match_orders(wanted, came) == found


@pytest.mark.filterwarnings("ignore:[0-9]+ entr")
def test_names_of_orders_are_written_and_read_back(tmp_path):
    made = season([stage(typical=4)], targets=[asks(10)], orders=[order(order="4711"), order(1)])
    write_season(made, tmp_path)
    assert read_season(tmp_path).orders == made.orders
    records = Records(batches=[batch("N1", order="4711")])
    write_records(records, tmp_path)
    assert read_records(tmp_path).batches == records.batches
    unnamed = made.replace(orders=[order()])
    write_season(unnamed, tmp_path, overwrite=True)
    assert "order" not in (tmp_path / "orders.csv").read_text(encoding="utf-8").splitlines()[0].split(",")


def test_the_state_of_an_order_is_overdue_from_the_monday_after_its_week():
    (one,) = match_orders([order()], []).orders
    assert [one.state(date(2027, 3, day)) for day in (14, 15)] == ["expected", "overdue"]
    (one,) = match_orders([order()], [batch("N1")]).orders
    assert one.state(date(2027, 3, 15)) == "delivered"
