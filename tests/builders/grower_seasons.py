"""Six seasons of growers that are not the demo, each in a folder of its own, with invented varieties and labs."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from openpyxl import Workbook
from other_seasons import FEW, OWN_NAMES, SOUTHERN
from simulated_records import Truth, simulated

import forecast
from forecast.io.csv_folder import table_text
from forecast.records.batches import BatchRecord, CountRecord
from forecast.season.propagation_rows import Culture
from forecast.season.season import TABLES, Season
from forecast.starter.answers import Answers
from forecast.starter.starter import begin
from forecast.weeks import Week

FIRST = Week(2027, 2)
CROPS = (
    "Calathea, Syngonium, Rex begonia, Peperomia, Caladium, Gerbera, Heuchera, Lavender, Echinacea, Statice, "
    "Boston fern, Ornamental grass, African violet, Alstroemeria, Chrysanthemum, Raspberry, Strawberry, Banana, "
    "Ginger, Turmeric, Sundew, Prayer plant, Bulb, Calla, Fern, Pot flower, Fig, Potato, Sugarcane, Alocasia"
)


def _begun(folder: Path, crops: str, climate: str, currency: str, labs: str, bench: float | None = None) -> Season:
    """Begin a season from a few answers, as `start --crops` does."""
    answers = Answers(tuple(crops.split(", ")), climate, currency, tuple(labs.split(", ")), "plugs", bench)
    return begin(folder, answers, first_week=FIRST)[0]


def _written(folder: Path, texts: dict[str, str]) -> Path:
    folder.mkdir()
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def southern(folder: Path) -> Path:
    """Foliage in a warm southern place, as `start --crops` writes it, with examples for prices and sales."""
    _begun(folder, "Calathea, Syngonium, Rex begonia", "brisbane", "AUD", "Lab Wattle")
    return folder


def one_variety(folder: Path) -> Path:
    """A single variety from a single lab."""
    _begun(folder, "Strawberry", "london", "GBP", "Lab Rill", 60)
    return folder


def no_prices(folder: Path) -> Path:
    """A dozen orchids for each buyer, in weeks of a climate of their own; what they sell for is not said."""
    rows = [row.split(",") for row in FEW["varieties.csv"].splitlines()]
    kept = [at for at, name in enumerate(rows[0]) if not name.endswith("price")]
    varieties = "".join(",".join(row[at] for at in kept) + "\n" for row in rows)
    return _written(folder, FEW | {"varieties.csv": varieties})


def own_stages(folder: Path) -> Path:
    """One fern through stages by names of its own, counted this year and last, and multiplied in vitro, too."""
    _written(folder, OWN_NAMES)
    season = forecast.read_season(folder)
    (variety,) = (row.variety for row in season.varieties)
    truth = Truth({(variety, row.stage): 0.9 for row in season.stages}, 40, {"wean": 3.5, "tray": 6.0, "pot": 7.0})
    days = [date(2026, 1, 12) + timedelta(weeks=2 * at) for at in range(6)] + [date(2027, 1, 18)]
    deliveries = [(variety, day, 250) for day in days]
    made = simulated(season, deliveries, truth, np.random.default_rng(3), labs=("Lab One", "Lab Two"))
    records = made.until(date(2027, 5, 3))
    (folder / "batches.csv").write_text(table_text(records.batches, BatchRecord), encoding="utf-8")
    (folder / "counts.csv").write_text(table_text(records.counts, CountRecord), encoding="utf-8")
    culture = Culture(
        variety=variety, explants=40, start_weeks=2, start_contamination=0.1, cycle_weeks=2, multiplication="3",
        multiplication_cv=0.2, multiplication_level="season 0.3 cycle 0.7", explants_cv=0.7, contamination="0.04",
        contamination_level="cycle",
        explants_per_vessel=5, most_cycles=4, rooting_weeks=2, rooting=0.9, rooting_level="batch",
        rooting_per_vessel=15, deflasking=0.95, enters="wean", cost_start=50, cost_per_explant=1, cost_per_vessel=0.5,
    )  # fmt: skip
    (folder / "cultures.csv").write_text(table_text([culture], Culture), encoding="utf-8")
    return folder


def workbook(folder: Path) -> Path:
    """Shrubs of a southern winter, with a heated tunnel; all tables are sheets of one workbook."""
    season = forecast.read_season(_written(folder, SOUTHERN))
    for name in SOUTHERN:
        (folder / name).unlink()
    book = Workbook()
    sheet = book.active
    sheet.title = "season"
    header = {"name": season.name, "currency": season.currency, "first_week": str(season.first_week)}
    header |= {"weeks": season.weeks, "service_level": season.service_level, "hourly_wage": season.hourly_wage}
    sheet.append([*header])
    sheet.append([*header.values()])
    for table in TABLES:
        if getattr(season, table):
            rows = season.table(table)
            sheet = book.create_sheet(table)
            sheet.append(rows.columns.tolist())
            for row in rows.to_numpy().tolist():
                sheet.append([None if cell == "" else cell for cell in row])
    book.save(folder / "season.xlsx")
    return folder / "season.xlsx"


def sixty(folder: Path) -> Path:
    """Sixty varieties of thirty crops, two of each, that two labs deliver in eight weeks of spring."""
    season = _begun(folder, CROPS, "london", "EUR", "Lab Ash, Lab Elm", 900)
    spring = {"first_week": FIRST + 16, "last_week": FIRST + 23}

    def two(rows: tuple[object, ...]) -> tuple[object, ...]:
        return tuple(
            row.replace(variety=row.variety.replace("Example", name)) for name in ("Ama", "Bel") for row in rows
        )

    prices = tuple(row.replace(**spring) for row in season.price_list)
    tables = {"varieties": two(season.varieties), "price_list": two(prices), "targets": two(season.targets)}
    forecast.write_season(season.replace(**tables), folder, overwrite=True)
    return folder


SEASONS: dict[str, Callable[[Path], Path]] = {
    one.__name__: one for one in (southern, one_variety, no_prices, own_stages, workbook, sixty)
}
EACH = [pytest.param(name, marks=pytest.mark.xdist_group(name)) for name in SEASONS]
"""Their names; the tests of one season run in one process."""
