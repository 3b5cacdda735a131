"""Stage times learned from counts, against published fits, SciPy's censored fits and simulated nurseries."""

import math
import re
import warnings
from dataclasses import asdict

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from refusals import refused
from scipy import stats
from scipy.special import expit, logit

from forecast.errors import Refused
from forecast.fitting.interval_censored import LAWS, CensoredData, Likelihood
from forecast.fitting.stage_times import Counted, LearnedTime, _doubts, fit_time, learn_time
from forecast.rates.distributions import Duration
from forecast.words import records as words

INF, NAN = math.inf, math.nan
USUAL = math.log(12.346)
ERRORS = (0.1, 0.2, 0.3, 0.4)  # of log median, log scale, logit of ever, log of the variation of batches
some = settings(max_examples=10, deadline=None, derandomize=True)
NAMES = ("lognormal", "log-logistic", "weibull")


def quietly(rows, **how):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return learn_time(rows, **how)


def everything(learned):
    """Return all numbers of a learned time, those that are missing among them, to be compared."""
    return str(asdict(learned))


def exact(times, censored=()):
    return [(1, time, time) for time in times] + [(1, time, INF) for time in censored]


def scipy_law(learned):
    shape = {"lognormal": learned.scale}.get(learned.law, 1 / learned.scale)
    return {"lognormal": stats.lognorm, "log-logistic": stats.fisk, "weibull": stats.weibull_min}[learned.law](
        shape, scale=math.exp(learned.location)
    )


# Lawless, J. F. (2003). Statistical Models and Methods for Lifetime Data, 2nd ed.: locomotive controls, thousand
# miles to failure of 37, with 59 still running at 135.
LOCOMOTIVES = [
    *exact([
        22.5, 37.5, 46, 48.5, 51.5, 53, 54.5, 57.5, 66.5, 68, 69.5, 76.5, 77, 78.5, 80, 81.5, 82, 83, 84, 91.5, 93.5,
        102.5, 107, 108.5, 112.5, 113.5, 116, 117, 118.5, 119, 120, 122.5, 123, 127.5, 131, 132.5, 134,
    ]),
    (59, 135, INF),
]  # fmt: skip
# Finkelstein, D. M. and Wolfe, R. A. (1985). A semiparametric model for regression analysis of interval-censored
# failure time data. Biometrics 41, 933-945: months to retraction, radiotherapy and chemotherapy; two exact.
COSMESIS = [
    (1, after, until)
    for after, until in [
        (0, 5), (0, 22), (4, 8), (4, 9), (5, 8), (8, 12), (8, 21), (10, 17), (10, 35), (11, 13), (11, 17), (11, 20),
        (12, 20), (13, 39), (14, 17), (14, 19), (15, 22), (16, 20), (16, 24), (16, 24), (16, 60), (17, 23), (17, 26),
        (17, 27), (18, 24), (18, 25), (19, 32), (22, 32), (24, 30), (24, 31), (30, 34), (30, 36), (33, 40), (34, 34),
        (35, 39), (44, 48), (48, 48), (11, INF), (11, INF), (13, INF), (13, INF), (13, INF), (21, INF), (23, INF),
        (31, INF), (32, INF), (34, INF), (34, INF), (35, INF),
    ]
]  # fmt: skip
# Gehan, E. A. (1965). A generalized Wilcoxon test for comparing arbitrarily singly-censored samples. Biometrika
# 52, 203-223: weeks of remission under 6-MP.
SIX_MP = [6, 6, 6, 7, 10, 13, 16, 22, 23], [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
# Ritz, C., Pipper, C. B. and Streibig, J. C. (2013). Analysis of germination data from agricultural experiments.
# Eur. J. Agron. 45, 1-6: seeds of 20 found germinated, by day.
WHEAT_22 = [(1, 2, 3), (12, 3, 4), (3, 4, 5), (3, 6, 7), (1, 18, INF)]
RICE_16 = [(4, 6, 7), (4, 7, 9), (2, 9, 10), (10, 18, INF)]
MUNGBEAN_10 = [(4, 2, 3), (9, 5, 6), (7, 6, 7)]


def test_twenty_partly_censored_times_give_the_published_weibull():
    # 3, 5, 6*, 8, 10*, ... (* censored); published shape 2.149, scale 28.99.
    times, censored = [3, 5, 8, 15, 22, 23, 29, 32, 35, 40, 26, 28, 21], [6, 10, 11, 20, 27, 33, 24]
    learned = learn_time(exact(times, censored), law="weibull")
    assert (1 / learned.scale, math.exp(learned.location)) == pytest.approx((2.149, 28.99), abs=0.01, rel=3e-4)


def test_the_locomotives_give_the_published_lognormal():
    learned = learn_time(LOCOMOTIVES)
    assert (learned.location, learned.scale) == pytest.approx((5.1169, 0.7055), abs=5e-5)


def test_intervals_with_two_exact_times_among_them_give_the_published_weibull():
    learned = learn_time(COSMESIS, law="weibull")
    assert 1 / learned.scale == pytest.approx(2.1450, abs=5e-5)
    assert math.exp(learned.location) == pytest.approx(27.925, abs=5e-4)


def test_wheat_that_never_germinates_gives_the_published_plateau_slope_and_median():
    learned = learn_time(WHEAT_22, law="log-logistic", never=True)
    assert (1 / learned.scale, learned.median) == pytest.approx((7.4819, 3.8322), abs=5e-5)
    assert learned.ever == pytest.approx(0.95, abs=5e-5)


def test_rice_takes_twice_as_long_if_no_seed_is_allowed_never_to_germinate():
    assert learn_time(RICE_16, law="log-logistic").median == pytest.approx(15.25, abs=5e-3)
    learned = learn_time(RICE_16, law="log-logistic", never=True)
    assert (learned.median, learned.ever) == pytest.approx((7.51, 0.50), abs=5e-3)
    assert learned.standard_errors["ever"] == pytest.approx(math.sqrt(0.5 * 0.5 / 20), rel=1e-3)  # a share of 20


def kaplan_meier(times, censored):
    """Share not yet ready after each time, and its standard error by Greenwood's formula."""
    share, sum_, curve = 1.0, 0.0, {}
    for time in sorted(set(times)):
        at_risk, gone = sum(t >= time for t in [*times, *censored]), times.count(time)
        share *= 1 - gone / at_risk
        sum_ += gone / (at_risk * (at_risk - gone)) if at_risk > gone else INF
        curve[time] = share, share * math.sqrt(sum_)
    return curve


@pytest.mark.parametrize("law", NAMES)
def test_a_fit_without_and_one_with_a_law_agree_on_the_remissions(law):
    curve = kaplan_meier(*SIX_MP)
    published = {6: 0.8571, 10: 0.7529, 22: 0.5378, 23: 0.4482}
    assert {time: round(curve[time][0], 4) for time in published} == published
    by_scipy = stats.ecdf(stats.CensoredData.right_censored([*SIX_MP[0], *SIX_MP[1]], [0] * 9 + [1] * 12)).sf
    assert by_scipy.evaluate([*published]) == pytest.approx([*published.values()], abs=5e-5)
    learned = quietly(exact(*SIX_MP), law=law)
    for time, (share, error) in curve.items():
        assert 1 - learned.cdf(time) == pytest.approx(share, abs=1.96 * error)


@pytest.mark.parametrize("law", NAMES)
@pytest.mark.parametrize("rows", [COSMESIS, LOCOMOTIVES, WHEAT_22], ids=["cosmesis", "locomotives", "wheat"])
def test_no_parameters_near_by_and_none_of_scipy_are_likelier(law, rows):
    learned = learn_time(rows, law=law)
    data = stats.CensoredData(
        uncensored=[u for n, a, u in rows if a == u for _ in range(n)],
        left=[u for n, a, u in rows if a == 0 for _ in range(n)],
        right=[a for n, a, u in rows if u == INF for _ in range(n)],
        interval=[(a, u) for n, a, u in rows if 0 < a < u < INF for _ in range(n)],
    )
    family = {"lognormal": stats.lognorm, "log-logistic": stats.fisk, "weibull": stats.weibull_min}[law]
    shape, _, scale = family.fit(data, floc=0)
    own = scipy_law(learned)
    assert (own.args[0], own.kwds["scale"]) == pytest.approx((shape, scale), rel=2e-3)
    frozen = family(shape, scale=scale)
    theirs = sum(n * float(frozen.logpdf(u) if a == u else np.log(frozen.cdf(u) - frozen.cdf(a))) for n, a, u in rows)
    mine = sum(n * float(own.logpdf(u) if a == u else np.log(own.cdf(u) - own.cdf(a))) for n, a, u in rows)
    assert learned.log_likelihood == pytest.approx(mine, abs=1e-9)
    assert learned.log_likelihood >= theirs


@pytest.mark.parametrize("law", NAMES)
def test_quantiles_shares_and_spreads_are_those_of_scipys_law(law):
    learned = learn_time(WHEAT_22, law=law, never=True)
    own, u = scipy_law(learned), np.linspace(0.001, 0.999, 40)
    assert learned.quantile(u) == pytest.approx(own.ppf(u))
    assert learned.cdf(learned.quantile(u)) == pytest.approx(u)
    assert learned.cdf([-1, 0, INF]).tolist() == [0, 0, 1]
    logs = np.log(own.ppf((np.arange(200_000) + 0.5) / 200_000))
    assert learned.log_sd == pytest.approx(logs.std(), rel=1e-3)


TABLE = CensoredData(
    [
        ("a", 0, 3, 4), ("a", 3, 4, 5), ("b", 4, 4, 2), ("b", 5, 5.0001, 3), ("c", 6, 9, 7), ("c", 9, INF, 6),
        ("a", 4, INF, 2),
    ]
)  # fmt: skip


@pytest.mark.parametrize("law", NAMES)
@pytest.mark.parametrize("never", [False, True])
@pytest.mark.parametrize("between", [False, True])
@pytest.mark.parametrize("log_scale", [-0.7, -2, 2])
def test_the_derivatives_of_the_likelihood_are_its_differences(law, never, between, log_scale):
    likelihood = Likelihood(TABLE, LAWS[law], never=never, between=between)
    at = np.array([1.4, log_scale] + [1.2] * never + [-1.1] * between)
    slope, bend = likelihood.at(at)[1:]
    for i, step in enumerate(np.eye(at.size) * 1e-5):
        (above, slope_above, _), (below, slope_below, _) = likelihood.at(at + step), likelihood.at(at - step)
        assert (above - below) / 2e-5 == pytest.approx(slope[i], rel=2e-6, abs=1e-6 * np.abs(slope).max())
        assert (slope_above - slope_below) / 2e-5 == pytest.approx(bend[i], rel=1e-5, abs=2e-6 * np.abs(bend).max())


@pytest.mark.parametrize("law", NAMES)
@pytest.mark.parametrize(
    ("plants", "within", "between"), [(5, 0.3, 0.2), (500, 0.05, 0.3), (20, 0.02, 0.2), (20, 0.3, 1)]
)
def test_the_integral_over_batches_is_that_of_a_very_fine_grid(law, plants, within, between):
    rows = nursery(np.random.default_rng(3), batches=4, plants=plants, within=within, between=between, last=14)
    parameters = np.array([math.log(8), math.log(within), 2.0, math.log(between)])
    got = Likelihood(CensoredData((b, a, u, n) for n, a, u, b in rows), LAWS[law], never=True, between=True).at(
        parameters
    )[0]
    z, total = np.linspace(-9, 9, 20_001), 0.0
    for name in {row[3] for row in rows}:
        logs = -(z**2) / 2 - math.log(2 * math.pi) / 2
        for n, a, u, batch in rows:
            if batch == name:
                one = Likelihood(CensoredData([("", a, u, n)]), LAWS[law], never=True, between=False)
                terms = one._rows((parameters[0] + between * z)[None, :], parameters[:3])
                logs = logs + n * terms.value[0]
        total += logs.max() + math.log(np.trapezoid(np.exp(logs - logs.max()), z))
    assert got == pytest.approx(total, abs=1e-4)


def nursery(rng, *, batches=1, plants=60, within=0.25, between=0.0, ever=1.0, last=16, middle=8.0, law=None):
    """Counts of a simulated nursery with a look each week, the last one after so many weeks."""
    rows = []
    for batch in range(batches):
        score = rng.normal(size=plants) if law is None else law(rng.random(plants))
        times = middle * np.exp(between * rng.normal() + within * score)
        times[rng.random(plants) > ever] = INF
        weeks, counts = np.unique(np.floor(np.minimum(times, last)), return_counts=True)
        rows += [
            (int(n), float(week), float(week) + 1 if week < last else INF, f"batch {batch}")
            for week, n in zip(weeks, counts, strict=True)
        ]
    return rows


def covered(truth, found, error):
    return abs(found - truth) < 1.959964 * error


def within_binomial_error(hits, *, runs, level=0.95):
    low, high = stats.binom.interval(0.999, runs, level)
    return low <= hits <= high


@pytest.mark.parametrize("law", NAMES)
def test_intervals_of_95_percent_hold_the_truth_as_often_as_they_say(law):
    rng, runs, within = np.random.default_rng(11), 110, 0.2
    median = 8 * math.exp(within * float(LAWS[law].quantile(np.array(0.5))))
    hits = np.zeros(3, dtype=int)
    for _ in range(runs):
        learned = quietly(
            nursery(rng, plants=150, within=within, ever=0.8, law=LAWS[law].quantile), law=law, never=True
        )
        error = learned.standard_errors
        hits += [
            covered(math.log(median), math.log(learned.median), error["median"] / learned.median),
            covered(math.log(within), math.log(learned.scale), error["log_sd"] / learned.log_sd),
            covered(
                math.log(4),
                math.log(learned.ever / (1 - learned.ever)),
                error["ever"] / learned.ever / (1 - learned.ever),
            ),
        ]
    assert all(within_binomial_error(hit, runs=runs) for hit in hits), hits


def test_intervals_with_batches_hold_the_truth_nearly_as_often_as_they_say():
    rng, runs = np.random.default_rng(12), 60
    hits = np.zeros(3, dtype=int)
    for _ in range(runs):
        learned = quietly(nursery(rng, batches=30, plants=25, within=0.2, between=0.2, last=20))
        error = learned.standard_errors
        hits += [
            covered(8, learned.median, error["median"]),
            covered(0.2, learned.scale, error["log_sd"]),
            covered(math.log(0.2), math.log(learned.batch_log_sd), error["batch_log_sd"] / learned.batch_log_sd),
        ]
    assert all(within_binomial_error(hit, runs=runs, level=0.94) for hit in hits), hits  # 30 batches: a normal, not t


def test_a_spread_of_batches_not_distinguished_makes_the_error_of_the_median_too_small():
    rows = nursery(np.random.default_rng(5), batches=12, plants=100, within=0.15, between=0.25)
    apart, together = quietly(rows), quietly([row[:3] for row in rows])
    assert apart.batch_log_sd == pytest.approx(0.25, abs=2 * apart.standard_errors["batch_log_sd"])
    assert apart.scale < together.scale
    assert apart.standard_errors["median"] > 3 * together.standard_errors["median"]


def test_many_plants_a_batch_give_the_spread_of_the_batch_medians():
    rng = np.random.default_rng(6)
    rows = nursery(rng, batches=15, plants=20_000, within=0.2, between=0.2, last=30)
    medians = [quietly([row[:3] for row in rows if row[3] == f"batch {b}"]).location for b in range(15)]
    learned = quietly(rows)
    assert learned.location == pytest.approx(np.mean(medians), abs=1e-3)
    assert learned.batch_log_sd == pytest.approx(np.std(medians), rel=1e-2)
    assert learned.standard_errors["batch_log_sd"] == pytest.approx(learned.batch_log_sd / math.sqrt(30), rel=2e-2)
    assert learned.standard_errors["median"] == pytest.approx(
        learned.median * learned.batch_log_sd / math.sqrt(15), rel=2e-2
    )


counts = st.lists(
    st.tuples(st.integers(0, 30), st.integers(0, 8), st.sampled_from([1, 2, 5, INF]), st.sampled_from("abc")),
    min_size=4,
    max_size=9,
).map(
    lambda rows: (
        [(n, a, a + wide, batch) for n, a, wide, batch in rows] + [(3, 2, 3, "a"), (4, 5, 6, "b"), (2, 9, INF, "c")]
    )
)


@some
@given(rows=counts, law=st.sampled_from(NAMES), never=st.booleans(), data=st.data())
def test_neither_the_order_of_rows_nor_splitting_one_matters(rows, law, never, data):
    split = [half for n, *rest in rows for half in ((n // 2, *rest), (n - n // 2, *rest))]
    listed = data.draw(st.permutations(split))
    told = []
    for listing in (rows, listed, [Counted(*row) for row in reversed(rows)]):
        try:
            told.append(everything(quietly(listing, law=law, never=never)))
        except Refused as refusal:
            told.append(str(refusal))
    assert told[0] == told[1] == told[2]


@some
@given(rows=counts, law=st.sampled_from(NAMES), unit=st.sampled_from([1 / 52, 7.0, 168.0]))
def test_the_unit_of_time_changes_only_the_unit_of_the_median(rows, law, unit):
    try:
        learned = quietly(rows, law=law)
    except Refused:
        return
    other = quietly([(n, a * unit, u * unit, batch) for n, a, u, batch in rows], law=law)
    assert other.median == pytest.approx(unit * learned.median, rel=1e-5)
    assert (other.scale, other.batch_log_sd) == pytest.approx((learned.scale, learned.batch_log_sd), rel=1e-4, abs=1e-4)


@some
@given(shift=st.floats(-200, 200), law=st.sampled_from(NAMES))
def test_extreme_intervals_leave_the_likelihood_finite_and_its_slope_towards_them(shift, law):
    rows = [("", 3.0, 4.0, 5), ("", 7.0, INF, 5), ("", 0.0, 2.0, 1)]
    value, slope, bend = Likelihood(CensoredData(rows), LAWS[law], never=False, between=False).at(
        np.array([shift, -1.0])
    )
    assert math.isfinite(value)
    assert np.isfinite(slope).all()
    assert np.isfinite(bend).all()
    if abs(shift) > 10:
        assert slope[0] * shift < 0


def doubted(kind, **known):
    """What a doubt warns of, as a pattern."""
    return re.escape(words.warning(words.doubt(kind, **known)))


def test_a_fully_finished_batch_puts_the_share_that_gets_ready_on_its_edge():
    with pytest.warns(UserWarning, match=doubted("all ready")):
        learned = learn_time(MUNGBEAN_10, law="log-logistic", never=True)
    assert learned.ever == 1
    assert math.isnan(learned.standard_errors["ever"])
    assert (learned.median, learned.standard_errors["median"]) == (
        learn_time(MUNGBEAN_10, law="log-logistic").median,
        learn_time(MUNGBEAN_10, law="log-logistic").standard_errors["median"],
    )


@pytest.mark.filterwarnings("ignore:Only 3 plants", "ignore:The median lies far beyond")
@pytest.mark.parametrize("law", NAMES)
def test_three_finishers_in_one_interval_leave_the_spread_unknown(law):
    rows = [(3, 9, 10), (17, 18, INF)]
    with pytest.warns(UserWarning, match=doubted("spread")):
        learned = learn_time(rows, law=law, never=True)
    assert math.isnan(learned.standard_errors["log_sd"])
    assert 9 < learned.median < 10
    best = 3 * math.log(0.15) + 17 * math.log(0.85)  # as if all got ready at once
    assert learned.log_likelihood == pytest.approx(best - stats.chi2.ppf(0.95, 1) / 2, abs=1e-4)
    with pytest.warns(UserWarning, match=doubted("one interval", law=law)):
        learn_time(rows, law=law)


@pytest.mark.filterwarnings("ignore:The plants of a batch could all")
def test_batches_each_ready_within_one_week_still_show_how_batches_differ():
    rows = [(50, week, week + 1, f"batch {week}") for week in (5, 6, 7, 8, 9, 11)]
    learned = learn_time(rows)
    weeks = np.log(np.array([5, 6, 7, 8, 9, 11]) + 0.5)
    assert learned.batch_log_sd == pytest.approx(weeks.std(), abs=0.03)
    assert learned.median == pytest.approx(math.exp(weeks.mean()), rel=0.02)
    assert learned.scale < 0.05


def test_few_events_an_early_end_and_batches_all_alike_are_said():
    with pytest.warns(UserWarning, match=doubted("few", ready=6)):
        learn_time([(2, 3, 4), (2, 4, 5), (2, 6, 7)])
    with pytest.warns(UserWarning, match="lognormal"):
        learn_time([(5, 3, 4), (12, 4, 5), (14, 5, 6), (60, 6, INF)], never=True)
    alike = [(n, a, u, batch) for n, a, u in WHEAT_22 for batch in "ab"]
    with pytest.warns(UserWarning, match=doubted("alike", groups=2)):
        learned = learn_time(alike, law="log-logistic", never=True)
    assert learned.batch_log_sd == 0
    assert learned.median == pytest.approx(3.8322, abs=5e-5)


def test_a_duration_holds_what_the_counts_leave_open_as_belief_and_the_batches_as_batches():
    learned = quietly(nursery(np.random.default_rng(5), batches=12, within=0.15, between=0.25))
    duration = learned.duration()
    words = dict(duration.level.shares)
    between, within = duration.log_sds
    assert isinstance(duration, Duration)
    assert duration.median == learned.median
    assert between**2 * words["batch"] == pytest.approx(learned.batch_log_sd**2)
    assert between * math.sqrt(words["belief"]) == pytest.approx(learned.standard_errors["median"] / learned.median)
    assert within == pytest.approx(learned.scale)
    assert str(learned.duration("batch").level) == "batch"
    assert str(learn_time(WHEAT_22, never=True).duration().level) == "belief"


@pytest.mark.parametrize("law", NAMES)
def test_the_plants_of_a_duration_span_the_same_nine_in_ten_as_the_law(law):
    learned = learn_time(WHEAT_22, law=law, never=True)
    low, high = learned.quantile([0.05, 0.95])
    assert math.exp(2 * 1.6448536 * learned.duration().log_sds[1]) == pytest.approx(high / low)


def test_every_fault_of_every_row_is_listed():
    rows = [(-1, 3, 2, ""), (1, 2), (1.5, -1, 0), (True, INF, math.nan), ("4", "5", None), (3, 4, 5)]
    with pytest.raises(Refused) as refusal:
        learn_time(rows)
    places = [(fault.row, fault.column) for fault in refusal.value.faults]
    three = ["count", "after", "until"]
    assert places == [
        *[(1, column) for column in ("count", "until", "batch")], (2, ""),
        *[(row, column) for row in (3, 4, 5) for column in three],
    ]  # fmt: skip
    assert "row 1, column until, 2: below after, 3. Swap or correct the two." in str(refusal.value)


def time_of(law="lognormal", location=USUAL, scale=0.2, ever=0.8, batches=0.5, **others):
    """Return a learned time of these numbers, with the standard errors above."""
    rest = {"plants": 1500, "ready": 1200, "groups": 3} | others
    covariance = tuple(tuple(line) for line in np.diag(np.square(ERRORS)).tolist())
    return LearnedTime(law, location, scale, ever, batches, -10.0, covariance, **rest)


# Counts

COUNT = "not usable. Give a whole number from 0 to 1,000,000,000."
AFTER = "not the time of a count. Give a number from 0."
UNTIL = "not the time of a count. Give a number above 0, such as infinity for plants still growing."
BATCH = "not the name of a batch. Write a name, or None."
UNKNOWN = "Count more often; use never=True if some plants never get ready; or enter your own estimate."


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ((-1, 3, 4), f"count, '-1': {COUNT}"),
        ((1.5, 3, 4), f"count, '1.5': {COUNT}"),
        ((INF, 3, 4), f"count, 'inf': {COUNT}"),
        ((NAN, 3, 4), f"count, 'nan': {COUNT}"),
        ((True, 3, 4), f"count, 'True': {COUNT}"),
        (("4", 3, 4), f"count, '4': {COUNT}"),
        ((1, -1, 4), f"after, -1: {AFTER}"),
        ((1, INF, 4), f"after, inf: {AFTER}"),
        ((1, None, 4), f"after: {AFTER}"),
        ((1, 0, 0), f"until, 0: {UNTIL}"),
        ((1, 3, -1), f"until, -1: {UNTIL}"),
        ((1, 3, NAN), f"until, nan: {UNTIL}"),
        (
            (1, 3.25, 2.5),
            "until, 2.5: below after, 3.25. Swap or correct the two.",
        ),
        ((1, 3, 4, ""), f"batch, '': {BATCH}"),
        ((1, 3, 4, 7), f"batch, 7: {BATCH}"),
        ((-1, -2, -3, ""), f"count, '-1': {COUNT}\nafter, -2: {AFTER}\nuntil, -3: {UNTIL}\nbatch, '': {BATCH}"),
    ],
)
def test_what_is_no_row_of_counts_is_refused_with_a_remedy(row, said):
    assert refused(lambda: Counted(*row)) == said


@pytest.mark.parametrize(
    "row", [(0, 0, 0.5), (np.int64(3), 2, 2), (3.0, 0, INF), (1, np.float64(2), 3, "a"), (2, 1, 2, None)]
)
def test_counts_from_0_times_from_0_and_exact_times_are_taken(row):
    counted = Counted(*row)
    assert (counted.count, counted.after, counted.until, counted.batch) == (*row, None)[:4]


def test_a_faulty_row_is_named_by_its_number():
    with pytest.raises(Refused) as refusal:
        learn_time([Counted(3, 4, 5), (1, 2), 7, (-1, 3, 4)])
    shape = "not a row of counts. Write count, after, until and perhaps batch."
    assert str(refusal.value).splitlines() == [
        f"rows, row 2, '(1, 2)': {shape}",
        f"rows, row 3, '7': {shape}",
        f"rows, row 4, column count, '-1': {COUNT}",
    ]


@pytest.mark.parametrize(
    ("rows", "how", "said"),
    [
        ([(3, 4, 5)], {"law": "gamma"}, "law, 'gamma': no such law. Write one of: lognormal, log-logistic, weibull."),
        ([], {}, "rows, '0 with plants': no plant got ready. Enter your own estimate instead."),
        ([(3, 4, INF), (2, 6, INF), (0, 3, 4)], {},
         "rows, '2 with plants': no plant got ready. Enter your own estimate instead."),
        ([(3, 4, 5, "a"), (2, 5, 6)], {},
         "batch: a batch is named in some rows only. Name it in all rows, or in none."),
        ([(3, 4, 4), (2, 9, INF)], {},
         "rows, '4': all became ready at the same time. "
         "Write the counts between which they became ready, such as after 3 until 4."),
        ([(1, 4, 6), (3, 4, 4)], {},
         "rows, '4': all became ready at the same time. "
         "Write the counts between which they became ready, such as after 3 until 4."),
        ([(30, 0, 4)], {}, f"rows, 'counts': all that became ready were so at the only count. {UNKNOWN}"),
        ([(30, 0, 4), (3, 4, INF)], {},
         f"rows, 'counts': all that became ready were so at the only count. {UNKNOWN}"),
        ([(30, 0, 4), (3, 8, INF)], {},
         f"rows, 'counts': the spread between plants, or between batches, runs away. {UNKNOWN}"),
        ([(5, 0.01, 0.011, "a"), (5, 1000, 1001, "b")], {},
         f"rows, 'counts': the spread between plants, or between batches, runs away. {UNKNOWN}"),
        ([(1, 0, 2), (1, 0, 4)], {}, f"rows, 'counts': the spread between plants runs away. {UNKNOWN}"),
        ([(2, 3, 5), (1, 4, 4)], {}, f"rows, 'counts': an exact time draws all others to it. {UNKNOWN}"),
        ([(3, 8, 9), (2, 2, INF)], {"law": "weibull"},
         f"rows, 'counts': the median could be almost any. {UNKNOWN}"),
        ([(2, 9, INF, "b"), (30, 4, INF, "b"), (3, 2, 3, "a")], {},
         f"rows, 'counts': no one time fits better than the others. {UNKNOWN}"),
        ([(3, 2, 3), (2, 3, 3)], {"law": "weibull", "never": True},
         f"rows, 'counts': no one time fits better than the others. {UNKNOWN}"),
    ],
)  # fmt: skip
def test_counts_from_which_no_time_can_be_learned_are_refused_with_a_remedy(rows, how, said):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with pytest.raises(Refused) as refusal:
            learn_time(rows, **how)
    assert str(refusal.value) == said


@pytest.mark.filterwarnings("ignore:Only 9 plants")
def test_rows_without_plants_and_plants_never_counted_teach_nothing():
    rows = [(4, 6, 7, "a"), (4, 7, 9, "a"), (1, 9, 10, "a"), (10, 18, INF, "a")]
    assert everything(learn_time([*rows, (0, 20, 30, "b"), (9, 0, INF, "c")])) == everything(learn_time(rows))
    assert learn_time([*rows, (2, 0.5, INF, "a")]).plants == 19 + 2


# Numbers by hand


def test_exact_times_of_all_plants_give_mean_and_deviation_of_their_logarithms():
    times = [3.2, 4.1, 5.5, 6.0, 7.7, 8.1, 9.4, 10.2, 12.5, 15.9, 21.0, 27.3]
    logs, n = np.log(times), len(times)
    learned = learn_time([(1, time, time) for time in times])
    mean, deviation = logs.mean(), logs.std()
    assert (learned.location, learned.scale) == pytest.approx((mean, deviation), rel=1e-6)
    assert (learned.ever, learned.batch_log_sd) == (1, 0)
    assert (learned.plants, learned.ready, learned.groups) == (n, n, 1)
    assert learned.log_likelihood == pytest.approx(stats.lognorm.logpdf(times, deviation, scale=math.exp(mean)).sum())
    right = np.full((4, 4), NAN)
    right[:2, :2] = [[deviation**2 / n, 0], [0, 1 / (2 * n)]]
    assert np.array(learned.covariance) == pytest.approx(right, rel=1e-6, abs=1e-9, nan_ok=True)


ROWS = [(2, 0, 3, "a"), (9, 3, 4, "a"), (5, 4, 6, "a"), (6, INF, INF, "a"), (1, 5, 5, "b"), (4, 5, 6, "b"),
        (8, 6, 8, "b"), (5, 8, 11, "b"), (3, 3, 4, "c"), (7, 4, 6, "c"), (6, 6, 9, "c")]  # fmt: skip


@pytest.mark.parametrize("law", ["lognormal", "log-logistic", "weibull"])
@pytest.mark.parametrize(("never", "apart"), [(False, False), (True, False), (False, True), (True, True)])
def test_covariances_are_those_of_the_bend_of_scipys_likelihood(law, never, apart):
    """Of log median, log scale, logit of the share that gets ready and log of the spread of batches; by differences."""
    rows = [(n, 14 if a == INF else a, u, batch) for n, a, u, batch in ROWS if never or a < INF]
    z = np.linspace(-7, 7, 1501)
    weight = stats.norm.pdf(z) / stats.norm.pdf(z).sum()
    learned = learn_time([row if apart else row[:3] for row in rows], law=law, never=never)
    unit = {"lognormal": stats.norm, "log-logistic": stats.logistic, "weibull": stats.gumbel_l}[law]
    middle = unit.ppf(0.5)

    def likelihood(at):
        log_median, log_scale = at[:2]
        scale, ever = math.exp(log_scale), expit(at[2]) if never else 1.0
        location = log_median - middle * scale + (math.exp(at[-1]) * z if apart else np.zeros(1))
        by_batch = dict.fromkeys("abc", 0.0)
        for n, after, until, batch in rows:
            low, high = ((math.log(look) - location) / scale if look else np.full_like(location, -INF)
                         for look in (after, until))  # fmt: skip
            if after == until:
                chance = ever * unit.pdf(high) / scale / until
            else:
                chance = ever * (unit.cdf(high) - unit.cdf(low)) + (until == INF) * (1 - ever)
            with np.errstate(divide="ignore"):
                by_batch[batch if apart else "a"] = by_batch[batch if apart else "a"] + n * np.log(chance)
        if not apart:
            return float(by_batch["a"][0])
        return sum(math.log(weight @ np.exp(logs)) for logs in by_batch.values())

    at = [math.log(learned.median), math.log(learned.scale)]
    at += [logit(learned.ever)] if never else []
    at += [math.log(learned.batch_log_sd)] if apart else []
    assert learned.log_likelihood == pytest.approx(likelihood(at), abs=1e-5)
    steps = 1e-3 * np.eye(len(at))
    bend = np.array([[
        likelihood(at + a + b) - likelihood(at + a - b) - likelihood(at - a + b) + likelihood(at - a - b)
        for a in steps] for b in steps]) / 4e-6  # fmt: skip
    kept = [0, 1, *([2] if never else []), *([3] if apart else [])]
    right = np.full((4, 4), NAN)
    right[np.ix_(kept, kept)] = np.linalg.inv(-bend)
    assert np.array(learned.covariance) == pytest.approx(right, rel=2e-3, abs=2e-5, nan_ok=True)
    assert (learned.plants, learned.ready) == (sum(row[0] for row in rows), 50)
    assert learned.groups == (3 if apart else 1)


def test_two_batches_are_enough_to_learn_how_batches_differ_and_one_is_not():
    rows = [(20, 3, 4, "a"), (20, 4, 5, "a"), (20, 6, 7, "b"), (20, 7, 8, "b")]
    learned = learn_time(rows)
    middles = [math.log(4), math.log(7)]
    assert learned.batch_log_sd == pytest.approx(np.std(middles), abs=0.02)
    assert learned.median == pytest.approx(math.exp(np.mean(middles)), rel=0.01)
    assert learned.groups == 2
    one = learn_time([(*row[:3], "a") for row in rows])
    assert everything(one) == everything(learn_time([row[:3] for row in rows]))


def test_standard_errors_follow_from_those_of_logarithms_and_logits():
    learned = time_of()
    assert learned.standard_errors == pytest.approx({
        "median": 12.346 * 0.1, "log_sd": 0.2 * 0.2, "ever": 0.8 * 0.2 * 0.3, "batch_log_sd": 0.5 * 0.4,
    })  # fmt: skip
    assert all(type(error) is float for error in learned.standard_errors.values())
    assert type(learned.median) is float


@pytest.mark.parametrize(
    ("law", "deviation"), [("lognormal", 1.0), ("log-logistic", math.pi / 3**0.5), ("weibull", math.pi / 6**0.5)]
)
def test_the_spread_is_the_scale_times_the_deviation_of_the_law(law, deviation):
    assert time_of(law, scale=0.3).log_sd == pytest.approx(0.3 * deviation, rel=1e-12)


def test_a_duration_splits_its_spread_between_belief_and_batches_by_their_variances():
    duration = time_of(batches=0.2).duration()
    assert duration.median == pytest.approx(12.346)
    assert duration.batches_cv == pytest.approx(math.sqrt(math.exp(0.01 + 0.04) - 1))
    assert duration.plants_cv == pytest.approx(math.sqrt(math.exp(0.04) - 1))
    assert duration.level.shares == (("belief", pytest.approx(0.2)), ("batch", pytest.approx(0.8)))
    assert time_of(batches=0.0).duration().level.shares == (("belief", 1.0),)
    assert time_of(batches=0.2).duration("season").level.shares == (("season", 1.0),)


# Results


def test_a_learned_time_is_shown_with_its_interval_and_as_a_table():
    learned = time_of()
    assert repr(learned) == "LearnedTime(law=lognormal, plants=1,500, ready=1,200, batches=3)"
    wide, spread = math.exp(1.6448536 * 0.1), math.exp(1.6448536 * 0.2)
    assert str(learned) == words.stage_time(
        median=12.346, p5=12.346 / wide, p95=12.346 * wide, quickest=12.346 / spread, slowest=12.346 * spread,
        batches_cv=math.sqrt(math.exp(0.25) - 1), ever=0.8, ready=1200, plants=1500,
    )  # fmt: skip
    table = learned.table()
    assert table["quantity"].tolist() == ["median", "log_sd", "ever", "batch_log_sd"]
    assert table["learned"].tolist() == pytest.approx([12.346, 0.2, 0.8, 0.5])
    assert table["standard_error"].tolist() == list(learned.standard_errors.values())


# Doubts

MANY = [words.doubt("to come", law="lognormal", share=0.2)]
WEEKLY = [Counted(3, 3, 4), Counted(3, 4, 5), Counted(1, 20, INF)]
SAME = [Counted(3, 9, 10), Counted(2, 9, 10), Counted(9, 20, INF)]


@pytest.mark.parametrize(
    ("learned", "read", "how", "said"),
    [
        (time_of(), WEEKLY, {}, []),
        (time_of(ready=10), WEEKLY, {}, []),
        (time_of(ready=9), WEEKLY, {}, [words.doubt("few", ready=9)]),
        (time_of("weibull"), SAME, {"known": False}, [words.doubt("spread")]),
        (time_of("weibull"), SAME, {}, [words.doubt("one interval", law="weibull")]),
        (time_of(ever=1), WEEKLY, {"never": True}, [words.doubt("all ready")]),
        (time_of(ever=1), WEEKLY, {}, []),
        (time_of(ever=0.9), WEEKLY, {"never": True}, []),
        # With location 0 and scale 1, Phi(0.84) = 0.79955 are ready by exp(0.84), Phi(0.85) = 0.80234 by exp(0.85).
        (time_of(location=0, scale=1), [Counted(9, 1, 2), Counted(9, math.exp(0.84), 9)], {}, MANY),
        (time_of(location=0, scale=1), [Counted(9, 1, 2), Counted(9, math.exp(0.85), 9)], {}, []),
        (time_of(location=0, scale=1, ever=1), [Counted(9, 1, 2), Counted(9, 0.5, 9)], {}, []),
        (time_of("weibull", math.log(30), 0.1, ever=1), WEEKLY, {}, []),
        (time_of("weibull", math.log(32), 0.1, ever=1), WEEKLY, {}, [words.doubt("far", law="weibull")]),
        (time_of(location=0, ever=1), [Counted(9, 2 / 3, 2), Counted(9, 0.5, 9)], {}, []),  # 1.5 times the last look
    ],
)
def test_each_doubt_is_raised_where_it_holds_and_only_there(learned, read, how, said):
    assert list(_doubts(learned, read, **({"known": True, "never": False} | how))) == said


def test_a_doubt_is_a_warning_at_the_line_of_the_call():
    with pytest.warns(UserWarning, match=doubted("few", ready=6)) as seen:
        learn_time([(2, 3, 4), (2, 4, 5), (2, 6, 7)])
    assert [one.filename for one in seen] == [__file__]


def test_plants_that_were_still_growing_soon_count_and_those_never_looked_at_do_not():
    rows = [(20, 2, 3), (30, 3, 4), (10, 4, 6)]
    found, more = (fit_time([*rows, (5, after, math.inf)])[0] for after in (0, 0.5))
    assert (found.plants, more.plants) == (60, 65)
