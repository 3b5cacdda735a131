"""When benches overrun: which batch causes it, and what would help."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr

from forecast.errors import real
from forecast.fates.fate import Batch
from forecast.growth.benches import areas, grown, on_benches
from forecast.growth.outcome import Outcome
from forecast.growth.simulation import outcome_of, season_streams
from forecast.ordering.price_breaks import PriceList
from forecast.season.orders import Delivery
from forecast.streams import Array
from forecast.words import resources
from forecast.words.results import Result

_LOOKED_AT = 12  # batches, the largest in the fullest week
_TRIED = 1024  # draws with which remedies are tried
_WEEKS = (2, -2, 4, -4, 6, -6)  # by which a delivery is moved, the least first
_PARTS = (0.9, 0.8, 0.7, 0.5, 0.0)  # of a delivery that are left of it
_CAUSES = 3  # batches that are changed, one at a time
_LEAST = 1e-6  # overrun that counts [m²], more than rounding makes of plants that fill a bench exactly
_KEPT = 0.02  # of the chance of a target may be lost


def overrun(expected: Array, deviation: Array, bench: Array) -> Array:
    """Return the chance [0 to 1] that plants do not find room, shape (weeks, draws).

    Their area is normal given the draw: `expected` with a standard `deviation` [m²], shape (weeks, draws). The `bench`
    has the shape (weeks, 1); a closed place is overrun by a single plant.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        over = expected - bench
        over = np.where(deviation > 0, ndtr((over - _LEAST) / deviation), over > _LEAST)
        any_plant = -np.expm1(-((expected / deviation) ** 2))
    return np.where((bench == 0) & (deviation > 0), any_plant, over)


def ever(over: Array, score: Array) -> float:
    """Return the chance of an overrun in some week, from that of each and one normal score a draw for all weeks."""
    return float((ndtr(-score) < over).any(axis=0).mean())


def luck(outcome: Outcome, place: str) -> Array:
    """Return the normal scores of single plants' chance in a place, the same in all weeks, shape (draws,)."""
    return outcome.streams.normal(("plants", "bench", place), "chance")


def area_of(outcome: Outcome, batch: Batch) -> dict[str, tuple[Array, Array]]:
    """Return the expected area of one batch in each place [m²] and its variance; sales are shared in proportion."""
    batches = grown(outcome.drawn, batch.variety)
    shares = on_benches(outcome.drawn, batch.variety, batches)
    at = list(outcome.drawn.batches_of(batch.variety)).index(batch)
    return areas(outcome.season.route(batch.variety), [batches[at]], [shares[at]])


@dataclass(frozen=True, eq=False, repr=False)
class Remedies(Result):
    """What could be done about a place over capacity, one delivery changed at a time.

    Parameters
    ----------
    place
        Which place.
    overrun
        Chance [0 to 1] that it is over capacity in some week, as planned.
    most
        The chance that can be lived with.
    """

    place: str
    overrun: float
    most: float
    _table: pd.DataFrame
    _facts: dict[str, object] = field(default_factory=dict)

    def table(self) -> pd.DataFrame:
        """Return what could be done, what to try first in the first row.

        Returns
        -------
        DataFrame
            variety, remedy, deliveries, overrun, the chance [0 to 1] that the place is over capacity then, and
            chance_before and chance, the least chance of a target of the variety before and after.
        """
        return self._table.copy()

    def facts(self) -> dict[str, object]:
        """Return the place, and what tells the outcome from others."""
        return {"place": self.place, **self._facts}

    @property
    def best(self) -> dict[Hashable, Any] | None:
        """The row to try first; None if nothing can be changed."""
        return self._table.to_dict("records")[0] if len(self._table) else None

    @property
    def helps(self) -> bool:
        """Whether that relieves the place and costs no more than 2 points of the chance of a target."""
        best = self.best
        return best is not None and best["chance"] >= best["chance_before"] - _KEPT and best["overrun"] < self.overrun

    def __str__(self) -> str:
        return resources.remedies(self.place, self.overrun, self.most, best=self.best, helps=self.helps)


def causes(outcome: Outcome, place: str) -> pd.DataFrame:
    """Return the batches that put a place over capacity, as `BenchSpace.causes` does."""
    outcome.season.place(place)
    every = _Place(outcome, place)
    over, full = every.over.mean(axis=1), every.expected.mean(axis=1).round(6)
    worst = max(range(over.size), key=lambda week: (over[week], full[week]))
    every_area = ((batch, area_of(outcome, batch).get(place)) for batch in outcome.ordered)
    found = [(float(area[0][worst].mean()), batch, area) for batch, area in every_area if area is not None]
    found = sorted(found, key=lambda one: -one[0])[:_LOOKED_AT]
    now = ever(every.over, every.score)
    rows = [
        (batch.variety, str(batch.week), batch.lab or "", batch.quantity, round(here, 1), round(now, 4),
         round(every.with_change(-area[0], -area[1]), 4))
        for here, batch, area in found
    ]  # fmt: skip
    frame = pd.DataFrame(rows, columns=["variety", "week", "lab", "quantity", "area", "overrun", "without"])
    return frame.sort_values(["without", "area"], ascending=[True, False], kind="stable", ignore_index=True)


def remedies(outcome: Outcome, place: str, most: float) -> Remedies:
    """Try to split, to move and to cut each of the deliveries that cause most, as `BenchSpace.remedies` does."""
    real("most", most, ge=0, le=1, problem="not a chance", such_as="0.1")
    cause = causes(outcome, place)
    now = float(cause["overrun"].iloc[0]) if len(cause) else 0.0
    worst = cause.head(_CAUSES) if now > most else cause.head(0)
    keys = list(zip(worst["variety"], worst["week"], worst["lab"], strict=True))
    batches = {(one.variety, str(one.week), one.lab or ""): one for one in reversed(outcome.ordered)}
    rows = [row for key in keys for row in _tried(_Trial(outcome, place, batches[key]), now, most)]
    rows.sort(key=lambda row: row[:3])
    columns = ["variety", "remedy", "deliveries", "overrun", "chance_before", "chance"]
    return Remedies(place, now, most, pd.DataFrame([row[3:] for row in rows], columns=columns), outcome.facts())


def _tried(trial: _Trial, now: float, most: float) -> Iterator[tuple[Any, ...]]:
    """Yield the best change of each kind of one delivery: its rank and kind, and its row of `Remedies.table`."""
    batch = trial.batch
    _, _, before = trial.changed([batch.delivery])
    for kind, changes in enumerate((trial.splits(), trial.moves(), trial.cuts())):
        best: tuple[tuple[bool, float], str, float, float] | None = None
        for change in changes:
            deliveries, over, target = trial.changed(change)
            kept = target >= before - _KEPT and over < now
            rank = (not kept, max(over, most))
            if best is None or rank < best[0]:
                best = (rank, deliveries, over, target)
            if kept and over <= most:
                break
        if best is not None:
            rank, deliveries, over, target = best
            name = ("split", "bring forward" if deliveries < str(batch.week) else "delay", "cut")[kind]
            yield *rank, kind, batch.variety, name, deliveries, round(over, 4), round(before, 4), round(target, 4)


class _Place:
    """Area taken in a place, and what there is."""

    def __init__(self, outcome: Outcome, place: str, draws: int | None = None) -> None:
        self.expected, self.variance = (area[..., :draws] for area in _area(outcome, place))
        self.bench = np.array([outcome.season.bench(place, week) for week in outcome.weeks])[:, None]
        self.score = luck(outcome, place)[:draws]
        self.over = overrun(self.expected, np.sqrt(self.variance), self.bench)

    def with_change(self, expected: Array, variance: Array) -> float:
        """Return the chance of an overrun in some week if this much more were there."""
        area = np.maximum(self.expected + expected, 0)
        return ever(overrun(area, np.sqrt(np.maximum(self.variance + variance, 0)), self.bench), self.score)


class _Trial:
    """The plan with one delivery changed."""

    def __init__(self, outcome: Outcome, place: str, batch: Batch) -> None:
        self.season, self.place, self.batch = outcome.season, place, batch
        draws = min(outcome.draws, _TRIED)
        self.streams = season_streams(draws, outcome.seed)
        self.rest = _Place(outcome, place, draws)
        own = [one for one in outcome.batches if one.variety == batch.variety]
        self.others = [one.delivery for one in own if one is not batch and one.there is None]
        self.there = [one.there for one in own if one.there is not None]
        self.was = _area(self._outcome([batch.delivery]), place)
        lines = self.season.price_lines(batch.variety)
        self.lists = PriceList.of(row for row in lines if batch.lab in (None, row.lab))

    def changed(self, change: Sequence[Delivery]) -> tuple[str, float, float]:
        """Return the deliveries in words, the chance of an overrun, and the least chance of a target."""
        outcome = self._outcome(change)
        expected, variance = _area(outcome, self.place)
        target = outcome.targets(self.batch.variety)["chance"]
        rows = sorted(change, key=lambda row: row.week)
        deliveries = ", ".join(f"{row.week} {row.quantity:,}" for row in rows) or "none"
        over = self.rest.with_change(expected - self.was[0], variance - self.was[1])
        return deliveries, over, float(target.min()) if len(target) else 1.0

    def splits(self) -> Iterator[list[Delivery]]:
        for apart in _WEEKS:
            here, there = (self._orderable(self.batch.quantity / 2, weeks) for weeks in (0, apart))
            if here and there and max(here, there) < self.batch.quantity:
                yield [self._moved(0, here), self._moved(apart, there)]

    def moves(self) -> Iterator[list[Delivery]]:
        for apart in _WEEKS:
            if quantity := self._orderable(self.batch.quantity, apart):
                yield [self._moved(apart, quantity)]

    def cuts(self) -> Iterator[list[Delivery]]:
        for part in _PARTS:
            quantity = self._orderable(part * self.batch.quantity, 0) if part else 0
            if quantity is not None and quantity < self.batch.quantity:
                yield [self._moved(0, quantity)] if quantity else []

    def _orderable(self, quantity: float, apart: int) -> int | None:
        """Return the quantity that can be ordered for a week; None if none can be had then."""
        week = self.batch.week + apart
        if not self.season.first_week <= week <= self.season.last_week:
            return None
        if not self.lists:
            return round(quantity)
        found = [
            prices.orderable(quantity) for prices in self.lists
            if week in prices.weeks(self.season.first_week, self.season.last_week)
        ]  # fmt: skip
        return min(found, default=None)

    def _moved(self, apart: int, quantity: int) -> Delivery:
        return self.batch.delivery.replace(week=self.batch.week + apart, quantity=quantity)

    def _outcome(self, change: Sequence[Delivery]) -> Outcome:
        return outcome_of(self.season, [*self.others, *change], self.streams, self.there)


def _area(outcome: Outcome, place: str) -> tuple[Array, Array]:
    """Return the expected area [m²] in a place and its variance, shapes (weeks, draws)."""
    at = list(outcome.season.place_names).index(place)
    expected, variance = outcome.drawn.area()
    return expected[at], variance[at]
