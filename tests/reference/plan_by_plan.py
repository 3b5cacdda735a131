"""Whole orders plan by plan: sales cohort by cohort, boxes, benches and the worst tenth, every combination tried."""

from __future__ import annotations

import itertools
import math
from collections import defaultdict

import numpy as np
from scipy import stats

import forecast
from forecast.growth.simulation import draw_fate, season_streams
from forecast.growth.stock import drawn_demand

NEAR = 1e-9


def accepted(rows, quantity):
    """Say whether a lab accepts a quantity of one price list."""
    reached = [row for row in rows if row.from_quantity <= quantity]
    row = max(reached, key=lambda one: one.from_quantity, default=None)
    return row is not None and quantity >= row.minimum and quantity % row.multiple == 0


def line(rows, quantity):
    """Return the line of a price list that an order falls under."""
    return max((row for row in rows if row.from_quantity <= quantity), key=lambda one: one.from_quantity)


def lists(season, variety):
    """Return the price lists for a variety, by lab; each lab has one."""
    found = defaultdict(list)
    for row in season.price_list:
        if row.variety == variety:
            found[row.lab].append(row)
    return dict(found)


def deliveries(season, rows, last):
    """Return the weeks in which a lab can deliver."""
    first = max(rows[0].first_week, season.first_week + rows[0].lead_weeks)
    return [first + i for i in range(min(rows[0].last_week, last) - first + 1)]


def freight(season, orders):
    """Return the freight of orders: plants of one lab in one week share boxes of one size and price."""
    filled = defaultdict(int)
    for variety, lab, week, quantity in orders:
        row = line(lists(season, variety)[lab], quantity)
        if row.plants_per_box:
            filled[lab, week, row.freight_per_box, row.plants_per_box] += quantity
    return sum(box[2] * -(-plants // box[3]) for box, plants in filled.items())


def worst_tenth(values):
    """Return the mean of the lowest tenth along the last axis; the last of them may count in part."""
    share = np.clip(0.1 * values.shape[-1] - np.arange(values.shape[-1]), 0, 1)
    return np.sort(values, axis=-1) @ share / share.sum()


def fullest(area):
    """Return the mean of the highest tenth along the last axis, of the first 512 draws."""
    area = area[..., :512]
    return np.sort(area, axis=-1)[..., -max(round(area.shape[-1] / 10), 1) :].mean(axis=-1)


def benches(season):
    """Return the bench of every place and week."""
    weeks = [season.first_week + i for i in range(season.weeks)]
    return np.array([season.bench(place, week) for place in season.place_names for week in weeks])


def sold(cohorts, life, demand):
    """Sell up to the demand, the oldest plants first.

    Cohorts are plants by the week in which they become ready, shape (..., weeks, draws); ``demand`` is plants by week.
    Return what is sold by week, and what is on hand after the sale of every week.
    """
    left, sales, standing = np.array(cohorts), {}, np.zeros(cohorts.shape)
    for week in range(cohorts.shape[-2]):
        oldest = 0 if life is None else max(week - life + 1, 0)
        if week in demand:
            lacking = np.broadcast_to(demand[week], left[..., 0, :].shape).copy()
            for age in range(oldest, week + 1):
                taken = np.minimum(left[..., age, :], lacking)
                left[..., age, :] -= taken
                lacking -= taken
            sales[week] = demand[week] - lacking
        standing[..., week, :] = left[..., oldest : week + 1, :].sum(axis=-2)
    return sales, standing


class Grown:
    """A plantlet of one delivery: cohorts, area, and what stages, work and bench cost."""

    def __init__(self, season, variety, fate, week, last):
        route, weeks = season.route(variety), np.arange(season.weeks)
        elapsed = (weeks - (week - season.first_week)).astype(float)
        standing, ready = fate.course(elapsed)
        self.cohorts = np.diff(ready, axis=0, prepend=0)
        life, until = season.variety(variety).saleable_weeks, last - season.first_week
        kept = sold(self.cohorts, life, {})[1]
        kept[until:] = 0
        places, self.bench = list(season.place_names), np.zeros(ready.shape[1])
        self.area = np.zeros((len(places), season.weeks, ready.shape[1]))
        self.rent = np.zeros(season.weeks)  # of a saleable plant
        for stage, plants in [*zip(route, standing, strict=True), (route[-1], kept)]:
            here = plants / stage.plants_per_m2
            self.area[places.index(stage.place)] += here
            rent = [season.place_in(stage.place, season.first_week + int(i)).cost_per_m2_week for i in weeks]
            self.bench += np.array(rent) @ here
            self.rent = np.array(rent) / stage.plants_per_m2
        self.rent[until:] = 0
        self.area = self.area.reshape(-1, ready.shape[1])
        end = np.array([season.last_week - week + 1 - 1e-6])
        self.stages = sum(
            (stage.cost + stage.minutes / 60 * season.hourly_wage) * fate.reached[k] * fate.past(k, end)[0]
            for k, stage in enumerate(route)
        )


def margins(season, streams, variety, parts):
    """Return the margin without freight, and what deliveries of a variety cost, for arrays of quantities.

    ``parts`` are plantlets, their price lists, and quantities, shape (n,). Return the margin, shape (n, draws), and the
    expected cost, shape (n,). The bench without sales is expected over the draws, what sales save of it is not.
    """
    own, target = season.variety(variety), season.targets_of(variety)
    demand = {row.week - season.first_week: drawn_demand(streams, row) for row in target}
    cohorts = sum(np.array(quantities)[:, None, None] * grown.cohorts for grown, _, quantities in parts)
    _, unsold = sold(cohorts, own.saleable_weeks, {})
    sales, standing = sold(cohorts, own.saleable_weeks, demand)
    saved = np.einsum("w,nwd->nd", parts[0][0].rent, unsold - standing)
    income = sum(own.price(week) * number for week, number in sales.items())
    left = cohorts.sum(axis=1) - sum(sales.values())
    income = income + (own.markdown_price or 0) * np.minimum(left, sum(row.median_demand for row in target))
    outlay, expected = -saved, 0.0
    for grown, rows, quantities in parts:
        paid = np.array([n * line(rows, n).unit_price for n in quantities])
        each = grown.stages + grown.bench.mean()
        outlay = outlay + paid[:, None] + np.array(quantities)[:, None] * each
        expected = expected + paid + np.array(quantities) * each.mean()
    return income - outlay, expected


class Plans:
    """Every plan of a small season, one bundle of each item or none, and which is best."""

    def __init__(self, season, items):
        self.season = season
        self.items = items  # lists of (orders, margin, cost, area)
        self.margin = [np.array([one[1] for one in columns]) for columns in items]
        self.cost = [np.array([one[2] for one in columns]) for columns in items]
        self.area = [np.array([one[3] for one in columns]) for columns in items]
        boxes = sorted({box for columns in items for one in columns for box in self._boxes(one[0])}, key=str)
        sizes = [np.array([[self._boxes(one[0]).get(b, 0) for b in boxes] for one in columns]) for columns in items]
        every = np.meshgrid(*(np.arange(len(columns)) for columns in items), indexing="ij")
        self.combos = np.stack([part.ravel() for part in every], axis=1)
        self.freight = np.zeros(len(self.combos))
        for at, box in enumerate(boxes):
            plants = sum(size[self.combos[:, i], at] for i, size in enumerate(sizes))
            self.freight += box[2] * np.ceil(plants / box[3] - NEAR)
        self.value = sum(part.mean(axis=1)[self.combos[:, i]] for i, part in enumerate(self.margin)) - self.freight
        self.spent = sum(part[self.combos[:, i]] for i, part in enumerate(self.cost)) + self.freight

    def _boxes(self, orders):
        found = defaultdict(int)
        for variety, lab, week, quantity in orders:
            row = line(lists(self.season, variety)[lab], quantity)
            if row.plants_per_box and row.freight_per_box:
                found[lab, week, row.freight_per_box, row.plants_per_box] += quantity
        return found

    def bad(self, at):
        """Return the mean margin of the worst tenth of seasons of some plans."""
        some = self.combos[at]
        total = sum(part[some[:, i]] for i, part in enumerate(self.margin)) - self.freight[at][:, None]
        return worst_tenth(total)

    def full(self, at):
        """Return the area in the fullest tenth of draws of some plans, shape (plans, places * weeks)."""
        some = self.combos[at]
        return fullest(sum(part[some[:, i]] for i, part in enumerate(self.area)))

    def best(self, *, budget=math.inf, bench=math.inf, floor=-math.inf):
        """Return the number of the best plan within limits; None if there is none."""
        order = np.argsort(-self.value, kind="stable")
        order = order[self.spent[order] <= budget * (1 + NEAR)]
        for start in range(0, order.size, 256):
            some = order[start : start + 256]
            fits = (self.full(some) <= bench * (1 + 1e-6)).all(axis=1)
            if floor > -math.inf:
                fits &= self.bad(some) >= floor - 1e-6 * max(abs(floor), 1)
            if fits.any():
                return int(some[np.argmax(fits)])
        return None

    def orders(self, number):
        """Return the orders of a plan."""
        chosen = zip(self.items, self.combos[number], strict=True)
        return [order for columns, at in chosen for order in columns[at][0]]


def every_margin(season, draws, seed, most, quantities):
    """Return every plan of a season for the aim of margin, with quantities up to a number."""
    streams = season_streams(draws, seed)
    nothing = ((), np.zeros(draws), 0.0, np.zeros((len(season.place_names) * season.weeks, draws)))
    items = []
    for variety in season.targeted:
        last = season.targets_of(variety)[-1].week
        price_lists = lists(season, variety)
        ways = [(week, lab) for lab, rows in price_lists.items() for week in deliveries(season, rows, last)]
        orderable = {
            lab: [n for n in range(1, quantities + 1) if accepted(rows, n)] for lab, rows in price_lists.items()
        }
        grown = {
            (number, week): Grown(season, variety, draw_fate(season, streams, variety, number, week), week, last)
            for number in range(1, most + 1)
            for week, _ in ways
        }
        columns = [nothing]
        chosen = [(way,) for way in ways]
        chosen += [pair for pair in itertools.product(ways, ways) if pair[0] < pair[1]] if most == 2 else []
        for several in chosen:
            sizes = list(itertools.product(*(orderable[lab] for _, lab in several)))
            parts = [
                (grown[number, week], price_lists[lab], [size[number - 1] for size in sizes])
                for number, (week, lab) in enumerate(several, start=1)
            ]
            margin, cost = margins(season, streams, variety, parts)
            for at, size in enumerate(sizes):
                orders = tuple((variety, lab, week, n) for (week, lab), n in zip(several, size, strict=True))
                area = sum(
                    n * grown[k, week].area for k, ((week, _), n) in enumerate(zip(several, size, strict=True), 1)
                )
                columns.append((orders, margin[at], cost[at], area))
        items.append(columns)
    return Plans(season, items)


def every_cost(season, draws, seed, quantities):
    """Return every plan of a season that meets each target at its service level by a delivery of its own."""
    streams = season_streams(draws, seed)
    items = []
    for variety in season.targeted:
        for number, row in enumerate(season.targets_of(variety), start=1):
            demand, columns = drawn_demand(streams, row), []
            for lab, rows in lists(season, variety).items():
                for week in deliveries(season, rows, row.week):
                    fate = draw_fate(season, streams, variety, number, week)
                    grown = Grown(season, variety, fate, week, row.week)
                    kept = sold(grown.cohorts, season.variety(variety).saleable_weeks, {})[1]
                    share = np.clip(kept[row.week - season.first_week], 0, 1)
                    reached = fate.reached[:-1].mean(axis=1)
                    stages = sum(
                        (stage.cost + stage.minutes / 60 * season.hourly_wage) * part
                        for stage, part in zip(season.route(variety), reached, strict=True)
                    )
                    until = row.week - season.first_week
                    rents = _rents(season, variety, fate, week, until)
                    for n in (n for n in range(1, quantities + 1) if accepted(rows, n)):
                        if stats.binom.sf(np.ceil(demand) - 1, n, share).mean() >= (
                            row.promised or season.service_level
                        ):
                            cost = n * (line(rows, n).unit_price + stages + rents)
                            order = (variety, lab, week, n)
                            columns.append(((order,), np.full(draws, -cost), cost, n * grown.area))
            items.append(columns)
    return Plans(season, items)


def _rents(season, variety, fate, week, until):
    """Return what the bench of a plantlet costs until a week, none sold before."""
    grown = Grown(season, variety, fate, week, season.first_week + until)
    cut = grown.area.reshape(len(season.place_names), season.weeks, -1)[:, :until].mean(axis=2)
    costs = [
        [season.place_in(place, season.first_week + i).cost_per_m2_week for i in range(until)]
        for place in season.place_names
    ]
    return float((cut * np.array(costs)).sum())


def broken(season, orders, *, draws, seed, deliveries_each=2, floor=None):
    """List the limits that a plan of greatest margin breaks; nothing if it keeps all. Also give its margin by draw."""
    faults, total, expected = [], np.zeros(draws), 0.0
    streams = season_streams(draws, seed)
    area = np.zeros((len(season.place_names) * season.weeks, draws))
    ordered = [(row.variety, row.lab, row.week, row.quantity) for row in orders]
    outcome = forecast.simulate(season, orders, draws=draws, seed=seed) if orders else None
    for variety in dict.fromkeys(order[0] for order in ordered):
        own = [order for order in ordered if order[0] == variety]
        last = season.targets_of(variety)[-1].week
        if len(own) > deliveries_each:
            faults.append(f"{variety}: {len(own)} deliveries")
        if len({order[1:3] for order in own}) < len(own):
            faults.append(f"{variety}: two from one lab in one week")
        parts = []
        for batch in [one for one in outcome.batches if one.variety == variety]:
            rows = lists(season, variety)[batch.lab]
            if batch.week not in deliveries(season, rows, last):
                faults.append(f"{variety}: {batch.lab} does not deliver in {batch.week}")
            if not accepted(rows, batch.quantity):
                faults.append(f"{variety}: {batch.lab} does not accept {batch.quantity}")
            grown = Grown(season, variety, outcome.fate(batch), batch.week, last)
            area += batch.quantity * grown.area
            parts.append((grown, rows, [batch.quantity]))
        margin, cost = margins(season, streams, variety, parts)
        total, expected = total + margin[0], expected + cost[0]
    boxes = freight(season, ordered)
    total, expected = total - boxes, expected + boxes
    if season.budget is not None and expected > season.budget * (1 + 1e-6):
        faults.append(f"costs {expected} of {season.budget}")
    over = fullest(area) - benches(season)
    if (over > 2e-6 * np.maximum(benches(season), 1)).any():
        faults.append(f"stands on {over.max()} m² too much")
    if floor is not None and worst_tenth(total) < floor - 2e-6 * max(abs(floor), 1):
        faults.append(f"makes {worst_tenth(total)} in the worst tenth, not {floor}")
    return faults, total
