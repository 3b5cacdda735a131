"""How many plants are enough, by how much batches differ, and what several deliveries save.

That independent losses never reward splitting, and that losses of whole batches do, is known of binomial and of
batch-correlated yield (Fadiloglu, Berk and Gurbuz 2008 on the first: a sole supplier is always optimal). The numbers
are computed here and have no printed source: by sums of beta-binomial chances, and by the package.
"""

from functools import reduce

import numpy as np
import pytest
from scipy.stats import betabinom, binom
from small_seasons import beta_spread, season, stage

import forecast

TARGET, WEEK = 100, "2027-W10"
LEVELS = (0.80, 0.90, 0.95)
BY_RHO = {  # correlation between the fates of two plants of a batch: orders that meet 100 at the three levels
    0.0: (130, 132, 135),
    0.01: (132, 137, 141),
    0.02: (134, 140, 146),
    0.05: (138, 149, 159),
    0.1: (144, 162, 181),
    0.2: (152, 187, 231),
}
BY_DELIVERIES = {0.95: (177, 157, 150, 147), 0.90: (159, 147, 143, 141)}  # independent Beta(8, 2) batches
LOST = {"survival": 0.8, "survival_level": "plant"}


def made(**survival):
    """Return a season whose single stage takes no time, so that the share saleable is its survival."""
    return season([stage(**survival)])


def of_correlation(rho):
    """Return the cells of a beta survival of mean .8 by which any two plants of a batch are so correlated."""
    return LOST if rho == 0 else beta_spread(0.8 * (1 / rho - 1), 0.2 * (1 / rho - 1))


def chance_of(rho, plants):
    """Return the exact chance that the target is met by one batch."""
    if rho == 0:
        return binom.sf(TARGET - 1, plants, 0.8)
    return betabinom.sf(TARGET - 1, plants, 0.8 * (1 / rho - 1), 0.2 * (1 / rho - 1))


@pytest.mark.parametrize("rho", BY_RHO)
def test_the_order_rises_with_how_much_batches_differ(rho):
    for level, right in zip(LEVELS, BY_RHO[rho], strict=True):
        assert chance_of(rho, right - 1) < level <= chance_of(rho, right)
        order = forecast.size_order(
            made(**of_correlation(rho)), "A", target=TARGET, week=WEEK, delivery=WEEK, service_level=level, draws=4096
        )
        assert order.quantity == right
        assert order.chance == pytest.approx(chance_of(rho, right), abs=5e-4)


def parts(plants, deliveries):
    """Spread plants over deliveries as evenly as whole plants can be."""
    return [plants // deliveries + (k < plants % deliveries) for k in range(deliveries)]


def exactly(plants, deliveries, law):
    """Return the chance that so many plants in equal deliveries, each of a law of its own, meet the target."""
    chances = reduce(np.convolve, (law(number) for number in parts(plants, deliveries)))
    return chances[TARGET:].sum()


def by_package(plan, plants, deliveries, seed=1):
    """Return the same from the package's draws."""
    orders = [("A", f"2027-W{5 + k:02}", number) for k, number in enumerate(parts(plants, deliveries))]
    return forecast.simulate(plan, orders, draws=4096, seed=seed).chance("A", week=WEEK, at_least=TARGET)


def alone(number):
    """Return the chances of 0, 1, ... survivors that die one by one."""
    return binom.pmf(np.arange(number + 1), number, 0.8)


def together(number):
    """Return the chances of 0, 1, ... survivors of a batch whose survival is Beta(8, 2)."""
    return betabinom.pmf(np.arange(number + 1), number, 8, 2)


@pytest.mark.parametrize("deliveries", [1, 2, 3, 4])
def test_splitting_never_helps_where_plants_die_one_by_one(deliveries):
    assert exactly(134, deliveries, alone) < 0.95 <= exactly(135, deliveries, alone)
    plan = made(**LOST)
    for plants in (134, 135):
        right = exactly(plants, deliveries, alone)
        assert by_package(plan, plants, deliveries) == pytest.approx(right, abs=1e-9)
        assert right == pytest.approx(binom.sf(TARGET - 1, plants, 0.8), abs=1e-12)


@pytest.mark.parametrize("level", BY_DELIVERIES)
@pytest.mark.parametrize("deliveries", [1, 2, 3, 4])
def test_splitting_helps_where_whole_batches_fail(level, deliveries):
    right = BY_DELIVERIES[level][deliveries - 1]
    assert exactly(right - 1, deliveries, together) < level <= exactly(right, deliveries, together)
    plan = made(**beta_spread(8, 2))
    for plants in (right - 1, right):
        reached = np.mean([by_package(plan, plants, deliveries, seed) for seed in range(1, 5)])
        assert reached == pytest.approx(exactly(plants, deliveries, together), abs=1e-3)
