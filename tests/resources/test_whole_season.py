"""Whole seasons against plants that are counted one by one: chances, benches, hours and cash.

`whole_season` reads the tables' text and shares nothing with the package. Each named cell must agree within 3 standard
errors of the difference, the package's own from eight seeds. Cells were named before the first run.
"""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from southern_climate import HIGH, LOW, SPREAD
from whole_season import Found, WholeSeason, tables_of

import forecast

SEEDS, DRAWS = range(1, 9), 1024
DEMO = Path(__file__).parents[2] / "demo_data"
STAGES = (
    "applies_to,stage,place,runs_on,typical,base_temperature,upper_threshold,batches_cv,plants_cv,time_level,survival,"
    "survival_sd,survival_p5,survival_p95,survived,of,survival_level,cold_below,cold_loss,heat_above,heat_loss,share_of,"
    "plants_per_m2,cost,minutes\n"
)
PRICES = (
    "lab,variety,form,from_quantity,unit_price,minimum,multiple,lead_weeks,first_week,last_week,deposit,"
    "freight_per_box,plants_per_box\n"
)

SOUTHERN = {  # autumn deliveries that stand still in a cold winter; a tunnel that is heated until spring
    "season.toml": 'name = "South"\ncurrency = "AUD"\nfirst_week = "2027-W06"\nweeks = 60\nservice_level = 0.9\n'
    "hourly_wage = 30\npersistence = 0.36\n",
    "varieties.csv": "variety,group,sale_price,markdown_price,saleable_weeks\nGrevillea 'Tirrawind',shrub,14,5,20\n"
    "Correa 'Lowbanks',shrub,11,,\n",
    "stages.csv": STAGES + "shrub,arrival,tunnel,weeks,0,,,,,,0.96,0.03,,,,,batch,4,0.2,24,0.15,entering,600,0,0.1\n"
    "shrub,acclimatisation,tunnel,weeks,5,,,0.15,0.12,season 0.4 batch 0.6,0.8,0.09,,,,,season 0.3 variety 0.2 batch 0.5,"
    "6,0.1,26,0.1,entering,400,0.1,0.5\n"
    "shrub,growing on,tunnel,degree-days,600,5,28,0.12,0.15,season 0.5 batch 0.5,,,0.85,0.98,,,batch,,,,,entering,60,0.4,"
    "0.6\n"
    "shrub,hardening,yard,degree-days,500,5,28,0.1,0.15,variety,0.95,0.03,,,,,belief 0.5 batch 0.5,,,,,entering,30,0.1,0.3\n",
    "places.csv": "place,area,usable,cost_per_m2_week,warmer_by,held_above,shaded_by,first_week,last_week\n"
    "tunnel,100,0.7,2.5,3,10,,,2027-W35\ntunnel,100,0.7,1,2,,4,2027-W36,\nyard,200,0.8,0.5,,,1,,\n",
    "climate.csv": "month,t_min,t_max,year_sd\n"
    + "".join(f"{month},{LOW[month - 1]},{HIGH[month - 1]},{SPREAD[month - 1]}\n" for month in range(1, 13)),
    "price_list.csv": PRICES + "Lab Sedge,Grevillea 'Tirrawind',plug,1,2.1,40,40,4,2027-W08,2027-W20,0.5,30,200\n"
    "Lab Sedge,Grevillea 'Tirrawind',plug,400,1.8,40,40,4,2027-W08,2027-W20,0.5,30,200\n"
    "Lab Sedge,Correa 'Lowbanks',plug,1,1.7,40,40,4,2027-W08,2027-W20,0.5,30,200\n",
    "targets.csv": "variety,week,target,p5,median,p95\nGrevillea 'Tirrawind',2027-W48,180,,,\n"
    "Grevillea 'Tirrawind',2028-W02,80,,,\nCorrea 'Lowbanks',2027-W50,100,,,\n",
    "orders.csv": "variety,week,quantity,lab\nGrevillea 'Tirrawind',2027-W10,440,Lab Sedge\n"
    "Correa 'Lowbanks',2027-W10,160,Lab Sedge\n",
}

OWN_NAMES = {  # stages by names of its own, losses in points of the delivery, two labs, a novelty that falls in price
    "season.toml": 'name = "One variety"\ncurrency = "USD"\nfirst_week = "2027-W01"\nweeks = 40\nservice_level = 0.8\n'
    "hourly_wage = 18\n",
    "varieties.csv": "variety,group,sale_price,markdown_price,yearly_fall,lowest_price,saleable_weeks\n"
    "Fern 'Quillmoor',fern,8,2.5,0.3,3,6\n",
    "stages.csv": STAGES + "fern,wean,mist,weeks,3,,,0.2,0.15,batch,0.82,0.06,,,,,batch,,,,,original,500,0.1,0.4\n"
    "fern,tray,mist,weeks,6,,,0.15,0.2,season 0.5 batch 0.5,0.92,0.03,,,,,batch,,,,,original,150,0.2,0.5\n"
    "fern,pot,bed,weeks,8,,,0.1,0.25,batch,,,,,57,60,belief,,,,,original,40,0.5,1\n"
    "fern,sort,bed,weeks,0,,,,,,0.96,0,,,,,plant,,,,,original,40,0.05,0.2\n",
    "places.csv": "place,area,usable,cost_per_m2_week,first_week,last_week\nmist,20,0.8,4,,\n"
    "bed,60,0.9,1,,2027-W20\nbed,60,0.9,2.2,2027-W21,\n",
    "price_list.csv": PRICES + "Lab One,Fern 'Quillmoor',cell,1,1.1,50,50,1,2027-W02,2027-W12,0,12,150\n"
    "Lab Two,Fern 'Quillmoor',cell,1,1.3,25,25,1,2027-W02,2027-W12,0.3,9,100\n"
    "Lab Two,Fern 'Quillmoor',cell,200,1.05,25,25,1,2027-W02,2027-W12,0.3,9,100\n",
    "targets.csv": "variety,week,target,p5,median,p95\nFern 'Quillmoor',2027-W22,120,,,\n"
    "Fern 'Quillmoor',2027-W25,,60,90,150\nFern 'Quillmoor',2027-W30,70,,,\n",
    "orders.csv": "variety,week,quantity,lab\nFern 'Quillmoor',2027-W03,250,Lab One\nFern 'Quillmoor',2027-W09,225,Lab Two\n",
}

FEW = {  # a dozen plants of each, wide ranges, weekly climate, weather that lasts
    "season.toml": 'name = "Few"\ncurrency = "GBP"\nfirst_week = "2027-W08"\nweeks = 44\nservice_level = 0.7\n'
    "hourly_wage = 12\npersistence = 0.6\n",
    "varieties.csv": "variety,group,sale_price,markdown_price,saleable_weeks\nOrchid 'Veldane',orchid,38,15,4\n"
    "Orchid 'Marrowby',orchid,45,10,\n",
    "stages.csv": STAGES
    + "orchid,deflasking,house,weeks,2,,,0.3,0.3,batch,,,0.5,0.99,,,batch,12,0.3,,,entering,200,0.3,3\n"
    "orchid,first pot,house,degree-days,500,8,25,0.25,0.3,batch,,,0.6,0.97,,,season 0.5 batch 0.5,,,,,entering,50,0.8,4\n"
    "orchid,second pot,house,weeks,6,,,0.3,0.4,batch,,,0.7,0.99,,,variety,,,,,entering,16,1.5,5\n",
    "places.csv": "place,area,usable,cost_per_m2_week,warmer_by,held_above\nhouse,6,0.8,6,6,12\n",
    "climate.csv": "week,t_min,t_max,year_sd\n"
    + "".join(f"{k},{9 - 6 * np.cos(k * np.pi / 26):.2f},{16 - 8 * np.cos(k * np.pi / 26):.2f},1.8\n" for k in range(1, 53)),
    "price_list.csv": PRICES + "Lab Oriel,Orchid 'Veldane',flask,1,4,6,6,2,2027-W08,2027-W20,0,15,24\n"
    "Lab Oriel,Orchid 'Marrowby',flask,1,5,6,6,2,2027-W08,2027-W20,0,15,24\n",
    "targets.csv": "variety,week,target,p5,median,p95\nOrchid 'Veldane',2027-W32,5,,,\nOrchid 'Veldane',2027-W36,3,,,\n"
    "Orchid 'Marrowby',2027-W44,,3,5,9\n",
    "orders.csv": "variety,week,quantity,lab\nOrchid 'Veldane',2027-W10,12,Lab Oriel\nOrchid 'Veldane',2027-W14,6,Lab Oriel\n"
    "Orchid 'Marrowby',2027-W12,12,Lab Oriel\n",
}


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


SEASONS = {"demo": (DEMO, 1500), "southern": (SOUTHERN, 3000), "own names": (OWN_NAMES, 6000), "few": (FEW, 8000)}


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
    cells = [name for name in compared.by_seed if name.startswith(kind) and abs(np.mean(compared.by_seed[name])) > least]
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
    cells = named(compared, "hours", 5, 0.2)
    assert len(cells) >= 3
    assert not far(compared, cells, rounding=0.005 * 6)  # the table rounds the hours of each of at most six stages


def test_cash_and_its_worst_tenth_are_those_of_single_plants(compared):
    weeks = compared.season.weeks
    cells = [name for name in compared.by_seed if name.startswith("cash")]
    assert not far(compared, [*cells[:: weeks // 6], cells[-1]])


def test_the_margins_spread_and_worst_tenth_are_those_of_single_plants_where_there_are_many(compared):
    """Growing costs are taken at their expectation: of a few dozen plants the margin spreads a tenth too wide."""
    margin = np.sort(next(reversed(compared.plants.values())))
    tenth = margin[: margin.size // 10]
    many = margin.size == SEASONS["demo"][1]
    error = np.hypot(tenth.std() / tenth.size**0.5, np.std(compared.by_seed["worst tenth"], ddof=1) / len(SEEDS) ** 0.5)
    apart = abs(np.mean(compared.by_seed["worst tenth"]) - tenth.mean())
    assert apart < (3 * error if many else 0.1 * margin.std() * 2)
    spread = np.mean(compared.by_seed["margin's spread"]) / margin.std()
    assert abs(spread - 1) < (4 * (2 * margin.size) ** -0.5 if many else 0.12)


def test_a_survival_wrong_by_two_points_would_be_seen(compared):
    """The comparison can fail: the package's own numbers of a season whose first stage loses two points more."""
    season = compared.season
    (first, *_), group = season.route(season.varieties[0].variety), season.varieties[0].group
    worse = season.with_stage(group, first.stage, survival=first.stated.mean - 0.02)
    wrong = {name: [value] for name, value in packaged(worse, 1).items()}
    wrong = {name: [value * (1 + part) for part in (-1e-9, 1e-9)] for name, (value,) in wrong.items()}
    other = Compared(season, wrong, compared.plants)
    assert far(other, named(other, "cash", 1, 1))
