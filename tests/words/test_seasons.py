"""Sentences about a season, its rates and its weather."""

import pytest

from forecast.rates.distributions import Share
from forecast.weeks import Week
from forecast.words import seasons


@pytest.mark.parametrize(
    ("varies_by", "said"),
    [
        ("belief", "80 % on average; the true value lies between 57 and 96 % (90 % sure)"),
        ("season", "80 % on average; between 57 and 96 % in 9 of 10 seasons"),
        ("variety", "80 % on average; between 57 and 96 % in 9 of 10 varieties"),
        ("batch", "80 % on average; between 57 and 96 % in 9 of 10 batches"),
        ("cycle", "80 % on average; between 57 and 96 % in 9 of 10 subcultures"),
        ("plant", "80 % on average; between 57 and 96 % in 9 of 10 plants"),
    ],
)
def test_a_share_has_its_range_by_level(varies_by, said):
    assert seasons.share(mean=0.8, p5=0.572, p95=0.958, varies_by=varies_by) == said


def test_a_share_that_differs_and_is_doubted_says_both():
    said = "80 % on average; between 57 and 96 % in 9 of 10 batches, doubt included"
    for level in ("belief 0.5 batch 0.5", "belief 0.9 batch 0.1"):
        assert str(Share(0.8, 0.12, level)) == said
    assert str(Share(0.8, 0.12, "belief")).endswith("(90 % sure)")


def test_a_share_that_does_not_vary_says_so():
    said = seasons.share(mean=0.95, p5=0.95, p95=0.95, varies_by="batch")
    assert said == "95 % in every batch (no variation entered)"


def test_long_times_have_no_decimals_and_those_that_do_not_vary_no_range():
    assert seasons.duration(median=4.25, unit="weeks", p5=3.07, p95=5.88, varies_by="batch") == (
        "4.25 weeks; between 3.1 and 5.9 in 9 of 10 batches"
    )
    assert seasons.duration(median=100, unit="days", p5=72.2, p95=138.6, varies_by="belief") == (
        "100 days; the true value lies between 72 and 139 (90 % sure)"
    )
    assert seasons.duration(median=4, unit="weeks", p5=4, p95=4, varies_by="batch") == "4 weeks"


def test_an_amount_has_its_90_percent_range():
    assert seasons.amount(p5=0.1234, median=1.234, p95=12.34) == "about 1.23 (90 % range 0.123 to 12.3)"


def test_a_climate_has_its_extremes_and_how_years_differ():
    columns = {"t_min": [3.04, 5], "t_max": [9, 12.96]}
    assert seasons.climate(**columns, by="month", within=5.81) == (
        "Climate normals by month: minima 3.0 to 5.0 °C, maxima 9.0 to 13.0 °C; "
        "in 9 of 10 years a month is within 5.8 °C of normal."
    )
    assert seasons.climate(**columns, by="week", within=0).endswith("13.0 °C; every year is the same.")


def test_thermal_time_has_its_base_temperature():
    assert seasons.thermal_time(degree_days=87.11, base=9.843) == "87.1 degree-days above 9.84 °C"
    assert seasons.base_below_freezing(base=-3.72, rates=2, coldest=15.0, warmest=27.0) == (
        "The base temperature comes out at -3.72 °C, below freezing: 2 rates at 15 to 27 °C are too few, or do not lie "
        "on a line. Time the stage at a cooler temperature, or enter a base temperature."
    )


COUNTS = {"varieties": 10, "groups": 4, "targets": 11, "plants": 4350, "price_list": 32, "labs": 3, "orders": 10}
NONE = dict.fromkeys(("orders", "on_hand", "climate", "cultures", "divisions"), 0)


def said(counts, **cells):
    weeks = {"first_week": Week(2026, 40), "last_week": Week(2028, 4)}
    return seasons.summary(
        name="Spring", currency="EUR", counts=counts, bench=369.0, service_level=0.9, **weeks, **cells
    )


def test_a_season_is_one_screen():
    assert said(NONE | COUNTS | {"climate": 12, "cultures": 1}, money={"budget": 31000, "overdraft": 5000}) == {
        "Season": "Spring",
        "Weeks": "28 Sep 2026 (2026-W40) to 24 Jan 2028 (2028-W04), 70 weeks",
        "Currency": "EUR",
        "Varieties": "10 in 4 groups",
        "Targets": "11, for 4,350 plants",
        "Service level": "90 % unless a target says otherwise",
        "Price list": "32 lines from 3 labs",
        "Growing areas": "369 m² of bench",
        "Budget": "31,000 EUR",
        "Overdraft": "5,000 EUR",
        "Also": "10 deliveries on order, 12 rows of climate, 1 culture",
    }


def test_what_a_season_does_not_hold_is_not_said():
    ones = dict.fromkeys(("varieties", "groups", "targets", "plants", "price_list", "labs"), 1)
    found = said(NONE | ones, money={})
    assert not found.keys() & {"Budget", "Overdraft", "Opening cash", "Fixed costs", "Also"}
    assert found["Varieties"] == "1 in 1 group"
    assert found["Targets"] == "1, for 1 plant"
    assert found["Price list"] == "1 line from 1 lab"


def test_what_a_checked_season_holds():
    known = {"season": "S", "first": Week(2026, 40), "last": Week(2028, 4), "currency": "EUR"}
    assert seasons.checked(**known, varieties=10, price_lines=32, targets=11).splitlines() == [
        "S: 28 Sep 2026 (2026-W40) to 24 Jan 2028 (2028-W04), EUR.",
        "10 varieties, 32 price-list lines, 11 sales targets. No problems found.",
    ]
    assert "1 variety, 1 price-list line, 1 sales target." in seasons.checked(
        **known, varieties=1, price_lines=1, targets=1
    )


@pytest.mark.parametrize(
    ("number", "writes", "text"),
    [(1, False, "1 problem found."), (2, True, "2 problems found; nothing was written.")],
)
def test_problems_are_counted(number, writes, text):
    assert seasons.problems(number, writes=writes) == text
