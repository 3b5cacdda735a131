"""A whole season once more, plant by plant, from the text of its tables and what their columns mean.

Nothing of the package is used. Every plantlet has its own vigour and its own luck in each stage; what it takes of
bench, hours and money is counted from when it enters and leaves each stage, on a calendar of Mondays.
"""

from __future__ import annotations

import csv
import tomllib
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import interpolate, optimize, special, stats

Numbers = NDArray[np.float64]
Rows = Sequence[Mapping[str, str]]
MONTHS = np.cumsum([0, 31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])  # begin on these days of a year
PHASES = (np.arange(60) + 0.5) / 60 * np.pi - np.pi / 2  # of a day, from its minimum to its maximum
SOON = 1e-9  # weeks


def tables_of(folder: Path) -> dict[str, Rows]:
    """Read a folder of tables; the cells of season.toml are the one row of the table season."""
    found: dict[str, Rows] = {}
    for path in folder.glob("*.csv"):
        lines = [line for line in path.read_text("utf-8").splitlines() if not line.startswith("#")]
        found[path.stem] = list(csv.DictReader(lines))
    header = tomllib.loads((folder / "season.toml").read_text("utf-8"))
    return found | {"season": [{key: str(value) for key, value in header.items()}]}


def number(row: Mapping[str, str], column: str, empty: float = 0.0) -> float:
    """Return the number in a cell, or what an empty or absent one means."""
    return float(row.get(column) or empty)


def monday(week: str) -> date:
    """Return the Monday of a week such as 2027-W09."""
    return date.fromisocalendar(int(week[:4]), int(week[6:]), 1)


@dataclass
class Found:
    """What is counted, each of shape (replicates,) or (weeks, replicates)."""

    met: dict[tuple[str, str], NDArray[np.bool_]] = field(default_factory=dict)
    area: dict[str, Numbers] = field(default_factory=dict)
    hours: Numbers = field(default_factory=lambda: np.zeros(0))
    cash: Numbers = field(default_factory=lambda: np.zeros(0))


class WholeSeason:
    """One season's tables, some replicates of it, and what is drawn once for all varieties."""

    def __init__(self, tables: Mapping[str, Rows], replicates: int, seed: int) -> None:
        stages = [{"stage": "growing on", "survival_level": "batch"} | {**row} for row in tables["stages"]]
        self.tables, self.replicates, self.rng = {**tables, "stages": stages}, replicates, np.random.default_rng(seed)
        self.header = tables["season"][0]
        self.first, self.weeks = monday(self.header["first_week"]), int(self.header["weeks"])
        self.scores: dict[tuple[str, ...], Numbers] = {}
        self.outside = self.weather() if tables.get("climate") else None
        self.found = Found()
        places = dict.fromkeys(row["place"] for row in tables["places"])
        self.found.area = {place: np.zeros((self.weeks, replicates)) for place in places}
        self.found.hours, self.found.cash = np.zeros((2, self.weeks, replicates))

    def normal(self) -> Numbers:
        """Draw normal numbers, one from each of as many parts of equal chance as there are replicates (McKay, Beckman
        and Conover 1979, Technometrics 21(2))."""
        parts = self.rng.permutation(self.replicates) + self.rng.random(self.replicates)
        return np.asarray(special.ndtri(parts / self.replicates))

    def at(self, week: str) -> int:
        """Return the number of a week, the first being 0."""
        return (monday(week) - self.first).days // 7

    def row_of(self, place: str, week: int) -> Mapping[str, str]:
        """Return the row of a place that is in use in a week, or its first."""
        rows = [row for row in self.tables["places"] if row["place"] == place]
        for row in rows:
            begins = self.at(row["first_week"]) if row.get("first_week") else -(10**6)
            ends = self.at(row["last_week"]) if row.get("last_week") else 10**6
            if begins <= week <= ends:
                return row
        return rows[0]

    # --- weather

    def weather(self) -> tuple[Numbers, Numbers]:
        """Draw weekly minima and maxima outside: normals, and departures that persist from week to week."""
        rows, p = self.tables["climate"], number(self.header, "persistence", 0.3)
        weeks = [self.first + timedelta(weeks=k) for k in range(self.weeks + 60)]
        columns = {name: [float(row[name]) for row in rows] for name in ("t_min", "t_max", "year_sd")}
        if "month" in rows[0] and rows[0]["month"]:
            at = [MONTHS[day.month - 1] + day.day - 1 + 3.5 for day in weeks]
            low, high, spread = (smooth(column)(np.array(at)) for column in columns.values())
            n = 365.25 / 84
            spread = spread / np.sqrt((n * (1 - p * p) - 2 * p * (1 - p**n)) / (n * (1 - p)) ** 2)
        else:
            of = [min(day.isocalendar().week, 52) - 1 for day in weeks]
            low, high, spread = (np.array(column)[of] for column in columns.values())
        departs = np.empty((len(weeks), self.replicates))
        score = self.normal()
        for k in range(len(weeks)):
            departs[k] = spread[k] * score
            score = p * score + np.sqrt(1 - p * p) * self.normal()
        return low[:, None] + departs, high[:, None] + departs

    def inside(self, place: str) -> tuple[Numbers, Numbers]:
        """Return minima and maxima of a place: warmer by some degrees, shaded, and held above by heating."""
        assert self.outside is not None
        low, high = (side.copy() for side in self.outside)
        for week in range(len(low)):
            row = self.row_of(place, week)
            warmer, shade = number(row, "warmer_by"), number(row, "shaded_by")
            low[week] = np.maximum(low[week] + warmer, number(row, "held_above", -np.inf))
            high[week] = np.maximum(high[week] + warmer - shade, low[week])
        return low, high

    def clock(self, row: Mapping[str, str]) -> Numbers | None:
        """Return the degree-days of a stage by Mondays, days running as a sine; None if it runs on weeks."""
        if row.get("runs_on", "weeks") == "weeks":
            return None
        low, high = self.inside(row["place"])
        base, upper = number(row, "base_temperature"), number(row, "upper_threshold", np.inf)
        daily = np.zeros(low.shape)
        for phase in PHASES:
            daily += np.clip((low + high) / 2 + (high - low) / 2 * np.sin(phase), base, upper) - base
        return np.concatenate([np.zeros((1, self.replicates)), 7 * daily.cumsum(axis=0) / PHASES.size])

    # --- what a batch meets

    def score(self, level: str, quantity: str, owners: Mapping[str, str]) -> Numbers:
        """Return the normal score of a quantity: the parts of its level, each shared by all that belong together."""
        words = level.split()
        parts = [(words[0], 1.0)] if len(words) == 1 else list(zip(words[::2], map(float, words[1::2]), strict=True))
        total = np.zeros(self.replicates)
        for word, part in parts:
            key = word, owners[word], quantity
            if key not in self.scores:
                self.scores[key] = self.normal()
            total += np.sqrt(part) * self.scores[key]
        return total

    def survivals(self, route: Rows, owners: Mapping[str, str], week: int) -> list[Numbers]:
        """Return the share of those entering that survives each stage of a route, in every replicate."""
        found, left, fresh = [], 1.0, True
        for row in route:
            mean, sd = survival_of(row)
            if row.get("share_of") == "original":
                mean, sd, left = 1 - (1 - mean) / left, sd / left, left - (1 - mean)
            share = np.full(self.replicates, mean)
            if sd > 0 and row["survival_level"] != "plant":
                size = mean * (1 - mean) / sd**2 - 1
                u = special.ndtr(self.score(row["survival_level"], f"survival in {row['stage']}", owners))
                share = stats.beta.ppf(u, mean * size, (1 - mean) * size)
            timeless = number(row, "typical") == 0
            if fresh and (row.get("cold_below") or row.get("heat_above")):
                share = special.expit(special.logit(share) - self.harm(row, week, outside=timeless))
            fresh = fresh and timeless
            found.append(share)
        return found

    def harm(self, row: Mapping[str, str], week: int, *, outside: bool) -> Numbers:
        """Return the log-odds by which cold and heat lower a survival: of the week of delivery, or of the first two."""
        assert self.outside is not None
        low, high = self.outside if outside else self.inside(row["place"])
        weeks = slice(week, week + (1 if outside else 2))
        cold = number(row, "cold_loss") * np.maximum(number(row, "cold_below", -np.inf) - low[weeks], 0)
        heat = number(row, "heat_loss") * np.maximum(high[weeks] - number(row, "heat_above", np.inf), 0)
        return np.asarray((cold + heat).mean(axis=0))

    # --- plants

    def grow(self, variety: Mapping[str, str], order: Mapping[str, str], batch: str) -> Numbers:
        """Grow every plant of a delivery; count its bench, hours and costs; return those saleable by week for the first
        time, shape (weeks, replicates)."""
        own = [row for row in self.tables["stages"] if row["applies_to"] == variety["variety"]]
        route = own or [row for row in self.tables["stages"] if row["applies_to"] == variety["group"]]
        start, shape = self.at(order["week"]), (self.replicates, int(order["quantity"]))
        owners = {"season": "", "variety": variety["variety"], "batch": batch, "belief": route[0]["applies_to"]}
        vigour = self.rng.standard_normal(shape)
        alive, now = np.ones(shape, dtype=bool), np.full(shape, float(start))
        for row, survival in zip(route, self.survivals(route, owners, start), strict=True):
            self.entered(row, alive, now)
            typical = number(row, "typical") * np.ones(self.replicates)
            if typical.any() and number(row, "batches_cv"):
                wide = np.sqrt(np.log(1 + number(row, "batches_cv") ** 2))
                typical = typical * np.exp(wide * self.score(row["time_level"], f"time in {row['stage']}", owners))
            needs = typical[:, None] * np.exp(np.sqrt(np.log(1 + number(row, "plants_cv") ** 2)) * vigour)
            lost_at = self.rng.random(shape) if not typical.any() else self.rng.exponential(size=shape)
            if typical.any():  # losses come evenly over the time of the stage
                hazard = -np.log(survival)[:, None]
                dies = lost_at < hazard
                part = np.where(dies, lost_at / np.maximum(hazard, 1e-12), 1)
            else:
                dies, part = lost_at >= survival[:, None], np.zeros(shape)
            clock = self.clock(row) if typical.any() else None
            dead, through = (after(clock, now, needs * share) for share in (part, np.ones(shape)))
            until = np.where(dies, dead, through)
            if typical.any():
                self.occupied(row, alive, now, until)
            alive &= ~dies
            now = np.where(alive, through, np.inf)
        return self.tally(alive, now, np.ceil)

    def tally(self, alive: NDArray[np.bool_], when: Numbers, rounding: np.ufunc) -> Numbers:
        """Count plants by week in every replicate, shape (weeks, replicates)."""
        counted = alive & np.isfinite(when)
        week = rounding(
            np.where(counted, when, self.weeks) - SOON * (rounding is np.ceil) + SOON * (rounding is np.floor)
        )
        week = np.clip(week, 0, self.weeks).astype(np.intp)
        flat = (np.arange(self.replicates)[:, None] * (self.weeks + 1) + week)[counted]
        counts = np.bincount(flat, minlength=self.replicates * (self.weeks + 1))
        return counts.reshape(self.replicates, -1)[:, :-1].T.astype(np.float64)

    def entered(self, row: Mapping[str, str], alive: NDArray[np.bool_], now: Numbers) -> None:
        plants = self.tally(alive, now, np.floor)
        hours = plants * number(row, "minutes") / 60
        self.found.hours += hours
        self.found.cash -= hours * number(self.header, "hourly_wage") + plants * (
            number(row, "cost") + number(row, "materials")
        )

    def occupied(self, row: Mapping[str, str], alive: NDArray[np.bool_], now: Numbers, until: Numbers) -> None:
        come, gone = self.tally(alive, now, np.ceil), self.tally(alive, until, np.ceil)
        self.bench(row, (come - gone).cumsum(axis=0))

    def bench(self, row: Mapping[str, str], plants: Numbers) -> None:
        """Count plants that are in a stage on each Monday, shape (weeks, replicates)."""
        area = plants / float(row["plants_per_m2"])
        self.found.area[row["place"]] += area
        rent = [number(self.row_of(row["place"], week), "cost_per_m2_week") for week in range(self.weeks)]
        self.found.cash -= area * np.array(rent)[:, None]

    # --- sale

    def sell(self, variety: Mapping[str, str], fresh: Numbers, last_stage: Mapping[str, str]) -> None:
        """Sell each target in its week, the oldest first; what leaves unsold is marked down, as many as targets ask."""
        name, price = variety["variety"], number(variety, "sale_price")
        keeps = int(number(variety, "saleable_weeks", 10**6))
        targets = {self.at(row["week"]): row for row in self.tables["targets"] if row["variety"] == name}
        last = max(targets, default=0)
        ages, standing = np.zeros(fresh.shape), np.zeros(fresh.shape)  # those left of each week's fresh plants
        leaving = np.zeros(fresh.shape)
        for week in range(self.weeks):
            ages[week] = fresh[week]
            if week >= keeps:
                leaving[week] += ages[week - keeps]
                ages[week - keeps] = 0
            if week in targets:
                row = targets[week]
                wanted = self.demand(row)
                self.found.met[name, row["week"]] = ages.sum(axis=0) >= wanted
                before = ages.cumsum(axis=0) - ages
                sold = np.clip(wanted - before, 0, ages)
                ages -= sold
                fall, lowest = number(variety, "yearly_fall"), number(variety, "lowest_price")
                self.found.cash[week] += sold.sum(axis=0) * (lowest + (price - lowest) * (1 - fall) ** (week / 52))
            if week >= last:
                leaving[week] += ages.sum(axis=0)
                ages[:] = 0
            standing[week] = ages.sum(axis=0)
        self.bench(last_stage, standing)
        asked = sum(number(row, "target") or number(row, "median") for row in targets.values())
        down = np.minimum(leaving.cumsum(axis=0), asked)
        self.found.cash += np.diff(down, axis=0, prepend=0) * number(variety, "markdown_price")

    def demand(self, row: Mapping[str, str]) -> Numbers:
        """Draw how many plants customers ask for: a number, or a range whose logarithm is normal on either side."""
        if row["target"]:
            return np.full(self.replicates, float(row["target"]))
        low, median, high = (float(row[name]) for name in ("p5", "median", "p95"))
        score = self.rng.standard_normal(self.replicates)
        width = np.where(score < 0, np.log(median / low), np.log(high / median)) / stats.norm.ppf(0.95)
        return np.round(median * np.exp(width * score))

    # --- what labs are paid

    def buy(self) -> None:
        """Pay deposits in the first week, balances and freight on delivery; plants of one lab and week share boxes."""
        boxes: dict[tuple[str, int, float, float], int] = defaultdict(int)
        for order in self.tables["orders"]:
            quantity, week = int(order["quantity"]), self.at(order["week"])
            every = [self.unit_price(lines, quantity) for lines in self.price_lists(order)]
            chosen, unit, _ = min(every, key=lambda one: one[2])
            deposit = unit * quantity * number(chosen, "deposit")
            self.found.cash[0] -= deposit
            self.found.cash[week] -= unit * quantity - deposit
            freight, holds = number(chosen, "freight_per_box"), number(chosen, "plants_per_box", 1)
            boxes[chosen["lab"], week, freight, holds] += quantity
        for (_, week, freight, holds), plants in boxes.items():
            self.found.cash[week] -= freight * np.ceil(plants / holds)

    def price_lists(self, order: Mapping[str, str]) -> list[Rows]:
        """Return the lines that sell an order, those that differ in their breaks alone together."""
        lists: dict[tuple[str | None, str | None], list[Mapping[str, str]]] = defaultdict(list)
        for row in self.tables["price_list"]:
            fits = self.at(row["first_week"]) <= self.at(order["week"]) <= self.at(row["last_week"])
            if row["variety"] == order["variety"] and row["lab"] == order["lab"] and fits:
                lists[row.get("form"), row.get("plants_per_box")].append(row)
        return list(lists.values())

    @staticmethod
    def unit_price(lines: Rows, quantity: int) -> tuple[Mapping[str, str], float, float]:
        """Return the line whose price break a quantity reaches, its price, and what the order costs."""
        reached = max((row for row in lines if number(row, "from_quantity", 1) <= quantity), key=break_of)
        price = number(reached, "unit_price")
        full = number(reached, "freight_per_box") * np.ceil(quantity / number(reached, "plants_per_box", 1))
        return reached, price, price * quantity + full

    def run(self) -> Found:
        """Grow and sell everything."""
        self.found.cash -= number(self.header, "fixed_costs") / self.weeks
        self.buy()
        for variety in self.tables["varieties"]:
            orders = [row for row in self.tables["orders"] if row["variety"] == variety["variety"]]
            fresh = np.zeros((self.weeks, self.replicates))
            for k, order in enumerate(orders):
                fresh += self.grow(variety, order, f"{variety['variety']} {k}")
            own = [row for row in self.tables["stages"] if row["applies_to"] == variety["variety"]]
            route = own or [row for row in self.tables["stages"] if row["applies_to"] == variety["group"]]
            if orders or any(row["variety"] == variety["variety"] for row in self.tables["targets"]):
                self.sell(variety, fresh, route[-1])
        return self.found


def break_of(row: Mapping[str, str]) -> float:
    """Return the quantity from which a line's price holds."""
    return number(row, "from_quantity", 1)


def after(clock: Numbers | None, now: Numbers, needs: Numbers) -> Numbers:
    """Return when plants have what they need: of weeks, or of a clock known by Mondays, in each replicate."""
    if clock is None:
        return now + needs
    weeks, found = np.arange(len(clock)), np.full(now.shape, np.inf)
    for i, shows in enumerate(clock.T):
        come = np.isfinite(now[i])
        target = np.interp(now[i][come], weeks, shows) + needs[i][come]
        rising = shows + 1e-9 * weeks  # so that each reading has one time
        found[i][come] = np.where(target > shows[-1], np.inf, np.interp(target, rising, weeks))
    return found


def smooth(values: Sequence[float]) -> interpolate.BSpline | interpolate.PPoly:
    """Return a periodic curve whose mean over each month is its value: the slope of a spline through the sums."""
    sums = np.concatenate([[0], np.cumsum(np.array(values) * np.diff(MONTHS))])
    mean = sums[-1] / MONTHS[-1]
    turns = sums - mean * MONTHS
    turns[-1] = turns[0]  # but for rounding
    beyond = interpolate.CubicSpline(MONTHS, turns, bc_type="periodic")

    def curve(day: Numbers) -> Numbers:
        return mean + (beyond((day + 3.5) % MONTHS[-1]) - beyond((day - 3.5) % MONTHS[-1])) / 7

    return curve


def survival_of(row: Mapping[str, str]) -> tuple[float, float]:
    """Return mean and standard deviation of a survival that is stated in one of three ways."""
    if row.get("of"):
        posterior = stats.beta(int(row["survived"]) + 0.5, int(row["of"]) - int(row["survived"]) + 0.5)
        return float(posterior.mean()), float(posterior.std())
    if row.get("survival_p5"):
        ends = [float(row["survival_p5"]), float(row["survival_p95"])]

        def miss(logs: Numbers) -> Numbers:
            return np.asarray(stats.beta.cdf(ends, *np.exp(logs)) - [0.05, 0.95])

        law = stats.beta(*np.exp(optimize.least_squares(miss, np.log([8, 2]), xtol=1e-12, ftol=1e-12, gtol=1e-12).x))
        return float(law.mean()), float(law.std())
    return number(row, "survival"), number(row, "survival_sd")
