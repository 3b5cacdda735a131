"""From a season and its orders to draws of what happens."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from forecast.errors import FIRST_ROW, Fault, Refused, refuse, whole
from forecast.executors import Progress
from forecast.fates.cohorts import SaleableFate, cohort_fate
from forecast.fates.fate import Batch, Fate, RouteFate
from forecast.fates.stage_occupancy import TimedFate
from forecast.fates.thermal_occupancy import WarmFate
from forecast.fates.weather import FIRST_WEEKS, Weather, lowered
from forecast.growth.blocks import BlockDraws, bytes_of_draw, check_room, too_large
from forecast.growth.draws import KeptDraws
from forecast.growth.outcome import Outcome
from forecast.rates.distributions import Share
from forecast.rates.levels import Level
from forecast.season.orders import Delivery, OnHand
from forecast.season.season import Season
from forecast.season.stages import STAGES, Stage
from forecast.streams import DRAWS, Array, Streams
from forecast.weeks import Week

_REPEATS = 8  # from which a standard error is known to a quarter
_COLUMNS = ("variety", "week", "quantity", "lab")  # of an order
COORDINATES = tuple(f"{stage} {kind}" for kind in ("survival", "time") for stage in STAGES)


def simulate(
    season: Season,
    orders: Iterable[Any] | pd.DataFrame | None = None,
    *,
    draws: int = DRAWS,
    seed: int | None = None,
    executor: Executor | None = None,
    block: int | None = None,
    progress: Progress | None = None,
) -> Outcome:
    """Forecast what comes of orders, in many simulated seasons.

    Parameters
    ----------
    season
        The season.
    orders
        Rows of variety, week of delivery and quantity: a DataFrame with these columns, or tuples, or
        `Delivery` or `Order` values. Without them, the orders that the season holds. Plants that are on hand when it
        begins count in any case.
    draws
        Number of simulated seasons; powers of two are the most even.
    seed
        Seed of the draws; the season's if not given. The same seed gives the same numbers, and pairs one scenario with
        another.
    executor
        Who works on blocks of varieties: an executor of ``concurrent.futures``, or of a library that has the same. The
        work is done when this returns. Without, it is done here.
    block
        Varieties that are worked on together. Not given, all of them; for an executor, or an outcome that would take
        more than a gibibyte, as many as fit into 128 MiB, but at most a 64th of all.
    progress
        Called with the varieties that are done, and all of them, as blocks are done: by an executor at once, else when
        something of all varieties is first asked for.

    Returns
    -------
    Outcome
        The same to the last bit for all executors and blocks.

    Raises
    ------
    Refused
        If there are no orders, or any of them cannot be used.

    Notes
    -----
    In blocks only what is known over all draws is kept (see `forecast.growth.blocks`); what is asked of one
    variety is drawn again.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> outcome = forecast.simulate(season, draws=1024, seed=1)
    """
    batches, streams = batches_of(season, orders), streams_of(season, draws, seed)
    if executor is None and block is None:
        check_room(season, streams.draws, kept=[bytes_of_draw(season, batches)])
    block = None if block is None else whole("block", block, 1, 10**9)
    if executor is None and block is None and not too_large(season, batches, draws):
        return Outcome(draw(season, batches, streams))
    return Outcome(BlockDraws(season, batches, streams, draw, block=block, executor=executor, progress=progress))


def batches_of(season: Season, orders: Any) -> list[Batch]:
    """Return the batches of orders as `simulate` takes them, or refuse those that cannot be used."""
    if hasattr(orders, "delivery"):
        orders = [orders]
    deliveries = [(row, None) for row in season.orders] if orders is None else _deliveries(season, orders)
    if not deliveries and not season.on_hand:
        remedy = "Give rows of variety, week and quantity, or the orders of plan_orders(season)."
        raise refuse("orders", None, "there are no orders to simulate", remedy)
    return [*batches_on_hand(season), *_batches(deliveries)]


def outcome_of(
    season: Season, deliveries: Sequence[Delivery], streams: Streams, there: Iterable[OnHand] | None = None
) -> Outcome:
    """Forecast what comes of deliveries under streams, as `simulate` does; with some of the plants on hand, or all."""
    batches = _batches((row, None) for row in deliveries)
    return Outcome(draw(season, [*batches_on_hand(season, there), *batches], streams))


def draw(season: Season, batches: Sequence[Batch], streams: Streams) -> KeptDraws:
    """Draw what batches meet under streams."""
    return KeptDraws(season, batches, [fate_of(season, streams, batch) for batch in batches], streams)


def fate_of(season: Season, streams: Streams, batch: Batch, shifts: Mapping[str, Array] | None = None) -> Fate:
    """Draw what a batch meets, as `draw_fate` does; what is left to it, if its plants are there already.

    Notes
    -----
    Plants on hand are those that are still in their stage after the weeks since they entered it (see `CohortFate`);
    their losses in it so far are not counted again. In the weeks before the season the temperatures were normal. That
    they are still there says nothing about the rates of their batch, which are drawn as for any other.
    """
    owner, row = (season, streams, batch.variety, batch.luck), batch.there
    if row is None:
        return draw_fate(*owner, batch.week, shifts=shifts)
    route = [stage.stage for stage in season.route(batch.variety)]
    ago, saleable = season.first_week - row.since, SaleableFate(len(route), streams.draws)
    if row.stage not in route:
        return replace(saleable, age=ago)
    at = route.index(row.stage)
    inner = draw_fate(*owner, row.since, enters=row.stage, shifts=shifts, harmed=ago < FIRST_WEEKS)
    overdue: Fate = saleable
    if at + 1 < len(route):
        later = draw_fate(*owner, season.first_week, enters=route[at + 1], shifts=shifts, harmed=False)
        overdue = cohort_fate(later, at + 1, 0.0, 0.0, saleable)
    return cohort_fate(inner, at, float(ago), float(ago), overdue)


def streams_of(season: Season, draws: int, seed: int | None) -> Streams:
    """Make the streams of a call: those of the season's seed if none is given; refuse more draws than memory holds."""
    streams = season_streams(draws, season.seed if seed is None else seed)
    check_room(season, streams.draws)
    return streams


def season_streams(draws: int, seed: int) -> Streams:
    """Make the streams that every calculation of a season draws from."""
    return Streams(seed, draws, COORDINATES)


def repeats(streams: Streams) -> Iterator[Streams]:
    """Return streams like some, independent of them and of each other: a number differs between them by its error.

    Even draws have no simpler error: that of independent draws is up to six times as large.
    """
    for at in range(_REPEATS):
        yield season_streams(streams.draws, int(streams.generator("repeat", str(at)).integers(2**62)))


def draw_fate(
    season: Season,
    streams: Streams,
    variety: str,
    number: int | str,
    week: Week,
    *,
    enters: str | None = None,
    weeks: int | None = None,
    shifts: Mapping[str, Array] | None = None,
    harmed: bool = True,
) -> RouteFate:
    """Draw what the batch `number` of a variety meets: 1 for its first delivery, or a name for one that is no delivery.

    The week in which it comes matters only if the weather does, which was normal before the season; so do the
    `weeks` since then that can be looked at, those of the season if not given. `enters` is the stage at which it enters
    the route, the first if not given; `shifts` are added to the scores of quantities such as ``acclimatisation time``,
    each of shape (draws,); `harmed` says whether heat and cold of its first weeks still lie ahead.
    """
    shifts = shifts or {}
    survival, needs, spread, clocks = [], [], [], []
    route = season.route(variety)
    first = 0 if enters is None else [stage.stage for stage in route].index(enters)
    start, before = max(week - season.first_week, 0), max(season.first_week - week, 0)
    until = season.weeks if weeks is None else max(start + weeks, season.weeks)
    weather = Weather.of(season, streams) if season.by_weather(variety) else None
    come = True  # whether plants are in the stage when they come
    for stage, share in zip(route[first:], season.survivals(variety)[first:], strict=True):
        names, duration = owners(stage, variety, number), stage.duration
        survives, takes = f"{stage.stage} survival", f"{stage.stage} time"
        stays = _log_survival(share, streams, names, survives, shifts.get(survives))
        if weather and come and harmed and stage.harmed:
            stays = lowered(stays, weather.harm(stage, week, on_the_way=stage.typical == 0))
        come = come and stage.typical == 0
        survival.append(stays)
        needs.append(duration.at(_score(streams, duration.level, names, takes) + shifts.get(takes, 0.0)))
        spread.append(duration.log_sds[1])
        warm = weather and stage.runs_on == "degree-days" and stage.typical
        clocks.append(weather.clock(stage, until, before) if weather and warm else None)
    parts = np.array(survival), np.array(needs), np.array(spread)
    return TimedFate(*parts) if all(clock is None for clock in clocks) else WarmFate(*parts, tuple(clocks), start)


def owners(stage: Stage, variety: str, number: int | str) -> dict[str, tuple[str, ...]]:
    """Return by level whose value of a stage's quantities a batch has."""
    return {
        "belief": ("belief", stage.applies_to),
        "season": ("season",),
        "variety": ("variety", variety),
        "batch": ("batch", variety, str(number)),
    }


def _log_survival(
    share: Share, streams: Streams, names: dict[str, tuple[str, ...]], quantity: str, shift: Array | None
) -> Array:
    if share.sd == 0 or Level.parse(share.level).plant:  # plants that differ one by one: only the mean counts
        return np.full(streams.draws, math.log(share.mean))
    return share.log_at(_score(streams, share.level, names, quantity) + (0.0 if shift is None else shift))


def _score(streams: Streams, level: Level | str, names: dict[str, tuple[str, ...]], quantity: str) -> Array:
    return np.zeros(streams.draws) + Level.parse(level).score(lambda word: streams.normal(names[word], quantity))


def batches_on_hand(season: Season, rows: Iterable[OnHand] | None = None) -> list[Batch]:
    """Return batches of the plants that are on hand when a season begins, or of some of them."""
    every = season.on_hand if rows is None else rows
    return [Batch(row.variety, 0, season.first_week, row.quantity, there=row) for row in every]


def _batches(ordered: Iterable[tuple[Delivery, Any]]) -> list[Batch]:
    """Put deliveries, each with its price list or None, into batches, numbered by week and lab for each variety."""
    together: dict[tuple[str, Any, str], dict[Any, int]] = defaultdict(lambda: defaultdict(int))
    for row, line in ordered:
        together[row.variety, row.week, row.lab or ""][line] += row.quantity
    batches: list[Batch] = []
    numbers: dict[str, int] = defaultdict(int)
    for variety, week, lab in sorted(together):
        numbers[variety] += 1
        lines = together[variety, week, lab]
        known = () if None in lines else tuple(lines.items())
        batches.append(Batch(variety, numbers[variety], week, sum(lines.values()), lab or None, known))
    return batches


def _deliveries(season: Season, orders: Iterable[Any] | pd.DataFrame) -> list[tuple[Delivery, Any]]:
    """Return the orders as deliveries, each with the price list that it names, or None."""
    if isinstance(orders, pd.DataFrame):
        known = [name for name in orders.columns if name in _COLUMNS]
        orders = [
            {key: cell for key, cell in row.items() if not pd.isna(cell)} for row in orders[known].to_dict("records")
        ]
    rows, faults = [], []
    for number, order in enumerate(orders, start=FIRST_ROW):
        try:
            row = _delivery(order)
            season.variety(row.variety)
            if not season.first_week <= row.week <= season.last_week:
                remedy = f"Give a week from {season.first_week} to {season.last_week}."
                raise refuse("week", str(row.week), "outside the season", remedy)
            rows.append((row, getattr(getattr(order, "shipment", order), "prices", None)))
        except Refused as error:
            faults += [
                Fault(fault.problem, fault.remedy, "orders", number, fault.column, fault.value)
                for fault in error.faults
            ]
    if faults:
        raise Refused(faults)
    return rows


def _delivery(order: Any) -> Delivery:
    if isinstance(order, Delivery):
        return order
    if hasattr(order, "delivery"):
        return _delivery(order.delivery)
    if isinstance(order, dict):
        return Delivery(**order)
    if isinstance(order, Sequence) and not isinstance(order, str) and 3 <= len(order) <= 4:
        return Delivery(**dict(zip(_COLUMNS, order, strict=False)))
    raise refuse("orders", order, "not an order", "Give variety, week of delivery and quantity.")
