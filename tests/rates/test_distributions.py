"""Shares and durations against SciPy's distributions and numerical integrals."""

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from refusals import refused
from scipy import stats
from scipy.integrate import quad
from scipy.special import betainc, betaincinv, log_ndtr, ndtr

from forecast import Duration, Share

some = settings(max_examples=80, deadline=None, derandomize=True)
U = np.concatenate([[1e-8, 1e-4], np.linspace(0.005, 0.995, 100), [1 - 1e-4, 1 - 1e-8]])
SCORES = np.concatenate([np.linspace(-6, 6, 1201), np.random.default_rng(1).normal(size=500)])


@st.composite
def shares(draw, widest=0.95):
    mean = draw(st.one_of(st.floats(0.01, 0.99), st.sampled_from([0.001, 0.999, 0.9999])))
    part = draw(st.floats(0.001, widest))
    return Share(mean, part * math.sqrt(mean * (1 - mean)), "batch")


@some
@given(share=shares())
def test_a_share_has_the_quantiles_and_the_chances_of_the_beta_distribution_with_its_mean_and_spread(share):
    law = stats.beta(*share.parameters)
    assert (law.mean(), law.std()) == pytest.approx((share.mean, share.sd), rel=1e-7)
    assert share.quantile(U) == pytest.approx(law.ppf(U), rel=1e-6, abs=1e-9)
    values = np.linspace(-0.1, 1.1, 25)
    assert share.cdf(values) == pytest.approx(law.cdf(values), abs=1e-10)


@some
@given(share=shares())
def test_the_quick_share_at_a_score_is_within_a_ten_millionth_of_the_quantile(share):
    a, b = share.parameters
    right = share.quantile(ndtr(SCORES))
    right = np.where(right < 0.5, right, 1 - betaincinv(b, a, ndtr(-SCORES)))  # sure in the upper tail, too
    assert np.abs(np.exp(share.log_at(SCORES)) - right).max() < 1e-7


@some
@given(share=shares())
def test_the_quick_share_never_falls_as_the_score_rises_and_stays_a_share(share):
    values = np.exp(share.log_at(np.linspace(-8, 8, 4001)))
    assert np.diff(values).min() > -1e-9
    assert values.min() >= 0
    assert values.max() <= 1


@some
@given(share=shares(widest=0.6), score=st.floats(6.5, 33), below=st.booleans())
@example(share=Share(0.9999, 9.9995e-06, "batch"), score=31.0, below=False)  # the law at 0 does not hold yet
def test_the_share_at_a_score_that_none_has_by_chance_is_the_quantile_there(share, score, below):
    """Put back into the distribution function, as a logarithm; a share within 1e-15 of 0 or 1 is that."""
    a, b = share.parameters if below else share.parameters[::-1]
    log_share = share.log_at(np.array([-score if below else score]))
    kept = np.exp(log_share) if below else -np.expm1(log_share)
    if kept < 1e-15:
        assert betainc(a, b, 1e-15) >= ndtr(-score) * (1 - 1e-6)
    else:
        assert np.log(betainc(a, b, kept)) == pytest.approx(log_ndtr(-score), rel=1e-5)


def test_shares_go_on_falling_with_the_score_far_down():
    share = Share(0.8, 0.04, "batch")
    shares_at = np.exp(share.log_at(np.linspace(-33.9, 34, 1000)))
    assert (np.diff(shares_at) >= 0).all()
    assert shares_at[0] < 0.01
    assert share.log_at(np.array([-40.0, 40.0])) == pytest.approx(share.log_at(np.array([-34.0, 34.0])))


@settings(some, max_examples=25)
@given(share=shares(widest=0.6))
def test_mean_and_variance_of_a_share_are_the_integrals_of_its_quantiles(share):
    def moment(order):
        # Over the score, where the quantile is smooth.
        return quad(
            lambda z: float(share.quantile(ndtr(z))) ** order * stats.norm.pdf(z), -8, 8, epsabs=1e-11, limit=200
        )[0]

    assert moment(1) == pytest.approx(share.mean, abs=1e-7)
    assert moment(2) - moment(1) ** 2 == pytest.approx(share.variance, abs=2e-7)


@some
@given(low=st.floats(0.02, 0.9), width=st.floats(0.02, 0.5), level=st.sampled_from(["belief", "batch"]))
def test_a_range_of_shares_holds_nine_in_ten(low, width, level):
    high = low + (0.98 - low) * width
    share = Share.from_range(low, high, level=level)
    assert stats.beta.cdf([low, high], *share.parameters) == pytest.approx([0.05, 0.95], abs=1e-7)
    assert share.quantile([0.05, 0.95]) == pytest.approx([low, high], abs=1e-7)


@some
@given(of=st.integers(1, 5000), part=st.floats(0, 1))
def test_a_count_is_learned_under_the_prior_of_jeffreys(of, part):
    survived = round(part * of)
    share = Share.from_counts(survived, of, level="belief")
    assert share.parameters == pytest.approx((survived + 0.5, of - survived + 0.5), rel=1e-6)


def test_a_share_without_spread_is_always_its_mean():
    share = Share(0.8, 0, "batch")
    assert (share.quantile(U) == 0.8).all()
    assert np.exp(share.log_at(SCORES)) == pytest.approx(0.8)
    assert share.cdf([0.79, 0.8, 1]).tolist() == [0, 1, 1]


durations = st.builds(
    Duration,
    st.floats(0.2, 30),
    st.one_of(st.just(0.0), st.floats(0.01, 1.5)),
    st.one_of(st.just(0.0), st.floats(0.01, 1.5)),
    st.just("batch"),
)


@some
@given(duration=durations)
def test_a_duration_is_lognormal_between_batches_with_its_coefficient_of_variation(duration):
    if duration.batches_cv == 0:
        assert (duration.quantile(U) == duration.median).all()
        return
    law = stats.lognorm(math.sqrt(math.log(1 + duration.batches_cv**2)), scale=duration.median)
    assert law.std() / law.mean() == pytest.approx(duration.batches_cv)
    assert duration.quantile(U) == pytest.approx(law.ppf(U))
    assert duration.at(SCORES) == pytest.approx(law.ppf(ndtr(SCORES)), rel=1e-5)


@settings(some, max_examples=25)
@given(duration=durations)
def test_mean_and_variance_of_a_duration_are_the_integrals_over_batches_and_plants(duration):
    between, within = duration.log_sds

    def moment(order, spread):
        return quad(lambda z: math.exp(order * spread * z) * stats.norm.pdf(z), -14, 14, limit=200)[0]

    mean = duration.median * moment(1, between) * moment(1, within)
    second = duration.median**2 * moment(2, between) * moment(2, within)
    assert (duration.mean, duration.variance) == pytest.approx((mean, second - mean**2), rel=1e-6, abs=1e-6)


@some
@given(low=st.floats(0.1, 10), ratio=st.floats(1, 8))
def test_a_range_of_times_holds_nine_in_ten_batches(low, ratio):
    duration = Duration.from_range(low, low * ratio, plants_cv=0.1, level="batch")
    assert duration.quantile([0.05, 0.95]) == pytest.approx([low, low * ratio])


def test_a_share_may_reach_1_and_have_the_least_spread_that_is_distinguished_from_none():
    assert Share(1, 0, "batch").quantile(0.5) == 1
    assert Share(0.8, 1e-6, "batch").sd == 1e-6
    assert Share(0.5, 0.4999, "batch").variance == 0.4999**2
    assert refused(Share, 0.8, 0.9e-6, "batch").startswith(
        "sd, 9e-07: too small to be meant. Give 0, or at least 0.000001."
    )
    assert refused(Share, 0.5, 0.5, "batch") == (
        "sd, 0.5: no share with a mean of 0.5 varies so much. Give a standard deviation from 0 to below 0.5."
    )
    assert refused(Share, 0, 0, "batch") == (
        "mean, 0: not usable. Give a number above 0 and up to 1, such as 0.85 for 85 %."
    )


def test_a_share_without_spread_has_no_finite_parameters_and_keeps_the_shape_asked_for():
    known = Share(0.8, 0, "batch")
    assert known.parameters == (math.inf, math.inf)
    for found in (known.quantile([[0, 1]]), known.cdf([[0, 1]]), known.log_at(np.zeros((1, 2)))):
        assert (found.shape, found.dtype) == ((1, 2), np.float64)
    varied = Share(0.8, 0.1, "batch")
    for found in (varied.quantile([[0, 1]]), varied.cdf([[0, 1]])):
        assert (found.shape, found.dtype) == ((1, 2), np.float64)
        assert found.tolist() == [[0, 1]]


@pytest.mark.parametrize(("survived", "of"), [(0, 1), (1, 1), (3, 7)])
def test_none_and_all_of_a_count_are_counts(survived, of):
    share = Share.from_counts(survived, of, level="belief")
    law = stats.beta(survived + 0.5, of - survived + 0.5)
    assert (share.mean, share.sd) == pytest.approx((law.mean(), law.std()))
    assert str(share.level) == "belief"


@pytest.mark.parametrize(("survived", "of"), [(5, 4), (-1, 4), (0, 0), (1.5, 4), (1, 4.5)])
def test_what_is_no_count_is_refused_with_both_numbers(survived, of):
    assert refused(Share.from_counts, survived, of, level="belief") == (
        f"survived, '{survived} of {of}': not a count. Give whole numbers, survived at most of."
    )


def test_a_text_has_the_5th_and_95th_percentile_and_the_level_with_the_greatest_share():
    # A lognormal of log(1.04); a beta of 8.09 and 2.02.
    assert (
        str(Duration(100, 0.2, 0, "season 0.6 batch 0.4", "days")) == "100 days; between 72 and 139 in 9 of 10 seasons"
    )
    assert str(Duration(4.25, 0.2, 0, "cycle")) == "4.25 weeks; between 3.1 and 5.9 in 9 of 10 subcultures"
    assert str(Duration(4.25, 0, 0.3, "batch")) == "4.25 weeks"
    assert str(Share(0.8, 0.12, "variety 0.8 season 0.2")).endswith("between 57 and 96 % in 9 of 10 varieties")
    assert str(Share(0.8, 0, "season")) == "80 % in every batch (no variation entered)"


@pytest.mark.parametrize("value", [-0.1, math.inf, math.nan])
@pytest.mark.parametrize("field", ["median", "batches_cv", "plants_cv"])
def test_a_duration_has_finite_numbers_from_0(field, value):
    numbers = {"median": 4, "batches_cv": 0.1, "plants_cv": 0.1} | {field: value}
    assert refused(Duration, **numbers, level="batch") == (f"{field}, {value}: not usable. Give a number from 0.")


def test_a_stage_may_take_no_time_if_it_has_no_spread():
    none = Duration(0, 0, 0, "batch")
    assert (none.mean, none.variance, none.unit) == (0, 0, "weeks")
    for cvs in ((0.1, 0), (0, 0.1)):
        assert refused(Duration, 0, *cvs, "batch") == (
            "median, 0: a stage that takes no time cannot vary. Set both coefficients of variation to 0."
        )


def test_a_range_of_one_time_has_no_spread_between_batches():
    one = Duration.from_range(4, 4, plants_cv=0.1, level="season")
    assert (one.median, one.batches_cv, one.plants_cv, str(one.level)) == (4, 0, 0.1, "season")


@pytest.mark.parametrize("ends", [(0.9, 0.8), (0.8, 0.8)])
def test_a_range_of_shares_that_does_not_rise_is_refused_with_both_ends(ends):
    assert refused(Share.from_range, *ends, level="batch") == (
        f"p95, {ends[1]}: not above p5, {ends[0]}. Swap or correct the two."
    )


@pytest.mark.parametrize(
    ("ends", "said"),
    [((0, 0.6), "p5, 0"), ((-0.1, 0.6), "p5, -0.1"), ((0.6, 1), "p95, 1"), ((0.6, math.nan), "p95, nan")],
)
def test_an_end_of_a_range_of_shares_lies_between_0_and_1(ends, said):
    remedy = "not usable. Give a number above 0 and below 1."
    assert refused(Share.from_range, *ends, level="batch") == f"{said}: {remedy}"


@pytest.mark.parametrize("ends", [(0.02, 0.05), (0.3, 0.9), (0.01, 0.99), (0.95, 0.999)])
def test_a_range_of_shares_holds_nine_in_ten_wherever_it_lies(ends):
    share = Share.from_range(*ends, level="season")
    assert stats.beta.cdf(ends, *share.parameters) == pytest.approx([0.05, 0.95], abs=1e-7)
    assert str(share.level) == "season"


@pytest.mark.parametrize(
    ("ends", "said"),
    [
        ((0, 3), "p5, 0: not usable. Give a number above 0."),
        ((-1, 3), "p5, -1: not usable. Give a number above 0."),
        ((5, 4), "p95, 4: below p5, 5. Swap or correct the two."),
        ((5, math.inf), "p95, inf: not usable. Give a number above 0."),
        ((math.nan, 3), "p5, nan: not usable. Give a number above 0."),
    ],
)
def test_what_is_no_range_of_times_is_refused_with_its_end(ends, said):
    assert refused(Duration.from_range, *ends, plants_cv=0, level="batch") == said


@pytest.mark.parametrize(
    ("mean", "sd", "said"),
    [(0, 0.1, "mean, 0: "), (85, 0.1, "mean, 85: "), (math.nan, 0.1, "mean, nan: "), (0.8, 0.4, "sd, 0.4: "),
     (0.8, -0.1, "sd, -0.1: "), (0.8, math.nan, "sd, nan: "), (1, 0.1, "sd, 0.1: ")],
)  # fmt: skip
def test_what_is_no_share_is_refused_by_its_field(mean, sd, said):
    assert refused(Share, mean, sd, "batch").startswith(said)


def test_a_range_too_narrow_for_any_share_is_refused():
    assert refused(Share.from_range, 0.5, 0.5000001, level="batch") == (
        "p5, '0.5 to 0.5000001': no share fits this range. Give two values that differ, not too close to 0 or 1."
    )
