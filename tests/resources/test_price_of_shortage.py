"""What a service level counts a missing plant for: against the binomial, and against integrals over a survival."""

import math

import pytest
from scipy import integrate, stats
from small_seasons import FIRST, asks, beta_spread, offer, season, stage

import forecast
from forecast import Refused
from forecast.words.numbers import of_20

DRAWS = {"draws": 4096, "seed": 1}
ONCE = {"first_week": "2027-W10", "last_week": "2027-W10"}
COST = 1.5  # of a plantlet, half of it grown on


def planned(survival, *targets, price=4.0, offers=None, **cells):
    rows = [stage(cost=0.5, **survival)]
    varieties = tuple(dict.fromkeys(row["variety"] for row in targets))
    made = season(
        rows, varieties=varieties, targets=targets, price_list=offers or [offer(name, **ONCE) for name in varieties]
    )
    made = made.replace(varieties=[row.replace(sale_price=price, **cells) for row in made.varieties])
    return forecast.plan_orders(made, **DRAWS)


def test_plants_that_live_one_by_one_are_worth_what_the_binomial_says():
    """One more of n plantlets saves a missing plant with the chance 0.8 P(Binomial(n - 1, 0.8) < 100)."""
    plan = planned({"survival": 0.8, "survival_level": "plant"}, asks(100))
    (row,) = plan.short_prices((0.8, 0.9)).table().to_dict("records")
    assert (row["variety"], row["target"], row["short_cost"]) == ("A", 100, 2)
    for level in (0.8, 0.9):
        n = next(n for n in range(100, 200) if stats.binom.sf(99, n, 0.8) >= level)
        steps = range(n - round(0.04 * n), n + round(0.04 * n))
        saved = sum(0.8 * stats.binom.cdf(99, k, 0.8) for k in steps) / len(steps)
        assert row[str(level)] == pytest.approx(COST / saved - 4, rel=0.06)


def test_batches_that_differ_are_worth_what_the_integral_says():
    """Survival is Beta(8, 2) for a season: the price is COST / E[survival; too few] less the sale price."""
    law = stats.beta(8, 2)
    plan = planned(beta_spread(8, 2) | {"survival_level": "season"}, asks(10_000), price=4.0)
    (row,) = plan.short_prices((0.5, 0.8, 0.95)).table().to_dict("records")
    for level in (0.5, 0.8, 0.95):
        limit = law.ppf(1 - level)  # of survival, below which it is missed

        def saved(at, limit=limit):
            return integrate.quad(lambda share: share * law.pdf(share), 0, min(limit / at, 1))[0]

        mean = integrate.quad(saved, 0.96, 1.04)[0] / 0.08
        assert row[str(level)] == pytest.approx(COST / mean - 4, rel=0.02)


def test_what_a_plant_more_saves_of_another_target_is_taken_off():
    """The plants of one delivery serve both; without a price of its own the second asks for all of the cost."""
    targets = asks(100), asks(50, "2027-W24", short_cost=0.0), asks(50, "2027-W24", "B")
    found = planned({"survival": 0.8, "survival_level": "plant"}, *targets).short_prices((0.9,)).table()
    first, second, alone = found["0.9"].tolist()
    assert first == 0  # those of the second are enough for it
    assert second < alone


def test_where_no_delivery_is_enough_there_is_no_price_and_nothing_is_said_of_it():
    slow = {"typical": 10, "batches_cv": 0.5, "time_level": "season", "survival": 1}
    plan = planned(slow, asks(10, "2027-W11"), price=50, offers=[offer(last_week=FIRST)])
    found = plan.short_prices()
    assert all(math.isnan(price) for price in found.table()[["0.8", "0.9", "0.95"]].iloc[0])
    chance = plan.targets()["chance"].iloc[0]
    line = f"10 A, 15 Mar 2027 (2027-W11): {of_20(chance)} at 25 EUR."
    assert str(found).splitlines()[1] == line


@pytest.mark.parametrize("levels", [[0.5, 1], [0], [True], ["0.9"], []])
def test_a_service_level_lies_between_0_and_1(levels):
    plan = planned({"survival": 1}, asks(10))
    with pytest.raises(Refused, match=r"levels.*service level"):
        plan.short_prices(levels)


def test_without_sale_prices_there_is_none():
    made = season([stage()], targets=[asks(10)], price_list=[offer(**ONCE)])
    with pytest.raises(Refused, match="sale_price"):
        forecast.plan_orders(made, aim="cost", draws=16, seed=1).short_prices()


def test_a_result_says_what_it_is():
    found = planned({"survival": 1}, asks(10)).short_prices()
    assert repr(found) == "ShortPrices(targets=1, draws=4,096, seed=1)"
    assert "nan" not in found._repr_html_()
