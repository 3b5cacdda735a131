"""Records of a nursery: deliveries, counts by stage, and the weather it measured."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING, Any

from forecast.errors import FIRST_ROW, Fault, Refused
from forecast.files_out import write_texts
from forecast.io.csv_folder import table_texts
from forecast.io.files_in import OPTIONAL, is_workbook
from forecast.io.tables import Read, Source, opened, read_tables
from forecast.records.batches import BatchRecord, CountRecord, StageHistory, stage_histories
from forecast.records.oddities import odd_records
from forecast.records.weather_rows import WeatherRecord, too_warm, twice
from forecast.season.cells import Row, nearest, suggestion
from forecast.season.consistency import Tables
from forecast.season.season import Season
from forecast.weather.measured import Days
from forecast.weeks import read_day
from forecast.words import records as words

if TYPE_CHECKING:
    import pandas as pd

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
        If rows contradict each other; all are listed. A batch, a count or a day of weather has one row; a count
        is of a known batch and not before its delivery; and every plant is accounted for: those alive or lost at a
        count are those that remained at the count before, or were received alive, and were transferred in since.

    Notes
    -----
    The stages of a batch follow each other in the order in which they were first counted. Transferred plants are
    first counted at the next count, or that day, as at grading. So entered = losses + transferred + saleable +
    remaining holds for every stage, and received - dead on arrival = losses + saleable + remaining for
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
        rows = {name: tuple(enumerate(getattr(self, name), start=FIRST_ROW)) for name in _TABLES}
        histories: dict[str, tuple[StageHistory, ...]] = {}
        faults = list(_contradictions(Tables(rows), histories))
        if faults:
            raise Refused(faults)
        object.__setattr__(self, "batches", tuple(sorted(self.batches, key=lambda row: row.batch)))
        counts = sorted(self.counts, key=lambda row: (row.batch, row.date, row.stage))
        object.__setattr__(self, "counts", tuple(counts))
        object.__setattr__(self, "weather", tuple(sorted(self.weather, key=lambda row: row.date)))
        object.__setattr__(self, "histories", tuple((row, histories[row.batch]) for row in self.batches))

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
        """Return how many plants of each batch entered, left and remain in each stage.

        Returns
        -------
        DataFrame
            A row for each batch and stage, in order: batch, variety, lab (missing if unknown), stage, entered (plants
            that entered so far), left (transferred, or put up for sale), losses, remaining, finished (whether none
            remains; more may still enter), and first_date and last_date of its counts. Plants that were transferred, or
            delivered, and not counted since have a row with an empty stage, since records alone do not name it.
        """
        import pandas as pd  # noqa: PLC0415 (takes a fifth of a second, and reading records needs none)

        rows = [
            (
                *(batch.batch, batch.variety, batch.lab, one.stage),
                *(one.entered, one.left, one.losses, one.remaining, not one.remaining),
                *((one.counts[0].date, one.counts[-1].date) if one.counts else (None, None)),
            )
            for batch, histories in self.histories
            for one in histories
        ]
        return pd.DataFrame(rows, columns=["batch", "variety", "lab", "stage", *_STAGES]).astype(_STAGES)

    def times(self) -> pd.DataFrame:
        """Return when plants left a stage, for `learn_time`.

        Returns
        -------
        DataFrame
            A row for each batch, stage, day of entry and interval: batch, variety, stage, after and until [weeks since
            the plants entered the stage], number, and entered, the day on which they did. The plants became ready
            after the count before (or their entry) and until the count at which they were transferred or put up for
            sale; those still growing at the last count of the stage have an infinite until.

        Notes
        -----
        Plants enter a stage on the day on which they were transferred from the one before, or delivered. Which of
        them left is not recorded: first in, first out is assumed. Losses are neither ready nor growing and are left
        out; they are taken from those that entered on different days in proportion to their numbers. Plants that left
        on the day they entered, as at grading, took no time and are left out too. Those not counted since they entered
        have after 0 and until infinite; where no stage is named they are left out.

        For the rows of one stage, and of varieties that are alike, call
        ``learn_time(rows[["number", "after", "until", "batch"]].itertuples(index=False, name=None))``.
        """
        import pandas as pd  # noqa: PLC0415 (takes a fifth of a second, and reading records needs none)

        rows = [
            (batch.batch, batch.variety, one.stage, *interval)
            for batch, histories in self.histories
            for one in histories
            for interval in one.times()
        ]
        return pd.DataFrame(rows, columns=["batch", "variety", "stage", *_TIMES]).astype(_TIMES)

    def against(self, season: Season) -> None:
        """Check that a season knows the varieties, labs and stages of these records.

        Raises
        ------
        Refused
            If a variety or the lab of a batch is not in the season, or the stages in which a batch was counted are not
            stages of its variety, in their order; all are listed by batch. Stages may be left uncounted. Also if
            days are so warm for its climate that they must be in degrees Fahrenheit.
        """
        if faults := list(_strangers(self.histories, self.weather, season, {})):
            raise Refused(faults)

    def __str__(self) -> str:
        days = [row.date for row in self.counts] + [row.delivered for row in self.batches]
        return words.held(
            deliveries=len(self.batches),
            counts=len(self.counts),
            first=min(days, default=None),
            last=max(days, default=None),
            days=len(self.weather),
        )

    def __repr__(self) -> str:
        return f"Records({self})"

    @cached_property
    def measured(self) -> Days:
        """Minimum and maximum [°C] of each day on which the air outside was measured."""
        return {row.date: (row.t_min, row.t_max) for row in self.weather}

    @cached_property
    def histories(self) -> tuple[tuple[BatchRecord, tuple[StageHistory, ...]], ...]:
        """Each batch with its history in each stage."""
        counts = _grouped(self.counts)
        return tuple((row, stage_histories(row, counts.get(row.batch, ()))) for row in self.batches)


def read_records(path: str | os.PathLike[str]) -> Records:
    """Read the records of a nursery.

    Parameters
    ----------
    path
        A folder that holds batches.csv and counts.csv, or an .xlsx workbook with the sheets batches and counts; and
        weather.csv, or the sheet weather, if the weather was measured. Columns are named in the first row; rows may be
        in any order, and those that begin with # and a space are comments.

    Returns
    -------
    Records

    Raises
    ------
    Refused
        If anything cannot be used; all are listed, with file or sheet, row, column, value and remedy. The plants
        of a batch are accounted for once its rows have no other fault.

    Warns
    -----
    UserWarning
        Of what is possible but odd, such as 1,000 plants received of 100 ordered, in the same form.

    Notes
    -----
    CSV, and links, as `read_season` takes them. Of a workbook the values are read as last calculated; hidden rows,
    columns and sheets, merged cells, errors and formulas without a value are refused.
    """
    return look_at_records(opened(path, "batches.csv and counts.csv")).accepted()


def look_at_records(source: Source, season: Season | None = None) -> Read[Records]:
    """Return the records that were read, all that is wrong with them, also beside a season, and all that is odd.

    With a season, weather may be there without batches.
    """
    alone = season is not None and not ("batches" in source or "counts" in source)

    def check(tables: Tables) -> Iterator[Fault]:
        histories: dict[str, tuple[StageHistory, ...]] = {}
        yield from _contradictions(tables, histories)
        if season is not None:
            rows = {table: [row for _, row in numbered] for table, numbered in tables.rows.items()}
            numbers = {id(row): number for numbered in tables.rows.values() for number, row in numbered}
            known = [(row, histories.get(row.batch, ())) for row in rows.get("batches", ())]
            yield from _strangers(known, rows["weather"], season, numbers)

    kinds = {table: kind for table, kind in _TABLES.items() if table == "weather" or not alone}
    read = read_tables(source, kinds, _REFERRED, check, lambda tables: odd_records(tables, season))
    found = None if read.faults else Records(**(read.result or {}))
    return Read(found, read.faults, read.odd, read.understood)


def write_records(records: Records, path: str | os.PathLike[str], *, overwrite: bool = False) -> None:
    """Write records as a folder of CSV files, or a workbook, that `read_records` reads back exactly.

    Parameters
    ----------
    records
        What to write.
    path
        The folder; it is made if it is not there. Or a workbook, whose name ends in ``.xlsx``: of one that is there,
        only the rows of these tables change.
    overwrite
        Whether batches.csv, counts.csv and weather.csv, or the sheets of these names, may be replaced.

    Raises
    ------
    Refused
        If one of them is there already and `overwrite` is not asked for, or it is larger than one that is read may be;
        nothing is written then.
    """
    if not is_workbook(path):
        write_texts(table_texts(records, _TABLES, path), path, overwrite=overwrite)
        return
    from forecast.io.workbook_out import WorkbookOut  # noqa: PLC0415 (a folder needs no openpyxl)

    book = WorkbookOut(path, overwrite=overwrite)
    tables = [table for table in _TABLES if table not in OPTIONAL or getattr(records, table) or table in book]
    book.check_free(tables)
    for table in tables:
        book.put_table(table, _TABLES[table], getattr(records, table), ordered=False)
    book.write()


def _contradictions(tables: Tables, histories: dict[str, tuple[StageHistory, ...]]) -> Iterator[Fault]:
    """Return contradictions between rows, and plants not accounted for; fill in the histories of sound batches."""
    yield from twice(tables.having("weather", "date"))
    if "batches" not in tables.rows:  # weather alone
        return
    doubtful = set(tables.spoken.get("batches.batch", ())) | tables.spoken.get("counts.batch", frozenset())
    for fault, batch in (*_repeated(tables), *_unknown(tables), *_misplaced(tables)):
        yield fault
        doubtful |= {batch} if batch else set()
    if tables.unread - OPTIONAL or "" in doubtful:  # rows that may be of any batch are missing
        return
    numbers = {id(row): number for number, row in tables.rows["counts"]}
    counts = _grouped(row for _, row in tables.rows["counts"])
    for batch in (row for _, row in tables.rows["batches"] if row.batch not in doubtful):
        histories[batch.batch] = stage_histories(batch, counts.get(batch.batch, ()))
        for row, fault in (pair for history in histories[batch.batch] for pair in history.faults()):
            yield fault.placed("counts", numbers[id(row)])


def _repeated(tables: Tables) -> Iterator[tuple[Fault, str]]:
    """Return batches in more than one row."""
    first: dict[str, int] = {}
    for number, row in tables.having("batches", "batch"):
        if row.batch in first:
            problem, remedy = (
                f"the same batch as row {first[row.batch]}",
                "Keep one of the two rows, or change its batch.",
            )
            yield Fault(problem, remedy, "batches", number, "batch", row.batch), row.batch
        first.setdefault(row.batch, number)


def _misplaced(tables: Tables) -> Iterator[tuple[Fault, str]]:
    """Return counts in more than one row, and those before the delivery of their batch."""
    delivered = {row.batch: row.delivered for _, row in reversed(tables.having("batches", "batch", "delivered"))}
    first: dict[tuple[str, str, date], int] = {}
    for number, row in tables.having("counts", "batch", "stage", "date"):
        key = (row.batch, row.stage, row.date)
        if key in first:
            problem = f"the same batch, day and stage as row {first[key]}"
            yield Fault(problem, "Keep one of the two rows.", "counts", number, "date", str(row.date)), row.batch
        first.setdefault(key, number)
        if row.date < delivered.get(row.batch, row.date):
            problem = f"before the delivery of {row.batch} on {delivered[row.batch]}"
            remedy = "Correct this day, or that in batches."
            yield Fault(problem, remedy, "counts", number, "date", str(row.date)), row.batch


def _unknown(tables: Tables) -> Iterator[tuple[Fault, str | None]]:
    """Return counts of unknown batches, each with the batch that is probably meant."""
    known = tables.names("batches", "batch")
    near: dict[str, str | None] = {}
    for number, row in tables.having("counts", "batch"):
        if row.batch in known or "batches" in tables.unread:
            continue
        if row.batch not in near:
            near[row.batch] = nearest(row.batch, sorted(known)) if len(near) < _SUGGESTED else None
        remedy = "Correct the spelling, or add it to batches."
        meant = near[row.batch]
        remedy += f" Did you mean {meant!r}?" if meant else ""
        yield Fault("there is no batch of this name in batches", remedy, "counts", number, "batch", row.batch), meant


def _strangers(
    batches: Iterable[tuple[BatchRecord, Sequence[StageHistory]]],
    weather: Sequence[WeatherRecord],
    season: Season,
    numbers: Mapping[int, int],
) -> Iterator[Fault]:
    """Return what a season does not know of records; `numbers` are those of rows, by their identity."""
    labs = {row.lab for row in season.price_list}
    routes = {row.variety: [one.stage for one in season.route(row.variety)] for row in season.varieties}
    for batch, histories in batches:
        yield from _strange(batch, histories, labs, routes, numbers)
    yield from too_warm(weather, season, numbers)


def _strange(
    batch: BatchRecord,
    histories: Sequence[StageHistory],
    labs: Collection[str],
    routes: Mapping[str, Sequence[str]],
    numbers: Mapping[int, int],
) -> Iterator[Fault]:
    """Return what a season does not know of a batch: lab, variety, stages and their order."""
    number = numbers.get(id(batch))
    if batch.lab is not None and batch.lab not in labs:
        problem = f"batch {batch.batch}: this season has no price-list line of such a lab"
        yield Fault(problem, suggestion(batch.lab, sorted(labs)), "batches", number, "lab", batch.lab)
    if batch.variety not in routes:
        problem = f"batch {batch.batch}: this season has no such variety"
        yield Fault(problem, suggestion(batch.variety, list(routes)), "batches", number, "variety", batch.variety)
        return
    stages = routes[batch.variety]
    last = ""
    for one in histories:
        if not one.stage:
            continue
        number = numbers.get(id(one.counts[0]))
        if one.stage not in stages:
            problem = f"batch {batch.batch}: {batch.variety} has no such stage"
            yield Fault(problem, suggestion(one.stage, stages), "counts", number, "stage", one.stage)
            continue
        if last and stages.index(one.stage) < stages.index(last):
            problem = f"batch {batch.batch}: first counted after {last}, which follows it"
            remedy = f"The stages of {batch.variety} are: {', '.join(stages)}."
            yield Fault(problem, remedy, "counts", number, "stage", one.stage)
        last = one.stage


def _grouped(counts: Iterable[CountRecord]) -> dict[str, list[CountRecord]]:
    found: dict[str, list[CountRecord]] = defaultdict(list)
    for row in counts:
        found[row.batch].append(row)
    return found
