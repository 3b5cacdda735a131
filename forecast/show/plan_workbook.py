"""The plan as one workbook: the season as it is read, what comes of it, and what it rests on."""

from __future__ import annotations

import os
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pandas as pd

from forecast.errors import Fault, Refused, refuse
from forecast.growth.outcome import Outcome
from forecast.growth.summaries import RANGE_NAMES
from forecast.io.csv_folder import table_cells
from forecast.io.files_in import OPTIONAL
from forecast.io.files_out import write_texts
from forecast.planning.plan import Plan
from forecast.records.learned_season import LearnedSeason
from forecast.resources.bench_use import bench_space
from forecast.resources.labour import hours_of_work
from forecast.resources.money_flow import cash_flow
from forecast.season.cells import SPREADSHEET_ERROR
from forecast.season.rows import Header
from forecast.season.season import TABLES, Season
from forecast.show.page import CAUTIONS
from forecast.show.sheets import escaped, order_sheet, workbook
from forecast.weeks import Week

_RESULT = "result "  # names of sheets that are not read back
_LONGEST = 32_767  # characters in a cell of a workbook
_NOT_XML = ("\ufffe", "\uffff")
_PLANTS = dict.fromkeys((*RANGE_NAMES, "quantity", "target"), "#,##0")
_MEASURED = dict.fromkeys((*RANGE_NAMES, "available", "hours"), "#,##0.00")
_CHANCE = "0.00##"
_FORMATS: dict[str, dict[str, str]] = {
    **{name: {} for name in ("season", *TABLES, "assumptions")},  # as they were written
    "result targets": {**_PLANTS, "chance": _CHANCE},
    "result saleable": _PLANTS,
    "result benches": {**_MEASURED, "overrun": _CHANCE},
    "result work": _MEASURED,
    "result moves": {**_PLANTS, "hours": "#,##0.00"},
}


def write_plan_workbook(
    plan: Plan | Outcome | Season, path: str | os.PathLike[str], *, overwrite: bool = False
) -> None:
    """Write a season with all that comes of its orders as one workbook, which `read_season` reads back exactly.

    Parameters
    ----------
    plan
        What to order, from `plan_orders`; or what comes of orders, from `simulate`; or a season alone.
    path
        The file; its name ends in ``.xlsx``.
    overwrite
        Whether a file that is there may be replaced.

    Raises
    ------
    Refused
        If the name ends otherwise, the file is there already and `overwrite` is not asked for, the plan orders nothing,
        or the season holds a text that a workbook cannot keep; every such text is listed.

    Notes
    -----
    Sheets:

    - season and its tables, as `write_season` writes them. A season that was learned is read back as a plain one.
    - assumptions: what each survival and time, the climate, cultures and divisions are taken to be, whether that was
      stated or learned, and from which source; draws, seed and version.
    - result orders and, of a plan, result deliveries, labs and limits: as in `order_sheet`.
    - result wanted, saleable (if nothing were sold), benches [m²], money [currency], work [h] and moves (plants that
      enter a stage): by week; nine seasons in ten lie between low and high.
    - result notes: how to read them, what they do not say, and why there is no money, if so.

    No name from a file is run as a formula. Results are not read back, so changing them changes nothing.
    """
    file = Path(path)
    if file.suffix.lower() != ".xlsx":
        raise refuse("path", str(path), "not the name of a workbook", "Let it end in .xlsx.")
    season = plan if isinstance(plan, Season) else plan.season
    sheets = _tables(season)
    _refuse_unkept(sheets)
    results = {} if isinstance(plan, Season) else _results(plan)
    sheets["assumptions"] = assumptions(plan, season)
    sheets |= {f"{_RESULT}{name}": _dated(table) for name, table in results.items()}
    write_texts({file.name: workbook(sheets, _FORMATS)}, file.parent, overwrite=overwrite)


def _tables(season: Season) -> dict[str, pd.DataFrame]:
    """Return the season as the sheets that are read."""
    header = Header(**{name: getattr(season, name) for name in Header.model_fields})
    columns, cells = table_cells((header,), Header)
    found = {"season": _frame(columns, cells)[sorted(columns, key="name".__eq__)]}  # first, # would make it a remark
    for table, kind in TABLES.items():
        if (rows := getattr(season, table)) or table not in OPTIONAL:
            found[table] = _frame(*table_cells(rows, kind))
    return found


def _frame(columns: list[str], cells: list[list[Any]]) -> pd.DataFrame:
    return pd.DataFrame(cells, columns=columns, dtype=object)


def _refuse_unkept(sheets: dict[str, pd.DataFrame]) -> None:
    """Refuse texts that a workbook would cut short, not hold, or give back as an error."""
    faults = []
    for table, frame in sheets.items():
        for column in frame:
            for number, text in enumerate(frame[column], start=1):
                if not isinstance(text, str):
                    continue
                where = (table, number, str(column), text)
                if len(escaped(text)) > _LONGEST:
                    faults.append(Fault(f"longer than the {_LONGEST:,} characters of a cell", "Shorten it.", *where))
                elif SPREADSHEET_ERROR.fullmatch(text) or any(sign in text for sign in _NOT_XML):
                    faults.append(Fault("no text that a workbook can keep", "Write it otherwise.", *where))
    if faults:
        raise Refused(faults)


def _results(plan: Plan | Outcome) -> dict[str, pd.DataFrame]:
    found = order_sheet(plan) if isinstance(plan, Plan) else {}
    outcome = plan.outcome if isinstance(plan, Plan) else plan
    notes = [
        ("saleable", "Plants that are saleable on the Monday of a week, if nothing is sold."),
        ("benches", "Area in m², what is wanted by a week being sold; overrun is the chance that it does not suffice."),
        ("work", "Hours for potting, moving, spacing out and grading; moves are the plants that enter a stage."),
        ("low, middle, high", "Nine seasons in ten lie between low and high."),
    ]
    if found:
        notes = list(found.pop("notes").itertuples(index=False, name=None)) + notes
    else:
        rows = [(row.variety, str(row.week), row.quantity, row.lab) for row in outcome.batches]
        found["orders"] = pd.DataFrame(rows, columns=["variety", "week", "quantity", "lab"])
        notes += [("please note", line) for line in CAUTIONS]
        try:
            found["money"] = cash_flow(outcome).weekly
            notes.append(("money", "Cash since the season began, by the end of a week."))
        except Refused as error:
            notes.append(("money", f"Not shown. {error}"))
    work = hours_of_work(outcome)
    return found | {
        "targets": outcome.targets(),
        "saleable": outcome.table(),
        "benches": bench_space(outcome).weekly,
        "work": work.weekly,
        "moves": work.by_stage,
        "notes": pd.DataFrame(notes, columns=["about", "note"]),
    }


def _dated(table: pd.DataFrame) -> pd.DataFrame:
    """Put the Monday of each week beside it."""
    if "week" not in table or "monday" in table or not all(table["week"]):
        return table
    mondays = [Week.parse(week).monday for week in table["week"]]
    at = list(table.columns).index("week") + 1
    found = table.copy()
    found.insert(at, "monday", pd.Series(mondays, table.index, dtype=object))
    return found


def assumptions(plan: Plan | Outcome | Season, season: Season) -> pd.DataFrame:
    """Say what is assumed, how sure, and from where."""
    made = f"forecast {version('forecast')}"
    if not isinstance(plan, Season):
        aim = f", aim {plan.aim}" if isinstance(plan, Plan) else ""
        made = f"{made}, {plan.draws:,} draws, seed {plan.seed}{aim}"
    rows = [(season.name, "made with", made, "", "", "")]
    learned = dict(_learned(season))
    for row in season.stages:
        source = row.source or "none given"
        whose = "" if row.share_of == "entering" else ", of the original number"
        on = learned.get((row.applies_to, row.stage, "survival"), "stated")
        about = row.applies_to
        rows.append((about, f"{row.stage}: survival", f"{row.stated}{whose}", str(row.survival_level), on, source))
        if row.typical:
            on = learned.get((row.applies_to, row.stage, "time"), "stated")
            rows.append((about, f"{row.stage}: time", str(row.duration), str(row.time_level), on, source))
        for word, limit, loss in (("cold", row.cold_below, row.cold_loss), ("heat", row.heat_above, row.heat_loss)):
            if limit is not None:
                side = "below" if word == "cold" else "above"
                text = f"each °C {side} {limit:g} lowers the survival by {loss:g} logits"
                rows.append((about, f"{row.stage}: {word}", text, "", "stated", source))
        text = (
            f"{row.plants_per_m2:g} plants to the m²; a plant {row.cost:g} {season.currency}, {row.minutes:g} minutes"
        )
        rows.append((about, f"{row.stage}: space and cost", text, "", "stated", source))
    if season.climate:
        sources = "; ".join(dict.fromkeys(row.source for row in season.climate if row.source)) or "none given"
        where = season.location or "outside"
        rows.append((where, "weather", str(season.normals), "", "stated", sources))
    for culture in season.cultures:
        source, about = culture.source or "none given", culture.variety
        rate = f"{culture.multiplication} shoots per clean explant and cycle"
        rows += [
            (about, "culture: multiplication", rate, str(culture.multiplication_level), "stated", source),
            (
                about,
                "culture: clean at first",
                str(culture.clean(1)),
                str(culture.contamination_level),
                "stated",
                source,
            ),
            (about, "culture: rooting", str(culture.rooted()), str(culture.rooting_level), "stated", source),
        ]
    for division in season.divisions:
        source, about = division.source or "none given", division.variety
        rate = f"{division.divisions} plants of one"
        rows += [
            (about, "division: plants", rate, str(division.divisions_level), "stated", source),
            (about, "division: survival", str(division.lives()), str(division.survival_level), "stated", source),
        ]
    return pd.DataFrame(rows, columns=["about", "what", "assumed", "level", "rests_on", "source"])


def _learned(season: Season) -> Iterator[tuple[tuple[str, str, str], str]]:
    """Return what was learned of varieties, by stage and what: survival or time."""
    if isinstance(season, LearnedSeason):
        for line in season.table().to_dict("records"):
            if line["rests_on"] != "guess":
                yield (line["variety"], line["stage"], line["what"]), f"learned from {_ORIGIN[line['rests_on']]}"


_ORIGIN = {"records": "its own records", "group": "records of its group"}
