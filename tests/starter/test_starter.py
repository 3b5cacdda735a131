"""A first season, and what is added to it by name."""

from __future__ import annotations

import csv
import warnings
from pathlib import Path

import pytest
from refusals import refused_lines

from forecast.__main__ import main
from forecast.io.seasons import read_season
from forecast.season.season import TABLES
from forecast.starter.additions import ADDITIONS
from forecast.starter.starter import start
from forecast.weeks import Week

FIRST = Week(2026, 40)
FILLED = ("varieties", "price_list", "targets")  # by a grower; the others are there to begin with


def lines(folder: Path, table: str) -> list[list[str]]:
    with (folder / f"{table}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file))


def header(folder: Path, table: str) -> list[str]:
    return next(row for row in lines(folder, table) if not row[0].startswith("#"))


def remarks(folder: Path, table: str) -> str:
    return "\n".join(row[0] for row in lines(folder, table) if row[0].startswith("#"))


@pytest.fixture
def begun(tmp_path: Path) -> Path:
    """A folder with a first season."""
    start(tmp_path / "season", first_week=FIRST)
    return tmp_path / "season"


def sound(folder: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        read_season(folder)


def test_a_first_season_is_three_tables_of_at_most_fifteen_columns(begun: Path) -> None:
    columns = {table: header(begun, table) for table in FILLED}
    assert sum(map(len, columns.values())) <= 15
    assert columns["targets"] == ["variety", "week", "target"]
    assert not (begun / "profiles.csv").exists()
    sound(begun)


def test_what_a_first_season_lacks_is_not_explained(begun: Path) -> None:
    for table in FILLED:
        said = remarks(begun, table)
        for column in TABLES[table].model_fields:
            assert (column in header(begun, table)) == any(
                column in line.split(":")[0].removeprefix("# ").split(", ")
                for line in said.splitlines()
                if not line.startswith(("# Required", "# One row", "# More columns"))
            ), column
        assert all(
            (name in said) == (one.table == table) for name, one in ADDITIONS.items() if name not in ("terms", "stages")
        )
        assert ("--with terms" in said) == (table == "price_list")


@pytest.mark.parametrize("name", ADDITIONS)
def test_a_season_begins_with_what_is_named_and_examples_of_it(name: str, tmp_path: Path) -> None:
    assert start(tmp_path, first_week=FIRST, additions=[name]) == {}
    sound(tmp_path)
    season, one = read_season(tmp_path), ADDITIONS[name]
    assert set(one.columns) <= set(header(tmp_path, one.table))
    for column in one.columns:
        assert column in remarks(tmp_path, one.table)
        assert any(getattr(row, column) not in (None, 0) for row in getattr(season, one.table))
    assert bool(season.profiles) is one.profiles
    others = {other for each in ADDITIONS.values() for other in each.columns} - set(one.columns)
    assert not others & {column for table in FILLED for column in header(tmp_path, table)}


def test_all_of_them_make_one_sound_season(tmp_path: Path) -> None:
    assert main(["start", str(tmp_path), "--with", ",".join(ADDITIONS)]) == 0
    sound(tmp_path)
    assert "More columns" not in "".join(remarks(tmp_path, table) for table in FILLED)


def test_to_a_season_that_is_there_empty_columns_are_added_and_nothing_else_changes(
    begun: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before, files = read_season(begun), {file: file.read_bytes() for file in begun.rglob("*") if file.is_file()}
    assert main(["start", str(begun), "--with", "windows", "--with", "promises,leftovers"]) == 0
    added = "until, profile, price_end, promised, promised_share, short_cost, waits"
    assert capsys.readouterr().out.splitlines() == [
        f"Added to {begun / 'targets.csv'}: {added}.",
        f"Added to {begun / 'varieties.csv'}: markdown_price, outlet.",
        f"Added to {begun / 'profiles.csv'}: profile, week, weight.",
    ]
    assert read_season(begun).replace(profiles=()) == before
    changed = {file.name for file, data in files.items() if file.read_bytes() != data}
    assert changed == {"targets.csv", "varieties.csv"}
    assert header(begun, "targets") == ["variety", "week", "until", "target", *added.split(", ")[1:]]
    assert "until: Last week of sale" in remarks(begun, "targets")
    assert "--with ranges or channels" in remarks(begun, "targets")
    assert main(["start", str(begun), "--with", "windows"]) == 0
    assert capsys.readouterr().out == f"The tables in {begun} have these columns already.\n"


def test_a_table_keeps_its_form_its_remarks_and_its_notes(begun: Path) -> None:
    text = (
        '# mine, all of it\n\nvariety;week;target;note\n"Hosta \'First\'";2027-W40;400;"one;\n""two"""\n'
        "# later\nHosta 'Second';2027-W41;200\n"
    )
    (begun / "targets.csv").write_text("\ufeff" + text, encoding="utf-8", newline="")
    before = read_season(begun)
    assert start(begun, additions=["channels"]) == {"targets.csv": ["channel", "price"]}
    found = (begun / "targets.csv").read_text(encoding="utf-8")
    assert found.startswith("\ufeff# mine, all of it\n\n# channel: ")
    assert "\nvariety;week;target;channel;price;note\n" in found
    assert "\n# later\n" in found
    assert "\r" not in found
    assert read_season(begun) == before


def test_what_is_not_known_is_refused_with_what_is_and_nothing_is_written(
    begun: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = (
        "with, 'window': there is nothing of this name to add. Give ranges, windows, channels, promises, terms, "
        "leftovers, costs, stages, orders, stock, records, cultures or divisions."
    )
    assert refused_lines(start, begun, additions=["ranges", "window"]) == [told]
    assert main(["start", str(tmp_path / "new"), "--with", "window"]) == 2
    assert capsys.readouterr().err.splitlines()[0] == told
    assert not (tmp_path / "new").exists()
    assert header(begun, "targets") == ["variety", "week", "target"]


def test_a_header_at_fault_is_reported_before_a_column_is_added(begun: Path) -> None:
    file = begun / "targets.csv"
    file.write_text(file.read_text(encoding="utf-8").replace("target\n", "tarjet\n"), encoding="utf-8")
    assert "no such column. Did you mean 'target'?" in refused_lines(start, begun, additions=["ranges"])[0]
    file.unlink()
    assert "there is no such file" in refused_lines(start, begun, additions=["ranges"])[0]


def test_a_season_that_is_replaced_begins_anew(begun: Path) -> None:
    (begun / "targets.csv").write_text("variety,week,target\nHosta 'First',2027-W40,1\n", encoding="utf-8")
    assert start(begun, first_week=FIRST, overwrite=True, additions=["ranges"]) == {}
    assert [row.median_demand for row in read_season(begun).targets] == [400, 200]


def test_help_opens_with_start_check_order_and_report(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["--help"])
    printed = capsys.readouterr().out
    places = [printed.index(f"\n    {name} ") for name in ("start", "check", "order", "report")]
    assert places == sorted(places)
    assert "\n    " not in printed[: places[0]]
