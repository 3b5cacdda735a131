"""What the nursery wrote down: deliveries, counts by stage, and the weather it measured."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from datetime import date
from functools import cached_property
from typing import Any

import pandas as pd

from forecast.errors import Fault, Refused
from forecast.io.csv_folder import table_texts
from forecast.io.files_in import OPTIONAL
from forecast.io.files_out import write_texts
from forecast.io.tables import opened, read_tables
from forecast.records.batches import BatchRecord, CountRecord, Passage, passages, read_day
from forecast.records.weather_rows import WeatherRecord, too_warm, twice
from forecast.season.cells import Row, nearest, suggestion
from forecast.season.consistency import Tables
from forecast.season.season import Season
from forecast.weather.measured import Days

_TABLES: dict[str, type[Row]] = {"batches": BatchRecord, "counts": CountRecord, "weather": WeatherRecord}
_REFERRED = {table: tuple(kind.model_fields) for table, kind in _TABLES.items()}  # plants are counted over all of them
_STAGES = {
    **dict.fromkeys(("entered", "left", "losses", "remaining"), "int64"),
    "finished": "bool",
    **dict.fromkeys(("first_date", "last_date"), "datetime64[s]"),
}
_TIMES = {"after": "float64", "until": "float64", "number": "int64", "entered": "object"}
_SUGGESTED = 20  # unknown names for which the nearest known one is sought


class Records(Row):
    """Deliveries, counts and weather of a nursery, checked against each other and never altered.

    Parameters
    ----------
    batches
        The batches as they came, in any order; kept by name.
    counts
        The counts, in any order; kept by batch, day and stage.
    weather
        The days on which the air outside was measured, in any order; kept by day. There may be gaps, or none at all.

    Raises
    ------
    Refused
        If rows contradict each other; every fault is listed. A batch, a count or a day of weather stands there once; a
        count is of a known batch and not before its delivery; and every plant is accounted for: what is alive or
        discarded at a count is what was left at the count before, or received alive, and what was moved in since.

    Notes
    -----
    The stages of a batch follow each other in the order in which they were first counted. Plants moved on are
    first counted at the next count, or that day, as at grading. So entered = discarded + moved on + saleable +
    remaining holds for every stage, and received - dead on arrival = discarded + saleable + remaining for
    every batch. Nothing is filled in, rounded or left out.

    Examples
    --------
    >>> came = BatchRecord(batch="B1", variety="Alba", delivered="2027-03-01", ordered=100, received=98)
    >>> cells = {"batch": "B1", "stage": "weaning", "saleable": 0}
    >>> first = CountRecord(date="2027-03-15", alive=95, transferred=0, losses=3, **cells)
    >>> second = CountRecord(date="2027-03-29", alive=94, transferred=90, losses=1, **cells)
    >>> records = Records(batches=[came], counts=[second, first])
    >>> records.stages()[["stage", "entered", "left", "losses", "remaining"]]
         stage  entered  left  losses  remaining
    0  weaning       98    90       4          4
    1                90     0       0         90
    >>> records.times()[["after", "until", "number"]]
       after  until  number
    0    2.0    4.0      90
    1    4.0    inf       4
    """

    batches: tuple[BatchRecord, ...] = ()
    counts: tuple[CountRecord, ...] = ()
    weather: tuple[WeatherRecord, ...] = ()

    def __init__(self, /, **cells: Any) -> None:
        super().__init__(**cells)
        rows = {name: tuple(enumerate(getattr(self, name), start=1)) for name in _TABLES}
        routes: dict[str, tuple[Passage, ...]] = {}
        faults = list(_contradictions(Tables(rows), routes))
        if faults:
            raise Refused(faults)
        object.__setattr__(self, "batches", tuple(sorted(self.batches, key=lambda row: row.batch)))
        counts = sorted(self.counts, key=lambda row: (row.batch, row.date, row.stage))
        object.__setattr__(self, "counts", tuple(counts))
        object.__setattr__(self, "weather", tuple(sorted(self.weather, key=lambda row: row.date)))
        object.__setattr__(self, "routes", tuple((row, routes[row.batch]) for row in self.batches))

    def until(self, day: date | str) -> Records:
        """Return what was known at the end of a day: batches delivered, counts made and weather measured up to it.

        Parameters
        ----------
        day
            A date, or its text such as 2027-04-13.
        """
        day = read_day(day)
        batches = tuple(row for row in self.batches if row.delivered <= day)
        counts, weather = (tuple(row for row in rows if row.date <= day) for rows in (self.counts, self.weather))
        return Records(batches=batches, counts=counts, weather=weather)

    def stages(self) -> pd.DataFrame:
        """Tell how each batch stands in each stage.

        Returns
        -------
        DataFrame
            A row for each batch and stage, in order: batch, variety, lab (missing if unknown), stage, entered (plants
            that came in so far), left (moved on, or put up for sale), losses, remaining (still there, so that
            their fate is open), finished (whether none remains; more may still enter), and first_date and last_date
            of its counts. Plants that were moved on, or delivered, and not counted since stand in a row whose stage
            is empty, for records alone do not name it.
        """
        rows = [
            (
                *(batch.batch, batch.variety, batch.lab, one.stage),
                *(one.entered, one.left, one.losses, one.remaining, not one.remaining),
                *((one.counts[0].date, one.counts[-1].date) if one.counts else (None, None)),
            )
            for batch, route in self.routes
            for one in route
        ]
        return pd.DataFrame(rows, columns=["batch", "variety", "lab", "stage", *_STAGES]).astype(_STAGES)

    def times(self) -> pd.DataFrame:
        """Tell when plants left a stage, for `learn_time`.

        Returns
        -------
        DataFrame
            A row for each batch, stage, day of entry and interval: batch, variety, stage, after and until [weeks since
            the plants entered the stage], number, and entered, the day on which they did. The plants became ready
            after the count before (or their entry) and until the count at which they were moved on or put up for
            sale; those still growing at the last count of the stage have an infinite until.

        Notes
        -----
        Plants enter a stage on the day on which they were moved on from the one before, or delivered. Which of
        them left is not written down: first in, first out is taken. What was discarded is neither ready nor growing
        and is left out; it is taken from those that entered on different days in proportion to their numbers.
        Plants that left on the day they entered, as at grading, took no time and are left out too. Those not
        counted since they entered have after 0 and until infinite; where no stage is named they are left out.

        For the rows of one stage, and of varieties that are alike, call
        ``learn_time(rows[["number", "after", "until", "batch"]].itertuples(index=False, name=None))``.
        """
        rows = [
            (batch.batch, batch.variety, one.stage, *interval)
            for batch, route in self.routes
            for one in route
            for interval in one.times()
        ]
        return pd.DataFrame(rows, columns=["batch", "variety", "stage", *_TIMES]).astype(_TIMES)

    def against(self, season: Season) -> None:
        """Check that a season knows the varieties, labs and stages of these records.

        Raises
        ------
        Refused
            If a variety or the lab of a batch is not in the season, or the stages in which a batch was counted are not
            stages of its variety, in their order; every fault is listed by batch. Stages may be passed by uncounted.
            Also if days are so warm for its climate that they were written in degrees Fahrenheit.
        """
        labs = {row.lab for row in season.price_list}
        stages = {row.variety: [one.stage for one in season.route(row.variety)] for row in season.varieties}
        faults = [fault for batch, route in self.routes for fault in _strange(batch, route, labs, stages)]
        faults += too_warm(self.weather, season)
        if faults:
            raise Refused(faults)

    def __str__(self) -> str:
        weather = f"; weather of {len(self.weather):,} days" if self.weather else ""
        if not self.batches:
            return f"no batches{weather}"
        days = [row.date for row in self.counts] + [row.delivered for row in self.batches]
        return f"{len(self.batches):,} batches, {len(self.counts):,} counts, {min(days)} to {max(days)}{weather}"

    @cached_property
    def measured(self) -> Days:
        """Minimum and maximum [°C] of each day on which the air outside was measured."""
        return {row.date: (row.t_min, row.t_max) for row in self.weather}

    @cached_property
    def routes(self) -> tuple[tuple[BatchRecord, tuple[Passage, ...]], ...]:
        """Each batch with its way through the stages."""
        counts = _grouped(self.counts)
        return tuple((row, passages(row, counts.get(row.batch, ()))) for row in self.batches)


def read_records(path: str | os.PathLike[str]) -> Records:
    """Read the records of a nursery.

    Parameters
    ----------
    path
        A folder that holds batches.csv and counts.csv, or an .xlsx workbook with the sheets batches and counts; and
        weather.csv, or the sheet weather, if the weather was measured. Columns are named in the first row; rows may be
        in any order, and those that begin with # are remarks.

    Returns
    -------
    Records

    Raises
    ------
    Refused
        If anything cannot be used; every fault is listed, with file or sheet, row, column, value and remedy. Where the
        rows of a batch are at fault otherwise, its plants are not accounted for yet.

    Notes
    -----
    CSV, and links, as `read_season` takes them. Of a workbook the values are read as last calculated; hidden rows,
    columns and sheets, merged cells, errors and formulas without a value are refused.
    """
    source = opened(path, "batches.csv and counts.csv")
    return Records(**read_tables(source, _TABLES, _REFERRED, lambda tables: _contradictions(tables, {})))


def write_records(records: Records, path: str | os.PathLike[str], *, overwrite: bool = False) -> None:
    """Write records as a folder of CSV files that `read_records` reads back exactly.

    Parameters
    ----------
    records
        What to write.
    path
        The folder; it is made if it is not there.
    overwrite
        Whether batches.csv, counts.csv and weather.csv may be replaced.

    Raises
    ------
    Refused
        If one of them is there already and `overwrite` is not asked for, or it is larger than one that is read may be;
        nothing is written then.
    """
    write_texts(table_texts(records, _TABLES, path), path, overwrite=overwrite)


def _contradictions(tables: Tables, routes: dict[str, tuple[Passage, ...]]) -> Iterator[Fault]:
    """List what contradicts what between rows, and plants not accounted for; fill in the routes."""
    yield from twice(tables.rows["weather"])
    batches: dict[str, tuple[int, BatchRecord]] = {}
    doubtful = set(tables.spoken.get("batches.batch", ())) | tables.spoken.get("counts.batch", frozenset())
    for number, row in tables.rows["batches"]:
        if row.batch in batches:
            remedy = "Keep one of the two rows, or change its batch."
            yield Fault(f"the same batch as row {batches[row.batch][0]}", remedy, "batches", number, "batch", row.batch)
            doubtful.add(row.batch)
        batches.setdefault(row.batch, (number, row))
    known = tables.names("batches", "batch")
    if "batches" not in tables.unread:
        for fault, near in _unknown(tables.rows["counts"], known):
            yield fault
            doubtful |= {near} if near else set()
    first: dict[tuple[str, str, date], int] = {}
    for number, row in tables.rows["counts"]:
        key = (row.batch, row.stage, row.date)
        if key in first:
            problem = f"the same batch, day and stage as row {first[key]}"
            yield Fault(problem, "Keep one of the two rows.", "counts", number, "date", str(row.date))
            doubtful.add(row.batch)
        first.setdefault(key, number)
        if row.batch in batches and row.date < batches[row.batch][1].delivered:
            problem = f"before the delivery of {row.batch} on {batches[row.batch][1].delivered}"
            yield Fault(problem, "Correct this day, or that in batches.", "counts", number, "date", str(row.date))
            doubtful.add(row.batch)
    if tables.unread - OPTIONAL or "" in doubtful:  # rows that may be of any batch are missing
        return
    numbers = {id(row): number for number, row in tables.rows["counts"]}
    counts = _grouped(row for _, row in tables.rows["counts"])
    for name, (_, batch) in batches.items():
        if name not in doubtful:
            routes[name] = passages(batch, counts.get(name, ()))
            for passage in routes[name]:
                for row, fault in passage.faults():
                    yield fault.placed("counts", numbers[id(row)])


def _unknown(counts: Sequence[tuple[int, CountRecord]], known: set[str]) -> Iterator[tuple[Fault, str | None]]:
    """Tell counts of batches that are not known, and which batch is probably meant."""
    near: dict[str, str | None] = {}
    for number, row in counts:
        if row.batch in known:
            continue
        if row.batch not in near:
            near[row.batch] = nearest(row.batch, sorted(known)) if len(near) < _SUGGESTED else None
        remedy = "Correct the spelling, or add it to batches."
        meant = near[row.batch]
        remedy += f" Did you mean {meant!r}?" if meant else ""
        yield Fault("there is no batch of this name in batches", remedy, "counts", number, "batch", row.batch), meant


def _strange(
    batch: BatchRecord, route: Sequence[Passage], labs: Collection[str], routes: Mapping[str, Sequence[str]]
) -> Iterator[Fault]:
    """Tell what of a batch its season does not know: its labs, and the stages of its varieties."""
    if batch.lab is not None and batch.lab not in labs:
        problem = f"batch {batch.batch}: this season has no offer of such a lab"
        yield Fault(problem, suggestion(batch.lab, sorted(labs)), "batches", None, "lab", batch.lab)
    if batch.variety not in routes:
        problem = f"batch {batch.batch}: this season has no such variety"
        yield Fault(problem, suggestion(batch.variety, list(routes)), "batches", None, "variety", batch.variety)
        return
    stages = routes[batch.variety]
    last = ""
    for one in route:
        if not one.stage:
            continue
        if one.stage not in stages:
            problem = f"batch {batch.batch}: {batch.variety} has no such stage"
            yield Fault(problem, suggestion(one.stage, stages), "counts", None, "stage", one.stage)
            continue
        if last and stages.index(one.stage) < stages.index(last):
            problem = f"batch {batch.batch}: first counted after {last}, which follows it"
            remedy = f"The stages of {batch.variety} are: {', '.join(stages)}."
            yield Fault(problem, remedy, "counts", None, "stage", one.stage)
        last = one.stage


def _grouped(counts: Iterable[CountRecord]) -> dict[str, list[CountRecord]]:
    found: dict[str, list[CountRecord]] = defaultdict(list)
    for row in counts:
        found[row.batch].append(row)
    return found
