"""The exact values of small plans, against plants and buyers that are followed one by one.

The planner is compared with the first, so it is tested by itself.
"""

from __future__ import annotations

import numpy as np
import pytest
from enumerated_sales import SmallSeason, demand
from selling import SellingSeason
from small_windows import KINDS, small_windows
from whole_season import tables_of

import forecast

REPLICATES = 2000


@pytest.fixture(scope="module")
def read(tmp_path_factory):
    """Return the text of a season's tables."""

    def written(season):
        folder = tmp_path_factory.mktemp("made") / "season"
        forecast.write_season(season, folder)
        return tables_of(folder)

    return written


@pytest.mark.parametrize("kind", KINDS)
def test_exact_values_of_plans_are_those_of_single_plants(read, kind):
    errors, checked = [], 0
    for seed in range(10):
        tables = read(small_windows(seed, kind))
        small = SmallSeason(tables)
        rng = np.random.default_rng(seed)
        plans = [plan for plan in small.bundles("A", 16) if plan][:40]
        if not plans:
            continue
        orders = plans[int(rng.integers(len(plans)))]
        exact = small.valued(orders)
        rows = [dict(zip(("variety", "lab", "week", "quantity"), map(str, order), strict=True)) for order in orders]
        plants = SellingSeason({**tables, "orders": rows}, REPLICATES, seed)
        plants.run()
        for mine, his in (
            (exact.margin, plants.margins),
            (exact.price, plants.short),
            *((exact.missing[key], row.missing) for key, row in plants.sales.items()),
            *((chance, plants.sales[key].kept) for key, chance in exact.kept.items()),
        ):
            checked += 1
            error = np.hypot(his.std() / REPLICATES**0.5, 1 / REPLICATES)  # the second for what is too rare to be seen
            errors.append((his.mean() - mine) / error)
            assert abs(errors[-1]) < 4.5
        assert exact.sd == pytest.approx(plants.objective.std(), rel=0.12, abs=0.3)  # growing costs vary there, too
    assert checked > 20
    assert np.mean(np.abs(errors) < 2) > 0.9


def test_demand_by_a_range_has_its_percentiles():
    chances = demand({"p5": "8", "median": "12", "p95": "20"})
    numbers, each = np.array(list(chances)), np.array(list(chances.values()))
    assert each.sum() == pytest.approx(1, abs=1e-4)
    for share, number in ((0.05, 8), (0.5, 12), (0.95, 20)):
        assert each[numbers < number].sum() < share <= each[numbers <= number].sum()
