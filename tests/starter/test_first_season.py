"""A first season from crops and a climate: it forecasts at once, and says what it assumed."""

from __future__ import annotations

import csv
import warnings
from pathlib import Path

import pytest
from refusals import refused_lines

from forecast.__main__ import main
from forecast.io.seasons import read_season
from forecast.planning.whole_order import plan_orders
from forecast.season.season import Season
from forecast.starter import questions
from forecast.starter.additions import ALL
from forecast.starter.answers import FORMS, SPRING, Answers, first_season
from forecast.starter.columns import FILLED
from forecast.starter.starter import begin
from forecast.weeks import Week
from forecast.words.starting import ADDED

FIRST = Week(2026, 40)
SOUTH = Answers(["aroids", "echeverias"], "brisbane", "AUD", ["Coast Lab", "Range Lab"])


def filled(folder: Path) -> dict[str, list[str]]:
    found = {}
    for table in FILLED:
        with (folder / f"{table}.csv").open(encoding="utf-8", newline="") as file:
            found[table] = next(row for row in csv.reader(file) if not row[0].startswith("#"))
    return found


@pytest.fixture
def begun(tmp_path: Path) -> tuple[Path, Season]:
    season, _ = begin(tmp_path / "mine", SOUTH, first_week=FIRST)
    return tmp_path / "mine", season


def test_it_is_three_tables_of_at_most_fifteen_columns_and_nothing_absent_is_mentioned(begun) -> None:
    folder, _ = begun
    assert sum(map(len, filled(folder).values())) <= 15
    there = {file.name for file in folder.iterdir() if file.is_file()}
    assert there == {"season.toml", *(f"{table}.csv" for table in (*FILLED, "stages", "places", "climate"))}
    settings = (folder / "season.toml").read_text(encoding="utf-8")
    for absent in ("budget", "overdraft", "demand_cv", "opening_cash"):
        assert absent not in settings
    for table in FILLED:
        text = (folder / f"{table}.csv").read_text(encoding="utf-8")
        assert "promised:" not in text
        assert "deposit:" not in text


def test_it_is_read_back_as_it_was_made_without_a_warning_and_plans(begun) -> None:
    folder, season = begun
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert read_season(folder) == season
        plan = plan_orders(season, draws=64, seed=1)
    assert {row.variety for row in plan.orders} == {row.variety for row in season.varieties}


@pytest.mark.parametrize("first", [Week(2026, 1), Week(2026, 20), Week(2026, 40), Week(2026, 53)])
@pytest.mark.parametrize(
    ("climate", "southern"), [("brisbane", True), ("de bilt", False), ("-41", True), ("52", False)]
)
def test_plants_are_sold_in_the_spring_of_their_half_of_the_earth_and_can_be_ready(climate, southern, first) -> None:
    season, _ = first_season(Answers(["hostas", "orchids"], climate), first)
    month, day = SPRING[southern]
    for row in season.targets:
        assert (row.week.monday.month, row.week.monday.day // 7) in {(month, day // 7), (month, day // 7 - 1)}
        assert row.week - first >= 16 + 8


def test_hardy_crops_are_hardened_off_outside_and_tender_ones_kept_warm() -> None:
    hardy, _ = first_season(Answers(["hosta"], "de bilt"), FIRST)
    tender, _ = first_season(Answers(["aroids"], "de bilt"), FIRST)
    assert [row.place for row in hardy.places] == ["covered house", "shade house"]
    assert [row.place for row in tender.places] == ["covered house"]
    assert hardy.places[0].held_above < tender.places[0].held_above


@pytest.mark.parametrize("plants", FORMS)
def test_what_labs_send_moves_the_order(plants) -> None:
    usual, _ = first_season(Answers(["aroids"], "brisbane"), FIRST)
    other, _ = first_season(Answers(["aroids"], "brisbane", plants=plants), FIRST)
    orders = [
        sum(row.quantity for row in plan_orders(one, aim="cost", draws=64, seed=1).orders) for one in (usual, other)
    ]
    usual_order, order = orders
    if plants == "plantlets":
        assert order == usual_order
    elif plants == "unrooted plantlets":
        assert order > usual_order
    else:
        assert order < usual_order


def test_everything_that_is_not_known_is_refused_at_once_and_nothing_is_written(tmp_path) -> None:
    answers = Answers(["hostas", "triffids"], "atlantis", plants="seeds")
    lines = refused_lines(begin, tmp_path / "mine", answers)
    assert [line.split(":")[0] for line in lines] == ["crop, 'triffids'", "climate, 'atlantis'", "plants, 'seeds'"]
    assert not (tmp_path / "mine").exists()


def test_from_the_command_line_it_says_what_to_fill_in_and_what_it_assumed(tmp_path, capsys) -> None:
    folder = tmp_path / "our nursery"
    asked = ["start", str(folder), "--crops", "aroids, echeverias", "--climate", "brisbane", "--currency", "aud"]
    assert main(asked) == 0
    printed = capsys.readouterr().out
    assert "varieties.csv, price_list.csv and targets.csv" in printed
    assert "Brisbane Aero, Australia, 27° S" in printed
    for name in ("Aroid", "Echeveria"):
        assert f"\n  {name}" in printed
    assert "AUD" in printed
    assert f'check "{folder}"\n' in printed
    assert main(["check", str(folder)]) == 0
    assert main(["order", str(folder), "--draws", "64"]) == 0
    assert main(asked) == 2  # nothing is replaced unasked


def test_more_is_added_by_name_when_it_begins_and_later(tmp_path) -> None:
    begin(tmp_path / "mine", SOUTH, first_week=FIRST, additions=["orders", "costs"])
    assert (tmp_path / "mine" / "orders.csv").exists()
    assert main(["start", str(tmp_path / "mine"), "--with", "stock,records"]) == 0
    assert {"on_hand.csv", "batches.csv", "counts.csv"} <= {file.name for file in (tmp_path / "mine").iterdir()}
    assert main(["check", str(tmp_path / "mine")]) == 0


def test_the_list_shows_crops_and_climates(capsys) -> None:
    assert main(["start", "--list"]) == 0
    printed = capsys.readouterr().out
    assert "Echeveria" in printed
    assert "Brisbane Aero" in printed
    assert max(map(len, printed.splitlines())) <= 80


def test_questions_are_asked_until_they_are_answered() -> None:
    typed = iter(
        ["triffids", "aroids, echeverias", "atlantis", "brisbane", "dollars", "aud", "Coast Lab", "", "-3", "80"]
    )
    said: list[str] = []
    answers = questions.ask_all(lambda _: next(typed), said.append)
    assert answers == Answers(["aroids", "echeverias"], "brisbane", "AUD", ["Coast Lab"], "plantlets", 80.0)
    assert len(said) == 4
    assert next(typed, None) is None


def test_nothing_is_asked_where_a_season_is_there_already(tmp_path, capsys, monkeypatch) -> None:
    folder = str(tmp_path / "mine")
    begin(folder, Answers(["ferns"], "auckland"))
    monkeypatch.setattr("forecast.command_line._at_terminal", lambda: True)
    monkeypatch.setattr("builtins.input", lambda _: pytest.fail("a question was asked"))
    assert main(["start", folder]) == 2
    assert capsys.readouterr().err.startswith(f"folder, '{folder}': there is a season already. Choose another name, ")


def test_a_currency_is_refused_as_it_was_typed() -> None:
    assert refused_lines(questions.currency_of, "euros") == [
        "currency, 'euros': not a currency code. Write its three capital letters, such as EUR."
    ]


def test_comments_offer_no_choice_of_columns_that_are_not_there(tmp_path) -> None:
    begin(tmp_path / "mine", Answers(["ferns"], "auckland"))
    texts = {name: (tmp_path / "mine" / f"{name}.csv").read_text(encoding="utf-8") for name in ("climate", "stages")}
    assert "month: 1 (January) to 12.\n" in texts["climate"].replace("\r\n", "\n")
    assert not any("Or:" in text for text in texts.values())


def test_the_help_of_start_explains_every_name_of_with(capsys):
    assert set(ADDED) == set(ALL)
    with pytest.raises(SystemExit):
        main(["start", "--help"])
    printed = capsys.readouterr().out
    assert all(f"  {name} " in printed and what in printed for name, what in ADDED.items())
    assert max(map(len, printed.split("names of")[1].splitlines())) <= 80
