"""What a scorecard tells, word for word and cell by cell, of scores that are written by hand."""

import math
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom
from small_seasons import beta_spread, season, stage

from forecast import learn, scorecard
from forecast.errors import Refused
from forecast.records.batches import BatchRecord, CountRecord
from forecast.records.records import Records
from forecast.tracking.hindcast import LAST_YEAR, OVERALL
from forecast.tracking.scoring import OURS, Scorecard, scored

COLUMNS = ["batch", "variety", "horizon", "day", "forecaster", "received", "p5", "median", "p95", "crps", "pit"]
DAY = date(2027, 3, 1)


def card(*rows):
    """Return the scorecard of rows of batch, horizon, forecaster, crps, and others by name."""
    usual = {"variety": "A", "day": DAY, "received": 100, "p5": 40.0, "median": 50.0, "p95": 60.0, "pit": 0.5}
    cells = [usual | dict(zip(("batch", "horizon", "forecaster", "crps"), row, strict=True)) | more
             for *row, more in rows]  # fmt: skip
    return Scorecard(pd.DataFrame(cells, columns=[*COLUMNS, "observed"]).assign(observed=50))


def of_batches(number, who=OURS, crps=2.0, horizon=0, **more):
    """Return rows of so many batches; a list of scores is gone through again and again."""
    scores = crps if isinstance(crps, list) else [crps]
    return [(f"B{i}", horizon, who, scores[i % len(scores)], more) for i in range(number)]


@pytest.mark.parametrize(
    ("batches", "held", "verdict"),
    [
        (8, 5, "too narrow"),
        (8, 6, "about right, as far as 8 can tell"),
        (30, 30, "about right, as far as 30 can tell"),
        (40, 40, "too wide"),
        (100, 83, "too narrow"),
        (100, 85, "about right, as far as 100 can tell"),
        (100, 95, "about right, as far as 100 can tell"),
        (100, 97, "too wide"),
        (1200, 1080, "about right, as far as 1,200 can tell"),
    ],
)
def test_ranges_are_called_wrong_beyond_two_standard_errors_of_nine_in_ten(batches, held, verdict):
    """Of 8, 30, 40, 100 and 1,200 batches these are 21, 11, 9.5, 6 and 1.7 in 100."""
    rows = of_batches(held) + [(f"C{i}", 0, OURS, 2.0, {"pit": 0.99}) for i in range(batches - held)]
    assert str(card(*rows)) == (
        f"{batches:,} forecasts of {batches:,} batches: off by 2.0 plants on average, 2.0 of 100 received.\n"
        f"Ranges meant for 90 batches in 100 held {100 * held / batches:.0f}: they are {verdict}."
    )


@pytest.mark.parametrize(
    ("crps", "said"),
    [(0.04, "0.0 plants"), (9.94, "9.9 plants"), (9.96, "10 plants"), (12.6, "13 plants"), (1234.4, "1,234 plants")],
)
def test_an_error_is_told_to_the_tenth_of_a_plant_below_ten(crps, said):
    rows = of_batches(2, crps=crps, received=10_000)
    assert str(card(*rows)) == (
        f"2 forecasts of 2 batches: off by {said} on average, {crps / 100:.1f} of 100 received. "
        "2 batches cannot show more."
    )


def test_below_eight_batches_nothing_is_said_of_ranges_or_rivals():
    few, enough = (str(card(*of_batches(n), *of_batches(n, OVERALL, 4.0))) for n in (7, 8))
    assert few.endswith(" 2.0 of 100 received. 7 batches cannot show more.")
    assert enough.splitlines()[2:] == ["Against overall rate: errors are 50 % smaller."]
    again = card(*of_batches(4), *of_batches(4, horizon=8))  # eight forecasts, of four batches
    assert str(again).startswith("8 forecasts of 4 batches: ")
    assert str(again).endswith("4 batches cannot show more.")
    told = [str(card(*of_batches(9), *of_batches(n, LAST_YEAR, 4.0))) for n in (7, 8)]
    assert ["Against" in one for one in told] == [False, True]


@pytest.mark.parametrize(
    ("horizons", "said"),
    [((0, 8), "60 % smaller; at delivery 50 % smaller."), ((0,), "50 % smaller."), ((1, 8), "70 % smaller.")],
)
def test_the_comparison_at_delivery_is_said_where_there_is_another(horizons, said):
    rows = [
        row
        for horizon in horizons
        for row in (*of_batches(8, OURS, 1.2 if horizon else 2.0, horizon), *of_batches(8, LAST_YEAR, 4.0, horizon))
    ]
    assert str(card(*rows)).splitlines()[2:] == [f"Against last year's rate: errors are {said}"]


@pytest.mark.parametrize(
    ("apart", "said"),
    [
        (1.3, "20 % smaller"),
        (1.4, "not known to differ"),
        (-1.3, "33 % larger"),
        (-1.4, "not known to differ"),
    ],
)
def test_errors_differ_if_the_mean_difference_is_beyond_two_standard_errors(apart, said):
    """Of 8 batches, whose differences are 1 (or -1) and half of them `apart` more, half less: apart / 7^0.5."""
    ours, theirs = (4.0, 5.0) if apart > 0 else (4.0, 3.0)
    scores = card(*of_batches(8, OURS, ours), *of_batches(8, OVERALL, [theirs - apart, theirs + apart]))
    assert scores.crps_gain(OVERALL) == pytest.approx((theirs - ours, abs(apart) / 7**0.5))
    assert str(scores).splitlines()[2:] == [f"Against overall rate: errors are {said}."]


def test_a_rival_that_made_no_error_is_said_to_have_made_none():
    scores = card(*of_batches(8), *of_batches(8, OVERALL, 0.0))
    assert str(scores).splitlines()[2:] == ["Against overall rate: errors are larger: those were exactly right."]


def test_differences_are_averaged_by_batch_first():
    """Differences of B0 are 1 and 3, that of B1 is 5: the mean of 2 and 5 is 3.5, and its standard error 1.5."""
    rows = [("B0", 0, 2.0, 3.0), ("B0", 8, 1.0, 4.0), ("B1", 0, 1.0, 6.0)]
    both = [
        (name, at, who, score, {}) for name, at, *two in rows for who, score in zip((OURS, OVERALL), two, strict=True)
    ]
    scores = card(*both, ("B2", 0, OURS, 90.0, {}))
    assert scores.crps_gain(OVERALL) == pytest.approx((3.5, 1.5))
    assert scores.crps_gain(OVERALL, 0) == pytest.approx((3.0, 2.0))
    assert scores.crps_gain(OVERALL, 8) == pytest.approx((3.0, math.nan), nan_ok=True)
    assert scores.crps_gain(LAST_YEAR) == pytest.approx((math.nan, math.nan), nan_ok=True)


TABLE = card(
    ("B1", 0, OURS, 4.0, {"variety": "B", "pit": 0.1}),
    ("B1", 0, OVERALL, 5.0, {"variety": "B", "pit": 0.99}),
    ("B1", 8, OURS, 2.0, {"variety": "B", "pit": 0.74}),
    ("B1", 8, OVERALL, 4.0, {"variety": "B", "pit": 0.02}),
    ("B0", 0, OURS, 3.0, {"pit": 0.7, "received": 50}),
    ("B0", 0, LAST_YEAR, 6.0, {"pit": 0.5, "received": 50}),
)
CELLS = [
    "forecaster", "forecasts", "batches", "crps", "crps_share", "coverage_50", "coverage_80", "coverage_90",
    "skill_last_year", "skill_overall",
]  # fmt: skip
NONE = math.nan


@pytest.mark.parametrize(
    ("by", "rows"),
    [
        (
            None,
            [
                (OURS, 3, 2, 3.0, 0.04, 2 / 3, 1.0, 1.0, 0.5, 1 - 3 / 4.5),
                (LAST_YEAR, 1, 1, 6.0, 0.12, 1.0, 1.0, 1.0, 0.0, NONE),
                (OVERALL, 2, 1, 4.5, 0.045, 0.0, 0.0, 0.0, NONE, 0.0),
            ],
        ),
        (
            "variety",
            [
                ("A", OURS, 1, 1, 3.0, 0.06, 1.0, 1.0, 1.0, 0.5, NONE),
                ("A", LAST_YEAR, 1, 1, 6.0, 0.12, 1.0, 1.0, 1.0, 0.0, NONE),
                ("B", OURS, 2, 1, 3.0, 0.03, 0.5, 1.0, 1.0, NONE, 1 - 3 / 4.5),
                ("B", OVERALL, 2, 1, 4.5, 0.045, 0.0, 0.0, 0.0, NONE, 0.0),
            ],
        ),
        (
            "horizon",
            [
                (0, OURS, 2, 2, 3.5, 0.05, 0.5, 1.0, 1.0, 0.5, 0.2),
                (0, LAST_YEAR, 1, 1, 6.0, 0.12, 1.0, 1.0, 1.0, 0.0, NONE),
                (0, OVERALL, 1, 1, 5.0, 0.05, 0.0, 0.0, 0.0, NONE, 0.0),
                (8, OURS, 1, 1, 2.0, 0.02, 1.0, 1.0, 1.0, NONE, 0.5),
                (8, OVERALL, 1, 1, 4.0, 0.04, 0.0, 0.0, 0.0, NONE, 0.0),
            ],
        ),
    ],
)
def test_every_cell_of_the_tables_as_by_hand(by, rows):
    right = pd.DataFrame(rows, columns=[*([by] if by else []), *CELLS])
    pd.testing.assert_frame_equal(TABLE.table(by), right)


def test_a_table_by_what_is_no_way_to_group_is_refused_word_for_word():
    with pytest.raises(Refused) as caught:
        TABLE.table("lab")
    assert str(caught.value) == ("by, 'lab': not a way to group forecasts. Write variety or horizon, or leave it out.")


@pytest.mark.parametrize(("came", "below", "alike"), [(2, 1, 2), (0, 0, 0), (9, 5, 0), (4, 3, 1)])
def test_the_score_and_pit_of_five_draws_as_by_hand(came, below, alike):
    """Fair CRPS: E|x - came| less half of E|x - y| over pairs of different draws (Ferro 2014)."""
    draws = [3, 1, 2, 2, 4, 7][:5] if came != 4 else [4, 1, 2, 2, 7]
    numbers = np.array(draws)
    apart = np.abs(numbers[:, None] - numbers)
    crps = np.abs(numbers - came).mean() - apart.sum() / (2 * 5 * 4)
    low, middle, high, score, pit = scored(numbers, came, SimpleNamespace(random=lambda: 0.25))
    assert (low, middle, high) == (1, 2, max(draws))
    assert score == pytest.approx(crps)
    assert pit == pytest.approx((below + 0.25 * (alike + 1)) / 6)


def graded(received, saleable, name="B1", day="2027-03-01", **cells):
    """A batch that is graded five weeks after it came."""
    came = date.fromisoformat(day)
    batch = BatchRecord(batch=name, variety="A", delivered=came, ordered=received, received=received, **cells)
    counted = {"batch": name, "stage": "grading", "transferred": 0, "saleable": saleable, "alive": saleable}
    losses = received - batch.dead_on_arrival - saleable
    return batch, CountRecord(date=came + timedelta(weeks=5), losses=losses, **counted)


def scores_of(*pairs, **asked):
    plan = season([stage("grading", **beta_spread(8, 2))])
    records = Records(batches=[pair[0] for pair in pairs], counts=[pair[1] for pair in pairs])
    return scorecard(plan, records, **{"draws": 50, "seed": 1, "horizons": [0]} | asked).forecasts


def test_a_row_for_each_batch_week_and_forecaster_with_what_came():
    pairs = [graded(100, 80, name="old", day="2026-03-02"), graded(50, 33, name="new")]
    found = scores_of(*pairs, horizons=[4, 0, 4, 5])
    assert found.columns.tolist() == [*COLUMNS, "observed"]
    new = [("new", at, who) for at in (0, 4) for who in (OURS, LAST_YEAR, OVERALL)]
    rows = [*new, ("old", 0, OURS), ("old", 4, OURS)]
    assert list(found[["batch", "horizon", "forecaster"]].itertuples(index=False, name=None)) == rows
    assert found["day"].tolist() == [
        *(DAY + timedelta(weeks=at) for at in (0, 0, 0, 4, 4, 4)),
        *(date(2026, 3, 2) + timedelta(weeks=at) for at in (0, 4)),
    ]
    assert found[["received", "observed"]].to_numpy().tolist() == [[50, 33]] * 6 + [[100, 80]] * 2
    assert (found[["horizon", "received", "observed"]].dtypes == "int64").all()
    assert (found[["p5", "median", "p95", "crps", "pit"]].dtypes == "float64").all()


def test_a_batch_of_which_all_came_dead_is_not_forecast():
    assert scores_of(graded(20, 0, dead_on_arrival=20)).empty
    assert len(scores_of(graded(20, 1, dead_on_arrival=19))) == 1


@pytest.mark.parametrize(("came", "rate", "crps", "pit"), [(0, 0, 33, 1), (100, 1, 17, 0)])
def test_a_rival_that_is_sure_errs_by_the_number_of_plants(came, rate, crps, pit):
    found = scores_of(graded(100, came, name="old", day="2026-03-02"), graded(50, 33, name="new"))
    rivals = found[(found["batch"] == "new") & (found["forecaster"] != OURS)]
    assert rivals[["p5", "median", "p95", "crps", "pit"]].to_numpy().tolist() == [[50 * rate] * 3 + [crps, pit]] * 2


def test_the_pit_of_a_rival_lies_between_its_chances_of_fewer_and_of_no_more_than_came():
    old = graded(100, 70, name="old", day="2026-03-02")
    new = [graded(50, 30 + i, name=f"new {i}") for i in range(12)]
    found = scores_of(old, *new)
    rivals = found[found["forecaster"] == LAST_YEAR]
    below, at_most = (binom.cdf(rivals["observed"] - less, 50, 0.7) for less in (1, 0))
    parts = (rivals["pit"] - below) / (at_most - below)
    assert parts.between(0, 1).all()
    assert parts.nunique() == 12
    assert 0.2 < parts.mean() < 0.8


def test_a_season_that_was_learned_is_refused_word_for_word():
    plan = season([stage("grading", **beta_spread(8, 2))])
    batch, count = graded(50, 33)
    records = Records(batches=[batch], counts=[count])
    with pytest.raises(Refused) as caught:
        scorecard(learn(plan, records), records, draws=10, seed=1)
    assert str(caught.value) == (
        "season, 'test': learned from records, so it knows the outcomes. "
        "Give the season as it was stated: it is .stated of this one."
    )


def test_the_weeks_of_forecasts_are_those_of_delivery_and_two_and_four_months_later_unless_said():
    plan = season([stage("growing on", typical=30, survival=1), stage("grading", **beta_spread(8, 2))])
    batch, _ = graded(50, 33)
    cells = {"batch": "B1", "date": DAY + timedelta(weeks=30), "alive": 50}
    counts = [
        CountRecord(stage="growing on", transferred=50, saleable=0, losses=0, **cells),
        CountRecord(stage="grading", transferred=0, saleable=33, losses=17, **cells | {"alive": 33}),
    ]
    made = scorecard(plan, Records(batches=[batch], counts=counts), draws=2, seed=1).forecasts
    assert made["horizon"].tolist() == [0, 8, 16]


def test_what_cannot_be_used_is_refused_word_for_word_and_all_at_once():
    plan = season([stage("grading", **beta_spread(8, 2))])
    batch, count = graded(50, 33)
    records = Records(batches=[batch], counts=[count])
    with pytest.raises(Refused) as caught:
        scorecard(plan, records, draws=2**22 + 1, seed=1, horizons=[0, 521, -1])
    assert str(caught.value) == (
        "draws, '4194305': not usable. Give a whole number from 2 to 4,194,304.\n"
        "horizons, '521': not usable. Give a whole number from 0 to 520.\n"
        "horizons, '-1': not usable. Give a whole number from 0 to 520."
    )
    assert len(scorecard(plan, records, draws=2, seed=1, horizons=[0, 520]).forecasts) == 1
    other = Records(batches=[batch.replace(variety="Z")], counts=[count])
    with pytest.raises(Refused, match="Z"):
        scorecard(plan, other, draws=2, seed=1)


def test_without_a_forecast_there_is_nothing_to_tell():
    none = card()
    assert str(none) == "No batch is finished yet, so no forecast can be held against what came."
    assert none.table().columns.tolist() == CELLS
    assert none.table("variety").columns.tolist() == ["variety", *CELLS]
    assert none.table().empty
