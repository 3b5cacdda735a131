"""From an empty folder to a printed order for twelve varieties, by somebody who types only what a person would."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from forecast.__main__ import main

MOST_TYPED = 120  # cells and answers
LEAD_WEEKS = 16  # the same in all lines: typed once and filled down
VARIETIES = [  # invented: variety, crop, sale price, lab, price of a plantlet, plants wanted
    ("Philodendron 'Moss Lantern'", "Philodendron", 14, "Coast Lab", 2.1, 200),
    ("Monstera 'Grey Harbour'", "Monstera", 19, "Coast Lab", 3.4, 120),
    ("Alocasia 'Tin Shield'", "Alocasia", 16, "Coast Lab", 2.6, 150),
    ("Echeveria 'Salt Rose'", "Echeveria", 7, "Range Lab", 0.9, 400),
    ("Echeveria 'Dusk'", "Echeveria", 7, "Range Lab", 0.9, 300),
    ("Calathea 'Ribbonwing'", "Calathea", 15, "Coast Lab", 2.2, 180),
    ("Syngonium 'Pale Tide'", "Syngonium", 9, "Coast Lab", 1.2, 300),
    ("Agave 'Little Anvil'", "Agave", 18, "Range Lab", 2.8, 100),
    ("Haworthia 'Glass Step'", "Haworthia", 8, "Range Lab", 1.1, 250),
    ("Spathiphyllum 'Low Lamp'", "Spathiphyllum", 10, "Coast Lab", 1.0, 300),
    ("Boston fern 'Tumble'", "Boston fern", 9, "Coast Lab", 0.8, 300),
    ("Anthurium 'Ember Dish'", "Anthurium", 17, "Coast Lab", 1.9, 150),
]


def rows_of(folder: Path, table: str) -> list[dict[str, str]]:
    with (folder / f"{table}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(line for line in file if not line.lstrip('"').startswith("#")))


class Sheet:
    """A table as a grower fills it: the header stays, each cell typed counts.

    A column that is filled down, or pasted from another table, counts once.
    """

    typed = 0
    there: list[list[object]] = []  # noqa: RUF012 (columns that are in a table already)

    def __init__(self, folder: Path, table: str) -> None:
        self.file = folder / f"{table}.csv"
        self.columns = list(rows_of(folder, table)[0])

    def fill(self, **cells: list[object]) -> None:
        assert set(cells) == set(self.columns)
        for column in cells.values():
            Sheet.typed += 1 if len(set(column)) == 1 or column in Sheet.there else len(column)
            Sheet.there.append(column)
        with self.file.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(self.columns)
            writer.writerows(zip(*(cells[name] for name in self.columns), strict=True))


def test_twelve_varieties_are_ordered_from_nothing_with_few_cells(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, Sheet.typed, Sheet.there = tmp_path / "nursery", 0, []
    names, crops, sold, labs, bought, wanted = (list(column) for column in zip(*VARIETIES, strict=True))
    asked = ["--crops", ", ".join(dict.fromkeys(crops)), "--climate", "brisbane", "--currency", "AUD"]
    answers = len(dict.fromkeys(crops)) + 2 + 2  # each crop, climate, currency, both labs
    assert main(["start", str(folder), *asked, "--labs", "Coast Lab, Range Lab"]) == 0
    printed = capsys.readouterr().out
    groups = {row["variety"].removesuffix(" 'Example'"): row["group"] for row in rows_of(folder, "varieties")}
    weeks = {row["variety"].removesuffix(" 'Example'"): row["week"] for row in rows_of(folder, "targets")}
    assert all(f"\n  {crop}" in printed for crop in groups)  # what was assumed of each
    example = dict(zip(dict.fromkeys(crops), groups, strict=True))
    group = [example[crop] for crop in crops]
    Sheet(folder, "varieties").fill(variety=names, group=[groups[name] for name in group], sale_price=sold)
    Sheet(folder, "price_list").fill(lab=labs, variety=names, unit_price=bought, lead_weeks=[LEAD_WEEKS] * len(names))
    Sheet(folder, "targets").fill(variety=names, week=[weeks[name] for name in group], target=wanted)
    assert answers + Sheet.typed <= MOST_TYPED
    assert main(["check", str(folder)]) == 0
    assert "No problems found" in capsys.readouterr().out
    assert main(["order", str(folder), "--draws", "64"]) == 0
    ordered = capsys.readouterr().out
    assert all(ordered.count(name) >= 2 for name in names)  # a line to order, and its target
    assert "expected margin" in ordered
