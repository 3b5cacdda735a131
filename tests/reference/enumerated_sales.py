"""Every plan of a small season that sells over weeks, valued exactly: all that can become of every plant and buyer.

Nothing of the package is used. The tables are read as text. How many plants of a delivery become ready in which week is
multinomial, given its survival; a survival of batches is integrated in closed form (beta-binomial), one that batches
share by quadrature; so is demand stated as a range. What is sold in each case follows week by week from the rule.

What is left out: weather, several stages that take time, benches that bind.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from functools import cache, cached_property
from math import ceil, comb, inf
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats
from selling import FOREVER, SellingSeason, Wish
from whole_season import Numbers, number

SCORES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(24)  # of a normal score (Gauss-Hermite)
WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
NODES = 1000  # of a vigour
RARE = 1e-9  # chance of what is not looked at
Order = tuple[str, str, str, int]  # variety, lab, week, plants


@dataclass(frozen=True)
class Lot:
    """Plants of one delivery: number, week of delivery."""

    plants: int
    week: int


@dataclass(frozen=True)
class Sold:
    """What comes of one way in which plants and buyers may come, arrays over such ways."""

    takings: Numbers
    leaving: Numbers
    standing: Numbers  # plants by week, after its sales, shape (weeks, ways)
    rows: Mapping[Any, Numbers]


class Stall:
    """Plants on hand by the week in which they became ready, buyers by the week in which they came, of many cases."""

    def __init__(self, wishes: Sequence[Wish], cases: int) -> None:
        self.wishes, self.cases, self.takings = wishes, cases, np.zeros(cases)
        self.hand: dict[int, Numbers] = {}
        self.queues: list[dict[int, Numbers]] = [{} for _ in wishes]
        self.rows = [np.zeros(cases) for _ in wishes]

    def begin(self, week: int, fresh: Numbers, come: Sequence[Numbers], keeps: int) -> Numbers:
        """Begin a week: plants and buyers come, others go; return how many plants leave."""
        if fresh.any():
            self.hand[week] = fresh.astype(float)
        for wish, queue, each in zip(self.wishes, self.queues, come, strict=True):
            if each.any():
                queue[week] = each.copy()
            queue.pop(week - wish.waits - 1, None)
        return self.hand.pop(week - keeps, np.zeros(self.cases))

    def on_hand(self, since: int = 0) -> Numbers:
        """Return how many plants are on hand that became ready since a week."""
        return np.asarray(sum((plants for week, plants in self.hand.items() if week >= since), np.zeros(self.cases)))

    def give(self, k: int, most: Numbers | None = None) -> Numbers | float:
        """Give plants to the buyers of a row, at most so many; return how many."""
        if not self.queues[k] or not self.hand:
            return 0.0
        given = np.minimum(sum(self.queues[k].values()), self.on_hand())
        if most is not None:
            given = np.minimum(given, np.maximum(most, 0))
        for came, served in take(self.queues[k], given):
            self.takings += served * self.wishes[k].prices[came]
        for _ in take(self.hand, given):
            pass
        self.rows[k] += given
        return np.asarray(given)


def take(held: dict[int, Numbers], given: Numbers) -> Iterator[tuple[int, Numbers]]:
    """Take some out of numbers by week, from the first week on; yield how many of each week."""
    lacks = given.copy()
    for week in sorted(held):
        taken = np.minimum(held[week], lacks)
        held[week] -= taken
        lacks -= taken
        yield week, taken


class Crop:
    """One variety of one stage that takes time and any that only lose plants: what becomes of a delivery."""

    def __init__(self, season: SmallSeason, name: str) -> None:
        self.season, self.name = season, name
        (self.row,) = (row for row in season.tables["varieties"] if row["variety"] == name)
        stages = season.tables["stages"]
        self.route = [row for row in stages if row["applies_to"] == name]
        self.route = self.route or [row for row in stages if row["applies_to"] == self.row["group"]]
        self.wishes: list[Wish] = season.reader.wishes(self.row)
        self.keeps = int(number(self.row, "saleable_weeks", FOREVER))
        usual = sum(number(wish.cells, "target") or number(wish.cells, "median") for wish in self.wishes)
        self.outlet = number(self.row, "outlet") if self.row.get("outlet") else usual

    # --- one plantlet

    def living(self, stage: Mapping[str, str], part: Numbers) -> Numbers:
        """Return the mean share alive after parts of the time of a stage, over which losses come evenly: of a beta
        survival s, the mean of s to the power of the part."""
        mean, sd = number(stage, "survival"), number(stage, "survival_sd")
        if not sd or stage["survival_level"] == "plant":
            return np.asarray(mean**part)
        size = mean * (1 - mean) / sd**2 - 1
        law = mean * size, (1 - mean) * size
        return np.exp(special.betaln(law[0] + part, law[1]) - special.betaln(*law))

    def times(self, stage: Mapping[str, str]) -> Numbers:
        """Return the time plants need for a stage at points of equal chance."""
        typical, spread = number(stage, "typical"), number(stage, "plants_cv")
        if not spread:
            return np.array([typical])
        score = special.ndtri((np.arange(NODES) + 0.5) / NODES)
        return np.asarray(typical * np.exp(np.sqrt(np.log(1 + spread**2)) * score))

    @cached_property
    def delays(self) -> Mapping[int, float]:
        """Weeks from delivery to the Monday on which a survivor is first saleable, and their chances."""
        found: dict[int, float] = {}
        for stage in self.route:
            typical, spread = number(stage, "typical"), np.sqrt(np.log(1 + number(stage, "plants_cv") ** 2))
            if typical:
                assert not found, "one stage takes time"
                assert not number(stage, "batches_cv")
                ends = np.arange(0, 40)
                with np.errstate(divide="ignore"):
                    by = stats.norm.cdf(np.log(ends / typical) / spread) if spread else (ends >= typical) * 1.0
                found = {int(k): float(p) for k, p in zip(ends, np.diff(by, prepend=0), strict=True) if p > 1e-6}
        return found or {0: 1.0}

    @cache  # noqa: B019 (a crop lives as long as its season)
    def growing(self, week: int) -> float:
        """Return what a plantlet delivered in a week costs until it is saleable: stages, work and bench."""
        total, reached = 0.0, 1.0
        wage = number(self.season.header, "hourly_wage")
        for stage in self.route:
            times = self.times(stage)
            total += reached * (
                number(stage, "cost") + number(stage, "materials") + number(stage, "minutes") / 60 * wage
            )
            here = number(stage, "typical") > 0
            for k in range(ceil(times.max()) if here else 0):
                alive = self.living(stage, k / times[times > k]).sum() / times.size
                total += reached * alive * self.rent(stage, week + k)
            reached *= number(stage, "survival")
        return float(total)

    def rent(self, stage: Mapping[str, str], week: int) -> float:
        """Return what the bench of one plant costs in a week."""
        row = self.season.reader.row_of(stage["place"], week)
        return number(row, "cost_per_m2_week") / number(stage, "plants_per_m2")

    # --- a number of plantlets

    def come(self, lots: Sequence[Lot]) -> tuple[NDArray[np.int64], Numbers]:
        """Return all that can become ready by week, shape (cases, weeks), and the chance of each."""
        ready, chance = np.zeros((1, self.season.weeks), dtype=np.int64), np.ones((1, 1))
        for week in sorted({lot.week for lot in lots}):
            some = [lot.plants for lot in lots if lot.week == week]
            more, part = self.parts(some, week)
            both = (chance[:, None] * part[None]).reshape(-1, max(chance.shape[1], part.shape[1]))
            likely = averaged(both) > RARE
            ready = (ready[:, None] + more[None]).reshape(-1, self.season.weeks)[likely]
            chance = both[likely]
        chances = averaged(chance)
        return ready, chances / chances.sum()

    def parts(self, numbers: Sequence[int], week: int) -> tuple[NDArray[np.int64], Numbers]:
        """Return in which weeks how many plants of deliveries of one week can become ready, and the chance of each at
        every common score."""
        alive = self.alive(numbers[0])
        for plants in numbers[1:]:
            alive = convolved(alive, self.alive(plants))
        delays, split = list(self.delays), np.array(list(self.delays.values()))
        ready, chances = [], []
        for total, chance in enumerate(alive):
            if chance.max() <= RARE:
                continue
            cells = np.array(list(compositions(total, len(delays))))
            rows = np.zeros((len(cells), self.season.weeks), dtype=np.int64)
            rows[:, [week + delay for delay in delays]] = cells
            ready += list(rows)
            chances += list(stats.multinomial.pmf(cells, total, split / split.sum())[:, None] * chance)
        return np.array(ready), np.array(chances)

    @cached_property
    def law(self) -> tuple[float, tuple[float, float] | None, float]:
        """The product of the survivals that do not vary; the beta law of the one that does, and its part that batches
        share."""
        fixed, varying = 1.0, []
        for stage in self.route:
            if number(stage, "survival_sd") and stage["survival_level"] != "plant":
                varying.append(stage)
            else:
                fixed *= number(stage, "survival")
        if not varying:
            return fixed, None, 0.0
        (stage,) = varying  # one varies
        mean, sd = number(stage, "survival"), number(stage, "survival_sd")
        size = mean * (1 - mean) / sd**2 - 1
        words = stage["survival_level"].split()
        level = {words[0]: 1.0} if len(words) == 1 else dict(zip(words[::2], map(float, words[1::2]), strict=True))
        shared = sum(part for word, part in level.items() if word != "batch")
        return fixed, (mean * size, (1 - mean) * size), shared

    @cache  # noqa: B019
    def alive(self, plants: int) -> Numbers:
        """Return the chance that 0, 1, ... of some plants survive, shape (plants + 1, common scores or 1)."""
        fixed, law, shared = self.law
        numbers = np.arange(plants + 1)
        if law is None:
            return np.asarray(stats.binom.pmf(numbers, plants, fixed)[:, None])
        if not shared and fixed == 1:
            return np.asarray(stats.betabinom.pmf(numbers, plants, *law)[:, None])
        score = np.sqrt(shared) * SCORES[:, None] + np.sqrt(1 - shared) * SCORES
        share = fixed * stats.beta.ppf(special.ndtr(score), *law)
        given = stats.binom.pmf(numbers[:, None, None], plants, share) @ WEIGHTS
        return np.asarray(given if shared else given[:, :1])

    def sampled(self, lots: Sequence[Lot], seasons: int) -> Numbers:
        """Return the margin less the price of being short, without purchases, in some seasons drawn at random.

        The luck of the first delivery, of the second and of the buyers is the same whatever the deliveries are.
        """
        rng = np.random.default_rng(seasons)
        fixed, law, shared = self.law
        common, wants = rng.standard_normal(seasons), rng.choice(len(self.asked[1]), seasons, p=self.asked[1])
        asked, ready = self.asked[0][wants], np.zeros((seasons, self.season.weeks), dtype=np.int64)
        for number_of, lot in enumerate(sorted(lots, key=lambda one: one.week)):
            mine = np.random.default_rng([seasons, 1 + number_of])
            score = np.sqrt(shared) * common + np.sqrt(1 - shared) * mine.standard_normal(seasons)
            share = fixed * (stats.beta.ppf(special.ndtr(score), *law) if law else np.ones(seasons))
            left, rest = stats.binom.ppf(mine.random(seasons), lot.plants, share), 1.0
            for delay, part in self.delays.items():
                now = stats.binom.ppf(mine.random(seasons), left, min(part / rest, 1.0))
                ready[:, lot.week + delay] += now.astype(np.int64)
                left, rest = left - now, max(rest - part, RARE)
        sold = self.sell(ready, asked, self.expected(lots))
        price = sum(w.short_cost * (asked[:, k] - sold.rows[w.key]) for k, w in enumerate(self.wishes))
        return self.income(sold) - price - sum(lot.plants * self.growing(lot.week) for lot in lots)

    def expected(self, lots: Sequence[Lot]) -> Numbers:
        """Return how many plants are expected to become ready by week."""
        kept = np.prod([number(stage, "survival") for stage in self.route])
        ready = np.zeros(self.season.weeks)
        for lot in lots:
            for delay, part in self.delays.items():
                ready[lot.week + delay] += lot.plants * kept * part
        return ready

    # --- buyers

    @cached_property
    def asked(self) -> tuple[NDArray[np.int64], Numbers]:
        """All numbers that the rows can ask for, shape (cases, rows), and their chances."""
        each = [demand(wish.cells) for wish in self.wishes]
        cases = list(itertools.product(*(law.items() for law in each)))
        chances = np.array([np.prod([chance for _, chance in case]) for case in cases])
        numbers = np.array([[n for n, _ in case] for case in cases]).reshape(len(cases), len(each))
        return numbers, chances / chances.sum()

    def sell(self, ready: NDArray[np.int64], asked: NDArray[np.int64], expected: Numbers) -> Sold:
        """Sell plants that become ready to buyers, in many cases at once, arrays of shape (cases, ...)."""
        cases, weeks = ready.shape
        stall = Stall(self.wishes, cases)
        comes = [self.by_week(k, asked[:, k]) for k in range(len(self.wishes))]
        leaving, standing = np.zeros(cases), np.zeros((weeks, cases))
        mean = np.array([self.asked[1] @ self.by_week(k, self.asked[0][:, k]).T for k in range(len(self.wishes))])
        last = max(wish.last + wish.waits for wish in self.wishes)
        for week in range(weeks):
            leaving += stall.begin(week, ready[:, week], [come[week] for come in comes], self.keeps)
            for k in self.promised(week):
                stall.give(k)
            free = np.floor(stall.on_hand() - self.held(stall, week, mean, expected) + 1e-9)
            for k in self.hoped(week):
                free = free - stall.give(k, free)
            if week >= last:
                leaving += stall.on_hand()
                stall.hand.clear()
            standing[week] = stall.on_hand()
        rows = {wish.key: row for wish, row in zip(self.wishes, stall.rows, strict=True)}
        return Sold(stall.takings, leaving, standing, rows)

    def by_week(self, k: int, asked: NDArray[np.int64]) -> Numbers:
        """Spread what a row asks for over its weeks, shape (weeks, cases)."""
        found = np.zeros((self.season.weeks, asked.size))
        for at in np.unique(asked):
            for week, each in self.wishes[k].by_week(int(at)).items():
                found[week, asked == at] = each
        return found

    def promised(self, week: int) -> list[int]:
        """Return the promised rows in the order in which they are served."""
        rows = [k for k, wish in enumerate(self.wishes) if wish.promised]
        return sorted(rows, key=lambda k: (-self.wishes[k].promised, -self.price(k, week)))

    def hoped(self, week: int) -> list[int]:
        """Return the other rows in the order in which they are served."""
        rows = [k for k, wish in enumerate(self.wishes) if not wish.promised]
        return sorted(rows, key=lambda k: -self.price(k, week))

    def price(self, k: int, week: int) -> float:
        """Return the price of a row in a week, before and after its window the nearest."""
        wish = self.wishes[k]
        return wish.prices[min(max(week, wish.first), wish.last)]

    def held(self, stall: Stall, week: int, mean: Numbers, expected: Numbers) -> Numbers:
        """Return what is kept back for promised buyers of later weeks."""
        rows = self.promised(week)
        most = np.zeros(stall.cases)
        for later in range(week + 1, max((self.wishes[k].last for k in rows), default=0) + 1):
            due = mean[rows, week + 1 : later + 1].sum() - expected[week + 1 : later + 1].sum()
            if due > 0:
                most = np.maximum(most, np.minimum(due, stall.on_hand(later - self.keeps + 1)))
        return most

    # --- a plan

    def outcome(self, lots: Sequence[Lot]) -> Outcome:
        """Return what comes of deliveries, whatever they cost to buy."""
        ready, chance = self.come(lots)
        asked, likely = self.asked
        rows, both = np.repeat(ready, len(asked), axis=0), np.outer(chance, likely).ravel()
        wants = np.tile(asked, (len(ready), 1))
        sold = self.sell(rows, wants, self.expected(lots))
        income = self.income(sold) - sum(lot.plants * self.growing(lot.week) for lot in lots)
        missing = {w.key: wants[:, k] - sold.rows[w.key] for k, w in enumerate(self.wishes)}
        price = sum((wish.short_cost * missing[wish.key] for wish in self.wishes), np.zeros(both.size))
        kept = {
            wish.key: both @ (sold.rows[wish.key] >= np.array([wish.needs(int(n)) for n in wants[:, k]]))
            for k, wish in enumerate(self.wishes)
            if wish.promised
        }
        each = {key: float(both @ number_missing) for key, number_missing in missing.items()}
        spread = both @ (income - price) ** 2 - (both @ (income - price)) ** 2
        return Outcome(float(both @ income), float(both @ price), kept, each, float(max(spread, 0) ** 0.5))

    def income(self, sold: Sold) -> Numbers:
        """Return what sales and markdown bring, less the bench of what waits for a buyer."""
        rent = np.array([self.rent(self.route[-1], week) for week in range(self.season.weeks)])
        down = np.minimum(sold.leaving, self.outlet) * number(self.row, "markdown_price")
        return np.asarray(sold.takings + down - rent @ sold.standing)


@dataclass(frozen=True)
class Outcome:
    """Expected margin without what plants and freight cost, price of being short, chance of promises, missing plants;
    and how much margin less price varies between seasons."""

    margin: float
    price: float
    kept: Mapping[Any, float]
    missing: Mapping[Any, float]
    sd: float


def demand(cells: Mapping[str, str]) -> dict[int, float]:
    """Return the chance of each whole number that a row may ask for."""
    if cells.get("target"):
        return {int(cells["target"]): 1.0}
    low, median, high = (float(cells[name]) for name in ("p5", "median", "p95"))
    z90 = stats.norm.ppf(0.95)
    below, above = np.log(median / low) / z90, np.log(high / median) / z90
    ends = np.log((np.arange(0, int(5 * high) + 2) - 0.5).clip(1e-9) / median)
    by = stats.norm.cdf(ends / np.where(ends < 0, max(below, 1e-12), max(above, 1e-12)))
    chances = np.diff(by)
    return {k: float(p / chances.sum()) for k, p in enumerate(chances) if p > 1e-6}


def convolved(one: Numbers, other: Numbers) -> Numbers:
    """Return the chances of a sum from those of 0, 1, ... of both, column by column."""
    columns = max(one.shape[1], other.shape[1])
    both = (np.broadcast_to(law, (len(law), columns)).T for law in (one, other))
    return np.array([np.convolve(a, b) for a, b in zip(*both, strict=True)]).T


def averaged(chances: Numbers) -> Numbers:
    """Return the mean over common scores, if there are any, of chances of shape (cases, scores or 1)."""
    return np.asarray(chances @ WEIGHTS if chances.shape[1] > 1 else chances[:, 0])


def compositions(total: int, cells: int) -> Iterator[tuple[int, ...]]:
    """Return every way to spread a number over some cells."""
    if cells == 1:
        yield (total,)
        return
    for first in range(total + 1):
        for rest in compositions(total - first, cells - 1):
            yield (first, *rest)


def _by_variety(orders: Sequence[Order]) -> list[list[Order]]:
    """Return the orders of each variety."""
    return [[order for order in orders if order[0] == name] for name in dict.fromkeys(order[0] for order in orders)]


@dataclass(frozen=True)
class Valued:
    """A plan and what it is worth."""

    orders: tuple[Order, ...]
    margin: float
    price: float
    paid: float  # to labs and carriers
    kept: Mapping[Any, float]
    missing: Mapping[Any, float]
    sd: float

    @property
    def value(self) -> float:
        """Expected margin less the price of being short."""
        return self.margin - self.price


class SmallSeason:
    """A small season and all its plans."""

    def __init__(self, tables: Mapping[str, Any]) -> None:
        self.tables, self.header = tables, tables["season"][0]
        self.reader = SellingSeason(tables, 1, 1)
        self.weeks = self.reader.weeks
        names = dict.fromkeys(row["variety"] for row in tables["targets"])
        self.crops = {name: Crop(self, name) for name in names}
        self._known: dict[Any, Outcome] = {}

    def lines(self, variety: str, lab: str) -> list[Mapping[str, str]]:
        """Return the price list of a lab for a variety."""
        return [row for row in self.tables["price_list"] if (row["variety"], row["lab"]) == (variety, lab)]

    def line(self, variety: str, lab: str, plants: int) -> Mapping[str, str] | None:
        """Return the line that an order falls under, if the lab accepts it."""
        reached = [row for row in self.lines(variety, lab) if number(row, "from_quantity", 1) <= plants]
        row = max(reached, key=lambda one: number(one, "from_quantity", 1), default=None)
        if row is None or plants < number(row, "minimum", 1) or plants % number(row, "multiple", 1):
            return None
        return row

    def ways(self, variety: str) -> list[tuple[str, int]]:
        """Return the labs and weeks in which a variety can be had before its last sale."""
        last = max(wish.last + wish.waits for wish in self.crops[variety].wishes)
        found = []
        for lab in dict.fromkeys(row["lab"] for row in self.tables["price_list"] if row["variety"] == variety):
            row = self.lines(variety, lab)[0]
            first = max(self.reader.at(row["first_week"]), int(number(row, "lead_weeks")))
            found += [(lab, week) for week in range(first, min(self.reader.at(row["last_week"]), last) + 1)]
        return found

    def week_text(self, week: int) -> str:
        """Return a week as tables write it."""
        year, of, _ = (self.reader.first + timedelta(weeks=week)).isocalendar()
        return f"{year}-W{of:02}"

    def paid(self, orders: Sequence[Order]) -> float:
        """Return what labs and carriers are paid: one line a lab, week and variety; a lab's plants share boxes."""
        boxes: dict[Any, int] = defaultdict(int)
        total = 0.0
        for variety, lab, week, plants in orders:
            row = self.line(variety, lab, plants)
            assert row is not None
            total += plants * number(row, "unit_price")
            if row.get("plants_per_box"):
                boxes[lab, week, number(row, "freight_per_box"), number(row, "plants_per_box")] += plants
        return total + sum(key[2] * ceil(plants / key[3]) for key, plants in boxes.items())

    def valued(self, orders: Sequence[Order]) -> Valued:
        """Return what a plan is worth."""
        margin, price, spread = 0.0, 0.0, 0.0
        kept: dict[Any, float] = {}
        missing: dict[Any, float] = {}
        for name, crop in self.crops.items():
            lots = tuple(sorted((self.reader.at(o[2]), o[3]) for o in orders if o[0] == name))
            if (name, lots) not in self._known:
                self._known[name, lots] = crop.outcome([Lot(plants, week) for week, plants in lots])
            one = self._known[name, lots]
            margin, price, spread = margin + one.margin, price + one.price, spread + one.sd**2
            kept |= one.kept
            missing |= one.missing
        paid = self.paid(orders)
        return Valued(tuple(orders), margin - paid, price, paid, kept, missing, spread**0.5)

    def sampled(self, orders: Sequence[Order], seasons: int) -> Numbers:
        """Return the margin less the price of being short in some seasons drawn at random, the same for all plans."""
        parts = (
            crop.sampled([Lot(o[3], self.reader.at(o[2])) for o in orders if o[0] == name], seasons)
            for name, crop in self.crops.items()
        )
        return np.asarray(sum(parts) - self.paid(orders))

    def above(self, orders: Sequence[Order]) -> float:
        """Return what no plan of one variety can exceed: each plant that survives on average is sold at the best."""
        (variety,) = {order[0] for order in orders}
        crop = self.crops[variety]
        kept = float(np.prod([number(stage, "survival") for stage in crop.route]))
        alive, cost = 0.0, 0.0
        for _, lab, week, plants in orders:
            alive += plants * kept
            row = self.line(variety, lab, plants) or {}
            cost += plants * (number(row, "unit_price") + crop.growing(self.reader.at(week)))
        wants = float(crop.asked[1] @ crop.asked[0].sum(axis=1))
        dearest = max(max(wish.prices.values()) for wish in crop.wishes)
        down = number(crop.row, "markdown_price") * min(crop.outlet, alive)
        short = min(wish.short_cost for wish in crop.wishes) * max(wants - alive, 0)
        return dearest * min(wants, alive) + down - short - cost

    def choices(self, variety: str, most: int) -> list[list[Order | None]]:
        """Return of each lab and week what can be ordered, and nothing."""
        found: list[list[Order | None]] = []
        for lab, week in self.ways(variety):
            sizes = [n for n in range(1, most + 1) if self.line(variety, lab, n)]
            found.append([None, *((variety, lab, self.week_text(week), n) for n in sizes)])
        return found

    def bundles(self, variety: str, most: int) -> list[tuple[Order, ...]]:
        """Return every set of deliveries of a variety that could earn more than nothing, in orderable numbers."""
        choices = self.choices(variety, most)
        every = (tuple(order for order in one if order) for one in itertools.product(*choices))
        nothing = self.crops[variety].outcome([])
        least = nothing.margin - nothing.price if all(nothing.kept.values()) else -inf
        return [one for one in every if not one or self.above(one) >= least]

    def cases(self, orders: Sequence[Order]) -> int:
        """Return how much can become of the plants and buyers of a plan, at most."""
        names, found = {order[0] for order in orders}, 1
        for crop in (self.crops[name] for name in names):
            found *= len(crop.asked[1])
        for variety, _, _, plants in orders:
            weeks = len(self.crops[variety].delays)
            found *= comb(plants + weeks, weeks)
        return found

    def best(self, most: int, slack: float = 0.0) -> Valued | None:
        """Return the best plan within the budget that keeps every promise with so much to spare, of deliveries of up to
        so many plants; None if there is none."""
        budget, found = number(self.header, "budget", inf), None
        some = [self.bundles(name, most) for name in self.crops]
        plans = [tuple(order for part in parts for order in part) for parts in itertools.product(*some)]
        bounds = [sum(self.above(part) for part in _by_variety(plan)) for plan in plans]
        for at in np.argsort(-np.array(bounds), kind="stable"):
            if found and bounds[at] < found.value and len(_by_variety(plans[at])) == len(self.crops):
                continue
            if self.paid(plans[at]) > budget * (1 + 1e-9):
                continue
            one = self.valued(plans[at])
            if (found is None or one.value > found.value) and self.keeps(one, slack):
                found = one
        return found

    def keeps(self, plan: Valued, slack: float = 0.0) -> bool:
        """Say whether a plan keeps every promise, with so many standard errors of 1,024 draws to spare."""
        return all(
            reached >= asked + slack * (asked * (1 - asked) / 1024) ** 0.5 for asked, reached in self.chances(plan)
        )

    def chances(self, plan: Valued) -> Iterator[tuple[float, float]]:
        """Return of each promise the chance that is promised and the one that is reached."""
        for crop in self.crops.values():
            for wish in crop.wishes:
                if wish.promised:
                    yield wish.promised, plan.kept[wish.key]
