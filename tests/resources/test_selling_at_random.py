"""Random seasons that sell over weeks, against plants and buyers counted one by one.

`selling` reads the tables' text and shares nothing with the package. Over all seasons the differences must be as small
as chance makes them.
"""

import numpy as np
import pytest
from random_windows import random_windows
from selling import SellingSeason, worst_tenth, worst_tenth_error
from whole_season import tables_of

import forecast

SEASONS, REPLICATES, DRAWS, SEEDS = range(100, 110), 500, 1024, (1, 2, 3, 4)


def some_orders(season, rng):
    """Return one or two deliveries of each variety, of about what is asked for."""
    rows = []
    for name in season.targeted:
        line = season.price_lines(name)[0]
        asked = sum(row.median_demand for row in season.targets_of(name))
        for _ in range(int(rng.integers(1, 3))):
            week = line.first_week + int(rng.integers(0, line.last_week - line.first_week + 1))
            number = max(line.minimum, int(asked * rng.uniform(0.4, 1)))
            number = -(-number // line.multiple) * line.multiple
            rows.append({"variety": name, "lab": line.lab, "week": str(week), "quantity": number})
    return tuple(rows)


def packaged(season, seed):
    """Return margin, margin less the price of being short, and worst tenth; then what is sold and missing by row.

    And how much each varies from draw to draw.
    """
    outcome = forecast.simulate(season, draws=DRAWS, seed=seed)
    flow, short, rows = forecast.cash_flow(outcome), np.zeros(DRAWS), []
    for name in season.targeted:
        sold = outcome.sold(name)
        for at, row in enumerate(season.targets_of(name)):
            short += season.short_cost_of(row) * sold.missing(at)
            rows += [sold.total(at), sold.missing(at)]
    objective = flow.margin - short
    values = [flow.margin.mean(), objective.mean(), flow.worst_tenth(), *(numbers.mean() for numbers in rows)]
    return values, [flow.margin.std(), objective.std(), 0.0, *(numbers.std() for numbers in rows)]


def by_plants(season, counted):
    """Return the same numbers and their standard errors from single plants and buyers."""
    margins, objective = counted.margins, counted.objective
    rows = [
        numbers
        for name in season.targeted
        for row in season.targets_of(name)
        for sales in [counted.sales[name, str(row.week), row.channel or ""]]
        for numbers in (sales.sold, sales.missing)
    ]
    values = [margins.mean(), objective.mean(), worst_tenth(margins), *(numbers.mean() for numbers in rows)]
    spread = [numbers.std() / REPLICATES**0.5 for numbers in (margins, objective, *rows)]
    return values, [*spread[:2], worst_tenth_error(margins), *spread[2:]]


@pytest.fixture(scope="module")
def apart(tmp_path_factory):
    """Return the differences in standard errors, season by season."""
    found = []
    for number in SEASONS:
        season = random_windows(number)
        season = season.replace(orders=some_orders(season, np.random.default_rng(number)))
        folder = tmp_path_factory.mktemp("made") / "season"
        forecast.write_season(season, folder)
        counted = SellingSeason(tables_of(folder), REPLICATES, number)
        counted.run()
        mine, spread = (np.array(numbers) for numbers in zip(*(packaged(season, seed) for seed in SEEDS), strict=True))
        values, errors = by_plants(season, counted)
        errors = np.maximum(errors, spread.mean(axis=0) / REPLICATES**0.5)  # plants may not have met what is rare
        both = np.hypot(mine.std(axis=0, ddof=1) / len(SEEDS) ** 0.5, np.maximum(errors, 1e-6))
        found.append((mine.mean(axis=0) - values) / both)
    return found


def test_margins_and_the_price_of_being_short_are_those_of_single_plants(apart):
    every = np.array([one[:3] for one in apart])
    assert np.abs(every).max() < 4
    assert (every**2).mean() < 1.5


def test_what_each_row_gets_is_what_single_buyers_get(apart):
    every = np.concatenate([one[3:] for one in apart])
    assert every.size > 60
    assert np.abs(every).max() < 4.5
    assert (every**2).mean() < 1.5
