"""What was given is kept as it was: later changes to it change nothing, and numbers are plain numbers."""

import numpy as np

from forecast.fitting.survival import Pooled, Record
from forecast.weather.climate import Climate


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


def test_a_column_that_changes_later_changes_no_climate():
    low = [1.0] * 12
    climate = Climate(low, [9.0] * 12, 1)
    low[0] = -30.0
    assert climate.normal("2027-W02")[0] == 1.0
    assert climate.year_sd == (1.0,) * 12
