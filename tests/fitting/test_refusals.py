"""What is not a record or a prior is refused by name."""

import numpy as np
import pytest
from refusals import refused

from forecast.fitting.survival import Pooled, Priors, Record

ONE, OF_LAB, GROUPS = Record("A", 1, 2), Record("A", 1, 2, lab="L"), {"A": "g"}


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: Record("A", 5, 4), "survived, '5': not usable. Give a whole number from 0 to 4."),
        (lambda: Record("A", 1, 0), "of, '0': not usable. Give a whole number from 1 to 1,000,000,000."),
        (
            lambda: Priors(survival=1.5, belief=0),
            "survival, 1.5: not a middle survival. Give a share from 0.001 to 0.999.\nbelief, 0: not usable. "
            "Give a number from 0.05 to 5.",
        ),
        (
            lambda: Pooled([Record("Z", 1, 2)], GROUPS),
            "variety, 'Z': a variety without a group. Name its group; a group may hold one variety.",
        ),
        (lambda: Pooled([], {}), "groups: there is no variety. Name at least one, with its group."),
        (
            lambda: Pooled([OF_LAB, Record("A", 1, 2)], GROUPS),
            "lab: only some records name a lab. Name the lab of all records, or of none.",
        ),
        (
            lambda: Pooled([ONE], GROUPS).variety("B"),
            "variety, 'B': not one of these varieties. Name it in groups; it needs no record.",
        ),
        (lambda: Pooled([ONE], GROUPS).group("h"), "group, 'h': not a group of these varieties. Write one of g."),
        (lambda: Pooled([ONE], GROUPS).variety("A", lab="L"), "lab, 'L': no record names this lab. Leave it out."),
        (
            lambda: Pooled([OF_LAB, Record("A", 1, 2, lab="M")], GROUPS).compare_labs("L", "L"),
            "lab, 'L, L': not two labs of these records. Write two of L, M.",
        ),
        (
            lambda: Pooled([OF_LAB], GROUPS).variety("A", lab="M"),
            "lab, 'M': no record names this lab. Write one of L, or none.",
        ),
        (lambda: Pooled([ONE], GROUPS).compare_labs("L", "M"), "lab, 'L': no record names this lab. Leave it out."),
        (
            lambda: Pooled([ONE], GROUPS).predictive("A", 0),
            "of, '0': not usable. Give a whole number from 1 to 20,000.",
        ),
    ],
)
def test_what_cannot_be_fitted_is_refused_by_name(call, said):
    assert refused(call) == said


def test_groups_that_change_later_change_nothing():
    groups = {"A": "g", "B": "g"}
    pooled = Pooled([Record("A", 8, 10)], groups)
    groups["C"] = "h"
    del groups["B"]
    assert pooled.groups == {"A": "g", "B": "g"}
    assert pooled.varieties == ("A", "B")


def test_records_that_change_later_change_nothing():
    rows = [Record("A", 8, 10)]
    pooled = Pooled(rows, {"A": "g"})
    rows.append(Record("A", 0, 10))
    assert len(pooled.records) == 1


def test_counts_given_by_an_array_are_plain_whole_numbers():
    record = Record("A", np.int64(8), np.int64(10))
    assert (type(record.survived), type(record.of)) == (int, int)
