"""Sentences about orders, from plain numbers."""

import pytest

from forecast.weeks import Week
from forecast.words import orders as words

BY, EARLY, LATE = Week(2027, 41), Week(2027, 8), Week(2027, 34)
HOSTA = "Hosta 'Orrinfall'"


def test_an_order_is_one_line():
    assert words.order(quantity=1270, variety=HOSTA, lab="Birch Lab", week=EARLY) == (
        "Order 1,270 of Hosta 'Orrinfall' from Birch Lab for 2027-W08."
    )


@pytest.mark.parametrize(
    ("chance", "there", "subject", "often"),
    [
        (0.9012, False, "This yields", "about 90 of 100 simulated seasons"),
        (1.0, True, "This order and the plants already there yield", "every simulated season"),
        (0.0, False, "This yields", "no simulated season"),
    ],
)
def test_an_order_says_how_surely_it_meets_its_target_and_what_it_costs(chance, there, subject, often):
    found = words.yields(target=800, by=BY, chance=chance, cost=4551.2, currency="EUR", topping_up=there)
    assert found == (
        f"{subject} at least 800 saleable plants by 11 Oct 2027 (2027-W41) in {often}. Total cost including growing: "
        "about 4,550 EUR."
    )


def test_an_order_for_uncertain_demand_names_its_range():
    found = words.yields(target=260, by=BY, chance=0.8, cost=1, currency="EUR", topping_up=False, demand=(150.0, 400.0))
    assert found.startswith(
        "This yields enough saleable plants for the demand (150 to 400, median 260) by 11 Oct 2027 (2027-W41) in 80 of"
    )


def test_the_order_by_average_and_the_greatest_margin_are_named():
    assert words.order_by_average(quantity=1180, chance=0.543) == (
        "Ordering by average survival (1,180 before rounding to what the lab sells) would be enough in about 54 of 100 "
        "simulated seasons."
    )
    assert words.greatest_margin(margin=1353, currency="EUR") == (
        "Its expected margin, 1,350 EUR, is the greatest of all orders."
    )


@pytest.mark.parametrize(
    ("share", "first", "gets", "later"),
    [
        (0.004, LATE, "under 1 %", "move it to 2027-W34 or later"),
        (0.01, None, "only 1 %", "move it later"),
        (0.456, None, "only 46 %", "move it later"),
    ],
)
def test_out_of_reach_says_why_and_what_would_help(share, first, gets, later):
    found = words.out_of_reach(
        variety=HOSTA, target=800, by=BY, service_level=0.925, week=EARLY, share=share, first=first
    )
    assert found == (
        "No order of Hosta 'Orrinfall' meets the target of 800 plants by 11 Oct 2027 (2027-W41) at a service level of "
        f"92.5 %. Even the best delivery week (2027-W08) gets {gets} of plants saleable by then. Lower the target, "
        f"{later}, accept a lower service level, or find an earlier delivery or more advanced plants (plugs, liners)."
    )


def test_what_cannot_be_ordered_has_a_reason():
    best = {"quantity": 1270, "lab": "Lab", "week": Week(2027, 20)}
    assert words.all_lose(variety="A", **best, margin=-20, currency="EUR") == (
        "No order of A has an expected margin above 0. The best, 1,270 from Lab for 2027-W20, has one of -20 EUR. "
        "Order none, or find a lower price from a lab or a higher sale price."
    )
    assert words.no_lab(variety="A") == (
        "No lab offers A. See what propagating it in vitro or dividing stock plants would give."
    )
    assert words.too_late(ordered=Week(2026, 25), first=Week(2026, 31), last=Week(2026, 18)) == (
        "The lab's last delivery week is 2026-W18, and an order placed in 2026-W25 would not arrive before 2026-W31."
    )


def test_delivery_weeks_are_compared():
    assert words.cheapest_week(variety="A", week="2027-W04", lab="Lab", quantity=1100, cost=106, currency="EUR") == (
        "A: the cheapest delivery week is 2027-W04 (Lab), 1,100 plants for about 105 EUR including growing."
    )
    assert words.no_week(variety="A", target=100, by=BY) == (
        "A: no single delivery week meets the target of 100 by 11 Oct 2027 (2027-W41) at its service level."
    )
    compared = {"quantity": 1000, "target": 800, "by": BY}
    assert words.best_and_worst_week(best="2027-W04", chance=0.9, worst="2027-W20", least=0, **compared) == (
        "1,000 plants reach the target of 800 by 11 Oct 2027 (2027-W41) most often if delivered in 2027-W04: in 90 of "
        "100 simulated seasons. The worst delivery week is 2027-W20: in no simulated season."
    )
    never = "1,000 plants reach the target of 800 by 11 Oct 2027 (2027-W41) in no simulated season, whatever the "
    assert words.every_week_too_late(soonest="2027-W44", **compared) == (
        f"{never}delivery week.\nHalf of the surviving plants are ready by 2027-W44 at the earliest."
    )
    assert words.every_week_too_late(soonest="", **compared) == (
        f"{never}delivery week.\nHalf of the surviving plants are never ready within the season: check stage times, "
        "base temperatures and upper thresholds against the temperatures of the growing areas."
    )


@pytest.mark.parametrize(("dearer", "more"), [(30, "30 EUR more"), (-2.4, "2 EUR less")])
def test_a_split_is_compared_in_the_worst_tenth(dearer, more):
    one, two = (1000, "2027-W02", 611), (1010, "2027-W02, 2027-W03", 702)
    found = words.split(one, two, dearer=dearer, currency="EUR")
    assert found == (
        "In the worst 10 % of simulated seasons, 1,000 delivered in 2027-W02 yield about 610; 1,010 split over "
        f"2027-W02 and 2027-W03 yield about 700, for about {more}."
    )


def test_a_few_orders_are_told_in_full_and_many_by_their_first_lines():
    assert words.all_orders(["a\nb", "c"]) == "a\nb\nc"
    assert words.all_orders([f"{k}\nmore" for k in range(15)]) == "\n".join(map(str, range(15)))
    many = words.all_orders([str(k) for k in range(1214)]).splitlines()
    assert len(many) == 15
    assert many[-2:] == ["13", "And 1,200 more: table() lists all."]
