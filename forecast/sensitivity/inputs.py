"""The uncertain inputs of a season's orders: their names, their draws, and how they are set."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
from scipy.special import ndtr

from forecast.fates.fate import Batch
from forecast.fates.weather import FIRST_WEEKS, Weather, prescribe
from forecast.growth.draws import KeptDraws
from forecast.growth.outcome import Outcome
from forecast.growth.simulation import COORDINATES, fate_of, owners
from forecast.growth.stock import SEASON, factor_at
from forecast.rates.amounts import Count
from forecast.rates.distributions import Z90, Duration, Share
from forecast.rates.levels import Level
from forecast.season.season import Season
from forecast.season.stages import Stage
from forecast.season.targets import Target
from forecast.streams import Array, GivenStreams, Streams
from forecast.words.sensitivity import FROM_NORMAL, OF_DEMAND, OF_PRICE

Scores = Mapping[str, Array]
"""Scores of some inputs by their names; all others are as they were drawn."""

WEATHER = "weather of the season"
ALL_PRICES = "sale prices of the season"
_ALL_DEMAND = "demand of the season"
PRICES = ("sale price", "lab price")


@dataclass(frozen=True, eq=False)
class Input:
    """One uncertain input: the normal scores of all it holds for, such as the batches of a group.

    Its name is such as ``acclimatisation survival of hosta``; plants or sales of `varieties` depend on it. The scores
    of its owners are `drawn`, shape (owners, draws), of weather the departures from climate normals [°C], with a
    `covariance`, shape (owners, owners), and `weights`, adding to 1, of those scores whose mean says whether the input
    as a whole is low or high. It has a `value` at a normal score of one owner, and can be `redrawn` under other
    streams, independent of all other inputs, shape (owners, draws).
    """

    name: str
    unit: str
    varieties: tuple[str, ...]
    quantity: str
    owners: tuple[tuple[str, ...], ...]
    drawn: Array
    covariance: Array
    weights: Array
    value: Callable[[float], float]
    redrawn: Callable[[Streams], Array]

    @cached_property
    def sd(self) -> float:
        """Standard deviation of the mean score."""
        return math.sqrt(self.weights @ self.covariance @ self.weights)

    def scores(self, score: float) -> Array:
        """Return the drawn scores once the mean score, over its spread, is known, shape (owners, draws).

        Notes
        -----
        For normal z with covariance C and weights w: z + C w (score s - w'z) / s^2, s^2 = w'C w, is a draw given that
        w'z = score s for every draw z given nothing. With one owner all draws have its score.
        """
        missing = score - self.weights @ self.drawn / self.sd
        return np.asarray(self.drawn + np.outer(self.covariance @ self.weights / self.sd, missing))

    def at(self, score: float) -> float:
        """Return its value where the mean score, over its spread, is `score`."""
        return self.value(self.sd * score)


def inputs_of(
    season: Season, batches: Sequence[Batch], streams: Streams, ranges: Mapping[str, float]
) -> dict[str, Input]:
    """Return the uncertain inputs of batches by their names.

    `ranges` are prices that are uncertain, and the part of the price within which 90 % of their draws lie.
    """
    some = [batch for batch in batches if batch.quantity]
    varieties = tuple(dict.fromkeys(batch.variety for batch in some))
    found = [*_rates(season, some, streams), *_weather(season, some, streams)]
    target = [row for name in varieties for row in season.targets_of(name)]
    found += [_demand(row, row.demand, streams) for row in target if row.demand is not None]
    found += _shared(season, varieties, streams)
    found += [_price(name, part, streams) for name, part in ranges.items()]
    return {one.name: one for one in found if one.sd > 0}


def outcome_with(
    season: Season, batches: Sequence[Batch], streams: Streams, inputs: Mapping[str, Input], sample: Scores
) -> Outcome:
    """Simulate batches with some of their `inputs_of` set to the scores of a sample."""
    changed = [(inputs[name], scores) for name, scores in sample.items()]
    given = {(one.owners[0], one.quantity): scores[0] for one, scores in changed if one.quantity in ("demand", "price")}
    under = GivenStreams(streams, given, same_weather=WEATHER not in sample)
    if WEATHER in sample:
        low, high = _normals(season)
        prescribe(under, low + sample[WEATHER], high + sample[WEATHER])
    fates = []
    for batch in batches:
        own = _owner(batch)
        shifts = {
            one.quantity: scores[row] - one.drawn[row]
            for one, scores in changed
            for row, owner in enumerate(one.owners)
            if owner == own
        }
        fates.append(fate_of(season, under, batch, shifts))
    return Outcome(KeptDraws(season, batches, fates, under))


def other_streams(streams: Streams, name: str) -> Streams:
    """Return streams of the same number of draws, independent of these."""
    seed = int(streams.generator("inputs drawn anew", name).integers(2**62))
    return Streams(seed, streams.draws, COORDINATES)


def _owner(batch: Batch) -> tuple[str, ...]:
    return "batch", batch.variety, batch.luck


def _rates(season: Season, batches: Sequence[Batch], streams: Streams) -> Iterator[Input]:
    """Return survival and time of each stage, for all batches of those that share it."""
    passing: dict[tuple[str, str], list[Batch]] = {}
    for batch in batches:
        for stage in _ahead(season, batch):
            passing.setdefault((stage.applies_to, stage.stage), []).append(batch)
    for some in passing.values():
        some.sort(key=lambda batch: (batch.variety, batch.number, batch.luck))
    for (whose, name), some in passing.items():
        route = season.route(some[0].variety)
        at = [stage.stage for stage in route].index(name)
        share, duration = season.survivals(some[0].variety)[at], route[at].duration
        if share.sd and not Level.parse(share.level).plant:
            kind, value = ("survival", "share"), partial(_share_at, share)
            yield _rate(*kind, whose, route[at], share.level, some, value, streams)
        if duration.batches_cv and not Level.parse(duration.level).plant:
            kind, value = ("time", duration.unit), partial(_number_at, duration)
            yield _rate(*kind, whose, route[at], duration.level, some, value, streams)


def _ahead(season: Season, batch: Batch) -> tuple[Stage, ...]:
    """Return the stages that a batch has ahead of it: all of its route, or from the one on in which it is already."""
    route = season.route(batch.variety)
    if batch.there is None:
        return route
    names = [stage.stage for stage in route]
    return route[names.index(batch.there.stage) :] if batch.there.stage in names else ()


def _share_at(share: Share, score: float) -> float:
    return float(share.quantile(float(ndtr(score))))


def _number_at(of: Duration | Count, score: float) -> float:
    return float(of.at(score))


def _rate(
    what: str, unit: str, whose: str, stage: Stage, level: Level | str, batches: Sequence[Batch],
    value: Callable[[float], float], streams: Streams,
) -> Input:  # fmt: skip
    quantity = f"{stage.stage} {what}"
    words = [(word, math.sqrt(share)) for word, share in Level.parse(level).shares]
    named = [owners(stage, batch.variety, batch.luck) for batch in batches]
    parts = [{one[word]: root for word, root in words} for one in named]
    shared = [[sum(root * other.get(owner, 0.0) for owner, root in one.items()) for other in parts] for one in parts]

    def scores(under: Streams, *alone: str) -> Array:
        return np.array([sum(root * under.normal((*alone, *owner), quantity) for owner, root in one.items())
                         for one in parts])  # fmt: skip

    plants = np.array([batch.quantity for batch in batches], dtype=np.float64)
    return Input(
        f"{quantity} of {whose}", unit, tuple(dict.fromkeys(batch.variety for batch in batches)), quantity,
        tuple(_owner(batch) for batch in batches), scores(streams), np.array(shared), plants / plants.sum(), value,
        lambda under: scores(under, f"{what} in {stage.stage}, {whose}"),
    )  # fmt: skip


def _weather(season: Season, batches: Sequence[Batch], streams: Streams) -> Iterator[Input]:
    """Return the departures of weeks from normal, judged by their mean from the first delivery to the last sale."""
    some = [batch for batch in batches if season.by_weather(batch.variety)]
    if not some or not season.climate:
        return
    count = season.weeks + FIRST_WEEKS
    weeks = [season.first_week + i for i in range(count)]
    spread = np.array([season.normals.weekly_sd(week) for week in weeks])
    apart = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    first = max(min(batch.week for batch in some) - season.first_week, 0)
    sales = [row.week - season.first_week for batch in some for row in season.targets_of(batch.variety)]
    weights = np.zeros(count)
    weights[first : max([first + FIRST_WEEKS, *sales])] = 1.0
    normal = _normals(season)[0]

    def departures(under: Streams) -> Array:
        return np.asarray(Weather.of(season, under).outside(count)[0][:count] - normal)

    covariance = np.outer(spread, spread) * np.power(season.normals.persistence, apart)
    varieties = tuple(dict.fromkeys(batch.variety for batch in some))
    yield Input(
        WEATHER, FROM_NORMAL, varieties, "weather", (), departures(streams), covariance, weights / weights.sum(), float,
        departures,
    )  # fmt: skip


def _normals(season: Season) -> tuple[Array, Array]:
    """Return the normal minimum and maximum of the season's weeks [°C], each of shape (weeks, 1)."""
    normals = [season.normals.normal(season.first_week + i) for i in range(season.weeks + FIRST_WEEKS)]
    low, high = np.array(normals).T
    return low[:, None], high[:, None]


def _demand(row: Target, demand: Count, streams: Streams) -> Input:
    name = f"demand for {row.variety} in {row.week}" + (f", {row.channel}" if row.channel else "")
    return _single(name, "plants", (row.variety,), "demand", row.owner, partial(_number_at, demand), streams)


def _shared(season: Season, varieties: tuple[str, ...], streams: Streams) -> Iterator[Input]:
    """Return what all demand, and all sale prices, are multiplied by, if they vary from season to season."""
    for cv, quantity, name, unit in (
        (season.demand_cv, "demand", _ALL_DEMAND, OF_DEMAND),
        (season.price_cv, "price", ALL_PRICES, OF_PRICE),
    ):
        if cv:
            yield _single(name, unit, varieties, quantity, SEASON, partial(_part_at, cv), streams)


def _part_at(cv: float, score: float) -> float:
    return float(factor_at(cv, score))


def _price(name: str, part: float, streams: Streams) -> Input:
    return _single(name, OF_PRICE, (), name, ("price",), lambda score: float(price_at(part, np.array(score))), streams)


def price_at(part: float, score: Array) -> Array:
    """Return a price over the stated one at normal scores; 90 % of them give one within a part of it."""
    return np.maximum(1 + part / Z90 * score, 0.0)


def _single(
    name: str, unit: str, varieties: tuple[str, ...], quantity: str, owner: tuple[str, ...],
    value: Callable[[float], float], streams: Streams,
) -> Input:  # fmt: skip
    """Make an input with one score."""
    one = np.ones((1, 1))
    return Input(
        *(name, unit, varieties, quantity, (owner,), streams.normal(owner, quantity)[None], one, one[0], value),
        lambda under: under.normal(owner, quantity)[None],
    )
