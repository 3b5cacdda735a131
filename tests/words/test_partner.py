"""Sentences of the page for a partner, the order sheet, the workbook, the calendar and the live panel."""

from datetime import date

import pytest

from forecast.weeks import Week
from forecast.words import partner as words

EUR = {"currency": "EUR"}
MARGIN = {"subject": "The season", "mean": 12_345, "p5": 8_800, "p95": 16_100, "worst": 7_900, **EUR}


def test_what_is_ordered():
    known = {"plantlets": 6824, "varieties": 10, "lines": 14, "labs": 2, "first": Week(2027, 8), "last": Week(2027, 14)}
    assert words.how_many(**known) == (
        "Order 6,824 plantlets of 10 varieties in 14 order lines from 2 labs, delivered from 22 Feb 2027 (2027-W08) to "
        "5 Apr 2027 (2027-W14). The table below lists what to order from each lab for each week."
    )
    one = words.how_many(plantlets=72, varieties=1, lines=1, labs=1, first=Week(2027, 8), last=Week(2027, 8))
    assert one.startswith(
        "Order 72 plantlets of 1 variety in 1 order line from 1 lab, delivered in the week of 22 Feb "
    )


def test_cash_and_what_has_no_price():
    assert words.lowest_cash(median=-21_000, p5=-23_500, p95=-19_000, week=Week(2027, 32), **EUR) == (
        "Before sales start to repay it, cash falls to about -21,000 EUR (90 % range -23,500 to -19,000), most often "
        "lowest in the week of 9 Aug 2027 (2027-W32)."
    )
    assert words.lowest_cash(median=-7_800, p5=-7_800, p95=-7_800, week=Week(2027, 25), **EUR).startswith(
        "Before sales start to repay it, cash falls to about -7,800 EUR, most often lowest in "
    )
    assert words.cash_needed(amount=23_500, **EUR) == (
        "Cash: in 1 season in 20 you need 23,500 EUR or more before sales start to repay it."
    )
    few, many = (words.all_paid(week=Week(2027, 41), unpriced=names) for names in (["A"], list("ABCDE")))
    assert few == "All of it is paid by 11 Oct 2027 (2027-W41). Income is not counted: A has no sale price."
    assert many.endswith("A, B, C and 2 more have no sale price.")


def test_the_margin_and_how_often_it_is_a_loss():
    assert words.margin(**MARGIN, loss=0.034) == (
        "The season earns about 12,500 EUR on average (90 % range 8,800 to 16,000), and about 7,900 EUR in the worst "
        "10 % of seasons. About 1 of 20 simulated seasons makes a loss."
    )


def test_a_season_that_loses_money_says_so():
    assert words.margin(**MARGIN | {"mean": -500}, loss=1).startswith("The season loses about 500 EUR on average (90 %")
    assert words.less_than_now(amount=1234, **EUR) == "That is about 1,250 EUR less."
    assert words.less_than_now(amount=-1234, **EUR) == "That is about 1,250 EUR more."


def test_how_surely_targets_are_met():
    assert words.fill_rate(aim="margin", share=0.96) == (
        "This order maximises expected margin; it does not guarantee every target. On average 96 of every 100 plants "
        "needed are ready on time (fill rate 96 %)."
    )
    assert words.fill_rate(aim="cost", share=1).startswith("Every target is met at its service level, each on its own.")
    assert words.targets_met(targets=11, low=0.82, high=0.95, together=0.46) == (
        "Each target on its own is met in 16 to 19 of 20 simulated seasons. All 11 targets are met together in about "
        "9 of 20 simulated seasons."
    )
    assert "is met in about 16 of 20" in words.targets_met(targets=2, low=0.8201, high=0.8202, together=0.46)
    assert words.targets_met(targets=1, low=0.8, high=0.8, together=0.8) == (
        "The target is met in 16 of 20 simulated seasons."
    )


def test_when_plants_are_ready():
    weeks = [Week(2027, 35), Week(2027, 41)]
    assert words.when_ready(targets=weeks, ready=weeks) == (
        "Plants are needed from 30 Aug 2027 (2027-W35) to 11 Oct 2027 (2027-W41). In a typical season 90 % of the "
        "plants "
        "that will sell are ready between 30 Aug 2027 (2027-W35) and 11 Oct 2027 (2027-W41), depending on the variety."
    )
    assert words.when_ready(targets=weeks[:1], ready=weeks[:1]) == (
        "Plants are needed by 30 Aug 2027 (2027-W35). In a typical season 90 % of the plants that will sell are ready "
        "by 30 Aug 2027 (2027-W35)."
    )
    assert words.when_ready(targets=weeks, ready=[]) == "No variety has most of its plants ready within the season."


@pytest.mark.parametrize(
    ("ready", "text"),
    [
        (Week(2027, 41), "it is ready only by 11 Oct 2027 (2027-W41), in time for its last target."),
        (Week(2027, 42), "it is ready only by 18 Oct 2027 (2027-W42), 1 week after its last target."),
        (Week(2027, 43), "it is ready only by 25 Oct 2027 (2027-W43), 2 weeks after its last target."),
        (None, "it is not ready within the season; its last target is 11 Oct 2027 (2027-W41)."),
    ],
)
def test_which_variety_is_latest(ready, text):
    said = words.latest(variety="A", ready=ready, target=Week(2027, 41))
    assert said == f"Latest is A: in 1 season in 20 {text}"


def test_what_could_go_wrong():
    lower = words.lower_survival(points=0.1, through=0.68, fewer=0.58, served=0.96, then=0.87, together=0.2)
    assert lower == (
        "If survival were 10 percentage points lower in every variety (58 instead of 68 saleable per 100 plantlets), "
        "the same orders would deliver 87 rather than 96 of every 100 plants needed on time. All targets would be met "
        "in 4 of 20 simulated seasons."
    )
    row = {"variety": "A", "target": 800, "week": "2027-W41", "chance": 0.82, "short": 31.6}
    assert words.tightest(row) == (
        "Tightest target: 800 A by 11 Oct 2027 (2027-W41), met in about 16 of 20 simulated seasons; on average 32 "
        "plants are missing."
    )
    sold = row | {"until": "2027-W43", "channel": "retail", "short": 1.2}
    assert words.tightest(sold) == (
        "Tightest target: 800 A for retail from 11 Oct to 25 Oct 2027 (W41 to W43), met in about 16 of 20 simulated "
        "seasons; on average 1 plant is missing."
    )
    assert words.benches({}) == "Benches: every growing area is within capacity in every simulated season."
    assert words.benches({"house": 0.151}) == (
        "Benches: house is over capacity at some point in about 3 of 20 simulated seasons."
    )


def test_what_charts_of_the_page_say():
    assert words.tightest_chance(0.3801) == "Tightest target: met in about 8 of 20 simulated seasons."
    assert words.paid_back("2027-W41").endswith("earned back by the end of the week of 11 Oct 2027 (2027-W41).")
    assert words.paid_back(None).endswith("payments never exceed what has come in.")
    assert words.paid_back(None, ever=False).endswith("more is paid than comes in.")
    assert words.better_than({"order by average": 1234, "a fifth more": -1}, "EUR") == (
        "On average this order earns 1,250 EUR more than order by average and 1 EUR less than a fifth more; these "
        "simple rules ignore budget and benches."
    )
    same = words.better_than({"order by average": -0.2}, "EUR")
    assert same.startswith("On average this order earns as much as order by average; ")
    assert words.better_than({}, "EUR") == words.EACH_SEASON


def test_a_loss_below_twice_its_error_is_none_that_can_be_seen():
    none = "none that can be seen"
    cases = [(1_234.5, 9, "1,234"), (3.0, 1.6, none), (0.4, 0.0, none), (-8.0, 2.0, "-8")]
    assert [words.loss(amount, error) for amount, error, _ in cases] == [text for *_, text in cases]


def test_limits_and_what_the_plan_is_based_on():
    plan = {"error": 0.004, "available": 1_000, "gap": 2.0, "currency": "EUR"}
    assert words.unit_value(0.014, **plan) == "0.01 EUR"
    assert words.unit_value(0.006, **plan | {"gap": 7.0}) == "too little to be seen"
    assert words.unit_value(0, **plan) == "nothing: not binding"
    assert words.limit_columns("margin")[-1] == "one more unit earns"
    assert words.limit_columns("cost")[-1] == "one more unit saves"
    said = words.based_on(budget=None, climate=False, **EUR)
    assert said[1] == "Prices, targets, costs, minutes and growing areas are your own figures."
    assert said[-1] == "No climate is entered: plants take the same time whatever the weather."
    assert words.based_on(budget=1, climate=True, **EUR)[-1].startswith("Weather is simulated from climate normals")
    assert said[2] == (
        "Plants are sold in the target's week, the oldest first. Of the rest, at most as many as the total target of a "
        "variety sell at its markdown price, if it has one; the others are unsold and earn nothing."
    )
    every = {"weeks": True, "shared": True, "promised": True, "outlets": True}
    assert words.based_on(budget=None, climate=False, **EUR, **every)[2] == (
        "Each week's buyers are served from the plants on hand, the oldest first. What is promised is sold first, and "
        "plants that a later promise is expected to need are held back. Then those who pay most are served first. Of "
        "the rest, at most as many as the total target of a variety, or its outlet if one is stated, sell at its "
        "markdown price, if it has one; the others are unsold and earn nothing."
    )
    assert words.assumption(
        stage="potting", assumed=["80 %", "time: 4 weeks"], on=["your estimate"], sources=["S"]
    ) == ("potting. 80 %. time: 4 weeks. Based on: your estimate. Source: S.")


def test_what_a_file_was_made_with():
    assert words.made_with(version="1") == "forecast 1"
    made = words.made_with(version="1", draws=1024, seed=2, aim="cost")
    assert made == "forecast 1, 1,024 simulated seasons, seed 2, aim cost"
    page = words.made(version="1", on=date(2027, 1, 4), draws=64, seed=1, aim="margin")
    assert page.startswith("Made by forecast 1 on 2027-01-04: 64 simulated seasons, seed 1, aim margin. ")
    notes = words.sheet_notes(season="S", plan="a\nb", found_with=made, first_week=Week(2026, 40), **EUR)
    assert [note for about, note in notes if about == "plan"] == ["a", "b"]
    assert ("due", "Deposits are due when you order, in the week of 28 Sep 2026 (2026-W40).") in notes


def test_cash_says_what_was_on_the_account_only_if_that_is_stated():
    assert words.cash_note(None, "EUR") == "Cash since the season began, by the end of a week."
    text = "Cash by the end of a week; the account holds -4,000 EUR when the season begins."
    assert words.cash_note(-4_000, "EUR") == text
    notes = words.sheet_notes(
        season="S", plan="", found_with="", first_week=Week(2026, 40), opening_cash=-4_000, **EUR
    )  # fmt: skip
    assert ("money", f"{text} 90 % of the simulated seasons lie between p5 and p95.") in notes


def test_a_season_with_fixed_costs_says_what_is_left_after_them():
    known = {"subject": "The season", "mean": 15_400, "p5": 9_000, "p95": 21_000, "worst": 8_100, "loss": 0.1}
    assert words.margin(**known, fixed_costs=9_400, **EUR) == (
        "The season earns about 15,500 EUR on average (90 % range 9,000 to 21,000), and about 8,100 EUR in the worst "
        "10 % of seasons. After fixed costs of 9,400 EUR the result is about 6,000 EUR on average. 2 of 20 simulated "
        "seasons make a loss."
    )


def test_rates_of_stages():
    assert words.weather_loss(side="below", limit=4, loss=0.6) == (
        "each °C below 4 lowers the log-odds of survival by 0.6"
    )
    assert words.space_and_cost(plants_per_m2=50, cost=0.1, minutes=2, **EUR) == (
        "50 plants per m²; 0.1 EUR and 2 minutes per plant"
    )
    assert words.space_and_cost(plants_per_m2=50, cost=0, minutes=2, materials=0.35, **EUR) == (
        "50 plants per m²; 0 EUR, 0.35 EUR of materials and 2 minutes per plant"
    )
    assert words.of_the_original("80 %", entering=False) == "80 %, of the original number"
    assert [words.learned_from(origin) for origin in ("records", "group")] == [
        "learned from its own records",
        "learned from records of its group",
    ]


def test_entries_of_the_calendar():
    assert words.target_note(demand=None, chance=0.9) == "Met in 18 of 20 simulated seasons."
    assert words.target_title(1_200, "A", None) == "Target: 1,200 A"
    assert words.target_title(1_200, "A", "retail", sale="begins") == "Sale begins: 1,200 A for retail"
    assert words.target_note(demand="about 350", chance=None) == "Demand: about 350. Nothing is ordered for it."
    known = {"plants": 712, "lab": "Lab", "delivered": Week(2027, 9), "first": date(2027, 4, 5)}
    assert words.half_note(**known, last=date(2027, 4, 19), never=0.08) == (
        "About 710 plants from Lab, delivered 1 Mar 2027 (2027-W09). Half the batch reaches this stage between the "
        "weeks "
        "of 5 Apr 2027 and 19 Apr 2027 (90 % range); in about 2 of 20 simulated seasons not before the season ends."
    )
    ready = words.half_note(**known, last=date(2027, 4, 19), never=0, ready=True)
    assert ready.endswith("Half the batch is ready between the weeks of 5 Apr 2027 and 19 Apr 2027 (90 % range).")
    assert words.payment(lab="Lab", deposits=True, total=1234.5, **EUR) == "Pay Lab, deposits: 1,234.50 EUR"


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({}, "The same as the base plan."),
        ({"plantlets": 1}, "1 more plantlet."),
        ({"plantlets": -40, "cost": -40.2}, "40 fewer plantlets, costs 40 EUR less."),
        ({"seasons_more": 3}, "On time in 3 more seasons of 20."),
        ({"seasons_more": -1, "margin": 1234}, "On time in 1 fewer season of 20, earns 1,250 EUR more."),
        ({"cost": 0.4, "margin": -0.4}, "The same as the base plan."),
    ],
)
def test_how_a_scenario_differs(changes, text):
    assert words.difference(**{"plantlets": 0, "seasons_more": 0, "cost": 0, "margin": 0, **EUR} | changes) == text


def test_what_the_panel_says():
    assert words.ordered("A", [(720, "Lab", Week(2027, 10)), (72, None, Week(2027, 12))]) == (
        "Ordered of A: 720 from Lab for 8 Mar 2027 (2027-W10) and 72 for 22 Mar 2027 (2027-W12)."
    )
    row = {"target": 800, "week": "2027-W41", "chance": 0.81, "median": 940, "p5": 790, "p95": 1080, "level": 0.9}
    known = (
        "The target of 800 by 11 Oct 2027 (2027-W41) is met in about 16 of 20 simulated seasons; about 940 are on hand "
        "then (90 % range 790 to 1,100)."
    )
    assert words.reached(row | {"more_plants": 0}, "EUR") == known
    assert words.reached(row | {"more_plants": 150, "more_cost": 495}, "EUR") == (
        f"{known} 150 more plants would meet it in 18 of 20 simulated seasons, for 495 EUR."
    )
    retail = row | {"until": "2027-W43", "channel": "retail", "promised_share": 0.9, "more_plants": 0}
    assert words.reached(retail, "EUR") == (
        "90 % of the target of 800 for retail from 11 Oct to 25 Oct 2027 (W41 to W43) is met in about 16 of 20 "
        "simulated seasons; about 940 are there for these buyers (90 % range 790 to 1,100)."
    )
    assert words.reached(row | {"more_plants": None}, "EUR") == (
        f"{known} More plants in these deliveries would not meet it in 18 of 20 simulated seasons."
    )
    assert words.costs(cost=400, price=9.5, margin=-50, **EUR) == (
        "The total cost is about 400 EUR. At 9.50 EUR a plant, the expected margin is about -50 EUR."
    )
    assert words.costs(cost=400, price=None, margin=50, **EUR).endswith(" The expected margin is about 50 EUR.")
    assert words.costs(cost=400, price=None, margin=None, **EUR) == "The total cost is about 400 EUR."
    assert words.fullest(area=160, available=174, week="2027-W22", overrun=0) == (
        "about 160 of 174 m² in 2027-W22; within capacity"
    )
    assert words.fullest(area=160, available=174, week="2027-W22", overrun=0.15).endswith(
        "; over capacity in 3 of 20 simulated seasons"
    )
