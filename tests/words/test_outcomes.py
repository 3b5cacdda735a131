"""Sentences about what comes of orders."""

from forecast.words.outcomes import targets_met

ROW = {"variety": "A", "week": "2027-W20", "target": 4020, "p5": 3925, "median": 4000, "p95": 4079, "chance": 0.5712}


def test_each_target_has_a_line():
    first = (
        "A: about 4,000 plants (90 % range 3,900 to 4,100) on hand on 17 May 2027 (2027-W20). The target of 4,020 is "
        "met in about 57 of 100 simulated seasons."
    )
    assert targets_met([ROW, ROW | {"variety": "B", "chance": 1.0}]).splitlines() == [
        first,
        first.replace("A:", "B:").replace("about 57 of 100 simulated seasons", "every simulated season"),
    ]


def test_without_a_target_that_is_ordered_there_is_one_line():
    assert targets_met([]) == "No variety with a target is ordered."
