"""Survival from counts by batch against published fits, brute-force integration, samplers and simulated nurseries."""

import math
import time
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from group_fit import fit_groups
from hypothesis import given, settings
from hypothesis import strategies as st
from refusals import refused
from scipy import stats
from scipy.optimize import minimize
from scipy.special import betaln, expit, logit, logsumexp

from forecast.fitting.betabinomial import log_pmf, mixed_pmf
from forecast.fitting.lattice import Counts, _spline
from forecast.fitting.survival import Pooled, Priors, Record
from forecast.rates.distributions import Share

# Crowder, M. J. (1978). Beta-binomial ANOVA for proportions. Appl. Statist. 27, 34-37, table 3: Orobanche seeds on 21
# plates, germinated of sown, by seed and root extract.
SEEDS = {
    ("75", "bean"): [(10, 39), (23, 62), (23, 81), (26, 51), (17, 39)],
    ("75", "cucumber"): [(5, 6), (53, 74), (55, 72), (32, 51), (46, 79), (10, 13)],
    ("73", "bean"): [(8, 16), (10, 30), (8, 28), (23, 45), (0, 4)],
    ("73", "cucumber"): [(3, 12), (22, 41), (15, 30), (32, 51), (3, 7)],
}
# The same, table 1: 16 plates at three dilutions of the extract.
DILUTIONS = {
    "1/1": [(2, 43), (9, 51), (5, 44), (16, 71), (2, 24), (0, 7)],
    "1/25": [(17, 19), (43, 56), (79, 87), (50, 55), (9, 10)],
    "1/625": [(11, 13), (47, 62), (90, 104), (46, 51), (9, 11)],
}
# Mead, R., Curnow, R. N. and Hasted, A. M. (2002). Statistical Methods in Agriculture and Experimental Biology,
# 3rd ed.: seeds germinated of 50, four dishes for each of four temperatures (rows) and four concentrations.
DISHES = [
    [[9, 9, 3, 7], [13, 12, 14, 15], [21, 23, 24, 27], [40, 32, 43, 34]],
    [[19, 30, 21, 29], [33, 32, 30, 26], [43, 40, 37, 41], [48, 48, 49, 48]],
    [[7, 7, 2, 5], [1, 2, 4, 4], [8, 10, 6, 7], [3, 4, 8, 5]],
    [[4, 9, 3, 7], [13, 6, 15, 7], [16, 13, 18, 19], [13, 18, 11, 16]],
]
TINY = [
    Record("a", 8, 10, lab="x"), Record("a", 3, 9, lab="y"), Record("b", 12, 12, lab="x"), Record("b", 5, 7, lab="x"),
    Record("c", 4, 11, lab="y"), Record("c", 6, 8, lab="x"),
]  # fmt: skip
GROUPS = {"a": "one", "b": "one", "c": "two"}
FERNS = {"Alba": "ferns", "Nova": "ferns", "Bruma": "mosses"}


def _without_labs(records):
    return [Record(r.variety, r.survived, r.of) for r in records]


def estimates(pooled):
    groups = sorted(set(pooled.groups.values()))
    return [*map(pooled.variety, pooled.varieties), *map(pooled.group, groups), pooled.nursery()]


def _fit(rows):
    flat = [(y, n, group) for group, counts in rows.items() for y, n in counts]
    return fit_groups(*zip(*flat, strict=True))


# Published numbers


def test_seeds_on_plates_have_the_published_shares_correlation_and_likelihood():
    fit = _fit(SEEDS)
    base, extract, seed, both = (float(logit(fit.shares[group])) for group in SEEDS)
    coefficients = [base, seed - base, extract - base, both - seed - extract + base]
    assert coefficients == pytest.approx([-0.5420, 0.0974, 1.3201, -0.7979], abs=6e-5)
    assert fit.correlation == pytest.approx(0.01236, abs=6e-6)
    assert fit.log_likelihood == pytest.approx(-53.7668, abs=6e-5)


def test_seeds_on_plates_as_one_group_have_the_published_beta_distribution():
    fit = _fit({"all": [count for counts in SEEDS.values() for count in counts]})
    assert fit.likeness * fit.shares["all"] == pytest.approx(5.557, abs=6e-4)
    assert fit.likeness * (1 - fit.shares["all"]) == pytest.approx(5.702, abs=6e-4)


def test_seeds_on_plates_have_the_published_normal_spread_of_logits():
    """Maximum likelihood as printed in BUGS examples, vol. 1; likelihoods of plates as the lattice takes them."""
    rows = [(group, y, n) for group, counts in enumerate(SEEDS.values()) for y, n in counts]
    group, y, n = map(np.array, zip(*rows, strict=True))
    none = np.zeros(len(y), dtype=int)
    knots = Counts(np.arange(len(y)), none, y, n, none, 1, 0).log_likelihood(math.log(1e7))[:, 0]
    nodes, weights = np.polynomial.hermite_e.hermegauss(30)

    def lacking(point):
        logits = point[:4][group][:, None] + math.exp(point[4]) * nodes
        plates = (_spline()(logits.ravel()).reshape(*logits.shape, -1) * knots[:, None]).sum(axis=2)
        return -logsumexp(plates, b=weights / weights.sum(), axis=1).sum()

    best = minimize(
        lacking,
        [0, 0, 0, 0, -1.5],
        method="Nelder-Mead",
        options={"maxiter": 4000, "maxfev": 6000, "xatol": 1e-6, "fatol": 1e-9},
    ).x
    base, extract, seed, both = best[:4]
    found = [base, seed - base, extract - base, both - seed - extract + base, math.exp(best[4])]
    assert found == pytest.approx([-0.5485, 0.0969, 1.337, -0.8105, 0.2364], abs=2e-4)  # one or two in the last digit


def test_the_dilutions_have_the_published_pooled_shares():
    assert list(_fit(DILUTIONS).pooled.values()) == pytest.approx([0.142, 0.872, 0.842], abs=6e-4)
    together = _fit({"all": [count for counts in DILUTIONS.values() for count in counts]})
    assert together.pooled["all"] == pytest.approx(0.614, abs=6e-4)


@pytest.mark.parametrize(
    ("group", "deviance", "free"),
    [
        (lambda *_: "all", 1193.80, 63),
        (lambda row, _: row, 430.11, 60),
        (lambda _, column: column, 980.10, 60),
        (lambda row, column: (row, column), 55.64, 48),
    ],
)
def test_germination_in_dishes_has_the_published_deviances_of_all_models_that_are_groups(group, deviance, free):
    rows = [
        (count, 50, group(row, column))
        for row, columns in enumerate(DISHES)
        for column, dishes in enumerate(columns)
        for count in dishes
    ]
    fit = fit_groups(*zip(*rows, strict=True))
    assert (fit.deviance, fit.free) == (pytest.approx(deviance, abs=6e-3), free)


def test_germination_in_dishes_has_the_published_deviance_of_two_factors_that_add():
    """No grouping, so the package does not fit it: SciPy does, and the package's likelihood tells the deviance."""
    cells = [(row, column, y) for row, columns in enumerate(DISHES) for column, ys in enumerate(columns) for y in ys]
    rows, columns, y = map(np.array, zip(*cells, strict=True))

    def share(effects):
        return expit(effects[rows] + np.concatenate([[0.0], effects[4:]])[columns])

    def lacking(effects):
        return -stats.binom.logpmf(y, 50, share(effects)).sum()

    def log_likelihood(share):
        alike = 1e7  # so much alike are batches that they are binomial
        return float(log_pmf(y, 50, alike * share, alike * (1 - share)).sum())

    best = minimize(lacking, np.zeros(7), method="Powell", options={"xtol": 1e-6, "ftol": 1e-12})
    whole = log_likelihood(np.clip(y / 50, 1e-9, 1 - 1e-9))
    assert 2 * (whole - log_likelihood(share(best.x))) == pytest.approx(148.11, abs=6e-3)
    assert y.size - best.x.size == 57


def test_a_group_in_which_all_survived_is_fitted_and_learned():
    # Marin et al. as in Ridout, Hinde and Demetrio (1998), Biometrics 54, 743-755: apple shoots rooted, 8 h of light.
    rows = [(30, 30), (30, 30), (40, 40), (38, 40)]
    fit = fit_groups(*zip(*rows, strict=True), list("abcd"))
    assert list(fit.shares.values()) == pytest.approx([1, 1, 1, 0.95], abs=1e-4)
    assert math.isfinite(fit.log_likelihood)
    pooled = Pooled([Record("a", 30, 30), Record("b", 0, 30), Record("c", 40, 40)], dict.fromkeys("abc", "apple"))
    means = [pooled.variety(name).mean for name in "abc"]
    assert means[1] < 0.3
    assert 0.7 < means[0] < means[2] < 1
    assert all(0 < pooled.variety(name).sd < 0.5 for name in "abc")


# Independent routes


def _beta_binomial(y, n, m, k):
    return betaln(y + m * k, n - y + (1 - m) * k) - betaln(m * k, (1 - m) * k)


def test_a_tiny_nursery_agrees_with_gauss_hermite_integration_from_the_priors():
    priors, records = Priors(), _without_labs(TINY)
    normals = priors.normals

    def rule(points, normal):
        z, w = np.polynomial.hermite_e.hermegauss(points)
        return normal[0] + normal[1] * z, w / w.sum()

    z, weight_z = rule(20, (0, 1))
    mu, weight_mu = rule(50, normals.nursery)
    fine = np.linspace(-25, 25, 8001)
    total, sums = 0.0, np.zeros((4, 2))
    for log_k, weight_k in zip(*rule(8, normals.log_k), strict=True):
        k, share = np.exp(log_k), np.clip(expit(fine), 1e-11, 1 - 1e-11)
        logs = {name: np.zeros(len(fine)) for name in "abc"}
        for record in records:
            logs[record.variety] += _beta_binomial(record.survived, record.of, share, k)
        for s_g, weight_g in zip(*rule(7, normals.log_groups), strict=True):
            of_group = mu[:, None] + np.exp(s_g) * z
            for s_v, weight_v in zip(*rule(7, normals.log_varieties), strict=True):
                theta = of_group[..., None] + np.exp(s_v) * z
                moments = np.stack([np.ones_like(theta), expit(theta), expit(theta) ** 2])
                like = {name: np.exp(np.interp(theta, fine, log)) for name, log in logs.items()}
                a, b, c = ((like[name] * moments) @ weight_z for name in "abc")
                none = moments @ weight_z
                groups = {  # two groups, in turn with the moments of each variety, and of a fourth in the second group
                    "a": (a * b[0], c[0]), "b": (a[0] * b, c[0]), "c": (c, a[0] * b[0]), "d": (none * c[0], a[0] * b[0])
                }  # fmt: skip
                weight = weight_k * weight_g * weight_v
                for row, (here, there) in enumerate(groups.values()):
                    found = weight * (((here @ weight_z) * (there @ weight_z)) @ weight_mu)
                    second = found[1] / (k + 1) + found[2] * k / (k + 1)
                    sums[row] += found[1], second
                total += found[0]
    means, seconds = (sums / total).T
    pooled = Pooled(records, {**GROUPS, "d": "two"}, priors)
    learned = [pooled.variety(name) for name in "abcd"]
    assert [one.mean for one in learned] == pytest.approx(means, abs=1e-4)
    assert [one.sd for one in learned] == pytest.approx(np.sqrt(seconds - means**2), abs=3e-4)


@pytest.mark.parametrize("labs", [False, True])
def test_a_tiny_nursery_agrees_with_draws_from_the_priors_weighted_by_the_likelihood(labs):
    records, priors = TINY if labs else _without_labs(TINY), Priors()
    normals, rng, draws = priors.normals, np.random.default_rng(5), 200_000
    k, s_v, s_g = (
        np.exp(rng.normal(*normal, draws)) for normal in (normals.log_k, normals.log_varieties, normals.log_groups)
    )
    mu = rng.normal(*normals.nursery, draws)
    of_group = {name: rng.normal(mu, s_g) for name in ("one", "two")}
    theta = {name: rng.normal(of_group[group], s_v) for name, group in GROUPS.items()}
    shift = {name: rng.normal(0, normals.lab, draws) if name else np.zeros(draws) for name in ("", "x", "y")}
    logs = np.zeros(draws)
    for r in records:
        m = np.clip(expit(theta[r.variety] + shift[r.lab]), 1e-9, 1 - 1e-9)
        logs += _beta_binomial(r.survived, r.of, m, k)
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()

    def close(value, sample):
        mean = weights @ sample
        return abs(value - mean) < 3.5 * math.sqrt((weights**2) @ (sample - mean) ** 2) + 2e-4

    pooled = Pooled(records, GROUPS, priors)
    for lab in ("x", "y") if labs else ("",):
        for name in GROUPS:
            m = expit(theta[name] + shift[lab])
            learned = pooled.variety(name, lab=lab)
            assert close(learned.mean, m)
            assert close(learned.sd**2 + learned.mean**2, m**2 + m * (1 - m) / (k + 1))
            assert close(learned.centre_sd**2 + learned.centre**2, m**2)
    if labs:
        mean, spread, chance = pooled.compare_labs("x", "y")
        assert close(mean, shift["x"] - shift["y"])
        assert close(spread**2 + mean**2, (shift["x"] - shift["y"]) ** 2)
        assert abs(chance - weights @ (shift["x"] > shift["y"])) < 0.02


def test_a_small_nursery_agrees_with_a_random_walk_of_many_chains():
    rng = np.random.default_rng(3)
    group = np.array([0, 0, 0, 1, 1, 1])
    theta = np.array([2.2, 1.5, 1.0, 0.2, 0.8, -0.3])
    owner = np.repeat(np.arange(6), [1, 2, 6, 3, 1, 4])
    of = rng.integers(5, 200, len(owner))
    survived = rng.binomial(of, rng.beta(12 * expit(theta[owner]), 12 * expit(-theta[owner])))
    records = [Record("abcdef"[v], int(y), int(n)) for v, y, n in zip(owner, survived, of, strict=True)]
    pooled = Pooled(records, {name: "gh"[at] for name, at in zip("abcdef", group, strict=True)})
    normals = Priors().normals
    centre = np.array([p[0] for p in (normals.nursery, normals.log_k, normals.log_varieties, normals.log_groups)])
    width = np.array([p[1] for p in (normals.nursery, normals.log_k, normals.log_varieties, normals.log_groups)])

    def likelihood(z, theta):  # of each variety: chains x 6
        m = np.clip(expit(theta[:, owner]), 1e-9, 1 - 1e-9)
        each = _beta_binomial(survived, of, m, np.exp(centre[1] + width[1] * z[:, [1]]))
        return np.stack([each[:, owner == v].sum(axis=1) for v in range(6)], axis=1)

    def logits(z):  # mu, log k, log spreads, 2 groups, 6 varieties, all standard normal before the records
        mu, _, s_v, s_g = (centre + width * z[:, :4]).T
        of_group = mu[:, None] + np.exp(s_g)[:, None] * z[:, 4:6]
        return of_group[:, group] + np.exp(s_v)[:, None] * z[:, 6:]

    chains, kept = 100, []
    z = rng.normal(size=(chains, 12)) * 0.5
    value = likelihood(z, logits(z))
    every = np.arange(12)
    for sweep in range(320):
        for block in ([0], [1], [2], [3], [4, 5], every):
            tried = z.copy()
            step = 0.25 if len(block) == 12 else 1.0
            tried[:, block] += step * rng.normal(size=(chains, len(block)))
            new = likelihood(tried, logits(tried))
            gain = (new - value).sum(axis=1) + 0.5 * (z**2 - tried**2).sum(axis=1)
            taken = np.log(rng.random(chains)) < gain
            z[taken], value[taken] = tried[taken], new[taken]
        tried = z.copy()  # varieties on their own, given the rest
        tried[:, 6:] += rng.normal(size=(chains, 6))
        new = likelihood(tried, logits(tried))
        taken = np.log(rng.random((chains, 6))) < new - value + 0.5 * (z[:, 6:] ** 2 - tried[:, 6:] ** 2)
        z[:, 6:][taken], value[taken] = tried[:, 6:][taken], new[taken]
        if sweep >= 100:
            kept.append(np.concatenate([expit(logits(z)), z[:, [1]]], axis=1))
    draws = np.stack(kept)  # sweeps x chains x quantities
    mean, error = draws.mean(axis=(0, 1)), draws.mean(axis=0).std(axis=0) / math.sqrt(chains)
    learned = [pooled.variety(name) for name in "abcdef"]
    assert (np.abs([one.centre for one in learned] - mean[:6]) < 3.5 * error[:6]).all()
    spread = draws[..., :6].std(axis=(0, 1))
    assert [one.centre_sd for one in learned] == pytest.approx(spread, rel=0.04)
    m, k = draws[..., :6], np.exp(centre[1] + width[1] * draws[..., 6:])
    drawn = rng.beta(np.maximum(m * k, 1e-9), np.maximum((1 - m) * k, 1e-9)).reshape(-1, 6)
    for v, name in enumerate("abcdef"):
        below = np.cumsum(pooled.predictive(name, 100))
        ends = np.searchsorted(below, [0.05, 0.95])
        counts = np.quantile(rng.binomial(100, drawn[:, v]), [0.05, 0.95])
        assert np.abs(ends - counts).max() <= max(1.0, 0.05 * np.diff(ends)[0])


# Calibration


def _ranks(power, runs=1000, draws=99):
    rng = np.random.default_rng(11)
    theta = rng.beta(8, 2, runs)
    y = rng.binomial(50, theta)
    a, b = power * (8 + y - 1) + 1, power * (2 + 50 - y - 1) + 1  # the posterior to a power is sharper or flatter
    return (rng.beta(a[:, None], b[:, None], (runs, draws)) < theta[:, None]).sum(axis=1)


def _calibrated(ranks, draws=99, bins=20):
    """Uniform ranks: chi-squared over bins, and mean and variance, each at one in a thousand."""
    runs = len(ranks)
    counts = np.bincount(ranks * bins // (draws + 1), minlength=bins)
    chi = ((counts - runs / bins) ** 2 / (runs / bins)).sum()
    variance = (
        (draws + 1) ** 2 - 1
    ) / 12  # of uniform whole numbers; its own from the fourth moment, 9/5 of the square
    z = (ranks.mean() - draws / 2) / math.sqrt(variance / runs)
    z_variance = (ranks.var() / variance - 1) / math.sqrt(0.8 / runs)
    return chi < stats.chi2.isf(0.001, bins - 1) and abs(z) < 3.29 and abs(z_variance) < 3.29


def test_ranks_of_the_conjugate_posterior_are_uniform_and_a_sharpened_or_flattened_one_is_caught():
    # Talts et al. (2018), arXiv:1804.06788: theta ~ Beta(8, 2), y ~ Bin(50, theta); mean 49.5, variance 833.25.
    assert (99 / 2, (100**2 - 1) / 12) == (49.5, 833.25)
    assert _calibrated(_ranks(1))
    assert not _calibrated(_ranks(1.5))
    assert not _calibrated(_ranks(0.7))


def _nursery(rng, priors):
    """Simulate a nursery from the priors: records, groups, and for each variety its logit and a next batch of 50."""
    normals = priors.normals
    mu = rng.normal(*normals.nursery)
    k, s_v, s_g = (np.exp(rng.normal(*normal)) for normal in (normals.log_k, normals.log_varieties, normals.log_groups))
    groups = {f"variety {v}": f"group {v % 2}" for v in range(rng.integers(3, 6))}
    of_group = rng.normal(mu, s_g, 2)
    theta = {name: rng.normal(of_group[int(group[-1])], s_v) for name, group in groups.items()}

    def batch(name, of):
        a, b = k * expit(theta[name]), k * expit(-theta[name])
        return int(rng.binomial(of, rng.beta(max(a, 1e-9), max(b, 1e-9))))

    records = []
    for name in groups:
        for _ in range(int(np.exp(rng.uniform(0, np.log(41))))):  # 1 to 40 batches of 5 to 2,000 plants
            of = int(np.exp(rng.uniform(np.log(5), np.log(2000))))
            records.append(Record(name, batch(name, of), of))
    return records, groups, {name: batch(name, 50) for name in groups}


def test_next_batches_of_simulated_nurseries_lie_evenly_in_their_predictives():
    rng, at = np.random.default_rng(23), []
    priors = Priors()
    for _ in range(6):
        records, groups, following = _nursery(rng, priors)
        pooled = Pooled(records, groups, priors)
        for name, survived in following.items():
            chances = pooled.predictive(name, 50)
            at.append(chances[:survived].sum() + rng.random() * chances[survived])
    at = np.array(at)
    assert stats.kstest(at, "uniform").pvalue > 0.001
    for level in (0.5, 0.8, 0.95):
        inside = (np.abs(at - 0.5) < level / 2).mean()
        assert abs(inside - level) < 3.5 * math.sqrt(level * (1 - level) / len(at))


# Laws

records_of = st.lists(
    st.tuples(st.sampled_from("abc"), st.integers(0, 40), st.integers(1, 40)).map(
        lambda row: Record(row[0], min(row[1], row[2]), row[2])
    ),
    max_size=8,
)


@settings(max_examples=5, deadline=None, derandomize=True)
@given(records=records_of, seed=st.integers(0, 99))
def test_the_order_of_records_never_matters_and_what_is_learned_is_a_share(records, seed):
    mixed = [records[at] for at in np.random.default_rng(seed).permutation(len(records))]
    one, two = Pooled(records, GROUPS), Pooled(mixed, dict(reversed(GROUPS.items())))
    assert estimates(one) == estimates(two)  # to the last digit
    for learned in estimates(one):
        assert 0 < learned.mean < 1
        assert 0 <= learned.centre_sd <= learned.sd < math.sqrt(learned.mean * (1 - learned.mean)) + 1e-12
        assert 0 <= learned.weight <= 1


def test_a_batch_counted_in_two_parts_teaches_what_it_teaches_in_one():
    whole = [Record("a", 37, 60, batch="1"), Record("c", 10, 12, batch="2")]
    parts = [Record("a", 30, 40, batch="1"), Record("c", 10, 12, batch="2"), Record("a", 7, 20, batch="1")]
    assert estimates(Pooled(whole, GROUPS)) == estimates(Pooled(parts, GROUPS))
    apart = [Record(r.variety, r.survived, r.of) for r in parts]
    assert estimates(Pooled(whole, GROUPS)) != estimates(Pooled(apart, GROUPS))


def test_a_variety_without_a_record_has_the_predictive_of_its_group():
    pooled = Pooled(_without_labs(TINY), {**GROUPS, "new": "two"})
    new, group = pooled.variety("new"), pooled.group("two")
    assert (new.mean, new.sd) == pytest.approx((group.mean, group.sd), rel=1e-9)
    assert (new.batches, new.weight) == (0, pytest.approx(0, abs=1e-9))
    assert pooled.variety("c").mean != pytest.approx(new.mean, abs=0.001)


def test_without_any_record_the_prior_is_what_is_learned():
    pooled = Pooled([], GROUPS)
    for learned in estimates(pooled):
        assert learned.mean == pytest.approx(learned.prior_mean, abs=1e-4)
        assert learned.sd == pytest.approx(learned.prior_sd, abs=1e-4)


def test_own_records_weigh_more_the_more_there_are_and_pull_towards_their_share():
    def learned(batches):
        records = [*_without_labs(TINY), *[Record("new", 10, 50)] * batches]
        return Pooled(records, {**GROUPS, "new": "two"}).variety("new")

    several = [learned(batches) for batches in (0, 1, 4, 16)]
    assert all(one.weight < two.weight and one.mean > two.mean for one, two in pairwise(several))
    assert several[-1].weight > 0.8
    assert several[-1].mean == pytest.approx(0.2, abs=0.03)


def test_a_share_for_the_plan_and_the_chances_of_a_next_batch_have_the_same_mean_and_spread():
    pooled = Pooled(_without_labs(TINY), GROUPS)
    learned, share, chances = pooled.variety("a"), pooled.share("a", "batch"), pooled.predictive("a", 200)
    assert isinstance(share, Share)
    assert (share.mean, share.sd, str(share.level)) == (learned.mean, learned.sd, "batch")
    count = np.arange(201)
    mean = chances @ count
    assert chances.sum() == pytest.approx(1)
    assert mean == pytest.approx(200 * learned.mean, rel=1e-6)
    variance = 200 * 199 * learned.sd**2 + 200 * learned.mean * (1 - learned.mean)
    assert chances @ (count - mean) ** 2 == pytest.approx(variance, rel=1e-5)


def test_chances_of_a_mixture_are_the_mixture_of_scipy_beta_binomials():
    a, b, weights = np.array([2.0, 30.0]), np.array([3.0, 4.0]), np.array([0.3, 0.7])
    right = sum(w * stats.betabinom.pmf(np.arange(21), 20, *ab) for w, *ab in zip(weights, a, b, strict=True))
    assert mixed_pmf(20, a, b, weights) == pytest.approx(right, rel=1e-9)


def test_other_priors_move_a_variety_with_few_records_more_than_one_with_many():
    records = [Record("a", 40, 50), *[Record("b", 40, 50)] * 20]
    pooled = Pooled(records, {"a": "one", "b": "two"})
    other = replace(pooled, priors=Priors(survival=0.3, nursery_sd=0.5))
    few, many = (abs(other.variety(name).mean - pooled.variety(name).mean) for name in "ab")
    assert few > 2 * many


def test_a_poor_lab_is_distinguished_from_a_good_one_and_not_held_against_the_variety():
    rows = [("a", "good", 46), ("b", "good", 44), ("c", "good", 45), ("a", "poor", 30), ("b", "poor", 32)]
    records = [Record(name, survived, 50, lab=lab) for name, lab, survived in rows for _ in range(3)]
    pooled = Pooled(records, dict.fromkeys("abc", "ferns"))
    mean, spread, chance = pooled.compare_labs("good", "poor")
    assert chance > 0.95
    assert 0 < spread < mean
    assert pooled.compare_labs("poor", "good") == pytest.approx((-mean, spread, 1 - chance), abs=1e-12)
    poor, unknown, good = (pooled.variety("c", lab=lab).mean for lab in ("poor", "", "good"))
    assert poor < unknown < good


def test_five_thousand_batches_of_two_hundred_varieties_are_learned_in_seconds():
    rng = np.random.default_rng(1)
    owner, of = rng.integers(0, 200, 5000), rng.integers(5, 400, 5000)
    theta = (1.5 + rng.normal(0, 0.3, 10)[np.arange(200) % 10] + rng.normal(0, 0.5, 200))[owner]
    survived = rng.binomial(of, rng.beta(15 * expit(theta), 15 * expit(-theta)))
    records = [Record(f"{v}", int(y), int(n)) for v, y, n in zip(owner, survived, of, strict=True)]
    start = time.perf_counter()
    pooled = Pooled(records, {f"{v}": f"{v % 10}" for v in range(200)})
    learned = estimates(pooled)
    assert time.perf_counter() - start < 60  # 2 s on a quiet machine
    truth = expit(1.5 + np.zeros(1))[0]
    assert pooled.nursery().centre == pytest.approx(truth, abs=0.05)
    centres = {one.name: one.centre for one in learned[:200]}
    right = {f"{v}": float(expit(t)) for v, t in zip(owner, theta, strict=True)}
    z = [(centres[name] - right[name]) / pooled.variety(name).centre_sd for name in right]
    assert np.std(z) == pytest.approx(1, abs=0.2)


# Where all are alike


def test_varieties_and_groups_all_alike_are_one_integral_over_the_logit():
    """Spreads of 0.01 leave one logit for all; with log k all but known, a sum over a fine grid tells the rest."""
    records = [Record("Alba", 45, 50), Record("Alba", 38, 50), Record("Bruma", 3, 8)]
    priors = Priors(0.6, 1.2, 0.01, 0.01, 0.01, concentration=12, concentration_log_sd=0.01)
    x = np.linspace(-8, 8, 4001)
    weights = stats.norm.pdf(x, logit(0.6), math.sqrt(1.2**2 + 2 * 0.01**2))
    before, chances = weights, [stats.betabinom.pmf(r.survived, r.of, 12 * expit(x), 12 * expit(-x)) for r in records]
    weights = before * np.prod(chances, axis=0)
    found = Pooled(records, FERNS, priors)

    def moments(weights):
        mean = weights @ expit(x) / weights.sum()
        second = weights @ (expit(x) ** 2 + expit(x) * expit(-x) / 13) / weights.sum()
        return mean, math.sqrt(second - mean**2), mean, math.sqrt(weights @ expit(x) ** 2 / weights.sum() - mean**2)

    right, prior = moments(weights), moments(before)
    for one in estimates(found):
        assert (one.mean, one.sd, one.centre, one.centre_sd) == pytest.approx(right, abs=3e-4)
        assert (one.prior_mean, one.prior_sd) == pytest.approx(prior[:2], abs=3e-4)
    for name, others in (("Alba", before * chances[2]), ("Bruma", before * chances[0] * chances[1])):
        part = 1 - np.cov(x, aweights=weights, ddof=0) / np.cov(x, aweights=others, ddof=0)
        assert found.variety(name).weight == pytest.approx(part, abs=1e-3)


def test_two_labs_of_varieties_all_alike_are_a_sum_over_three_logits():
    """One logit for all varieties, and a shift for each lab: a grid over all three."""
    rows = [("South", 45, 50), ("South", 40, 50), ("North", 30, 50)]
    priors = Priors(0.7, 0.8, 0.01, 0.01, 0.01, concentration=30, concentration_log_sd=0.01, lab_sd=0.3)
    mu = np.linspace(-3, 5, 81)[:, None, None]
    south, north = np.linspace(-1.8, 1.8, 41)[:, None], np.linspace(-1.8, 1.8, 41)
    logs = stats.norm.logpdf(mu, logit(0.7), 0.8) + stats.norm.logpdf(south, 0, 0.3) + stats.norm.logpdf(north, 0, 0.3)
    for lab, survived, of in rows:
        x = mu + (south if lab == "South" else north)
        logs = logs + stats.betabinom.logpmf(survived, of, 30 * expit(x), 30 * expit(-x))
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    apart = south - north
    mean = (weights * apart).sum()
    spread = math.sqrt((weights * (apart - mean) ** 2).sum())
    found = Pooled([Record("Alba", y, n, lab=lab) for lab, y, n in rows], {"Alba": "ferns"}, priors)
    assert found.compare_labs("South", "North") == pytest.approx(
        (mean, spread, stats.norm.cdf(mean / spread)), abs=0.01
    )
    for lab, x in (("South", mu + south), ("North", mu + north)):
        assert found.variety("Alba", lab=lab).mean == pytest.approx((weights * expit(x)).sum(), abs=0.002)


# Priors


LIMITS = {
    "survival": (0.001, 0.999), "nursery_sd": (0.05, 5), "group_sd": (0.01, 3), "variety_sd": (0.01, 3),
    "log_sd_of_sds": (0.01, 2), "concentration": (0.5, 1e5), "concentration_log_sd": (0.01, 2), "lab_sd": (0.01, 2),
}  # fmt: skip


def test_the_usual_priors_are_weak():
    assert Priors() == Priors(0.75, 1.5, 0.3, 0.5, 0.7, 20, 1, 0.4)


@pytest.mark.parametrize("name", LIMITS)
def test_a_prior_may_be_as_small_and_as_great_as_its_limits_and_no_more(name):
    low, high = LIMITS[name]
    for edge in (low, high):
        assert getattr(Priors(**{name: edge}), name) == edge
    for beyond in (0.99 * low, 1.01 * high, math.nan):
        said = f"{name}, {beyond}: not usable. Give a number from {low:,g} to {high:,g}."
        assert refused(lambda beyond=beyond: Priors(**{name: beyond})) == said


def test_priors_are_normal_for_logits_and_logarithms():
    priors = Priors(0.6, 1.1, 0.2, 0.4, 0.8, 30, 0.9, 0.3)
    normals = priors.normals
    assert normals.nursery == pytest.approx((math.log(0.6 / 0.4), 1.1))
    assert normals.log_k == pytest.approx((math.log(30), 0.9))
    assert normals.log_varieties == pytest.approx((math.log(0.4), 0.8))
    assert normals.log_groups == pytest.approx((math.log(0.2), 0.8))
    assert normals.lab == 0.3


# Records


def test_a_batch_may_have_a_thousand_million_plants_all_or_none_alive():
    assert Record("Alba", 10**9, 10**9).survived == 10**9
    assert Record("Alba", 0, 1) == Record("Alba", 0.0, 1.0, batch="", lab="")
    assert refused(lambda: Record("Alba", 1, 10**9 + 1)) == (
        "of, '1000000001': not usable. Give a whole number from 1 to 1,000,000,000."
    )
    assert refused(lambda: Record("Alba", -1, 4)) == "survived, '-1': not usable. Give a whole number from 0 to 4."


def test_all_that_is_wrong_with_records_and_groups_is_listed_at_once():
    records = [Record("Zeta", 1, 2, lab="L"), Record("Alba", 1, 2), Record("Umbra", 1, 2), Record("Zeta", 1, 2)]
    remedy = "Name its group; a group may hold one variety."
    assert refused(lambda: Pooled(records, {})).splitlines() == [
        f"variety, 'Alba': a variety without a group. {remedy}",
        f"variety, 'Umbra': a variety without a group. {remedy}",
        f"variety, 'Zeta': a variety without a group. {remedy}",
        "groups: there is no variety. Name at least one, with its group.",
        "lab: only some records name a lab. Name the lab of all records, or of none.",
    ]


# Results


@pytest.fixture(scope="module")
def pooled():
    return Pooled([Record("Alba", 45, 50, "B1"), Record("Alba", 38, 50), Record("Bruma", 3, 8)], FERNS)


def test_varieties_groups_and_the_nursery_have_the_records_of_their_own(pooled):
    table = estimates(pooled)
    assert [one.name for one in table] == ["Alba", "Bruma", "Nova", "ferns", "mosses", ""]
    assert [one.batches for one in table] == [2, 1, 0, 2, 1, 3]
    assert [one.plants for one in table] == [100, 8, 0, 100, 8, 108]
    assert [one.weight for one in table[3:]] == [1, 1, 1]
    assert all(type(number) is int for one in table for number in (one.batches, one.plants))
    numbers = [(one.mean, one.sd, one.centre, one.centre_sd, one.weight, one.prior_mean, one.prior_sd)
               for one in table]  # fmt: skip
    assert {type(number) for row in numbers for number in row} == {float}
    assert len({row[5:] for row in numbers}) == 1
    assert table[:3] == [pooled.variety(name) for name in ("Alba", "Bruma", "Nova")]


def test_a_group_or_nursery_without_a_record_has_no_weight():
    empty = Pooled([Record("Alba", 4, 5)], FERNS)
    assert (empty.group("mosses").weight, empty.group("mosses").batches, empty.group("mosses").plants) == (0, 0, 0)
    assert (Pooled([], FERNS).nursery().weight, Pooled([], FERNS).nursery().batches) == (0, 0)


def test_names_that_no_record_or_group_has_are_refused_with_those_that_do(pooled):
    assert refused(lambda: pooled.group("trees")) == (
        "group, 'trees': not a group of these varieties. Write one of ferns, mosses."
    )
    assert refused(lambda: pooled.variety("Zeta")) == (
        "variety, 'Zeta': not one of these varieties. Name it in groups; it needs no record."
    )
    labs = Pooled([Record("Alba", 4, 5, lab="South"), Record("Alba", 3, 5, lab="North")], FERNS)
    assert labs.labs == ("North", "South")
    assert refused(lambda: labs.share("Alba", "batch", lab="East")) == (
        "lab, 'East': no record names this lab. Write one of North, South, or none."
    )


def test_two_labs_that_are_not_two_are_refused_with_what_would_do():
    def labs(*names):
        return Pooled([Record("Alba", 4, 5, lab=name) for name in names], FERNS)

    assert refused(lambda: labs("South", "North").compare_labs("North", "")) == (
        "lab, 'North, ': not two labs of these records. Write two of North, South."
    )
    assert refused(lambda: labs("South", "North").compare_labs("", "North")) == (
        "lab, ', North': not two labs of these records. Write two of North, South."
    )
    more = "Learn from records of two labs or more; these name"
    assert refused(lambda: labs("South").compare_labs("South", "South")) == (
        f"lab, 'South, South': not two labs of these records. {more} one."
    )
    assert refused(lambda: labs().compare_labs("", "")) == f"lab, ', ': not two labs of these records. {more} none."


def test_chances_are_given_for_up_to_twenty_thousand_plants(pooled):
    assert len(pooled.predictive("Alba", 1)) == 2
    assert refused(lambda: pooled.predictive("Alba", 20_001)) == (
        "of, '20001': not usable. Give a whole number from 1 to 20,000."
    )


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: Record("a", 11, 10), "survived, '11': not usable. Give a whole number from 0 to 10."),
        (lambda: Record("a", 1.5, 10), "survived, '1.5': not usable. Give a whole number from 0 to 10."),
        (lambda: Record("a", 0, 0), "of, '0': not usable. Give a whole number from 1 to 1,000,000,000."),
        (
            lambda: Priors(nursery_sd=0, lab_sd=math.nan),
            "nursery_sd, 0: not usable. Give a number from 0.05 to 5.\n"
            "lab_sd, nan: not usable. Give a number from 0.01 to 2.",
        ),
        (lambda: Pooled([], GROUPS).variety("a", lab="x"), "lab, 'x': no record names this lab. Leave it out."),
        (lambda: Pooled([], GROUPS).compare_labs("x", "y"), "lab, 'x': no record names this lab. Leave it out."),
        (lambda: Pooled([], GROUPS).predictive("a", 0), "of, '0': not usable. Give a whole number from 1 to 20,000."),
    ],
)
def test_what_cannot_be_learned_from_is_refused_with_every_fault_and_a_remedy(call, said):
    assert refused(call) == said


def test_groups_that_change_later_change_nothing():
    groups = {"A": "g", "B": "g"}
    pooled = Pooled([Record("A", 8, 10)], groups)
    groups["C"] = "h"
    del groups["B"]
    assert pooled.groups == {"A": "g", "B": "g"}
    assert pooled.varieties == ("A", "B")


def test_records_that_change_later_change_nothing():
    rows = [Record("A", 8, 10)]
    pooled = Pooled(rows, {"A": "g"})
    rows.append(Record("A", 0, 10))
    assert len(pooled.records) == 1


def test_counts_given_by_an_array_are_plain_whole_numbers():
    record = Record("A", np.int64(8), np.int64(10))
    assert (type(record.survived), type(record.of)) == (int, int)


@pytest.mark.parametrize("batches", [0, 1, 2])
def test_a_group_and_the_nursery_have_all_the_weight_from_their_first_batch_on(batches):
    pooled = Pooled([Record("A", 8, 10)] * batches, {"A": "crop", "B": "fern"})
    for one, own in ((pooled.group("crop"), batches), (pooled.group("fern"), 0), (pooled.nursery(), batches)):
        assert (one.batches, one.plants, one.weight) == (own, 10 * own, float(own > 0))
