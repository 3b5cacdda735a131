"""Beginning cultures: every fault of what is asked, and no other, and the nearest plan that can be done."""

import pytest
from small_cultures import nursery

import forecast
from forecast import OutOfReach, Refused
from forecast.growth.simulation import season_streams
from forecast.propagation.cultures import Cultures
from forecast.propagation.initiation import earliest_start


def refused(season, **asked):
    with pytest.raises(OutOfReach) as caught:
        forecast.multiply(season, "A", draws=8, seed=1, **asked)
    return str(caught.value), caught.value.best


def test_too_few_or_too_many_shares_are_the_only_fault_and_the_missing_ones_keep_all():
    text, best = refused(nursery({}), cycles=3, kept=[0.5])
    assert text == "Kept has 1 shares, but 3 cycles need 2: the last keeps nothing."
    done = forecast.multiply(nursery({}), "A", cycles=3, kept=[0.5, 1], draws=8, seed=1)
    assert (best.plantlets == done.plantlets).all()
    text, best = refused(nursery({}), cycles=3, kept=[0.5, 1, 0.2])
    assert text == "Kept has 3 shares, but 3 cycles need 2: the last keeps nothing."
    assert (best.plantlets == done.plantlets).all()


def test_all_that_cannot_be_is_said_at_once():
    season = nursery({"start": "2027-W05", "shelf_places": 20, "explants": 20})
    text, best = refused(season, explants=30, cycles=4, kept=[1.5, 1, 1], start="2027-W04")
    assert text == (
        "Kept [1.5, 1.0, 1.0]: more than there is, or less than nothing; give shares from 0 to 1. "
        "4 cycles: off-types become too many, cultures allows 3; multiply for fewer, or begin with more explants. "
        "Start 2027-W04: in the past; the first week possible is 2027-W05. "
        "30 explants: each begins in a vessel of its own, and shelf and hood allow 20."
    )
    assert (best.explants, best.cycles, str(best.start), best.kept) == (20, 3, "2027-W05", (1, 1, 0))


@pytest.mark.parametrize("kept", [["all", 1], 0.5, [None, 1]])
def test_what_is_no_list_of_shares_is_refused(kept):
    said = r"not shares, one for each cycle but the last\. Such as \[1, 1, 0\.5\]"
    with pytest.raises(Refused, match=said):
        forecast.multiply(nursery({}), "A", cycles=3, kept=kept, draws=8, seed=1)


def test_what_is_not_asked_is_the_rows_own():
    season = nursery({"explants": 7, "most_cycles": 2, "start": "2027-W03"})
    made = forecast.multiply(season, "A", draws=8, seed=1)
    assert (made.explants, made.cycles, str(made.start), made.kept) == (7, 2, "2027-W03", (1, 0))
    assert made.plantlets.tolist() == [7 * 3 * 3] * 8


def test_cultures_begin_at_once_or_when_the_row_says_and_stock_is_divided_after_its_first_weeks():
    assert str(earliest_start(nursery({}), nursery({}).culture("A"))) == "2027-W01"
    late = nursery({"start": "2027-W09"})
    assert str(earliest_start(late, late.culture("A"))) == "2027-W09"
    divided = nursery(None, {"first_weeks": 6})
    assert str(earliest_start(divided, divided.division("A"))) == "2027-W07"


def test_dividing_stock_needs_no_medium():
    divided = nursery(None, {})
    made = Cultures(divided, divided.division("A"), season_streams(8, 1), divided.first_week, 10, [1.0, 0.0])
    schedule = made.schedule()
    assert len(schedule) > 0
    for word in ("p5", "median", "p95"):
        assert (schedule[f"medium_{word}"] == 0).all()
