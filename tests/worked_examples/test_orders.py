"""Orders whose right size can be computed in another way, and what growers say in common."""

from fractions import Fraction
from math import comb

import numpy as np
import pytest
from each_sized import each_sized
from scipy.stats import betabinom
from small_seasons import beta_spread, offer, season, stage

import forecast
from forecast.growth.simulation import draw_fate, season_streams
from forecast.growth.summaries import at_least

DRAWS = 4096
WEEK = "2027-W10"


def only_a_loss(**survival):
    """Return a season whose single stage takes no time, so that the share saleable is its survival."""
    return season([stage(**survival)])


def sized(plan, target, service_level, **options):
    return forecast.size_order(
        plan,
        "A",
        target=target,
        week=WEEK,
        delivery=WEEK,
        service_level=service_level,
        **{"draws": DRAWS, "seed": 1} | options,
    )


INDEPENDENT = [
    (100, 0.8, 0.95, 135),
    (100, 0.8, 0.90, 132),
    (100, 0.8, 0.50, 125),
    (50, 0.6, 0.95, 96),
    (1000, 0.85, 0.95, 1201),
    (20, 0.9, 0.99, 27),
    (1, 0.5, 0.95, 5),
]
BETWEEN_BATCHES = [
    (100, 80, 20, 0.95, 141),
    (100, 8, 2, 0.95, 177),
    (100, 8, 2, 0.90, 159),
    (100, 8, 2, 0.50, 122),
    (50, 6, 4, 0.95, 148),
]


def exactly(quantity, share, target):
    p = Fraction(str(share))
    return sum(comb(quantity, k) * p**k * (1 - p) ** (quantity - k) for k in range(target, quantity + 1))


@pytest.mark.parametrize(("target", "share", "service_level", "right"), INDEPENDENT)
def test_plants_that_die_one_by_one_need_the_smallest_binomial_order(target, share, service_level, right):
    assert exactly(right - 1, share, target) < service_level <= exactly(right, share, target)
    order = sized(only_a_loss(survival=share, survival_sd=0.1, survival_level="plant"), target, service_level)
    assert order.quantity == right
    assert order.chance == pytest.approx(float(exactly(right, share, target)), abs=1e-12)


def test_of_135_plants_at_80_per_cent_100_come_through_in_9630_of_10000_seasons_and_of_134_in_9485():
    plan = only_a_loss(survival=0.8, survival_level="plant")
    chances = sized(plan, 100, 0.95).curve().set_index("quantity")["chance"]
    assert chances[135] == pytest.approx(0.96296, abs=5e-6)
    outcome = forecast.simulate(plan, [("A", WEEK, 134)], draws=1, seed=1)
    assert outcome.chance("A", week=WEEK, at_least=100) == pytest.approx(0.94849, abs=5e-6)


@pytest.mark.parametrize(("target", "a", "b", "service_level", "right"), BETWEEN_BATCHES)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_batches_that_differ_need_the_smallest_beta_binomial_order(target, a, b, service_level, right, seed):
    assert betabinom.sf(target - 1, right - 1, a, b) < service_level <= betabinom.sf(target - 1, right, a, b)
    assert sized(only_a_loss(**beta_spread(a, b)), target, service_level, seed=seed).quantity == right


@pytest.mark.parametrize("level", ["belief", "season", "variety", "batch", "season 0.3 variety 0.2 batch 0.5"])
def test_one_batch_needs_the_same_order_at_whatever_level_its_survival_varies(level):
    order = sized(only_a_loss(**beta_spread(8, 2), survival_level=level), 100, 0.95, draws=16384)
    assert order.quantity == 177


def expected_cost(quantity, shares, target, price, short, surplus):
    """Price of the order, and expected cost of plants too few and too many, from the engine's tails."""
    at_least_k = np.array([float(np.mean(at_least(k, quantity, shares))) for k in range(1, quantity + 1)])
    number_saleable, met = at_least_k.sum(), at_least_k[:target].sum()
    return price * quantity + short * (target - met) + surplus * (number_saleable - met)


@pytest.mark.parametrize(
    ("target", "survival", "costs", "right", "cost"),
    [
        (100, {"survival": 0.8}, (1, 5, 0.5), 127, 133.9479),
        (20, {"survival": 0.7}, (2, 10, 1), 30, 67.3771),
        (100, beta_spread(8, 2), (1, 5, 0.5), 128, 159.1060),
    ],
)
def test_the_order_of_least_expected_cost_under_random_yield(target, survival, costs, right, cost):
    """Prices of a plant bought, lacking and left over; the right answers are enumerated from exact binomials."""
    plan = only_a_loss(**survival)
    shares = draw_fate(plan, season_streams(16384, 1), "A", 1, plan.first_week).survival
    shares = shares if np.ptp(shares) > 0 else shares[:1]
    found = {n: expected_cost(n, shares, target, *costs) for n in range(right - 3, right + 4)}
    assert min(found, key=found.get) == right
    assert found[right] == pytest.approx(cost, abs=5e-5 if shares.size == 1 else 2e-3)


@pytest.mark.parametrize(("bad", "good", "bought"), [(0.60, 0.95, (1667, 1053)), (0.21, 0.96, (4762, 1042))])
def test_a_thousand_saleable_take_the_published_survivals_worth_of_plantlets(bad, good, bought):
    """Kozai, Nguyen and Xiao 2006, Acta Hort. 725:279-292: 60 v 95 % (calla), 21 v 96 % (Yucca) survive."""
    for survival, mean in zip((bad, good), bought, strict=True):
        order = sized(only_a_loss(survival=survival, survival_level="plant"), 1000, 0.9)
        assert order.by_average == mean
        assert order.quantity > mean
        assert 0.45 < order.chance_by_average < 0.6


def test_plantlets_a_quarter_dearer_that_survive_at_95_per_cent_are_cheaper_per_survivor_than_at_60():
    """Kozai, Nguyen and Xiao 2006, Acta Hort. 725:279-292, for the survivals: 1.25 / 0.95 < 1 / 0.60."""
    costs = {}
    for survival, price in ((0.60, 1.0), (0.95, 1.25)):
        plan = season([stage(survival=survival, survival_level="plant")], price_list=[offer(unit_price=price)])
        costs[survival] = sized(plan, 1000, 0.9).cost
    assert costs[0.95] < costs[0.60]
    assert costs[0.95] / 1000 == pytest.approx(1.25 / 0.95, rel=0.03)


@pytest.fixture(scope="module")
def demo_orders(old_demo):
    return each_sized(old_demo, draws=DRAWS, seed=1)


def test_every_row_of_the_demo_season_can_be_met(old_demo, demo_orders):
    assert len(demo_orders) == len(old_demo.targets)


def test_ordering_from_the_mean_meets_the_target_in_about_half_of_the_seasons(demo_orders):
    assert [order for order in demo_orders if not 0.4 <= order.chance_by_average <= 0.6] == []


def test_every_order_of_the_demo_season_meets_its_confidence(demo_orders):
    assert [order for order in demo_orders if not order.chance >= order.service_level] == []


def test_the_chance_of_every_order_of_the_demo_season_holds_on_fresh_draws(old_demo, demo_orders):
    for order in demo_orders:
        fresh = forecast.simulate(old_demo, [order], draws=16384, seed=1234567)
        again = fresh.chance(order.variety, week=order.by, at_least=order.target)
        demand = next(row.demand for row in old_demo.targets_of(order.variety) if row.week == order.by)
        if demand is not None:
            needed = demand.quantile(np.random.default_rng(1).random(16384))
            again = fresh.chances(order.variety, week=order.by, at_least=needed).mean()
        assert again == pytest.approx(order.chance, abs=0.01)


MONTH = 365.25 / 7 / 12  # weeks


def weeks_until(demo, variety, week, stages, share):
    """Return the weeks from a delivery until so large a share of plants, over all draws, has left some stages."""
    fate = draw_fate(demo, season_streams(512, 1), variety, 1, week)
    past = fate.past(stages, np.arange(min(60.0, fate.last + 1))).mean(axis=1)
    assert past[-1] >= share
    return int(np.argmax(past >= share))


def spring_deliveries(demo):
    for variety in demo.varieties:
        offers = demo.price_lines(variety.variety)
        first, last = min(row.first_week for row in offers), max(row.last_week for row in offers)
        yield from ((variety.variety, first + i) for i in range(last - first + 1))


def test_common_practice_about_three_months_under_cover_before_hardening(demo):
    """Common practice among growers, no publication: about 3 months under cover, then under 30 % shade."""
    weeks = []
    for variety, week in spring_deliveries(demo):
        route = demo.route(variety)
        covered = [i for i, row in enumerate(route) if row.place == "covered house" and row.typical]
        weeks.append(weeks_until(demo, variety, week, covered[-1] + 1, 0.5))
    assert 11 <= np.median(weeks) <= 16


def test_common_practice_five_to_twelve_months_from_delivery_to_sale_over_the_weeks_of_spring(demo):
    """Common practice among growers, no publication; here until nine in ten of the plants are ready."""
    longer = demo.replace(weeks=120)
    for variety, week in spring_deliveries(demo):
        months = weeks_until(longer, variety, week, len(demo.route(variety)), 0.9) / MONTH
        assert 5 <= months <= 12, (variety, str(week), months)
