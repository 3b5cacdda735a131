"""The lattice against plain sums over all its points, and its small parts by hand."""

import math

import numpy as np
import pytest
from scipy.special import betaln, expit, logsumexp

from forecast.fitting.lattice import Counts, Lattice, Normals, _moved, _points, _times, _variance, kernel, logits

NORMALS = Normals((0.5, 1.2), (2.5, 0.8), (-1.0, 0.6), (-1.5, 0.7), 0.4)


def counts(labs=0):
    """Four varieties in two groups, the last without a record."""
    rows = [(0, 0, 8, 10), (0, 1, 3, 9), (1, 0, 12, 12), (2, 1, 0, 7), (0, 0, 8, 10)]
    variety, lab, survived, of = np.array(rows).T
    lab = lab if labs else np.zeros(5, dtype=int)
    return Counts(variety, lab, survived, of, np.array([0, 1, 0, 1]), 2, labs)


def log_likelihood(log_k, x, variety, lab=None):
    """Of a variety's records at logits, without binomial coefficients."""
    known, total = counts(2), np.zeros(len(x))
    for row in range(5):
        if known.variety[row] == variety and lab in (None, known.lab[row]):
            a, b, y, n = np.exp(log_k) * expit(x), np.exp(log_k) * expit(-x), known.survived[row], known.of[row]
            total += betaln(a + y, b + n - y) - betaln(a, b)
    return total


def test_every_likelihood_is_the_sum_over_the_batches_of_a_variety_and_lab():
    axes, shifts = [np.array([1.0, 3.0]), np.array([-1.0]), np.array([-1.5])], np.array([0.3, -0.7])
    one, two = Lattice(counts(), NORMALS, axes, 0.25), Lattice(counts(2), NORMALS, axes, 0.25)
    assert counts(2).log_likelihood(1.0).shape == (4, 2, 141)
    assert counts().varieties == 4
    for node, log_k in enumerate(axes[0]):
        found, of_labs = one.likelihood(node, np.zeros(0)), two.likelihood(node, shifts)
        for variety in range(4):
            right = log_likelihood(log_k, one.x, variety)
            assert found[variety] == pytest.approx(right, rel=1e-5, abs=1e-5)
            right = sum(log_likelihood(log_k, one.x + shift, variety, lab) for lab, shift in enumerate(shifts))
            assert of_labs[variety] == pytest.approx(right, rel=1e-5, abs=1e-5)


def test_no_record_has_a_likelihood_of_1_everywhere():
    none = np.zeros(0, dtype=np.intp)
    empty = Counts(none, none, none, none, np.array([0, 1]), 2, 0)
    assert (empty.log_likelihood(2.0) == np.zeros((2, 1, 141))).all()
    assert empty.narrowest(2.0, 0.5) == pytest.approx(1 / math.sqrt(1 / (0.25 + 1e9)))


def test_messages_up_and_down_are_sums_over_all_logits():
    """Nursery, groups and varieties on 81 logits, summed one after the other without any rescaling."""
    axes = [np.array([1.0, 3.0]), np.array([-0.5, 0.2, 0.6]), np.array([-0.3, 0.5])]
    model, x = Lattice(counts(), NORMALS, axes, 0.25), logits(0.25)
    assert (len(x), model.x.tolist()) == (81, x.tolist())
    prior = np.exp(-0.5 * ((x - 0.5) / 1.2) ** 2)
    prior /= prior.sum()
    member = [0, 1, 0, 1]
    evidence = model.evidence(np.zeros(0))
    assert evidence.shape == (2, 3, 2)
    for node, log_k in enumerate(axes[0]):
        like = np.exp([log_likelihood(log_k, x, variety) for variety in range(4)])
        units, means, own, weights = np.zeros((7, 81)), np.zeros((3, 81)), np.zeros(4), np.zeros((3, 2))
        plain = evidence.mean()
        for i, log_v in enumerate(axes[1]):
            new = rest = np.zeros((4, 81))
            for j, log_g in enumerate(axes[2]):
                to_variety, to_group = kernel(x, math.exp(log_v)), kernel(x, math.exp(log_g))
                seen = like @ to_variety.T
                groups = np.array([seen[0] * seen[2], seen[1] * seen[3]])
                nursery = groups @ to_group.T
                joint = prior * nursery[0] * nursery[1]
                log_prior = sum(
                    -0.5 * ((value - mean) / spread) ** 2
                    for value, (mean, spread) in zip(
                        (log_k, log_v, log_g), (NORMALS.log_k, NORMALS.log_varieties, NORMALS.log_groups), strict=True
                    )
                )
                assert evidence[node, i, j] == pytest.approx(log_prior + math.log(joint.sum()), abs=1e-4)
                weight = math.exp(log_prior - plain)
                weights[i, j] = weight * joint.sum()
                of_group = np.array([(prior * nursery[1 - g]) @ to_group for g in (0, 1)])
                both = weight * of_group * groups
                means += [*both, weight * joint]
                without = np.array([weight * (of_group[g] * groups[g] / seen[v]) @ to_variety
                                    for v, g in enumerate(member)])  # fmt: skip
                rest, new = rest + without, new + without * like
                units[:4] += without * like
                units[4:] += [*(both @ to_variety), (weight * joint) @ to_group @ to_variety]
            part = [1 - _plain_variance(new[v], x) / _plain_variance(rest[v], x) for v in range(4)]
            own += np.clip(part, 0, 1) * weights[i].sum()
        found = model.down(node, np.zeros(0), -plain)
        for got, right in zip(found, (weights, units, means, own), strict=True):
            assert got == pytest.approx(right, rel=1e-4, abs=1e-6 * right.max())


def _plain_variance(weights, x):
    return float(np.cov(x, aweights=weights, ddof=0))


def test_a_lattice_of_which_a_part_is_followed_is_that_part_of_the_whole():
    axes = [np.array([2.0]), np.array([-1.0]), np.array([-1.5])]
    whole, part = (Lattice(counts(), NORMALS, axes, 0.25, *ends) for ends in ((), ((-5.0, 7.5),)))
    assert (part.x[0], part.x[-1]) == pytest.approx((-5, 7.5))
    assert part.evidence(np.zeros(0)) == pytest.approx(whole.evidence(np.zeros(0)), abs=1e-3)
    assert part.log_mu == pytest.approx(whole.log_mu[whole.full.searchsorted(-5.01) :][: len(part.x)])


def test_the_narrowest_logit_is_that_of_the_variety_or_group_with_most_records():
    """A batch of n plants with k tells of its share as n / (1 + (n - 1) / (k + 1)) plants of their own would."""
    log_k, spread = 2.0, 0.3
    k = math.exp(log_k)
    known = np.zeros(4)
    for variety, y, n in [(0, 8, 10), (0, 3, 9), (1, 12, 12), (2, 0, 7), (0, 8, 10)]:
        share = (y + 0.5) / (n + 1)
        known[variety] += share * (1 - share) * n / (1 + (n - 1) / (k + 1))
    groups = [sum(1 / (spread**2 + 1 / known[v]) for v in one if known[v]) for one in ((0, 2), (1, 3))]
    assert counts().narrowest(log_k, spread) == pytest.approx(1 / math.sqrt(max(*known, *groups)))
    assert counts().narrowest(log_k, 5.0) == pytest.approx(1 / math.sqrt(known.max()))


@pytest.mark.parametrize(
    ("steps", "right"),
    [
        (0, [0, 0.5, 0.5, 0, 0]), (1, [0, 0, 0.5, 0.5, 0]), (-1, [0.5, 0.5, 0, 0, 0]),
        (0.25, [0, 0.375, 0.5, 0.125, 0]),
        (-1.5, [0.75, 0.25, 0, 0, 0]), (2.5, [0, 0, 0, 0.25, 0.75]), (-9, [1, 0, 0, 0, 0]), (9, [0, 0, 0, 0, 1]),
        (3, [0, 0, 0, 0, 1]), (-2, [1, 0, 0, 0, 0]),
    ],
)  # fmt: skip
def test_weights_move_by_steps_and_what_would_leave_stays_at_the_edge(steps, right):
    assert _moved(np.array([[0.5, 0.5]]), steps, 1, 5) == pytest.approx(np.array([right]))


@pytest.mark.parametrize(("labs", "points"), [(1, 16), (2, 16), (4, 16), (5, 32)])
def test_points_for_shifts_have_their_mean_covariance_and_density(labs, points):
    rng = np.random.default_rng(labs)
    mean, root = rng.normal(size=labs), rng.normal(size=(labs, labs)) + 2 * np.eye(labs)
    covariance = root @ root.T
    at, log_density = _points(mean, covariance)
    assert at.shape == (points, labs)
    assert at.mean(axis=0) == pytest.approx(mean)
    assert np.cov(at.T, ddof=0).reshape(labs, labs) == pytest.approx(covariance)
    apart = at - mean
    assert log_density == pytest.approx(-0.5 * np.einsum("pi,ij,pj->p", apart, np.linalg.inv(covariance), apart))
    assert at[: points // 2] - mean == pytest.approx(mean - at[points // 2 :])
    assert logsumexp(log_density) < math.log(points)


@pytest.mark.parametrize("shape", [(1, 1, 1), (70, 40, 500), (33, 400, 50), (64, 3, 3)])
def test_products_in_blocks_are_products(shape):
    m, inner, n = shape
    rng = np.random.default_rng(1)
    a, b = rng.random((m, inner)), rng.random((inner, n))
    assert _times(a, b) == pytest.approx(a @ b, rel=1e-12)


def test_the_variance_of_weights_that_do_not_add_to_1_is_that_of_their_parts():
    assert _variance(np.array([[1, 2, 1], [0, 5, 0]]), np.array([-1.0, 0, 1])) == pytest.approx([0.5, 0], abs=1e-12)


@pytest.mark.parametrize("spread", [0.1, 0.11, 0.13, 0.4, 3.0])
def test_normal_steps_are_normal_densities_that_add_to_1_or_go_to_the_next(spread):
    x = logits(0.2)
    found = kernel(x, spread)
    if spread < 0.6 * 0.2:
        side = spread**2 / (2 * 0.2**2)
        right = np.diag([1 - side, *[1 - 2 * side] * (len(x) - 2), 1 - side])
        right += np.diag([side] * (len(x) - 1), 1) + np.diag([side] * (len(x) - 1), -1)
    else:
        right = np.exp(-0.5 * (np.subtract.outer(x, x) / spread) ** 2)
        right /= right.sum(axis=1, keepdims=True)
    assert found == pytest.approx(right, abs=1e-12)
