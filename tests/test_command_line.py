"""The command line as a grower types it."""

import csv
import subprocess
import sys
from pathlib import Path

import pytest

import forecast
from forecast.__main__ import main

ROOT = Path(__file__).parents[1]
DEMO = str(ROOT / "demo_data")


def test_order_prints_a_row_for_everything_wanted_and_whether_it_fits(capsys):
    assert main(["order", DEMO, "--draws", "256"]) == 0
    printed = capsys.readouterr()
    season = forecast.read_season(DEMO)
    for row in season.wanted:
        assert f"{row.variety} " in printed.out
    assert "covered house: fullest in" in printed.out
    assert printed.err == ""


def test_order_writes_tables_and_a_page_that_can_be_used_again(tmp_path):
    out = tmp_path / "deep" / "out"
    assert main(["order", DEMO, "--draws", "128", "--out", str(out)]) == 0
    assert sorted(file.name for file in out.iterdir()) == ["order.html", "order_table.csv", "orders.csv"]
    season = forecast.read_season(DEMO)
    with (out / "orders.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    again = forecast.simulate(season, [forecast.Delivery(**row) for row in rows], draws=128, seed=season.seed)
    assert len(again.batches) == len(season.wanted)
    assert (out / "order.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert [file.name for file in out.parent.iterdir()] == ["out"]


def test_order_replaces_nothing_unasked(tmp_path, capsys):
    (tmp_path / "orders.csv").write_text("mine", encoding="utf-8")
    assert main(["order", DEMO, "--draws", "64", "--out", str(tmp_path)]) == 2
    assert "orders.csv" in capsys.readouterr().err
    assert [file.name for file in tmp_path.iterdir()] == ["orders.csv"]
    assert (tmp_path / "orders.csv").read_text(encoding="utf-8") == "mine"
    assert main(["order", DEMO, "--draws", "64", "--out", str(tmp_path), "--overwrite"]) == 0
    assert (tmp_path / "orders.csv").read_text(encoding="utf-8") != "mine"


def test_what_is_out_of_reach_is_said_and_the_rest_is_sized(tmp_path, capsys):
    season = forecast.read_season(DEMO)
    hurried = [row.replace(week="2027-W20") if "Zollinka" in row.variety else row for row in season.wanted]
    forecast.write_season(season.replace(wanted=tuple(hurried)), tmp_path / "season")
    assert main(["order", str(tmp_path / "season"), "--draws", "128"]) == 1
    printed = capsys.readouterr()
    assert "No order of Gerbera 'Zollinka' gives 600 by 2027-W20" in printed.err
    assert "Heuchera 'Corvassel'" in printed.out


def test_check_says_what_is_believed_of_every_stage(capsys):
    assert main(["check", DEMO]) == 0
    printed = capsys.readouterr().out
    assert "No fault found" in printed
    assert "acclimatisation: 4 weeks" in printed


def test_start_writes_a_season_that_works_and_replaces_nothing(tmp_path, capsys):
    folder = tmp_path / "mine"
    assert main(["start", str(folder)]) == 0
    assert "# survival_level" not in (folder / "offers.csv").read_text(encoding="utf-8")
    assert "time_level, survival_level" in (folder / "stages.csv").read_text(encoding="utf-8")
    assert main(["order", str(folder), "--draws", "128"]) == 0
    before = {file.name: file.read_bytes() for file in folder.iterdir()}
    assert main(["start", str(folder)]) == 2
    assert "is there already" in capsys.readouterr().err
    assert {file.name: file.read_bytes() for file in folder.iterdir()} == before


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["order", DEMO, "--draws", "0"], "draws"),
        (["order", DEMO, "--draws", "-5"], "draws"),
        (["order", DEMO, "--draws", "100000000"], "draws"),
        (["order", DEMO, "--seed", "-1"], "seed"),
        (["order", "nowhere"], "no such folder"),
        (["check", "nowhere"], "no such folder"),
        (["start", str(ROOT / "README.md")], "this is a file"),
    ],
)
def test_what_cannot_be_used_is_refused_with_a_reason(arguments, words, capsys):
    assert main(arguments) == 2
    printed = capsys.readouterr()
    assert words in printed.err
    assert "Traceback" not in printed.err


def test_it_is_a_program(tmp_path):
    command = [sys.executable, "-m", "forecast", "check", str(tmp_path)]
    ended = subprocess.run(command, capture_output=True, text=True, check=False, cwd=ROOT)
    assert ended.returncode == 2
    assert "season.toml" in ended.stderr
    assert "Traceback" not in ended.stderr
