"""A small season to begin with, with a remark on every column, its records, and notebooks that run on them."""

from __future__ import annotations

import csv
import inspect
import io
import os
from datetime import date

from forecast.io.csv_folder import table_text
from forecast.io.files_out import write_texts
from forecast.records.batches import BatchRecord, CountRecord
from forecast.records.records import Records
from forecast.season.cells import Row
from forecast.season.places import Normal, Place
from forecast.season.propagation_rows import Culture, Division
from forecast.season.rows import Delivery, Header, PriceLine, Stage
from forecast.season.season import TABLES, Season
from forecast.season.targets import Target
from forecast.season.varieties import Variety
from forecast.starter.notebooks import copies
from forecast.starter.past import LABS, VARIETIES, records_until
from forecast.weeks import Week

_SUCH_AS = {"location": '"the weather station nearest to us, 1991-2020"'}
_PRACTICE = "common practice, no source: put your own figures here"
_LOCATION = "De Bilt, the Netherlands, 1991-2020: put your own station here, and its figures into climate.csv"
_STATION = (
    "De Bilt (WMO 06260), 1991-2020; low and high: World Meteorological Organization, Climatological Standard Normals "
    "for 1991-2020, NCEI accession 0253808; spread: computed from monthly means of the Royal Netherlands "
    "Meteorological Institute (KNMI), free to use if it is named"
)
# Mean daily minimum and maximum and spread between years [°C], January to December; sources in `_STATION`.
_NORMALS = (
    (0.9, 6.1, 2.1), (0.7, 7.0, 2.2), (2.4, 10.5, 1.6), (4.5, 14.8, 1.5), (8.0, 18.3, 1.6), (10.8, 20.9, 1.2),
    (13.0, 23.1, 1.6), (12.5, 22.9, 1.2), (10.0, 19.5, 1.3), (7.1, 14.8, 1.6), (3.9, 9.9, 1.7), (1.6, 6.7, 2.2),
)  # fmt: skip


def start(path: str | os.PathLike[str], *, first_week: Week | None = None, overwrite: bool = False) -> None:
    """Write a small season to begin with, its records, and the notebooks.

    Parameters
    ----------
    path
        Folder to write into; it is made if it is not there. It holds the season and the records, the folder ``running``
        in it the season that runs, and ``notebooks`` the notebooks, set to these.
    first_week
        Week in which orders are placed; this week if not given.
    overwrite
        Whether files that are there may be replaced.

    Raises
    ------
    Refused
        If one of the files is there already and `overwrite` is not asked for; nothing is written then.
    """
    today = first_week or Week.of(date.today())
    records = records_until(today)
    texts = _texts(example(today))
    texts |= {f"running/{name}": text for name, text in _texts(_running(today, records)).items()}
    texts["batches.csv"] = _remarks(BatchRecord) + table_text(records.batches, BatchRecord)
    texts["counts.csv"] = _remarks(CountRecord) + table_text(records.counts, CountRecord)
    settings = {"FOLDER": "..", "SEASON": "../running", "TODAY": str(today.monday)}
    texts |= {f"notebooks/{name}": text for name, text in copies(settings).items()}
    write_texts(texts, path, overwrite=overwrite)


def _texts(season: Season) -> dict[str, str]:
    """Text of each file of a season, with its remarks."""
    tables = {f"{name}.csv": _remarks(kind) + table_text(getattr(season, name), kind) for name, kind in TABLES.items()}
    return {"season.toml": _header(season), **tables}


def _running(today: Week, records: Records) -> Season:
    """Make the season that was ordered 40 weeks ago, with what was ordered then."""
    begun = today + -40
    orders = tuple(
        Delivery(variety=row.variety, week=Week.of(row.delivered), quantity=row.ordered, lab=row.lab)
        for row in records.batches
        if row.delivered > begun.monday
    )
    return example(begun).replace(name="Our nursery, the season that runs", orders=orders)


def example(first_week: Week) -> Season:
    """Make the season that `start` writes: two invented hostas, ordered in a week."""
    first, second = VARIETIES

    def stage(name: str, place: str, density: float, survival: float, spread: float, **cells: object) -> Stage:
        level = "plant" if spread == 0 else "season 0.3 variety 0.2 batch 0.5"
        return Stage(
            applies_to="hosta", stage=name, place=place, runs_on="weeks", survival=survival, survival_sd=spread,
            survival_level=level, share_of="entering", plants_per_m2=density, source=_PRACTICE, **cells,
        )  # fmt: skip

    delivery, target = first_week + 20, first_week + 52
    timed = {"plants_cv": 0.1, "time_level": "batch"}
    return Season(
        name="Our nursery",
        currency="EUR",
        first_week=first_week,
        weeks=70,
        service_level=0.9,
        hourly_wage=18.0,
        location=_LOCATION,
        varieties=(
            Variety(variety=first, group="hosta", pot="1 l", sale_price=7.5, markdown_price=2.5, saleable_weeks=26),
            Variety(variety=second, group="hosta", pot="1 l", sale_price=9.5, markdown_price=3.0, saleable_weeks=26),
        ),
        stages=(
            stage("arrival", "covered house", 478, 0.97, 0.02, typical=0),
            stage("acclimatisation", "covered house", 478, 0.85, 0.07, typical=4, batches_cv=0.15, **timed),
            stage(
                "growing on",
                "covered house",
                69,
                0.95,
                0.03,
                typical=10,
                batches_cv=0.15,
                cost=0.4,
                minutes=0.6,
                **timed,
            ),
            stage(
                "hardening",
                "shade house",
                36,
                0.95,
                0.03,
                typical=9,
                batches_cv=0.12,
                cost=0.1,
                minutes=0.4,
                **timed,
            ),
            stage("grading", "shade house", 36, 0.95, 0.0, typical=0, minutes=0.3),
        ),
        places=(
            Place(place="covered house", area=80, usable=0.6, cost_per_m2_week=3.0, warmer_by=4, held_above=5),
            Place(place="shade house", area=120, usable=0.7, cost_per_m2_week=1.0, shaded_by=2),
        ),
        price_list=tuple(
            PriceLine(
                lab=lab,
                variety=variety,
                form=f"plantlets, {tray} to a tray",
                from_quantity=quantity,
                unit_price=price,
                minimum=tray,
                multiple=tray,
                lead_weeks=16,
                first_week=delivery,
                last_week=delivery + 8,
                deposit=0.25,
                freight_per_box=30,
                plants_per_box=288,
            )
            for lab, tray, breaks in zip(LABS, (72, 48), (((1, 1.4), (720, 1.2)), ((1, 1.6),)), strict=True)
            for variety in VARIETIES
            for quantity, price in breaks
        ),
        targets=(
            Target(variety=first, week=target, target=400),
            Target(variety=second, week=target, p5=120, median=200, p95=280, service_level=0.8),
        ),
        orders=(
            Delivery(variety=first, week=delivery, quantity=504, lab="Our lab", note="a first thought: 20 % more"),
            Delivery(variety=second, week=delivery, quantity=288, lab="Our lab", note="and here, in whole trays"),
        ),
        climate=tuple(
            Normal(month=month, t_min=low, t_max=high, year_sd=spread, source=_STATION)
            for month, (low, high, spread) in enumerate(_NORMALS, start=1)
        ),
        cultures=(
            Culture(
                variety=first,
                explants=160,
                start_weeks=4,
                start_contamination=0.2,
                start_contamination_sd=0.08,
                start_death=0.1,
                cycle_weeks=4,
                multiplication="2 2.3 2.2",
                multiplication_cv=0.15,
                multiplication_level="season 0.3 cycle 0.7",
                explants_cv=0.8,
                contamination="0.06 0.04",
                contamination_sd=0.03,
                contamination_level="cycle",
                explants_per_vessel=5,
                most_cycles=5,
                rooting_weeks=4,
                rooting=0.9,
                rooting_level="batch",
                rooting_per_vessel=12,
                deflasking=0.97,
                shelf_places=400,
                hood_hours=16,
                minutes_per_vessel=3,
                medium_per_vessel=40,
                cost_start=100,
                cost_per_explant=2,
                cost_per_vessel=1,
                source=_PRACTICE,
                note="only if no breeder's right stands against it; delete the row if you do not multiply",
            ),
        ),
        divisions=(
            Division(
                variety=first,
                stock=10,
                divisions=1.8,
                divisions_cv=0.15,
                divisions_level="season",
                plants_cv=0,
                survival=0.95,
                survival_level="season",
                cost=0.2,
                minutes=3,
                source=_PRACTICE,
                note="delete the row if you do not divide",
            ),
        ),
    )


def _parameters(kind: type[Row]) -> list[tuple[str, str]]:
    """Names and meanings of the columns, as the docstring of the row tells them."""
    text = inspect.cleandoc(kind.__doc__ or "").split("Parameters\n----------\n")[-1].split("\n\n")[0]
    found: list[tuple[str, str]] = []
    for line in text.splitlines():
        if line.startswith(" ") and found:
            name, meaning = found[-1]
            found[-1] = (name, f"{meaning} {line.strip()}".strip())
        else:
            found.append((line.strip(), ""))
    return [(name, meaning.replace("``", "").replace(" (see `Level`)", "")) for name, meaning in found]


def _remarks(kind: type[Row]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    summary = inspect.cleandoc(kind.__doc__ or "").splitlines()[0]
    needed = ", ".join(name for name, cell in kind.model_fields.items() if cell.is_required())
    writer.writerow([f"# One row is: {summary} Lines that begin with # are remarks; take them out when you like."])
    writer.writerow([f"# Must be filled: {needed}. Weeks are written 2027-W14; shares 0.85, never 85 %."])
    for name, meaning in _parameters(kind):
        writer.writerow([f"# {name}: {meaning}"])
    return text.getvalue()


def _header(season: Season) -> str:
    lines = ["# What holds for the whole season. Lines that begin with # are remarks."]
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
