"""A workbook of which a part is missing, cut short or empty: changed soundly or refused, and then left as it was."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest
from rich_books import parts, rich_book

from forecast import read_season, write_season
from forecast.errors import Refused
from forecast.starter.answers import Answers
from forecast.starter.starter import begin, start
from forecast.weeks import Week

PARTS = [
    "[Content_Types].xml", "_rels/.rels", "xl/workbook.xml", "xl/_rels/workbook.xml.rels", "xl/styles.xml",
    "xl/sharedStrings.xml", "xl/worksheets/sheet6.xml", "xl/worksheets/_rels/sheet6.xml.rels", "xl/comments1.xml",
    "xl/drawings/vmlDrawing1.vml", "xl/threadedComments/threadedComment1.xml", "xl/charts/chart1.xml",
]  # fmt: skip
BREAKS = {"missing": lambda _: None, "cut short": lambda data: data[: len(data) // 2], "empty": lambda _: b""}


@pytest.mark.parametrize("name", PARTS)
@pytest.mark.parametrize("how", BREAKS)
def test_a_broken_part_is_refused_or_does_not_matter(tmp_path: Path, name: str, how: str) -> None:
    book = rich_book(tmp_path / "mine.xlsx")
    season = read_season(book)
    first, second = season.targets
    other = season.replace(targets=(first.replace(target=450), second))
    whole = parts(book)
    broken = BREAKS[how](whole.pop(name))
    if broken is not None:
        whole[name] = broken
    with zipfile.ZipFile(book, "w") as archive:
        for part, data in whole.items():
            archive.writestr(part, data)
    before = book.read_bytes()
    told = ""
    try:
        write_season(other, book, overwrite=True)
        start(book, additions=["promises", "orders"])
    except Refused as error:
        told = str(error)
    assert told == "" or told.startswith("mine.xlsx")
    assert (told and book.read_bytes() == before) or read_season(book) == other
    assert all(parts(book)[part] == data for part, data in whole.items() if "chart" in part or "media" in part)


def test_a_season_begins_in_a_workbook_with_sheets_of_its_own(tmp_path: Path) -> None:
    tables = {"my prices": [["plant", "price"], ["Hosta", 2.5]]}
    book = rich_book(tmp_path / "mine.xlsx", tables=tables, notes=False)
    before = parts(book)
    season, _ = begin(book, Answers(["hostas"], "de bilt"), first_week=Week(2026, 40))
    assert read_season(book) == season
    after = parts(book)
    changed = {name for name, data in before.items() if after[name] != data}
    assert changed <= {"[Content_Types].xml", "xl/workbook.xml", "xl/_rels/workbook.xml.rels", "xl/styles.xml"}
