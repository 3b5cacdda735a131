"""The commands of a season that runs or is thought over, as a grower types them: today, learn and whatif."""

import csv
import math
import re
from datetime import date
from pathlib import Path

import pytest

import forecast
from forecast.__main__ import main
from forecast.records.records import write_records
from forecast.season.consistency import first_delivery
from forecast.sensitivity.variants import with_deliveries, with_prices, with_survival
from forecast.words.numbers import dated, day, of_20, percent, rounded

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
    assert f"python -m forecast start {folder} --with records writes an empty one: fill in a row for each" in second
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


# learn


@pytest.fixture(scope="module")
def learned():
    """What the demo nursery's records teach."""
    return forecast.learn(forecast.read_season(DEMO), forecast.read_records(DEMO))


def tables_of(printed):
    """Lines of the tables of survivals and of times, in words apart by one space, without their headings."""
    _, survivals, times, *_ = printed.split("\n\n")
    return [[" ".join(line.split()) for line in part.splitlines()[2:]] for part in (survivals, times)]


def test_learn_prints_the_survivals_of_the_call_with_what_was_counted(capsys, learned):
    assert main(["learn", DEMO, "--draws", "64"]) == 0
    found, _ = tables_of(capsys.readouterr().out)
    rows = learned.table().query("what == 'survival'").to_dict("records")
    stages = {row["stage"] for row in rows}
    shares = {(row.variety, stage): row.counted for stage in stages for row in learned.shares(stage).itertuples()}
    expected = []
    for row in rows:
        counted = shares[row["variety"], row["stage"]]
        known = "" if math.isnan(counted) else f"{percent(counted)} % "
        numbers = f"{percent(row['estimate'])} % {known}{percent(row['learned'])} % {row['batches']}"
        expected.append(f"{row['variety']} {row['stage']} {numbers} {percent(row['weight'])} %")
    assert found == expected
    assert any(row["batches"] == 0 for row in rows)  # which have no share counted


def test_learn_prints_each_time_once_for_all_varieties_of_a_route(capsys, learned):
    assert main(["learn", DEMO, "--draws", "64"]) == 0
    _, found = tables_of(capsys.readouterr().out)
    expected = {}
    for row in learned.table().query("what == 'time'").to_dict("records"):
        owner = learned.prior.route(row["variety"])[0].applies_to
        numbers = row["batches"], f"{percent(row['weight'])} %"
        expected[owner, row["stage"]] = "{} {}".format(*numbers)
    assert len(found) == len(expected)
    for line, ((owner, stage), numbers) in zip(found, expected.items(), strict=True):
        assert line.startswith(f"{owner} {stage} ")
        assert line.endswith(f" {numbers}")


def test_learn_says_how_good_forecasts_were_if_batches_are_finished(capsys, started):
    assert main(["learn", str(started), "--draws", "64"]) == 0
    season, records = forecast.read_season(started), forecast.read_records(started)
    printed = capsys.readouterr().out
    assert str(forecast.scorecard(season, records, draws=64)) in printed
    assert str(forecast.learn(season, records)) in printed
    assert "chances are accurate" not in printed


def test_learn_says_nothing_of_forecasts_while_no_batch_is_finished(capsys, started, tmp_path):
    season, records = forecast.read_season(started / "running"), forecast.read_records(started)
    running = records.replace(
        batches=[row for row in records.batches if row.delivered > season.first_week.monday],
        counts=[],
    )
    forecast.write_season(season, tmp_path / "season")
    write_records(running, tmp_path / "season")
    assert main(["learn", str(tmp_path / "season"), "--draws", "64"]) == 0
    printed = capsys.readouterr().out
    assert "Mean forecast error" not in printed
    assert "No batch is finished" not in printed
    assert "kept as estimated" in printed


def test_learn_writes_the_learned_season_and_replaces_nothing_unasked(capsys, started, tmp_path):
    out = tmp_path / "deep" / "learned"
    arguments = ["learn", str(started), "--draws", "64", "--write", str(out)]
    assert main(arguments) == 0
    assert capsys.readouterr().out.endswith(f"Written to {out}. To order by it: python -m forecast order {out}\n")
    season = forecast.learn(forecast.read_season(started), forecast.read_records(started))
    forecast.write_season(season, tmp_path / "same")
    written = {file.name: file.read_bytes() for file in out.iterdir()}
    assert written == {file.name: file.read_bytes() for file in (tmp_path / "same").iterdir()}
    (out / "stages.csv").write_text("mine", encoding="utf-8")
    assert main(arguments) == 2
    printed = capsys.readouterr()
    assert (printed.out, "already exists" in printed.err) == ("", True)
    assert (out / "stages.csv").read_text(encoding="utf-8") == "mine"
    assert main([*arguments, "--overwrite"]) == 0
    assert (out / "stages.csv").read_bytes() == written["stages.csv"]


def test_learn_writes_decimal_commas_where_the_season_has_them(started, tmp_path):
    mine, out = tmp_path / "mine", tmp_path / "learned"
    mine.mkdir()
    for file in started.glob("*.*"):
        text = file.read_text(encoding="utf-8")
        if file.suffix == ".csv":
            rows = csv.reader(line for line in text.splitlines() if not line.lstrip('"').startswith("#"))
            cells = [[re.sub(r"^(-?\d+)\.(\d+)$", r"\1,\2", cell) for cell in row] for row in rows]
            text = "".join(f"{';'.join(cell.replace(';', ',') for cell in row)}\n" for row in cells)
        (mine / file.name).write_text(text, encoding="utf-8")
    assert main(["learn", str(mine), "--draws", "64", "--write", str(out)]) == 0
    written = (out / "stages.csv").read_text(encoding="utf-8")
    assert re.search(r";0,\d+;", written)
    assert not re.search(r";0\.\d+;", written)
    season = forecast.learn(forecast.read_season(started), forecast.read_records(started))
    assert [row.survival for row in forecast.read_season(out).stages] == [row.survival for row in season.stages]


@pytest.mark.parametrize("extra", [[], ["--overwrite"]])
def test_learn_does_not_replace_the_figures_that_it_learns_from(capsys, started, extra):
    before = {file: file.read_bytes() for file in started.rglob("*.*")}
    assert main(["learn", str(started), "--write", str(started), *extra]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert "the folder of your own figures. Choose another one" in printed.err
    assert {file: file.read_bytes() for file in started.rglob("*.*")} == before


def test_learn_without_records_says_which_tables_it_needs(capsys, part_folder, tmp_path):
    out = tmp_path / "learned"
    assert main(["learn", part_folder, "--write", str(out)]) == 2
    printed = capsys.readouterr()
    assert printed.err.startswith("batches.csv: there is no such table of records. python -m forecast start")
    assert (printed.out, out.exists()) == ("", False)
    assert main(["learn", RUNNING, "--records", DEMO, "--write", ""]) == 2
    assert "folder, '': empty. Choose a folder" in capsys.readouterr().err


# whatif


@pytest.fixture(scope="module")
def ordered(part):
    """The part of the demo nursery with what its plan orders."""
    return part.replace(orders=forecast.plan_orders(part, draws=64).orders)


CHANGES = {
    ("--survival", "acclimatisation -10"): lambda season: with_survival(season, "acclimatisation", -0.1),
    ("--week", "+2"): lambda season: with_deliveries(season, 2),
    ("--week", "-1"): lambda season: with_deliveries(season, -1),
    ("--price", "-10%"): lambda season: with_prices(season, 0.9),
}


@pytest.mark.parametrize("given", CHANGES)
def test_whatif_prints_what_the_comparison_of_the_plan_under_the_change_says(capsys, part_folder, ordered, given):
    assert main(["whatif", part_folder, *given, "--draws", "64"]) == 0
    found = forecast.compare(ordered, CHANGES[given](ordered), draws=64)
    heading, table, *_ = capsys.readouterr().out.split("\n\n")
    assert heading.startswith(f"{ordered.name}, the plan's orders if ")
    money, table = found.money().iloc[0], [" ".join(line.split()) for line in table.splitlines()[1:]]
    sides = [f"{float(f'{money[name]:.3g}'):,.0f}" for name in ("margin", "other_margin")]
    assert table[0].startswith(f"expected margin, EUR {sides[0]} {sides[1]} ")
    rows = found.table().to_dict("records")
    assert len(table) == len(rows) + 1
    for line, row in zip(table[1:], rows, strict=True):
        assert line.startswith(row["variety"])
        assert f" {dated(row['week'])} {of_20(row['chance'])} {of_20(row['other_chance'])} " in line


def test_whatif_shows_no_difference_within_the_noise(capsys, part_folder, ordered):
    """Prices change no chance; and no difference shown is within twice its error."""
    assert main(["whatif", part_folder, "--price", "+10%", "--draws", "64"]) == 0
    table = capsys.readouterr().out.split("\n\n")[1].splitlines()[1:]
    assert not table[0].endswith("none")
    assert all(line.endswith(" none") for line in table[1:])
    assert main(["whatif", part_folder, "--week", "+1", "--draws", "64"]) == 0
    table = capsys.readouterr().out.split("\n\n")[1].splitlines()[2:]
    effects = forecast.compare(ordered, with_deliveries(ordered, 1), draws=64).effects().query("what == 'chance'")
    shown = [not line.endswith((" none", " too small to tell")) for line in table]
    seen = (effects["difference"].abs() > 2 * effects["error"]).tolist()
    assert not any(one and not other for one, other in zip(shown, seen, strict=True))
    assert any(shown)


def test_whatif_of_one_variety_changes_no_other(capsys, part_folder):
    name = "Hosta 'Orrinfall'"
    survival = ["--survival", "acclimatisation -10", "--variety", name]
    assert main(["whatif", part_folder, *survival, "--draws", "64"]) == 0
    table = capsys.readouterr().out.split("\n\n")[1].splitlines()[2:]
    assert all(line.endswith(" none") == (name not in line) for line in table)


@pytest.mark.parametrize(
    ("given", "told"),
    [
        (
            ["--survival", "acclimatisation"],
            "--survival, 'acclimatisation': not such a change. Write a stage and points",
        ),
        (
            ["--survival", "acclimation -10"],
            "--survival, 'acclimation': no variety asked for has such a stage. Did you",
        ),
        (["--survival", "acclimatisation +40"], "--survival, '+40': survival of "),
        (["--week", "2 days"], "--week, '2 days': not such a change. Write whole weeks later or earlier, such as +2"),
        (["--week", "+0"], "--week, '+0': not such a change."),
        (["--price", "10"], "--price, '10': not such a change. Write per cent more or less, such as +10% or -10%."),
        (["--price", "-100%"], "--price, '-100%': no price is left."),
        (["--price", "+10%", "--variety", "Hosta"], "--variety, 'Hosta': "),
    ],
)
def test_whatif_refuses_other_changes_with_an_example_before_any_work_is_done(
    given, told, capsys, part_folder, monkeypatch
):
    monkeypatch.setattr("forecast.planning.whole_order.plan_orders", lambda *_, **__: pytest.fail("it worked"))
    assert main(["whatif", part_folder, *given]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.startswith(told)


def test_whatif_needs_one_change(capsys, part_folder):
    for given in ([], ["--week", "+1", "--price", "+10%"]):
        with pytest.raises(SystemExit) as ended:
            main(["whatif", part_folder, *given])
        assert ended.value.code == 2
    assert "not allowed with argument" in capsys.readouterr().err


def test_help_lists_the_commands_in_the_order_of_a_season_with_three_examples(capsys):
    with pytest.raises(SystemExit):
        main(["--help"])
    printed = capsys.readouterr().out
    names = [line.split()[0] for line in printed.splitlines() if line.startswith("    ") and line[4] != " "]
    assert names == ["start", "check", "order", "report", "today", "learn", "whatif"]
    assert printed.split("examples:\n")[1].count("\n  python -m forecast") == 2
