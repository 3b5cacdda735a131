"""The plan as one workbook: the season as it is read, what comes of it, and what it rests on."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from importlib.metadata import version
from pathlib import Path

import pandas as pd

from forecast.errors import Refused, refuse
from forecast.files_out import check_free
from forecast.growth.outcome import Outcome
from forecast.growth.summaries import RANGE_NAMES
from forecast.io.seasons import put_season
from forecast.io.workbook_out import WorkbookOut
from forecast.planning.plan import Plan
from forecast.records.learned_season import LearnedSeason
from forecast.resources.bench_use import bench_space
from forecast.resources.labour import hours_of_work
from forecast.resources.money_flow import cash_flow
from forecast.season.season import TABLES, Season
from forecast.season.stages import Stage
from forecast.show.sheets import FORMATS, order_sheet, put_tables
from forecast.weeks import Week
from forecast.words import partner as words

_RESULT = "result "  # names of sheets that are not read back
_PLANTS = dict.fromkeys((*RANGE_NAMES, "quantity", "target"), "#,##0")
_MEASURED = dict.fromkeys((*RANGE_NAMES, "available", "hours"), "#,##0.00")
_CHANCE = "0.00##"
_NO_SOURCE = "none given"
_Line = tuple[str, str, str, str, str, str]  # of the assumptions
_FORMATS: dict[str, dict[str, str]] = {
    **{name: {} for name in ("season", *TABLES, "assumptions")},  # as they were written
    "result targets": {**FORMATS, **_PLANTS},
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
        Whether an existing file may be replaced. Of a workbook, the rows of these sheets are; all else stays.

    Raises
    ------
    Refused
        If the name ends otherwise, the file exists and `overwrite` is false, the plan orders nothing, anything that
        is in the workbook would be lost, or the season holds a text that a workbook cannot keep; every such text is
        listed.

    Notes
    -----
    Sheets:

    - season and its tables, as `write_season` writes them. A season that was learned is read back as a plain one.
    - assumptions: what each survival and time, the climate, cultures and divisions are taken to be, whether that is
      your estimate or learned, and the source; draws, seed and version.
    - result orders and, of a plan, result deliveries, labs, targets and limits: as in `order_sheet`.
    - result targets (of an outcome, as `Outcome.targets` gives them), saleable (if nothing were sold), benches [m²],
      money [currency], work [h] and moves (plants that enter a stage): by week; 90 % of the seasons lie between p5 and
      p95.
    - result notes: how to read them, what they do not say, and why there is no money, if so.

    No name from a file is run as a formula. Results are not read back, so changing them changes nothing.
    """
    file = Path(path)
    if file.suffix.lower() != ".xlsx":
        raise refuse("path", str(path), "not the name of a workbook", "Let it end in .xlsx.")
    season = plan if isinstance(plan, Season) else plan.season
    check_free((file.name,), file.parent, overwrite=overwrite)
    book = WorkbookOut(file, overwrite=overwrite)
    put_season(season, book)
    results = {} if isinstance(plan, Season) else _results(plan)
    sheets = {f"{_RESULT}{name}": _dated(table) for name, table in results.items()}
    put_tables(book, {"assumptions": assumptions(plan, season)} | sheets, _FORMATS, ours=True)
    for name in [one for one in book.package.sheets if one.startswith(_RESULT) and one not in sheets]:
        book.empty_result(name)  # of an earlier plan
    book.write()


def _results(plan: Plan | Outcome) -> dict[str, pd.DataFrame]:
    found = order_sheet(plan) if isinstance(plan, Plan) else {}
    outcome = plan.simulate() if isinstance(plan, Plan) else plan
    notes = list(words.RESULT_NOTES)
    if found:
        notes = list(found.pop("notes").itertuples(index=False, name=None)) + notes
    else:
        rows = [(row.variety, str(row.week), row.quantity, row.lab) for row in outcome.ordered]
        found["orders"] = pd.DataFrame(rows, columns=["variety", "week", "quantity", "lab"])
        notes += [("please note", line) for line in words.CAUTIONS]
        try:
            found["money"] = cash_flow(outcome).table()
            notes.append(("money", words.cash_note(outcome.season.opening_cash, outcome.season.currency)))
        except Refused as error:
            notes.append(("money", words.NOT_SHOWN.format(what="money", error=error)))
    work = hours_of_work(outcome)
    found.setdefault("targets", outcome.targets())
    return found | {
        "saleable": outcome.table(),
        "benches": bench_space(outcome).table(),
        "work": work.table(),
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
    """Return what is assumed, what it varies by, what that is based on, and its source."""
    made = words.made_with(
        version=version("forecast"), draws=getattr(plan, "draws", None), seed=plan.seed,
        aim=plan.aim if isinstance(plan, Plan) else None,
    )  # fmt: skip
    rows = [(season.name, "made with", made, "", "", "")]
    learned = dict(_learned(season))
    for stage in season.stages:
        rows += _of_stage(stage, season, learned)
    if season.climate:
        sources = "; ".join(dict.fromkeys(row.source for row in season.climate if row.source)) or _NO_SOURCE
        rows.append((season.location or "outside", "weather", str(season.normals), "", words.YOUR_ESTIMATE, sources))
    for variety, source, what, assumed, level in _propagated(season):
        rows.append((variety, what, assumed, str(level), words.YOUR_ESTIMATE, source or _NO_SOURCE))
    return pd.DataFrame(rows, columns=words.ASSUMPTIONS)


def _of_stage(row: Stage, season: Season, learned: Mapping[tuple[str, str, str], str]) -> Iterator[_Line]:
    """Return what is assumed of a stage."""
    about, source = row.applies_to, row.source or _NO_SOURCE

    def line(what: str, assumed: str, level: object = "", on: str = words.YOUR_ESTIMATE) -> _Line:
        return about, f"{row.stage}: {what}", assumed, str(level), on, source

    def based_on(what: str) -> str:
        return learned.get((about, row.stage, what), words.YOUR_ESTIMATE)

    survival = words.of_the_original(str(row.stated), entering=row.share_of == "entering")
    yield line("survival", survival, row.survival_level, based_on("survival"))
    if row.typical:
        yield line("time", str(row.duration), row.time_level, based_on("time"))
    if row.cold_below is not None:
        yield line("cold", words.weather_loss(side="below", limit=row.cold_below, loss=row.cold_loss or 0.0))
    if row.heat_above is not None:
        yield line("heat", words.weather_loss(side="above", limit=row.heat_above, loss=row.heat_loss or 0.0))
    needs = {name: getattr(row, name) for name in ("plants_per_m2", "cost", "materials", "minutes")}
    yield line("space and cost", words.space_and_cost(currency=season.currency, **needs))


def _propagated(season: Season) -> Iterator[tuple[str, str | None, str, str, object]]:
    """Return what is assumed of cultures and divisions."""
    for row in season.cultures:
        of = (row.variety, row.source)
        yield *of, "culture: multiplication", words.SHOOTS.format(rate=row.multiplication), row.multiplication_level
        yield *of, "culture: clean at first", str(row.clean(1)), row.contamination_level
        yield *of, "culture: rooting", str(row.rooted()), row.rooting_level
    for stock in season.divisions:
        of = (stock.variety, stock.source)
        yield *of, "division: plants", words.DIVIDED.format(rate=stock.divisions), stock.divisions_level
        yield *of, "division: survival", str(stock.lives()), stock.survival_level


def _learned(season: Season) -> Iterator[tuple[tuple[str, str, str], str]]:
    """Return what was learned of varieties, by stage and what: survival or time."""
    if isinstance(season, LearnedSeason):
        for line in season.table().to_dict("records"):
            if line["based_on"] != "estimate":
                yield (line["variety"], line["stage"], line["what"]), words.learned_from(line["based_on"])
