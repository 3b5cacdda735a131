"""What is no rate is refused word for word: the argument at fault, the value, what is wrong, and what would do."""

import math
import re

import pytest

from forecast import Refused
from forecast.fitting.survival import Pooled, Priors, Record
from forecast.rates.amounts import Amount
from forecast.rates.cycles import ByCycle
from forecast.rates.distributions import Duration, Share
from forecast.rates.levels import Level
from forecast.weather.climate import Climate

ONE, OF_LAB, GROUPS = Record("A", 1, 2), Record("A", 1, 2, lab="L"), {"A": "g"}
LEVELS = (
    "Write one of belief, season, variety, batch, cycle (of a culture), plant, or shares of all but the last that add "
    "to 1, such as 'season 0.3 variety 0.2 batch 0.5'."
)
CYCLES = "Write one number, or one for each cycle separated by spaces, such as 2.1 2.6 2.4; decimals with a point."


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: Share(1.2, 0, "batch"), "mean, 1.2: a share lies above 0 and at most at 1. For 85 % write 0.85."),
        (
            lambda: Share(0.8, 0.4, "batch"),
            "spread, 0.4: no share with a mean of 0.8 has this spread. Give a standard deviation from 0 to below 0.4.",
        ),
        (
            lambda: Share(0.8, 1e-12, "batch"),
            "spread, 1e-12: a spread too small to be meant. Give a spread of 0, or of at least 0.000001.",
        ),
        (
            lambda: Share.from_counts(5, 4, level="batch"),
            "survived, '5 of 4': not a count. Give whole numbers, survived at most of.",
        ),
        (
            lambda: Share.from_range(0.9, 0.8, level="batch"),
            "low, '0.9 to 0.8': not a range of shares. Give 0 < low < high < 1.",
        ),
        (
            lambda: Share.from_range(0.5, 1, level="batch"),
            "low, '0.5 to 1': not a range of shares. Give 0 < low < high < 1.",
        ),
        (
            lambda: Share.from_range(0.5, 0.5000001, level="batch"),
            "low, '0.5 to 0.5000001': no share fits this range. Give two values that differ, not too close to 0 or 1.",
        ),
        (
            lambda: Duration(-1, 0, 0, "batch"),
            "median, -1: a duration has no such number. Give a finite number from 0.",
        ),
        (
            lambda: Duration(4, float("inf"), 0, "batch"),
            "batches, inf: a duration has no such number. Give a finite number from 0.",
        ),
        (
            lambda: Duration(0, 0.1, 0, "batch"),
            "median, 0: a stage that takes no time cannot have a spread. Set its spreads to 0.",
        ),
        (
            lambda: Duration.from_range(5, 4, plants=0.1, level="batch"),
            "low, '5 to 4': not a range of times. Give 0 < low <= high, in weeks.",
        ),
        (
            lambda: Duration.from_range(5, math.inf, plants=0.1, level="batch"),
            "low, '5 to inf': not a range of times. Give 0 < low <= high, in weeks.",
        ),
        (
            lambda: Amount(3, 2, 4),
            "low, '3, 2, 4': low, likely and high are not in order above 0. Give 0 < low <= likely <= high.",
        ),
        (lambda: Amount.from_mean(0, 1), "mean, '0, spread 1': not a mean and spread. Give mean > 0 and spread >= 0."),
        (
            lambda: Level.parse("sometimes"),
            f"level, 'sometimes': not a level. {LEVELS}",
        ),
        (
            lambda: Level.parse("batch 0.5 season 0.6"),
            f"level, 'batch 0.5 season 0.6': not a level. {LEVELS}",
        ),
        (
            lambda: ByCycle((1.0, -2.0)),
            f"values, '1 -2': not numbers from 0, one for each cycle. {CYCLES}",
        ),
        (
            lambda: ByCycle.parse("two"),
            f"values, 'two': not numbers from 0, one for each cycle. {CYCLES}",
        ),
        (
            lambda: ByCycle.parse(True),
            f"values, True: not numbers from 0, one for each cycle. {CYCLES}",
        ),
        (
            lambda: ByCycle.parse(["x"]),
            f"values, \"['x']\": not numbers from 0, one for each cycle. {CYCLES}",
        ),
        (
            lambda: ByCycle.from_totals({}),
            "totals, '{}': not plants counted after cycles. "
            "Give cycles from 1 with plants above 0, such as {6: 584, 8: 3451}.",
        ),
        (
            lambda: ByCycle.from_totals({6: 584}, start=0),
            "start, 0: not a number of plants to begin with. Give a number above 0.",
        ),
        (
            lambda: ByCycle.from_totals({1: 1e300, 2: 1e-300}),
            "totals, '{1: 1e+300, 2: 1e-300}': no rates fit these totals. "
            "Check the totals; they would need rates beyond any that occur.",
        ),
        (
            lambda: Climate([1, 2, 3], [4, 5, 6], 1),
            "low, '3 rows': not a year. Give 12 months from January, or ISO weeks 1 to 52.",
        ),
        (lambda: Climate([1] * 12, [4] * 11, 1), "high, '11 rows': not as many as minima. Give 12 numbers."),
        (
            lambda: Climate([1] * 12, [4] * 12, -1),
            "climate, rows 2 to 13, column spread, -1.0: not a standard deviation. Give a number from 0 [°C].",
        ),
        (
            lambda: Climate([1] * 12, [0] * 12, 1),
            "climate, rows 2 to 13, column high, 0.0: the maximum lies below the minimum of 1.0. "
            "Give the minimum first, then the maximum.",
        ),
        (
            lambda: Climate([1] * 12, [99] * 12, 1),
            "climate, rows 2 to 13, column high, 99.0: not a temperature of air in degrees Celsius. "
            "Give a number of degrees Celsius: (F - 32) / 1.8 from Fahrenheit.",
        ),
        (
            lambda: Climate([1] * 12, [4] * 12, 1, persistence=1.5),
            "persistence, 1.5: not such a correlation. Give a number from 0 to 0.95; 0.3 is usual.",
        ),
        (lambda: Record("A", 5, 4), "survived, '5': not usable. Give a whole number from 0 to 4."),
        (lambda: Record("A", 1, 0), "of, '0': not usable. Give a whole number from 1 to 1,000,000,000."),
        (
            lambda: Priors(survival=1.5, belief=0),
            "survival, 1.5: not a middle survival. Give a share from 0.001 to 0.999.\nbelief, 0: not usable. "
            "Give a number from 0.05 to 5.",
        ),
        (
            lambda: Pooled([Record("Z", 1, 2)], GROUPS),
            "variety, 'Z': a variety without a group. Name its group; a group may hold one variety.",
        ),
        (lambda: Pooled([], {}), "groups: there is no variety. Name at least one, with its group."),
        (
            lambda: Pooled([OF_LAB, Record("A", 1, 2)], GROUPS),
            "lab: only some records name a lab. Name the lab of all records, or of none.",
        ),
        (
            lambda: Pooled([ONE], GROUPS).variety("B"),
            "variety, 'B': not one of these varieties. Name it in groups; it needs no record.",
        ),
        (lambda: Pooled([ONE], GROUPS).group("h"), "group, 'h': not a group of these varieties. Write one of g."),
        (lambda: Pooled([ONE], GROUPS).variety("A", lab="L"), "lab, 'L': no record names this lab. Leave it out."),
        (
            lambda: Pooled([OF_LAB, Record("A", 1, 2, lab="M")], GROUPS).compare_labs("L", "L"),
            "lab, 'L, L': not two labs of these records. Write two of L, M.",
        ),
        (
            lambda: Pooled([OF_LAB], GROUPS).variety("A", lab="M"),
            "lab, 'M': no record names this lab. Write one of L, or none.",
        ),
        (lambda: Pooled([ONE], GROUPS).compare_labs("L", "M"), "lab, 'L': no record names this lab. Leave it out."),
        (
            lambda: Pooled([ONE], GROUPS).predictive("A", 0),
            "of, '0': not usable. Give a whole number from 1 to 20,000.",
        ),
        (
            lambda: Climate.from_daily(["2020-01-01"], [1], [2], unit="K"),
            "unit, 'K': not a unit of temperature. Give C or F: it is not guessed.",
        ),
    ],
)
def test_what_is_no_rate_is_refused_word_for_word(call, said):
    with pytest.raises(Refused, match=f"^{re.escape(said)}$"):
        call()


def test_every_month_without_three_years_is_named():
    with pytest.raises(Refused) as caught:
        Climate.from_daily(["2020-01-01"], [1], [2], unit="C")
    assert str(caught.value).splitlines() == [
        f"record, date, 'month {month} measured in 0': too few years. Give a record of three years or more."
        for month in range(1, 13)
    ]
