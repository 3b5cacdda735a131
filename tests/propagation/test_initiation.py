"""Initiating cultures: every fault of what is asked, and no other, and the nearest plan that can be done."""

import pytest
from small_cultures import nursery

import forecast
from forecast import OutOfReach, Refused
from forecast.propagation.initiation import earliest_start
from forecast.words import propagation as words


def refused(season, **asked):
    with pytest.raises(OutOfReach) as caught:
        forecast.multiply(season, "A", draws=8, seed=1, **asked)
    return str(caught.value), caught.value.best


def test_too_few_or_too_many_shares_are_the_only_fault_and_the_missing_ones_keep_all():
    text, best = refused(nursery({}), subcultures=3, kept=[0.5])
    assert text == words.kept_number(shares=1, subcultures=3)
    done = forecast.multiply(nursery({}), "A", subcultures=3, kept=[0.5, 1], draws=8, seed=1)
    assert (best.plantlets == done.plantlets).all()
    text, best = refused(nursery({}), subcultures=3, kept=[0.5, 1, 0.2])
    assert text == words.kept_number(shares=3, subcultures=3)
    assert (best.plantlets == done.plantlets).all()


def test_every_fault_of_a_call_is_reported_at_once():
    season = nursery({"start": "2027-W05", "shelf_places": 20, "explants": 20})
    text, best = refused(season, explants=30, subcultures=4, kept=[1.5, 1, 1], start="2027-W04")
    faults = [
        words.kept_range([1.5, 1.0, 1.0]), words.too_many_subcultures(subcultures=4, most=3),
        words.too_early(start=forecast.Week(2027, 4), earliest=forecast.Week(2027, 5)),
        words.too_many_explants(explants=30, most=20),
    ]  # fmt: skip
    assert text == " ".join(faults)
    assert (best.explants, best.subcultures, str(best.start), best.kept) == (20, 3, "2027-W05", (1, 1, 0))


@pytest.mark.parametrize("kept", [["all", 1], 0.5, [None, 1]])
def test_what_is_no_list_of_shares_is_refused(kept):
    problem = r"not shares, one for each subculture but the last\. Such as \[1, 1, 0\.5\]"
    with pytest.raises(Refused, match=problem):
        forecast.multiply(nursery({}), "A", subcultures=3, kept=kept, draws=8, seed=1)


@pytest.mark.parametrize(
    ("name", "most"), [("subcultures", "1,000,000"), ("explants", "1,000,000,000"), ("potted", "1,000,000,000")]
)
def test_numbers_from_one_to_the_most_are_taken_and_others_refused(name, most):
    for number in (0, int(most.replace(",", "")) + 1):
        with pytest.raises(Refused) as refusal:
            forecast.multiply(nursery({}), "A", **({"subcultures": 3} | {name: number}), draws=8, seed=1)
        assert str(refusal.value) == f"{name}, '{number}': not usable. Give a whole number from 1 to {most}."


def test_draws_and_seed_are_those_of_the_season_unless_given():
    made = forecast.multiply(nursery({}, seed=7), "A")
    assert (made.draws, made.streams.seed) == (4096, 7)
    assert repr(made) == "Cultures(variety=A, explants=40, subcultures=3, start=2027-W01, draws=4,096, seed=7)"


def test_what_is_not_given_is_the_rows_own():
    season = nursery({"explants": 7, "most_cycles": 2, "start": "2027-W03"})
    made = forecast.multiply(season, "A", draws=8, seed=1)
    assert (made.explants, made.subcultures, str(made.start), made.kept) == (7, 2, "2027-W03", (1, 0))
    assert made.plantlets.tolist() == [7 * 3 * 3] * 8


def test_cultures_begin_at_once_or_when_the_row_says_and_stock_is_divided_after_its_first_weeks():
    assert str(earliest_start(nursery({}), nursery({}).culture("A"))) == "2027-W01"
    late = nursery({"start": "2027-W09"})
    assert str(earliest_start(late, late.culture("A"))) == "2027-W09"
    divided = nursery(None, {"first_weeks": 6})
    assert str(earliest_start(divided, divided.division("A"))) == "2027-W07"
