"""Plans from explants: against arithmetic, brute force and a culture-by-culture simulation, and by hand."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from culture_by_culture import many
from small_cultures import SURE, UNSURE, nursery

import forecast
from forecast.growth.simulation import season_streams
from forecast.propagation.cultures import Cultures
from forecast.propagation.explants import MultiplicationPlan, made_plan
from forecast.propagation.outlays import expected_outlays
from forecast.propagation.search import Tried
from forecast.season.season import Season
from forecast.words import propagation as words

DRAWS = 1024


def found(whole, **asked):
    return forecast.explants_needed(whole, "A", **({"draws": DRAWS, "seed": 3} | asked))


@pytest.fixture(scope="module")
def unsure():
    return nursery(UNSURE | {"explants": 70, "cost_per_explant": 3, "cost_per_vessel": 1, "cost_start": 50})


@pytest.fixture(scope="module")
def plan(unsure):
    return found(unsure, target=150, week="2027-W30", service_level=0.9)


def test_a_plan_suffices_and_potting_fewer_does_not(plan):
    assert plan.chance >= 0.9
    assert plan.chance == pytest.approx(plan.cultures.chance(week="2027-W30", at_least=150))
    if plan.potted is not None:
        fewer = plan.cultures.replace(potted=math.floor(plan.potted * 0.98))
        assert fewer.chance(week="2027-W30", at_least=150) < 0.9


def test_the_smallest_number_suffices_and_one_fewer_does_not(plan):
    search = plan.search
    smallest = search._smallest(plan.subcultures, 1, plan.start, 5.0)
    assert smallest.chance >= 0.9
    fewer = search.cultures(plan.subcultures, 1, smallest.cultures.explants - 1, plan.start)
    assert search.chance(fewer) < 0.9


@pytest.mark.parametrize("target", [1, 2, 3])
def test_a_few_plants_are_never_out_of_reach_because_few_explants_may_all_die(unsure, target):
    assert found(unsure, target=target, week="2027-W30", service_level=0.95).chance >= 0.95


def test_rates_that_would_fill_the_world_end_the_search_and_not_the_call():
    plan_of = nursery(UNSURE | {"explants": 300, "most_cycles": 30, "multiplication": 9, "explants_cv": 0.6})
    plan = found(plan_of, target=500, week="2028-W20", service_level=0.9)
    assert plan.chance >= 0.9
    assert plan.alternatives()["verdict"].str.contains("million million").any()


def test_a_plan_costs_no_more_than_the_best_of_all_explants_cycles_and_starts(unsure, plan):
    """Brute force over every number of cycles and explants and every week of starting, all plantlets potted."""
    row, streams, best = unsure.culture("A"), season_streams(DRAWS, 3), math.inf
    for cycles in (1, 2, 3):
        for explants in range(1, row.explants + 1):
            made = Cultures(unsure, row, streams, unsure.first_week, explants, [1.0] * (cycles - 1) + [0.0])
            for later in range(forecast.Week.parse("2027-W30") - made.enters(cycles) + 1):
                begun = made.replace(start=unsure.first_week + later)
                if begun.chance(week="2027-W30", at_least=150) >= 0.9:
                    spent = expected_outlays(begun, forecast.Week.parse("2027-W30"))
                    best = min(best, sum(amount for _, _, amount in spent))
    assert plan.cost <= best * 1.01


def test_all_is_rooted_from_the_turn_on_and_ready_in_time(plan):
    made = plan.cultures
    assert plan.last_subculture - plan.start == 2 + 3 * plan.subcultures
    assert made.enters(plan.subcultures) - plan.last_subculture == 2
    assert made.enters(plan.subcultures) < forecast.Week.parse("2027-W30")
    assert made.kept[-1] == 0


def test_the_latest_start_is_the_last_that_suffices(plan):
    made = plan.cultures.replace(start=plan.latest_start)
    assert made.chance(week="2027-W30", at_least=150) >= 0.9
    assert made.replace(start=plan.latest_start + 1).chance(week="2027-W30", at_least=150) < 0.9


def test_the_mean_alone_suggests_too_few(plan):
    assert plan.by_average < plan.explants
    assert 0.3 < plan.chance_by_average < 0.7


def test_more_needed_or_more_surely_never_takes_fewer_explants_without_potting(unsure):
    asked = [{"target": n, "service_level": level} for n, level in ((80, 0.8), (150, 0.8), (150, 0.92))]
    search = [found(unsure, week="2027-W30", **one).search for one in asked]
    week = forecast.Week.parse("2027-W10")
    fewest = [one._smallest(3, 1, week, 10.0).cultures.explants for one in search]
    assert fewest == sorted(fewest)
    assert fewest[0] < fewest[-1]


def test_alternatives_are_all_reported_with_why_not(plan):
    table = plan.alternatives()
    assert (table["verdict"] == "chosen").sum() == 1
    chosen = table[table["verdict"] == "chosen"].iloc[0]
    assert (chosen["subcultures"], chosen["explants"]) == (plan.subcultures, plan.explants)
    assert (table["verdict"] != "").all()
    assert set(table["subcultures"]) == {1, 2, 3}
    others = table[table["verdict"].str.startswith("costs")]
    assert (others["cost"] >= plan.cost).all()


def test_the_chance_of_a_plan_is_that_of_a_culture_by_culture_simulation():
    """2 cycles with rates that are known, 1,500 replicates, then every plantlet by itself: 3 standard errors."""
    culture = {"start_contamination": 0.2, "multiplication": 2.5, "explants_cv": 0.8, "contamination": 0.1}
    plan_of = nursery(culture | {"explants_per_vessel": 4, "rooting": 0.9, "explants": 200})
    made = forecast.multiply(plan_of, "A", explants=30, subcultures=2, draws=2**14, seed=2)
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
    with pytest.raises(forecast.OutOfReach) as caught:
        found(unsure, target=5000, week="2027-W30", service_level=0.9)
    best = caught.value.best
    assert best.chance < 0.9
    assert best.cultures.plantlets.mean() > 0


def test_what_comes_too_late_is_out_of_reach_and_the_nearest_plan_is_later(unsure):
    with pytest.raises(forecast.OutOfReach) as caught:
        found(unsure, target=150, week="2027-W16", service_level=0.9)
    best = caught.value.best
    assert best.by > forecast.Week.parse("2027-W16")
    assert best.chance >= 0.9
    assert best.start >= unsure.first_week


def test_where_the_shelf_is_short_rooting_in_batches_is_tried():
    culture = UNSURE | {"shelf_places": 24, "explants": 24, "most_cycles": 4, "rooting_per_vessel": 4}
    with pytest.raises(forecast.OutOfReach) as caught:
        found(nursery(culture), target=150, week="2027-W36", service_level=0.9)
    table = caught.value.best.alternatives()
    assert table["verdict"].str.contains("shelf places run short").any()
    assert (table["batches"] > 1).any()
    assert caught.value.best.cultures.shortage().shelf


def test_a_season_says_what_is_needed_and_keywords_override_it(unsure):
    target = unsure.replace(targets=({"variety": "A", "week": "2027-W30", "target": 100, "promised": 0.8},))
    plan = found(target)
    assert (plan.target, str(plan.by), plan.service_level) == (100, "2027-W30", 0.8)
    assert found(target, target=50).target == 50
    ranged = unsure.replace(targets=({"variety": "A", "week": "2027-W30", "p5": 60, "median": 100, "p95": 140},))
    assert found(ranged).chance >= 0.9


def test_the_same_seed_gives_the_same_plan(unsure, plan):
    again = found(unsure, target=150, week="2027-W30", service_level=0.9)
    assert (again.explants, again.cost, str(again)) == (plan.explants, plan.cost, str(plan))


# --- more explants than plantlets potted

WEEK = "2027-W30"


@pytest.fixture(scope="module")
def potting():
    """Growing a plantlet costs much and an explant little, so that it pays to begin with more than enough."""
    whole = nursery(UNSURE | {"explants": 200, "cost_per_explant": 0.1})
    return forecast.explants_needed(whole, "A", target=150, week=WEEK, service_level=0.9, draws=512, seed=3)


def test_what_is_potted_is_a_whole_number_of_plantlets_that_suffices_and_hardly_fewer_do(potting):
    tried = [one.cultures for one in potting.search.tried if one.cultures is not None]
    fewer = [made for made in tried if made.potted is not None]
    assert fewer
    for made in fewer:
        assert isinstance(made.potted, int)
        assert 150 <= made.potted < made.plantlets.max()
        assert made.chance(week=WEEK, at_least=150) >= 0.9
        assert made.replace(potted=int(made.potted * 0.985)).chance(week=WEEK, at_least=150) < 0.9


def test_a_plan_that_pots_no_more_than_are_enough_costs_less(potting):
    assert potting.potted is not None
    every = potting.cultures.replace()
    all_potted = [one for one in potting.search.tried if one.cultures is not None and one.cultures.potted is None]
    assert potting.cost < min((one.cost for one in all_potted if not one.why_not), default=potting.cost + 1)
    assert (every.entering.sum(axis=0) <= potting.potted).all()
    assert (every.entering <= every.generations.plantlets).all()
    enough = every.plantlets >= potting.potted
    assert (every.entering.sum(axis=0)[enough] == potting.potted).all()


# --- where no plant differs from another


WANTED: dict[str, Any] = {"target": 60, "week": "2027-W30", "service_level": 0.9, "draws": 8, "seed": 1}


def sure(culture: dict[str, Any] | None = None, division: dict[str, Any] | None = None) -> Season:
    """Five weeks of growing at 0.5 a plantlet; every plant survives, all take the same time."""
    return nursery(culture, division, growing=SURE)


def needed(culture: dict[str, Any], **asked: Any) -> MultiplicationPlan:
    return forecast.explants_needed(sure(culture), "A", **(WANTED | asked))


def divided(**cells: Any) -> MultiplicationPlan:
    plan = forecast.compare_routes(sure(division=cells), "A", **WANTED)["divide stock"].plan
    assert isinstance(plan, MultiplicationPlan)
    return plan


def test_a_plan_of_one_subculture_by_hand() -> None:
    """Twenty explants at 10 give sixty; two weeks to begin, three for the cycle, two of rooting, five of growing."""
    plan = needed({"cost_per_explant": 10, "most_cycles": 1})
    assert (plan.variety, plan.target, str(plan.by), plan.service_level) == ("A", 60, "2027-W30", 0.9)
    assert (plan.explants, plan.subcultures, plan.chance, plan.cost, plan.potted) == (20, 1, 1, 230, None)
    weeks = [str(week) for week in (plan.start, plan.last_subculture, plan.cultures.enters(1), plan.latest_start)]
    assert weeks == ["2027-W18", "2027-W23", "2027-W25", "2027-W18"]
    assert (plan.by_average, plan.chance_by_average) == (20, 1)
    assert plan.table().equals(plan.cultures.table())


def test_a_plan_that_pots_fewer_than_come_by_hand() -> None:
    """Three explants give 81 in three subcultures, of which sixty are potted."""
    plan = needed({"cost_per_explant": 10})
    assert (plan.explants, plan.subcultures, plan.potted, plan.cost, plan.by_average) == (3, 3, 60, 60, 3)
    weeks = [str(week) for week in (plan.start, plan.last_subculture, plan.cultures.enters(3), plan.latest_start)]
    assert weeks == ["2027-W12", "2027-W23", "2027-W25", "2027-W12"]
    assert plan.outlays().to_dict("list") == {
        "what": ["initiation", "explants", *(f"subculture {cycle}" for cycle in (1, 2, 3)), "rooting 3", "growing on"],
        "week": ["2027-W12", "2027-W12", "2027-W14", "2027-W17", "2027-W20", "2027-W23", "2027-W27"],
        "amount": [0, 30, 0, 0, 0, 0, 30],
    }


def test_other_numbers_of_subcultures_are_alternatives() -> None:
    """With 3, 7 and 20 explants at 10, and sixty plants grown at 0.5."""
    plan = needed({"cost_per_explant": 10})
    table = plan.alternatives().fillna(0)
    assert table.to_dict("list") == {
        "subcultures": [1, 2, 3],
        "batches": [1, 1, 1],
        "start": ["2027-W18", "2027-W15", "2027-W12"],
        "explants": [20, 7, 3],
        "potted": [0, 60, 60],
        "chance": [1, 1, 1],
        "cost": [230, 100, 60],
        "verdict": [words.dearer(170, "EUR"), words.dearer(40, "EUR"), "chosen"],
    }
    facts = "variety=A, explants=3, subcultures=3, start=2027-W12, draws=8, seed=1"
    assert repr(plan) == f"MultiplicationPlan({facts})"


def test_what_is_paid_is_rounded_to_the_cent() -> None:
    """Seven explants at 1.2345 and vessels of one each at 0.777 as they begin; 21, then 63 shoots are planted."""
    plan = needed({"cost_per_explant": 1.2345, "cost_per_vessel": 0.777, "most_cycles": 1}, target=21)
    table = plan.outlays().set_index("what")["amount"]
    assert table.to_dict() == {
        "initiation": 0, "explants": 14.08, "subculture 1": 5.44, "rooting 1": 2.33, "growing on": 10.5,
    }  # fmt: skip


def test_division_by_hand_with_what_is_bought() -> None:
    """Twenty plants, ten of them at 0.1, make sixty; each division costs 1, so that two rounds would cost more."""
    plan = divided(price=0.1, cost=1)
    assert (plan.explants, plan.subcultures, plan.potted, plan.chance, plan.cost) == (20, 1, None, 1, 91)
    assert [str(week) for week in (plan.start, plan.cultures.enters(1), plan.latest_start)] == ["2027-W25"] * 3
    free = divided()
    assert (free.explants, free.subcultures, free.potted) == (7, 2, 60)
    assert [str(week) for week in (free.start, free.cultures.enters(2))] == ["2027-W05", "2027-W25"]
    for made, rounds, bought in ((plan, 1, 10), (free, 2, 0)):
        told = {"plants": made.explants, "bought": bought, "start": made.start, "rounds": rounds}
        last = made.cultures.enters(rounds)
        assert str(made).startswith(words.division_plan(variety="A", last=last, **told))


@pytest.mark.parametrize(("chance", "latest"), [(0.75, False), (0.9, True)])
def test_a_latest_start_is_reported_of_a_plan_that_meets_its_service_level_alone(chance: float, latest: bool) -> None:
    plan = replace(needed({"cost_per_explant": 10}), chance=chance)
    known = {name: getattr(plan, name) for name in ("chance", "target", "by", "cost", "currency")}
    assert words.plan_yield(**known, latest=plan.latest_start if latest else None) in str(plan)
    average = words.by_average(number=3, unit="explant", chance=1)
    assert average in str(plan)
    assert average[:20] not in str(replace(plan, by_average=0))


def test_a_plan_in_which_all_may_be_lost_has_that_chance() -> None:
    """A vessel in five is lost, and one explant is enough in the other four."""
    one = {"start_contamination": 0.2, "explants": 1, "most_cycles": 1}
    plan = needed(one, target=3, service_level=0.5, draws=1024)
    assert plan.cultures.extinction_probability == pytest.approx(0.2, abs=0.05)
    assert str(plan).splitlines()[-1] == words.lost(plan.cultures.extinction_probability)


def test_what_is_out_of_reach_says_what_each_number_of_subcultures_lacks() -> None:
    """A cycle and five weeks of growing take 12 weeks, two cycles 15; plantlets come of three after 13."""
    week = forecast.Week.parse
    with pytest.raises(forecast.OutOfReach) as caught:
        needed({"explants": 5, "most_cycles": 2}, service_level=0.95)
    why = [(n, words.too_few(needed=needs, most=5, unit="explant")) for n, needs in ((1, 20), (2, 7))]
    asked: dict[str, Any] = {"variety": "A", "target": 60, "by": week("2027-W30"), "service_level": 0.95}
    assert str(caught.value) == words.no_plan(**asked, why=why, later=None)
    nearest = caught.value.best
    assert nearest is not None
    assert (nearest.explants, nearest.subcultures, nearest.chance) == (5, 2, 0)
    with pytest.raises(forecast.OutOfReach) as caught:
        needed({"explants": 600}, week="2027-W12", target=1234)
    first = week("2027-W01")
    why = [
        *((n, words.start_too_early(needed=week(at), earliest=first)) for n, at in ((1, "2026-W53"), (2, "2026-W50"))),
        (3, words.too_late(weeks=2, earliest=first)),
    ]
    asked = {"variety": "A", "target": 1234, "by": week("2027-W12"), "service_level": 0.9, "later": week("2027-W13")}
    assert str(caught.value) == words.no_plan(**asked, why=why)
    assert caught.value.best is not None
    assert str(caught.value.best.by) == "2027-W13"


def test_no_plan_is_beside_what_cannot_be_ready_in_time() -> None:
    with pytest.raises(forecast.OutOfReach) as caught:
        needed({"explants": 5, "most_cycles": 1}, week="2027-W03")
    assert caught.value.best is None


def test_the_mean_suggests_as_many_as_give_the_number_on_average() -> None:
    """A fifth of the explants is lost: 25 give sixty on average. With 8 in ten seasons as sure, more are needed."""
    culture = {"start_contamination": 0.2, "explants": 90, "most_cycles": 1}
    plan = needed(culture, draws=512)
    made = plan.cultures
    mean = float((made.generations.plantlets[0] * made.share(1, plan.by)).mean())
    assert plan.by_average == -(-60 * plan.explants // mean)
    assert plan.by_average == pytest.approx(25, abs=1)
    alone = Cultures(made.season, made.row, season_streams(512, 1), made.start, plan.by_average, made.kept)
    assert plan.chance_by_average == alone.chance(week="2027-W30", at_least=60)


def begun(plan: MultiplicationPlan, week: str) -> MultiplicationPlan:
    made = plan.cultures.replace(start=forecast.Week.parse(week))
    return made_plan(plan.search, Tried(plan.subcultures, 1, made, plan.chance, plan.cost))


def test_a_plan_that_begins_early_says_how_much_later_it_could() -> None:
    plan = needed({"cost_per_explant": 10})
    early = begun(plan, "2027-W05")
    assert (str(early.start), str(early.latest_start), early.by_average) == ("2027-W05", "2027-W12", 3)


def test_a_plan_of_which_nothing_is_ready_in_time_has_nothing_that_the_mean_suggests() -> None:
    late = begun(needed({"cost_per_explant": 10}), "2027-W13")
    assert (late.by_average, late.chance_by_average) == (0, 0)
    assert str(late.latest_start) == "2027-W13"
