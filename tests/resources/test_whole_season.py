"""Whole seasons against plants that are counted one by one: chances, benches, hours and cash.

`whole_season` reads the tables' text and shares nothing with the package. Each named cell must agree within 3 standard
errors of the difference, the package's own from eight seeds.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from other_seasons import FEW, OWN_NAMES, SOUTHERN
from whole_season import Found, WholeSeason, tables_of
from window_seasons import OLD_DEMO

import forecast

SEEDS, DRAWS = range(1, 9), 1024


@dataclass(frozen=True)
class Compared:
    """A season counted both ways: each number by its name, from the package by seeds, and from single plants."""

    season: forecast.Season
    by_seed: dict[str, list[float]]
    plants: dict[str, np.ndarray]


def packaged(season: forecast.Season, seed: int) -> dict[str, float]:
    """Return what the package says by one seed, by name."""
    outcome = forecast.simulate(season, draws=DRAWS, seed=seed)
    flow, weeks = forecast.cash_flow(outcome), [str(week) for week in outcome.weeks]
    found = {f"chance {row.variety} {row.week}": float(row.chance) for row in outcome.targets().itertuples()}
    for place, area in zip(season.place_names, outcome.drawn.area()[0], strict=True):
        found |= {f"bench {place} {week}": value for week, value in zip(weeks, area.mean(axis=1), strict=True)}
    hours = forecast.hours_of_work(outcome).by_stage.groupby("week")["hours"].sum()
    found |= {f"hours {week}": float(hours.get(week, 0)) for week in weeks}
    found |= {f"cash {week}": value for week, value in zip(weeks, flow.cash.mean(axis=1), strict=True)}
    return found | {"margin's spread": float(flow.margin.std()), "worst tenth": flow.worst_tenth()}


def by_plants(season: forecast.Season, found: Found) -> dict[str, np.ndarray]:
    """Return what single plants give, by name, in each replicate."""
    weeks = [str(season.first_week + k) for k in range(season.weeks)]
    cells = {f"chance {variety} {week}": met for (variety, week), met in found.met.items()}
    for place, area in found.area.items():
        cells |= {f"bench {place} {week}": row for week, row in zip(weeks, area, strict=True)}
    cells |= {f"hours {week}": row for week, row in zip(weeks, found.hours, strict=True)}
    return cells | {f"cash {week}": row for week, row in zip(weeks, found.cash.cumsum(axis=0), strict=True)}


SEASONS = {"demo": (OLD_DEMO, 1500), "southern": (SOUTHERN, 3000), "own names": (OWN_NAMES, 6000), "few": (FEW, 8000)}


@pytest.fixture(scope="module", params=SEASONS)
def compared(request, tmp_path_factory):
    """Count a season both ways."""
    folder, replicates = SEASONS[request.param]
    if not isinstance(folder, Path):
        texts, folder = folder, tmp_path_factory.mktemp("season")
        for name, text in texts.items():
            (folder / name).write_text(text, "utf-8")
    season = forecast.read_season(folder)
    by_seed = [packaged(season, seed) for seed in SEEDS]
    found = WholeSeason(tables_of(folder), replicates, seed=1).run()
    return Compared(season, {name: [one[name] for one in by_seed] for name in by_seed[0]}, by_plants(season, found))


def far(compared, names, rounding=1e-6):
    """Return the cells that differ by more than 3 standard errors and rounding, with both numbers."""
    found = {}
    for name in names:
        mine, plants = compared.by_seed[name], compared.plants[name].astype(float)
        error = np.hypot(np.std(mine, ddof=1) / len(mine) ** 0.5, plants.std() / plants.size**0.5)
        if abs(np.mean(mine) - plants.mean()) > 3 * error + rounding:
            found[name] = np.mean(mine), plants.mean(), error
    return found


def named(compared, kind, every, least):
    """Return every so many of the weeks in which something of a kind is counted."""
    cells = [
        name for name in compared.by_seed if name.startswith(kind) and abs(np.mean(compared.by_seed[name])) > least
    ]
    return cells[::every]


def test_chances_of_targets_are_those_of_single_plants(compared):
    cells = named(compared, "chance", 1, -1)
    assert len(cells) == len(compared.season.targets)
    assert not far(compared, cells)


def test_benches_hold_what_single_plants_take(compared):
    cells = named(compared, "bench", 6, 0.05)
    assert len(cells) >= 5
    assert not far(compared, cells)


def test_hours_are_those_of_single_plants(compared):
    cells = named(compared, "hours", 3, 0.2)
    assert len(cells) >= 3
    assert not far(compared, cells, rounding=0.005 * 6)  # the table rounds the hours of each of at most six stages


def test_cash_and_its_worst_tenth_are_those_of_single_plants(compared):
    weeks = compared.season.weeks
    cells = [name for name in compared.by_seed if name.startswith("cash")]
    assert not far(compared, [*cells[:: weeks // 6], cells[-1]])


def test_the_margins_spread_and_worst_tenth_are_those_of_single_plants_where_there_are_many(compared):
    """Growing costs are taken at their expectation: of few plants the margin spreads up to an eighth too wide."""
    margin = np.sort(next(reversed(compared.plants.values())))
    tenth = margin[: margin.size // 10]
    many = margin.size == SEASONS["demo"][1]
    error = np.hypot(tenth.std() / tenth.size**0.5, np.std(compared.by_seed["worst tenth"], ddof=1) / len(SEEDS) ** 0.5)
    apart = abs(np.mean(compared.by_seed["worst tenth"]) - tenth.mean())
    assert apart < (3 * error if many else 0.25 * margin.std())
    spread = np.mean(compared.by_seed["margin's spread"]) / margin.std()
    assert abs(spread - 1) < (4 * (2 * margin.size) ** -0.5 if many else 0.125)


def test_a_survival_wrong_by_two_points_would_be_seen(compared):
    """The comparison can fail: the package's own numbers of a season whose first stage loses two points more."""
    season = compared.season
    (first, *_), group = season.route(season.varieties[0].variety), season.varieties[0].group
    worse = season.with_stage(group, first.stage, survival=first.stated.mean - 0.02)
    wrong = {name: [value] for name, value in packaged(worse, 1).items()}
    wrong = {name: [value * (1 + part) for part in (-1e-9, 1e-9)] for name, (value,) in wrong.items()}
    other = Compared(season, wrong, compared.plants)
    assert far(other, named(other, "cash", 1, 1))
