"""What was ordered and not yet arrived, and what arrived, against books kept plant by plant."""

from datetime import date, timedelta

import pytest
from ordered_plants import Ledger, nursery
from small_seasons import offer, season, stage

import forecast
from forecast.records.batches import BatchRecord
from forecast.records.records import Records
from forecast.tracking.reforecasting import reforecast
from forecast.words import records as words

FEW = {"draws": 16, "seed": 1}
ROUTE = [stage(typical=4, survival=1), stage("growing on", typical=6, survival=1)]
LABS = [offer(variety, lab=lab, last_week="2027-W40") for variety in "AB" for lab in ("Lab", "Other lab")]
TARGETS = [{"variety": "A", "week": "2027-W40", "target": 800}]
W10 = date(2027, 3, 8)


def running(book, day, **cells):
    """Return the forecast of a ledger's season on a day."""
    orders = [{name: cell for name, cell in row.items() if name != "monday"} for row in book.orders]
    made = season(ROUTE, varieties=("A", "B"), orders=orders, price_list=LABS, **({"targets": TARGETS} | cells))
    records = Records(batches=[BatchRecord(**row) for row in book.batches])
    return reforecast(made, records, on_date=day, **FEW)


def counted(found):
    """Return plants that came, that are still expected, and that are overdue."""
    came = found.cohorts[found.cohorts["batch"] != ""]["plants"].sum()
    expected = found.cohorts[found.cohorts["batch"] == ""]["plants"].sum()
    return came, expected, sum(row.quantity for row in found.overdue)


def of_one_order(*batches, number=1000):
    """Return the ledger of an order for 2027-W10, of which so many plants came (and extra ones) weeks late."""
    book = Ledger()
    order = book.order("A", W10, number, "Lab")
    for weeks, came, extra in batches:
        book.send(order, W10 + timedelta(weeks=weeks), came, extra=extra)
    return book


def agrees(book, day, found):
    """Whether a forecast counts the plants that a ledger holds."""
    came, lacking = book.there(day), book.lacking(day)
    expected, overdue = (sum(plants for plants, late in lacking if late is over) for over in (False, True))
    return counted(found) == (came, expected, overdue)


@pytest.mark.parametrize("weeks", [-2, -1, 0, 1, 2, 7])
def test_a_batch_of_another_week_and_number_is_not_counted_twice(weeks):
    """Of 1,000 ordered 600 came: 1,000 in all, not 1,600."""
    book = of_one_order((weeks, 600, 0))
    day = max(W10, book.batches[0]["delivered"])
    found = running(book, day)
    assert agrees(book, day, found)
    assert sum(counted(found)) == 1000
    forecast_of = found.outcome.table("A").set_index("week")["median"]["2027-W40"]
    assert forecast_of == (1000 if weeks <= 0 else 600)


def test_an_order_in_two_parts_is_complete_when_both_came():
    book = of_one_order((-1, 600, 0), (2, 400, 0))
    for weeks, numbers in ((-2, (0, 1000, 0)), (-1, (600, 400, 0)), (0, (600, 400, 0)), (1, (600, 0, 400)),
                           (2, (1000, 0, 0))):  # fmt: skip
        day = W10 + timedelta(weeks=weeks)
        found = running(book, day)
        assert counted(found) == numbers
        assert agrees(book, day, found)
    assert found.orders.drop(columns="lab").to_dict("records") == [
        {"variety": "A", "week": "2027-W10", "quantity": 1000, "batch": "N01, N02", "received": 1000, "to_come": 0,
         "state": "delivered"},
    ]  # fmt: skip


def test_what_is_left_of_an_order_is_overdue_when_its_week_is_over_and_not_before():
    book = of_one_order((0, 600, 0))
    sunday = W10 + timedelta(6)
    assert running(book, sunday).orders["state"].tolist() == ["expected"]
    late = running(book, sunday + timedelta(1))
    assert late.orders[["received", "to_come", "state"]].to_numpy().tolist() == [[600, 400, "overdue"]]
    assert "400 of the 1,000 plants of A from Lab due 8 Mar 2027 (2027-W10) have not arrived" in str(late)


def test_more_than_ordered_are_alive_and_take_nothing_from_the_next_order():
    book = of_one_order((0, 1000, 50))
    second = book.order("A", W10 + timedelta(weeks=2), 500, "Lab")
    assert counted(running(book, W10)) == (1050, 500, 0)
    book.send(second, W10 + timedelta(weeks=3), 500)
    assert counted(running(book, W10 + timedelta(weeks=3))) == (1550, 0, 0)


@pytest.mark.parametrize(("first", "second"), [(0, 0), (-1, 0), (0, 1), (1, 1), (0, -1)])
def test_two_orders_of_a_variety_from_a_lab_two_weeks_apart_each_have_their_batch(first, second):
    book = of_one_order((first, 1000, 0))
    later = book.order("A", W10 + timedelta(weeks=2), 700, "Lab")
    day = W10 + timedelta(weeks=max(first, 0))
    assert counted(running(book, day)) == (1000, 700, 0)
    book.send(later, W10 + timedelta(weeks=2 + second), 700)
    end = W10 + timedelta(weeks=2 + max(second, 0))
    found = running(book, end)
    assert counted(found) == (1700, 0, 0)
    assert found.orders["batch"].tolist() == ["N01", "N02"]


def test_two_orders_that_come_as_one_batch_are_both_delivered():
    book = Ledger()
    for weeks in (0, 2):
        book.order("A", W10 + timedelta(weeks=weeks), 500, "Lab")
    book.batches = [{"batch": "N1", "variety": "A", "lab": "Lab", "delivered": W10, "ordered": 1000, "received": 990}]
    found = running(book, W10)
    assert counted(found) == (990, 0, 0)
    assert found.orders["received"].tolist() == [500, 490]


@pytest.mark.parametrize("other", [{"variety": "B"}, {"lab": "Other lab"}])
def test_a_batch_of_another_variety_or_lab_is_no_order_until_it_is_named(other):
    book = of_one_order((0, 1000, 0))
    book.batches[0] |= other
    found = running(book, W10)
    assert counted(found) == (1000, 1000, 0)
    assert [row.batch for row in found.matched.unordered] == ["N01"]
    assert "Batch N01" in str(found)
    late = running(book, W10 + timedelta(weeks=1))
    assert counted(late) == (1000, 0, 1000)
    assert "Batch N01" in str(late)
    assert "The 1,000 plants of A from Lab due" in str(late)
    book.orders[0]["order"] = book.batches[0]["order"] = "4711"
    named = running(book, W10)
    assert counted(named) == (1000, 0, 0)
    assert str(named).count("\n") == 1  # the day, and the target


def test_a_batch_that_names_an_order_is_of_that_and_not_of_the_nearest():
    book = Ledger()
    for weeks, name in ((0, "4711"), (2, "4712")):
        book.order("A", W10 + timedelta(weeks=weeks), 500, "Lab", name)
    book.send(1, W10, 500, named=True)
    day = W10 + timedelta(weeks=1)
    found = running(book, day)
    assert agrees(book, day, found)
    assert found.orders["batch"].tolist() == ["", "N01"]
    assert [str(row.week) for row in found.overdue] == ["2027-W10"]


def test_a_batch_that_names_an_order_that_there_is_not_is_said():
    book = of_one_order((0, 1000, 0))
    book.batches[0]["order"] = "4711"
    found = running(book, W10)
    assert counted(found) == (1000, 1000, 0)
    assert "names the order 4711" in str(found)


@pytest.mark.parametrize("named", [False, True])
@pytest.mark.parametrize("seed", range(12))
def test_every_plant_is_counted_once_on_any_day(seed, named):
    book = nursery(seed, named=named)
    for weeks in (2, 5, 9, 14, 22):
        day = date(2027, 1, 4) + timedelta(weeks=weeks, days=seed % 7)
        found = running(book, day)
        assert agrees(book, day, found)
        rows = sorted((row["variety"], row["week"], row["lab"], plants) for row, (plants, _) in
                      zip(book.orders, book.lacking(day), strict=True))  # fmt: skip
        table = found.orders.sort_values(["variety", "week", "lab"])
        assert list(table[["variety", "week", "lab", "to_come"]].itertuples(index=False, name=None)) == rows
        came, expected, _ = counted(found)
        medians = [found.outcome.table(name)["median"].iloc[-1] for name in found.outcome.varieties]
        assert sum(medians) == came + expected


# An overdue order and its target


def test_a_target_of_which_all_plants_are_overdue_stays_in_the_table():
    """It was left out, without a word."""
    found = running(of_one_order(), W10 + timedelta(weeks=1))
    assert found.table()[["variety", "week", "target", "chance"]].to_numpy().tolist() == [["A", "2027-W40", 800, 0]]
    assert found.orders["state"].tolist() == ["overdue"]


def test_so_does_a_target_of_which_nothing_was_ordered():
    found = running(of_one_order(), W10, targets=[*TARGETS, {"variety": "B", "week": "2027-W40", "target": 5}])
    assert found.table()["variety"].tolist() == ["A", "B"]


def test_a_top_up_does_without_overdue_plants_and_says_what_they_would_change():
    found = running(of_one_order(), W10 + timedelta(weeks=1))
    top_up = found.top_up()
    assert [(row.variety, row.quantity) for row in top_up] == [("A", 800)]
    (awaited,) = top_up.awaited
    assert (awaited.quantity, str(awaited.arrives), awaited.target, awaited.chance) == (1000, "2027-W11", 800, 1)
    assert words.awaited(**awaited._asdict()) in str(top_up)
    assert str(top_up).endswith(words.ASK_FIRST)
    assert running(of_one_order((0, 1000, 0)), W10 + timedelta(weeks=1)).top_up().awaited == ()


def test_what_overdue_plants_would_change_is_what_a_forecast_says_on_the_day_they_come():
    """Acclimatisation varies by batch, so the chance is one between none and all."""
    route = [stage(typical=4, survival=0.8, survival_sd=0.1), ROUTE[1]]
    orders = [{"variety": "A", "week": "2027-W10", "quantity": 1000, "lab": "Lab"}]
    made = season(route, orders=orders, targets=TARGETS)
    late = W10 + timedelta(weeks=1)
    (awaited,) = reforecast(made, Records(), on_date=late, draws=512, seed=1).top_up().awaited
    came = BatchRecord(batch="N1", variety="A", lab="Lab", delivered=late, ordered=1000, received=1000)
    there = reforecast(made, Records(batches=[came]), on_date=late, draws=512, seed=1)
    assert awaited.chance == there.table()["chance"].tolist()[0]
    assert 0.2 < awaited.chance < 0.8


def test_an_order_keeps_its_luck_when_it_comes_late_or_in_part():
    """The second order is forecast the same, draw by draw, whatever becomes of the first."""
    route = [stage(typical=4, survival=0.8, survival_sd=0.1)]
    orders = [{"variety": "A", "week": week, "quantity": 500, "lab": "Lab"} for week in ("2027-W10", "2027-W13")]
    made = season(route, orders=orders)
    cells = {"batch": "N1", "variety": "A", "lab": "Lab", "delivered": W10}
    came = [[], [BatchRecord(**cells, ordered=300, received=300)], [BatchRecord(**cells, ordered=500, received=500)]]
    shares = []
    for rows in came:
        outcome = reforecast(made, Records(batches=rows), on_date=W10 + timedelta(weeks=1), draws=64, seed=1).outcome
        (batch,) = [one for one in outcome.batches if str(one.week) == "2027-W13"]
        shares.append(outcome.fate(batch).survival.tolist())
    plain = forecast.simulate(made, draws=64, seed=1)
    usual = plain.fate(plain.batches[1]).survival.tolist()
    assert shares == [usual] * 3


def test_a_top_up_has_the_luck_of_one_more_order_of_its_variety():
    """Not that of the batch that is there, though another variety has none."""
    route = [stage(typical=4, survival=0.8, survival_sd=0.1)]
    orders = [{"variety": "A", "week": "2027-W10", "quantity": 500, "lab": "Lab"}]
    made = season(route, varieties=("A", "B"), orders=orders, targets=TARGETS)
    (order,) = reforecast(made, Records(), on_date=W10, draws=64, seed=1).top_up()
    plain = forecast.simulate(made.replace(orders=[*made.orders, order.delivery]), draws=64, seed=1)
    first, second = (plain.fate(batch).survival.tolist() for batch in plain.batches)
    assert order.case.fate(order.week).survival.tolist() == second != first
