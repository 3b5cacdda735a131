"""What an order plan says, from plain numbers."""

import pytest

from forecast.planning.plan import LeftOut
from forecast.weeks import Week
from forecast.words import plans

WEEK = Week(2027, 12)


@pytest.mark.parametrize(
    ("numbers", "text"),
    [
        (
            {"plants": 6_824, "varieties": 10, "deliveries": 14, "purchase": 9_750, "cost": 24_000, "budget": 31_000},
            "Order 6,824 plantlets of 10 varieties in 14 deliveries. Plants and freight cost 9,750 EUR; with growing, "
            "24,000 EUR (budget 31,000 EUR).",
        ),
        (
            {"plants": 100, "varieties": 1, "deliveries": 1, "purchase": 123.45, "cost": 173.45, "budget": None},
            "Order 100 plantlets of 1 variety in 1 delivery. Plants and freight cost 125 EUR; with growing, 175 EUR.",
        ),
    ],
)
def test_a_plan_says_what_it_orders_and_costs(numbers, text):
    assert plans.purchase(currency="EUR", **numbers) == text


def test_a_plan_of_greatest_margin_says_what_it_earns():
    text = "Its expected margin is about 2,250 EUR; in the worst 10 % of seasons it averages about -1,250 EUR."
    found = plans.expected_margin(margin=2_253, worst_tenth=-1_234, gap=0, currency="EUR")
    assert found == f"{text} No other plan can earn more."


@pytest.mark.parametrize(
    ("gap", "text"),
    [(0.0, "be cheaper"), (9e-7, "be cheaper"), (0.0002, "be more than 0.1 % cheaper (optimality gap)"),
     (0.001, "be more than 0.1 % cheaper (optimality gap)"), (0.00101, "be more than 0.2 % cheaper (optimality gap)"),
     (0.02, "be more than 2.0 % cheaper (optimality gap)")],
)  # fmt: skip
def test_the_optimality_gap_is_rounded_up_to_a_tenth_of_a_percent(gap, text):
    assert plans.all_met(gap=gap) == f"Every target is met at its service level. No other plan can {text}."
    said = plans.expected_margin(margin=1, worst_tenth=1, gap=gap, currency="EUR")
    assert said.endswith(f" No other plan can {text}.".replace("be", "earn").replace("cheaper", "more"))


@pytest.mark.parametrize(
    ("cells", "text"),
    [
        (
            {"limit": "tunnel", "week": "2027-W12", "earns": True},
            "Binding limit: tunnel, week of 22 Mar 2027 (2027-W12). One more m² would earn about 1,442.01 EUR.",
        ),
        (
            {"limit": "budget", "week": "", "earns": False},
            "Binding limit: budget. One more EUR would save about 1,442.01 EUR.",
        ),
    ],
)
def test_a_binding_limit_is_said_with_what_one_more_unit_is_worth(cells, text):
    assert plans.binding(shadow_price=1_442.006, currency="EUR", **cells) == text


ORDER = ((300, Week(2027, 8)),)


@pytest.mark.parametrize(
    ("why", "text"),
    [
        (LeftOut("no lab"), "No lab offers it."),
        (LeftOut("too late"), "No delivery can arrive before its target week."),
        (LeftOut("too large"), "Even its smallest order breaks a limit of the plan."),
        (
            LeftOut("earns less", ORDER, 1_352, ("budget",), "EUR"),
            "On its own (300 plants, 2027-W08) it would earn 1,350 EUR, but the budget earns more in other varieties.",
        ),
        (
            LeftOut("earns less", ((1, WEEK), (2_000, WEEK + 1)), 10, ("budget", "house"), "EUR"),
            "On its own (1 plant, 2027-W12 and 2,000 plants, 2027-W13) it would earn 10 EUR, but the budget and the "
            "house earn more in other varieties.",
        ),
        (
            LeftOut("earns less", ORDER, 10, currency="EUR"),
            "On its own (300 plants, 2027-W08) it would earn 10 EUR, but other varieties earn more in its place.",
        ),
        (
            LeftOut("loses", ORDER, -2_000, ("budget",), "EUR"),
            "Its best order (300 plants, 2027-W08) would lose 2,000 EUR.",
        ),
    ],
)
def test_a_variety_that_is_not_ordered_is_said_with_its_reason(why, text):
    assert plans.not_ordered("Hosta 'Quenvara'", why) == f"Not ordered: Hosta 'Quenvara'. {text}"


@pytest.mark.parametrize(
    ("cells", "text"),
    [
        ({"quantity": None}, "nothing"),
        ({"quantity": 1_125}, "1,125"),
        ({"quantity": 100, "week": WEEK}, "100 for 2027-W12"),
        ({"quantity": 120, "lab": "Other lab"}, "120 from Other lab"),
        ({"quantity": 120, "lab": "Other lab", "week": WEEK}, "120 from Other lab for 2027-W12"),
    ],
)
def test_what_takes_the_place_of_an_order_is_said_as_far_as_it_differs(cells, text):
    assert plans.instead(**cells) == text


@pytest.mark.parametrize(
    ("margin", "better", "more"),
    [
        (-1_234.5, 45.6, "46 EUR (3.7 %) higher (from 3 repeated searches)."),
        (0.5, 0.25, "0.25 EUR (50.0 %) higher (from 3 repeated searches)."),
        (15_523.4, 35.7, "40 EUR (0.3 %) higher (from 3 repeated searches)."),  # found on one processor
        (15_523.4, 38.6, "40 EUR (0.3 %) higher (from 3 repeated searches)."),  # found on another
        (0.5, None, None),
    ],
)
def test_an_out_of_sample_check_says_what_the_plan_earns_and_how_much_more_another_could(margin, better, more):
    found = plans.out_of_sample(
        margin=margin, error=1212.3, worst_tenth=-5_600, better=better, searches=3, gap=1e-3, currency="EUR"
    ).splitlines()
    first = {-1_234.5: "-1,000", 0.5: "0", 15_523.4: "16,000"}[margin]
    assert found[0] == (
        f"On new simulated seasons the plan earns {first} EUR ± 1,000 (standard error), and -5,600 EUR on average in "
        "the worst 10 % of them."
    )
    assert found[1:] == (
        [f"With 95 % confidence, the expected margin of every other plan is at most {more}"] if more else []
    )


def test_limits_that_are_too_tight_are_said_with_what_it_would_take():
    text = "No plan meets every target at its service level within your limits. It would take {}. Otherwise lower a "
    text += "target, move it later, or lower the service level."
    found = plans.limits_short({"covered house": 4.42, "budget": 27_401.3}, "EUR")
    assert found == text.format("4.5 m² more covered house and 27,402 EUR more budget")
    assert plans.limits_short({"budget": 121}, "EUR") == text.format("121 EUR more budget")


@pytest.mark.parametrize(("shortfall", "best"), [(0.0, ""), (800.4, "; the best earns about 4,200 EUR")])
def test_a_minimum_that_is_too_high_is_said_with_the_best_there_is(shortfall, best):
    assert plans.floor_out_of_reach(5_000, shortfall, "EUR") == (
        f"No plan found earns 5,000 EUR on average in the worst 10 % of seasons{best}. Lower this minimum, or allow "
        "more budget or bench area."
    )
