"""Rates by cycle: read, held on, fitted to totals and written; and levels of which each cycle has its own."""

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from refusals import refused
from small_seasons import stage

from forecast import Refused
from forecast.rates.by_cycle import ByCycle
from forecast.rates.levels import Level
from forecast.season.stages import Stage

some = settings(max_examples=100, deadline=None, derandomize=True)
numbers = st.floats(0, 1e300)
rates = st.lists(numbers, min_size=1, max_size=8).map(lambda drawn: ByCycle(tuple(drawn)))
NOT_NUMBERS = (
    "not numbers from 0, one for each cycle. Write one number, or one for each cycle separated by spaces, such as "
    "2.1 2.6 2.4; decimals with a point."
)
NOT_TOTALS = "not plants counted after cycles. Give cycles from 1 with plants above 0, such as {6: 584, 8: 3451}."


def product(by_cycle, cycles):
    return math.prod(by_cycle.at(cycle) for cycle in range(1, cycles + 1))


@pytest.mark.parametrize(
    "cell",
    [
        "2 2.5 3", " 2  2.5\t3 ", "2. 2.50 3", "2e0 25e-1 .3e1", [2, 2.5, 3], (2, 2.5, 3),
        ["2", "2.5", "3"], ByCycle((2.0, 2.5, 3.0)),
    ],
)  # fmt: skip
def test_numbers_by_cycle_may_be_written_in_many_ways(cell):
    assert ByCycle.parse(cell) == ByCycle((2.0, 2.5, 3.0))


@pytest.mark.parametrize("cell", [2.5, "2.5", [2.5], np.float64(2.5)])
def test_one_number_counts_for_all_cycles(cell):
    rate = ByCycle.parse(cell)
    assert rate.values == (2.5,)
    assert [rate.at(cycle) for cycle in (1, 2, 50)] == [2.5] * 3


def test_each_cycle_has_its_own_number_and_the_last_holds_on():
    rate = ByCycle.parse("2 3 5 4")
    assert [rate.at(cycle) for cycle in range(1, 8)] == [2, 3, 5, 4, 4, 4, 4]


@pytest.mark.parametrize(
    ("cell", "shown"),
    [
        ("", "''"), ("   ", "'   '"), ("many", "'many'"), ("2,5", "'2,5'"), ("2,1 2,6", "'2,1 2,6'"),
        ("2.1, 2.6", "'2.1, 2.6'"), ("2.1;2.6", "'2.1;2.6'"), ("2 -1", "'2 -1'"), ("-2", "'-2'"), ("85 %", "'85 %'"),
        ("2 nan", "'2 nan'"), ("inf", "'inf'"), ("1e400", "'inf'"), ("2..5", "'2..5'"), ("0x10", "'0x10'"),
        (-1, "'-1'"), (math.nan, "'nan'"), (math.inf, "'inf'"), ([2, -1], "'[2, -1]'"), ([], "'[]'"),
        (["a"], "\"['a']\""), (None, "'None'"), ({}, "'{}'"),
    ],
)  # fmt: skip
def test_what_is_not_numbers_from_0_is_refused_with_what_would_do(cell, shown):
    assert refused(ByCycle.parse, cell) == f"values, {shown}: {NOT_NUMBERS}"


@pytest.mark.parametrize("values", [(), (-1.0,), (2.0, math.nan), (math.inf, 2.0)])
def test_numbers_by_cycle_cannot_be_made_of_others(values):
    with pytest.raises(Refused, match="not numbers from 0, one for each cycle"):
        ByCycle(values)


@some
@given(rate=rates)
@example(rate=ByCycle.from_totals({6: 584, 8: 3451}))
@example(rate=ByCycle((0.1 + 0.2,)))
def test_what_is_written_is_read_back_to_the_last_digit(rate):
    assert ByCycle.parse(str(rate)) == rate


@some
@given(digits=st.lists(st.tuples(st.integers(0, 99_999), st.integers(0, 4)), min_size=1, max_size=6))
def test_numbers_of_a_few_digits_are_written_as_a_grower_would(digits):
    written = [f"{whole / 10**places:.{places}f}" for whole, places in digits]
    short = " ".join(number.rstrip("0").rstrip(".") if "." in number else number for number in written)
    assert str(ByCycle.parse(" ".join(written))) == short


counted = st.integers(1, 15)


@some
@given(first=counted, more=counted, logs=st.tuples(st.floats(-2, 14), st.floats(-2, 14)), start=st.floats(0.5, 100))
def test_rates_fitted_to_two_totals_give_both_exactly(first, more, logs, start):
    totals = {first: math.exp(logs[0]), first + more: math.exp(logs[1])}
    rate = ByCycle.from_totals(totals, start=start)
    for cycles, total in totals.items():
        assert start * product(rate, cycles) == pytest.approx(total, rel=1e-9)
    assert len(rate.values) == first + more
    if len(rate.values) > 2:
        assert np.diff(np.log(rate.values), n=2) == pytest.approx(0, abs=1e-9)  # by the same share each cycle


@some
@given(cycles=counted, total=st.floats(0.1, 1e9), start=st.floats(0.5, 100))
def test_one_total_gives_the_same_rate_in_all_cycles(cycles, total, start):
    rate = ByCycle.from_totals({cycles: total}, start=start)
    assert rate.values == pytest.approx([(total / start) ** (1 / cycles)] * cycles, rel=1e-9)


@some
@given(rate=st.floats(1, 6), share=st.floats(0.7, 1.2), cycles=st.lists(counted, min_size=3, max_size=6, unique=True))
def test_many_totals_that_one_law_gives_have_its_rates_back(rate, share, cycles):
    totals = {n: rate**n * share ** (n * (n - 1) / 2) for n in cycles}
    found = ByCycle.from_totals(totals)
    assert found.values == pytest.approx([rate * share**i for i in range(max(cycles))], rel=1e-6)
    assert ByCycle.from_totals(dict(sorted(totals.items(), reverse=True))) == found


def test_totals_that_no_law_gives_are_fitted_by_least_squares_of_their_logarithms():
    totals = {2: 5.0, 4: 40.0, 5: 60.0, 7: 700.0}
    found = ByCycle.from_totals(totals).values
    level, step = math.log(found[0]), math.log(found[1] / found[0])

    def misfit(a, b):
        return sum((math.log(total) - n * a - n * (n - 1) / 2 * b) ** 2 for n, total in totals.items())

    least = misfit(level, step)
    assert least > 0.01
    nudges = [(0.01, 0), (-0.01, 0), (0, 0.003), (0, -0.003), (0.01, -0.003), (-0.01, 0.003)]
    assert all(misfit(level + a, step + b) > least for a, b in nudges)
    slopes = [(misfit(level + 1e-5 * a, step + 1e-5 * b) - least) / 1e-5 for a, b in ((1, 0), (0, 1))]
    assert slopes == pytest.approx([0, 0], abs=1e-2)  # second derivatives times the step


@pytest.mark.parametrize(
    "totals",
    [{}, {0: 5}, {-1: 5}, {1.5: 5}, {6: 0}, {6: -1}, {6: math.nan}, {6: math.inf}, {6: 584, 8: 0}, {0.5: 5}],
)  # fmt: skip
def test_totals_that_cannot_be_are_refused_with_what_would_do(totals):
    assert refused(ByCycle.from_totals, totals) == f"totals, '{totals}': {NOT_TOTALS}"


@pytest.mark.parametrize("start", [0, -1, math.inf, math.nan])
def test_a_start_that_cannot_be_is_refused(start):
    with pytest.raises(Refused, match=r"start, .*: not usable\. Give a number above 0\."):
        ByCycle.from_totals({6: 584}, start=start)


@pytest.mark.parametrize("totals", [{1: 1e-300, 2: 1e300}, {math.inf: 5}])
def test_totals_that_give_no_rates_are_refused(totals):
    with pytest.raises(Refused, match="totals"):
        ByCycle.from_totals(totals)


def scores(words):
    rng = np.random.default_rng(1)
    return {word: rng.standard_normal(16) for word in words}


@pytest.mark.parametrize(
    ("text", "shares"),
    [
        ("cycle", {"cycle": 1.0}),
        ("batch", {"batch": 1.0}),
        ("season 0.3 cycle 0.7", {"season": 0.3, "cycle": 0.7}),
        ("belief 0.1 season 0.2 variety 0.3 batch 0.25 cycle 0.15",
         {"belief": 0.1, "season": 0.2, "variety": 0.3, "batch": 0.25, "cycle": 0.15}),
    ],
)  # fmt: skip
def test_a_score_is_the_sum_of_its_words_scores_by_the_roots_of_their_shares(text, shares):
    level, owned = Level.parse(text), scores(shares)
    asked = []

    def normal(word):
        asked.append(word)
        return owned[word]

    right = sum(math.sqrt(share) * owned[word] for word, share in shares.items())
    assert level.score(normal) == pytest.approx(right, rel=1e-14, abs=1e-14)
    assert asked == list(shares)  # each once, and no other
    assert str(level) == text
    assert Level.parse(str(level)) == level


def test_where_only_plants_differ_the_score_is_0_and_nobody_is_asked_for_theirs():
    def normal(word):
        raise AssertionError(word)

    assert Level.parse("plant").score(normal).tolist() == [0.0]


@pytest.mark.parametrize(
    "text", ["cycle 0.5 cycle 0.5", "cycle 0.5 batch 0.4", "cycle 0.5 plant 0.5", "cycles", "Cycle", "round"]
)
def test_a_level_with_cycles_that_is_none_is_refused(text):
    assert refused(Level.parse, text) == (
        f"level, '{text}': not a level. Write one of belief, season, variety, batch, cycle (of a culture), plant, "
        "or shares of all but the last that add to 1, such as 'season 0.3 variety 0.2 batch 0.5'."
    )


@pytest.mark.parametrize("column", ["time_level", "survival_level"])
@pytest.mark.parametrize("level", ["cycle", "cycle 0.5 batch 0.5", "season 0.25 cycle 0.75"])
def test_a_stage_has_no_cycles(column, level):
    remedy = "only cultures have subcultures (cycle). Write belief, season, variety, batch or plant."
    assert refused(Stage, **stage(typical=4) | {column: level}) == f"Stage, {column}, '{level}': {remedy}"
