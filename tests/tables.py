"""Every column of every table, from the rows of the code: ``python tests/tables.py`` writes demo_data/TABLES.md."""

import csv
import inspect
import tomllib
from pathlib import Path

from forecast.records.batches import BatchRecord, CountRecord
from forecast.records.weather_rows import WeatherRecord
from forecast.season.cells import LEAST, Row
from forecast.season.header import Header
from forecast.season.season import TABLES
from forecast.starter.columns import MOST, SETTINGS, described

DEMO = Path(__file__).parents[1] / "demo_data"
PAGE = DEMO / "TABLES.md"
_FIRST = ("varieties", "price_list", "targets", "stages", "places", "climate", "profiles", "orders", "on_hand")
_RECORDS: dict[str, type[Row]] = {"batches": BatchRecord, "counts": CountRecord, "weather": WeatherRecord}
ROWS: dict[str, type[Row]] = {
    **{name: TABLES[name] for name in _FIRST},
    **_RECORDS,
    **{name: kind for name, kind in TABLES.items() if name not in _FIRST},
    "season.toml": Header,
}
"""Row of each table, in the order of the page."""
_LONG = 40  # characters of an example
_HEADINGS = ("meaning", "unit", "what to write", "default", "if empty", "example")
_ABOUT = f"""\
# The tables, column by column

You fill three tables, `varieties`, `price_list` and `targets`; `python -m forecast start` fills in all else that a
first season needs. Columns may be in any order, and those that are not required may be left out.

- A share is written as 0.85, 85 % or 17 in 20. Money is in the currency of the season.
- A week is written as 2027-W14, a day as 2027-04-13; in season.toml texts and weeks are in double quotes.
  README.md says what else is read.
- No number may be above {MOST:,}; if it has to be above 0, a share apart, it is at least {LEAST:f}.
- Columns that are explained together have their meaning in the first one.
- Examples are from the tables of this folder, if they fill the column; long texts are left out.
- The column `note` of every table is yours: anything worth remembering. It changes no number."""


def table(name):
    """Return the cells of each column of a table, by the headings of the page."""
    examples = _examples(name)
    return [
        (
            f"`{one.column}`", one.meaning if one.about == one.column else f"see `{one.about}`", one.unit, one.accepted,
            one.default, one.if_empty, examples.get(one.column, ""),
        )
        for one in described(SETTINGS if name == "season.toml" else name, ROWS[name])
    ]  # fmt: skip


def _examples(name):
    """Return the first short example of each column that the tables of this folder fill."""
    if name == "season.toml":
        rows = [{key: str(value) for key, value in tomllib.loads((DEMO / name).read_text(encoding="utf-8")).items()}]
    elif (DEMO / f"{name}.csv").exists():
        with (DEMO / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
    else:
        return {}
    found = {}
    for row in rows:
        for column, value in row.items():
            if value and len(value) <= _LONG:
                found.setdefault(column, value)
    return found


def page():
    """Return the text of demo_data/TABLES.md."""
    parts = [_ABOUT]
    for name, kind in ROWS.items():
        summary = inspect.cleandoc(kind.__doc__).splitlines()[0]
        first = "setting" if name == "season.toml" else "column"
        rows = [(first, *_HEADINGS), ("---",) * (1 + len(_HEADINGS)), *table(name)]
        lines = ("| " + " | ".join(cell.replace("|", r"\|") for cell in row) + " |" for row in rows)
        title = name if name == "season.toml" else f"{name}.csv"
        opening = summary if name == "season.toml" else f"One row is {summary[0].lower()}{summary[1:]}"
        parts.append(f"## {title}\n\n{opening}\n\n" + "\n".join(lines))
    return "\n\n".join(parts) + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
