"""Sales over weeks, plant by plant and buyer by buyer, from the text of a season's tables and what their columns mean.

Nothing of the package is used. In every replicate a plant on hand is the week in which it became ready, a buyer is the
row and the week in which he asks; one after the other takes the oldest plant. Growing, weather, work, bench and what
labs are paid come from `whole_season`.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from math import ceil, floor
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from whole_season import Numbers, WholeSeason, number

FOREVER = 10**6  # weeks


@dataclass(frozen=True)
class Wish:
    """A row of targets: who buys one variety, when, at what price, and how surely he must get it."""

    key: tuple[str, str, str]  # variety, week, channel
    first: int
    last: int
    cells: Mapping[str, str]
    prices: Mapping[int, float]
    parts: tuple[Fraction, ...]  # of the number that has been asked for by the end of each week of the window

    @property
    def promised(self) -> float:
        """The chance promised; 0 if the sale is hoped for."""
        return number(self.cells, "promised")

    @property
    def waits(self) -> int:
        """Weeks that a buyer waits."""
        return int(number(self.cells, "waits"))

    @property
    def short_cost(self) -> float:
        """What a missing plant costs beyond the lost sale."""
        if self.cells.get("short_cost"):
            return number(self.cells, "short_cost")
        return sum(self.prices.values()) / len(self.prices) / 2

    def needs(self, asked: int) -> int:
        """Return how many of so many must be sold to keep the promise."""
        share = Fraction(self.cells.get("promised_share") or "1")
        return ceil(share * asked)

    def by_week(self, asked: int) -> dict[int, int]:
        """Spread a number over the weeks of the window, in whole plants."""
        until = [floor(asked * part + Fraction(1, 2)) for part in self.parts]
        each = [b - a for a, b in zip([0, *until[:-1]], until, strict=True)]
        return {self.first + k: n for k, n in enumerate(each)}


def stretched(weights: Sequence[Fraction], weeks: int) -> tuple[Fraction, ...]:
    """Return the part of all weights that has passed by the end of each of so many weeks, the profile being stretched
    over them."""
    total, found = sum(weights), []
    for week in range(1, weeks + 1):
        reach = Fraction(week * len(weights), weeks)
        passed = sum(weight * min(max(reach - k, Fraction(0)), Fraction(1)) for k, weight in enumerate(weights))
        found.append(passed / total)
    return tuple(found)


@dataclass
class Till:
    """What one replicate of one variety's sales came to."""

    sold: dict[Any, int] = field(default_factory=lambda: defaultdict(int))  # by row
    takings: dict[int, float] = field(default_factory=lambda: defaultdict(float))  # by week
    leaving: dict[int, int] = field(default_factory=lambda: defaultdict(int))  # by week
    standing: dict[int, int] = field(default_factory=lambda: defaultdict(int))  # by week, after its sales


@dataclass
class Shop:
    """One variety: its buyers, how long a plant keeps its grade, and what is expected to become ready by week."""

    wishes: Sequence[Wish]
    keeps: int
    expected: Numbers
    foreseen: Mapping[Any, Mapping[int, float]]  # promised demand that is expected, by row and week

    def last(self) -> int:
        """Return the last week in which anything can be sold."""
        return max((wish.last + wish.waits for wish in self.wishes), default=0)

    def held(self, hand: Sequence[int], week: int) -> float:
        """Return how many plants on hand are kept back for later promised buyers."""
        most, due, come = 0.0, 0.0, 0.0
        promised = [wish for wish in self.wishes if wish.promised]
        for later in range(week + 1, max((wish.last for wish in promised), default=0) + 1):
            due += sum(self.foreseen[wish.key].get(later, 0) for wish in promised)
            come += self.expected[later]
            in_grade = sum(ready + self.keeps > later for ready in hand)
            most = max(most, min(due - come, in_grade))
        return most

    def open(self, ready: Sequence[int], asked: Mapping[Any, int]) -> Till:
        """Sell what becomes ready by week to those who ask for so many."""
        till, hand, last = Till(), deque[int](), self.last()
        queues: dict[Any, deque[int]] = {wish.key: deque() for wish in self.wishes}  # weeks in which buyers came
        coming = {wish.key: wish.by_week(asked[wish.key]) for wish in self.wishes}
        for week, fresh in enumerate(ready):
            hand.extend([week] * int(fresh))
            while hand and hand[0] + self.keeps <= week:
                hand.popleft()
                till.leaving[week] += 1
            for wish in self.wishes:
                queue = queues[wish.key]
                queue.extend([week] * coming[wish.key].get(week, 0))
                while queue and queue[0] + wish.waits < week:
                    queue.popleft()
            self.serve(week, hand, queues, till)
            if week >= last:
                till.leaving[week] += len(hand)
                hand.clear()
            till.standing[week] = len(hand)
        return till

    def serve(self, week: int, hand: deque[int], queues: Mapping[Any, deque[int]], till: Till) -> None:
        """Serve the buyers of one week: promised ones, then others from what need not be held back."""
        promised = sorted((w for w in self.wishes if w.promised), key=lambda w: (-w.promised, -self.now(w, week)))
        for wish in promised:
            self.give(wish, week, hand, queues[wish.key], till, len(hand))
        free = floor(len(hand) - self.held(hand, week) + 1e-9)
        for wish in sorted((w for w in self.wishes if not w.promised), key=lambda w: -self.now(w, week)):
            free -= self.give(wish, week, hand, queues[wish.key], till, free)

    @staticmethod
    def now(wish: Wish, week: int) -> float:
        """Return the price of a row in a week; after its window, the last one."""
        return wish.prices[min(max(week, wish.first), wish.last)]

    @staticmethod
    def give(wish: Wish, week: int, hand: deque[int], queue: deque[int], till: Till, most: int) -> int:
        """Give each buyer of a row the oldest plant, those who wait longest first; return how many got one."""
        given = 0
        while hand and queue and given < most:
            hand.popleft()
            till.takings[week] += wish.prices[queue.popleft()]
            given += 1
        till.sold[wish.key] += given
        return given


@dataclass
class Sales:
    """What is sold of each row, shape (replicates,)."""

    asked: NDArray[np.int64]
    sold: NDArray[np.int64]
    kept: NDArray[np.bool_]

    @property
    def missing(self) -> NDArray[np.int64]:
        """Plants that were asked for and not sold."""
        return self.asked - self.sold


class SellingSeason(WholeSeason):
    """A season whose targets span weeks, channels and promises, some replicates of it.

    ``sales`` are by variety, week and channel. The margin of each replicate is `margins`, what is missing there costs
    `short`, both in currency.
    """

    def __init__(self, tables: Mapping[str, Any], replicates: int, seed: int, *, knows: bool = False) -> None:
        super().__init__({**tables, "orders": merged(tables.get("orders", ()))}, replicates, seed)
        self.knows = knows  # whether a grower knows the promised demand of the replicate, or what is expected of it
        self.sales: dict[tuple[str, str, str], Sales] = {}
        self.short = np.zeros(replicates)
        self.crowd, self.dearth = self.factor("demand_cv"), self.factor("price_cv")

    def factor(self, cell: str) -> Numbers:
        """Draw what all demands, or all prices, of a season are multiplied by: log-normal of mean 1."""
        spread = np.log(1 + number(self.header, cell) ** 2)
        if not spread:
            return np.ones(self.replicates)
        return np.exp(np.sqrt(spread) * self.normal() - spread / 2)

    @property
    def margins(self) -> Numbers:
        """What came in less what went out."""
        return np.asarray(self.found.cash.sum(axis=0))

    @property
    def objective(self) -> Numbers:
        """The margin less the price of being short."""
        return self.margins - self.short

    def wishes(self, variety: Mapping[str, str]) -> list[Wish]:
        """Return the rows of a variety: of two as sure and as dear, the one that begins first is served first."""
        rows = [row for row in self.tables["targets"] if row["variety"] == variety["variety"]]
        return sorted((self.wish(variety, row) for row in rows), key=lambda wish: wish.first)

    def wish(self, variety: Mapping[str, str], row: Mapping[str, str]) -> Wish:
        """Return what a row says."""
        first, last = self.at(row["week"]), self.at(row.get("until") or row["week"])
        weeks, key = last - first + 1, (row["variety"], row["week"], row.get("channel") or "")
        weights = [Fraction(1)]
        if row.get("profile"):
            shape = [line for line in self.tables["profiles"] if line["profile"] == row["profile"]]
            weights = [Fraction(line["weight"]) for line in sorted(shape, key=lambda line: int(line["week"]))]
        return Wish(key, first, last, row, self.prices(variety, row, first, last), stretched(weights, weeks))

    def prices(self, variety: Mapping[str, str], row: Mapping[str, str], first: int, last: int) -> dict[int, float]:
        """Return the price by week: of the row, on a straight line to its end, or of the variety."""
        weeks = range(first, last + 1)
        price, fall, lowest = (number(variety, cell) for cell in ("sale_price", "yearly_fall", "lowest_price"))
        usual = {week: lowest + (price - lowest) * (1 - fall) ** (week / 52) for week in weeks}
        if not row.get("price") and not row.get("price_end"):
            return usual
        begin = number(row, "price", usual[first])
        end = number(row, "price_end", begin)
        return {week: begin + (end - begin) * (week - first) / max(last - first, 1) for week in weeks}

    def wanted(self, row: Mapping[str, str]) -> NDArray[np.int64]:
        """Draw how many plants a row asks for, whole ones."""
        amount = np.full(self.replicates, number(row, "target"))
        if not row.get("target"):
            low, median, high = (float(row[name]) for name in ("p5", "median", "p95"))
            score = self.normal()
            width = np.where(score < 0, np.log(median / low), np.log(high / median)) / stats.norm.ppf(0.95)
            amount = median * np.exp(width * score)
        return np.floor(amount * self.crowd + 0.5).astype(np.int64)

    def sell(self, variety: Mapping[str, str], fresh: Numbers, last_stage: Mapping[str, str]) -> None:
        """Sell a variety over the weeks of its rows; mark down what is over, as many as the outlet takes."""
        wishes = self.wishes(variety)
        asked = {wish.key: self.wanted(wish.cells) for wish in wishes}
        mean = {wish.key: _mean_by_week(wish, asked[wish.key]) for wish in wishes if wish.promised}
        shop = Shop(wishes, int(number(variety, "saleable_weeks", FOREVER)), fresh.mean(axis=1), mean)
        sold = {wish.key: np.zeros(self.replicates, dtype=np.int64) for wish in wishes}
        leaving, standing = np.zeros(fresh.shape), np.zeros(fresh.shape)
        for one in range(self.replicates):
            mine = {wish.key: int(asked[wish.key][one]) for wish in wishes}
            if self.knows:
                shop.foreseen = {wish.key: wish.by_week(mine[wish.key]) for wish in wishes if wish.promised}
            till = shop.open([int(n) for n in fresh[:, one]], mine)
            for week, paid in till.takings.items():
                self.found.cash[week, one] += paid * self.dearth[one]
            for key, number_sold in till.sold.items():
                sold[key][one] = number_sold
            for week in range(self.weeks):
                leaving[week, one], standing[week, one] = till.leaving[week], till.standing[week]
        self.bench(last_stage, standing)
        self.mark_down(variety, wishes, leaving)
        for wish in wishes:
            needed = np.array([wish.needs(int(n)) for n in asked[wish.key]])
            made = Sales(asked[wish.key], sold[wish.key], sold[wish.key] >= needed)
            self.sales[wish.key] = made
            self.short += wish.short_cost * made.missing

    def mark_down(self, variety: Mapping[str, str], wishes: Sequence[Wish], leaving: Numbers) -> None:
        """Sell what leaves at the lower price, as many as the outlet takes: of each replicate, those that go first."""
        usual = sum(number(wish.cells, "target") or floor(number(wish.cells, "median") + 0.5) for wish in wishes)
        outlet = number(variety, "outlet") if variety.get("outlet") else usual
        down = np.minimum(leaving.cumsum(axis=0), outlet)
        self.found.cash += np.diff(down, axis=0, prepend=0) * number(variety, "markdown_price")


def _mean_by_week(wish: Wish, asked: NDArray[np.int64]) -> dict[int, float]:
    """Return the number that a row is expected to ask for in each week."""
    total: dict[int, float] = defaultdict(float)
    for amount, times in zip(*np.unique(asked, return_counts=True), strict=True):
        for week, each in wish.by_week(int(amount)).items():
            total[week] += each * int(times) / asked.size
    return total


def merged(orders: Sequence[Mapping[str, str]]) -> list[Mapping[str, str]]:
    """Make one row of those of one variety, lab and week."""
    found: dict[tuple[str, str, str], dict[str, str]] = {}
    for row in orders:
        key = row["variety"], row.get("lab") or "", row["week"]
        if key in found:
            found[key]["quantity"] = str(int(found[key]["quantity"]) + int(row["quantity"]))
        else:
            found[key] = dict(row)
    return list(found.values())


def worst_tenth(values: Numbers) -> float:
    """Return the mean of the lowest tenth."""
    kept = values.size / 10
    return float(np.clip(kept - np.arange(values.size), 0, 1) @ np.sort(values) / kept)


def worst_tenth_error(values: Numbers) -> float:
    """Return the standard error of the mean of the lowest tenth (Manistre and Hancock 2005, North American Actuarial
    Journal 9(2), 129-156)."""
    low = np.sort(values)[: max(int(values.size / 10), 2)]
    return float(np.sqrt((low.var(ddof=1) + 0.9 * (low.mean() - low[-1]) ** 2) / (values.size / 10)))
