"""Texts that a spreadsheet would run as a formula are texts in every CSV file, and come back as they were."""

import csv
from pathlib import Path

import pytest
import small_seasons as small
from hypothesis import given
from hypothesis import strategies as st

import forecast
from forecast.__main__ import main
from forecast.io.csv_folder import csv_text
from forecast.season.cells import shielded, unshielded

FORMULAS = ["=1+1", "+1", "-2 dozen", "@SUM(A1)", "'=1+1", "''-x", "=HYPERLINK(\"x\",'y')"]
HARMLESS = ["Alba", "'Orrin'", "a=b", "1-2", "", "'", "#remark"]


@given(st.text(alphabet="'=+-@\t\r\nab", max_size=6) | st.text(max_size=8))
def test_a_text_comes_back_as_it_was_and_never_begins_like_a_formula(text):
    assert unshielded(shielded(text)) == text
    assert shielded(text)[:1] not in set("=+-@\t\r\n")


@pytest.mark.parametrize("text", FORMULAS)
def test_a_formula_gets_one_apostrophe(text):
    assert shielded(text) == f"'{text}"


@pytest.mark.parametrize("text", HARMLESS)
def test_any_other_text_stays(text):
    assert shielded(text) == text
    assert unshielded(text) == text


def test_numbers_below_zero_stay_numbers():
    assert csv_text(["a", "b"], [[-1.5, "-1.5"], [None, -2]]) == "a,b\r\n-1.5,'-1.5\r\n,-2\r\n"


def hostile():
    names = FORMULAS[:4]
    offers = [small.offer(name, lab=f"={name}", note="=cmd") for name in names]
    target = [{"variety": name, "week": "2027-W20", "target": 10, "note": "-5"} for name in names]
    return small.season([small.stage(place="house")], varieties=names, price_list=offers, targets=target)


def test_a_season_of_such_names_is_read_back_exactly(tmp_path: Path):
    season = hostile()
    forecast.write_season(season, tmp_path / "season")
    assert forecast.read_season(tmp_path / "season") == season


def test_no_written_file_holds_a_formula(tmp_path: Path):
    forecast.write_season(hostile(), tmp_path / "season")
    assert main(["order", str(tmp_path / "season"), "--draws", "64", "--out", str(tmp_path / "out")]) == 0
    files = sorted(tmp_path.glob("*/*.csv"))
    assert {"orders.csv", "order_table.csv", "price_list.csv"} <= {file.name for file in files}
    for file in files:
        with file.open(encoding="utf-8", newline="") as opened:
            cells = [cell for row in csv.reader(opened) for cell in row]
        assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))]
        assert [cell for cell in cells if cell.startswith("'=")] or file.name in ("stages.csv", "places.csv")
