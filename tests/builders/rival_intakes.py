"""Ways to take in what a nursery with weekly bookings sells: at random and at equal intervals, all in its house."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from itertools import product

import numpy as np

from forecast.growth.benches import area
from forecast.growth.simulation import simulate
from forecast.season.orders import Delivery
from forecast.season.season import Season
from forecast.weeks import Week

LOOKED_AT = 256  # draws by which a house is full: the mean of the fullest tenth
FULL = 1.0005  # of a house: rounded to orderable numbers
MARGINS = (0.0, 0.1, 0.2)  # ordered beyond what is needed on average


def fullest(season: Season, orders: Sequence[Delivery], *, seed: int) -> float:
    """Return the share of a house that is used in the fullest week, the mean of the fullest tenth of draws."""
    if not orders:
        return 0.0
    used, _ = area(simulate(season, orders, draws=LOOKED_AT, seed=seed).drawn)
    room = {row.place: row.area * row.usable for row in season.places}
    kept = LOOKED_AT / 10
    parts = np.clip(kept - np.arange(LOOKED_AT), 0, 1)
    high = -np.sort(-used, axis=2) @ parts / kept
    return max(float(weeks.max()) / room[name] for name, weeks in zip(season.place_names, high, strict=True))


class Intakes:
    """Rival plans of a season whose rows are bookings of one week each."""

    def __init__(self, season: Season) -> None:
        self.season = season
        self.bookings = {
            name: {row.week: float(row.target or 0) for row in season.targets_of(name)} for name in season.targeted
        }
        self.weeks_grown = {name: math.ceil(sum(row.typical for row in season.route(name))) for name in season.targeted}
        self.survive = {name: math.prod(row.survival or 0.0 for row in season.route(name)) for name in season.targeted}

    def labs(self, variety: str) -> list[str]:
        """Return the labs that sell a variety."""
        return list(dict.fromkeys(row.lab for row in self.season.price_lines(variety)))

    def window(self, variety: str, lab: str) -> tuple[Week, Week]:
        """Return the weeks between which a lab delivers."""
        row = next(row for row in self.season.price_lines(variety) if row.lab == lab)
        first = max(row.first_week, self.season.first_week + row.lead_weeks)
        return first, min(row.last_week, max(self.bookings[variety]))

    def orderable(self, variety: str, lab: str, number: float) -> int:
        """Return the next number that a lab accepts."""
        row = next(row for row in self.season.price_lines(variety) if row.lab == lab)
        multiple = row.multiple or 1
        return max(math.ceil(number / multiple) * multiple, math.ceil(row.minimum / multiple) * multiple)

    def intervals(self) -> Iterator[tuple[Delivery, ...]]:
        """Return every plan of equal intervals: each so many weeks, from so many weeks before the first sale on, all
        from one lab, each delivery for the sales until the next is ready."""
        longest = max(len(weeks) for weeks in self.bookings.values())
        labs = sorted({lab for name in self.bookings for lab in self.labs(name)})
        for every, early, more, lab in product(range(1, longest + 1), (0, 1, 2), MARGINS, labs):
            yield tuple(one for name in self.bookings for one in self._steps(name, lab, every, early, more))

    def _steps(self, name: str, lab: str, every: int, early: int, more: float) -> Iterator[Delivery]:
        weeks = sorted(self.bookings[name])
        start, end = self.window(name, lab)
        sent: dict[Week, float] = defaultdict(float)
        for at in range(0, len(weeks), every):
            need = sum(self.bookings[name][week] for week in weeks[at : at + every])
            week = weeks[at] + -(self.weeks_grown[name] + early)
            sent[min(max(week, start), end)] += (1 + more) * need / self.survive[name]
        for week, number in sent.items():
            yield Delivery(variety=name, lab=lab, week=week, quantity=self.orderable(name, lab, number))

    def at_random(self, rng: np.random.Generator) -> tuple[Delivery, ...]:
        """Return a plan at random: of each variety some weeks and labs, and how much it takes in all."""
        found: list[Delivery] = []
        for name, booked in self.bookings.items():
            total = sum(booked.values()) / self.survive[name] * float(rng.uniform(0.3, 1.3))
            ways = [
                (lab, start + k)
                for lab in self.labs(name)
                for start, end in [self.window(name, lab)]
                for k in range(end - start + 1)
                if start + (k + self.weeks_grown[name]) <= max(booked)
            ]
            some = rng.choice(len(ways), size=int(rng.integers(1, min(len(ways), len(booked)) + 1)), replace=False)
            parts = rng.dirichlet(np.full(len(some), float(rng.choice([1, 5, 50]))))
            for at, part in zip(some, parts, strict=True):
                lab, week = ways[int(at)]
                number = self.orderable(name, lab, total * float(part))
                found.append(Delivery(variety=name, lab=lab, week=week, quantity=number))
        return tuple(found)

    def fitting(self, orders: Iterable[Delivery], *, seed: int) -> tuple[Delivery, ...] | None:
        """Return the orders, smaller if the house is too small for them; None if they find no room even so."""
        orders = tuple(orders)
        for _ in range(3):
            used = fullest(self.season, orders, seed=seed)
            if used <= FULL:
                return orders
            orders = tuple(row.replace(quantity=self._fewer(row, row.quantity / used * 0.995)) for row in orders)
        return None

    def _fewer(self, row: Delivery, number: float) -> int:
        assert row.lab is not None
        line = next(line for line in self.season.price_lines(row.variety) if line.lab == row.lab)
        multiple = line.multiple or 1
        return max(math.floor(number / multiple) * multiple, self.orderable(row.variety, row.lab, 1))
