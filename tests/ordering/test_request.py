"""The target of a call, by the season's table and by what overrides it."""

import pytest
from small_seasons import LIVE, asks, season

from forecast import Refused, Week
from forecast.ordering.request import requested
from forecast.season.targets import Target

RANGE = {"variety": "A", "week": "2027-W20", "p5": 10, "median": 20, "p95": 40, "promised": 0.8}
TWO = season([LIVE], varieties="AB", targets=[RANGE, asks(30, "2027-W24", note="for the fair")])
ONE = season([LIVE], targets=[RANGE])


@pytest.mark.parametrize(
    ("plan", "asked", "cells", "number"),
    [
        (TWO, ("A", None, "2027-W20", None), RANGE, 1),
        (TWO, ("A", None, "2027-W24", None), asks(30, "2027-W24", note="for the fair"), 2),
        (TWO, ("A", None, "2027-W24", 0.5), asks(30, "2027-W24", note="for the fair", promised=0.5), 2),
        (TWO, ("A", 15, "2027-W20", None), asks(15, promised=0.8), 1),
        (TWO, ("A", 15, "2027-W22", None), asks(15, "2027-W22"), 1),
        (TWO, ("B", 15, "2027-W01", 0.6), asks(15, "2027-W01", "B", promised=0.6), 1),
        (TWO, ("B", 15, "2027-W40", None), asks(15, "2027-W40", "B"), 1),
        (ONE, ("A", None, None, None), RANGE, 1),
        (ONE, ("A", None, "2027-W30", None), RANGE | {"week": "2027-W30"}, 1),
        (ONE, ("A", 7, None, 0.7), asks(7, promised=0.7), 1),
        (ONE, ("A", 7, Week(2027, 30), None), asks(7, "2027-W30", promised=0.8), 1),
    ],
)
def test_what_the_call_says_is_before_what_the_table_says(plan, asked, cells, number):
    assert requested(plan, *asked) == (Target(**cells), number)


@pytest.mark.parametrize(
    ("asked", "beyond", "column", "value"),
    [
        (("A", 15, None), False, "week", None),
        (("A", None, "2027-W22"), False, "week", "2027-W22"),
        (("A", 15, "2026-W53"), False, "week", "2026-W53"),
        (("A", 15, "2027-W41"), False, "week", "2027-W41"),
        (("A", 15, "2026-W53"), True, "week", "2026-W53"),
        (("C", None, None), False, "variety", "C"),
        (("B", 15, None), False, "target", 15),
        (("B", None, "2027-W20"), False, "target", None),
    ],
)
def test_a_target_that_is_not_clear_is_refused(asked, beyond, column, value):
    with pytest.raises(Refused) as refused:
        requested(TWO, *asked, None, beyond=beyond)
    (fault,) = refused.value.faults
    assert (fault.column, fault.value) == (column, value)


def test_plants_may_be_needed_after_the_season_where_it_is_said_so():
    assert requested(TWO, "A", 15, "2028-W02", None, beyond=True) == (Target(**asks(15, "2028-W02")), 1)


def test_a_target_over_weeks_is_one_of_its_first_week_and_of_two_customers_the_sum_is_asked_for():
    cells = {"channel": "retail", "price": 12}
    long = asks(30, until="2027-W24", price_end=9, waits=2, **cells)
    plan = season([LIVE], targets=[long, asks(20, channel="garden centre"), asks(5, "2027-W30")])
    with pytest.raises(Refused, match=r"several customers want A in this week\. Give target, the plants in all"):
        requested(plan, "A", None, "2027-W20", None)
    assert requested(plan, "A", 50, "2027-W20", None) == (Target(**asks(50, **cells)), 1)
    alone = plan.replace(targets=[long])
    assert requested(alone, "A", None, None, None) == (Target(**asks(30, **cells)), 1)
    assert requested(alone, "A", None, "2027-W30", None) == (Target(**asks(30, "2027-W30", **cells)), 1)
