"""The command line as a grower types it."""

import csv
import os
import re
import subprocess
import sys
from html import unescape
from pathlib import Path

import pytest
import small_seasons as small

import forecast
from forecast.__main__ import main
from forecast.resources.valued import value_orders
from forecast.season.orders import Delivery
from forecast.words.numbers import dated, rounded

ROOT = Path(__file__).parents[1]
DEMO = str(ROOT / "demo_data")


def test_order_prints_the_lines_then_the_targets_then_whether_it_fits(capsys, demo):
    assert main(["order", DEMO, "--draws", "64"]) == 0
    printed = capsys.readouterr()
    lines, targets, rest, *_ = printed.out.split("\n\n")[1:]
    plan = forecast.plan_orders(demo, draws=64)
    assert [line.split()[-3:-1] for line in lines.splitlines()[1:]] == [
        [f"({row.week})", f"{row.quantity:,}"] for row in plan.orders
    ]
    assert [line.split("'")[1] for line in targets.splitlines()[1:]] == [
        row.variety.split("'")[1] for _, row in demo.each_target()
    ]
    assert rest.startswith("Missing: plants short of the target on average.")
    for sentence in str(plan).splitlines():
        assert sentence in printed.out
    assert "covered house: fullest in" in printed.out
    assert printed.err == ""


def test_order_ends_with_what_to_measure_first_and_leaves_it_out_where_there_is_no_money(capsys, tmp_path, part):
    forecast.write_season(part, tmp_path / "priced")
    assert main(["order", str(tmp_path / "priced"), "--draws", "64"]) == 0
    *_, first = capsys.readouterr().out.split("\n\n")
    found = forecast.plan_orders(part, draws=64).measure_first()
    assert [line.split(" survival of ")[0].strip() for line in first.splitlines()[1:]] == list(found["stage"][:3])
    assert not set(found["rests_on"]) & {"source"}
    forecast.write_season(unpriced(part), tmp_path / "unpriced")
    assert main(["order", str(tmp_path / "unpriced"), "--draws", "64"]) == 0
    assert "Measure first" not in capsys.readouterr().out


def unpriced(season):
    return season.replace(
        varieties=tuple(row.replace(sale_price=None, markdown_price=None) for row in season.varieties)
    )


@pytest.mark.parametrize(("priced", "aim"), [(True, ()), (True, ("--aim", "cost")), (False, ())])
def test_order_and_report_show_one_plan(tmp_path, capsys, part, priced, aim):
    """Line by line, with the same sentences: with either aim, and without sale prices."""
    season = part if priced else unpriced(part)
    forecast.write_season(season, tmp_path / "season")
    folder, page = str(tmp_path / "season"), tmp_path / "order.html"
    assert main(["order", folder, "--draws", "64", "--out", str(tmp_path), *aim]) == 0
    printed = capsys.readouterr().out
    assert main(["report", folder, "--draws", "64", "--out", str(page), *aim]) == 0
    text = page.read_text(encoding="utf-8")
    with (tmp_path / "orders.csv").open(encoding="utf-8", newline="") as file:
        rows = [Delivery(**row) for row in csv.DictReader(file)]
    table = re.search(r"<table>.*?</table>", text, re.DOTALL)[0]
    cells = [unescape(one) for one in re.findall(r"<t[hd](?: [^>]*)?>([^<]*)</t[hd]>", table)[5:]]
    shown = {
        (week, lab, one) for week, lab, what, *_ in zip(*[iter(cells)] * 5, strict=True) for one in what.split("; ")
    }
    assert shown == {(dated(row.week), row.lab, f"{row.quantity:,} {row.variety}") for row in rows}
    for sentence in ("Plants and freight cost about", "targets are met together in"):
        (line,) = [one for one in printed.splitlines() if sentence in one]
        assert line[line.index(sentence) :].split(";")[0].split(",")[0] in text
    plan = forecast.plan_orders(season, draws=64, aim="cost" if aim or not priced else "margin")
    assert list(plan.orders) == rows


def test_order_writes_tables_that_can_be_used_again(tmp_path, part, part_folder):
    out = tmp_path / "deep" / "out"
    assert main(["order", part_folder, "--draws", "64", "--out", str(out)]) == 0
    assert sorted(file.name for file in out.iterdir()) == ["order_table.csv", "orders.csv"]
    with (out / "orders.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    again = forecast.simulate(part, [Delivery(**row) for row in rows], draws=64)
    plan = forecast.plan_orders(part, draws=64)
    assert [batch.delivery for batch in again.batches] == [batch.delivery for batch in plan.simulate().batches]
    with (out / "order_table.csv").open(encoding="utf-8", newline="") as file:
        prices = [float(row["price"]) for row in csv.DictReader(file)]
    assert sum(prices) == pytest.approx(plan.bill.price)
    assert [file.name for file in out.parent.iterdir()] == ["out"]


def test_order_replaces_nothing_unasked(tmp_path, capsys):
    (tmp_path / "orders.csv").write_text("mine", encoding="utf-8")
    assert main(["order", DEMO, "--draws", "64", "--out", str(tmp_path)]) == 2
    assert "orders.csv" in capsys.readouterr().err
    assert [file.name for file in tmp_path.iterdir()] == ["orders.csv"]
    assert (tmp_path / "orders.csv").read_text(encoding="utf-8") == "mine"
    assert main(["order", DEMO, "--draws", "64", "--out", str(tmp_path), "--overwrite"]) == 0
    assert (tmp_path / "orders.csv").read_text(encoding="utf-8") != "mine"


@pytest.fixture
def hurried(tmp_path, demo):
    """The folder of a season in which one target is too early."""
    rows = [row.in_week("2027-W20") if "Zollinka" in row.variety else row for row in demo.targets]
    forecast.write_season(demo.replace(targets=tuple(rows)), tmp_path / "season")
    return str(tmp_path / "season")


def test_what_is_out_of_reach_ends_with_1_and_what_would_help(hurried, tmp_path, capsys):
    assert main(["order", hurried, "--draws", "64", "--aim", "cost", "--out", str(tmp_path / "out")]) == 1
    printed = capsys.readouterr()
    assert printed.err.startswith("No order of Gerbera 'Zollinka' meets the target of 600 plants")
    assert "accept a lower service level" in printed.err
    assert (printed.out, (tmp_path / "out").exists()) == ("", False)


def test_what_cannot_come_in_time_is_left_out_of_the_greatest_margin_with_its_reason(hurried, capsys, demo):
    assert main(["order", hurried, "--draws", "64"]) == 0
    printed = capsys.readouterr()
    assert "Gerbera 'Zollinka': none this year, because" in printed.out
    assert "Heuchera 'Corvassel'" in printed.out
    targets = len(demo.targets)  # also of what is unmet
    assert f"All {targets} targets are met together in no simulated season." in printed.out


def test_a_budget_is_named_beside_plants_and_freight_and_kept(tmp_path, capsys, part):
    """Without a budget plants and freight of the plan cost 4,100."""
    forecast.write_season(part.replace(budget=3_600), tmp_path)
    assert main(["order", str(tmp_path), "--draws", "64"]) == 0
    spent = re.search(r"Plants and freight cost about ([\d,]+) EUR \(budget 3,600 EUR\)", capsys.readouterr().out)
    assert int(spent[1].replace(",", "")) <= 3_600


def test_mine_values_the_orders_of_the_season_beside_the_plan(capsys, demo):
    assert main(["order", DEMO, "--mine", "--draws", "64"]) == 0
    printed = capsys.readouterr().out
    assert printed.startswith(
        f"{demo.name}: the orders of orders.csv, from 64 simulated seasons, seed 1. Money in EUR."
    )
    for row in demo.orders:
        assert any(row.variety in line and f"{row.quantity:,}" in line for line in printed.splitlines())
    mine, plan = value_orders(demo, draws=64), forecast.plan_orders(demo, draws=64)
    assert str(mine) in printed
    (margin,) = [line.split() for line in printed.splitlines() if line.split()[:2] == ["expected", "margin"]]
    assert margin[2:4] == [rounded(mine.margin), rounded(plan.margin)]
    assert float(margin[4].replace(",", "")) == pytest.approx(plan.margin - mine.margin, rel=0.03)
    assert "The plan earns about" in printed
    assert "are accurate to about" in printed


def test_mine_values_the_orders_where_there_is_no_plan_to_compare_with(hurried, capsys):
    assert main(["order", hurried, "--mine", "--draws", "64", "--aim", "cost"]) == 0
    printed = capsys.readouterr().out
    assert "Their expected margin is about" in printed
    assert "There is no plan to compare with. No order of Gerbera 'Zollinka' meets the target of 600" in printed


def test_orders_that_are_placed_stay_as_they_are_beside_the_new_ones(tmp_path, capsys):
    rows = [
        {"variety": "A", "week": "2027-W06", "quantity": 70, "lab": "Lab", "order": "B-17", "placed": "yes"},
        {"variety": "A", "week": "2027-W07", "quantity": 90, "lab": "Lab"},
    ]
    made = small.season(
        [small.stage(typical=4), small.stage("growing on", typical=8, batches_cv=0.1)],
        price_list=[small.offer(first_week="2027-W05", last_week="2027-W08")], targets=[small.asks(200, price=6)],
        on_hand=[{"variety": "A", "stage": "growing on", "quantity": 40, "since": "2026-W52"}], orders=rows, weeks=24,
    )  # fmt: skip
    forecast.write_season(made, tmp_path / "season")
    folder = str(tmp_path / "season")
    assert main(["order", folder, "--draws", "64", "--out", str(tmp_path)]) == 0
    said = "Plants on hand and orders already placed count: 40 plants on hand and 70 plantlets ordered already, for 70 "
    assert f"\n{said}EUR with freight. The plan orders what is lacking.\n" in capsys.readouterr().out
    plan = forecast.plan_orders(forecast.read_season(folder), draws=64)
    with (tmp_path / "orders.csv").open(encoding="utf-8", newline="") as file:
        first, *new = list(csv.DictReader(file))
    assert {column: cell for column, cell in first.items() if cell} == {
        column: str(cell) for column, cell in rows[0].items()
    }
    assert new
    assert [(row["variety"], row["week"], int(row["quantity"]), row["lab"]) for row in new] == [
        (row.variety, str(row.week), row.quantity, row.lab) for row in plan.orders
    ]
    assert not any(row.get("placed") for row in new)
    forecast.report(plan.season, tmp_path / "page.html", plan=plan)
    assert said in (tmp_path / "page.html").read_text(encoding="utf-8")


def test_mine_needs_orders_and_writes_nothing(tmp_path, capsys, demo):
    forecast.write_season(demo.replace(orders=()), tmp_path)
    assert main(["order", str(tmp_path), "--mine"]) == 2
    assert capsys.readouterr().err.splitlines() == [
        "orders.csv: there are no orders. Add rows of variety, week and quantity, or leave out --mine.",
        "1 problem found; nothing was written.",
    ]
    with pytest.raises(SystemExit):
        main(["order", DEMO, "--mine", "--out", str(tmp_path)])
    assert "not allowed with argument" in capsys.readouterr().err


def test_report_writes_the_page_that_the_call_writes_and_replaces_nothing_unasked(tmp_path, capsys, part, part_folder):
    page = tmp_path / "deep" / "order.html"
    assert main(["report", part_folder, "--draws", "64", "--seed", "3", "--out", str(page)]) == 0
    assert str(page) in capsys.readouterr().out
    forecast.report(part, tmp_path / "same.html", draws=64, seed=3)
    assert page.read_bytes() == (tmp_path / "same.html").read_bytes()
    page.write_text("mine", encoding="utf-8")
    assert main(["report", part_folder, "--draws", "64", "--out", str(page)]) == 2
    assert page.read_text(encoding="utf-8") == "mine"
    assert main(["report", part_folder, "--draws", "64", "--out", str(page), "--overwrite", "--aim", "cost"]) == 0
    assert "aim cost" in page.read_text(encoding="utf-8")


def test_report_says_why_no_plan_is_possible_and_writes_nothing(hurried, tmp_path, capsys):
    page = tmp_path / "order.html"
    assert main(["report", hurried, "--aim", "cost", "--draws", "64", "--out", str(page)]) == 1
    said = capsys.readouterr().err
    assert "Gerbera 'Zollinka'" in said
    assert "No page was written." in said
    assert not page.exists()


def test_check_says_what_is_believed_of_every_stage(capsys):
    assert main(["check", DEMO]) == 0
    printed = capsys.readouterr().out
    assert "No problems found" in printed
    assert "acclimatisation: 4 weeks" in printed


def test_start_writes_a_season_that_works_and_replaces_nothing(tmp_path, capsys):
    folder = tmp_path / "mine"
    assert main(["start", str(folder)]) == 0
    assert "# survival_level" not in (folder / "price_list.csv").read_text(encoding="utf-8")
    assert "time_level, survival_level" in (folder / "stages.csv").read_text(encoding="utf-8")
    assert main(["order", str(folder), "--draws", "128"]) == 0
    before = {file: file.read_bytes() for file in folder.rglob("*.*")}
    capsys.readouterr()
    assert main(["start", str(folder)]) == 2
    said = capsys.readouterr().err.splitlines()
    assert "already exists" in said[0]
    assert said[1:] == ["1 problem found; nothing was written."]
    assert {file: file.read_bytes() for file in folder.rglob("*.*")} == before


def test_start_replaces_no_notebook_unless_forced_and_writes_nothing_else_then(tmp_path, capsys):
    mine = tmp_path / "notebooks" / "3_will_they_fit.ipynb"
    mine.parent.mkdir()
    mine.write_text("mine", encoding="utf-8")
    assert main(["start", str(tmp_path)]) == 2
    assert "3_will_they_fit.ipynb" in capsys.readouterr().err
    assert list(tmp_path.rglob("*.*")) == [mine]
    assert main(["start", str(tmp_path), "--overwrite"]) == 0
    assert "What to do" in mine.read_text(encoding="utf-8")


def test_start_says_that_a_file_is_where_a_folder_is_needed(tmp_path, capsys):
    (tmp_path / "notebooks").write_text("mine", encoding="utf-8")
    assert main(["start", str(tmp_path)]) == 2
    assert "notebooks: this is a file, not a folder. Rename or move it" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == [tmp_path / "notebooks"]


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


def small_folder(home):
    """The folder of a season of one variety that the demo sells."""
    forecast.write_season(forecast.read_season(DEMO).only(["Hosta 'Quenvara'"]), home / "small")
    return str(home / "small")


# How a command ends: in one sentence, with a code of its own


def ended(arguments, **pipes):
    """Run the command line as a program; give its code, and what it wrote on stderr."""
    done = subprocess.run(
        [sys.executable, "-m", "forecast", *arguments],
        cwd=ROOT,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
        **pipes,
    )
    return done.returncode, done.stderr


def test_a_closed_output_is_reported_before_any_work_is_done(tmp_path):
    out = tmp_path / "out"
    told = ended(["order", DEMO, "--draws", "64", "--out", str(out)], preexec_fn=lambda: os.close(1))
    assert told == (2, "The output cannot be written: it is closed.\n")
    assert not out.exists()


def test_with_nowhere_to_complain_the_code_says_it():
    quiet = [sys.executable, "-m", "forecast", "check", "nowhere"]
    done = subprocess.run(quiet, cwd=ROOT, stdout=subprocess.PIPE, preexec_fn=lambda: os.close(2), check=False)
    assert (done.returncode, done.stdout) == (2, b"")


@pytest.mark.skipif(
    not Path("/dev/full").exists(),
    reason="Linux alone has a device that is always full; everywhere, an output that cannot be written is tested above",
)
def test_where_the_output_is_full_no_file_is_written_and_one_sentence_says_so(tmp_path):
    out = tmp_path / "out"
    with open("/dev/full", "w") as full:
        told = ended(["order", small_folder(tmp_path), "--draws", "8", "--out", str(out)], stdout=full)
    assert told == (2, "The output cannot be written: No space left on device.\n")
    assert not out.exists()


def test_who_reads_no_further_gets_the_files_all_the_same_and_no_word(tmp_path):
    """As ``| head`` does: the code is that of a program that is ended by a closed pipe, 128 + SIGPIPE."""
    reader, writer = os.pipe()
    os.close(reader)
    out = tmp_path / "out"
    try:
        told = ended(["order", DEMO, "--draws", "64", "--out", str(out)], stdout=writer)
    finally:
        os.close(writer)
    assert told == (141, "")
    assert sorted(file.name for file in out.iterdir()) == ["order_table.csv", "orders.csv"]


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["order", DEMO, "--out", ""], "folder, '': empty. Choose a folder; a dot (.) is the one you are in."),
        (["start", ""], "folder, '': empty. Choose a folder; a dot (.) is the one you are in."),
        (["report", DEMO, "--out", ""], "path, '': not the name of a page. Let it end in .html."),
        (["check", ""], "folder, '': there is no such folder or workbook. Give the folder that holds season.toml, or "
         "an .xlsx workbook."),
    ],
)  # fmt: skip
def test_an_empty_name_is_reported_before_any_work_is_done(arguments, told, capsys, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("forecast.planning.whole_order.plan_orders", lambda *_, **__: pytest.fail("it worked"))
    assert main(arguments) == 2
    assert capsys.readouterr().err.splitlines()[0] == told
    assert list(tmp_path.iterdir()) == []


INTERRUPTED = """
import os, runpy, signal, sys
left, begun = int(sys.argv.pop()), False
signal.signal(signal.SIGINT, signal.default_int_handler)  # which work in the background may not have
def watch(event, given):
    global left, begun
    if event == "import":
        begun = begun or given[0] == "forecast.command_line"
        left -= begun
        if begun and left == 0:
            os.kill(os.getpid(), signal.SIGINT)
sys.addaudithook(watch)
runpy.run_module("forecast", run_name="__main__", alter_sys=True)
"""


@pytest.mark.parametrize("imports", [1, 2, 10, 50, 100, 200, 300])
def test_the_keyboard_stops_it_while_it_is_imported(imports):
    done = subprocess.run(
        [sys.executable, "-c", INTERRUPTED, "check", DEMO, str(imports)],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "Stopped.\n")
