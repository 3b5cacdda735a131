"""The rows of batches and counts, and the history of each batch in its stages."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from itertools import groupby, islice, permutations, product
from typing import Annotated, Any, NamedTuple

from forecast.errors import Fault, refuse
from forecast.season.cells import Name, Note, PlantsOrNone, Row, Text, parsed
from forecast.weeks import read_day

_MOST_TIED = 4  # stages first counted on one day, of which every order is tried
_MOST_ORDERS = 24  # of the stages of a batch


DateCell = Annotated[date, parsed(read_day)]


class BatchRecord(Row):
    """A batch as it was delivered.

    Parameters
    ----------
    batch
        Its name.
    variety, lab
        What it is, and which lab sent it.
    delivered
        Day on which it came, such as 2027-04-13.
    ordered, received
        Plants ordered, and plants received, dead ones included. Of an order that comes in parts, each batch has its
        part of those ordered.
    dead_on_arrival
        Of those received.
    order
        Name of the order that it came of, as in the orders of its season; if empty, the nearest by week of its variety
        and lab.
    """

    batch: Name
    variety: Name
    lab: Name | None = None
    delivered: DateCell
    ordered: PlantsOrNone
    received: PlantsOrNone
    dead_on_arrival: PlantsOrNone = 0
    order: Name | None = None
    note: Note = None

    def checks(self) -> Iterable[Callable[[], object]]:
        """Return the checks of cells beside each other."""
        return [self._arrived]

    def _arrived(self) -> None:
        if self.dead_on_arrival > self.received:
            problem = f"more dead on arrival than the {self.received:,} received"
            remedy = "Count the dead ones among those received, or correct one of the two."
            raise refuse("dead_on_arrival", self.dead_on_arrival, problem, remedy)


class CountRecord(Row):
    """A count of one batch in one stage on one day.

    Parameters
    ----------
    batch, date, stage
        Which batch, on which day, in which stage.
    alive
        Living plants found there that day, before any were transferred.
    transferred
        Of these, transferred to the next stage that day.
    saleable
        Of those alive, put up for sale that day.
    losses
        Plants taken out of the stage since the count before; not among those alive.
    why
        Main cause of the losses.
    """

    batch: Name
    date: DateCell
    stage: Text
    alive: PlantsOrNone
    transferred: PlantsOrNone
    saleable: PlantsOrNone
    losses: PlantsOrNone
    why: Text | None = None
    note: Note = None

    def checks(self) -> Iterable[Callable[[], object]]:
        """Return the checks of cells beside each other."""
        return [self._counted]

    def _counted(self) -> None:
        if self.transferred + self.saleable > self.alive:
            left = f"{self.transferred:,} transferred and {self.saleable:,} saleable"
            remedy = "Count all plants alive before any are transferred or sold."
            column = "transferred" if self.transferred else "saleable"
            raise refuse(column, getattr(self, column), f"{left} are more than the {self.alive:,} alive", remedy)

    @property
    def left(self) -> int:
        """Plants that left the stage alive that day."""
        return self.transferred + self.saleable


class CheckedCount(NamedTuple):
    """A count, and the plants that should be there by the rows before it."""

    row: CountRecord
    before: int  # remaining at the count before
    waiting: int  # transferred in since, before that day
    today: int  # transferred in that day
    counted: bool  # whether those of that day are among the counted

    @property
    def unexplained(self) -> int:
        """Plants found beyond those that should be there; below 0 if some are missing."""
        return self.row.alive + self.row.losses - self.before - self.waiting - self.today * self.counted


class Interval(NamedTuple):
    """A number of plants that left a stage between two counts, or were still there [weeks since they entered]."""

    after: float
    until: float
    number: int
    entered: date


@dataclass(frozen=True)
class StageHistory:
    """What was recorded of a batch in one stage: the days on which how many plants entered, and its counts, by day.

    The name of the stage is empty where plants were transferred, or delivered, and not counted since. Those `delivered`
    there were there before any count.
    """

    stage: str
    entries: tuple[tuple[date, int], ...]
    counts: tuple[CountRecord, ...]
    delivered: bool

    @property
    def entered(self) -> int:
        """Plants that entered so far."""
        return sum(number for _, number in self.entries)

    @property
    def losses(self) -> int:
        """Plants taken out so far."""
        return sum(row.losses for row in self.counts)

    @property
    def left(self) -> int:
        """Plants transferred or put up for sale so far."""
        return sum(row.left for row in self.counts)

    @property
    def remaining(self) -> int:
        """Plants that are still there."""
        return self.entered - self.losses - self.left

    @cached_property
    def checked(self) -> tuple[CheckedCount, ...]:
        """Each count with the plants that should be there.

        Notes
        -----
        Plants transferred in on the day of a count are first counted at the next, unless they are graded, or
        counted again, at once: of the two, the one that fits is taken. After a count that fits neither way
        the nearer one is taken, so that a slip is reported once.
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
            found.append(CheckedCount(row, before, waiting, today, counted))
            at += counted
            before = row.alive - row.left
        return tuple(found)

    def faults(self) -> Iterator[tuple[CountRecord, Fault]]:
        """Return the counts that the rows before them do not explain."""
        for one in self.checked:
            if one.unexplained:
                yield one.row, self._fault(one)

    def _fault(self, one: CheckedCount) -> Fault:
        found, least = one.row.alive + one.row.losses, one.before + one.waiting
        most = least + one.today
        first = self.delivered and one.row is self.counts[0]
        there = _there(one.before, one.waiting if found < least else one.waiting + one.today, delivered=first)
        if found > most:
            losses = "with the losses, " if one.row.losses else ""
            problem = f"{losses}{found - most:,} more than the {there}"
            remedy = "Correct this count, the one before, or the transfers."
            if first:
                remedy = "Correct this count, or what was received and dead on arrival."
        elif found < least:
            are = "is" if least - found == 1 else "are"
            problem = f"of the {there}, {least - found:,} {are} neither alive nor among the losses"
            remedy = "Write missing plants under losses, or correct this count."
        else:
            problem = f"{found - least:,} of the {one.today:,} transferred in that day are counted, the others are not"
            remedy = "Count all of them that day, or none: plants transferred in are first counted at the next count."
        return Fault(problem, remedy, column="alive", value=one.row.alive)

    def times(self) -> list[Interval]:
        """Return when plants left, in weeks since they entered; see `Records.times`."""
        found: dict[tuple[float, float, date], int] = defaultdict(int)
        inside: list[list[Any]] = []  # day of entry, plants
        pending, last = list(self.entries), None
        for one in self.checked:
            day = one.row.date
            while pending and (self.delivered or pending[0][0] < day or (one.counted and pending[0][0] == day)):
                inside.append(list(pending.pop(0)))
            _lose(inside, one.row.losses)
            leaving = one.row.left
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

    def cohorts(self) -> list[tuple[date, float, int]]:
        """Return the plants still there: the day they entered, weeks from that to the last count, and how many."""
        if not self.counts:
            return [(entered, 0.0, plants) for entered, plants in self.entries]
        return [(row.entered, row.after, row.number) for row in self.times() if math.isinf(row.until) and row.number]


def _there(before: int, entered: int, *, delivered: bool) -> str:
    """Return which plants should be there at a count: those of the count before, and those that came since."""
    if delivered:
        return f"{before + entered:,} received alive"
    remained, moved = f"{before:,} that remained at the count before", f"{entered:,} transferred in since"
    if not before:
        return f"{moved} the count before" if entered else remained
    return f"{remained} and the {moved}" if entered else remained


def _weeks(day: date, entry: date) -> float:
    return (day - entry).days / 7


def _lose(inside: Sequence[list[Any]], losses: int) -> None:
    """Take losses from all cohorts in proportion to their numbers."""
    total, seen, gone = sum(cohort[1] for cohort in inside), 0, 0
    for cohort in inside:
        seen += cohort[1]
        taken = losses * seen // total - gone
        cohort[1] -= taken
        gone += taken


def stage_histories(batch: BatchRecord, counts: Iterable[CountRecord]) -> tuple[StageHistory, ...]:
    """Return the history of a batch in each of its stages, in the order in which they were first counted.

    Counts come in any order, one for each stage and day. Plants that were transferred, or delivered, and not counted
    since have a history without a name. Of stages first counted on one day the one with more plants comes first, then
    the one from which more were transferred; another order is taken where it alone explains all counts.
    """
    by_stage: dict[str, list[CountRecord]] = defaultdict(list)
    for row in sorted(counts, key=lambda row: row.date):
        by_stage[row.stage].append(row)
    first: tuple[StageHistory, ...] | None = None
    for route in _routes(by_stage):
        found = _chain(batch, [(stage, by_stage[stage]) for stage in route])
        if not any(count.unexplained for history in found for count in history.checked):
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


def _chain(batch: BatchRecord, route: Sequence[tuple[str, Sequence[CountRecord]]]) -> tuple[StageHistory, ...]:
    found, delivered = [], True
    alive = batch.received - batch.dead_on_arrival
    entries: tuple[tuple[date, int], ...] = ((batch.delivered, alive),) if alive else ()
    for stage, rows in route:
        found.append(StageHistory(stage, entries, tuple(rows), delivered))
        entries = tuple((row.date, row.transferred) for row in rows if row.transferred)
        delivered = False
    return (*found, StageHistory("", entries, (), delivered)) if entries else tuple(found)
