"""Shares and durations against SciPy's distributions and numerical integrals."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.integrate import quad
from scipy.special import betainc, betaincinv, log_ndtr, ndtr

from forecast import Duration, Share
from forecast.errors import Refused

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
    assert str(share) == "80 %, always"


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Share(0, 0.1, "batch"), "mean, 0: a share lies above 0"),
        (lambda: Share(85, 0.1, "batch"), "mean, 85: a share lies above 0 and at most at 1. For 85 % write 0.85"),
        (lambda: Share(math.nan, 0.1, "batch"), "mean, nan"),
        (lambda: Share(0.8, 0.4, "batch"), "spread, 0.4: no share with a mean of 0.8 has this spread"),
        (lambda: Share(0.8, -0.1, "batch"), "spread, -0.1"),
        (lambda: Share(0.8, math.nan, "batch"), "spread, nan"),
        (lambda: Share(1, 0.1, "batch"), "spread, 0.1"),
        (lambda: Share(0.8, 1e-9, "batch"), "a spread too small to be meant"),
        (lambda: Share(0.8, 0.1, "lab"), "level, 'lab': not a level"),
        (lambda: Share.from_counts(11, 10, level="belief"), "11 of 10"),
        (lambda: Share.from_counts(-1, 10, level="belief"), "-1 of 10"),
        (lambda: Share.from_counts(0, 0, level="belief"), "0 of 0"),
        (lambda: Share.from_counts(1.5, 10, level="belief"), "1.5 of 10"),
        (lambda: Share.from_range(0.9, 0.6, level="batch"), "'0.9 to 0.6': not a range of shares"),
        (lambda: Share.from_range(0, 0.6, level="batch"), "0 to 0.6"),
        (lambda: Share.from_range(0.6, 1, level="batch"), "0.6 to 1"),
        (lambda: Duration(-1, 0, 0, "batch"), "median, -1"),
        (lambda: Duration(4, math.inf, 0, "batch"), "batches, inf"),
        (lambda: Duration(4, 0.1, math.nan, "batch"), "plants, nan"),
        (lambda: Duration(0, 0.1, 0, "batch"), "a stage that takes no time cannot have a spread"),
        (lambda: Duration(4, 0.1, 0, ""), "level, '': not a level"),
        (lambda: Duration.from_range(5, 3, plants=0, level="batch"), "'5 to 3': not a range of times"),
        (lambda: Duration.from_range(0, 3, plants=0, level="batch"), "0 to 3"),
    ],
)
def test_what_is_no_share_or_duration_is_refused_with_the_value_and_a_remedy(make, says):
    with pytest.raises(Refused) as refusal:
        make()
    assert says in str(refusal.value)
    assert refusal.value.faults[0].remedy


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
    if duration.batches == 0:
        assert (duration.quantile(U) == duration.median).all()
        return
    law = stats.lognorm(math.sqrt(math.log(1 + duration.batches**2)), scale=duration.median)
    assert law.std() / law.mean() == pytest.approx(duration.batches)
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
    duration = Duration.from_range(low, low * ratio, plants=0.1, level="batch")
    assert duration.quantile([0.05, 0.95]) == pytest.approx([low, low * ratio])


def test_what_is_believed_can_be_said():
    assert str(Share(0.8, 0.12, "season")) == "80 % on average; nine seasons in ten between 57 and 96 %"
    assert (
        str(Share(0.8, 0.12, "season 0.2 variety 0.8")) == "80 % on average; nine varieties in ten between 57 and 96 %"
    )
    assert str(Duration(4, 0, 0.1, "batch")) == "4 weeks"
    assert str(Duration(4, 0.2, 0.1, "belief")) == "4 weeks; nine times in ten between 2.9 and 5.5"
