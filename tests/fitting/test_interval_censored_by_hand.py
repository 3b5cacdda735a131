"""Laws of log time against SciPy's, also far out; tables of counts, likelihoods and greatest likelihoods by hand."""

import math

import numpy as np
import pytest
from scipy import stats
from scipy.special import expit

from forecast.fitting.interval_censored import LAWS, CensoredData, Likelihood, fit_best, maximise

INF = math.inf
UNIT = {"lognormal": stats.norm, "log-logistic": stats.logistic, "weibull": stats.gumbel_l}
NEAR = np.array([-4.0, -1.3, -0.2, 0.0, 0.4, 1.1, 1.9])


@pytest.mark.parametrize("name", LAWS)
def test_a_law_has_the_density_chances_and_quantiles_of_scipys(name):
    law, unit = LAWS[name], UNIT[name]
    assert law.deviation == pytest.approx(unit.std())
    assert law.cdf(NEAR) == pytest.approx(unit.cdf(NEAR))
    assert law.quantile(np.array([0.01, 0.5, 0.9])) == pytest.approx(unit.ppf([0.01, 0.5, 0.9]), abs=1e-12)
    value, slope, bend = law.density(NEAR)
    assert value == pytest.approx(unit.logpdf(NEAR))
    step = 1e-4
    above, below = unit.logpdf(NEAR + step), unit.logpdf(NEAR - step)
    assert slope == pytest.approx((above - below) / (2 * step), abs=1e-6)
    assert bend == pytest.approx((above - 2 * unit.logpdf(NEAR) + below) / step**2, abs=1e-5)


@pytest.mark.parametrize("name", LAWS)
@pytest.mark.parametrize("width", [0.01, 0.5, 3.0])
def test_chances_between_two_scores_and_densities_against_them_are_those_of_scipys(name, width):
    a, unit = NEAR, UNIT[name]
    value, low, high = LAWS[name].between(a, a + width, np.full_like(a, width))
    right = np.log(unit.cdf(a + width) - unit.cdf(a))
    assert value == pytest.approx(right, rel=1e-6, abs=1e-6)
    assert low == pytest.approx(unit.logpdf(a) - right, abs=1e-6)
    assert high == pytest.approx(unit.logpdf(a + width) - right, abs=1e-6)


@pytest.mark.parametrize("name", LAWS)
def test_chances_far_out_keep_their_digits(name):
    """From logarithms of tails, which SciPy gives without rounding to 0 or 1."""
    unit, between = UNIT[name], LAWS[name].between
    a, b = np.array([-30.0]), np.array([-29.0])
    low, high = unit.logcdf(a), unit.logcdf(b)
    assert between(a, b, b - a)[0] == pytest.approx(high + np.log1p(-np.exp(low - high)), rel=1e-9)
    a, b = (np.array([3.0]), np.array([4.0])) if name == "weibull" else (np.array([29.0]), np.array([30.0]))
    low, high = unit.logsf(a), unit.logsf(b)
    assert between(a, b, b - a)[0] == pytest.approx(low + np.log1p(-np.exp(high - low)), rel=1e-9)


@pytest.mark.parametrize("name", LAWS)
def test_before_the_first_look_and_after_the_last_are_whole_tails(name):
    unit, between = UNIT[name], LAWS[name].between
    with np.errstate(all="ignore"):
        assert between(np.array([-INF]), NEAR, np.full(7, INF))[0] == pytest.approx(unit.logcdf(NEAR), abs=1e-9)
        assert between(NEAR, np.array([INF]), np.full(7, INF))[0] == pytest.approx(unit.logsf(NEAR), abs=1e-9)


def test_a_table_is_sorted_added_up_and_knows_its_batches():
    rows = [("b", 3, 4, 2), ("a", 0, 5, 1), ("b", 3, 4, 3), ("a", 2, 2, 1), ("a", 6, INF, 4)]
    table = CensoredData(rows)
    log = math.log
    expected = {
        "count": [1, 1, 4, 5],
        "lower": [-INF, log(2), log(6), log(3)],
        "upper": [log(5), log(2), INF, log(4)],
        "width": [INF, 0, INF, log(4 / 3)],
        "log_width": [INF, -log(2), INF, log(log(4 / 3))],
        "midpoint": [log(5), log(2), log(6), (log(3) + log(4)) / 2],
    }
    for name, column in expected.items():
        found = getattr(table, name)
        assert (found.shape, found.dtype) == ((4, 1), np.float64)
        assert found[:, 0].tolist() == pytest.approx(column)
    assert table.open[:, 0].tolist() == [False, False, True, False]
    assert (table.first.tolist(), table.owner.tolist()) == ([0, 3], [0, 0, 0, 1])
    assert table.add(np.array([[1.0, 10], [2, 20], [3, 30], [4, 40]])).tolist() == [[6, 60], [4, 40]]


@pytest.mark.parametrize("name", LAWS)
def test_each_kind_of_row_counts_by_its_own_chance(name):
    """Ready before the first look, between two, exactly, in an interval all but exact, and still growing."""
    location, scale, odds = 1.4, 0.35, 1.2
    unit, ever = UNIT[name], expit(odds)

    def score(time):
        return (math.log(time) - location) / scale

    chances = {
        (0, 3): ever * unit.cdf(score(3)),
        (4, 6): ever * (unit.cdf(score(6)) - unit.cdf(score(4))),
        (5, 5): ever * unit.pdf(score(5)) / scale / 5,
        (5, 5.0001): ever * unit.pdf(score(5.00005)) / scale * math.log(5.0001 / 5),
        (7, INF): 1 - ever + ever * unit.sf(score(7)),
    }
    at = np.array([location, math.log(scale), odds])
    for (after, until), chance in chances.items():
        one = Likelihood(CensoredData([("", after, until, 3)]), LAWS[name], never=True, between=False)
        assert one.at(at)[0] == pytest.approx(3 * math.log(chance), rel=1e-8)
    both = Likelihood(CensoredData([("", *look, 3) for look in chances]), LAWS[name], never=True, between=False)
    assert both.size == 3
    assert both.at(at)[0] == pytest.approx(3 * sum(map(math.log, chances.values())), rel=1e-8)


def test_with_its_scale_held_a_fit_moves_the_location_alone():
    times = [2.0, 3.0, 5.0, 9.0]
    table = CensoredData([("", time, time, 2) for time in times])
    fit = maximise(Likelihood(table, LAWS["lognormal"], never=False, between=False), [0.3, -0.2], scale_held=True)
    assert fit.parameters == pytest.approx([np.log(times).mean(), -0.2], abs=1e-6)
    assert fit.information[0, 0] == pytest.approx(8 / math.exp(-0.4))
    assert type(fit.log_likelihood) is float


def test_a_part_that_never_gets_ready_and_a_spread_of_batches_are_taken_where_they_better_the_fit():
    law, weeks = LAWS["lognormal"], [(3, 4), (4, 5), (5, 6)]
    ready = [(batch, *look, 10) for batch in "ab" for look in weeks]
    growing = [(batch, 30, INF, 25) for batch in "ab"]
    late = [("b", after + 4, until + 5, 10) for after, until in weeks]

    def taken(rows, never=True, many=True):
        return fit_best(CensoredData(rows), law, never=never, many=many)[1:]

    assert taken(ready) == (False, False)
    assert taken(ready + growing) == (True, False)
    assert taken(ready + growing, never=False) == (False, False)
    assert taken(ready[:3] + late) == (False, True)
    assert taken(ready[:3] + late, many=False) == (False, False)
    assert taken(ready[:3] + late + growing) == (True, True)
