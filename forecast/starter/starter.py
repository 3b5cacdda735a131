"""A small season to start with, a comment on every column, its records, and notebooks that run on them."""

from __future__ import annotations

import csv
import inspect
import io
import os
from datetime import date
from typing import TypeVar

from forecast.files_out import write_texts
from forecast.io.csv_folder import table_text
from forecast.records.batches import BatchRecord, CountRecord
from forecast.records.records import Records
from forecast.season.cells import Row
from forecast.season.header import Header
from forecast.season.orders import Delivery
from forecast.season.places import Normal, Place
from forecast.season.price_list import PriceLine
from forecast.season.propagation_rows import Culture, Division
from forecast.season.season import TABLES, Season
from forecast.season.stages import Stage
from forecast.season.targets import Target
from forecast.season.varieties import Variety
from forecast.starter.notebooks import copies
from forecast.starter.past import VARIETIES, records_until
from forecast.weeks import Week

_R = TypeVar("_R", bound=Row)
_SUCH_AS = {"demand_cv": 0.15, "price_cv": 0.1, "location": '"the weather station nearest to us, 1991-2020"'}
_PRACTICE = "common practice, no source: put your own figures here"
_LOCATION = "De Bilt, the Netherlands, 1991-2020: put your own station here, and its figures into climate.csv"
_STATION = (
    "De Bilt (WMO 06260), 1991-2020; t_min and t_max: World Meteorological Organization, Climatological Standard "
    "Normals for 1991-2020, NCEI accession 0253808; year_sd: computed from monthly means of the Royal Netherlands "
    "Meteorological Institute (KNMI), free to use if it is named"
)
_LEVEL = "season 0.3 variety 0.2 batch 0.5"
_VARIETIES = """variety,group,pot,sale_price,markdown_price,saleable_weeks
Hosta 'First',hosta,1 l,7.5,2.5,26
Hosta 'Second',hosta,1 l,9.5,3.0,26
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
_PRICES = """lab,variety,form,from_quantity,unit_price,minimum,multiple
Our lab,Hosta 'First',"plantlets, 72 to a tray",1,1.4,72,72
Our lab,Hosta 'First',"plantlets, 72 to a tray",720,1.2,72,72
Our lab,Hosta 'Second',"plantlets, 72 to a tray",1,1.4,72,72
Our lab,Hosta 'Second',"plantlets, 72 to a tray",720,1.2,72,72
Another lab,Hosta 'First',"plantlets, 48 to a tray",1,1.6,48,48
Another lab,Hosta 'Second',"plantlets, 48 to a tray",1,1.6,48,48
"""
_NOT_AT_FIRST = {"profiles", "on_hand"}
_TARGETS = """variety,target,p5,median,p95,promised
Hosta 'First',400,,,,
Hosta 'Second',,120,200,280,0.8
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


def start(path: str | os.PathLike[str], *, first_week: Week | None = None, overwrite: bool = False) -> None:
    """Write a small season to start with, its records, and the notebooks into a folder, which is created if missing.

    The folder gets the season, ordered in `first_week` (this week if not given), and the records; its folder
    ``running`` the running season, and its folder ``notebooks`` the notebooks, set to use these. `Refused` if one of
    the files exists and `overwrite` is false; then nothing is written.
    """
    today = first_week or Week.of(date.today())
    records = records_until(today)
    texts = _texts(example(today))
    texts |= {f"running/{name}": text for name, text in _texts(_running(today, records)).items()}
    texts["batches.csv"] = _comments(BatchRecord) + table_text(records.batches, BatchRecord)
    texts["counts.csv"] = _comments(CountRecord) + table_text(records.counts, CountRecord)
    settings = {"FOLDER": "..", "SEASON": "../running", "TODAY": str(today.monday)}
    texts |= {f"notebooks/{name}": text for name, text in copies(settings).items()}
    write_texts(texts, path, overwrite=overwrite)


def _texts(season: Season) -> dict[str, str]:
    """Return the text of each file of a season, with its comments."""
    tables = {
        f"{name}.csv": _comments(kind) + table_text(getattr(season, name), kind)
        for name, kind in TABLES.items()
        if name not in _NOT_AT_FIRST or getattr(season, name)
    }
    return {"season.toml": _header(season), **tables}


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
    terms = {"deposit": 0.25, "freight_per_box": 30, "plants_per_box": 288}
    practice = {"applies_to": "hosta", "runs_on": "weeks", "share_of": "entering", "source": _PRACTICE}
    return Season(
        name="Our nursery",
        currency="EUR",
        first_week=first_week,
        weeks=70,
        service_level=0.9,
        hourly_wage=18.0,
        location=_LOCATION,
        varieties=_rows(Variety, _VARIETIES),
        stages=_rows(Stage, _STAGES, **practice),
        places=_rows(Place, _PLACES),
        price_list=_rows(PriceLine, _PRICES, **lead, **terms),
        targets=_rows(Target, _TARGETS, week=first_week + 52),
        orders=_rows(Delivery, _ORDERS, week=delivery),
        climate=_rows(Normal, _CLIMATE, source=_STATION),
        cultures=(_CULTURE,),
        divisions=(_DIVISION,),
    )


def _rows(kind: type[_R], text: str, **cells: object) -> tuple[_R, ...]:
    """Return the rows of a CSV text, with cells that are the same in all of them."""
    return tuple(
        kind(**{name: cell for name, cell in row.items() if cell}, **cells) for row in csv.DictReader(io.StringIO(text))
    )


def _parameters(kind: type[Row]) -> list[tuple[str, str]]:
    """Return names and meanings of the columns from the docstring of the row."""
    text = inspect.cleandoc(kind.__doc__ or "").split("Parameters\n----------\n")[-1].split("\n\n")[0]
    found: list[tuple[str, str]] = []
    for line in text.splitlines():
        if line.startswith(" ") and found:
            name, meaning = found[-1]
            found[-1] = (name, f"{meaning} {line.strip()}".strip())
        else:
            found.append((line.strip(), ""))
    return [(name, meaning.replace("``", "").replace(" (see `Level`)", "")) for name, meaning in found]


def _comments(kind: type[Row]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    summary = inspect.cleandoc(kind.__doc__ or "").splitlines()[0]
    needed = ", ".join(name for name, cell in kind.model_fields.items() if cell.is_required())
    writer.writerow(
        [f"# One row is: {summary} Lines that start with # and a space are comments; delete them if you like."]
    )
    writer.writerow([f"# Required: {needed}. Write weeks as 2027-W14, and shares as 0.85, not 85 %."])
    for name, meaning in _parameters(kind):
        writer.writerow([f"# {name}: {meaning}"])
    return text.getvalue()


def _header(season: Season) -> str:
    lines = ["# Settings of the whole season. Lines that start with # are comments."]
    for names, meaning in _parameters(Header):
        lines.append(f"\n# {names}: {meaning}")
        for name in names.split(", "):
            value = getattr(season, name)
            if value is None:
                lines.append(f"# {name} = {_SUCH_AS.get(name, 20000)}")
            elif isinstance(value, int | float):
                lines.append(f"{name} = {value}")
            else:
                lines.append(f'{name} = "{value}"')
    return "\n".join(lines) + "\n"
