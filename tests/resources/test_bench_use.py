"""Bench space against sums and samples made by hand from where the plants are."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from labelled import area_by_place, plants_by_state
from random_seasons import deliveries, seasons, week
from small_seasons import MIXED, season, stage

import forecast
from forecast.resources.bench_use import BenchSpace, space_taken
from forecast.words import resources as words

some = settings(max_examples=12, deadline=None, derandomize=True)
DRAWS, SAMPLES = 256, 200

PLACES = [
    {"place": "house", "area": 4, "usable": 0.5},
    {"place": "beds", "area": 6, "usable": 1, "first_week": "2027-W09"},
]
ROUTE = [
    stage("arrival", survival=0.96, survival_sd=0.02, plants_per_m2=400),
    stage(typical=4, batches_cv=0.2, plants_cv=0.1, survival_sd=0.1, survival_level=MIXED, plants_per_m2=400),
    stage("growing on", typical=5, batches_cv=0.2, plants_cv=0.1, survival=0.95, plants_per_m2=80),
    stage("hardening", typical=6, batches_cv=0.2, plants_cv=0.1, survival=0.9, plants_per_m2=30, place="beds"),
]
ORDERS = [("A", "2027-W02", 180), ("B", "2027-W05", 140)]
PLAN = season(ROUTE, varieties=("A", "B"), places=PLACES, saleable_weeks=8)


def densities(plan, variety):
    """Return place and plants to the m² of every stage, and of saleable plants, which are where the last stage was."""
    route = plan.route(variety)
    return [(row.place, row.plants_per_m2) for row in (*route, route[-1])]


def expected_area(outcome, place):
    """Area [m2] by week and draw if nothing is sold."""
    total = np.zeros((outcome.season.weeks, outcome.draws))
    for variety in outcome.varieties:
        for (where, density), plants in zip(
            densities(outcome.season, variety), plants_by_state(outcome, variety).values, strict=False
        ):
            total += plants / density if where == place else 0
    return total


@some
@given(plan=seasons(), orders=deliveries)
def test_the_expected_area_is_that_of_the_plants_in_each_stage(plan, orders):
    outcome = forecast.simulate(plan, orders, draws=1100, seed=1)
    assert area_by_place(outcome)["expected"].sel(place="house").values == pytest.approx(
        expected_area(outcome, "house"), abs=1e-9
    )


@pytest.fixture(scope="module")
def sampled():
    """An outcome, and areas [m2] of sampled plants by place: one batch a variety, all its plants set to a state."""
    outcome = forecast.simulate(PLAN, ORDERS, draws=DRAWS, seed=1)
    rng = np.random.default_rng(1)
    areas = {row["place"]: np.zeros((SAMPLES, PLAN.weeks, DRAWS)) for row in PLACES}
    for variety, delivered, quantity in ORDERS:
        states = plants_by_state(outcome, variety)
        since = forecast.Week.parse(delivered) - PLAN.first_week
        shares = np.moveaxis(states.values[:, since:], 0, -1).clip(min=0) / quantity
        counts = rng.multinomial(
            quantity, shares / shares.sum(axis=-1, keepdims=True), size=(SAMPLES, *shares.shape[:-1])
        )
        for k, (place, density) in enumerate(densities(PLAN, variety)):
            areas[place][:, since:] += counts[..., k] / density
    return outcome, areas


@pytest.mark.parametrize("place", ["house", "beds"])
def test_the_area_of_sampled_plants_has_the_mean_and_deviation_that_are_reported(sampled, place):
    outcome, areas = sampled
    told = area_by_place(outcome).sel(place=place)
    mean, variance = areas[place].mean(axis=0), areas[place].var(axis=0, ddof=1)
    error = told["deviation"].values / np.sqrt(SAMPLES)
    many = told["expected"].values.mean(axis=1) > 0.01  # where a few rare plants do not decide the sampled mean
    assert many.sum() > 8
    off = ((mean - told["expected"].values) ** 2).sum(axis=1)
    assert (off <= 1.5 * (error**2).sum(axis=1) + 1e-12)[many].all()
    excess = (variance - told["deviation"].values ** 2)[many]  # independent between draws
    assert (np.abs(excess.mean(axis=1)) <= 4 * excess.std(axis=1) / np.sqrt(DRAWS) + 1e-12).all()


@pytest.mark.parametrize("place", ["house", "beds"])
def test_the_chance_of_an_overrun_is_that_of_sampled_plants(sampled, place):
    outcome, areas = sampled
    space = forecast.bench_space(outcome)
    told = space.table()[space.table()["place"] == place]["overrun"].to_numpy()
    bench = np.array([PLAN.place(place).bench(at) for at in outcome.weeks])
    found = (areas[place] > bench[:, None] + 1e-9).mean(axis=(0, 2))
    assert ((told > 0.02) & (told < 0.98)).sum() >= 2  # the question is open in some weeks
    # The area is a sum of steps, taken as normal: 1 % beside the error of the samples.
    assert np.abs(told - found).max() < 0.01 + 3 * 0.5 / np.sqrt(SAMPLES * DRAWS)


@pytest.mark.parametrize("place", ["house", "beds"])
def test_nine_in_ten_areas_lie_between_low_and_high(sampled, place):
    outcome, areas = sampled
    weekly = forecast.bench_space(outcome).table()
    told = weekly[weekly["place"] == place]
    for at in range(PLAN.weeks):
        low, middle, high = np.quantile(areas[place][:, at], [0.05, 0.5, 0.95])
        wide = high - low
        assert told.iloc[at][["p5", "median", "p95"]].tolist() == pytest.approx(
            [low, middle, high], abs=0.01 + 0.12 * wide
        )


def test_a_place_that_is_shut_is_overrun_by_any_plant():
    early = PLAN.with_stage("crop", "growing on", place="beds")
    overrun = {
        name: forecast.bench_space(forecast.simulate(plan, [("A", delivered, 50)], draws=64, seed=1)).table()
        for name, plan, delivered in (("early", early, "2027-W01"), ("late", PLAN, "2027-W09"))
    }
    beds = overrun["early"].set_index(["place", "week"])["overrun"]["beds"]
    assert beds["2027-W07"] == 1
    assert beds["2027-W09"] == 0
    assert overrun["late"]["overrun"].max() == 0


def test_a_single_plant_in_a_place_that_is_shut_is_seen_as_often_as_it_comes():
    """A plant that survives its first stage, which takes no time, with probability 0.05 then stands in the beds."""
    rows = [stage("arrival", survival=0.05), stage(typical=5, survival=1, place="beds")]
    plan = season(rows, places=[PLACES[0], PLACES[1] | {"first_week": "2027-W30"}])
    for plants in (1, 2, 10):
        space = forecast.bench_space(forecast.simulate(plan, [("A", "2027-W03", plants)], draws=4096, seed=1))
        weekly = space.table().set_index(["place", "week"])["overrun"]["beds"]
        assert weekly["2027-W04"] == pytest.approx(1 - 0.95**plants, abs=0.01)
        assert space.overruns["beds"] == pytest.approx(weekly["2027-W04"], abs=0.002)


def test_what_is_needed_by_a_week_has_left_the_bench():
    """100 plants that all live, ready after 4 weeks; 60 are wanted in week 10 and 70 in week 12."""
    target = [{"variety": "A", "week": "2027-W10", "target": 60}, {"variety": "A", "week": "2027-W12", "target": 70}]
    plan = season([stage(typical=4, survival=1, plants_per_m2=50)], targets=target, saleable_weeks=9)

    def area(plan):
        outcome = forecast.simulate(plan, [("A", "2027-W02", 100)], draws=4, seed=1)
        return area_by_place(outcome)["expected"].sel(place="house").mean("draw").to_series()

    weeks = ["2027-W01", "2027-W02", "2027-W09", "2027-W10", "2027-W11", "2027-W12"]
    assert area(plan)[weeks].tolist() == pytest.approx([0, 2, 2, 0.8, 0.8, 0])
    assert area(plan.replace(targets=()))[["2027-W14", "2027-W15"]].tolist() == [
        2,
        0,
    ]  # past their best they leave, too


def test_a_place_never_overruns_less_often_in_some_week_than_in_its_worst():
    outcome = forecast.simulate(PLAN, [("A", "2027-W02", 180), ("B", week(4), 200)], draws=1024, seed=1)
    space = forecast.bench_space(outcome)
    worst = space.table().groupby("place")["overrun"].max()
    for place, overrun in space.overruns.items():
        assert overrun >= worst[place] - 3 * 0.5 / np.sqrt(1024)


def test_a_place_is_fullest_in_the_first_week_of_the_largest_median():
    columns = ["place", "week", "p5", "median", "p95", "available", "overrun"]
    rows = [
        ("house", "2027-W10", 96.0, 123.4, 151.0, 140.0, 0.2),
        ("house", "2027-W11", 96.0, 123.4, 152.0, 140.0, 0.31),
        ("house", "2027-W12", 101.0, 119.0, 160.0, 130.0, 0.31),
        ("beds", "2027-W10", 0.0, 0.0, 0.0, 50.0, 0.0),
    ]
    space = BenchSpace(pd.DataFrame(rows, columns=columns), {"house": 0.4, "beds": 0.0}, None)
    assert tuple(space.fullest("house").values()) == rows[0]
    assert tuple(space.fullest("house", by="overrun").values()) == rows[1]
    fullest, worst = space.fullest("house"), space.fullest("house", by="overrun")
    assert str(space).splitlines() == [
        words.bench_use("house", fullest=fullest, worst=worst, overrun=0.4, used=True),
        words.bench_use("beds", fullest={}, worst={}, overrun=0, used=False),
    ]


def test_the_table_by_week_is_reported_to_the_hundredth_of_a_square_metre_and_chances_to_four_figures():
    outcome = forecast.simulate(PLAN, ORDERS, draws=48, seed=1)
    space = forecast.bench_space(outcome)
    weekly = space.table()
    assert weekly.columns.tolist() == ["place", "week", "p5", "median", "p95", "available", "overrun"]
    assert weekly.index.tolist() == list(range(2 * PLAN.weeks))
    assert weekly["place"].tolist() == ["house"] * PLAN.weeks + ["beds"] * PLAN.weeks
    assert weekly["week"].tolist() == [str(week) for week in outcome.weeks] * 2
    assert weekly["available"].tolist() == [2.0] * PLAN.weeks + [0.0] * 8 + [6.0] * (PLAN.weeks - 8)
    assert weekly.loc[0, ["p5", "median", "p95", "overrun"]].tolist() == [0, 0, 0, 0]  # before the first delivery
    for name, digits in (("p5", 2), ("median", 2), ("p95", 2), ("overrun", 4)):
        assert (weekly[name] == weekly[name].round(digits)).all()
        assert (weekly[name] != weekly[name].round(digits - 1)).any()
    assert list(space.overruns) == ["house", "beds"]


def test_areas_of_parts_of_the_orders_add_to_the_space_of_all():
    demo = forecast.read_season(Path(__file__).parents[2] / "demo_data")
    own = [row for row in demo.orders if row.variety == "Gerbera 'Zollinka'"]
    rest = [row for row in demo.orders if row not in own]
    whole, one, other = (forecast.simulate(demo, rows, draws=128, seed=3) for rows in (demo.orders, own, rest))
    made = space_taken(one, *(a + b for a, b in zip(one.drawn.area(), other.drawn.area(), strict=True)))
    assert made.table().equals(forecast.bench_space(whole).table())
    assert made.overruns == forecast.bench_space(whole).overruns


def followed(weeks, plants, replicates, sold, life, rng):
    """Follow plants one by one, each alike to 4 weeks ± 20 % and then 6 ± 20 %: area [m²] by week, shape (weeks,).

    They come in the third week, 8 of 10 and 9 of 10 live, at 100 and then 50 plants to the m²; `sold` are numbers by
    week, the oldest first, and what is left after the last of them leaves.
    """
    spread = np.sqrt(np.log(1 + 0.2**2))
    vigour = np.exp(spread * rng.standard_normal((replicates, plants)))
    hazard = rng.exponential(size=(replicates, plants))
    risk, after = -np.log(0.8), -np.log(0.8) - np.log(0.9)
    ready = np.where(hazard > after, 2 + 10 * vigour, np.inf)
    gone = np.full(ready.shape, np.inf)  # the week in which a plant leaves
    if life is not None:
        gone = np.minimum(gone, np.ceil(ready) + life)
    area = np.zeros(weeks)
    for now in range(weeks):
        since = now - 2
        first = (since >= 0) & (since < 4 * vigour) & (hazard > risk * since / (4 * vigour))
        part = (since - 4 * vigour) / (6 * vigour)
        second = (part >= 0) & (part < 1) & (hazard > risk + (after - risk) * part)
        there = (ready <= now) & (gone > now)
        for one in range(replicates if now in sold else 0):
            oldest = np.flatnonzero(there[one])[np.argsort(ready[one][there[one]])]
            gone[one, oldest[: sold[now]]] = now
        if now >= max(sold, default=weeks):
            gone[ready <= now] = np.minimum(gone[ready <= now], now)
        there = (ready <= now) & (gone > now)
        area[now] = ((first / 100 + (second | there) / 50).sum(axis=1)).mean()
    return area


@pytest.mark.parametrize("life", [None, 9])
@pytest.mark.parametrize("sold", [{16: 20, 20: 15}, {}], ids=["two targets", "none"])
def test_what_is_left_after_the_last_target_is_nowhere_as_single_plants_show(life, sold):
    """Of 100 plantlets about 72 are saleable and 35 are sold; the other 37 stay no longer than they can be sold."""
    rows = [
        stage("weaning", typical=4, plants_cv=0.2, survival=0.8),
        stage("growing on", typical=6, plants_cv=0.2, survival=0.9, plants_per_m2=50),
    ]
    targets = [{"variety": "A", "week": week(at), "target": number} for at, number in sold.items()]
    plan = season(rows, targets=targets, saleable_weeks=life)
    outcome = forecast.simulate(plan, [("A", "2027-W03", 100)], draws=64, seed=1)
    area = area_by_place(outcome)["expected"].sel(place="house").mean("draw").values
    counted = followed(plan.weeks, 100, 400, sold, life, np.random.default_rng(1))
    assert np.abs(area - counted).max() < 4 * np.sqrt(100 * 0.25) / 50 / np.sqrt(400)
    last = max(sold, default=plan.weeks)
    assert (area[last:] < 0.01).all()
    assert area[last - 1] > 0.5 or life is not None


@pytest.mark.parametrize("life", [None, 4])
def test_the_rent_of_the_cash_account_is_that_of_the_area_of_bench_space_in_every_week(life):
    """One rule for what stands there, whether it is measured or paid for; B has no target."""
    places = [row | {"cost_per_m2_week": cost} for row, cost in zip(PLACES, (2, 0.5), strict=True)]
    targets = [{"variety": "A", "week": "2027-W22", "target": 60}, {"variety": "A", "week": "2027-W24", "target": 30}]
    plan = season(ROUTE, varieties="AB", places=places, targets=targets, saleable_weeks=life)
    plan = plan.replace(varieties=tuple(row.replace(sale_price=5) for row in plan.varieties))
    outcome = forecast.simulate(plan, ORDERS, draws=64, seed=1)
    entries = forecast.cash_flow(outcome).entries()
    paid = -entries[entries["what"] == "bench"].groupby("week")["amount"].sum()
    area = area_by_place(outcome)["expected"].mean("draw")
    rent = 2 * area.sel(place="house").values + 0.5 * area.sel(place="beds").values
    assert paid.reindex([*map(str, outcome.weeks)], fill_value=0).to_numpy() == pytest.approx(rent, abs=1e-6)
