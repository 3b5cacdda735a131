"""Plans from explants: against arithmetic, brute force and a culture-by-culture simulation."""

import math

import numpy as np
import pytest
from culture_by_culture import many
from small_cultures import UNSURE, nursery

import forecast
from forecast.growth.simulation import season_streams
from forecast.propagation.cultures import Cultures
from forecast.propagation.outlays import outlays

DRAWS = 1024


def needed(season, **asked):
    return forecast.explants_needed(season, "A", **({"draws": DRAWS, "seed": 3} | asked))


@pytest.fixture(scope="module")
def unsure():
    return nursery(UNSURE | {"explants": 70, "cost_per_explant": 3, "cost_per_vessel": 1, "cost_start": 50})


@pytest.fixture(scope="module")
def plan(unsure):
    return needed(unsure, target=150, week="2027-W30", service_level=0.9)


def test_a_plan_suffices_and_potting_fewer_does_not(plan):
    assert plan.chance >= 0.9
    assert plan.chance == pytest.approx(plan.cultures.chance(week="2027-W30", at_least=150))
    if plan.potted is not None:
        fewer = plan.cultures.but(potted=math.floor(plan.potted * 0.98))
        assert fewer.chance(week="2027-W30", at_least=150) < 0.9


def test_the_smallest_number_suffices_and_one_fewer_does_not(plan):
    search = plan._search
    smallest = search._smallest(plan.cycles, 1, plan.start, 5.0)
    assert smallest.chance >= 0.9
    fewer = search.cultures(plan.cycles, 1, smallest.cultures.explants - 1, plan.start)
    assert search.chance(fewer) < 0.9


@pytest.mark.parametrize("target", [1, 2, 3])
def test_a_few_plants_are_never_out_of_reach_because_few_explants_may_all_die(unsure, target):
    assert needed(unsure, target=target, week="2027-W30", service_level=0.95).chance >= 0.95


def test_rates_that_would_fill_the_world_end_the_search_and_not_the_call():
    season = nursery(UNSURE | {"explants": 300, "most_cycles": 30, "multiplication": 9, "explants_cv": 0.6})
    plan = needed(season, target=500, week="2028-W20", service_level=0.9)
    assert plan.chance >= 0.9
    assert plan.alternatives["verdict"].str.contains("million million").any()


def test_a_plan_costs_no_more_than_the_best_of_all_explants_cycles_and_starts(unsure, plan):
    """Brute force over every number of cycles and explants and every week of starting, all plantlets potted."""
    row, streams, best = unsure.culture("A"), season_streams(DRAWS, 3), math.inf
    for cycles in (1, 2, 3):
        for explants in range(1, row.explants + 1):
            made = Cultures(unsure, row, streams, unsure.first_week, explants, [1.0] * (cycles - 1) + [0.0])
            for later in range(forecast.Week.parse("2027-W30") - made.enters(cycles) + 1):
                begun = made.but(start=unsure.first_week + later)
                if begun.chance(week="2027-W30", at_least=150) >= 0.9:
                    best = min(best, sum(amount for _, _, amount in outlays(begun, forecast.Week.parse("2027-W30"))))
    assert plan.cost <= best * 1.01


def test_all_is_rooted_from_the_turn_on_and_ready_in_time(plan):
    made = plan.cultures
    assert plan.cut_over - plan.start == 2 + 3 * plan.cycles
    assert made.enters(plan.cycles) - plan.cut_over == 2
    assert made.enters(plan.cycles) < forecast.Week.parse("2027-W30")
    assert made.kept[-1] == 0


def test_the_latest_start_is_the_last_that_suffices(plan):
    made = plan.cultures.but(start=plan.latest_start)
    assert made.chance(week="2027-W30", at_least=150) >= 0.9
    assert made.but(start=plan.latest_start + 1).chance(week="2027-W30", at_least=150) < 0.9


def test_the_mean_alone_suggests_too_few(plan):
    assert plan.by_average < plan.explants
    assert 0.3 < plan.chance_by_average < 0.7


def test_more_wanted_or_more_surely_never_takes_fewer_explants_without_potting(unsure):
    search = [
        needed(unsure, target=n, week="2027-W30", service_level=c)._search
        for n, c in ((80, 0.8), (150, 0.8), (150, 0.92))
    ]
    week = forecast.Week.parse("2027-W10")
    fewest = [one._smallest(3, 1, week, 10.0).cultures.explants for one in search]
    assert fewest == sorted(fewest)
    assert fewest[0] < fewest[-1]


def test_alternatives_are_all_told_with_why_not(plan):
    table = plan.alternatives
    assert (table["verdict"] == "chosen").sum() == 1
    chosen = table[table["verdict"] == "chosen"].iloc[0]
    assert (chosen["cycles"], chosen["explants"]) == (plan.cycles, plan.explants)
    assert (table["verdict"] != "").all()
    assert set(table["cycles"]) == {1, 2, 3}
    others = table[table["verdict"].str.startswith("costs")]
    assert (others["cost"] >= plan.cost).all()


def test_the_plan_says_it_in_words(plan):
    text = str(plan)
    assert f"Begin with {plan.explants} explants of A in {plan.start}" in text
    assert "150 wanted by 2027-W30" in text
    assert "The mean alone suggests" in text


def test_the_chance_of_a_plan_is_that_of_a_culture_by_culture_simulation():
    """2 cycles with rates that are known, 1,500 replicates, then every plantlet by itself: 3 standard errors."""
    culture = {"start_contamination": 0.2, "multiplication": 2.5, "explants_cv": 0.8, "contamination": 0.1}
    season = nursery(culture | {"explants_per_vessel": 4, "rooting": 0.9, "explants": 200})
    made = forecast.multiply(season, "A", explants=30, cycles=2, draws=2**14, seed=2)
    grown = many(
        1500, 7, explants=30, lines=1, cycles=2, kept=[1, 0], vessel=4, rooting_vessel=10, start_survival=0.8,
        contamination=[0.1] * 3, means=[[2.5], [2.5]], size=1 / (0.64 - 0.4), whole_shoots=False, rooted=0.9,
        start_weeks=2, cycle_weeks=3, rooting_weeks=2,
    )  # fmt: skip
    rng = np.random.default_rng(8)
    late = made.enters(2) + 15  # by then all have grown on, and nine in ten have survived
    saleable = [sum(rng.random() < 0.9 for _ in range(count)) for count in grown.plantlets[:, -1]]
    for number in (60, 90, 110):
        chance = made.chance(week=late, at_least=number)
        share = float((np.array(saleable) >= number).mean())
        assert abs(share - chance) <= 3 * math.sqrt(chance * (1 - chance) * (1 / 1500 + 1 / 2**14))


def test_more_than_can_be_had_is_out_of_reach_with_the_nearest_plan(unsure):
    with pytest.raises(forecast.OutOfReach, match=r"No plan gives 5,000 A from explants.*needs about") as caught:
        needed(unsure, target=5000, week="2027-W30", service_level=0.9)
    best = caught.value.best
    assert best.chance < 0.9
    assert best.cultures.plantlets.mean() > 0


def test_what_comes_too_late_is_out_of_reach_and_the_nearest_plan_is_later(unsure):
    with pytest.raises(forecast.OutOfReach, match=r"It is in reach by 2027-W") as caught:
        needed(unsure, target=150, week="2027-W16", service_level=0.9)
    best = caught.value.best
    assert best.by > forecast.Week.parse("2027-W16")
    assert best.chance >= 0.9
    assert best.start >= unsure.first_week


def test_a_short_shelf_is_told_and_instalments_are_tried():
    culture = UNSURE | {"shelf_places": 24, "explants": 24, "most_cycles": 4, "rooting_per_vessel": 4}
    with pytest.raises(forecast.OutOfReach) as caught:
        needed(nursery(culture), target=150, week="2027-W36", service_level=0.9)
    table = caught.value.best.alternatives
    assert table["verdict"].str.contains("shelf places are short").any()
    assert (table["instalments"] > 1).any()
    assert "Shelf places are short at cycle" in str(caught.value.best)


def test_a_season_says_what_is_wanted_and_keywords_override_it(unsure):
    target = unsure.replace(targets=({"variety": "A", "week": "2027-W30", "target": 100, "service_level": 0.8},))
    plan = needed(target)
    assert (plan.target, str(plan.by), plan.service_level) == (100, "2027-W30", 0.8)
    assert needed(target, target=50).target == 50
    ranged = unsure.replace(targets=({"variety": "A", "week": "2027-W30", "p5": 60, "median": 100, "p95": 140},))
    assert needed(ranged).chance >= 0.9


def test_the_same_seed_gives_the_same_plan(unsure, plan):
    again = needed(unsure, target=150, week="2027-W30", service_level=0.9)
    assert (again.explants, again.cost, str(again)) == (plan.explants, plan.cost, str(plan))
