"""Scores of forecasts against closed forms and worked numbers, and one score of the library that is wrong."""

import numpy as np
import pytest
import scoringrules
from scipy.stats import betabinom, binom, norm, poisson

from forecast.tracking.scoring import scored

# Closed forms: Gneiting, T. and Raftery, A. E. (2007), J. Amer. Statist. Assoc. 102, 359-378,
# doi:10.1198/016214506000001437: CRPS = integral of (F(x) - 1{x >= y})^2 (their eq. 20), of a normal distribution
# s (z (2 Phi(z) - 1) + 2 phi(z) - 1 / sqrt(pi)); of counts it is the sum over whole numbers.


def by_sum(distribution, y, most):
    """CRPS of a distribution of counts, straight from its definition."""
    x = np.arange(most)
    return float(((distribution.cdf(x) - (x >= y)) ** 2).sum())


@pytest.mark.parametrize(
    ("mean", "spread", "y", "printed"), [(0.0, 1.0, 0.0, 0.2336949773), (2.0, 3.0, 5.0, 1.8073240729)]
)
def test_the_crps_of_a_normal_forecast_is_its_closed_form(mean, spread, y, printed):
    """Gneiting and Raftery 2007, J. Amer. Statist. Assoc. 102:359-378, eq. 21."""
    z = (y - mean) / spread
    closed = spread * (z * (2 * norm.cdf(z) - 1) + 2 * norm.pdf(z) - 1 / np.sqrt(np.pi))
    assert closed == pytest.approx(printed, abs=5e-11)
    assert scoringrules.crps_normal(y, mean, spread, backend="numpy") == pytest.approx(printed, abs=5e-11)


@pytest.mark.parametrize(("n", "p", "y", "printed"), [(20, 0.7, 15, 0.6308014112), (100, 0.75, 60, 12.5632452496)])
def test_the_crps_of_a_binomial_forecast_is_the_sum_of_its_definition(n, p, y, printed):
    """Gneiting and Raftery 2007, J. Amer. Statist. Assoc. 102:359-378, eq. 20 on whole numbers."""
    assert by_sum(binom(n, p), y, n) == pytest.approx(printed, abs=5e-11)
    assert scoringrules.crps_binomial(y, n, p, backend="numpy") == pytest.approx(printed, abs=5e-11)


def test_the_crps_of_a_poisson_forecast_is_the_sum_of_its_definition():
    """Gneiting and Raftery 2007, J. Amer. Statist. Assoc. 102:359-378, eq. 20 on whole numbers."""
    assert by_sum(poisson(5), 3, 200) == pytest.approx(1.0981552042, abs=5e-11)
    assert scoringrules.crps_poisson(3, 5, backend="numpy") == pytest.approx(1.0981552042, abs=5e-11)


def test_the_crps_of_draws_from_a_beta_binomial_forecast_is_that_of_the_distribution():
    """Gneiting and Raftery 2007, eq. 20 on whole numbers; draws: Ferro 2014, doi:10.1002/qj.2270."""
    forecast = betabinom(50, 8, 2)
    assert by_sum(forecast, 33, 50) == pytest.approx(4.7578589441, abs=5e-11)
    draws = forecast.rvs(200_000, random_state=np.random.default_rng(1))
    error = np.abs(draws - 33).std() / np.sqrt(len(draws))
    _, _, _, crps, _ = scored(draws, 33, np.random.default_rng(2))
    assert crps == pytest.approx(4.7578589441, abs=4 * error)


def test_an_ensemble_is_scored_plain_or_fair():
    """By hand for {1, 2, 3, 4, 10} and 3.5: mean |x - y| 2.3, sum of |x - x'| 80, so 2.3 - 80/50 and 2.3 - 80/40."""
    members, y = np.array([1.0, 2.0, 3.0, 4.0, 10.0]), 3.5
    between, away = np.abs(members[:, None] - members).sum(), np.abs(members - y).mean()
    plain, fair = away - between / 50, away - between / 40
    assert (plain, fair) == pytest.approx((0.7, 0.3), abs=1e-12)
    assert scoringrules.crps_ensemble(y, members, estimator="nrg", backend="numpy") == pytest.approx(plain)
    for name in ("fair", "pwm"):
        assert scoringrules.crps_ensemble(y, members, estimator=name, backend="numpy") == pytest.approx(fair)


def test_draws_are_scored_fairly_whatever_their_order():
    """Ferro, C. A. T. (2014), Q. J. R. Meteorol. Soc. 140, 1917-1923, doi:10.1002/qj.2270."""
    members, y = np.array([1, 10, 3, 4, 2]), 5
    fair = np.abs(members - y).mean() - np.abs(members[:, None] - members).sum() / 40
    assert scored(members, y, np.random.default_rng(1))[3] == pytest.approx(fair, abs=1e-12)


@pytest.mark.parametrize(("y", "printed"), [(15, 10), (8, 30), (23, 40)])
def test_the_interval_score_adds_the_miss_ten_times_for_a_range_of_80_in_100(y, printed):
    """Gneiting and Raftery 2007, J. Amer. Statist. Assoc. 102:359-378, eq. 43: width + 2 / alpha of the miss."""
    by_hand = 10 + 2 / 0.2 * max(10 - y, y - 20, 0)
    assert by_hand == pytest.approx(printed)
    assert scoringrules.interval_score(y, 10.0, 20.0, 0.2, backend="numpy") == pytest.approx(printed)


def test_the_weighted_interval_score_of_the_library_is_not_used_for_it_is_wrong():
    """Bracher, Ray, Gneiting and Reich 2021, PLoS Comput. Biol. 17:e1008618, doi:10.1371/journal.pcbi.1008618, eq. 1.

    With NumPy the library adds half of the median, not half of how far it is off. When this test fails the
    library is mended, and this score may be used.
    """
    y, median, alphas = 17.0, 15.0, np.array([0.2, 0.5])
    low, high = np.array([9.0, 12.0]), np.array([21.0, 18.0])
    scores = (high - low) + 2 / alphas * np.maximum(0, np.maximum(low - y, y - high))
    right = (abs(y - median) / 2 + (alphas / 2 * scores).sum()) / 2.5
    assert right == pytest.approx(1.48)
    found = scoringrules.weighted_interval_score(y, median, low, high, alphas, backend="numpy")
    assert float(found) == pytest.approx((median / 2 + (alphas / 2 * scores).sum()) / 2.5)
    assert float(found) == pytest.approx(4.08)


def test_the_pit_of_a_count_lies_between_the_chances_of_fewer_and_of_at_most_as_many():
    """Czado, Gneiting and Held 2009, Biometrics 65:1254-1261, doi:10.1111/j.1541-0420.2009.01191.x, eq. 2."""
    draws = np.repeat([3, 4, 5, 6], [100, 300, 400, 200])  # F(4) = 0.4, F(5) = 0.8
    found = [scored(draws, 5, np.random.default_rng(seed))[4] for seed in range(500)]
    assert 0.399 < min(found) < 0.41
    assert 0.79 < max(found) < 0.801
    assert np.mean(found) == pytest.approx(0.6, abs=4 * 0.4 / np.sqrt(12 * 500))
