"""The running season forecast again from what is alive today, and top-up orders."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr

from forecast.errors import Fault, OutOfReach, Refused, real, refuse
from forecast.fates.cohorts import SaleableFate, cohort_fate
from forecast.fates.fate import Batch, Fate, RouteFate
from forecast.fates.weather import measure
from forecast.growth.draws import KeptDraws
from forecast.growth.outcome import Outcome
from forecast.growth.selling import Sold
from forecast.growth.simulation import batches_on_hand, draw_fate, fate_of, streams_of
from forecast.growth.stock import demand_of
from forecast.growth.summaries import as_targets
from forecast.ordering.order import order_of
from forecast.ordering.trial_orders import Case
from forecast.records.batches import BatchRecord, StageHistory
from forecast.records.order_matching import MatchedOrders, match_orders
from forecast.records.records import Records
from forecast.rounding import reaches
from forecast.season.orders import Delivery
from forecast.season.season import Season
from forecast.season.targets import Target
from forecast.streams import DRAWS, Array, Streams
from forecast.tracking.evidence import BatchEvidence, StageEvidence, posterior_shifts
from forecast.tracking.numbering import RunningBatch, running_batches
from forecast.tracking.top_ups import Awaited, TopUp, too_late
from forecast.weeks import Week, read_day
from forecast.words import records as words
from forecast.words.results import Result, records

Plants = tuple[Batch, Fate, tuple[object, ...]]
"""A cohort: batch and fate of its draws, and the cells of its row in `Reforecast.cohorts`."""

_SETTLED = 2.0  # weeks after which heat and cold of the first weeks have done their harm
_SELDOM = 13  # weeks between counts, at most
_MANY = 1000  # more parts than a batch falls into


@dataclass(frozen=True, eq=False)
class _PosteriorBatch:
    """What one batch meets, drawn given all counts."""

    season: Season
    streams: Streams
    variety: str
    number: int
    shifts: dict[str, Array]
    counted_every: float

    def fate(self, week: Week, place: int = 0, *, harmed: bool = True) -> RouteFate:
        """Return what plants meet that enter a stage in a week."""
        enters = self.season.route(self.variety)[place].stage
        owner = self.season, self.streams, self.variety, self.number
        return draw_fate(*owner, week, enters=enters, shifts=self.shifts, harmed=harmed)

    def waiting(self, fate: RouteFate) -> Fate:
        """Return what plants meet from delivery on that wait for the next count once they are ready."""
        return fate if self._waits is None else cohort_fate(fate, 0, 0.0, 0.0, self.saleable, self._waits)

    def cohort(self, place: int, entered: date, counted: float) -> Fate:
        """Return what plants meet that entered a stage on a day and were still there at a count some weeks later."""
        day = entered + timedelta(days=round(7 * counted))
        week = Week.of(day)
        inner = self.fate(Week.of(entered), place, harmed=counted < _SETTLED)
        overdue = self.saleable
        if place + 1 < len(self.season.route(self.variety)):
            later = self.fate(week, place + 1, harmed=False)
            overdue = cohort_fate(later, place + 1, (week.monday - day).days / 7, 0.0, self.saleable, self._waits)
        since = (week.monday - entered).days / 7
        return cohort_fate(inner, place, since, counted, overdue, self._waits)

    @cached_property
    def saleable(self) -> Fate:
        """What plants meet that are saleable."""
        return SaleableFate(len(self.season.route(self.variety)), self.streams.draws)

    @cached_property
    def _waits(self) -> Array | None:
        """Weeks from when plants are ready in each stage to the count, shape (stages, draws)."""
        if not self.counted_every:
            return None
        owner = ("count", self.variety, str(self.number))
        scores = [self.streams.normal(owner, f"{row.stage} wait") for row in self.season.route(self.variety)]
        return np.asarray(self.counted_every * ndtr(scores))


@dataclass(frozen=True, eq=False, repr=False)
class Reforecast(Result):
    """What will come of a running season, given what was counted up to a day.

    Parameters
    ----------
    on_date
        The day.
    outcome
        What comes of all its plants from here on: an outcome like that of `simulate`, whose batches are the cohorts
        and the deliveries still to come. ``chance``, ``table``, ``targets``, `bench_space` and `hours_of_work` work as
        for any outcome; `cash_flow` does not.
    cohorts
        A row for the plants of a batch that are in one stage since one day, for those already saleable, for those that
        were on hand when the season began, as they were then, and for each delivery still to come: variety, batch
        (empty if still to come, ``on hand`` of those), stage, entered (the Monday on which those
        still to come are due), counted (the day of the last count), plants.
    matched
        The orders of the season with the batches that came of each, and the batches that came of none. What is to come
        of an order is forecast until its week is over, and not after.
    """

    on_date: date
    outcome: Outcome
    cohorts: pd.DataFrame
    matched: MatchedOrders
    _next: Mapping[str, _PosteriorBatch] = field(default_factory=dict)
    _overdue: Sequence[tuple[RunningBatch, _PosteriorBatch]] = ()

    @property
    def orders(self) -> pd.DataFrame:
        """A row for each order of the season: what came of it, and what is expected or overdue."""
        return self.matched.table(self.on_date)

    @property
    def overdue(self) -> tuple[Delivery, ...]:
        """What is still to come of orders whose week is over. These plants are not forecast."""
        return tuple(one.rest for one in self.matched.orders if one.state(self.on_date) == "overdue")

    def targets(self, variety: str | None = None) -> pd.DataFrame:
        """Return what comes of each target from this week on, whether or not any plants of it came.

        Columns as in `Outcome.targets`.
        """
        return self._since(Week.of(self.on_date), variety)

    def _since(self, now: Week, variety: str | None = None) -> pd.DataFrame:
        """Return what comes of each target that is not over in a week."""
        season = self.outcome.season
        names = season.targeted if variety is None else (season.variety(variety).variety,)
        both = (pair for name in names for pair in zip(season.targets_of(name), self._rows(name), strict=True))
        return as_targets(cells for row, cells in both if row.last + row.waits >= now)

    def _rows(self, variety: str) -> Sequence[tuple[Any, ...]]:
        return self.outcome.drawn.targets(variety)

    def table(self) -> pd.DataFrame:
        """Return the `targets` of all varieties."""
        return self.targets()

    def standing(self) -> pd.DataFrame:
        """Return the plants that are alive: variety, batch, stage, plants, and the day of the last count."""
        here = self.cohorts[self.cohorts["batch"] != ""]
        parts = here.groupby(["variety", "batch", "stage"], sort=False, as_index=False)
        return parts.agg(plants=("plants", "sum"), counted=("counted", "max"))

    def beside(self, earlier: Reforecast) -> pd.DataFrame:
        """Return each target to come as it looks now and as an earlier forecast had it.

        Returns
        -------
        DataFrame
            variety, channel and until where any target has one, week, target; then and now, the median number of plants
            for it, and chance_then and chance_now, that it is met.
        """
        names = ["variety", "channel", "week", "until", "target"]
        now, then = self.targets(), earlier._since(Week.of(self.on_date))
        shown = now[[name for name in names if name in now]]
        for column, name in (("median", ""), ("chance", "chance_")):
            shown = shown.assign(**{f"{name}then": then[column], f"{name}now": now[column]})
        return shown

    def headline(self) -> str:
        """Return how many targets to come fall short, and which does most, in one line."""
        season, rows = self.outcome.season, records(self.targets())
        falling = [
            (row["variety"], row["target"], row["week"], row["chance"])
            for row in rows
            if not reaches(row["chance"], row.get("promised") or season.service_level)
        ]
        return words.falling_short(falling, len(rows))

    def top_up(self) -> TopUp:
        """Return orders placed today that make up for what is likely to be missing.

        For each target whose chance is below its service level, the cheapest order that meets it together with the
        plants there are; ``unmet`` says why for targets that no order can meet. Each target is topped up by itself,
        after others took their plants; one over weeks by its last week. Lead times start on the first Monday from that
        day on. Overdue plants are not counted on; ``awaited`` says what targets become without a top-up if they arrive
        on that Monday.
        """
        season, first = self.outcome.season, _monday_from(self.on_date)
        orders, unmet, awaited = [], [], []
        for name in season.targeted:
            sold = self.outcome.sold(name)
            chances, new = self.outcome.targets(name)["chance"], self._next[name]
            late = sum(row.plants for row, _ in self._overdue if row.variety == name)
            hopes = self._hopes(name, first) if late else chances
            for at, (row, chance, hope) in enumerate(zip(season.targets_of(name), chances, hopes, strict=True)):
                if row.last < first or reaches(chance, row.promised or season.service_level):
                    continue
                if hope > chance:
                    awaited.append(Awaited(name, late, first, row.median_demand, row.last, hope))
                asked, there = _lacking(season, new.streams, sold, at)
                case = Case(
                    *(season, new.streams, asked, new.number),
                    ordered=first,
                    shifts=new.shifts,
                    moved=new.waiting,
                    there=there,
                )
                try:
                    orders.append(order_of(case))
                except OutOfReach as error:
                    unmet.append(error)
                except Refused:  # no delivery is possible by then
                    unmet.append(OutOfReach(too_late(season, name, by=row.last, ordered=first)))
        return TopUp(tuple(orders), tuple(unmet), tuple(awaited))

    def _hopes(self, variety: str, week: Week) -> Sequence[float]:
        """Return the chance of each target of a variety if its overdue plants arrive in a week."""
        drawn, late = self.outcome.drawn, [one for one in self._overdue if one[0].variety == variety]
        come = [_expected(row._replace(week=week), one) for row, one in late]
        batches = [*drawn.batches_of(variety), *(batch for batch, *_ in come)]
        fates = [*map(drawn.fate, drawn.batches_of(variety)), *(fate for _, fate, _ in come)]
        outcome = Outcome(KeptDraws(drawn.season, batches, fates, drawn.streams), begun=True)
        return [float(chance) for chance in outcome.targets(variety)["chance"]]

    def facts(self) -> dict[str, object]:
        """Return season, day, draws and seed."""
        name, draws, seed = self.outcome.season.name, self.outcome.draws, self.outcome.seed
        return {"season": name, "on_date": self.on_date, "draws": draws, "seed": seed}

    def __str__(self) -> str:
        lines = map(words.expected, self.targets().to_dict("records"))
        return "\n".join([f"On {self.on_date}:", *lines, *self.matched.overdue(self.on_date), *self.matched.remarks()])


def reforecast(
    season: Season, records: Records, *, on_date: date | str | None = None, counted_every: float = 0.0,
    draws: int = DRAWS, seed: int | None = None,
) -> Reforecast:  # fmt: skip
    """Forecast a running season from what is alive today.

    Parameters
    ----------
    season
        The season; its orders are what was planned. If it was learned from records, from those of other years.
    records
        Counts and measured weather; batches delivered within the season belong to it. Records later than `on_date` are
        not used.
    on_date
        The day, or its text such as 2027-06-14; today if not given.
    counted_every
        Time between counts [weeks], where plants are transferred and put up for sale only on days of a count.
    draws, seed
        Number of simulated seasons, and their seed, the season's if not given; the same as those of a forecast pair
        the two.

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
    Only remaining plants are forecast; saleable ones are counted. The plants in a stage are those that had not left it
    at their last count (see `CohortFate`), and the rates of a batch, of its season and of its variety are drawn given
    all counts (see `posterior_shifts`). The weather up to the day is that measured, and the weeks to come are drawn
    given it (see `forecast.weather.measured.draw_given`); where it was not measured, thermal time so far is that of
    climate normals in past counts, and of drawn weather in what is to come. A batch without informative counts, in
    weather that was not measured, is forecast as by `simulate`, draw by draw.

    Plants are transferred as soon as they are ready, or wait for the next count: after each stage that takes time, all
    of a batch wait for the same time, uniform from 0 to `counted_every`. This changes when plants come through, not how
    many: without it, plants are expected half that time early for each stage.

    A batch belongs to the order that it names, else to the nearest by week of its variety and lab (see `match_orders`).
    What is left of an order that came in part is still expected in the week of the order. Once that week is over it is
    overdue, like an order of which nothing came: it is said, and not forecast until it comes.

    Plants that were on hand when the season began are forecast as by `simulate`: counts do not tell of them.

    Examples
    --------
    >>> import forecast
    >>> from forecast.records.records import read_records
    >>> season = forecast.read_season("demo_data/season_2026")
    >>> today = forecast.reforecast(season, read_records("demo_data"), on_date="2026-06-14", draws=64, seed=1)
    >>> today.cohorts.columns.tolist()
    ['variety', 'batch', 'stage', 'entered', 'counted', 'plants']
    """
    today = date.today() if on_date is None else read_day(on_date)
    if not season.first_week.monday <= today <= season.last_week.monday + timedelta(6):
        remedy = f"Choose a day from {season.first_week.monday} to {season.last_week.monday + timedelta(6)}."
        raise refuse("on_date", str(today), "outside the season", remedy)
    real("counted_every", counted_every, ge=0, le=_SELDOM, problem="not a number of weeks between counts")
    known = records.until(today)
    known.against(season)
    streams = streams_of(season, draws, seed)
    measure(streams, known.measured)
    histories = {row.batch: found for row, found in known.histories}
    running = [row for row in known.batches if row.delivered >= season.first_week.monday]
    matched = match_orders(season.orders, running)
    rows = running_batches(season, running, matched)
    evidence = [
        BatchEvidence(row.variety, row.number, tuple(_evidence(season, row.came, histories[row.name])))
        if row.came
        else BatchEvidence(row.variety, row.number)
        for row in rows
    ]
    for one in season.varieties:
        numbers = (row.number for row in rows if row.variety == one.variety)
        evidence.append(BatchEvidence(one.variety, max(numbers, default=0) + 1))
    posterior = [
        _PosteriorBatch(season, streams, one.variety, one.number, shifts, counted_every)
        for one, shifts in zip(evidence, posterior_shifts(season, streams, evidence), strict=True)
    ]
    plants = list(_on_hand(season, streams))
    late: list[tuple[RunningBatch, _PosteriorBatch]] = []
    for row, drawn in zip(rows, posterior, strict=False):
        if row.came:
            plants += _cohorts(drawn, row.came, histories[row.name])
        elif row.week < Week.of(today):
            late.append((row, drawn))
        else:
            plants.append(_expected(row, drawn))
    batches, fates = [batch for batch, *_ in plants], [fate for _, fate, _ in plants]
    outcome = Outcome(KeptDraws(season, batches, fates, streams), begun=True)
    cohorts = pd.DataFrame(
        [(batch.variety, *cells, batch.quantity) for batch, _, cells in plants],
        columns=["variety", "batch", "stage", "entered", "counted", "plants"],
    )
    return Reforecast(today, outcome, cohorts, matched, {one.variety: one for one in posterior[len(rows) :]}, late)


def narrowing(
    season: Season,
    records: Records,
    variety: str,
    *,
    week: Week | str,
    days: Sequence[date | str] | None = None,
    until: date | str | None = None,
    counted_every: float = 0.0,
    draws: int = DRAWS,
    seed: int | None = None,
) -> pd.DataFrame:
    """Return the forecast of one week as it narrows with each count.

    Parameters
    ----------
    season, records, counted_every, draws, seed
        As for `reforecast`.
    variety, week
        Which variety, saleable on the Monday of which week if none is sold.
    days
        Days on which the forecast is made; if not given, every third week from the first delivery of it on.
    until
        The last of these days: that of the last record if not given.

    Raises
    ------
    Refused
        If no batch of it was delivered by then, and no days are given.

    Returns
    -------
    DataFrame
        day; p5, median and p95 of the number saleable; alive, plants of it that were delivered by then and are still
        there or saleable.
    """
    rows = []
    for day in _every_third_week(season, records, variety, until) if days is None else days:
        made = reforecast(season, records, on_date=day, draws=draws, seed=seed, counted_every=counted_every)
        here = made.cohorts[(made.cohorts["variety"] == variety) & (made.cohorts["batch"] != "")]
        quantiles = made.outcome.quantile(variety, week=week).tolist()
        rows.append((str(made.on_date), *quantiles, int(here["plants"].sum())))
    return pd.DataFrame(rows, columns=["day", "p5", "median", "p95", "alive"])


def _every_third_week(season: Season, records: Records, variety: str, until: date | str | None) -> list[date]:
    """Return every 21st day from the first delivery of a variety in a season to a day, that of the last record."""
    last = max((row.date for row in records.counts), default=date.min) if until is None else read_day(until)
    began = season.first_week.monday
    came = [row.delivered for row in records.batches if row.variety == variety and began <= row.delivered <= last]
    if not came:
        problem, remedy = f"no batch of {variety} was delivered by {last}", "Choose a variety that has come."
        raise Refused([Fault(problem, remedy, "batches.csv")])
    first = min(came)
    return [first + timedelta(days=days) for days in range(0, (last - first).days + 1, 21)]


def _evidence(season: Season, row: BatchRecord, histories: Sequence[StageHistory]) -> Iterator[StageEvidence]:
    """Return the counts of a batch by stage, arrival first."""
    first = season.route(row.variety)[0]
    named = [one for one in histories if one.stage]
    if first.typical == 0 and all(one.stage != first.stage for one in named):
        alive = row.received - row.dead_on_arrival
        yield StageEvidence(first.stage, max(row.ordered - alive, 0), alive, 0, ())
    for one in named:
        yield StageEvidence(one.stage, one.losses, one.left, one.remaining, tuple(one.times()))


def _lacking(season: Season, streams: Streams, sold: Sold, at: int) -> tuple[Target, Array]:
    """Return a target as one of its last week, and of its demand the plants that are there, shape (draws,)."""
    row, buyers = season.targets_of(sold.buyers.rows[at].target.variety)[at], sold.buyers
    if buyers.alone(at) and row.promised_share is None:
        return row, sold.offered(at)
    asked = row.in_week(row.last)
    needed = season.needed(row, buyers.rows[at].come[-1])
    return asked, demand_of(season, streams, asked) - np.maximum(needed - sold.total(at), 0)


def _on_hand(season: Season, streams: Streams) -> Iterator[Plants]:
    """Return plants that were on hand when the season began, as they were then."""
    for batch in batches_on_hand(season):
        if batch.there is not None:
            cells = ("on hand", batch.there.stage, batch.there.since.monday, season.first_week.monday)
            yield batch, fate_of(season, streams, batch), cells


def _expected(row: RunningBatch, drawn: _PosteriorBatch) -> Plants:
    """Return plants that are still to come, in the week of their row."""
    batch = Batch(row.variety, row.number, row.week, row.plants, row.lab or None)
    return batch, drawn.waiting(drawn.fate(row.week)), ("", "", row.week.monday, None)


def _cohorts(drawn: _PosteriorBatch, row: BatchRecord, histories: Sequence[StageHistory]) -> list[Plants]:
    """Return the plants of a batch that are left, by stage and the day they entered it, and those saleable."""
    stages = drawn.season.route(row.variety)
    names = [stage.stage for stage in stages]
    place = int(stages[0].typical == 0 and len(names) > 1)  # of plants that were not counted since delivery
    found: list[Plants] = []

    def add(week: Week, plants: int, fate: Fate, *cells: object) -> None:
        number = drawn.number if not found else _MANY * drawn.number + len(found)
        found.append((Batch(row.variety, number, week, plants, row.lab), fate, (row.batch, *cells)))

    for one in histories:
        place = names.index(one.stage) if one.stage else place
        for entered, counted, plants in one.cohorts():
            day = entered + timedelta(days=round(7 * counted))
            add(Week.of(day), plants, drawn.cohort(place, entered, counted), names[place], entered, day)
        for count in one.counts:
            if count.saleable:
                add(_monday_from(count.date), count.saleable, drawn.saleable, "saleable", count.date, count.date)
        place = min(place + 1, len(names) - 1)
    return found


def _monday_from(day: date) -> Week:
    """Return the first week whose Monday is not before a day."""
    week = Week.of(day)
    return week if week.monday == day else week + 1
