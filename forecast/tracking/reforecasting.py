"""Where the season stands today, what will come of it, and whether to top up."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.special import ndtr

from forecast.errors import OutOfReach, Refused, refuse
from forecast.growth.draws import KeptDraws
from forecast.growth.fate import Batch, Fate, RouteFate
from forecast.growth.outcome import Outcome
from forecast.growth.simulation import draw_fate, season_streams
from forecast.growth.weather import measure
from forecast.ordering.order import Orders, order_of
from forecast.ordering.trial_orders import Case
from forecast.records.batches import BatchRecord, Passage, read_day
from forecast.records.records import Records
from forecast.season.rows import Delivery
from forecast.season.season import Season
from forecast.streams import Array, Streams
from forecast.tracking.evidence import Followed, Seen, shifts
from forecast.tracking.remaining import Saleable, going_on
from forecast.weeks import Week
from forecast.words.numbers import rounded, seasons

_SETTLED = 2.0  # weeks after which heat and cold of the first weeks have done their harm
_APART = 2  # weeks by which a delivery may miss the week that was planned
_SELDOM = 13  # weeks between counts at most
_MANY = 1000  # more parts than a batch falls into


@dataclass(frozen=True, eq=False)
class _Drawn:
    """What one batch meets, drawn given what was counted."""

    season: Season
    streams: Streams
    variety: str
    number: int
    change: dict[str, Array]
    counted_every: float

    def fate(self, week: Week, place: int = 0, *, harmed: bool = True) -> RouteFate:
        """Return what plants meet that enter a stage in a week."""
        enters = self.season.route(self.variety)[place].stage
        owner = self.season, self.streams, self.variety, self.number
        return draw_fate(*owner, week, enters=enters, shifts=self.change, harmed=harmed)

    def moved(self, fate: RouteFate) -> Fate:
        """Return what plants meet from delivery on that wait for the next count once they are ready."""
        return fate if self._waits is None else going_on(fate, 0, 0.0, 0.0, self.done, self._waits)

    def onward(self, place: int, entered: date, seen: float) -> Fate:
        """Return what plants meet that entered a stage on a day and still stood in it some weeks later."""
        day = entered + timedelta(days=round(7 * seen))
        looked = Week.of(day)
        inner = self.fate(Week.of(entered), place, harmed=seen < _SETTLED)
        overdue = self.done
        if place + 1 < len(self.season.route(self.variety)):
            later = self.fate(looked, place + 1, harmed=False)
            overdue = going_on(later, place + 1, (looked.monday - day).days / 7, 0.0, self.done, self._waits)
        since = (looked.monday - entered).days / 7
        return going_on(inner, place, since, seen, overdue, self._waits)

    @cached_property
    def done(self) -> Fate:
        """What plants meet that are saleable."""
        return Saleable(len(self.season.route(self.variety)), self.streams.draws)

    @cached_property
    def _waits(self) -> Array | None:
        """Weeks from when plants are ready in each stage to the count, shape (stages, draws)."""
        if not self.counted_every:
            return None
        owner = ("count", self.variety, str(self.number))
        scores = [self.streams.normal(owner, f"{row.stage} wait") for row in self.season.route(self.variety)]
        return np.asarray(self.counted_every * ndtr(scores))


@dataclass(frozen=True, eq=False)
class Reforecast:
    """What will come of a running season, given what was counted up to a day.

    Parameters
    ----------
    on_date
        The day.
    outcome
        What comes of all its plants from here on: an outcome like that of `simulate`, whose batches are the plants
        that stand in one stage since one day, those already saleable, and deliveries still to come. ``chance``,
        ``table``, ``wanted``, and with it `bench_space` and `hours_of_work`, answer as ever; `cash_flow` does not.
    standing
        A row for each of these: variety, batch (empty if still to come), stage, entered (the Monday on which those
        still to come are due), counted (the day of the last look), plants.
    not_come
        Deliveries that were planned for a week that is past, and of which there is no record. They are not counted.
    """

    on_date: date
    outcome: Outcome
    standing: pd.DataFrame = field(repr=False)
    not_come: tuple[Delivery, ...] = ()
    _next: Mapping[str, _Drawn] = field(default_factory=dict, repr=False)

    def targets(self, variety: str | None = None) -> pd.DataFrame:
        """Return, for each row that is wanted from this week on, what comes of it; see `Outcome.targets`."""
        table = self.outcome.targets(variety)
        return table[table["week"] >= str(Week.of(self.on_date))].reset_index(drop=True)

    @cached_property
    def top_up(self) -> Orders:
        """Orders placed today that make up for what is likely to be missing.

        For each row still wanted whose chance is below its service level, the cheapest order that, with the plants
        there are, gives it as surely as asked; ``unmet`` says why for rows that no order can save. Each row is topped
        up alone, after earlier rows took what there is. Leads count from the first Monday from that day on.
        """
        season, first = self.outcome.season, _monday_from(self.on_date)
        orders, unmet = [], []
        for name in season.targeted:
            hand = self.outcome.on_hand(name)[0]
            chances = self.outcome.targets(name)["chance"]
            one = self._next[name]
            for row, chance in zip(season.targets_of(name), chances, strict=True):
                if row.week < first or chance >= (row.service_level or season.service_level):
                    continue
                there = hand[row.week - season.first_week]
                try:
                    case = Case(
                        *(season, one.streams, row, one.number),
                        ordered=first,
                        shifts=one.change,
                        moved=one.moved,
                        there=there,
                    )
                    orders.append(order_of(case))
                except OutOfReach as error:
                    unmet.append(error)
                except Refused as error:
                    fault = error.faults[0]
                    unmet.append(OutOfReach(f"No top-up by {row.week}: {fault.problem}. {fault.remedy}"))
        return Orders(tuple(orders), tuple(unmet))

    def __str__(self) -> str:
        lines = [f"On {self.on_date}:"]
        lines += [
            f"{row['variety']}: about {rounded(row['median'])} saleable in {row['week']} ({rounded(row['p5'])} to "
            f"{rounded(row['p95'])}); the {row['target']:,} wanted in {seasons(row['chance'])}."
            for row in self.targets().to_dict("records")
        ]
        lines += [f"Not come: {row.quantity:,} {row.variety} of {row.week}." for row in self.not_come]
        return "\n".join(lines)


def reforecast(
    season: Season, records: Records, *, on_date: date | str, draws: int, seed: int, counted_every: float = 0.0
) -> Reforecast:
    """Forecast a running season from what is alive today.

    Parameters
    ----------
    season
        The season; its orders are what was planned. If it was learned from records, from those of other years.
    records
        What was counted, and the weather that was measured; batches delivered within the season belong to it. What is
        later than `on_date` is not looked at.
    on_date
        The day, or its text such as 2027-06-14.
    draws, seed
        Number of simulated seasons, and their seed; the same as those of a forecast pair the two.
    counted_every
        Time between counts [weeks], where plants are moved on and put up for sale on days of a count alone.

    Returns
    -------
    Reforecast

    Raises
    ------
    Refused
        If the day lies outside the season, `counted_every` is no such time, or the season does not know a variety, lab
        or stage of the records.

    Notes
    -----
    Only remaining plants are forecast; what is saleable already is counted. Plants that stand in a stage are
    those that had not left it when they were last counted (see `Onward`), and the rates of a batch, of its season and
    of its variety are drawn given all counts (see `forecast.tracking.evidence.shifts`). The weather up to the day is that
    measured, and the weeks to come are drawn given it (see `forecast.weather.measured.draw_given`); where it was not
    measured, thermal time so far is that of usual weather in the looks at the past, and of drawn weather in what is to
    come. A batch whose counts say nothing yet, in weather that was not measured, is forecast as `simulate` does it,
    draw by draw.

    Plants go on as soon as they are ready, or wait for the next count: after each stage that takes time, all of a batch
    wait for the same time, any from 0 to `counted_every` as likely as another. How many come through does not depend
    on it, but when: without it, plants are expected half that time early for each stage.

    A record belongs to the order of its variety and lab for the week of its delivery; failing that, to one for the
    same quantity a week or two before or after.

    Examples
    --------
    >>> import forecast
    >>> from forecast.records.records import read_records
    >>> season = forecast.read_season("demo_data/season_2026")
    >>> today = forecast.reforecast(season, read_records("demo_data"), on_date="2026-06-14", draws=64, seed=1)
    >>> today.standing.columns.tolist()
    ['variety', 'batch', 'stage', 'entered', 'counted', 'plants']
    """
    today = read_day(on_date)
    if not season.first_week.monday <= today <= season.last_week.monday + timedelta(6):
        remedy = f"Give a day from {season.first_week.monday} to {season.last_week.monday + timedelta(6)}."
        raise refuse("on_date", str(today), "outside the season", remedy)
    if not 0 <= counted_every <= _SELDOM:
        remedy = f"Give weeks from 0 to {_SELDOM}."
        raise refuse("counted_every", str(counted_every), "not a time between counts", remedy)
    known = records.until(today)
    known.against(season)
    streams = season_streams(draws, seed)
    measure(streams, known.measured)
    passed = {row.batch: route for row, route in known.routes}
    running = [row for row in known.batches if row.delivered >= season.first_week.monday]
    coming, not_come = _planned(season, running, today)
    rows: list[tuple[str, Week, str, str, BatchRecord | Delivery]] = [
        *((row.variety, Week.of(row.delivered), row.lab or "", row.batch, row) for row in running),
        *((row.variety, row.week, row.lab or "", "", row) for row in coming),
    ]
    rows.sort(key=lambda one: one[:4])
    numbers: dict[str, int] = defaultdict(int)
    followed, routes = [], []
    for variety, *_, row in rows:
        numbers[variety] += 1
        route = passed[row.batch] if isinstance(row, BatchRecord) else ()
        routes.append(route)
        followed.append(Followed(variety, numbers[variety], tuple(_seen(season, row, route))))
    more = [Followed(row.variety, numbers[row.variety] + 1) for row in season.varieties]
    changes = shifts(season, streams, [*followed, *more])
    plants: list[tuple[Batch, Fate, tuple[object, ...]]] = []
    drawn = [
        _Drawn(season, streams, one.variety, one.number, change, counted_every)
        for one, change in zip([*followed, *more], changes, strict=True)
    ]
    for (variety, week, _, _, row), one, route in zip(rows, drawn, routes, strict=False):
        if isinstance(row, Delivery):
            batch = Batch(variety, one.number, week, row.quantity, row.lab)
            plants.append((batch, one.moved(one.fate(week)), ("", "", week.monday, None)))
        else:
            plants += _standing(one, row, route)
    batches, fates = [batch for batch, *_ in plants], [fate for _, fate, _ in plants]
    outcome = Outcome(KeptDraws(season, batches, fates, streams), begun=True)
    standing = pd.DataFrame(
        [(batch.variety, *where, batch.quantity) for batch, _, where in plants],
        columns=["variety", "batch", "stage", "entered", "counted", "plants"],
    )
    return Reforecast(today, outcome, standing, not_come, {one.variety: one for one in drawn[len(rows) :]})


def narrowing(
    season: Season,
    records: Records,
    variety: str,
    *,
    week: Week | str,
    days: Sequence[date | str],
    draws: int,
    seed: int,
    counted_every: float = 0.0,
) -> pd.DataFrame:
    """Show how the forecast of one wanted week narrows as counts come in.

    Parameters
    ----------
    season, records, draws, seed, counted_every
        As for `reforecast`.
    variety, week
        Which variety, saleable on the Monday of which week if none is sold.
    days
        Days on which the forecast is made anew.

    Returns
    -------
    DataFrame
        day; low, middle and high number saleable, nine draws in ten; alive, plants of it that were delivered by then
        and are still there or saleable.
    """
    rows = []
    for day in days:
        made = reforecast(season, records, on_date=day, draws=draws, seed=seed, counted_every=counted_every)
        low, middle, high = made.outcome.quantile(variety, week=week).tolist()
        here = made.standing[(made.standing["variety"] == variety) & (made.standing["batch"] != "")]
        rows.append((str(made.on_date), low, middle, high, int(here["plants"].sum())))
    return pd.DataFrame(rows, columns=["day", "p5", "median", "p95", "alive"])


def _planned(
    season: Season, running: Sequence[BatchRecord], today: date
) -> tuple[list[Delivery], tuple[Delivery, ...]]:
    """Return the orders that are still to come, and those whose week is past without a record."""
    free = sorted(running, key=lambda one: (one.delivered, one.batch))
    together: dict[tuple[str, Week, str], int] = defaultdict(int)
    for row in season.orders:
        together[row.variety, row.week, row.lab or ""] += row.quantity
    rows = [
        Delivery(variety=variety, week=week, quantity=quantity, lab=lab or None)
        for (variety, week, lab), quantity in sorted(together.items())
    ]
    for apart in range(_APART + 1):
        for row in list(rows):
            match = [
                one for one in free
                if one.variety == row.variety and row.lab in (None, one.lab)
                and abs(Week.of(one.delivered) - row.week) == apart and (not apart or one.ordered == row.quantity)
            ]  # fmt: skip
            if match:
                free.remove(match[0])
                rows.remove(row)
    today_week = Week.of(today)
    coming = [row for row in rows if row.week >= today_week]
    return coming, tuple(row for row in rows if row.week < today_week)


def _seen(season: Season, row: BatchRecord | Delivery, route: Sequence[Passage]) -> Iterator[Seen]:
    """Return what was counted of a batch, arrival first."""
    if isinstance(row, Delivery):
        return
    first = season.route(row.variety)[0]
    named = [one for one in route if one.stage]
    if first.typical == 0 and all(one.stage != first.stage for one in named):
        alive = row.received - row.dead_on_arrival
        yield Seen(first.stage, max(row.ordered - alive, 0), alive, 0, ())
    for one in named:
        yield Seen(one.stage, one.losses, one.left, one.remaining, tuple(one.times()))


def _standing(
    drawn: _Drawn, row: BatchRecord, route: Sequence[Passage]
) -> list[tuple[Batch, Fate, tuple[object, ...]]]:
    """Return the plants of a batch that are left, by the stage they stand in and the day they entered it."""
    stages = drawn.season.route(row.variety)
    names = [stage.stage for stage in stages]
    place = int(stages[0].typical == 0 and len(names) > 1)  # where plants stand that were not counted since delivery
    found: list[tuple[Batch, Fate, tuple[object, ...]]] = []

    def add(week: Week, plants: int, fate: Fate, *where: object) -> None:
        number = drawn.number if not found else _MANY * drawn.number + len(found)
        found.append((Batch(row.variety, number, week, plants, row.lab), fate, (row.batch, *where)))

    for one in route:
        place = names.index(one.stage) if one.stage else place
        for entered, seen, plants in one.standing():
            looked = entered + timedelta(days=round(7 * seen))
            add(Week.of(looked), plants, drawn.onward(place, entered, seen), names[place], entered, looked)
        for count in one.counts:
            if count.saleable:
                add(_monday_from(count.date), count.saleable, drawn.done, "saleable", count.date, count.date)
        place = min(place + 1, len(names) - 1)
    return found


def _monday_from(day: date) -> Week:
    """Return the first week whose Monday is not before a day."""
    week = Week.of(day)
    return week if week.monday == day else week + 1
