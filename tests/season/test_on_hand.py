"""Plants that are there when the season begins, and orders that are placed: what may be entered, and what is odd."""

import warnings

import pytest
from refusals import refused_lines
from small_folder import TEXTS
from small_seasons import asks, season, stage

import forecast
from forecast.season.orders import Delivery, OnHand

ROUTE = [stage("weaning", typical=4), stage("growing on", typical=6), stage("grading")]
THERE = {"variety": "A", "stage": "growing on", "quantity": 60, "since": "2026-W50"}
NEXT = "Write the stage before it, or the one after it (saleable after the last)."


def told(*rows):
    return refused_lines(season, ROUTE, on_hand=rows)


@pytest.mark.parametrize(
    ("cells", "line"),
    [
        ({"variety": "B"}, "variety, 'B': no variety of this name in varieties. Correct the spelling, or add it to "
         "varieties."),
        ({"stage": "growing"}, "stage, 'growing': A has no such stage. Did you mean 'growing on'?"),
        ({"stage": "potting"}, "stage, 'potting': A has no such stage. Known names: weaning, growing on, grading, "
         "saleable."),
        ({"stage": "grading"}, f"stage, 'grading': a stage that takes no time: no plants are in it. {NEXT}"),
        ({"since": "2027-W02"}, "since, '2027-W02': after the first week of the season, so these plants are not there "
         "yet. Write 2027-W01 or an earlier week, or put plants that are still to come into orders."),
        ({"since": "2016-W01"}, "since, '2016-W01': more than 520 weeks ago. Write the week in which they entered this "
         "stage."),
    ],
)  # fmt: skip
def test_what_cannot_be_there_is_refused_with_its_place(cells, line):
    (found,) = told(THERE | cells)
    assert found.startswith(f"on_hand, row 2, column {line}")


def test_a_row_that_is_there_twice_is_refused():
    (found,) = told(THERE, {**THERE, "quantity": 5})
    assert found == (
        "on_hand, row 3, column variety, 'A, growing on, 2026-W50': the same as row 2. Keep one of the two rows, or "
        "change its variety, stage or since."
    )


@pytest.mark.parametrize("cells", [{}, {"stage": "saleable"}, {"since": "2027-W01"}, {"stage": "weaning"}])
def test_plants_in_a_stage_that_takes_time_or_saleable_ones_can_be_there(cells):
    plan = season(ROUTE, on_hand=[THERE | cells])
    assert plan.on_hand == (OnHand(**THERE | cells),)
    assert plan.only(["A"]).on_hand == plan.on_hand
    assert "1 batch on hand" in str(plan)
    assert "on hand" not in str(season(ROUTE))


def test_a_variety_that_no_lab_sells_can_have_a_target_if_plants_of_it_are_there():
    assert season(ROUTE, price_list=[], targets=[asks(10)], on_hand=[THERE]).targets
    (found,) = refused_lines(season, ROUTE, price_list=[], targets=[asks(10)])
    assert "no lab sells this variety. Add a row for it to price_list, cultures, divisions or on_hand" in found


def odd(tmp_path, **files):
    for name, text in (TEXTS | {f"{name}.csv": text for name, text in files.items()}).items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    with warnings.catch_warnings(record=True) as found:
        warnings.simplefilter("always")
        forecast.read_season(tmp_path)
    return [line for one in found for line in str(one.message).splitlines()[1:]]


HEADER = "variety,stage,quantity,since\n"


@pytest.mark.parametrize(
    ("row", "line"),
    [
        ("Hosta 'Ambrel',growing on,150,2026-W30", None),
        ("Hosta 'Ambrel',growing on,150,2025-W50", "since, '2025-W50': 42 weeks before the season, and this stage "
         "takes 10: few would still be in it."),
        ("Hosta 'Ambrel',growing on,2001,2026-W30", "quantity, 2001: more than 5 times all targets of Hosta 'Ambrel', "
         "400."),
        ("Calla 'Corvane',saleable,50,2026-W29", None),
        ("Calla 'Corvane',saleable,50,2026-W28", "since, '2026-W28': past its sale window of 12 weeks when the season "
         "begins."),
    ],
)  # fmt: skip
def test_what_is_odd_is_warned_of(tmp_path, row, line):
    found = odd(tmp_path, on_hand=f"{HEADER}{row}\n")
    if line is None:
        assert found == []
    else:
        assert found == [f"on_hand.csv, row 2, column {line} Correct it, or leave it if it is meant."]


def test_an_order_that_is_placed_need_not_be_one_that_could_still_be_placed(tmp_path):
    early = "variety,week,quantity,lab,placed\nHosta 'Ambrel',2027-W04,500,North Lab,{}\n"
    assert odd(tmp_path, orders=early.format("yes")) == []
    assert len(odd(tmp_path, orders=early.format("no"))) == 2
    assert len(odd(tmp_path, orders=early.format(""))) == 2


def test_placed_is_yes_or_no():
    usual = {"variety": "A", "week": "2027-W04", "quantity": 5}
    assert [Delivery(**usual, placed=word).placed for word in ("yes", "no", None)] == ["yes", "no", None]
    (line,) = refused_lines(Delivery, **usual, placed="perhaps")
    assert line == (
        "Delivery, placed, 'perhaps': not one of the words for this column. Write 'yes' or 'no'."
    )  # fmt: skip
