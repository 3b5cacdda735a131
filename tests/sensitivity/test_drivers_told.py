"""What is said of drivers, word for word and cell by cell, and where orders stop to pay, in closed form."""

import math

import numpy as np
import pytest
from scipy import stats
from small_seasons import beta_spread, offer, season, stage

from forecast import Refused, what_drives
from forecast.sensitivity.drivers import _crossing
from forecast.sensitivity.inputs import told
from forecast.sensitivity.sobol import sobol_table, tornado

WEEK = "2027-W20"
FEW = {"draws": 16, "seed": 1}
ORDER = [("A", "2027-W05", 400)]


def plan(route, price=2.0, cost=1.2, target=10_000):
    made = season(
        route, price_list=[offer(unit_price=cost)], targets=[{"variety": "A", "week": WEEK, "target": target}]
    )
    return made.replace(varieties=[made.variety("A").replace(sale_price=price)])


def losses(count):
    """As many stages that only lose plants, the first the most."""
    return [stage(f"s{i}", **beta_spread(8.0 * 2**i, 2.0 * 2**i)) for i in range(count)]


ONE = plan(losses(1))


# --- tables


def test_the_tornado_has_a_row_for_each_input_with_its_unit_the_largest_swing_first():
    drivers = what_drives(plan(losses(3)), orders=ORDER, also={"sale price": 0.05}, **FEW)
    table = drivers.tornado()
    assert table.columns.tolist() == ["input", "unit", "p10", "p90", "at_p10", "at_p90", "swing"]
    assert table["unit"].value_counts().to_dict() == {"share": 3, "of the stated price": 1}
    assert table["swing"].tolist() == sorted((table["at_p90"] - table["at_p10"]).abs(), reverse=True)
    table["swing"] = 0.0
    assert (drivers.tornado()["swing"] > 0).all()


@pytest.mark.parametrize(("asked", "rows"), [({}, 5), ({"top": 2}, 2), ({"top": 6}, 6), ({"top": 9}, 6)])
def test_indices_are_of_the_five_largest_swings_unless_others_are_asked_for(asked, rows):
    drivers = what_drives(plan(losses(6)), orders=ORDER, **FEW)
    table = drivers.indices(**asked)
    names = drivers.tornado()["input"].tolist()
    assert table["input"].tolist() == [*names[:rows], *(["all else"] if rows < 6 else [])]
    assert table.columns.tolist() == ["input", "first", "first_error", "total", "total_error"]


def test_what_acts_together_is_said_in_the_numbers_of_the_indices():
    for route, draws in ((losses(2), 64), (losses(6), 64), (losses(6), 1024)):
        drivers = what_drives(plan(route), orders=ORDER, answer="saleable", draws=draws, seed=1)
        table = drivers.indices()
        alone, error = 100 * table["first"].sum(), 200 * math.hypot(*table["first_error"])
        text = f"one by one the inputs explain {alone:.0f} % of the variance, give or take {error:.0f}"
        assert text in drivers.interactions()


# --- sentences


@pytest.mark.parametrize(("count", "then"), [(1, ""), (2, "\nThen comes {1}."), (4, "\nThen come {1} and {2}.")])
def test_the_inputs_after_the_first_are_named_up_to_the_third(count, then):
    drivers = what_drives(plan(losses(count)), orders=ORDER, answer="saleable", **FEW)
    rows = drivers.tornado().to_dict("records")
    first = rows[0]
    assert str(drivers) == (
        f"The number saleable, {drivers.said(drivers.base)}, hangs most on {first['input']}: "
        f"{told(first['p10'], 'share')} gives {drivers.said(first['at_p10'])}, "
        f"{told(first['p90'], 'share')} gives {drivers.said(first['at_p90'])}."
        f"{then.format(*(row['input'] for row in rows))}"
    )


@pytest.mark.parametrize(
    ("answer", "amount", "said"),
    [
        ("margin", 12_345.0, "12,300 EUR"),
        ("margin", -0.4567, "0 EUR"),
        ("margin", 987.6, "988 EUR"),
        ("margin", -12_345.0, "-12,300 EUR"),
        ("chance", 0.914, "about 91 seasons in 100"),
        ("saleable", 1_153.0, "1,150 plants"),
    ],
)
def test_an_answer_is_said_with_its_unit(answer, amount, said):
    assert what_drives(ONE, orders=ORDER, answer=answer, **FEW).said(amount) == said


def test_drivers_and_break_evens_are_shown_without_what_they_were_worked_out_from():
    drivers = what_drives(ONE, orders=ORDER, **FEW)
    assert repr(drivers) == f"Drivers(answer='margin', base={drivers.base!r}, currency='EUR')"
    found = drivers.break_even("lab price")
    assert repr(found) == f"BreakEven(input='lab price', unit='EUR a plantlet', value={found.value!r}, chance=None)"


# --- where orders stop to pay


def spread(share):
    """Return the deviation of the logarithm of a lognormal time from its relative spread."""
    return math.sqrt(math.log(1 + share**2))


def test_a_time_breaks_even_from_above_where_too_few_plants_are_ready_in_time():
    """Ready within 15 weeks are Phi(ln(15 / time) / s) of the plants; 0.6 of them pay for all, at 1.2 against 2."""
    growing = stage(typical=12, survival=1, plants_cv=0.2, batches_cv=0.2)
    found = what_drives(plan([growing]), orders=ORDER, draws=64, seed=1).break_even("time in acclimatisation, crop")
    value = 15 * math.exp(-spread(0.2) * stats.norm.ppf(0.6))
    chance = stats.norm.sf(math.log(value / 12) / spread(0.2))
    assert found.value == pytest.approx(value, rel=1e-3)
    assert found.chance == pytest.approx(chance, abs=2e-3)
    assert (found.input, found.unit) == ("time in acclimatisation, crop", "weeks")
    assert str(found) == (
        "The orders do not pay if time in acclimatisation, crop is above 14.3 weeks, as it is in "
        f"about {100 * chance:.0f} seasons in 100."
    )


@pytest.mark.parametrize(
    ("margins", "pair"),
    [
        ({-2: -1.0, -1: 1.0, 0: 2.0, 1: 2.0, 2: 3.0}, (-2, -1)),
        ({2: 3.0, 0: 2.0, 1: -1.0, -1: 5.0, -2: -1.0}, (0, 1)),  # the other crossing is farther from the middle
        ({-1: 0.0, 0: 1.0, 1: 2.0}, None),
        ({-1: -1.0, 0: 0.0, 1: -2.0}, (-1, 0)),  # as near as the one after it, which comes later
        ({-1: -3.0, 0: -1.0}, None),
    ],
)
def test_of_several_changes_of_sign_the_nearest_to_the_middle_counts(margins, pair):
    assert _crossing(margins) == pair


@pytest.mark.parametrize(
    ("name", "cells", "pays"),
    [
        ("lab price", {"cost": 0}, "pay"),
        ("sale price", {"price": 0.0}, "do not pay"),
        ("lab price", {"price": 0.0}, "do not pay"),
    ],
)
def test_a_price_that_decides_nothing_is_said_to(name, cells, pays):
    found = what_drives(plan(losses(1), **cells), orders=ORDER, **FEW).break_even(name)
    assert (found.input, found.value, found.chance) == (name, None, None)
    assert found.unit == ("EUR a plantlet" if name == "lab price" else "EUR a plant")
    assert str(found) == f"Whatever the {name}, the orders {pays}."


def test_a_lab_price_within_a_range_breaks_even_from_above_with_its_chance():
    """In every season 0.8 live: at 2 a plant they bring in 1.6, a third more than 1.2; 0.4 is twice a third of 1.2."""
    made = plan([stage("arrival", survival=0.8)])
    found = what_drives(made, orders=ORDER, also={"lab price": 0.4}, **FEW).break_even("lab price")
    chance = stats.norm.sf(1 / 3 / 0.4 * stats.norm.ppf(0.95))
    assert found.value == pytest.approx(1.6)
    assert found.chance == pytest.approx(chance)
    assert str(found) == (
        "The orders do not pay if lab price is above 1.60 EUR a plantlet, as it is in about "
        f"{100 * chance:.0f} seasons in 100."
    )


# --- refusals


@pytest.mark.parametrize("part", [0, -0.1, 0.51, True, "0.1", math.nan])
def test_what_is_no_range_of_a_price_is_refused_in_words(part):
    with pytest.raises(Refused) as told_:
        what_drives(ONE, orders=ORDER, also={"sale price": part}, **FEW)
    assert str(told_.value).endswith("not a range of the sale price. Give a part of it up to 0.5: 0.1.")


def test_half_of_a_price_is_still_a_range():
    table = what_drives(ONE, orders=ORDER, also={"sale price": 0.5}, **FEW).tornado()
    row = table.set_index("input").loc["sale price"]
    assert row["p90"] == pytest.approx(1 + 0.5 * stats.norm.ppf(0.9) / stats.norm.ppf(0.95))


@pytest.mark.parametrize(
    ("made", "asked", "said"),
    [
        (ONE, {"answer": "profit"}, "answer, 'profit': not an answer. Write margin, chance or saleable."),
        (
            ONE.replace(targets=()),
            {"answer": "chance"},
            "variety: nothing that is ordered is wanted. Order something of it, and say how many are wanted.",
        ),
        (
            plan([stage("arrival", survival=0.8)]),
            {},
            "season, 'test': nothing is uncertain in it. State spreads of survivals and times.",
        ),
        (
            ONE,
            {"also": {"freight": 0.1}},
            "also, 'freight': not a price that this answer hangs on. For a margin: sale price or lab price.",
        ),
    ],
)
def test_what_cannot_be_answered_is_refused_in_words(made, asked, said):
    with pytest.raises(Refused) as told_:
        what_drives(made, orders=ORDER, **asked, **FEW)
    assert str(told_.value) == said


@pytest.mark.parametrize("top", [0, -1, 1.5, "2"])
def test_what_is_no_number_of_inputs_is_refused_in_words(top):
    with pytest.raises(Refused) as told_:
        what_drives(ONE, orders=ORDER, **FEW).indices(top=top)
    assert str(told_.value).endswith("not a number of inputs. Give a whole number from 1.")


def test_what_has_no_break_even_is_refused_in_words():
    with pytest.raises(Refused) as told_:
        what_drives(ONE, orders=ORDER, answer="chance", **FEW).break_even("sale price")
    assert str(told_.value) == ("answer, 'chance': only a margin breaks even. Ask what_drives with answer=\"margin\".")
    with pytest.raises(Refused) as told_:
        what_drives(ONE, orders=ORDER, **FEW).break_even("lab prise")
    assert str(told_.value).startswith("input, 'lab prise': not an uncertain input of these orders. ")
    assert "lab price" in str(told_.value).split(". ", maxsplit=1)[1]


# --- functions of inputs


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"n": 1}, "n, '1': not usable. Give a whole number from 2 to 1,048,576."),
        ({"n": 2**21}, "n, '2097152': not usable. Give a whole number from 2 to 1,048,576."),
        ({"n": 48}, "n, 48: not a power of two. Give a number of draws such as 512 or 1024."),
        ({"seed": -1}, "seed, '-1': not usable. Give a whole number from 0 to 9,223,372,036,854,775,807."),
    ],
)
def test_draws_of_a_function_are_a_power_of_two_and_a_seed(asked, said):
    with pytest.raises(Refused) as told_:
        tornado(lambda x: x[0], {"one": stats.norm()}, **{"n": 4, "seed": 0} | asked)
    assert str(told_.value) == said


def test_two_even_draws_are_enough_and_inputs_of_equal_swing_keep_their_order():
    inputs = {name: stats.uniform(0, 1) for name in ("first", "second", "third")}
    table = tornado(lambda x: x[0] - x[1] + 2 * x[2], inputs, n=2, seed=0)
    assert table["input"].tolist() == ["third", "first", "second"]
    assert table.columns.tolist() == ["input", "p10", "p90", "at_p10", "at_p90", "swing"]
    assert table["p10"].tolist() == pytest.approx([0.1] * 3)
    assert table["p90"].tolist() == pytest.approx([0.9] * 3)
    assert table["swing"].tolist() == pytest.approx([1.6, 0.8, 0.8])


def test_the_errors_of_indices_are_those_of_a_ratio_of_two_means_by_hand():
    """Of products p with mean index times V over n draws, sd(p - index q) / (mean q sqrt(n)), q the squares."""
    rng = np.random.default_rng(5)
    one, other, mixed = rng.normal(3, 1, (3, 8))
    (row,) = sobol_table(["input"], one, other, [mixed]).to_dict("records")
    mean = np.concatenate([one, other]).mean()
    a, b, m = one - mean, other - mean, mixed - mean
    squares = (a**2 + b**2) / 2
    for name, parts in (("first", b * (m - a)), ("total", (a - m) ** 2 / 2)):
        index = parts.mean() / np.concatenate([one, other]).var()
        assert row[name] == pytest.approx(index)
        assert row[f"{name}_error"] == pytest.approx(np.std(parts - index * squares) / squares.mean() / math.sqrt(8))


def test_an_order_of_a_variety_without_a_price_of_its_own_has_no_sale_to_break_even():
    two = season(
        [stage("arrival", **beta_spread(8.0, 2.0))],
        varieties=("A", "B"),
        targets=[{"variety": "A", "week": WEEK, "target": 50}],
    )
    two = two.replace(varieties=[two.variety("A").replace(sale_price=2.0), two.variety("B")])
    drivers = what_drives(two, "B", orders=[("A", "2027-W05", 40), ("B", "2027-W05", 30)], **FEW)
    assert drivers.base == pytest.approx(-30)
    assert str(drivers.break_even("sale price")) == "Whatever the sale price, the orders do not pay."
