"""What an error says, and how much of it."""

import math
import pickle

import pytest

import forecast
from forecast import ForecastError, OutOfReach, Refused
from forecast.errors import Fault, faults_of, in_order, listed, problems, real, refuse


@pytest.mark.parametrize(
    ("fault", "text"),
    [
        (Fault("not above 0", "Give more."), "not above 0. Give more."),
        (Fault("not above 0", ""), "not above 0."),
        (Fault("empty", "Fill it.", "targets.csv"), "targets.csv: empty. Fill it."),
        (Fault("empty", "Fill it.", "targets.csv", 4, "week"), "targets.csv, row 4, column week: empty. Fill it."),
        (Fault("too low", "Give 1.", "season.toml", None, "seed", 0), "season.toml, seed, 0: too low. Give 1."),
        (Fault("odd", "Mend it.", value="a\tb"), "'a\\tb': odd. Mend it."),
    ],
)
def test_a_fault_says_place_value_problem_and_remedy(fault: Fault, text: str) -> None:
    assert str(fault) == text


def test_a_long_value_is_cut_in_the_message_and_kept_in_the_fault() -> None:
    error = refuse("note", "x" * 5000, "too long", "Shorten it.")
    assert len(str(error)) < 200
    assert error.faults[0].value == "x" * 5000


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ([7], "row 7"),
        ([2, 3], "rows 2 to 3"),
        ([9, 2, 3, 4], "rows 2 to 4, 9"),
        (list(range(2, 10_002)), "rows 2 to 10001"),
        (list(range(2, 30, 2)), "rows 2, 4, 6, 8, 10, 12, 14, 16, 18, 20 and 4 more"),
    ],
)
def test_rows_with_the_same_fault_share_a_line(rows: list[int], told: str) -> None:
    error = Refused([Fault("odd", "Mend it.", "targets.csv", row, "week", "W") for row in rows])
    assert str(error) == f"targets.csv, {told}, column week, 'W': odd. Mend it."
    assert len(error.faults) == len(rows)


def test_what_differs_does_not_share_a_line() -> None:
    faults = [Fault("odd", "Mend it.", "targets.csv", 2, "week", value) for value in ("1", 1, 1.0, True, None)]
    faults += [Fault("odd", "Mend it.", table, 2, "week", "1") for table in ("orders.csv", "price_list.csv")]
    assert len(str(Refused(faults)).splitlines()) == len(faults)


def test_a_table_full_of_faults_does_not_hide_those_of_another() -> None:
    many = [Fault("odd", "Mend it.", "targets.csv", row, "week", str(row)) for row in range(2, 1002)]
    lines = str(Refused([*many, Fault("gone", "Add it.", "orders.csv")])).splitlines()
    assert len(lines) == 22
    assert lines[20] == "... and 980 more in targets.csv. Correct these first."
    assert lines[21] == "orders.csv: gone. Add it."


def test_errors_are_value_errors_and_survive_being_sent_to_another_process() -> None:
    refused = refuse("weeks", 0, "too few", "Give 1.")
    sent = pickle.loads(pickle.dumps(refused))
    assert (str(sent), sent.faults) == (str(refused), refused.faults)
    beyond = pickle.loads(pickle.dumps(OutOfReach("No order does.", best=7)))
    assert (str(beyond), beyond.best) == ("No order does.", 7)
    assert issubclass(Refused, ForecastError)
    assert issubclass(OutOfReach, ForecastError)
    assert issubclass(ForecastError, ValueError)


@pytest.mark.parametrize(
    ("bounds", "inside", "outside", "remedy"),
    [
        ({"gt": 0, "lt": 1}, (0.001, 0.999), (0, 1), "a number above 0 and below 1"),
        ({"gt": 0, "le": 1}, (0.001, 1), (0, 1.001), "a number above 0 and up to 1"),
        ({"ge": 0, "le": 1}, (0, 1), (-0.001, 1.001), "a number from 0 to 1"),
        ({"ge": 0, "lt": 1}, (0, 0.999), (-0.001, 1), "a number from 0 and below 1"),
        ({"ge": 0}, (0, 1e300), (-1, math.inf), "a number from 0"),
        ({"gt": 0, "le": math.inf}, (1e-9, math.inf), (0, -math.inf), "a number above 0"),
        ({"le": 1e5}, (-1e300, 1e5), (100_001, -math.inf), "a number up to 100,000"),
        ({}, (-1e300, 0), (math.inf, -math.inf), "a number"),
    ],
)
def test_a_number_within_its_bounds_is_given_back_and_any_other_value_refused(bounds, inside, outside, remedy):
    """One range check. What is no number, and what no number can be compared with, lies within no bounds."""
    assert all(real("x", value, **bounds) == value for value in inside)
    for value in (*outside, math.nan, True, None, "0.5", 1j):
        told = [str(fault) for fault in faults_of(real, "x", value, **bounds)]
        shown = "" if value is None else f", {value!r}"
        assert told == [f"x{shown}: not usable. Give {remedy}."]


def test_values_rise_from_field_to_field_and_empty_ones_are_passed_over():
    values = {"low": 1, "middle": None, "high": 1, "other": 0}
    in_order(values, "low", "middle", "high")
    for fields, strictly, said in (
        (("low", "high"), True, "high, 1: not above low, 1. Swap or correct the two."),
        ((), False, "other, 0: below high, 1. Swap or correct the two."),
        (("low", "other"), True, "other, 0: not above low, 1. Swap or correct the two."),
    ):
        (fault,) = faults_of(in_order, values, *fields, strictly=strictly)
        assert str(fault) == said


def test_weeks_come_one_before_the_other():
    weeks = {"first": forecast.Week(2027, 5), "last": forecast.Week(2027, 3)}
    with pytest.raises(Refused, match=r"last, '2027-W03': before first, 2027-W05\. Swap or correct the two\."):
        in_order(weeks)
    in_order(weeks, "last", "first")


def test_a_fault_in_several_rows_is_counted_as_the_one_line_that_it_is():
    faults = [Fault("empty", "Fill it in.", "a.csv", row, "x") for row in (2, 3)] + [Fault("odd", "Look.", "b.csv")]
    assert listed(faults).splitlines() == ["a.csv, rows 2 to 3, column x: empty. Fill it in.", "b.csv: odd. Look."]
    assert problems(faults) == 2
