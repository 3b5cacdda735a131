"""What plants sell for at most: against a linear program of all sales, and under its tangent planes."""

from itertools import product

import numpy as np
import pytest
from random_orders import competing
from scipy.optimize import linprog

from forecast.growth.simulation import season_streams
from forecast.worth.columns import Ways
from forecast.worth.concave import Income, Plants


@pytest.mark.parametrize("seed", range(40))
def test_what_plants_sell_for_at_most_is_the_best_of_all_ways_to_sell_them(seed):
    """A linear program over cohorts and buyers, whatever prices do; buyers wait, and plants have a shelf life."""
    rng = np.random.default_rng(seed)
    weeks, rows, waits = int(rng.integers(1, 7)), int(rng.integers(1, 4)), int(rng.integers(0, 3))
    life = [None, 1, 2, 4][rng.integers(4)]
    fresh = rng.uniform(0, 10, weeks + 3) * (rng.random(weeks + 3) < 0.6)
    ready, past = np.cumsum(fresh)[:weeks], np.zeros(weeks)
    if life is not None and life < weeks:
        past[life:] = ready[:-life]
    asked = [np.round(rng.uniform(0, 8, (weeks, 1)) * (rng.random((weeks, 1)) < 0.7)) + (t == 0) for t in range(rows)]
    worth, down, outlet = rng.uniform(3, 9, (rows, weeks)).round(1), rng.uniform(0, 3), rng.uniform(0, 10)
    income = Income.of(asked, worth, [waits] * rows, down, outlet)
    plants = Plants(ready[:, None], past[:, None], np.array([fresh.sum()]))
    sales = [
        (cohort, row, week)
        for cohort, row, week in product(range(weeks + 3), range(rows), range(weeks))
        if any(
            cohort <= at and (life is None or at < cohort + life)
            for at in range(week, min(week + waits, weeks - 1) + 1)
        )
    ]
    limits = [[float(one[0] == cohort) for one in sales] + [float(k == cohort) for k in range(weeks + 3)]
              for cohort in range(weeks + 3)]  # fmt: skip
    limits += [
        [float(one[1:] == (row, week)) for one in sales] + [0.0] * (weeks + 3)
        for row, week in product(range(rows), range(weeks))
    ]
    limits.append([0.0] * len(sales) + [1.0] * (weeks + 3))
    there = [*fresh, *(float(asked[row][week, 0]) for row, week in product(range(rows), range(weeks))), outlet]
    prices = [-worth[row, week] for _, row, week in sales] + [-down] * (weeks + 3)
    solved = linprog(prices, A_ub=limits, b_ub=there)
    assert income.at(plants)[0][0] == pytest.approx(-solved.fun, abs=1e-7)
    value, slope = income.plane(plants, np.ones(1))
    assert value == pytest.approx(-solved.fun, abs=1e-7)
    other = Plants(*(one + rng.uniform(0, 3) for one in plants))
    above = value + sum(float(np.vdot(part, b - a)) for part, a, b in zip(slope, plants, other, strict=True))
    assert income.at(other)[0][0] <= above + 1e-7


@pytest.mark.parametrize("seed", range(12))
def test_planes_lie_above_what_any_plants_sell_for(seed):
    plan = competing(seed, 1, 2)
    ways = Ways(plan, season_streams(1024, 1), plan.targeted[0])
    even, rng = np.full(1024, 1 / 1024), np.random.default_rng(seed)
    rent = ways.rent(even)

    def some():
        return {at: float(rng.uniform(30, 300)) for at in range(len(ways.ways)) if rng.random() < 0.7}

    every = [(plants, *ways.plane(plants, ways.worth, even, rent)) for plants in (some() for _ in range(20))]
    most = max(value for _, value, _ in every)
    for (plants, value, slope), (other, there, _) in product(every, every):
        above = value + sum(slope[at] * (other.get(at, 0) - plants.get(at, 0)) for at in {*plants, *other})
        assert there <= above + 2e-3 * most  # in expectation never; in a thousand draws nearly
