"""The culture process a second time, without the engine and its formulas: every explant and every vessel by itself.

Vessels stand on a shelf in simulated time (SimPy). What fits in, when places come free and when plantlets
are ready is read off that shelf and that clock. Only the rates of one draw are given.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass, fields
from decimal import Decimal
from typing import Any

import numpy as np
import simpy
from numpy.typing import NDArray

Process = Generator[simpy.Event, Any, None]


@dataclass(frozen=True)
class Grown:
    """What one draw gave, or with one axis more in front, what many gave.

    By cycle: what was planted, the vessels that stayed clean, shoots of all lines at its end, and explants without
    room. By round, the first planted when cycle 1 ends: what was planted to root, shoots without room, plantlets, and
    weeks from the start until they are ready. And the most vessels on the shelf at a time, the start not counted.
    """

    explants: NDArray[np.int64]
    vessels: NDArray[np.int64]
    clean_vessels: NDArray[np.int64]
    shoots: NDArray[np.int64]
    unplanted: NDArray[np.int64]
    rooting_shoots: NDArray[np.int64]
    rooting_vessels: NDArray[np.int64]
    unrooted: NDArray[np.int64]
    plantlets: NDArray[np.int64]
    weeks: NDArray[np.float64]
    most_vessels: Any


class Shelf:
    """Places on which vessels stand until their time is up, lost ones too."""

    def __init__(self, env: simpy.Environment, places: int | None) -> None:
        self.env = env
        self.places = math.inf if places is None else places
        self.standing = 0
        self.most = 0

    @property
    def free(self) -> float:
        return self.places - self.standing

    def put(self, weeks: Any) -> None:
        if self.free < 1:
            raise RuntimeError("no place is left for the vessel")
        self.standing += 1
        self.most = max(self.most, self.standing)
        self.env.timeout(weeks).callbacks.append(self._take)

    def _take(self, _: Any) -> None:
        self.standing -= 1


@dataclass(frozen=True)
class Vessel:
    holds: int
    clean: bool


def exact(number: float) -> Any:
    """Take a number as it is written, so that equal times are equal and 0.29 of 100 shoots are 29."""
    return Decimal(str(number))


def held(values: Sequence[Any], index: int) -> Any:
    """Return a value of a sequence whose last one holds for all later."""
    return values[min(index, len(values) - 1)]


def shoots_of(explants: int, mean: float, size: float, whole_shoots: bool, rng: np.random.Generator) -> list[int]:
    """Draw the shoots of clean explants, one number for each."""
    if whole_shoots:
        least = math.floor(mean)
        return [least + int(chance < mean - least) for chance in rng.random(explants).tolist()]
    own_means = [mean] * explants if math.isinf(size) else rng.gamma(size, mean / size, explants)
    drawn: list[int] = rng.poisson(own_means).tolist()
    return drawn


def cut_to_room(waiting: Sequence[int], room: float) -> list[int]:
    """Return the explants that each line plants."""
    total = sum(waiting)
    return list(waiting) if total <= room else [pieces * int(room) // total for pieces in waiting]


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What is grown in one draw, and its rates.

    ``kept``, ``contamination`` and ``means`` are by cycle, the last value for all later ones; in the last cycle nothing
    is kept. ``means`` holds one mean for each line. Rooting vessels meet the contamination of the cycle planted with
    them; those of the last round meet that of the cycle that would have followed. ``size`` is that of the negative
    binomial, infinite for Poisson; with ``whole_shoots`` every explant gives the mean, rounded up or down by chance.
    """

    explants: int
    lines: int
    cycles: int
    kept: Sequence[float]
    vessel: int
    rooting_vessel: int
    start_survival: float
    contamination: Sequence[float]
    means: Sequence[Sequence[float]]
    size: float
    whole_shoots: bool
    rooted: float
    start_weeks: float
    cycle_weeks: float
    rooting_weeks: float
    shelf_places: int | None = None
    vessels_in_hours: int | None = None


class Laboratory:
    """A shelf in simulated time on which one draw of a plan is grown, and what was counted."""

    def __init__(self, plan: Plan, rng: np.random.Generator) -> None:
        self.plan, self.rng = plan, rng
        self.env = simpy.Environment(initial_time=exact(0))
        self.shelf = Shelf(self.env, plan.shelf_places)
        self.hours = math.inf if plan.vessels_in_hours is None else plan.vessels_in_hours
        self.counts = {
            field.name: np.zeros(plan.cycles, float if field.name == "weeks" else np.int64)
            for field in fields(Grown)
            if field.name != "most_vessels"
        }

    def run(self) -> Process:
        """Grow from the first explants to the last shoots that are planted to root."""
        plan = self.plan
        dealt = [len(range(line, plan.explants, plan.lines)) for line in range(plan.lines)]
        yield self.env.timeout(exact(plan.start_weeks))
        waiting = [sum(self.rng.random() < plan.start_survival for _ in range(pieces)) for pieces in dealt]
        to_root = 0
        for number in range(plan.cycles + 1):
            yield self.env.timeout(0)  # vessels whose time is up today are taken away first
            planted = self.cycle(number, waiting) if number < plan.cycles else []
            if number:
                left = self.hours - sum(len(line) for line in planted)
                self.env.process(self.rooting(number - 1, to_root, left))
            if number == plan.cycles:
                return
            yield self.env.timeout(exact(plan.cycle_weeks))
            waiting, to_root = self.cut(number, planted)

    def plant(self, pieces: int, holds: int, weeks: Any, lost: float) -> list[Vessel]:
        """Put pieces into vessels and these on the shelf."""
        vessels = []
        while pieces > 0:
            self.shelf.put(weeks)
            vessels.append(Vessel(min(pieces, holds), self.rng.random() >= lost))
            pieces -= holds
        return vessels

    def cycle(self, number: int, waiting: list[int]) -> list[list[Vessel]]:
        """Plant the explants of every line for which there is room and time."""
        plan = self.plan
        free = min(self.shelf.free, self.hours)
        pieces = cut_to_room(waiting, max(free - (plan.lines - 1), 0) * plan.vessel)
        lost = held(plan.contamination, number)
        planted = [self.plant(part, plan.vessel, exact(plan.cycle_weeks), lost) for part in pieces]
        self.counts["explants"][number] = sum(pieces)
        self.counts["unplanted"][number] = sum(waiting) - sum(pieces)
        self.counts["vessels"][number] = sum(len(line) for line in planted)
        self.counts["clean_vessels"][number] = sum(jar.clean for line in planted for jar in line)
        return planted

    def cut(self, number: int, planted: list[list[Vessel]]) -> tuple[list[int], int]:
        """Cut the shoots at the end of a cycle: those of every line planted again, and all to be rooted."""
        plan, waiting, to_root = self.plan, [], 0
        share = 0 if number == plan.cycles - 1 else exact(held(plan.kept, number))
        for line, mean in zip(planted, held(plan.means, number), strict=True):
            clean = sum(jar.holds for jar in line if jar.clean)
            shoots = sum(shoots_of(clean, mean, plan.size, plan.whole_shoots, self.rng))
            again = int(share * shoots)
            self.counts["shoots"][number] += shoots
            waiting.append(again)
            to_root += shoots - again
        return waiting, to_root

    def rooting(self, number: int, waiting: int, hours_left: float) -> Process:
        """Root the shoots of a cycle for which there is room and time."""
        plan = self.plan
        free = max(min(self.shelf.free, hours_left), 0)
        pieces, weeks = int(min(waiting, free * plan.rooting_vessel)), exact(plan.rooting_weeks)
        planted = self.plant(pieces, plan.rooting_vessel, weeks, held(plan.contamination, number + 1))
        self.counts["rooting_shoots"][number] = pieces
        self.counts["unrooted"][number] = waiting - pieces
        self.counts["rooting_vessels"][number] = len(planted)
        yield self.env.timeout(weeks)
        self.counts["weeks"][number] = float(self.env.now)
        for jar in planted:
            if jar.clean:
                self.counts["plantlets"][number] += sum(
                    chance < plan.rooted for chance in self.rng.random(jar.holds).tolist()
                )


def grow(*, rng: np.random.Generator, **cells: Any) -> Grown:
    """Grow one draw of a `Plan` from its first explants to its last plantlets."""
    laboratory = Laboratory(Plan(**cells), rng)
    laboratory.env.process(laboratory.run())
    laboratory.env.run()
    return Grown(**laboratory.counts, most_vessels=laboratory.shelf.most)


def many(replicates: int, seed: int, **arguments: Any | Callable[[np.random.Generator], Any]) -> Grown:
    """Grow many draws, each with random numbers of its own; a callable gives a draw its value from its generator."""
    grown = []
    for rng in np.random.default_rng(seed).spawn(replicates):
        given = {name: value(rng) if callable(value) else value for name, value in arguments.items()}
        grown.append(grow(**given, rng=rng))
    return Grown(**{field.name: np.array([getattr(one, field.name) for one in grown]) for field in fields(Grown)})
