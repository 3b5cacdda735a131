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

    Attributes
    ----------
    explants, vessels, clean_vessels : arrays of ints, by cycle
        what was planted, and the vessels that stayed clean
    shoots : array of ints, by cycle
        shoots of all lines at the end of the cycle
    unplanted : array of ints, by cycle
        explants for which there was no room
    rooting_shoots, rooting_vessels : arrays of ints, by round
        what was planted to root; round 1 is planted when cycle 1 ends
    unrooted : array of ints, by round
        shoots to be rooted for which there was no room
    plantlets : array of ints, by round
    weeks : array of floats, by round
        weeks from the start to the day on which the plantlets are ready
    most_vessels : int, or array of ints
        most vessels of cycles and rounds together that stood on the shelf at a time; the start is not counted
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


def grow(
    *,
    explants: int,
    lines: int,
    cycles: int,
    kept: Sequence[float],
    vessel: int,
    rooting_vessel: int,
    start_survival: float,
    contamination: Sequence[float],
    means: Sequence[Sequence[float]],
    size: float,
    whole_shoots: bool,
    rooted: float,
    start_weeks: float,
    cycle_weeks: float,
    rooting_weeks: float,
    shelf_places: int | None = None,
    vessels_in_hours: int | None = None,
    rng: np.random.Generator,
) -> Grown:
    """Grow one draw from its first explants to its last plantlets.

    Parameters
    ----------
    kept, contamination, means
        by cycle, the last value for all later ones; in the last cycle nothing is kept. ``means`` holds one
        mean for each line. Rooting vessels meet the contamination of the cycle planted with them; those of
        the last round meet that of the cycle that would have followed.
    vessel, rooting_vessel
        explants and shoots that a vessel holds
    start_survival
        chance that an explant comes through the start
    size
        of the negative binomial; infinite for Poisson
    whole_shoots
        every explant gives the mean, rounded up or down by chance
    rooted
        chance that a shoot in a clean rooting vessel becomes a plantlet
    vessels_in_hours
        vessels that can be handled in a cycle
    """
    env = simpy.Environment(initial_time=exact(0))
    shelf = Shelf(env, shelf_places)
    hours = math.inf if vessels_in_hours is None else vessels_in_hours
    by_cycle = {
        field.name: np.zeros(cycles, float if field.name == "weeks" else np.int64)
        for field in fields(Grown)
        if field.name != "most_vessels"
    }

    def plant(pieces: int, holds: int, weeks: Any, lost: float) -> list[Vessel]:
        vessels = []
        while pieces > 0:
            shelf.put(weeks)
            vessels.append(Vessel(min(pieces, holds), rng.random() >= lost))
            pieces -= holds
        return vessels

    def cycle(number: int, waiting: list[int]) -> list[list[Vessel]]:
        free = min(shelf.free, hours)
        pieces = cut_to_room(waiting, max(free - (lines - 1), 0) * vessel)
        planted = [plant(part, vessel, exact(cycle_weeks), held(contamination, number)) for part in pieces]
        by_cycle["explants"][number] = sum(pieces)
        by_cycle["unplanted"][number] = sum(waiting) - sum(pieces)
        by_cycle["vessels"][number] = sum(len(line) for line in planted)
        by_cycle["clean_vessels"][number] = sum(jar.clean for line in planted for jar in line)
        return planted

    def rooting(number: int, waiting: int, hours_left: float) -> Process:
        free = max(min(shelf.free, hours_left), 0)
        pieces = int(min(waiting, free * rooting_vessel))
        planted = plant(pieces, rooting_vessel, exact(rooting_weeks), held(contamination, number + 1))
        by_cycle["rooting_shoots"][number] = pieces
        by_cycle["unrooted"][number] = waiting - pieces
        by_cycle["rooting_vessels"][number] = len(planted)
        yield env.timeout(exact(rooting_weeks))
        by_cycle["weeks"][number] = float(env.now)
        for jar in planted:
            if jar.clean:
                by_cycle["plantlets"][number] += sum(chance < rooted for chance in rng.random(jar.holds).tolist())

    def laboratory() -> Process:
        dealt = [len(range(line, explants, lines)) for line in range(lines)]
        yield env.timeout(exact(start_weeks))
        waiting = [sum(rng.random() < start_survival for _ in range(pieces)) for pieces in dealt]
        to_root = 0
        for number in range(cycles + 1):
            yield env.timeout(0)  # vessels whose time is up today are taken away first
            planted = cycle(number, waiting) if number < cycles else []
            if number:
                env.process(rooting(number - 1, to_root, hours - sum(len(line) for line in planted)))
            if number == cycles:
                return
            yield env.timeout(exact(cycle_weeks))
            waiting, to_root = [], 0
            for line, mean in zip(planted, held(means, number), strict=True):
                clean = sum(jar.holds for jar in line if jar.clean)
                shoots = sum(shoots_of(clean, mean, size, whole_shoots, rng))
                again = 0 if number == cycles - 1 else int(exact(held(kept, number)) * shoots)
                by_cycle["shoots"][number] += shoots
                waiting.append(again)
                to_root += shoots - again

    env.process(laboratory())
    env.run()
    return Grown(**by_cycle, most_vessels=shelf.most)


def many(replicates: int, seed: int, **arguments: Any | Callable[[np.random.Generator], Any]) -> Grown:
    """Grow many draws, each with random numbers of its own.

    Parameters
    ----------
    arguments
        those of ``grow``; what is a callable gives each replicate its value from the replicate's generator

    Returns
    -------
    Grown
        with arrays of shape (replicates, cycles), and (replicates,) for the most vessels
    """
    grown = []
    for rng in np.random.default_rng(seed).spawn(replicates):
        given = {name: value(rng) if callable(value) else value for name, value in arguments.items()}
        grown.append(grow(**given, rng=rng))
    return Grown(**{field.name: np.array([getattr(one, field.name) for one in grown]) for field in fields(Grown)})
