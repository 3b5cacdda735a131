"""Published counts, and what a share learned from one count says and does not say."""

import numpy as np
import pytest
from scipy.stats import beta, chi2, chi2_contingency

from forecast import Share

# Ridout, M., Hinde, J. and Demetrio, C. (1998). Models for count data with many zeros. Proc. 19th Int.
# Biometric Conference, 179-192: rooted of cultured apple shoots, four hormone levels by two photoperiods.
HOURS_8 = [(30, 30), (30, 30), (40, 40), (38, 40)]
HOURS_16 = [(15, 30), (14, 30), (18, 30), (21, 40)]


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
    assert str(share) == "52 % on average; nine times in ten between 45 and 59 %"
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
        assert str(share) == "96 % on average; nine times in ten between 95 and 97 %"
        assert share.quantile([0.05, 0.95]) == pytest.approx(beta.ppf([0.05, 0.95], survived + 0.5, 651.5 - survived))


def groups_of(total, printed, least):
    """Give sizes and deaths of three groups whose shares of deaths [%] round to those printed."""
    first, second, third = (
        [(n, d) for n in range(least, total) for d in range(n // 10) if round(100 * d / n, 1) == share]
        for share in printed
    )
    triples = [(a, b, c) for a in first for b in second for c in third if a[0] + b[0] + c[0] == total]
    assert len(triples) > 50
    return triples
