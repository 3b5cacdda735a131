"""Sentences about cultures, plans and supply routes."""

import pytest

from forecast.weeks import Week
from forecast.words import propagation as words

W = Week.parse
PLAN = {
    "variety": "Heuchera 'Pellowen'", "explants": 30, "start": W("2026-W40"), "subcultures": 5, "batches": True,
    "last": W("2027-W12"), "ready": W("2027-W16"),
}  # fmt: skip


def test_a_plan_from_explants_is_an_instruction():
    assert f"{words.culture_plan(**PLAN)} {words.pot(1256)}" == (
        "Initiate 30 explants of Heuchera 'Pellowen' in 2026-W40, subculture 5 times, root in batches (last batch from "
        "2027-W12), deflask by 2027-W16. Pot no more than 1,256."
    )
    one = PLAN | {"explants": 1, "subcultures": 1, "batches": False}
    assert words.culture_plan(**one) == (
        "Initiate 1 explant of Heuchera 'Pellowen' in 2026-W40, subculture once, root all from 2027-W12, deflask by "
        "2027-W16."
    )
    assert words.pot(None) == ""


@pytest.mark.parametrize(
    ("plants", "bought", "rounds", "text"),
    [
        (5000, 4990, 2, "Divide 5,000 stock plants of A (4,990 of them bought) in 2027-W25, in 2 rounds; pot the last"),
        (1, 0, 1, "Divide 1 stock plant of A in 2027-W25, in 1 round; pot the last"),
    ],
)
def test_a_plan_from_stock_is_an_instruction(plants, bought, rounds, text):
    weeks = {"start": W("2027-W25"), "last": W("2027-W45")}
    found = words.division_plan(variety="A", plants=plants, bought=bought, rounds=rounds, **weeks)
    assert found == f"{text} in 2027-W45."


def test_a_plan_says_what_it_yields_and_costs_and_what_the_average_would_do():
    asked = {"by": W("2027-W41"), "currency": "EUR"}
    assert words.plan_yield(chance=0.953, target=450, cost=3851.3, latest=W("2026-W40"), **asked) == (
        "In about 19 of 20 simulated seasons this yields at least 450 saleable plants by 11 Oct 2027 (2027-W41). "
        "Total cost including growing: about 3,850 EUR. Latest start with as many: 2026-W40."
    )
    one = words.plan_yield(chance=1, target=1, cost=0, latest=None, **asked)
    assert "at least 1 saleable plant by" in one
    assert one.endswith("about 0 EUR.")
    assert words.by_average(number=1, unit="stock plant", chance=0.66) == (
        "Planning by average (1 stock plant) would be enough in about 13 of 20 simulated seasons."
    )
    assert words.by_average(number=0, unit="explant", chance=0) == ""


def test_a_target_out_of_reach_says_why_and_what_to_do():
    asked = {"variety": "A", "target": 1234, "by": W("2027-W12"), "service_level": 0.9}
    why = [
        (1, words.start_too_early(needed=W("2026-W53"), earliest=W("2027-W01"))),
        (2, words.too_late(weeks=1, earliest=W("2027-W01"))),
        (3, words.too_few(needed=66.7, most=5, unit="explant")),
        (4, words.never_enough("explant")),
    ]
    assert words.no_plan(**asked, why=why, later=W("2027-W13")) == (
        "No plan from explants yields 1,234 A by 22 Mar 2027 (2027-W12) at a service level of 90 %. 1 subculture: "
        "would have to start by 2026-W53; the first possible week is 2027-W01. 2 subcultures: plantlets are ready 1 "
        "week too late, even if started in 2027-W01. 3 subcultures: needs about 67 explants (available: 5). 4 "
        "subcultures: no number of explants is enough. The first week in reach is 29 Mar 2027 (2027-W13). Lower the "
        "target, move it later, accept a lower service level, or buy in."
    )
    assert words.no_plan(**asked, why=[], later=None) == (
        "No plan from explants yields 1,234 A by 22 Mar 2027 (2027-W12) at a service level of 90 %. Lower the target, "
        "move it later, accept a lower service level, or buy in."
    )


def test_a_plan_that_is_not_enough_often_enough_says_what_holds_it_back():
    limit = words.limit(shelf=False, cycle=2, chance=1)
    assert words.enough_in(0, limit) == (
        "enough in no simulated season: hood hours run short at subculture 2 in every simulated season"
    )
    assert words.enough_in(0.5) == "enough in 10 of 20 simulated seasons"
    assert words.all_used(most=1, unit="stock plant") == "only 1 stock plant available"
    assert words.dearer(601, "EUR") == "costs about 600 EUR more"


def test_cultures_are_reported_with_their_range_their_losses_and_their_limits():
    told = {"variety": "A", "start": W("2027-W01"), "ready": W("2027-W11")}
    shortage = words.shortage(shelf=True, cycle=2, chance=0.5, unplanted=10.2)
    assert shortage == (
        "Shelf places run short at subculture 2 in 10 of 20 simulated seasons; on average about 10 shoots find no room."
    )
    text = words.cultures(
        **told, explants=10, subcultures=2, plantlets=(0, 900, 1500), extinction=0.25, shortage=shortage
    )
    assert text == (
        "10 explants of A initiated in 2027-W01, 2 subcultures: about 900 plantlets (90 % range 0 to 1,500) by 15 Mar "
        f"2027 (2027-W11). The whole culture is lost in 5 of 20 simulated seasons. {shortage}"
    )
    one = words.cultures(**told, explants=1, subcultures=1, plantlets=(3, 3, 3), extinction=0, shortage="")
    assert one == (
        "1 explant of A initiated in 2027-W01, 1 subculture: about 3 plantlets (90 % range 3 to 3) by 15 Mar 2027 "
        "(2027-W11)."
    )


@pytest.mark.parametrize(
    ("problem", "text"),
    [
        (
            words.kept_number(shares=1, subcultures=3),
            "Kept has 1 share, but 3 subcultures need 2: the last keeps nothing.",
        ),
        (words.kept_range([1.5, 1.0]), "Kept [1.5, 1.0]: give shares from 0 to 1."),
        (
            words.too_many_subcultures(subcultures=4, most=3),
            "4 subcultures: the limit is 3 (most_cycles), after that there are too many off-types. Plan fewer "
            "subcultures or more explants.",
        ),
        (
            words.too_early(start=W("2027-W04"), earliest=W("2027-W05")),
            "Start 2027-W04 is too early: the first possible week is 2027-W05.",
        ),
        (
            words.too_many_explants(explants=1200, most=20),
            "1,200 explants are too many: each starts in its own vessel, and shelf and hood allow 20.",
        ),
    ],
)
def test_what_cannot_be_started_is_a_problem_with_its_limit(problem, text):
    assert problem == text


def test_routes_say_what_they_cost_or_why_they_fall_short():
    cost = {"cost": 2768.66, "each": 6.152, "currency": "EUR", "weeks": 23.7}
    assert words.route(name="buy in", chance=0.95, **cost) == (
        "Buy in: target met in 19 of 20 simulated seasons; about 2,750 EUR (6.15 EUR per plant needed); money is tied "
        "up 24 weeks on average."
    )
    short = {"name": "propagate in vitro", "by": W("2027-W07"), "why": words.NOTHING}
    assert words.no_route(**short, earliest=W("2027-W13")) == (
        "Propagate in vitro: target not met by 15 Feb 2027 (2027-W07); nothing is saleable by then. Started at once, "
        "it would be met by 29 Mar 2027 (2027-W13)."
    )
    assert words.no_route(**short, earliest=None).endswith("nothing is saleable by then.")
    assert words.cheapest(["buy in"]) == "Cheapest: buy in."
    alike = words.cheapest(["buy in", "divide stock"])
    assert alike == "Cheapest: buy in or divide stock. No difference in their costs can be seen."
    assert words.cheapest([]) == "No route meets the target."


def test_a_rate_that_is_implied_is_said_and_one_that_is_stated_is_not():
    assert words.implied(total="189 after 6", rate=2.3957, stated=1, subcultures=4) == (
        "189 after 6 subcultures is 2.396 shoots per explant and subculture."
    )
    assert words.implied(total=None, rate=3.2, stated=2, subcultures=4) == (
        "From subculture 3 on, each explant gives 3.2 shoots, the last rate stated."
    )
    assert words.implied(total=None, rate=3.2, stated=1, subcultures=4) == ""
    assert words.implied(total=None, rate=3.2, stated=4, subcultures=4) == ""
