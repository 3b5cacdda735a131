"""The commands of a season that runs or is thought over, as a grower types them: today, learn and whatif."""

from datetime import date
from pathlib import Path

import pytest

import forecast
from forecast.__main__ import main
from forecast.season.consistency import first_delivery
from forecast.words.numbers import dated, day, of_20, rounded

ROOT = Path(__file__).parents[1]
DEMO, RUNNING = str(ROOT / "demo_data"), str(ROOT / "demo_data" / "season_2026")
JUNE = ["--on", "2026-06-14", "--draws", "64"]


@pytest.fixture(scope="module")
def started(tmp_path_factory):
    """The folder of the example that `start` writes."""
    folder = tmp_path_factory.mktemp("started")
    assert main(["start", str(folder)]) == 0
    return folder


@pytest.fixture(scope="module")
def june():
    """The demo nursery's running season on a day in June."""
    season, records = forecast.read_season(RUNNING), forecast.read_records(DEMO)
    return forecast.reforecast(season, records, on_date="2026-06-14", draws=64)


def lines_of(now):
    """The lines that `today` prints for the targets of a forecast, in words apart by one space."""
    return [
        f"{row['variety']} {row['target']:,} {dated(row['week'])} {rounded(row['p5'])} to {rounded(row['p95'])} "
        f"{of_20(row['chance'])}"
        for row in now.targets().to_dict("records")
    ]


def printed_lines(printed):
    """The lines of the table that `today` printed, likewise."""
    return [" ".join(line.split()) for line in printed.split("\n\n")[1].splitlines()[1:]]


# today


def test_today_prints_the_targets_of_the_call(capsys, june):
    assert main(["today", RUNNING, "--records", DEMO, *JUNE]) == 1
    assert printed_lines(capsys.readouterr().out) == lines_of(june)


def test_today_says_what_to_order_by_when_and_why_no_order_helps(capsys, june):
    assert main(["today", RUNNING, "--records", DEMO, *JUNE]) == 1
    printed = capsys.readouterr().out
    top_up = june.top_up()
    assert str(top_up) in printed
    assert top_up.orders
    for order in top_up:
        line = order.shipment.line
        last = order.week + -line.lead_weeks
        assert first_delivery(line, last) <= order.week < first_delivery(line, last + 1)
        assert f"Order the {order.variety} from {order.lab} by {day(last.monday)}, to have them delivered on" in printed
    for sentence in (*june.matched.overdue(june.on_date), *june.matched.remarks()):
        assert sentence in printed


def test_today_says_that_no_top_up_is_needed(tmp_path, capsys):
    season = forecast.read_season(RUNNING)
    rows = [row.replace(target=1, promised=None, promised_share=None) for row in season.targets]
    forecast.write_season(season.replace(targets=rows[:1]), tmp_path / "season")
    assert main(["today", str(tmp_path / "season"), "--records", DEMO, *JUNE]) == 0
    printed = capsys.readouterr().out
    assert "Every target reaches its service level: no top-up is needed." in printed
    assert "Order the" not in printed


def test_today_of_the_example_is_the_day_on_which_it_is_asked(started, capsys):
    assert main(["today", str(started / "running"), "--records", str(started), "--draws", "64"]) in (0, 1)
    season, records = forecast.read_season(started / "running"), forecast.read_records(started)
    now = forecast.reforecast(season, records, on_date=date.today(), draws=64)
    printed = capsys.readouterr().out
    assert printed.startswith(f"{season.name}, {day(now.on_date)}: what will be there, from 64 simulated seasons")
    assert printed_lines(printed) == lines_of(now)


def test_today_lets_plants_wait_for_the_day_of_a_count(capsys, june):
    assert main(["today", RUNNING, "--records", DEMO, "--counted-every", "2", *JUNE]) == 1
    season, records = forecast.read_season(RUNNING), forecast.read_records(DEMO)
    now = forecast.reforecast(season, records, on_date="2026-06-14", counted_every=2, draws=64)
    assert printed_lines(capsys.readouterr().out) == lines_of(now) != lines_of(june)


def test_today_without_records_says_which_tables_it_needs_and_where_some_are(started, capsys):
    folder = str(started / "running")
    assert main(["today", folder]) == 2
    first, second, last = capsys.readouterr().err.splitlines()
    assert first.startswith("batches.csv: there is no such table of records.")
    assert second.startswith("counts.csv: there is no such table of records.")
    assert f"add --records {started};" in first
    assert f"python -m forecast start {folder} --with records" in second
    assert last == "2 problems found."


def test_the_tables_that_today_asks_for_are_those_that_start_writes(tmp_path, capsys):
    folder = str(tmp_path / "season")
    forecast.write_season(forecast.read_season(RUNNING), folder)
    assert main(["today", folder, *JUNE]) == 2
    assert f"start {folder} --with records" in capsys.readouterr().err
    assert main(["start", folder, "--with", "records"]) == 0
    capsys.readouterr()
    assert main(["today", folder, *JUNE]) in (0, 1)
    assert "what will be there" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("given", "told"),
    [
        (["--on", "2031-01-01"], "--on, '2031-01-01': outside the season. Choose a day from "),
        (["--on", "soon"], "--on, 'soon': not a date. Write year, month and day"),
        (["--on", "2026-06-14", "--counted-every", "-1"], "--counted-every, -1.0: not a number of weeks"),
        (["--on", "2026-06-14", "--draws", "0"], "draws"),
        (["--records", "nowhere"], "folder, 'nowhere': there is no such folder"),
    ],
)
def test_today_refuses_what_it_cannot_use_by_the_name_of_the_option(given, told, capsys):
    assert main(["today", RUNNING, "--records", DEMO, *given]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.startswith(told)


def test_today_needs_orders_or_batches(tmp_path, capsys):
    folder = tmp_path / "season"
    forecast.write_season(forecast.read_season(RUNNING).replace(orders=()), folder)
    assert main(["start", str(folder), "--with", "records"]) == 0
    capsys.readouterr()
    assert main(["today", str(folder), *JUNE]) == 2
    assert capsys.readouterr().err.startswith("orders.csv: nothing was ordered, and no batch came.")
