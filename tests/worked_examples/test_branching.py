"""The branching process against printed numbers, closed forms, exact fractions and plain convolution."""

import math
from fractions import Fraction

import numpy as np
import pytest
from branching import Branching
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.stats import binom, nbinom, poisson

some = settings(max_examples=60, deadline=None, derandomize=True)
starts = st.integers(1, 20)
weights = st.lists(st.integers(0, 20), min_size=2, max_size=5).filter(lambda drawn: sum(drawn) > 0)
laws = weights.map(lambda drawn: tuple(weight / sum(drawn) for weight in drawn))
FEW = (1 / 6, 1 / 2, 1 / 3)
BOYS = (1 / 8, 3 / 8, 3 / 8, 1 / 8)
FIVE = Branching((0.1, 0.2, 0.4, 0.3), start=5)


def convolved(chances, start, generation):
    """Chances of 0, 1, 2, ... plants, by powers of the polynomial of the chances."""
    law = np.eye(start + 1)[start]
    for _ in range(generation):
        after = np.zeros(1)
        for chance in law[::-1]:
            after = np.convolve(after, chances)
            after[0] += chance
        law = after[: (law.size - 1) * (len(chances) - 1) + 1]
    return law


def padded(law, size):
    return np.pad(law, (0, size - law.size))


def moments(law):
    mean = np.arange(law.size) @ law
    return mean, (np.arange(law.size) - mean) ** 2 @ law


def test_surnames_with_none_one_or_two_sons_are_spread_as_watson_and_galton_found():
    """Watson, H. W. and Galton, F. (1875). On the probability of the extinction of families. J. Anthropol. Inst. 4,
    138-144: case (1), p. 141, all coefficients of f_2 and f_3. (Their f_4 and f_5 have slips and are not used.)"""
    sons = Branching((1 / 3, 1 / 3, 1 / 3))
    second, third = [13, 5, 6, 2, 1], [1249, 265, 343, 166, 109, 34, 16, 4, 1]
    assert sons.distribution(2) == pytest.approx(np.array(second) / 27, abs=1e-15)
    assert sons.distribution(3) == pytest.approx(np.array(third) / 2187, abs=1e-15)
    assert [sons.extinct_by(n) for n in (1, 2, 3)] == pytest.approx([0.33333, 0.48148, 0.57110], abs=6e-6)
    assert sons.extinction_probability == 1


def test_a_growing_culture_has_the_mean_variance_and_extinction_of_the_textbooks():
    """Moments and extinction as in Harris, T. E. (1963). The Theory of Branching Processes, ch. I, and Athreya, K. B.
    and Ney, P. E. (1972). Branching Processes, ch. I; the numbers are those formulas at m = 7/6, s^2 = 17/36."""
    culture = Branching(FEW)
    assert culture.offspring_mean == pytest.approx(7 / 6, rel=1e-15)
    assert culture.offspring_variance == pytest.approx(17 / 36, rel=1e-15)
    assert culture.extinction_probability == pytest.approx(1 / 2, rel=1e-15)
    printed = {
        1: (1.1667, 0.4722),
        2: (1.3611, 1.1937),
        3: (1.5880, 2.2675),
        5: (2.1614, 6.0963),
        8: (3.4322, 20.2734),
    }
    for n, (mean, variance) in printed.items():
        assert (culture.mean(n), culture.variance(n)) == pytest.approx((mean, variance), abs=5.1e-5)
        m, s2 = Fraction(7, 6), Fraction(17, 36)
        for start in (1, 12):
            right = start * s2 * m ** (n - 1) * (m**n - 1) / (m - 1)
            assert Branching(FEW, start).variance(n) == pytest.approx(float(right), rel=1e-10)
            assert Branching(FEW, start).mean(n) == pytest.approx(float(start * m**n), rel=1e-10)


def test_a_line_of_three_children_dies_out_with_chance_root_five_less_two():
    """Theory: Harris (1963), ch. I; Athreya and Ney (1972), ch. I. The root of s^3 + 3 s^2 - 5 s + 1 = 0 as in an
    exercise of the University of Southampton, edshare.soton.ac.uk/6209; the first generations by hand."""
    line = Branching(BOYS)
    assert [line.extinct_by(n) for n in (0, 1, 2)] == [0, 1 / 8, 729 / 4096]
    assert line.extinct_by(3) == pytest.approx((4825 / 8192) ** 3, rel=1e-14)
    assert line.extinct_by(3) == pytest.approx(0.204325, abs=5.1e-7)
    assert line.extinction_probability == pytest.approx(math.sqrt(5) - 2, rel=1e-14)
    assert line.extinct_by(200) == pytest.approx(math.sqrt(5) - 2, rel=1e-14)
    assert Branching(BOYS, 4).extinction_probability == pytest.approx((math.sqrt(5) - 2) ** 4, rel=1e-13)


def test_five_explants_over_three_generations_have_the_distribution_of_the_direct_convolution():
    found, right = FIVE.distribution(3), convolved(FIVE.chances, 5, 3)
    assert padded(found, 136) == pytest.approx(right, abs=1e-15)
    for law in (found, right):
        assert moments(law) == pytest.approx((34.295, 104.5799), abs=5.1e-5)
        assert law[0] == pytest.approx(3.9496e-5, abs=5.1e-10)
        assert law[20:].sum() == pytest.approx(0.92869, abs=5.1e-6)
        assert [int(np.argmax(np.cumsum(law) >= q)) for q in (0.05, 0.5, 0.95)] == [18, 34, 52]
    assert (FIVE.mean(3), FIVE.variance(3)) == pytest.approx((34.295, 104.5799), abs=5.1e-5)
    assert FIVE.extinct_by(3) == pytest.approx(right[0], rel=1e-12)
    assert [FIVE.quantile(q, 3) for q in (0.05, 0.5, 0.95)] == [18, 34, 52]


@pytest.mark.parametrize(("mean", "generation"), [(1, 1), (1, 7), (1, 40), (0.8, 9), (1.5, 6), (3, 4)])
def test_a_geometric_number_of_shoots_stays_geometric_whatever_the_generation(mean, generation):
    """Harris (1963), ch. I, and Athreya and Ney (1972), ch. I: iterates of a linear fractional generating function.

    P(0) = (m^n - 1) / (m^(n+1) - 1), or n / (n + 1) if m = 1; what is left is geometric from 1 with mean
    m^n / (1 - P(0)). Its tails are long: that no chance is off by 1e-13 shows that the window is wide enough.
    """
    culture, n = Branching.negative_binomial(mean, 1), generation
    none = n / (n + 1) if mean == 1 else (mean**n - 1) / (mean ** (n + 1) - 1)
    share = (1 - none) / mean**n
    found = culture.distribution(n)
    right = (1 - none) * share * (1 - share) ** (np.arange(found.size) - 1.0)
    right[0] = none
    assert np.abs(found - right).max() < 1e-13
    assert (1 - none) * (1 - share) ** (found.size - 1.0) < 1e-15
    assert culture.extinct_by(n) == pytest.approx(none, abs=1e-13)
    assert culture.extinction_probability == pytest.approx(min(1, 1 / mean), abs=1e-13)


@some
@given(chances=laws, start=st.integers(1, 4), generation=st.integers(0, 3))
def test_the_distribution_is_that_of_the_direct_convolution(chances, start, generation):
    right = convolved(chances, start, generation)
    found = Branching(chances, start).distribution(generation)
    assert found.min() >= 0
    assert padded(found, right.size) == pytest.approx(right, abs=2e-15)


@some
@given(chances=laws, start=starts, generation=st.integers(0, 3))
def test_mean_and_variance_are_those_of_the_distribution(chances, start, generation):
    culture = Branching(chances, start)
    law = culture.distribution(generation)
    mean, variance = moments(law)
    assert law.sum() == pytest.approx(1, abs=1e-13)
    assert mean == pytest.approx(culture.mean(generation), rel=1e-10, abs=1e-13)
    noise = 1e-16 * law.size**2 if culture.offspring_variance == 0 else 1e-10  # of a number that is known
    assert variance == pytest.approx(culture.variance(generation), rel=1e-10, abs=noise)


@some
@given(drawn=weights, start=starts, generation=st.integers(0, 30))
@example(drawn=[1, 2, 1], start=3, generation=30)
@example(drawn=[10**9, 1, 10**9 + 1], start=3, generation=30)
@example(drawn=[1, 0], start=3, generation=2)
def test_mean_and_variance_follow_from_generation_to_generation_in_exact_fractions(drawn, start, generation):
    """Var Z_(n+1) = m^2 Var Z_n + s^2 E Z_n (Harris 1963, ch. I)."""
    p = [Fraction(weight, sum(drawn)) for weight in drawn]
    m = sum(k * share for k, share in enumerate(p))
    s2 = sum((k - m) ** 2 * share for k, share in enumerate(p))
    mean, variance = Fraction(start), Fraction(0)
    for _ in range(generation):
        mean, variance = m * mean, m**2 * variance + s2 * mean
    culture = Branching(tuple(float(share) for share in p), start)
    assert culture.mean(generation) == pytest.approx(float(mean), rel=1e-12)
    assert culture.variance(generation) == pytest.approx(float(variance), rel=1e-12)


@some
@given(chances=laws, one=starts, other=starts, generation=st.integers(0, 3))
def test_explants_put_together_are_as_many_as_apart(chances, one, other, generation):
    apart = np.convolve(*(Branching(chances, start).distribution(generation) for start in (one, other)))
    together = Branching(chances, one + other).distribution(generation)
    size = max(apart.size, together.size)
    assert padded(together, size) == pytest.approx(padded(apart, size), abs=1e-14)


@some
@given(chances=laws, start=starts, loss=st.floats(0, 1))
def test_a_chance_to_be_lost_before_dividing_changes_mean_and_variance_as_it_should(chances, start, loss):
    """m becomes (1 - c) m and s^2 becomes (1 - c) s^2 + c (1 - c) m^2: a binomial share of the explants divides."""
    clean = Branching(chances, start)
    lossy, m = clean.with_loss(loss), clean.offspring_mean
    variance = (1 - loss) * clean.offspring_variance + loss * (1 - loss) * m**2
    assert lossy.start == start
    assert lossy.offspring_mean == pytest.approx((1 - loss) * m, abs=1e-14)
    assert lossy.offspring_variance == pytest.approx(variance, abs=1e-13)


@some
@given(chances=laws, one=st.floats(0, 1), other=st.floats(0, 1))
def test_two_losses_one_after_the_other_are_one_loss(chances, one, other):
    twice = Branching(chances).with_loss(one).with_loss(other)
    once = Branching(chances).with_loss(1 - (1 - one) * (1 - other))
    size = max(len(twice.chances), len(once.chances))
    first, second = (padded(np.array(culture.chances), size) for culture in (twice, once))
    assert first == pytest.approx(second, abs=1e-15)


@some
@given(chances=laws, start=starts)
def test_the_chance_that_nothing_is_left_grows_to_its_limit(chances, start):
    culture, one = Branching(chances, start), Branching(chances)
    lost = [culture.extinct_by(n) for n in range(40)]
    assert lost[0] == 0
    assert (np.diff(lost) >= -1e-15).all()
    assert max(lost) <= culture.extinction_probability + 1e-14
    assert [culture.distribution(n)[0] for n in range(4)] == pytest.approx(lost[:4], abs=1e-14)
    limit = one.extinction_probability
    assert np.polyval(chances[::-1], limit) == pytest.approx(limit, abs=1e-14)
    assert culture.extinction_probability == pytest.approx(limit**start, rel=1e-12)
    if one.offspring_mean > 1 + 1e-9:
        assert limit < 1
    elif one.offspring_mean < 1 - 1e-9:
        assert limit == 1
    if not 0.9 < one.offspring_mean < 1.1 and limit > 0:
        assert one.extinct_by(600) == pytest.approx(limit, abs=1e-13)


@some
@given(none=st.floats(1e-12, 0.5), part=st.one_of(st.floats(0, 1), st.floats(-15, 0).map(lambda x: 10**x)))
@example(none=0.25, part=1e-15)
@example(none=1e-6, part=1e-6)
def test_the_limit_is_sharp_however_near_the_mean_is_to_one(none, part):
    """With at most two shoots the roots of f(s) = s are 1 and p_0 / p_2; m - 1 = p_2 - p_0."""
    two = none + part * (1 - 2 * none)
    chances = (none, 1 - none - two, two)
    if chances[1] >= 0:
        right = min(Fraction(none) / Fraction(two), 1)
        assert Branching(chances).extinction_probability == pytest.approx(float(right), abs=1e-14, rel=1e-14)


@pytest.mark.parametrize("start", [1, 9])
def test_a_culture_that_just_keeps_itself_is_lost_at_last(start):
    """Variance start s^2 n at m = 1; P(not lost) is about 2 start / (n s^2): Harris (1963), ch. I, Kolmogorov."""
    culture = Branching((0.25, 0.5, 0.25), start)
    assert [culture.mean(n) for n in (0, 1, 100)] == [start] * 3
    assert [culture.variance(n) for n in (0, 1, 100)] == [0, start / 2, start * 50]
    assert culture.extinction_probability == 1
    assert (1 - culture.extinct_by(10_000)) * 10_000 * 0.5 / 2 == pytest.approx(start, rel=0.01)


@pytest.mark.parametrize("start", [1, 9])
def test_a_culture_that_dwindles_is_lost_at_last(start):
    culture = Branching((0.4, 0.4, 0.2), start)
    assert culture.mean(20) == pytest.approx(start * 0.8**20, rel=1e-13)
    assert culture.variance(20) == pytest.approx(start * 0.56 * 0.8**19 * (1 - 0.8**20) / 0.2, rel=1e-13)
    assert 1 - culture.extinct_by(20) <= culture.mean(20)
    assert (culture.extinct_by(1000), culture.extinction_probability) == (1, 1)


def test_thousands_of_generations_are_no_hindrance_where_few_plants_are_left():
    """Critical geometric shoots: P(0) = n / (n + 1) (Harris 1963, ch. I; Athreya and Ney 1972, ch. I)."""
    dwindling, level = Branching((0.26, 0.5, 0.24), 3), Branching((0.25, 0.5, 0.25), 3)
    assert dwindling.distribution(5000)[0] == pytest.approx(dwindling.extinct_by(5000), abs=1e-13)
    law = level.distribution(1000)
    assert law[0] == pytest.approx(level.extinct_by(1000), abs=1e-13)
    assert moments(law) == pytest.approx((3, level.variance(1000)), rel=1e-9)
    assert Branching.negative_binomial(1, 1).extinct_by(9999) == pytest.approx(0.9999, abs=1e-10)


def test_explants_that_always_give_the_same_number_are_known():
    for shoots, start in ((0, 6), (1, 6), (3, 2)):
        culture = Branching((0.0,) * shoots + (1.0, 0.0), start)
        for n in (0, 1, 3):
            right = np.eye(start * shoots**n + 1)[-1]
            assert culture.distribution(n) == pytest.approx(right, abs=1e-14)
            assert culture.quantile(0.01, n) == culture.quantile(0.99, n) == start * shoots**n
            assert culture.variance(n) == 0
        assert culture.extinction_probability == (shoots == 0)


@some
@given(chances=laws, start=starts, generation=st.integers(0, 3), q=st.floats(0.001, 0.999))
@example(chances=(0.5, 0.5), start=1, generation=1, q=0.5)
@example(chances=(0.25, 0.75), start=1, generation=1, q=0.25)
def test_a_quantile_is_the_smallest_number_that_is_not_exceeded_with_such_a_chance(chances, start, generation, q):
    culture = Branching(chances, start)
    n, below = culture.quantile(q, generation), np.cumsum(culture.distribution(generation))
    assert below[n] >= q - 2e-13
    assert n == 0 or below[n - 1] < q


def test_a_chance_that_is_met_but_for_rounding_is_met():
    assert Branching((0, 0.2, 0, 0.8)).quantile(0.2, 1) == 1
    assert Branching((0, 0.4, 0.2, 0.4)).quantile(0.4, 1) == 1
    assert Branching((0, 0.2, 0, 0.8)).quantile(0.2 + 1e-12, 1) == 3


@pytest.mark.parametrize("mean", [0.01, 0.9, 4.0, 60.0])
@pytest.mark.parametrize("size", [0.5, 1.0, 3.0, 50.0, math.inf])
def test_a_negative_binomial_number_of_shoots_has_the_chances_and_moments_of_scipy(mean, size):
    law = poisson(mean) if size == math.inf else nbinom(size, size / (size + mean))
    culture = Branching.negative_binomial(mean, size, 7)
    most = len(culture.chances) - 1
    assert law.sf(most) < 1e-15 <= law.sf(most - 1)
    assert culture.chances == pytest.approx(law.pmf(np.arange(most + 1)), abs=1e-13)
    assert culture.offspring_mean == pytest.approx(law.mean(), rel=1e-11)
    assert culture.offspring_variance == pytest.approx(law.var(), rel=1e-10)
    assert culture.start == 7


def test_a_mean_at_which_no_shoots_at_all_are_too_rare_to_be_written_is_no_hindrance():
    found = Branching.negative_binomial(900, math.inf)
    right = poisson(900).pmf(np.arange(len(found.chances)))
    assert right[0] == 0
    assert found.chances == pytest.approx(right, abs=1e-13)
    assert found.offspring_variance == pytest.approx(900, rel=1e-11)
    assert np.abs(found.distribution(1) - right).max() < 1e-13


def test_thousands_of_explants_in_one_generation_are_binomial():
    found = Branching((0.7, 0.3), 100_000).distribution(1)
    assert np.abs(found - binom.pmf(np.arange(found.size), 100_000, 0.3)).max() < 1e-14
    assert binom.sf(found.size - 1, 100_000, 0.3) < 1e-16


def test_a_negative_binomial_number_of_a_large_size_is_nearly_poisson():
    right = Branching.negative_binomial(4, math.inf).chances
    for size in (1e6, 1e10, 1e17):
        near = Branching.negative_binomial(4, size).chances
        assert near == pytest.approx(right, abs=8 / size + 1e-15)  # total variation is below mean^2 / (2 size)


def test_chances_that_add_to_one_but_for_rounding_count_as_their_shares():
    near = Branching((0.3 + 4e-10, 0.3, 0.4))
    assert near.distribution(3).sum() == pytest.approx(1, abs=1e-14)
    assert near.extinct_by(1) == pytest.approx((0.3 + 4e-10) / (1 + 4e-10), rel=1e-14)
    assert Branching((0.25, 0.5, 0.25, 0.0)).variance(3) == Branching([0.25, 0.5, 0.25]).variance(3)
