"""Tables for eyes: percentages, thousands separated, nothing in an empty cell, the same HTML each time."""

import re
from datetime import date

import numpy as np
import pandas as pd
import pytest

from forecast.words.results import MOST_ROWS, cell, shown_as, styled


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, ""),
        (float("nan"), ""),
        (np.float32("nan"), ""),
        (pd.NA, ""),
        (pd.NaT, ""),
        ((), ""),
        (1200, "1,200"),
        (np.int64(-1200), "-1,200"),
        (1234.56, "1,235"),
        (12.345, "12.3"),
        (0.1234, "0.123"),
        (-0.0, "0"),
        (float("inf"), "∞"),
        (-float("inf"), "-∞"),
        (True, "yes"),
        (np.bool_(False), "no"),
        (("a", 1000), "a, 1,000"),
        (pd.Timestamp("2027-10-11"), "2027-10-11"),
        (date(2027, 10, 11), "2027-10-11"),
        ("None of it", "None of it"),
        ("007", "007"),
    ],
)
def test_a_cell_shows_what_is_known_and_nothing_if_it_is_empty(value, text):
    assert cell(value) == text


def test_shares_are_percentages():
    look = shown_as("chance")
    assert [look(value) for value in (0.9, 0.9931, 1, 0, None, float("nan"))] == [
        "90 %",
        "99.3 %",
        "100 %",
        "0 %",
        "",
        "",
    ]
    assert shown_as("quantity")(0.9) == "0.9"


def test_a_table_has_no_index_and_is_the_same_each_time():
    frame = pd.DataFrame(
        {"variety": ["<b>A</b>", "B"], "by_average": [1200, None], "chance": [0.9, np.nan]}, index=[7, 7]
    )
    html = styled(frame)
    assert html == styled(frame.copy())
    assert "&lt;b&gt;A" in html
    assert "<b>A" not in html
    assert ">by average</th>" in html
    assert ">1,200</td>" in html
    assert ">90 %</td>" in html
    assert "nan" not in html.lower()
    assert "row_heading" not in html


def test_a_cell_is_a_percentage_where_its_row_holds_a_share():
    learned = pd.DataFrame(
        {"what": ["survival", "time"], "estimate": [0.97, 4.0], "learned": [0.9, 0.6], "sd": [0.044, 0.11]}
    )
    drivers = pd.DataFrame({"unit": ["share", "weeks"], "p10": [0.75, 0.5], "p90": [0.93, 6.5], "swing": [0.2, 0.1]})

    def cells(html):
        return re.findall(r"<td[^>]*>(.*?)</td>", html)

    assert cells(styled(learned)) == ["survival", "97 %", "90 %", "4 %", "time", "4", "0.6", "11 %"]
    assert cells(styled(drivers)) == ["share", "75 %", "93 %", "0.2", "weeks", "0.5", "6.5", "0.1"]
    assert cells(styled(drivers, frozenset({"swing"})))[3::4] == ["20 %", "10 %"]


def test_a_long_table_shows_its_first_rows_and_says_so():
    html = styled(pd.DataFrame({"plants": range(1234)}))
    assert html.count("<tr>") == MOST_ROWS + 1
    assert "First 40 of 1,234 rows." in html
    assert "rows." not in styled(pd.DataFrame({"plants": range(MOST_ROWS)}))
