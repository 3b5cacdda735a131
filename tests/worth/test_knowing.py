"""What it would be worth to know a survival before ordering."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import minimize_scalar
from scipy.stats import beta, norm
from small_seasons import FIRST, asks, offer, season, stage

from forecast import plan_orders, trial_worth

WANTED, PRICE, COST = 2000, 5.0, 1.0
MEAN, SD = 0.7, 0.12


def nursery(level: str = "belief", source: str = "", number: int = WANTED, **cells):
    """A variety that is asked for once; what is missing costs no more than the sale."""
    rows = [stage(survival=MEAN, survival_sd=SD, survival_level=level, source=source, typical=4, **cells)]
    made = season(rows, targets=[asks(number, short_cost=0)])
    return made.replace(varieties=[{"variety": "A", "group": "crop", "sale_price": PRICE}])


def known(of, draws=4096, seed=1):
    table = plan_orders(of, draws=draws, seed=seed).measure_first()
    return table.set_index("stage")


def perfect(number: int = WANTED) -> float:
    """Expected value of knowing a beta survival when plants have no luck of their own."""
    k = MEAN * (1 - MEAN) / SD**2 - 1
    lives = beta(MEAN * k, (1 - MEAN) * k)
    informed = quad(lambda s: number * max(PRICE - COST / s, 0) * lives.pdf(s), 0, 1)[0]

    def earned(order: float) -> float:
        edge = min(number / order, 1.0)
        below = quad(lambda s: order * s * lives.pdf(s), 0, edge)[0]
        return PRICE * (below + number * lives.sf(edge)) - COST * order

    usual = -minimize_scalar(lambda order: -earned(order), bounds=(number, 3 * number), method="bounded").fun
    return informed - usual


def test_a_survival_that_is_only_doubt_is_worth_what_integration_says():
    """A little less: between multiples of the plan income is taken to be straight, and here it has a sharp bend."""
    row = known(nursery()).loc["acclimatisation"]
    assert 0.88 * perfect() < row["worth"] < 1.01 * perfect()


def test_it_is_worth_what_the_lattice_of_a_trial_says():
    of = nursery(number=200)
    row = known(of).loc["acclimatisation"]
    assert row["worth"] == pytest.approx(trial_worth(of, "A", draws=256, seed=1).evpi, rel=0.1)


def test_where_nothing_lasts_half_of_the_variance_is_doubt_beside_the_luck_of_batches():
    """By simulation: the mean is a draw of its own, of half the variance; each order has the luck of its own batch."""
    of = nursery("batch").replace(price_list=[offer(first_week=FIRST, last_week=FIRST)])
    row = known(of).loc["acclimatisation"]
    rng, k = np.random.default_rng(3), MEAN * (1 - MEAN) / SD**2 - 1
    lives = beta(MEAN * k, (1 - MEAN) * k)
    luck, orders = lives.ppf(rng.random(4000)), np.arange(0, 6001, 50)
    scores = norm.ppf((np.arange(400) + 0.5) / 400)
    factor = np.array([lives.ppf(norm.cdf(np.sqrt(0.5) * (score + norm.ppf((np.arange(400) + 0.5) / 400)))).mean()
                       for score in scores]) / MEAN  # fmt: skip
    worth = np.array([
        [PRICE * np.minimum(order * each * luck, WANTED).mean() - COST * order for order in orders] for each in factor
    ])  # fmt: skip
    assert row["worth"] == pytest.approx(worth.max(axis=1).mean() - worth.mean(axis=0).max(), rel=0.1)


def test_more_that_lasts_is_worth_more_to_know():
    worth = [
        known(nursery(f"belief {part} batch {1 - part:.1f}"), draws=512).loc["acclimatisation"]["worth"]
        for part in (0.5, 0.7, 0.9)
    ]
    assert worth == sorted(worth)
    assert worth[-1] > 1.2 * worth[0]


def test_knowing_nothing_useful_is_worth_nothing_that_can_be_seen():
    certain = nursery().replace(stages=[stage(survival=MEAN, survival_sd=0.001, survival_level="belief", typical=4)])
    row = known(certain).loc["acclimatisation"]
    assert row["worth"] <= 2 * max(row["error"], 1.0)


def test_what_a_source_backs_or_what_is_not_uncertain_is_left_out():
    assert known(nursery(source="a trial in our own house")).empty
    assert known(nursery().replace(stages=[stage(survival=MEAN, typical=4)])).empty
    assert not known(nursery(source="survival: my guess; times: counted")).empty
    assert plan_orders(nursery(), draws=64, seed=1, aim="cost").measure_first().empty


def test_the_greatest_comes_first_and_varieties_of_a_group_are_added():
    one = nursery()
    two = one.replace(
        varieties=[{"variety": name, "group": "crop", "sale_price": PRICE} for name in "AB"],
        targets=[asks(WANTED, variety=name, short_cost=0) for name in "AB"],
        price_list=[row.replace(variety=name) for row in one.price_list for name in "AB"],
    )
    single, both = known(one, draws=1024), known(two, draws=1024)
    row = both.loc["acclimatisation"]
    assert row["worth"] == pytest.approx(2 * single.loc["acclimatisation"]["worth"], rel=0.1)
    assert list(both["worth"]) == sorted(both["worth"], reverse=True)
