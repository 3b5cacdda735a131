"""Workbooks opened and saved by LibreOffice, which this project does not need: not tested where it is not installed."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest
from openpyxl import load_workbook
from rich_books import parts, rich_book, sheet_parts, values

from forecast import read_season, write_season
from forecast.planning.whole_order import plan_orders
from forecast.records.records import read_records
from forecast.show.plan_workbook import write_plan_workbook
from forecast.starter.additions import ADDITIONS, NEW
from forecast.starter.answers import Answers
from forecast.starter.starter import begin, start
from forecast.weeks import Week

OFFICE = shutil.which("soffice") or shutil.which("libreoffice")
pytestmark = pytest.mark.skipif(OFFICE is None, reason="LibreOffice is not installed")
FIRST = Week(2026, 40)


@pytest.fixture(scope="module")
def profile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("profile")


@pytest.fixture
def saved(profile: Path, tmp_path: Path):
    def again(book: Path) -> Path:
        """Open a workbook in LibreOffice, and save it elsewhere."""
        out = tmp_path / "saved"
        command = [OFFICE, f"-env:UserInstallation={profile.as_uri()}", "--headless", "--convert-to", "xlsx"]
        subprocess.run([*command, "--outdir", out, book], check=True, capture_output=True, timeout=180)
        return out / book.name

    return again


def test_a_season_to_begin_with_comes_back_the_same(tmp_path: Path, saved) -> None:
    book = tmp_path / "mine.xlsx"
    begin(book, Answers(["aroids", "hostas"], "brisbane", "AUD", ["Coast Lab", "Range Lab"]), first_week=FIRST)
    season = read_season(book)
    assert read_season(saved(book)) == season


def test_an_example_with_everything_that_may_be_added_comes_back_the_same_and_can_be_added_to(tmp_path, saved) -> None:
    book = tmp_path / "mine.xlsx"
    start(book, first_week=FIRST, additions=["ranges", "windows", "channels"])
    season, records = read_season(book), read_records(book)
    other = saved(book)
    assert read_season(other) == season
    assert read_records(other) == records
    for name in (*ADDITIONS, *NEW):
        start(other, additions=[name])
    again = saved(other.rename(tmp_path / "again.xlsx"))
    assert read_season(again) == season
    assert read_records(again) == records


def test_lists_limits_and_notes_are_understood(tmp_path: Path, saved) -> None:
    book = tmp_path / "mine.xlsx"
    start(book, first_week=FIRST)
    before, after = load_workbook(book), load_workbook(saved(book))
    for table in ("varieties", "price_list", "targets", "stages", "counts"):
        kinds = [
            sorted((one.type, one.promptTitle or "") for one in made[table].data_validations.dataValidation)
            for made in (before, after)
        ]
        assert kinds[0]
        assert kinds[0] == kinds[1]
        notes = [
            {cell.coordinate: cell.comment.text for row in made[table] for cell in row if cell.comment}
            for made in (before, after)
        ]
        assert notes[0]
        assert notes[0] == notes[1]


@pytest.mark.filterwarnings("ignore:.* extension is not supported:UserWarning")  # of what reads it back here
@pytest.mark.parametrize("strict", [False, True])
def test_a_workbook_by_hand_that_was_changed_opens_with_all_that_is_in_it(tmp_path: Path, saved, strict: bool) -> None:
    book = rich_book(tmp_path / "mine.xlsx", strict=strict)
    season = read_season(book)
    first, second = season.targets
    other = season.replace(targets=(first.replace(target=450), second))
    write_season(other, book, overwrite=True)
    start(book, additions=["promises", "orders"])
    write_plan_workbook(plan_orders(read_season(book), draws=64, seed=1), book, overwrite=True)
    after = saved(book)
    assert read_season(after) == read_season(book)
    made = load_workbook(after)
    assert made["my sums"]["A2"].value == "=SUM(targets!C2:C40)"
    assert made["old prices"].sheet_state == "hidden"
    assert "wanted" in made.defined_names
    assert [name for name in parts(after) if "media/" in name]
    assert [name for name in parts(after) if "charts/chart" in name]
    assert list(sheet_parts(after)) == list(sheet_parts(book))
    if not strict:
        assert "asked twice" in made["targets"]["C2"].comment.text


def test_what_it_saves_is_changed_in_place(tmp_path: Path, saved) -> None:
    book = saved(rich_book(tmp_path / "mine.xlsx"))
    before, season = parts(book), read_season(book)
    looks = {where: look for where, (_, look) in values(book, "targets").items()}
    first, second = season.targets
    other = season.replace(targets=(first.replace(target=450), second))
    write_season(other, book, overwrite=True)
    assert read_season(book) == other
    after = parts(book)
    changed = {name for name in before if after[name] != before[name]}
    assert changed <= {sheet_parts(book)["targets"], "xl/workbook.xml", "xl/styles.xml"}
    assert {where: look for where, (_, look) in values(book, "targets").items()} == looks
