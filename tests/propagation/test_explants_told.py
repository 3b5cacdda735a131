"""What is said of plans from explants word for word, where no plant differs from another."""

from dataclasses import replace
from typing import Any

import pytest
from small_cultures import CULTURE, DIVISION
from small_seasons import offer, season, stage

import forecast
from forecast.growth.simulation import season_streams
from forecast.propagation.cultures import Cultures
from forecast.propagation.explants import MultiplicationPlan, made_plan
from forecast.propagation.search import Tried
from forecast.season.season import Season
from forecast.words.numbers import seasons

WANTED: dict[str, Any] = {"target": 60, "week": "2027-W30", "service_level": 0.9, "draws": 8, "seed": 1}


def sure(culture: dict[str, Any] | None = None, division: dict[str, Any] | None = None) -> Season:
    """Five weeks of growing at 0.5 a plantlet; every plant survives, all take the same time."""
    growing = stage("growing", typical=5, survival=1, cost=0.5)
    rows: dict[str, Any] = {
        "cultures": [CULTURE | culture] if culture is not None else [],
        "divisions": [DIVISION | division] if division is not None else [],
    }
    return season([growing], price_list=[offer()], **rows)


def needed(culture: dict[str, Any], **asked: Any) -> MultiplicationPlan:
    return forecast.explants_needed(sure(culture), "A", **(WANTED | asked))


def divided(**cells: Any) -> MultiplicationPlan:
    plan = forecast.compare_routes(sure(division=cells), "A", **WANTED)["divide stock"].plan
    assert isinstance(plan, MultiplicationPlan)
    return plan


def test_a_plan_of_one_cycle_is_told_word_for_word() -> None:
    """Twenty explants at 10 give sixty; two weeks to begin, three for the cycle, two of rooting, five of growing."""
    plan = needed({"cost_per_explant": 10, "most_cycles": 1})
    assert str(plan) == (
        "Begin with 20 explants of A in 2027-W18, multiply for 1 cycle, and root all from 2027-W23; plantlets come "
        "out by 2027-W25.\n"
        "In every season they give the 60 wanted by 2027-W30, for about 230 EUR in all. The last week to begin with as "
        "many is 2027-W18.\n"
        "The mean alone suggests 20, enough in every season."
    )
    assert (plan.variety, plan.target, str(plan.by), plan.service_level) == ("A", 60, "2027-W30", 0.9)
    assert (plan.chance, plan.cost, plan.potted) == (1, 230, None)


def test_a_plan_that_pots_fewer_than_come_is_told_word_for_word() -> None:
    """Three explants give 81 in three cycles, of which sixty are potted."""
    plan = needed({"cost_per_explant": 10})
    assert str(plan) == (
        "Begin with 3 explants of A in 2027-W12, multiply for 3 cycles, and root all from 2027-W23; plantlets come "
        "out by 2027-W25. Pot 60 of them at most.\n"
        "In every season they give the 60 wanted by 2027-W30, for about 60 EUR in all. The last week to begin with as "
        "many is 2027-W12.\n"
        "The mean alone suggests 3, enough in every season."
    )
    assert plan.outlays().to_dict("list") == {
        "what": ["beginning", "explants", "cycle 1", "cycle 2", "cycle 3", "rooting 3", "growing on"],
        "week": ["2027-W12", "2027-W12", "2027-W14", "2027-W17", "2027-W20", "2027-W23", "2027-W27"],
        "amount": [0, 30, 0, 0, 0, 0, 30],
    }


def test_other_numbers_of_cycles_are_told_beside_the_plan() -> None:
    """With 3, 7 and 20 explants at 10, and sixty plants grown at 0.5."""
    plan = needed({"cost_per_explant": 10})
    table = plan.alternatives.fillna(0)
    assert table.to_dict("list") == {
        "cycles": [1, 2, 3],
        "instalments": [1, 1, 1],
        "start": ["2027-W18", "2027-W15", "2027-W12"],
        "explants": [20, 7, 3],
        "potted": [0, 60, 60],
        "chance": [1, 1, 1],
        "cost": [230, 100, 60],
        "verdict": ["costs about 170 EUR more", "costs about 40 EUR more", "chosen"],
    }
    assert "_search" not in repr(plan)


def test_one_explant_and_large_numbers_are_told_as_a_grower_would() -> None:
    one = str(needed({"most_cycles": 1}, target=3))
    assert one.startswith("Begin with 1 explant of A in 2027-W18, multiply for 1 cycle, and")
    plan = needed({"explants": 9999, "cost_per_explant": 10, "most_cycles": 2}, target=20_000)
    many = str(replace(plan, cultures=plan.cultures.but(potted=20_001)))
    assert many.startswith("Begin with 2,223 explants of A in 2027-W15, multiply for 2 cycles, and root all")
    assert " Pot 20,001 of them at most.\n" in many
    assert "they give the 20,000 wanted by 2027-W30, for about 32,0" in many
    assert many.endswith("\nThe mean alone suggests 2,223, enough in every season.")


def test_what_is_paid_is_rounded_to_the_cent() -> None:
    """Seven explants at 1.2345 and vessels of one each at 0.777 as they begin; 21, then 63 shoots are planted."""
    plan = needed({"cost_per_explant": 1.2345, "cost_per_vessel": 0.777, "most_cycles": 1}, target=21)
    table = plan.outlays().set_index("what")["amount"]
    assert table.to_dict() == {
        "beginning": 0, "explants": 14.08, "cycle 1": 5.44, "rooting 1": 2.33, "growing on": 10.5,
    }  # fmt: skip


def test_division_is_told_word_for_word_with_what_is_bought() -> None:
    """Twenty plants, ten of them at 0.1, make sixty; each division costs 1, so that two rounds would cost more."""
    assert str(divided(price=0.1, cost=1)) == (
        "Divide 20 stock plants of A, 10 of them bought, in 2027-W25, in 1 round; the last divisions are potted in "
        "2027-W25.\n"
        "In every season they give the 60 wanted by 2027-W30, for about 91 EUR in all. The last week to begin with as "
        "many is 2027-W25.\n"
        "The mean alone suggests 20, enough in every season."
    )
    assert str(divided()).startswith(
        "Divide 7 stock plants of A in 2027-W05, in 2 rounds; the last divisions are potted in 2027-W25. Pot 60 of "
        "them at most.\nIn every season"
    )


def test_large_stock_is_told_with_commas() -> None:
    plan = divided(price=0.1, cost=1)
    made = plan.cultures
    large = Cultures(made.season, made.row, made.streams, made.start, 5000, made.kept)
    assert str(replace(plan, cultures=large)).startswith("Divide 5,000 stock plants of A, 4,990 of them bought, in 20")


def test_rooting_in_instalments_is_told_with_the_turn_to_the_last() -> None:
    plan = needed({"cost_per_explant": 10})
    made = plan.cultures
    spread = Cultures(made.season, made.row, made.streams, made.start, 10, [1.0, 0.5, 0.0])
    assert str(replace(plan, cultures=spread)).startswith(
        "Begin with 10 explants of A in 2027-W12, multiply for 3 cycles, and root in instalments, the last from "
        "2027-W23; plantlets come out by 2027-W25.\nIn every season"
    )


def test_a_plan_that_does_not_suffice_says_neither_a_last_week_nor_what_is_hopeless() -> None:
    plan = needed({"cost_per_explant": 10})
    lines = str(replace(plan, chance=0.75, by_average=0)).splitlines()
    assert lines[1:] == ["In about 75 seasons in 100 they give the 60 wanted by 2027-W30, for about 60 EUR in all."]
    assert "The last week" in str(replace(plan, chance=0.9))


def test_plans_in_which_all_may_be_lost_say_how_often() -> None:
    """A vessel in five is lost, and one explant is enough in the other four."""
    culture = {"start_contamination": 0.2, "explants": 1, "most_cycles": 1}
    plan = needed(culture, target=3, service_level=0.5, draws=1024)
    assert plan.cultures.lost == pytest.approx(0.2, abs=0.05)
    assert str(plan).splitlines()[-1] == f"All is lost in {seasons(plan.cultures.lost)}."


def test_what_is_out_of_reach_says_what_each_number_of_cycles_lacks() -> None:
    """A cycle and five weeks of growing take 12 weeks, two cycles 15; plantlets come of three after 13."""
    with pytest.raises(forecast.OutOfReach) as caught:
        needed({"explants": 5, "most_cycles": 2}, service_level=0.95)
    assert str(caught.value) == (
        "No plan gives 60 A from explants by 2027-W30 in 95 seasons in 100. 1 cycle: needs about 20 to begin with, of "
        "5. 2 cycles: needs about 7 to begin with, of 5. Want fewer or later, ask for a lower service level, or buy in."
    )
    nearest = caught.value.best
    assert nearest is not None
    assert (nearest.explants, nearest.cycles, nearest.chance) == (5, 2, 0)
    with pytest.raises(forecast.OutOfReach) as caught:
        needed({"explants": 600}, week="2027-W12", target=1234)
    assert str(caught.value) == (
        "No plan gives 1,234 A from explants by 2027-W12 in 90 seasons in 100. 1 cycle: would have to begin by "
        "2026-W53, before 2027-W01. 2 cycles: would have to begin by 2026-W50, before 2027-W01. 3 cycles: plantlets "
        "come 2 weeks too late, even if begun in 2027-W01. It is in reach by 2027-W13. Want fewer or later, ask for "
        "a lower service level, or buy in."
    )
    assert caught.value.best is not None
    assert str(caught.value.best.by) == "2027-W13"


def test_no_plan_stands_beside_what_cannot_be_ready_in_time() -> None:
    with pytest.raises(forecast.OutOfReach, match="too late") as caught:
        needed({"explants": 5, "most_cycles": 1}, week="2027-W03")
    assert caught.value.best is None


def test_the_mean_suggests_as_many_as_give_the_number_on_average() -> None:
    """A fifth of the explants is lost: 25 give sixty on average. With 8 in ten seasons as sure, more are needed."""
    culture = {"start_contamination": 0.2, "explants": 90, "most_cycles": 1}
    plan = needed(culture, draws=512)
    made = plan.cultures
    mean = float((made.grown.plantlets[0] * made.share(1, plan.by)).mean())
    assert plan.by_average == -(-60 * plan.explants // mean)
    assert plan.by_average == pytest.approx(25, abs=1)
    alone = Cultures(made.season, made.row, season_streams(512, 1), made.start, plan.by_average, made.kept)
    assert plan.chance_by_average == alone.chance(week="2027-W30", at_least=60)


def begun(plan: MultiplicationPlan, week: str) -> MultiplicationPlan:
    made = plan.cultures.but(start=forecast.Week.parse(week))
    return made_plan(plan._search, Tried(plan.cycles, 1, made, plan.chance, plan.cost))


def test_a_plan_that_begins_early_says_how_much_later_it_could() -> None:
    plan = needed({"cost_per_explant": 10})
    early = begun(plan, "2027-W05")
    assert (str(early.start), str(early.latest_start), early.by_average) == ("2027-W05", "2027-W12", 3)
    assert " The last week to begin with as many is 2027-W12.\n" in str(early)


def test_a_plan_of_which_nothing_is_ready_in_time_has_nothing_that_the_mean_suggests() -> None:
    late = begun(needed({"cost_per_explant": 10}), "2027-W13")
    assert (late.by_average, late.chance_by_average) == (0, 0)
    assert str(late.latest_start) == "2027-W13"
    assert "The mean alone" not in str(late)
