"""Sentences about uncertain inputs, two scenarios, and of the value of a trial."""

import pytest

from forecast.weeks import Week
from forecast.words import sensitivity as words


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.734, "share", "73 %"),
        (0.9955, "share", "100 %"),
        (0.92, words.OF_PRICE, "-8 %"),
        (1.8, words.OF_PRICE, "+80 %"),
        (1.0, words.OF_PRICE, "+0 %"),
        (0.71, words.FROM_NORMAL, "+0.7 °C from normal"),
        (-2.26, words.FROM_NORMAL, "-2.3 °C from normal"),
        (4.06, "weeks", "4.1 weeks"),
        (1153, "degree-days", "1,150 degree-days"),
        (1234.5, "plants", "1,250 plants"),
    ],
)
def test_an_input_has_the_figures_that_it_is_known_to(value, unit, text):
    assert words.input_value(value, unit) == text


@pytest.mark.parametrize(
    ("answer", "amount", "text"),
    [
        ("margin", 12_345.0, "12,300 EUR"),
        ("margin", -0.4567, "0 EUR"),
        ("margin", 987.6, "988 EUR"),
        ("margin", -12_345.0, "-12,300 EUR"),
        ("chance", 0.914, "about 91 of 100 simulated seasons"),
        ("saleable", 1_153.0, "1,150 plants"),
    ],
)
def test_an_answer_has_its_unit(answer, amount, text):
    assert words.answer_value(amount, answer, "EUR") == text


def test_the_input_an_answer_is_most_sensitive_to_is_named_with_both_ends():
    names = ["acclimatisation survival of hosta", "x", "y"]
    survival = {"unit": "share", "p10": 0.754, "p90": 0.932, "at_p10": 0.79, "at_p90": 0.98}
    chance = {"answer": "chance", "base": 0.912, "currency": "EUR"}
    text = (
        "The on-time chance (about 91 of 100 simulated seasons) is most sensitive to acclimatisation survival of "
        "hosta: at 75 % it falls to 79 of 100 simulated seasons, at 93 % it rises to 98 of 100 simulated seasons."
    )
    for most, following in enumerate(("", "\nNext: x.", "\nNext: x and y."), start=1):
        assert words.drivers(dict.fromkeys(names[:most], True), **chance, **survival) == f"{text}{following}"
    alike = words.drivers({names[0]: True, "x": False, "y": True}, **chance, **survival)
    assert alike == f"{text}\nNext: x (which may matter as much) and y."
    time = {"unit": "weeks", "p10": 4.0, "p90": 6.0, "at_p10": 320, "at_p90": 300}
    assert words.drivers({"growing on time of calla": True}, answer="saleable", base=300, currency="EUR", **time) == (
        "The number of saleable plants (300 plants) is most sensitive to growing on time of calla: at 4.0 weeks it "
        "rises to 320 plants, at 6.0 weeks it stays at 300 plants."
    )


def test_an_answer_may_be_sensitive_to_nothing_that_can_be_seen():
    text = "The expected margin (781 EUR) is not sensitive to any input, as far as can be seen."
    assert words.no_drivers(answer="margin", base=781.2, currency="EUR") == text


def test_interactions_are_those_that_the_errors_allow_to_see():
    share = "one by one they explain 49 % of the variance (± 26, 2 standard errors)"
    found = {"alone": 0.488, "error": 0.26, "most": "x"}
    assert words.interactions(**found, interact=True) == f"The inputs interact: {share}. Most of the rest involves x."
    assert words.interactions(**found, interact=False) == f"The inputs hardly interact: {share}."
    few = words.interactions(**found, interact=None)
    assert few == f"It takes more draws to tell whether the inputs interact: {share}."


def test_a_break_even_value_says_on_which_side_orders_are_profitable():
    survival = {"name": "hardening-off survival of hosta", "value": "61 %", "above": True}
    profitable = "The orders are profitable as long as"
    assert words.break_even(**survival, chance=None) == (
        f"{profitable} hardening-off survival of hosta is at least 61 %."
    )
    assert words.break_even(**survival, chance=0.01) == (
        f"{profitable} hardening-off survival of hosta is at least 61 %; it is lower in 1 of 100 simulated seasons."
    )
    assert words.price(1.6, "EUR per plantlet") == "1.60 EUR per plantlet"
    price = {"name": "lab price", "value": "1.60 EUR per plantlet", "above": False}
    assert words.break_even(**price, chance=0.086) == (
        f"{profitable} lab price is at most 1.60 EUR per plantlet; it is higher in about 9 of 100 simulated seasons."
    )
    assert words.no_break_even(name="x", ends=("32 %", "99 %"), profitable=False) == (
        "The orders lose money for any x between 32 % and 99 %."
    )
    assert words.no_break_even(name="lab price", ends=(), profitable=True) == (
        "The orders are profitable for any lab price."
    )


def test_a_scenario_says_how_many_plants_more_or_fewer_it_has():
    fewer = {"variety": "Hosta 'Orrinfall'", "week": "2027-W41", "difference": -110, "p5": -125, "p95": -91}
    text = "Scenario B has about 110 fewer saleable Hosta 'Orrinfall' in 2027-W41 (90 % range 91 to 125)"
    assert words.plants(**fewer, chance=0.912, other_chance=0.66) == (
        f"{text}; the target is met in 66 of 100 simulated seasons instead of about 91."
    )
    assert words.plants(**fewer, chance=1, other_chance=0) == (
        f"{text}; the target is met in no simulated season instead of every simulated season."
    )
    assert words.plants(**fewer, chance=None, other_chance=1) == f"{text}."
    more = words.plants(variety="A", week="2027-W20", difference=1, p5=-1, p95=2, chance=0, other_chance=None)
    assert more == "Scenario B has about 1 more saleable A in 2027-W20 (90 % range -1 to 2)."


def test_a_scenario_says_how_much_more_or_less_it_earns():
    less = words.margins(difference=-25, error=2, p5=-30, p95=4, better=0.1, currency="EUR")
    assert less == (
        "Scenario B earns about 25 EUR less on average (90 % range -4 to 30); it earns more in 10 of 100 simulated "
        "seasons."
    )
    more = words.margins(difference=1234, error=5, p5=1200, p95=1300, better=1, currency="SEK")
    assert more == (
        "Scenario B earns about 1,250 SEK more on average (90 % range 1,200 to 1,300); it earns more in every "
        "simulated season."
    )


@pytest.mark.parametrize(("difference", "error"), [(3, 2), (-3, 1.5), (0.4, 0.1)])
def test_a_difference_within_its_error_is_said_to_be_none_that_can_be_seen(difference, error):
    """Scenario B earned 3 EUR more."""
    text = words.margins(difference=difference, error=error, p5=-60, p95=70, better=0.5, currency="EUR")
    assert text == (
        "No difference in the average margin can be seen (90 % range of scenario B less A -60 to 70 EUR); scenario B "
        "earns more in 50 of 100 simulated seasons."
    )


@pytest.mark.parametrize(("other", "said"), [(0.774, "too small to tell"), (0.776, "none")])
def test_two_numbers_that_differ_are_not_said_to_be_the_same(other, said):
    """15.52 of 20 and 15.48 of 20, one standard error apart, are printed as 16 and 15."""
    row = {"what": "on time", "variety": "A", "channel": None, "week": Week(2028, 16), "first": 0.776, "other": other,
           "difference": other - 0.776, "error": 0.002}  # fmt: skip
    assert [*words.effect(row, "EUR").values()][-1] == said


def test_differences_of_scenarios_are_cells_and_rows():
    cells = [
        words.change(table="stages", row="crop, arrival", column="survival", old=0.5, new=0.6),
        words.change(table="season", row="", column="budget", old=None, new=500.0),
        words.change(table="orders", row="B, 2027-W06", column="", old="there", new="not there"),
    ]
    assert cells == [
        "stages, crop, arrival: survival 0.5 to 0.6", "season: budget empty to 500", "orders, B, 2027-W06 is not there",
    ]  # fmt: skip
    assert words.changes(cells[:1], 0) == "Differences: stages, crop, arrival: survival 0.5 to 0.6."
    assert words.changes(["a", "b"], 1) == "Differences: a; b; and 1 more cell."
    assert words.changes(["a"], 1200) == "Differences: a; and 1,200 more cells."


def test_a_trial_says_its_value_its_cost_and_the_order_without_it():
    order = words.order(1200, "Calla 'Daviorne'", "Lab", Week.parse("2027-W20"))
    assert words.without_trial(variety="Calla 'Daviorne'", order=order, margin=756.6, currency="EUR") == (
        "Without a trial, order 1,200 Calla 'Daviorne' from Lab for 2027-W20: expected margin about 755 EUR."
    )
    assert words.without_trial(variety="A", order="", margin=0, currency="EUR") == (
        "Without a trial, order no A: every order is expected to lose money."
    )
    value = {"plants": 72, "evsi": 8.2, "error": 1.1, "evpi": 9, "currency": "EUR"}
    assert words.trial(**value, cost=252) == (
        "A trial of 72 plants is worth about 8 EUR (± 1 EUR, standard error) and costs about 250 EUR: it does not pay. "
        "Knowing the survival for certain would be worth 9 EUR."
    )
    assert "costs about 7 EUR: it pays." in words.trial(**value, cost=7)
    assert words.no_trial("X") == (
        "All the uncertainty in X is batch-to-batch luck (no belief or variety share), so a trial cannot inform the "
        "main order: it is worth nothing."
    )


def test_decisions_after_a_trial_are_ranges_of_survivors():
    order = words.order(576, "", "Lab", Week.parse("2027-W20"))
    assert order == "576 from Lab for 2027-W20"
    runs = [(12, 19, "576"), (20, 58, "432"), (59, 70, "360")]
    assert words.decisions(runs, 72) == (
        "Fewer than 20 of 72 survive: order 576. 20 to 58: order 432. 59 or more: order 360."
    )
    assert words.decisions([(0, 0, "none"), (1, 1, order), (2, 2, "9")], 2) == (
        "Fewer than 1 of 2 survive: order none. 1: order 576 from Lab for 2027-W20. 2 or more: order 9."
    )
    assert words.decisions([(0, 1199, "none"), (1200, 1299, order)], 1299) == (
        "Fewer than 1,200 of 1,299 survive: order none. 1,200 or more: order 576 from Lab for 2027-W20."
    )
    assert words.decisions([(3, 9, "none")], 9) == "No likely outcome changes the order."


def test_what_to_measure_first_is_the_three_worth_most_and_what_cannot_be_seen_is_a_bound():
    row = {"stage": "growing on", "applies_to": "hosta", "rests_on": "judgement"}
    rows = [
        row | {"worth": worth, "error": error} for worth, error in ((121.4, 8.0), (3.2, 2.0), (0.0, 0.0), (0.0, 0.0))
    ]
    _, *lines = words.measure_first(rows, "EUR").splitlines()
    assert lines == [
        "  growing on survival of hosta (judgement): about 121 EUR",
        "  growing on survival of hosta (judgement): at most 7 EUR",
        "  growing on survival of hosta (judgement): at most 2 EUR",
    ]
    assert words.measure_first([], "EUR") == ""
