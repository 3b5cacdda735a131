"""Mean and variance of the final number in closed form."""

import math

import numpy as np
import pytest
from labelled import plants_by_state, saleable_by_week
from small_seasons import MIXED, beta_spread, season, stage

import forecast

PLANTS = 200
LAWS = [(18.0, 2.0), (40.0, 4.0), (9.0, 1.0)]
NAMES = ("acclimatisation", "growing on", "hardening")
END = "2027-W40"


def route(**cells):
    rows = [
        stage(name, typical=2, batches_cv=0.1, plants_cv=0.1, **beta_spread(a, b)) | cells
        for name, (a, b) in zip(NAMES, LAWS, strict=True)
    ]
    return [*rows, stage("grading", survival=0.95)]


def moments():
    """Mean and variance of Binomial(n, 0.95 B1 B2 B3), B independent betas, by the law of total variance."""
    first = 0.95 * math.prod(a / (a + b) for a, b in LAWS)
    second = 0.95**2 * math.prod(a * (a + 1) / ((a + b) * (a + b + 1)) for a, b in LAWS)
    return PLANTS * first, PLANTS * (first - second) + PLANTS**2 * (second - first**2)


@pytest.mark.parametrize("level", ["belief", "season", "variety", "batch", MIXED])
def test_the_final_number_has_the_mean_and_variance_of_independent_betas_and_binomial_chance(level):
    """Within 5 standard errors, as repeats show them, and these are less than a third of those of plain draws."""
    plan = season(route(survival_level=level))
    found = []
    for seed in range(1, 9):
        outcome = forecast.simulate(plan, [("A", "2027-W01", PLANTS)], draws=1024, seed=seed)
        chances = [outcome.chance("A", week=END, at_least=k) for k in range(1, PLANTS + 1)]
        mean = sum(chances)
        second = sum((2 * k - 1) * chance for k, chance in enumerate(chances, start=1))
        found.append((mean, second - mean**2))
    mean, variance = moments()
    error = np.std(found, axis=0, ddof=1) / math.sqrt(len(found))
    assert (np.abs(np.mean(found, axis=0) - (mean, variance)) < 5 * error).all()
    assert error[0] < math.sqrt(variance / (8 * 1024)) / 3


def test_sampled_histories_have_the_same_mean_and_variance():
    draws = 16384
    outcome = forecast.simulate(season(route()), [("A", "2027-W01", PLANTS)], draws=draws, seed=1)
    counts = saleable_by_week(outcome).sel(variety="A", week=END).values.astype(float)
    mean, variance = moments()
    assert abs(counts.mean() - mean) < 4 * math.sqrt(variance / draws)
    fourth = ((counts - counts.mean()) ** 4).mean()
    assert abs(counts.var(ddof=1) - variance) < 4 * math.sqrt((fourth - variance**2) / draws)


@pytest.mark.parametrize(
    ("level", "shared"), [("season", 1.0), ("variety", 1.0), ("belief", 1.0), ("batch", 0.0), ("plant", None)]
)
def test_two_batches_add_their_variances_and_what_they_share(level, shared):
    """Var = 2 n E[p (1 - p)] + 2 n^2 Var(p) (1 + shared); for single plants only n E[p] (1 - E[p]) each."""
    a, b = 18.0, 2.0
    plan = season([stage(survival_level=level, **beta_spread(a, b))])
    outcome = forecast.simulate(plan, [("A", "2027-W01", 20), ("A", "2027-W02", 20)], draws=4096, seed=1)
    chances = [outcome.chance("A", week=END, at_least=k) for k in range(1, 41)]
    mean = sum(chances)
    variance = sum((2 * k - 1) * chance for k, chance in enumerate(chances, start=1)) - mean**2
    first, spread = a / (a + b), a * b / ((a + b) ** 2 * (a + b + 1))
    second = first**2 + (spread if shared is not None else 0)
    right = 40 * (first - second) + 2 * 20**2 * (second - first**2) * (1 + (shared or 0))
    assert mean == pytest.approx(40 * first, rel=1e-4)
    assert abs(variance - right) < 4 * 2 * 20**2 * spread / math.sqrt(4096)  # the error of plain draws of the product


def test_losses_quoted_in_points_of_the_original_leave_what_their_sum_leaves():
    """20, 11 and 9 points of the original number leave 60 of 100; as shares of those entering, 64.8."""
    rows = [
        stage(name, survival=1 - loss, share_of="original")
        for name, loss in zip(NAMES, (0.20, 0.11, 0.09), strict=True)
    ]
    for share_of, left in (("original", 0.60), ("entering", 0.80 * 0.89 * 0.91)):
        plan = season([row | {"share_of": share_of} for row in rows])
        states = plants_by_state(forecast.simulate(plan, [("A", "2027-W01", 100)], draws=1, seed=1), "A")
        assert float(states.sel(state="saleable", week=END).item()) == pytest.approx(100 * left)
