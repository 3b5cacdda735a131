"""From a few explants to many plantlets: cycles of cutting, contamination and rooting, in every draw.

Given the rates of a draw, explants multiply independently of each other and only the total matters, so each
cycle is drawn in one step: clean vessels from a binomial, shoots from a sum of negative binomials. A million
plants cost what a thousand do.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecast.errors import refuse
from forecast.rates.by_cycle import ByCycle
from forecast.rates.distributions import Share
from forecast.rates.levels import Level
from forecast.rounding import near_whole
from forecast.season.propagation_rows import Culture, Division, size_of
from forecast.streams import Array, Streams

Numbers = NDArray[np.int64]

MOST_PLANTS = 1e12


@dataclass(frozen=True, eq=False)
class Multiplication:
    """A way to multiply a variety, whether in culture or by dividing stock plants.

    Weeks are those from the start to the first subculture, of a subculture, and of rooting. `rates` are the mean shoots
    of an explant by subculture, with their coefficient of variation and its level; `size` is that, k, of their negative
    binomial number, variance m + m^2 / k: infinite for a Poisson number, 0 where explants do not differ. `clean` gives
    the share of vessels that stay clean in a subculture, of so many; the one after the last is rooting. Of the explants
    a share is clean at the start, and of these a share dies; of clean shoots a share roots, and of these a share is
    usable. The limits are the most vessels on the shelf, and at the hood in a subculture; None if there is none.
    """

    variety: str
    start_weeks: int
    cycle_weeks: int
    rooting_weeks: int
    explants_per_vessel: int
    rooting_per_vessel: int
    rates: ByCycle
    cv: float
    level: Level
    size: float
    clean: Callable[[int, int], Share]
    start_clean: Share
    start_death: float
    rooted: Share
    deflasking: float
    lines: int = 1
    shelf_places: int | None = None
    vessels_in_hours: int | None = None

    @classmethod
    def from_row(cls, row: Culture | Division) -> Multiplication:
        """Make it from a row of cultures or of divisions."""
        if isinstance(row, Division):
            sure = Share(1.0, 0.0, row.survival_level)
            return cls(
                row.variety, -row.round_weeks, row.round_weeks, 0, 1, 1,
                row.divisions, row.divisions_cv, row.divisions_level,
                size_of(row.divisions, row.plants_cv, "plants_cv"),
                lambda cycle, cycles: row.lives() if 1 < cycle <= cycles else sure, sure, 0.0, sure, 1.0,
            )  # fmt: skip
        return cls(
            row.variety, row.start_weeks, row.cycle_weeks, row.rooting_weeks,
            row.explants_per_vessel, row.rooting_per_vessel,
            row.multiplication, row.multiplication_cv, row.multiplication_level,
            size_of(row.multiplication, row.explants_cv, "explants_cv"),
            lambda cycle, _: row.clean(cycle), row.start_clean(), row.start_death, row.rooted(), row.deflasking,
            row.lines, row.shelf_places, row.vessels_in_hours,
        )  # fmt: skip

    def weeks(self, cycles: int) -> int:
        """Return the time from the start until the plantlets of a last cycle enter the nursery [weeks]."""
        return self.start_weeks + cycles * self.cycle_weeks + self.rooting_weeks


class Rates:
    """The rates of a way to multiply, in every draw.

    Those at the level ``cycle`` are plain random numbers: with many cycles there is nothing to gain from even ones.
    """

    def __init__(self, way: Multiplication, streams: Streams) -> None:
        self.way = way
        self.streams = streams
        self._scores: dict[tuple[str, ...], Array] = {}

    def mean(self, cycle: int, line: int) -> Array:
        """Return the mean shoots of a clean explant of a line in a cycle, shape (draws,) or (1,)."""
        width = math.sqrt(math.log1p(self.way.cv**2))
        factor = np.ones(1)
        if width and not self.way.level.plant:
            factor = np.exp(width * self._score(self.way.level, "multiplication", cycle, line) - width**2 / 2)
        return self.way.rates.at(cycle) * factor

    def clean(self, cycle: int, cycles: int, line: int) -> Array:
        """Return the share of vessels of a line that stay clean in a cycle of so many, shape (draws,) or (1,)."""
        return self._share(self.way.clean(cycle, cycles), "contamination", cycle, line)

    def start(self, line: int) -> Array:
        """Return the share of explants of a line that come through the start, shape (draws,) or (1,)."""
        return self._share(self.way.start_clean, "contamination", 0, line) * (1 - self.way.start_death)

    def rooting_clean(self, cycle: int, cycles: int) -> Array:
        """Return the share of rooting vessels that stay clean: in them the lines are mixed, so it is their mean."""
        lines = range(1, self.way.lines + 1)
        return np.asarray(sum(self.clean(cycle, cycles, line) for line in lines) / self.way.lines)

    def rooted(self, cycle: int) -> Array:
        """Return the share of clean shoots of a cycle that become plantlets, shape (draws,) or (1,)."""
        return self._share(self.way.rooted, "rooting", cycle, 1) * self.way.deflasking

    def _share(self, share: Share, quantity: str, cycle: int, line: int) -> Array:
        level = Level.parse(share.level)
        if share.sd == 0 or level.plant:
            return np.full(1, share.mean)
        return np.exp(share.log_at(self._score(level, quantity, cycle, line)))

    def _score(self, level: Level, quantity: str, cycle: int, line: int) -> Array:
        variety = self.way.variety

        def normal(word: str) -> Array:
            owner = {
                "belief": ("belief", variety),
                "season": ("season",),
                "variety": ("variety", variety),
                "batch": ("batch", variety, f"line {line}"),
                "cycle": ("cycle", variety, str(cycle)),
            }[word]
            if (*owner, quantity) not in self._scores:
                if word == "cycle":
                    drawn = self.streams.generator(*owner, quantity).standard_normal(self.streams.draws)
                else:
                    drawn = self.streams.normal(owner, f"culture {quantity}")
                self._scores[*owner, quantity] = drawn
            return self._scores[*owner, quantity]

        return level.score(normal)


@dataclass(frozen=True, eq=False)
class Generations:
    """Plants by subculture; all arrays of whole numbers, shape (subcultures, draws).

    They are explants planted in a subculture, their vessels, those that stay clean, and the shoots that come of them;
    shoots planted for rooting after it, their vessels, and the plantlets that enter the nursery; explants and shoots
    for rooting for which there was no room or time; and whether places on the shelf, rather than hours at the hood, ran
    short when it was planted.
    """

    planted: Numbers
    vessels: Numbers
    clean: Numbers
    shoots: Numbers
    rooting: Numbers
    rooting_vessels: Numbers
    plantlets: Numbers
    unplanted: Numbers
    shelf_limited: NDArray[np.bool_]

    def __post_init__(self) -> None:
        for array in vars(self).values():
            array.flags.writeable = False


def draw_generations(rates: Rates, explants: int, kept: Sequence[float]) -> Generations:
    """Multiply explants over subcultures, in every draw; more than a million million plants are refused.

    `kept` is the share of the shoots of each subculture that is planted again [0 to 1], the last 0; the rest is rooted.

    Notes
    -----
    Given the rates of a draw, every total has its exact distribution. Vessels of v explants of which each is lost
    with chance c leave v Binomial(n, 1 - c) explants, with variance v times that of single losses. K clean
    explants give a negative binomial number of size K k. If places or hours at the hood run short, every line
    is cut in proportion; multiplying goes before rooting.

    References
    ----------
    Harris, T. E. (1963). The Theory of Branching Processes. doi:10.1007/978-3-642-51866-9
    """
    way, draws, cycles = rates.way, rates.streams.draws, len(kept)
    lines = [explants // way.lines + (line < explants % way.lines) for line in range(way.lines)]
    start = [
        _chance(rates, "start", 0, line).binomial(lines[line - 1], np.broadcast_to(rates.start(line), draws))
        for line in range(1, way.lines + 1)
    ]
    held = np.array(start, dtype=np.int64)
    waiting = np.zeros(draws, dtype=np.int64)  # shoots for rooting, planted after the explants of the next cycle
    rounds: list[Numbers] = []
    names = ("planted", "vessels", "clean", "shoots", "rooting", "rooting_vessels", "plantlets", "unplanted")
    found = {name: np.zeros((cycles, draws), dtype=np.int64) for name in names}
    shelf_limited = np.zeros((cycles, draws), dtype=np.bool_)
    for cycle in range(1, cycles + 2):
        standing = _standing(way, rounds, cycle)
        held, without = _cut(way, held, standing)
        filled = -(-held // way.explants_per_vessel)
        if cycle > 1:
            shoots, vessels, left = _rooting(way, waiting, filled.sum(axis=0), standing)
            rounds.append(vessels)
            if shoots.any():
                share = rates.rooting_clean(cycle, cycles)
                clean = _clean(rates, "rooting", cycle, 1, shoots, vessels, way.rooting_per_vessel, share)[1]
                found["plantlets"][cycle - 2] = _chance(rates, "rooted", cycle, 1).binomial(
                    clean, rates.rooted(cycle - 1)
                )
            found["rooting"][cycle - 2], found["rooting_vessels"][cycle - 2] = shoots, vessels
            found["unplanted"][cycle - 2] += left
        if cycle > cycles:
            break
        found["planted"][cycle - 1], found["vessels"][cycle - 1] = held.sum(axis=0), filled.sum(axis=0)
        found["unplanted"][cycle - 1] += without
        if way.shelf_places is not None:
            shelf_limited[cycle - 1] = way.shelf_places - standing <= (way.vessels_in_hours or math.inf)
        each = np.empty_like(held)
        for line in range(1, way.lines + 1):
            share = rates.clean(cycle, cycles, line)
            vessels, clean = _clean(
                rates, "cycle", cycle, line, held[line - 1], filled[line - 1], way.explants_per_vessel, share
            )
            found["clean"][cycle - 1] += vessels
            each[line - 1] = _shoots(rates, cycle, line, clean)
        held = each if kept[cycle - 1] == 1 else np.floor(near_whole(kept[cycle - 1] * each)).astype(np.int64)
        found["shoots"][cycle - 1] = each.sum(axis=0)
        waiting = (each - held).sum(axis=0)
    return Generations(**found, shelf_limited=shelf_limited)


def _chance(rates: Rates, what: str, cycle: int, line: int) -> np.random.Generator:
    return rates.streams.generator("culture", rates.way.variety, what, str(cycle), str(line))


def _standing(way: Multiplication, rounds: Sequence[Numbers], cycle: int) -> Any:
    """Rooting vessels still on the shelf when a cycle is planted."""
    now = (cycle - 1) * way.cycle_weeks
    return sum(vessels for n, vessels in enumerate(rounds, start=1) if n * way.cycle_weeks + way.rooting_weeks > now)


def _cut(way: Multiplication, held: Numbers, standing: Any) -> tuple[Numbers, Numbers]:
    """Return what is planted of every line, cut in proportion to room and time, and the rest."""
    whole = held.sum(axis=0)
    free: list[Any] = [limit for limit in (way.vessels_in_hours,) if limit is not None]
    if way.shelf_places is not None:
        free.append(way.shelf_places - standing)
    if not free:
        return held, np.zeros_like(whole)
    room = np.maximum(np.minimum.reduce(np.broadcast_arrays(*free)) - (way.lines - 1), 0) * way.explants_per_vessel
    part = np.minimum(room / np.maximum(whole, 1), 1.0)
    planted = np.where(whole > room, np.floor(near_whole(held * part)), held).astype(np.int64)
    return planted, whole - planted.sum(axis=0)


def _rooting(way: Multiplication, shoots: Numbers, busy: Numbers, standing: Any) -> tuple[Numbers, Numbers, Numbers]:
    """Return the shoots that can be planted for rooting, their vessels, and what is left over."""
    planted = shoots
    if way.shelf_places is not None:
        planted = np.minimum(planted, np.maximum(way.shelf_places - standing - busy, 0) * way.rooting_per_vessel)
    if way.vessels_in_hours is not None:
        planted = np.minimum(planted, np.maximum(way.vessels_in_hours - busy, 0) * way.rooting_per_vessel)
    return planted, -(-planted // way.rooting_per_vessel), shoots - planted


def _clean(
    rates: Rates, what: str, cycle: int, line: int, plants: Numbers, vessels: Numbers, full: int, share: Array
) -> tuple[Numbers, Numbers]:
    """Return the clean vessels of those planted, all full but the last, and the plants in them."""
    if (share == 1).all():
        return vessels, plants
    clean = _chance(rates, f"{what} contamination", cycle, line).binomial(vessels, share)
    if full == 1:
        return clean, clean
    score = _chance(rates, f"{what} last vessel", cycle, line).random(vessels.size)
    last = score * vessels < clean  # whether the last vessel is one of the clean
    return clean, full * clean - (full * vessels - plants) * last


def _shoots(rates: Rates, cycle: int, line: int, clean: Numbers) -> Numbers:
    """Draw the shoots of clean explants in one step."""
    way, mean = rates.way, rates.mean(cycle, line)
    if (clean * mean).max() > MOST_PLANTS:
        remedy = "Multiply for fewer cycles, begin with fewer explants, or state how many vessels there is room for."
        raise refuse("cycles", cycle, "more than a million million plants", remedy)
    rng = _chance(rates, "shoots", cycle, line)
    if way.size == 0:
        least = np.floor(mean)
        more = np.broadcast_to(np.clip(mean - least, 0, 1), clean.shape)
        return (clean * least).astype(np.int64) + rng.binomial(clean, more)
    if math.isfinite(way.size):
        size = np.maximum(clean * way.size, 1e-300)  # of no explants, no shoots
        return rng.negative_binomial(size, way.size / (way.size + mean))
    return rng.poisson(clean * mean)
