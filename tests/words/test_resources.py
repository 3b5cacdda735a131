"""Sentences about targets, benches, work and money."""

from types import SimpleNamespace

import pytest

from forecast.words.resources import bench_use, busiest_week, capacity, money, remedies, targets_met


def week(name, median, available=140.0, overrun=0.0, low=None, high=None):
    ends = {"p5": median if low is None else low, "median": median, "p95": median if high is None else high}
    return {"week": name, **ends, "available": available, "overrun": overrun}


def test_a_place_that_is_most_often_over_capacity_in_another_week_than_its_fullest():
    fullest, worst = week("2027-W10", 123.4, 140, 0.2, 96, 151), week("2027-W12", 119, 130, 0.31, 101, 160)
    assert bench_use("house", fullest=fullest, worst=worst, overrun=0.4, used=True) == (
        "house: fullest in the week of 8 Mar 2027 (2027-W10), about 125 m² (90 % range 96 to 150) of 140 m²; over "
        "capacity at some point in 8 of 20 simulated seasons, most often in the week of 22 Mar 2027 (2027-W12), "
        "about 120 m² (90 % range 100 to 160) of 130 m²."
    )


def test_a_place_that_is_not_used_one_that_suffices_and_one_that_is_closed():
    unused, small = week("2027-W10", 0.0), week("2027-W10", 10.0, 30.04, 0, 9.94, 12.3)
    assert bench_use("beds", fullest=unused, worst=unused, overrun=0, used=False) == "beds: not used."
    assert bench_use("shade", fullest=small, worst=small, overrun=0, used=True) == (
        "shade: fullest in the week of 8 Mar 2027 (2027-W10), about 10 m² (90 % range 9.9 to 12) of 30 m²; within "
        "capacity in every simulated season."
    )
    closed = week("2027-W10", 2.345, 0.0, 1.0, 1.234, 9.87)
    assert bench_use("tunnel", fullest=closed, worst=closed, overrun=1, used=True) == (
        "tunnel: fullest in the week of 8 Mar 2027 (2027-W10), about 2.3 m² (90 % range 1.2 to 9.9) while it is "
        "closed; over capacity at some point in every simulated season."
    )


def test_how_often_a_place_is_over_capacity():
    assert capacity(0.1524) == "over capacity at some point in about 3 of 20 simulated seasons"


CHANGE = {"variety": "A", "remedy": "delay", "deliveries": "2027-W09 600", "chance_before": 0.9, "chance": 0.89}
THEN = (
    "delay A (2027-W09 600). It is then over capacity at some point in {} of 20 simulated seasons, and the target is "
)
THEN += "met in about 18 of 20 simulated seasons, before in 18 of 20 simulated seasons."
NONE = (
    "No single delivery change relieves the bench without missing its target. Reduce several orders, add bench space, "
    "or accept fewer A. The nearest change:"
)
AT = "house: over capacity at some point in {} of 20 simulated seasons"
OVER = f"{AT.format(12)}. "


@pytest.mark.parametrize(
    ("overrun", "after", "helps", "text"),
    [
        (0, 0, False, "house: within capacity in every simulated season."),
        (0.1, 0.05, True, f"{AT.format(2)}, no more than you accept."),
        (0.6, None, False, f"{OVER}No delivery can be changed."),
        (0.6, 0.1, True, f"{OVER}Try first: {THEN.format(2)}"),
        (0.6, 0.2, True, f"{OVER}No single delivery change is enough. The most effective: {THEN.format(4)}"),
        (0.6, 0.6, False, f"{OVER}{NONE} {THEN.format(12)}"),
    ],
)
def test_what_to_try_about_a_place_over_capacity(overrun, after, helps, text):
    best = None if after is None else CHANGE | {"overrun": after}
    assert remedies("house", overrun, 0.1, best=best, helps=helps) == text


def busy(low, median, high, stage="", share=0.0):
    return {"week": "2027-W03", "p5": low, "median": median, "p95": high, "stage": stage, "share": share}


@pytest.mark.parametrize(
    ("row", "text"),
    [
        (busy(0, 0, 0), "No stage states minutes of work."),
        (busy(24, 28, 31, "arrival", 0.6), "about 28 hours (90 % range 24 to 31), most of them for arrival."),
        (busy(10, 12, 14, "grading", 0.5), "about 12 hours (90 % range 10 to 14), the largest part for grading."),
        (busy(0, 1.2, 3), "about 1 hour (90 % range 0 to 3)."),
    ],
)
def test_the_busiest_week(row, text):
    start = "Busiest week: 18 Jan 2027 (2027-W03), " if row["p95"] else ""
    assert busiest_week(row) == start + text


@pytest.mark.parametrize(
    ("loss", "text"),
    [
        (0, "No simulated season makes a loss"),
        (0.0001, "Fewer than 1 of 1,000 simulated seasons make a loss"),
        (0.001, "1 of 1,000 simulated seasons makes a loss"),
        (0.0502, "About 1 of 20 simulated seasons makes a loss"),
        (0.1234, "About 2 of 20 simulated seasons make a loss"),
        (0.999, "All but 1 of 1,000 simulated seasons make a loss"),
        (1, "Every simulated season makes a loss"),
    ],
)
def test_losses_lead_their_sentence(loss, text):
    lowest = SimpleNamespace(p5=-500, median=-445, p95=0.2, week="2027-W08")
    assert money([-270, -112.2, 35], loss, -268, lowest, "EUR") == (
        f"The margin is about -110 EUR on average (90 % range -270 to 35). {text}; the worst 10 % of seasons lose "
        "about 270 EUR on average.\n"
        "Cash is lowest at about -445 EUR (90 % range -500 to 0), most often in the week of 22 Feb 2027 (2027-W08)."
    )


def test_fixed_costs_and_an_overdraft_are_said_where_they_are_stated():
    lowest = SimpleNamespace(p5=-500, median=-445, p95=0.2, week="2027-W08")
    told = money(
        [500, 1000, 1500], 0.1, 400, lowest, "EUR", fixed_costs=800.0, overdraft=470.0, overdrawn=0.25
    )  # fmt: skip
    assert told.splitlines() == [
        "The margin is about 1,000 EUR on average (90 % range 500 to 1,500). The worst 10 % of seasons earn about 400 "
        "EUR on average.",
        "After fixed costs of 800 EUR the result is about 200 EUR on average. 2 of 20 simulated seasons make a loss.",
        "Cash is lowest at about -445 EUR (90 % range -500 to 0), most often in the week of 22 Feb 2027 (2027-W08). "
        "It falls below the overdraft of 470 EUR in 5 of 20 simulated seasons.",
    ]
    told = money([500, 1000, 1500], 0.1, 400, lowest, "EUR", overdraft=0.0, overdrawn=1.0)
    assert told.endswith("It falls below zero in every simulated season.")


def test_the_worst_tenth_may_earn_something():
    lowest = SimpleNamespace(p5=0, median=0, p95=0, week="2027-W01")
    assert "; the worst 10 % of seasons earn about 110 EUR on average.\n" in money([110] * 3, 0, 110, lowest, "EUR")


TARGET = {"variety": "A", "week": "2027-W20", "target": 4020, "p5": 3925, "median": 4000, "p95": 4079, "chance": 0.5712}


def test_each_target_has_a_line():
    first = (
        "A: about 4,000 plants (90 % range 3,900 to 4,100) on hand on 17 May 2027 (2027-W20). The target of 4,020 is "
        "met in about 11 of 20 simulated seasons."
    )
    assert targets_met([TARGET, TARGET | {"variety": "B", "chance": 1.0}]).splitlines() == [
        first,
        first.replace("A:", "B:").replace("about 11 of 20 simulated seasons", "every simulated season"),
    ]


def test_without_a_target_that_is_ordered_there_is_one_line():
    assert targets_met([]) == "No variety with a target is ordered."


def test_what_comes_of_a_target_says_its_weeks_its_customer_and_the_share_that_is_promised():
    usual = {"variety": "A", "week": "2027-W36", "target": 100, "p5": 60, "median": 80, "p95": 100, "chance": 0.5}
    assert targets_met([usual]) == (
        "A: about 80 plants (90 % range 60 to 100) on hand on 6 Sep 2027 (2027-W36). The target of 100 is met in 10 of "
        "20 simulated seasons."
    )
    nothing = {"until": "", "channel": "", "promised": float("nan"), "promised_share": float("nan")}
    assert targets_met([usual | nothing]) == targets_met([usual])
    shop = {"channel": "retail", "until": "2027-W42"}
    assert targets_met([usual | shop]) == (
        "A, retail: about 80 plants (90 % range 60 to 100) sold 6 Sep to 18 Oct 2027 (W36 to W42). The target of 100 "
        "is met in 10 of 20 simulated seasons."
    )
    assert targets_met([usual | {"channel": "retail", "promised_share": 0.9}]) == (
        "A, retail: about 80 plants (90 % range 60 to 100) on 6 Sep 2027 (2027-W36). 90 % of the target of 100 is met "
        "in 10 of 20 simulated seasons."
    )


def test_a_place_with_space_for_any_number_is_not_compared_with_what_is_there():
    row = {"week": "2027-W25", "p5": 12.0, "median": 16.0, "p95": 18.0, "available": 10_000.0, "overrun": 0.0}
    said = bench_use("house", fullest=row, worst=row, overrun=0.0, used=True)
    assert said == "house: fullest in the week of 21 Jun 2027 (2027-W25), about 16 m² (90 % range 12 to 18)."
