"""Published counts, and what a share learned from one count says and does not say."""

import math

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.special import expit, gammaln, log_expit
from scipy.stats import beta, chi2, chi2_contingency, poisson

from forecast import Share
from forecast.fitting.interval_censored import LAWS, CensoredData, Likelihood

# Ridout, M., Hinde, J. and Demetrio, C. (1998). Models for count data with many zeros. Proc. 19th Int.
# Biometric Conference, 179-192: rooted of cultured apple shoots, four hormone levels by two photoperiods.
HOURS_8 = [(30, 30), (30, 30), (40, 40), (38, 40)]
HOURS_16 = [(15, 30), (14, 30), (18, 30), (21, 40)]
# The same shoots, by how many had 0, 1, ..., 17 roots after four weeks (agridat, see below).
ROOTS_8 = [
    [0, 3, 2, 3, 6, 3, 2, 2, 3, 1, 2, 1, 0, 1, 0, 0, 0, 1],
    [0, 0, 3, 0, 1, 0, 3, 7, 3, 5, 3, 4, 0, 1, 0, 0, 0, 0],
    [0, 0, 1, 2, 4, 4, 4, 4, 7, 5, 4, 1, 2, 0, 2, 0, 0, 0],
    [2, 0, 0, 2, 2, 5, 5, 4, 8, 3, 4, 4, 0, 0, 1, 0, 0, 0],
]
ROOTS_16 = [
    [15, 0, 2, 2, 1, 2, 1, 0, 1, 3, 1, 1, 1, 0, 0, 0, 0, 0],
    [16, 2, 1, 1, 2, 1, 2, 0, 1, 0, 3, 0, 1, 0, 0, 0, 0, 0],
    [12, 3, 2, 1, 2, 2, 3, 1, 0, 2, 0, 1, 1, 0, 0, 0, 0, 0],
    [19, 2, 2, 4, 3, 1, 4, 3, 0, 2, 0, 0, 0, 0, 0, 0, 0, 0],
]


def heterogeneity(cells):
    """Pearson's chi-squared of equal shares, by hand, and its degrees of freedom."""
    rooted, of = np.array(cells).T
    pooled = rooted.sum() / of.sum()
    return float(((rooted - of * pooled) ** 2 / (of * pooled * (1 - pooled))).sum()), len(cells) - 1


@pytest.mark.parametrize(
    ("cells", "statistic", "freedom", "rejected"), [(HOURS_8 + HOURS_16, 81.8, 7, True), (HOURS_16, 1.16, 3, False)]
)
def test_one_pooled_rooting_share_is_rejected_over_both_photoperiods_but_not_within_the_longer(
    cells, statistic, freedom, rejected
):
    """Ridout, Hinde and Demetrio 1998, Models for count data with many zeros."""
    found, df = heterogeneity(cells)
    assert (round(found, 1 if found > 10 else 2), df) == (statistic, freedom)
    assert (chi2.sf(found, df) < 0.05) == rejected
    table = np.array([(r, n - r) for r, n in cells])
    assert found == pytest.approx(chi2_contingency(table, correction=False)[0])


def likelihoods(cell, cut):
    """Return the likelihoods of the first roots of a cell's shoots, which some never make, and of all later roots.

    Roots that come at an even rate over the trial, whose length is 1, are Poisson in number, and the times from one to
    the next are exponential, the Weibull law with a log scale of 0. It forgets, so that only the number of roots
    matters, and not how they cut the trial. What is still to come at its end is open.
    """
    first, later = [], []
    for roots, shoots in enumerate(cell):
        if shoots:
            *gaps, last = cut(roots + 1)
            rows = [*(("", gap, gap, shoots) for gap in gaps), ("", last, math.inf, shoots)]
            first.append(rows[0])
            later += rows[1:]
    return [
        Likelihood(CensoredData(rows), LAWS["weibull"], never=never, between=False)
        for rows, never in ((first, True), (later, False))
    ]


def fit_roots(cells, cut):
    """Fit a rate of roots to each cell and one share that ever roots; give rates, log odds and log-likelihood."""
    parts = [likelihoods(cell, cut) for cell in cells]
    orders = sum(shoots * gammaln(roots + 1) for cell in cells for roots, shoots in enumerate(cell))

    def lacking(point):
        value, slope = orders, np.zeros(len(point))
        for at, (first, later) in enumerate(parts):
            one, by_one, _ = first.at(np.array([-point[at], 0.0, point[-1]]))
            other, by_other, _ = later.at(np.array([-point[at], 0.0]))
            value -= one + other
            slope[at] = by_one[0] + by_other[0]
            slope[-1] -= by_one[2]
        return value, slope

    best = minimize(lacking, [1.5] * len(cells) + [1.0], jac=True, method="BFGS", options={"gtol": 1e-7})
    return np.exp(best.x[:-1]), best.x[-1], -best.fun


@pytest.mark.parametrize(
    "cut", [lambda parts: np.full(parts, 1 / parts), lambda parts: np.random.default_rng(parts).dirichlet([1] * parts)]
)
def test_roots_of_apple_shoots_of_which_some_never_root_have_the_published_likelihood(cut):
    """Ridout, Hinde and Demetrio 1998, table 2: zero-inflated Poisson, a rate by cell, a share by photoperiod.

    The log-likelihood to four decimals, and the ratio of the odds of never rooting, are printed in the examples of
    Wright, K. (2021), agridat: Agricultural Datasets, R package 1.18, ridout.appleshoots, as those of that table.
    """
    whole, odds = 0.0, []
    for cells, rooted in ((ROOTS_8, HOURS_8), (ROOTS_16, HOURS_16)):
        assert [(sum(cell[1:]), sum(cell)) for cell in cells] == rooted
        rates, log_odds, value = fit_roots(cells, cut)
        chances = np.exp(poisson.logpmf(np.arange(18), rates[:, None]) + log_expit(log_odds))
        chances[:, 0] += expit(-log_odds)
        assert value == pytest.approx((np.array(cells) * np.log(chances)).sum(), rel=1e-9)
        whole += value
        odds.append(math.exp(-log_odds))
    assert whole == pytest.approx(-622.2283, abs=6e-5)
    assert odds[0] / odds[1] == pytest.approx(0.015, abs=6e-4)


def test_a_share_learned_from_the_pooled_apple_shoots_is_surer_than_its_cells_allow():
    """Ridout, Hinde and Demetrio 1998: 206 of 270 rooted; a pooled count knows the mean, not how batches differ."""
    rooted, of = np.sum(HOURS_8 + HOURS_16, axis=0)
    share = Share.from_counts(int(rooted), int(of), level="belief")
    assert (rooted, of) == (206, 270)
    assert round(100 * rooted / of, 1) == 76.3
    low, high = share.quantile([0.05, 0.95])
    assert (low, high) == pytest.approx(beta.ppf([0.05, 0.95], 206.5, 64.5), abs=1e-9)
    outside = [r / n for r, n in HOURS_8 + HOURS_16 if not low <= r / n <= high]
    assert len(outside) == 8  # no cell lies in the range of the pooled share


def test_a_share_learned_from_the_longer_photoperiod_agrees_with_its_cells():
    """Ridout, Hinde and Demetrio 1998, Models for count data with many zeros: 68 of 130 rooted at 16 hours."""
    rooted, of = np.sum(HOURS_16, axis=0)
    share = Share.from_counts(int(rooted), int(of), level="belief")
    assert str(share) == "52 % on average; the true value lies between 45 and 59 % (90 % sure)"
    assert sum(0.45 < r / n < 0.595 for r, n in HOURS_16) == 3  # 18 of 30 lies just above


def test_a_count_without_a_loss_still_leaves_doubt():
    """Ridout, Hinde and Demetrio 1998: 30 of 30 rooted in two cells; complete separation must be survived."""
    share = Share.from_counts(30, 30, level="belief")
    assert 0 < share.mean < 1
    assert share.quantile(0.05) < 0.95


def test_the_survival_of_acclimatised_orchids_pools_to_96_per_cent():
    """Lesar, Hlebec, Ceranic, Kastelec and Luthar 2012, Acclimatization of terrestrial orchid Bletilla striata.

    Acta agric. Slov. 99(1): of 651 plants in three substrates 3.1, 3.2 and 5.0 % died, p = 0.558. The sizes of the
    groups are not printed; here any of at least 170 in which whole deaths round to the printed shares.
    """
    for groups in groups_of(651, (3.1, 3.2, 5.0), least=170):
        table = np.array([(n - dead, dead) for n, dead in groups])
        assert 0.46 < chi2_contingency(table, correction=False)[1] < 0.558  # none differs
        survived = int(table[:, 0].sum())
        assert 96.0 <= round(100 * survived / 651, 1) <= 96.3
        share = Share.from_counts(survived, 651, level="belief")
        assert str(share) == "96 % on average; the true value lies between 95 and 97 % (90 % sure)"
        assert share.quantile([0.05, 0.95]) == pytest.approx(beta.ppf([0.05, 0.95], survived + 0.5, 651.5 - survived))


def groups_of(total, printed, least):
    """Return sizes and deaths of three groups whose shares of deaths [%] round to those printed."""
    first, second, third = (
        [(n, d) for n in range(least, total) for d in range(n // 10) if round(100 * d / n, 1) == share]
        for share in printed
    )
    triples = [(a, b, c) for a in first for b in second for c in third if a[0] + b[0] + c[0] == total]
    assert len(triples) > 50
    return triples
