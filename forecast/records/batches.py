"""The rows of batches and counts, and what the counts of a batch say of each stage."""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property
from itertools import groupby, islice, permutations, product
from typing import Annotated, Any, NamedTuple, Self

from pydantic import model_validator

from forecast.errors import Fault, refuse
from forecast.season.cells import Name, Note, Row, Text, Whole, parsed, wrong

_MOST_TIED = 4  # stages first counted on one day, of which every order is tried
_MOST_ORDERS = 24  # of the stages of a batch
_WRITTEN = re.compile(r"\d{4}-\d{2}-\d{2}")


def read_day(cell: Any) -> date:
    """Return the day that is written as 2027-04-13, or is a date.

    Raises
    ------
    Refused
        If it is no date, not of the years 1900 to 2199, or a time of day.
    """
    remedy = "Write year, month and day, such as 2027-04-13."
    day = None
    if isinstance(cell, datetime):
        if cell.time() != datetime.min.time():
            raise refuse("date", str(cell), "a time of day, too", "Write the day alone, such as 2027-04-13.")
        day = cell.date()
    elif isinstance(cell, date):
        day = cell
    elif isinstance(cell, str) and _WRITTEN.fullmatch(cell.strip()):
        try:
            day = date.fromisoformat(cell.strip())
        except ValueError:
            raise refuse("date", cell, "there is no such day", remedy) from None
    if day is None:
        raise refuse("date", str(cell), "not a date", remedy)
    if not 1900 <= day.year < 2200:
        raise refuse("date", str(cell), "not a year that can be meant", remedy)
    return day


DateCell = Annotated[date, parsed(read_day)]


class BatchRecord(Row):
    """A batch as it came.

    Parameters
    ----------
    batch
        Its name.
    variety, lab
        What it is, and which lab sent it.
    delivered
        Day on which it came, such as 2027-04-13.
    ordered, received
        Plants ordered, and plants received, dead ones included.
    dead_on_arrival
        Of those received.
    """

    batch: Name
    variety: Name
    lab: Name | None = None
    delivered: DateCell
    ordered: Whole
    received: Whole
    dead_on_arrival: Whole = 0
    note: Note = None

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.dead_on_arrival > self.received:
            problem = f"more dead on arrival than the {self.received:,} received"
            remedy = "Count the dead ones among those received, or correct one of the two."
            raise wrong(problem, remedy, "dead_on_arrival", self.dead_on_arrival)
        return self


class CountRecord(Row):
    """A count of one batch in one stage on one day.

    Parameters
    ----------
    batch, date, stage
        Which batch, on which day, in which stage.
    alive
        Living plants found there that day, before any were moved on.
    transferred
        Of these, moved to the next stage that day.
    saleable
        Of those alive, put up for sale that day.
    losses
        Taken out of the stage since the count before; not among those alive.
    why
        Main cause of what was discarded.
    """

    batch: Name
    date: DateCell
    stage: Text
    alive: Whole
    transferred: Whole
    saleable: Whole
    losses: Whole
    why: Text | None = None
    note: Note = None

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.transferred + self.saleable > self.alive:
            problem = (
                f"{self.transferred:,} moved on and {self.saleable:,} saleable are more than the {self.alive:,} alive"
            )
            remedy = "Count as alive all that live before any are moved on or sold."
            raise wrong(
                problem, remedy, "transferred" if self.transferred else "saleable", self.transferred or self.saleable
            )
        return self

    @property
    def left(self) -> int:
        """Plants that left the stage alive that day."""
        return self.transferred + self.saleable


class Look(NamedTuple):
    """A count, and what the rows before it say must be there."""

    row: CountRecord
    before: int  # left in the stage at the count before
    waiting: int  # moved in since, before that day
    today: int  # moved in that day
    counted: bool  # whether those of that day are among the counted

    @property
    def unexplained(self) -> int:
        """Plants found that come from nowhere; below 0 those that are missing."""
        return self.row.alive + self.row.losses - self.before - self.waiting - self.today * self.counted


class Interval(NamedTuple):
    """So many plants that left a stage between two looks, or were still there [weeks since they entered]."""

    after: float
    until: float
    number: int
    entered: date


@dataclass(frozen=True)
class Passage:
    """A batch in one stage.

    Parameters
    ----------
    stage
        Its name; empty where plants were moved on, or delivered, and not counted since.
    entries
        Days on which plants came in, and how many, by day.
    counts
        The counts there, by day.
    delivered
        Whether they came in by delivery, and so were there before any count.
    """

    stage: str
    entries: tuple[tuple[date, int], ...]
    counts: tuple[CountRecord, ...]
    delivered: bool

    @property
    def entered(self) -> int:
        """Plants that came in so far."""
        return sum(number for _, number in self.entries)

    @property
    def losses(self) -> int:
        """Plants taken out so far."""
        return sum(row.losses for row in self.counts)

    @property
    def left(self) -> int:
        """Plants moved on or put up for sale so far."""
        return sum(row.left for row in self.counts)

    @property
    def remaining(self) -> int:
        """Plants that are still there."""
        return self.entered - self.losses - self.left

    @cached_property
    def looks(self) -> tuple[Look, ...]:
        """Each count beside what the rows before it say.

        Notes
        -----
        Plants moved in on the day of a count are first counted at the next, unless they are graded, or
        counted again, at once: of the two, the one that fits is taken. After a count that fits neither way
        the nearer one is taken, so that a slip is told once.
        """
        found, at, before = [], 0, 0
        for row in self.counts:
            waiting = 0
            while at < len(self.entries) and (self.delivered or self.entries[at][0] < row.date):
                waiting += self.entries[at][1]
                at += 1
            today = self.entries[at][1] if at < len(self.entries) and self.entries[at][0] == row.date else 0
            more = row.alive + row.losses - before - waiting
            counted = today > 0 and 2 * more > today
            found.append(Look(row, before, waiting, today, counted))
            at += counted
            before = row.alive - row.left
        return tuple(found)

    def faults(self) -> Iterator[tuple[CountRecord, Fault]]:
        """Tell the counts that the rows before them do not explain."""
        for look in self.looks:
            if look.unexplained:
                yield look.row, self._fault(look)

    def _fault(self, look: Look) -> Fault:
        found, least = look.row.alive + look.row.losses, look.before + look.waiting
        most = least + look.today
        first = self.delivered and look.row is self.counts[0]

        def said(moved_in: int) -> str:
            if first:
                return f"{least:,} were received alive"
            return f"{look.before:,} were left at the count before, {moved_in:,} were moved in since"

        if found > most:
            problem = f"{found - most:,} more than can be there: {said(most - look.before)}"
            remedy = "Correct this count, the one before, or what was moved in."
            if first:
                remedy = "Correct this count, or what was received and dead on arrival."
        elif found < least:
            problem = f"{least - found:,} neither alive nor losses: {said(look.waiting)}"
            remedy = "Write what was lost under losses, or correct this count."
        else:
            problem = f"{found - least:,} of the {look.today:,} moved in that day are counted, the others are not"
            remedy = "Count all of them that day, or none: those moved in are first counted at the next count."
        return Fault(problem, remedy, column="alive", value=look.row.alive)

    def times(self) -> list[Interval]:
        """Return when plants left, in weeks since they entered; see `Records.times`."""
        found: dict[tuple[float, float, date], int] = defaultdict(int)
        inside: list[list[Any]] = []  # day of entry, plants
        pending, last = list(self.entries), None
        for look in self.looks:
            day = look.row.date
            while pending and (self.delivered or pending[0][0] < day or (look.counted and pending[0][0] == day)):
                inside.append(list(pending.pop(0)))
            _discard(inside, look.row.losses)
            leaving = look.row.left
            for cohort in inside:
                gone = min(cohort[1], leaving)
                cohort[1] -= gone
                leaving -= gone
                if gone and day > cohort[0]:
                    since = cohort[0] if last is None else max(cohort[0], last)
                    found[_weeks(since, cohort[0]), _weeks(day, cohort[0]), cohort[0]] += gone
            inside, last = [cohort for cohort in inside if cohort[1]], day
        for entry, number in [*inside, *pending]:
            if last is not None:
                found[_weeks(max(entry, last), entry), math.inf, entry] += number
        return [Interval(after, until, number, entry) for (after, until, entry), number in sorted(found.items())]

    def standing(self) -> list[tuple[date, float, int]]:
        """Return the plants still there: the day they entered, weeks from that to the last look, and how many."""
        if not self.counts:
            return [(entered, 0.0, plants) for entered, plants in self.entries]
        return [(row.entered, row.after, row.number) for row in self.times() if math.isinf(row.until) and row.number]


def _weeks(day: date, entry: date) -> float:
    return (day - entry).days / 7


def _discard(inside: Sequence[list[Any]], losses: int) -> None:
    """Take plants from all cohorts alike, in proportion to their numbers."""
    total, seen, gone = sum(cohort[1] for cohort in inside), 0, 0
    for cohort in inside:
        seen += cohort[1]
        taken = losses * seen // total - gone
        cohort[1] -= taken
        gone += taken


def passages(batch: BatchRecord, counts: Iterable[CountRecord]) -> tuple[Passage, ...]:
    """Follow a batch through its stages.

    Parameters
    ----------
    batch
        The batch.
    counts
        Its counts, in any order, one for each stage and day.

    Returns
    -------
    tuple[Passage, ...]
        One for each stage in the order in which they were first counted, and one without a name for plants
        that were moved on, or delivered, and not counted since.

    Notes
    -----
    Of stages first counted on one day the one with more plants comes first, then the one from which more
    were moved on; another order is taken where it alone explains all counts.
    """
    by_stage: dict[str, list[CountRecord]] = defaultdict(list)
    for row in sorted(counts, key=lambda row: row.date):
        by_stage[row.stage].append(row)
    first: tuple[Passage, ...] | None = None
    for route in _routes(by_stage):
        found = _chain(batch, [(stage, by_stage[stage]) for stage in route])
        if not any(look.unexplained for passage in found for look in passage.looks):
            return found
        first = first or found
    return first or ()


def _routes(by_stage: dict[str, list[CountRecord]]) -> Iterator[list[str]]:
    def order(stage: str) -> tuple[Any, ...]:
        rows = by_stage[stage]
        found = rows[0].alive + rows[0].losses
        return rows[0].date, -found, -rows[0].transferred, -sum(row.transferred for row in rows), stage

    stages = sorted(by_stage, key=order)
    tied = [list(group) for _, group in groupby(stages, key=lambda stage: by_stage[stage][0].date)]
    orders = [permutations(group) if len(group) <= _MOST_TIED else [tuple(group)] for group in tied]
    for groups in islice(product(*orders), _MOST_ORDERS):
        yield [stage for group in groups for stage in group]


def _chain(batch: BatchRecord, route: Sequence[tuple[str, Sequence[CountRecord]]]) -> tuple[Passage, ...]:
    found, delivered = [], True
    alive = batch.received - batch.dead_on_arrival
    entries: tuple[tuple[date, int], ...] = ((batch.delivered, alive),) if alive else ()
    for stage, rows in route:
        found.append(Passage(stage, entries, tuple(rows), delivered))
        entries = tuple((row.date, row.transferred) for row in rows if row.transferred)
        delivered = False
    return (*found, Passage("", entries, (), delivered)) if entries else tuple(found)
