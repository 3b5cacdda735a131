"""A small season to start with, a comment on every column, its records, and notebooks that run on them."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterable, Sequence
from datetime import date
from typing import TypeVar

from forecast.files_out import write_texts
from forecast.io.csv_folder import table_cells, table_text
from forecast.io.files_in import is_workbook
from forecast.records.batches import BatchRecord, CountRecord
from forecast.records.records import Records
from forecast.season.cells import Row
from forecast.season.orders import Delivery
from forecast.season.places import Normal, Place
from forecast.season.price_list import PriceLine
from forecast.season.propagation_rows import Culture, Division
from forecast.season.season import TABLES, Season
from forecast.season.stages import Stage
from forecast.season.targets import Target, Weight
from forecast.season.varieties import Variety
from forecast.starter.additions import ALL, PROFILES, add, begun, more, named
from forecast.starter.answers import Answers, Assumed, first_season
from forecast.starter.columns import FILLED
from forecast.starter.notebooks import copies
from forecast.starter.past import VARIETIES, records_until
from forecast.starter.remarks import comments, settings
from forecast.weeks import Week

_R = TypeVar("_R", bound=Row)
_PRACTICE = "common practice, no source: put your own figures here"
_LOCATION = "De Bilt, the Netherlands, 1991-2020: put your own station here, and its figures into climate.csv"
_STATION = (
    "De Bilt (WMO 06260), 1991-2020; t_min and t_max: World Meteorological Organization, Climatological Standard "
    "Normals for 1991-2020, NCEI accession 0253808; year_sd: computed from monthly means of the Royal Netherlands "
    "Meteorological Institute (KNMI), free to use if it is named"
)
_LEVEL = "season 0.3 variety 0.2 batch 0.5"
_VARIETIES = """variety,group,sale_price,saleable_weeks
Hosta 'First',hosta,7.5,26
Hosta 'Second',hosta,9.5,26
"""
_STAGES = f"""\
stage,place,typical,batches_cv,plants_cv,time_level,survival,survival_sd,survival_level,plants_per_m2,cost,minutes
arrival,covered house,0,,,,0.97,0.02,{_LEVEL},478,,
acclimatisation,covered house,4,0.15,0.1,batch,0.85,0.07,{_LEVEL},478,,
growing on,covered house,10,0.15,0.1,batch,0.95,0.03,{_LEVEL},69,0.4,0.6
hardening,shade house,9,0.12,0.1,batch,0.95,0.03,{_LEVEL},36,0.1,0.4
grading,shade house,0,,,,0.95,0,plant,36,,0.3
"""
_PLACES = """place,area,usable,cost_per_m2_week,warmer_by,held_above,shaded_by
covered house,80,0.6,3,4,5,
shade house,120,0.7,1,,,2
"""
_PRICES = """lab,variety,unit_price,minimum,multiple
Our lab,Hosta 'First',1.4,72,72
Our lab,Hosta 'Second',1.4,72,72
Another lab,Hosta 'First',1.6,48,48
Another lab,Hosta 'Second',1.6,48,48
"""
_NOT_AT_FIRST = {"profiles", "on_hand"}
_TARGETS = """variety,target
Hosta 'First',400
Hosta 'Second',200
"""
_ORDERS = """variety,quantity,lab,note
Hosta 'First',504,Our lab,a first thought: 20 % more
Hosta 'Second',288,Our lab,"and here, in whole trays"
"""
_CLIMATE = """month,t_min,t_max,year_sd
1,0.9,6.1,2.1
2,0.7,7.0,2.2
3,2.4,10.5,1.6
4,4.5,14.8,1.5
5,8.0,18.3,1.6
6,10.8,20.9,1.2
7,13.0,23.1,1.6
8,12.5,22.9,1.2
9,10.0,19.5,1.3
10,7.1,14.8,1.6
11,3.9,9.9,1.7
12,1.6,6.7,2.2
"""
_CULTURE = Culture(
    variety=VARIETIES[0], explants=160, start_weeks=4, start_contamination=0.2, start_contamination_sd=0.08,
    start_death=0.1, cycle_weeks=4, multiplication="2 2.3 2.2", multiplication_cv=0.15,
    multiplication_level="season 0.3 cycle 0.7", explants_cv=0.8, contamination="0.06 0.04", contamination_sd=0.03,
    contamination_level="cycle", explants_per_vessel=5, most_cycles=5, rooting_weeks=4, rooting=0.9,
    rooting_level="batch", rooting_per_vessel=12, deflasking=0.97, shelf_places=400, hood_hours=16,
    minutes_per_vessel=3, medium_per_vessel=40, cost_start=100, cost_per_explant=2, cost_per_vessel=1, source=_PRACTICE,
    note="Only if plant breeder's rights allow it. Delete this row if you don't propagate in vitro.",
)  # fmt: skip
_DIVISION = Division(
    variety=VARIETIES[0], stock=10, divisions=1.8, divisions_cv=0.15, divisions_level="season", plants_cv=0,
    survival=0.95, survival_level="season", cost=0.2, minutes=3, source=_PRACTICE,
    note="Delete this row if you don't divide stock plants.",
)  # fmt: skip


def start(
    path: str | os.PathLike[str],
    *,
    first_week: Week | None = None,
    overwrite: bool = False,
    additions: Iterable[str] = (),
) -> dict[str, list[str]]:
    """Write a small season to start with, its records, and the notebooks into a folder, which is created if missing.

    The folder gets the season, ordered in `first_week` (this week if not given), and the records; its folder
    ``running`` the running season, and its folder ``notebooks`` the notebooks, set to use these. A workbook gets season
    and records, a sheet a table. `Refused` if one of the files or sheets exists and `overwrite` is false; then nothing
    is written.

    Parameters
    ----------
    path
        The folder, or the workbook, whose name ends in ``.xlsx``.
    first_week
        First week of the season.
    overwrite
        Whether files that are there are replaced.
    additions
        Names of `ADDITIONS`: columns that a first season leaves out, with examples. To a season that is there, and is
        not to be replaced, they are added empty, and nothing else is written.

    Returns
    -------
    dict
        The columns that were added to a season that is there, by file; empty if one was started.
    """
    names = named(additions)
    if names and not overwrite and begun(path):
        return add(path, names)
    today = first_week or Week.of(date.today())
    records = records_until(today)
    if is_workbook(path):
        _write_workbook(path, extended(example(today), names), records, overwrite=overwrite)
        return {}
    texts = _texts(extended(example(today), names))
    texts |= {f"running/{name}": text for name, text in _texts(_running(today, records)).items()}
    texts["batches.csv"] = comments(BatchRecord) + table_text(records.batches, BatchRecord)
    texts["counts.csv"] = comments(CountRecord) + table_text(records.counts, CountRecord)
    write_texts(texts | _notebooks(SEASON="../running", TODAY=str(today.monday)), path, overwrite=overwrite)
    return {}


def begin(
    path: str | os.PathLike[str],
    answers: Answers,
    *,
    first_week: Week | None = None,
    overwrite: bool = False,
    additions: Iterable[str] = (),
) -> tuple[Season, list[Assumed]]:
    """Write the season that follows from a few answers, with notebooks, into a folder, or as a workbook without them.

    `Refused` if an answer is not known, or one of the files exists and `overwrite` is false; then nothing is written.

    Returns
    -------
    tuple
        The season, and what was assumed in it.
    """
    names = named(additions)
    season, assumed = first_season(answers, first_week or Week.of(date.today()))
    if is_workbook(path):
        _write_workbook(path, season, None, assumed, overwrite=overwrite)
        add(path, names)
        return season, assumed
    write_texts(_texts(season, brief=True) | _notebooks(SEASON="..", COUNTED_EVERY="0"), path, overwrite=overwrite)
    add(path, names)
    return season, assumed


def _write_workbook(
    path: str | os.PathLike[str], season: Season, records: Records | None, assumed: Sequence[Assumed] = (), *,
    overwrite: bool,
) -> None:  # fmt: skip
    """Write a season, and records if there are any, as a workbook to be filled."""
    from forecast.starter.workbook import write_begun  # noqa: PLC0415 (a folder needs no openpyxl)

    kinds: dict[str, type[Row]] = {"batches": BatchRecord, "counts": CountRecord}
    tables = {table: (kind, getattr(records, table)) for table, kind in kinds.items()} if records else {}
    write_begun(path, season, records=tables, assumed=assumed, additions=ALL, overwrite=overwrite)


def _notebooks(**settings: str) -> dict[str, str]:
    """Return the notebooks for the season in the folder above theirs; its day is today if no other is set."""
    return {f"notebooks/{name}": text for name, text in copies({"FOLDER": "..", "TODAY": ""} | settings).items()}


def _texts(season: Season, *, brief: bool = False) -> dict[str, str]:
    """Return the text of each file of a season, with its comments; if `brief`, only what has rows, is set or used."""
    tables = {
        f"{name}.csv": _commented(season, name, brief=brief) + table_text(getattr(season, name), kind)
        for name, kind in TABLES.items()
        if getattr(season, name) or not (brief or name in _NOT_AT_FIRST)
    }
    return {"season.toml": settings(season, brief=brief), **tables}


def _commented(season: Season, table: str, *, brief: bool) -> str:
    """Return the comments of a table: of those that a grower fills, on the columns that are there alone."""
    kind, rows = TABLES[table], getattr(season, table)
    if table not in (*FILLED, "profiles") and not brief:
        return comments(kind)
    used = table_cells(rows, kind)[0]
    return comments(kind, used, more(table, used))


def _running(today: Week, records: Records) -> Season:
    """Return the season that began 40 weeks ago, with its orders."""
    begun = today + -40
    orders = tuple(
        Delivery(variety=row.variety, week=Week.of(row.delivered), quantity=row.ordered, lab=row.lab)
        for row in records.batches
        if row.delivered > begun.monday
    )
    return example(begun).replace(name="Our nursery, the running season", orders=orders)


def example(first_week: Week) -> Season:
    """Return the season that `start` writes: two invented hostas, ordered in a week."""
    delivery = first_week + 20
    lead = {"lead_weeks": 16, "first_week": delivery, "last_week": delivery + 8}
    practice = {"applies_to": "hosta", "runs_on": "weeks", "share_of": "entering", "source": _PRACTICE}
    return Season(
        name="Our nursery",
        currency="EUR",
        first_week=first_week,
        weeks=70,
        service_level=0.9,
        split_gain=25.0,
        hourly_wage=18.0,
        location=_LOCATION,
        varieties=_rows(Variety, _VARIETIES),
        stages=_rows(Stage, _STAGES, **practice),
        places=_rows(Place, _PLACES),
        price_list=_rows(PriceLine, _PRICES, **lead),
        targets=_rows(Target, _TARGETS, week=first_week + 52),
        orders=_rows(Delivery, _ORDERS, week=delivery),
        climate=_rows(Normal, _CLIMATE, source=_STATION),
        cultures=(_CULTURE,),
        divisions=(_DIVISION,),
    )


def extended(season: Season, names: Iterable[str]) -> Season:
    """Return the season to begin with, with examples in the columns of some additions."""
    for name in named(names):  # the others are there already
        season = _EXAMPLES[name](season) if name in _EXAMPLES else season
    return season


def _ranges(season: Season) -> Season:
    first, second = season.targets
    return season.replace(targets=(first, second.replace(target=None, p5=120, median=200, p95=280)))


def _windows(season: Season) -> Season:
    first, *rest = season.targets
    first = first.replace(until=first.week + 5, profile=PROFILES[0][0], price_end=6.5)
    rows = tuple(Weight(profile=profile, week=week, weight=weight) for profile, week, weight in PROFILES)
    return season.replace(targets=(first, *rest), profiles=rows)


def _channels(season: Season) -> Season:
    first, *rest = season.targets
    centre = Target(variety=first.variety, week=first.week, target=150, channel="garden centre", price=5.5)
    return season.replace(targets=(first.replace(channel="retail", price=8), centre, *rest))


def _promises(season: Season) -> Season:
    *rest, last = season.targets
    last = last.replace(promised=0.9, promised_share=0.9, short_cost=3, waits=1)
    return season.replace(targets=(*rest, last))


def _terms(season: Season) -> Season:
    """Return it with trays, deposits and boxes, and a price break of the first lab."""
    terms = {"deposit": 0.25, "freight_per_box": 30, "plants_per_box": 288}
    rows = []
    for row in season.price_list:
        rows.append(row.replace(form=f"plantlets, {row.multiple} to a tray", **terms))
        if row.lab == season.price_list[0].lab:
            rows.append(rows[-1].replace(from_quantity=10 * row.multiple, unit_price=row.unit_price - 0.2))
    return season.replace(price_list=tuple(rows))


def _leftovers(season: Season) -> Season:
    return season.replace(varieties=tuple(row.replace(markdown_price=2.5, outlet=100) for row in season.varieties))


_EXAMPLES = {
    "ranges": _ranges, "windows": _windows, "channels": _channels, "promises": _promises, "terms": _terms,
    "leftovers": _leftovers,
}  # fmt: skip


def _rows(kind: type[_R], text: str, **cells: object) -> tuple[_R, ...]:
    """Return the rows of a CSV text, with cells that are the same in all of them."""
    return tuple(
        kind(**{name: cell for name, cell in row.items() if cell}, **cells) for row in csv.DictReader(io.StringIO(text))
    )
