"""Whole seasons that sell over weeks and channels, with promises, against plants and buyers counted one by one.

`selling` reads the tables' text and shares nothing with the package. Each named number must agree within 3 standard
errors of the difference, the package's own from eight seeds.
"""

import warnings
from typing import NamedTuple

import numpy as np
import pytest
from selling import SellingSeason, worst_tenth, worst_tenth_error
from whole_season import tables_of
from window_seasons import SELLING, written

import forecast

SEEDS, DRAWS, REPLICATES = range(1, 9), 1024, 4000


class Number(NamedTuple):
    """A number and its standard error."""

    value: float
    error: float


Numbers = dict[str, Number]


def packaged(season: forecast.Season, seed: int) -> dict[str, float]:
    """Return what the package says by one seed, by name."""
    outcome = forecast.simulate(season, draws=DRAWS, seed=seed)
    flow, weeks = forecast.cash_flow(outcome), [str(week) for week in outcome.weeks]
    found, short = {}, np.zeros(DRAWS)
    for name in season.targeted:
        sold, chances = outcome.sold(name), outcome.targets(name)["chance"]
        for at, row in enumerate(season.targets_of(name)):
            key = f"{name} {row.week} {row.channel or ''}"
            found |= {f"chance {key}": float(chances.iloc[at]), f"sold {key}": float(sold.total(at).mean())}
            found |= {f"missing {key}": float(sold.missing(at).mean()), f"few {key}": worst_tenth(sold.total(at))}
            short += season.short_cost_of(row) * sold.missing(at)
    for place, area in zip(season.place_names, outcome.drawn.area()[0], strict=True):
        found |= {f"bench {place} {week}": value for week, value in zip(weeks, area.mean(axis=1), strict=True)}
    found |= {f"cash {week}": value for week, value in zip(weeks, flow.cash.mean(axis=1), strict=True)}
    found |= {"margin": float(flow.margin.mean()), "objective": float((flow.margin - short).mean())}
    return found | {"worst tenth": flow.worst_tenth(), "spread": float(flow.margin.std())}


def by_plants(season: forecast.Season, counted: SellingSeason) -> Numbers:
    """Return what single plants and buyers give, by name."""
    weeks = [str(season.first_week + k) for k in range(season.weeks)]
    found = {}
    for (name, week, channel), sales in counted.sales.items():
        key, sold = f"{name} {week} {channel}", sales.sold.astype(float)
        found |= {f"chance {key}": mean(sales.kept.astype(float)), f"sold {key}": mean(sold)}
        found |= {f"missing {key}": mean(sales.missing.astype(float))}
        found |= {f"few {key}": Number(worst_tenth(sold), worst_tenth_error(sold))}
    for place, area in counted.found.area.items():
        found |= {f"bench {place} {week}": mean(row) for week, row in zip(weeks, area, strict=True)}
    cash = counted.found.cash.cumsum(axis=0)
    found |= {f"cash {week}": mean(row) for week, row in zip(weeks, cash, strict=True)}
    margins = counted.margins
    spread = Number(float(margins.std()), float(margins.std()) / np.sqrt(2 * margins.size))
    tenth = Number(worst_tenth(margins), worst_tenth_error(margins))
    return found | {
        "margin": mean(margins), "objective": mean(counted.objective), "worst tenth": tenth, "spread": spread,
    }  # fmt: skip


def mean(values: np.ndarray) -> Number:
    return Number(float(values.mean()), float(values.std()) / np.sqrt(values.size))


class Compared(NamedTuple):
    """A season counted both ways; whether it has but a few plants."""

    few: bool
    season: forecast.Season
    mine: Numbers
    plants: Numbers


@pytest.fixture(scope="module", params=SELLING)
def compared(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Compared:
    folder = written(SELLING[request.param], tmp_path_factory.mktemp("season") / request.param)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="(?s).*price_end")  # one price rises, which may be a slip
        season = forecast.read_season(folder)
    by_seed = [packaged(season, seed) for seed in SEEDS]
    counted = SellingSeason(tables_of(folder), REPLICATES, seed=1)
    counted.run()
    values = {name: np.array([one[name] for one in by_seed]) for name in by_seed[0]}
    error = len(SEEDS) ** -0.5
    mine = {name: Number(float(each.mean()), float(each.std(ddof=1)) * error) for name, each in values.items()}
    return Compared(request.param == "handful", season, mine, by_plants(season, counted))


def far(compared: Compared, kind: str, *, every: int = 1, part: float = 0.0) -> dict[str, tuple[Number, Number]]:
    """Return the numbers of a kind that differ by more than 3 standard errors, the rounding of a table and a part."""
    names = [name for name in compared.mine if name.startswith(kind)][::every]
    assert names
    pairs = {name: (compared.mine[name], compared.plants[name]) for name in names}
    return {
        name: (mine, plants)
        for name, (mine, plants) in pairs.items()
        if abs(mine.value - plants.value) > 3 * np.hypot(mine.error, plants.error) + 1e-3 + part * abs(plants.value)
    }


@pytest.mark.parametrize("kind", ["chance", "sold", "missing", "few"])
def test_each_row_gets_what_single_buyers_get(compared: Compared, kind: str) -> None:
    assert sum(name.startswith(kind) for name in compared.plants) == len(compared.season.targets)
    assert far(compared, kind) == {}


def test_cash_is_that_of_single_plants(compared: Compared) -> None:
    assert far(compared, "cash", every=4) == {}


@pytest.mark.parametrize("kind", ["margin", "objective", "worst tenth", "spread"])
def test_margins_are_those_of_single_plants(compared: Compared, kind: str) -> None:
    """Growing costs are taken at their expectation: of a dozen plants the margin spreads up to an eighth too wide."""
    if not compared.few or kind in ("margin", "objective"):
        assert far(compared, kind) == {}
    elif kind == "spread":
        assert compared.mine[kind].value == pytest.approx(compared.plants[kind].value, rel=0.125)
    else:
        apart = abs(compared.mine[kind].value - compared.plants[kind].value)
        assert apart < 0.25 * compared.plants["spread"].value


def test_benches_hold_what_single_plants_take(compared: Compared) -> None:
    """Of plants that are sold in part the rest is taken at its expectation: of dozens, that is off by some per cent."""
    market = len(compared.season.varieties) > 1 and not compared.few
    assert far(compared, "bench", every=4, part=0.0 if market else 0.06) == {}
