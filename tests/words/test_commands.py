"""What the command line prints."""

import pytest

from forecast.weeks import Week
from forecast.words import commands as words


def test_what_a_checked_season_holds():
    known = {"season": "S", "first": Week(2026, 40), "last": Week(2028, 4), "currency": "EUR"}
    assert words.checked(**known, varieties=10, price_lines=32, targets=11).splitlines() == [
        "S: 28 Sep 2026 (2026-W40) to 24 Jan 2028 (2028-W04), EUR.",
        "10 varieties, 32 price-list lines, 11 sales targets. No problems found.",
    ]
    assert "1 variety, 1 price-list line, 1 sales target." in words.checked(
        **known, varieties=1, price_lines=1, targets=1
    )


@pytest.mark.parametrize(
    ("number", "writes", "text"),
    [(1, False, "1 problem found."), (2, True, "2 problems found; nothing was written.")],
)
def test_problems_are_counted(number, writes, text):
    assert words.problems(number, writes=writes) == text


def test_all_targets_together():
    assert words.all_met(targets=11, chance=0.4601) == (
        "All 11 targets are met together in about 46 of 100 simulated seasons."
    )
    assert words.all_met(targets=1, chance=1) == "The target is met in every simulated season."


def test_few_draws():
    assert words.few_draws(draws=256, enough=4096) == (
        "With 256 simulated seasons, chances are accurate to about ±6 percentage points; use --draws 4096."
    )
    assert words.few_draws(draws=999, enough=4096).startswith(
        "With 999 simulated seasons, chances are accurate to about ±3 "
    )


def test_costs_and_the_budget():
    assert words.order_costs(purchase=9750, total=24_000, budget=31_000, currency="EUR") == (
        "Plants and freight cost 9,750 EUR; with growing, about 24,000 EUR."
    )
    over = words.order_costs(purchase=9750, total=24_000, budget=20_000, currency="EUR")
    assert over.splitlines()[1] == "That is over the budget of 20,000 EUR."
