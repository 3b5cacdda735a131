"""Numbers as text: chances as seasons, weeks with their Monday, rounded numbers, shares."""

import math
import re
from pathlib import Path

import pytest

import forecast
from forecast.weeks import Week
from forecast.words.numbers import (
    apart,
    at_most,
    cash,
    counted,
    dated,
    figures,
    known,
    money,
    more_or_less,
    needed,
    of_100,
    percent,
    rounded,
    seasons,
    signed,
    to_known,
    unit_worth,
)


@pytest.mark.parametrize(
    ("chance", "text"),
    [
        (0, "no simulated season"),
        (0.0001, "fewer than 1 of 1,000 simulated seasons"),
        (0.002, "2 of 1,000 simulated seasons"),
        (0.0051, "about 5 of 1,000 simulated seasons"),
        (0.026, "about 1 of 20 simulated seasons"),
        (0.5, "10 of 20 simulated seasons"),
        (0.29, "about 6 of 20 simulated seasons"),
        (0.9124, "about 18 of 20 simulated seasons"),
        (0.974, "about 19 of 20 simulated seasons"),
        (0.9949, "all but about 5 of 1,000 simulated seasons"),
        (0.99, "all but 10 of 1,000 simulated seasons"),
        (0.9999, "all but about 1 of 1,000 simulated seasons"),
        (1, "every simulated season"),
    ],
)
def test_a_chance_is_a_number_of_simulated_seasons(chance, text):
    assert seasons(chance) == text


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (0.82, 0.95, "16 to 19 of 20 simulated seasons"),
        (0.9, 0.91, "18 of 20 simulated seasons"),
        (0.82, 0.996, "16 of 20 to all but 4 of 1,000 simulated seasons"),
        (0, 1, "none to all simulated seasons"),
    ],
)
def test_chances_are_a_range_of_simulated_seasons(low, high, text):
    assert seasons(low, high) == text


@pytest.mark.parametrize(
    ("chance", "text"),
    [
        (0, "no simulated season"),
        (0.0049, "fewer than 1 of 100 simulated seasons"),
        (0.29, "29 of 100 simulated seasons"),
        (0.9124, "about 91 of 100 simulated seasons"),
        (0.9951, "more than 99 of 100 simulated seasons"),
        (1, "every simulated season"),
    ],
)
def test_where_small_differences_matter_it_is_one_of_100(chance, text):
    assert of_100(chance) == text


@pytest.mark.parametrize(
    ("week", "text"),
    [
        (Week(2027, 41), "11 Oct 2027 (2027-W41)"),
        ("2027-W41", "11 Oct 2027 (2027-W41)"),
        ("2026-W53", "28 Dec 2026 (2026-W53)"),
        ("2025-W01", "30 Dec 2024 (2025-W01)"),
    ],
)
def test_a_week_has_the_day_of_its_monday(week, text):
    assert dated(week) == text


@pytest.mark.parametrize(
    ("number", "text"),
    [(0, "0"), (7.4, "7"), (153, "155"), (1153, "1,150"), (12_340, "12,500"), (-1153, "-1,150"), (-0.2, "0")],
)
def test_a_number_has_the_figures_that_draws_support(number, text):
    assert signed(number) == text
    assert rounded(abs(number)) == text.removeprefix("-")
    assert money(number, "EUR") == f"{text} EUR"


@pytest.mark.parametrize(
    ("number", "error", "text"),
    [
        (15_523.4, 41, "15,520"), (15_523.4, 141, "15,500"), (41, 41, "40"), (-1_234.5, 1_212, "-1,000"),
        (-0.2, 1, "0"), (0.2612, 0.05, "0.26"), (0.2612, 0.0004, "0.26"), (12, 0, "12.00"),
    ],
)  # fmt: skip
def test_a_number_is_known_to_the_first_figure_of_its_error(number, error, text):
    assert known(number, error) == text
    assert to_known(number, error) == float(text.replace(",", ""))


@pytest.mark.parametrize(
    ("number", "error", "text"),
    [(0.228, 0.1, "0.3"), (0.248, 0.1, "0.3"), (0.3, 0.1, "0.3"), (100 * 0.001, 0.1, "0.1"), (35.7, 15.5, "40")],
)
def test_an_upper_bound_is_rounded_up(number, error, text):
    assert known(number, error, bound=True) == text
    assert to_known(number, error, bound=True) == float(text)


@pytest.mark.parametrize(
    ("number", "most", "text"),
    [
        (2240, 3, "2,240"),
        (50_000, 3, "50,000"),
        (1234.5, 3, "1,234"),
        (12.34, 3, "12.3"),
        (9.996, 3, "10"),
        (0.01234, 3, "0.0123"),
        (5.05, 2, "5"),
        (99.95, 6, "99.95"),
        (1_234_567, 6, "1,234,567"),
        (2.62e-14, 3, "0"),
        (-0.5, 3, "-0.5"),
        (0, 3, "0"),
        (math.inf, 3, "inf"),
    ],
)
def test_a_number_has_its_figures_and_no_power_of_ten(number, most, text):
    """Never 2.24e+03 m², or a demand of about 5e+04."""
    assert figures(number, most) == text


def test_no_prose_writes_numbers_with_a_format_that_knows_powers_of_ten():
    """A format such as .3g writes 2240 as 2.24e+03; `figures` does not. Only numbers that are read back may use it."""
    rooms = Path(forecast.__file__).parent
    found = [
        f"{file.relative_to(rooms)}:{at}"
        for file in sorted(rooms.rglob("*.py"))
        for at, line in enumerate(file.read_text(encoding="utf-8").splitlines(), start=1)
        if re.search(r"\{[^{}]*:[+,]?(\.\d)?[geGE]\}|%\.\d[geGE]|format[(=] ?[\"'](\.\d)?[geGE][\"']", line)
        and "float(f" not in line
    ]
    assert found == []


@pytest.mark.parametrize(
    ("difference", "error", "seen"),
    [(3, 0, True), (-3, 1, True), (3, 1.5, False), (-3, 2, False), (0.4, 0, False), (0, 0, False)],
)
def test_a_difference_is_one_from_twice_its_error_on(difference, error, seen):
    assert apart(difference, error) is seen


@pytest.mark.parametrize(("amount", "text"), [(1234, "1,250 EUR more"), (-1234, "1,250 EUR less"), (0.2, "as much")])
def test_more_is_never_a_negative_amount(amount, text):
    assert more_or_less(amount, "EUR") == text


def test_nothing_is_none_and_not_0_or_fewer():
    assert [at_most(number) for number in (0, 0.3, 1153)] == ["none", "none", "no more than 1,150"]


@pytest.mark.parametrize(
    ("amount", "error", "available", "gap", "text"),
    [
        (1.2, 0, 100, 0, "1.20 EUR"),
        (1234.5, 0, 1, 100, "1,234.50 EUR"),
        (34.82, 10.3, 174, 20, "30 EUR"),  # no digits beyond the first of the error
        (0.02, 0.004, 31_000, 50, "0.02 EUR"),
        (2e-5, 0, 31_000, 0, "too little to be seen"),  # below a cent
        (0.02, 0.011, 31_000, 50, "too little to be seen"),  # within twice its error
        (0.02, 0, 31_000, 700, "too little to be seen"),  # all of the budget would be worth less than the gap
    ],
)
def test_one_more_unit_is_worth_a_number_only_beyond_its_error_and_the_gap(amount, error, available, gap, text):
    assert unit_worth(amount, error=error, available=available, gap=gap, currency="EUR") == text


def test_a_number_of_things_knows_one_from_many():
    assert [counted(number, "cycle") for number in (0, 1, 1200)] == ["0 cycles", "1 cycle", "1,200 cycles"]


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (0.5, "50"),
        (0.004, "0.4"),
        (0.01, "1"),
        (0.985, "98"),
        (0.9912, "99.1"),
        (0.99999, "over 99.9"),
        (1, "100"),
        (0, "0"),
        (2.62e-16, "under 0.1"),
    ],
)
def test_a_share_has_a_decimal_close_to_0_and_to_100(share, text):
    assert percent(share) == text


@pytest.mark.parametrize(
    ("number", "said"),
    [(1153, "1,200"), (1150, "1,150"), (1150 + 1e-9, "1,150"), (22_501, "23,000"), (7.01, "8"), (0, "0")],
)
def test_a_need_is_never_written_smaller_than_it_is(number, said):
    assert needed(number) == said
    assert cash(-number, "EUR") == ("0 EUR" if number == 0 else f"-{said} EUR")


def test_cash_that_is_never_short_is_written_as_other_money():
    assert (cash(1153), cash(0)) == ("1,150", "0")
