"""Whether forecasts of past batches look at nothing later, are right, and beat simple rivals."""

import math
import random
from datetime import date, timedelta
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from refusals import refused
from scipy.special import expit, logit
from scipy.stats import betabinom, binom, chisquare, kstest
from simulated_records import Truth, simulated
from small_seasons import beta_spread, season, stage

from forecast import Refused, learn, read_season, scorecard
from forecast.fitting.survival import Priors
from forecast.records.batches import BatchRecord, CountRecord
from forecast.records.records import Records, read_records
from forecast.tracking.hindcast import LAST_YEAR, OVERALL, Hindcast
from forecast.tracking.scoring import OURS, Scorecard, scored
from forecast.words import records as words

DEMO = Path(__file__).parents[2] / "demo_data"
STAGES = [("acclimatisation", 5.0, 0.85), ("growing on", 9.0, 0.93), ("grading", 0.0, 0.94)]
VARIETIES = [f"{group} {number}" for group in ("fern", "sage") for number in range(4)]
GRADED = season([stage("grading", **beta_spread(8, 2))])
RANGES = ["batch", "horizon", "forecaster", "p5", "median", "p95"]
CELLS_OF_A_ROW = ["batch", "variety", "horizon", "day", "forecaster", "received", "p5", "median", "p95", "crps", "pit"]


@pytest.fixture(scope="module")
def demo():
    return read_season(DEMO), read_records(DEMO)


@pytest.fixture(scope="module")
def scores(demo):
    return scorecard(*demo, draws=300, seed=1)


def two_groups():
    """A season of four ferns and four sages, all stages on weeks."""
    rows = [
        stage(name, typical=typical, survival=share, survival_sd=0.05, applies_to=group)
        | ({"batches_cv": 0.1, "plants_cv": 0.1} if typical else {})
        for group in ("crop", "fern", "sage")
        for name, typical, share in STAGES
    ]
    varieties = [{"variety": name, "group": name.split()[0]} for name in VARIETIES]
    return season(rows[:3], varieties=VARIETIES).replace(varieties=varieties, stages=rows[3:])


def drawn_truth(rng):
    """Draw a nursery as the priors have it: shares, likeness of batches, times not quite as stated."""
    priors, survival = Priors(), {}
    likeness = priors.concentration * math.exp(priors.concentration_log_sd * rng.standard_normal())
    for name, _, share in STAGES:
        nursery = logit(share) + priors.nursery_sd * rng.standard_normal()
        groups, varieties = (
            middle * math.exp(priors.log_sd_of_sds * rng.standard_normal())
            for middle in (priors.group_sd, priors.variety_sd)
        )
        middle = {group: nursery + groups * rng.standard_normal() for group in ("fern", "sage")}
        for variety in VARIETIES:
            score = middle[variety.split()[0]] + varieties * rng.standard_normal()
            survival[variety, name] = float(np.clip(expit(score), 1e-4, 1 - 1e-4))
    times = {name: typical * math.exp(0.25 * rng.standard_normal()) for name, typical, _ in STAGES if typical}
    return Truth(survival, likeness, times)


@pytest.fixture(scope="module")
def nurseries():
    """Forecasts of 800 batches of 20 nurseries in their second year."""
    found, plan = [], two_groups()
    for number in range(20):
        rng = np.random.default_rng(number)
        deliveries = [
            (name, date(year, 3, 1), int(rng.integers(40, 200)))
            for year, batches in ((2025, 3), (2026, 5))
            for name in VARIETIES
            for _ in range(batches)
        ]
        records = simulated(plan, deliveries, drawn_truth(rng), rng)
        made = scorecard(plan, records, draws=400, seed=number, horizons=(0, 8)).forecasts
        made = made[made["day"] >= date(2026, 1, 1)]
        found.append(made.assign(batch=made["batch"] + f" of {number}", nursery=number))
    return Scorecard(pd.concat(found, ignore_index=True))


def test_learned_forecasts_beat_last_years_rate_and_the_overall_rate_by_more_than_chance(nurseries):
    """At delivery by a tenth and by three tenths; eight weeks later by far more. Errors by batch, and by nursery."""
    for rival, least, later in ((LAST_YEAR, 0.10, 0.35), (OVERALL, 0.30, 0.50)):
        table = nurseries.table("horizon").query("forecaster == @OURS").set_index("horizon")
        skill = table["skill_last_year" if rival == LAST_YEAR else "skill_overall"]
        assert skill[0] > least
        assert skill[8] > later
        for horizon in (0, 8):
            gain, error = nurseries.crps_gain(rival, horizon)
            assert gain > 5 * error
            rows = nurseries.forecasts.query("horizon == @horizon")
            wide = rows.pivot_table(index=["nursery", "batch"], columns="forecaster", values="crps")
            by_nursery = (wide[rival] - wide[OURS]).groupby("nursery").mean()
            assert by_nursery.mean() > 3 * by_nursery.std() / math.sqrt(len(by_nursery))


def test_ranges_hold_what_they_should_within_three_in_a_hundred(nurseries):
    """The standard error, by nursery, is about 2, 2 and 1 in 100."""
    ours = nurseries.table().set_index("forecaster").loc[OURS]
    assert ours["batches"] == 800
    for level in (50, 80, 90):
        assert 100 * ours[f"coverage_{level}"] == pytest.approx(level, abs=3)
    last_year = nurseries.table().set_index("forecaster").loc[LAST_YEAR]
    assert last_year["coverage_90"] < 0.6  # a binomial knows nothing of how batches differ


def test_the_ranges_of_the_rows_agree_with_the_coverage_reported(nurseries):
    ours = nurseries.forecasts.query("forecaster == @OURS")
    inside = ours["observed"].between(ours["p5"], ours["p95"]).mean()
    told = nurseries.table()["coverage_90"].iloc[0]
    assert told <= inside < told + 0.04  # numbers at the very ends count in full here


@pytest.mark.parametrize(("n", "share", "likeness"), [(3, 0.7, 5.0), (60, 0.9, 20.0), (900, 0.8, 8.0)])
def test_the_pit_is_uniform_for_a_forecaster_that_is_right_and_not_for_one_that_is_too_sharp(n, share, likeness):
    rng = np.random.default_rng(n)
    right = betabinom(n, share * likeness, (1 - share) * likeness)
    came = right.rvs(1500, random_state=rng)
    pit = [scored(right.rvs(60, random_state=rng), one, rng)[4] for one in came.tolist()]
    assert kstest(pit, "uniform").pvalue > 0.01
    sharp = [scored(rng.binomial(n, share, 60), one, rng)[4] for one in came.tolist()]
    counts = np.histogram(sharp, 10, (0, 1))[0]
    assert chisquare(counts).pvalue < 1e-6
    assert counts[[0, -1]].mean() > counts[3:7].mean()  # too sharp: too much comes at the ends


def graded(received, saleable, name="B1", day="2027-03-01", **cells):
    """A batch that is graded five weeks after it came."""
    came = date.fromisoformat(day)
    batch = BatchRecord(batch=name, variety="A", delivered=came, ordered=received, received=received, **cells)
    counted = {"batch": name, "stage": "grading", "transferred": 0, "saleable": saleable, "alive": saleable}
    losses = received - batch.dead_on_arrival - saleable
    return batch, CountRecord(date=came + timedelta(weeks=5), losses=losses, **counted)


def together(*pairs):
    return Records(batches=[pair[0] for pair in pairs], counts=[pair[1] for pair in pairs])


def test_without_records_the_forecast_is_the_beta_binomial_of_what_is_stated():
    """CRPS of BetaBin(50, 8, 2) at 33 is 4.7578589441: see tests/worked_examples/test_scores.py."""
    found = scorecard(GRADED, together(graded(50, 33)), draws=100_000, seed=1, horizons=[0]).forecasts
    assert found["forecaster"].tolist() == [OURS]
    exact = betabinom(50, 8, 2)
    error = exact.std() / math.sqrt(100_000)
    assert found["crps"].iloc[0] == pytest.approx(4.7578589441, abs=4 * error)
    assert found[["p5", "median", "p95"]].iloc[0].tolist() == exact.ppf([0.05, 0.5, 0.95]).tolist()
    assert exact.cdf(32) - 0.01 < found["pit"].iloc[0] < exact.cdf(33) + 0.01


def test_a_stage_half_done_is_forecast_by_its_counts():
    """By quadrature over share and pace: 80 of 100 alive, and still there, after four of eight weeks."""
    plan = season([stage("weaning", typical=8, **beta_spread(8, 2)), stage("grading", survival=1)])
    cells = {"batch": "B1", "stage": "weaning", "saleable": 0}
    counts = [
        CountRecord(date="2027-03-29", alive=80, transferred=0, losses=20, **cells),
        CountRecord(date="2027-05-24", alive=70, transferred=70, losses=10, **cells),
        CountRecord(date="2027-05-24", batch="B1", stage="grading", alive=70, saleable=70, transferred=0, losses=0),
    ]
    batch = BatchRecord(batch="B1", variety="A", delivered="2027-03-01", ordered=100, received=100)
    records = Records(batches=[batch], counts=counts)
    found = scorecard(plan, records, draws=40_000, seed=3, horizons=[5]).forecasts.iloc[0]
    p, score = np.linspace(0.0005, 0.9995, 1000)[:, None], np.linspace(-4, 4, 201)
    part = np.minimum(0.5 * np.exp(0.25 * score), 1)
    there = np.where(0.5 * np.exp(0.25 * score) < 1, 1.0, 1e-9)  # plants are alike, so a done stage would be empty
    weight = p**7 * (1 - p) * np.exp(-(score**2) / 2) * p ** (80 * part) * (1 - p**part) ** 20 * there
    weight /= weight.sum()
    onward = np.broadcast_to(p ** (1 - part), weight.shape)
    for column, level in (("p5", 0.05), ("median", 0.5), ("p95", 0.95)):
        chance = float((weight * binom.cdf(found[column], 80, onward)).sum())
        before = float((weight * binom.cdf(found[column] - 1, 80, onward)).sum())
        assert before - 0.01 < level < chance + 0.01


def test_rivals_use_the_rates_of_finished_batches_of_the_year_before_and_of_all():
    pairs = [graded(100, 60, name="old", day="2025-03-01"), graded(100, 80, name="last", day="2026-03-01")]
    pairs.append(graded(50, 33, name="now", day="2027-03-01"))
    found = scorecard(GRADED, together(*pairs), draws=100, seed=1, horizons=[0]).forecasts
    now = found[found["batch"] == "now"].set_index("forecaster")
    for name, rate in ((LAST_YEAR, 0.8), (OVERALL, 0.7)):
        assert now.loc[name, ["p5", "median", "p95"]].tolist() == binom.ppf([0.05, 0.5, 0.95], 50, rate).tolist()
        x = np.arange(50)
        assert now.loc[name, "crps"] == pytest.approx(((binom.cdf(x, 50, rate) - (x >= 33)) ** 2).sum())
    assert found[found["batch"] == "old"]["forecaster"].tolist() == [OURS]  # nothing was finished yet


def test_last_years_rate_of_a_new_variety_is_that_of_the_nursery(demo, scores):
    counts, batches = (pd.read_csv(DEMO / f"{name}.csv") for name in ("counts", "batches"))
    came = counts.groupby("batch")["saleable"].sum()
    rows = batches[batches["delivered"] < "2026"]
    mine = rows[rows["variety"] == "Gerbera 'Zollinka'"]
    now = scores.forecasts.query("batch == 'B26-06' and horizon == 0").set_index("forecaster")
    for name, used in ((LAST_YEAR, mine), (OVERALL, rows)):
        rate = came[used["batch"]].sum() / used["received"].sum()
        assert now.loc[name, "median"] == binom.ppf(0.5, 480, rate)
    new = BatchRecord(batch="new", variety="Calla 'Daviorne'", delivered="2026-03-01", ordered=10, received=10)
    rates = dict(Hindcast(*demo).rates(new, date(2026, 3, 1)))
    assert rates[LAST_YEAR] == rates[OVERALL] == pytest.approx(came[rows["batch"]].sum() / rows["received"].sum())


def test_shares_are_those_that_learning_gives_that_day(demo):
    plan, records = demo
    past, day = Hindcast(plan, records), date(2025, 6, 2)
    learned = learn(plan, records.until(day))
    for variety in ("Gerbera 'Zollinka'", "Hosta 'Quenvara'", "Calla 'Daviorne'"):
        for at, share in enumerate(learned.survivals(variety)):
            found = past.share(variety, at, day)
            assert (found.mean, found.sd) == pytest.approx(
                (share.mean, share.sd), abs=5.001e-7
            )  # half of the sixth figure, to which learn() holds its numbers


def test_a_forecast_never_uses_later_records(demo, scores):
    plan, records = demo
    day = date(2025, 6, 18)

    def halved(row):
        lost = row.saleable // 2 if row.date > day else 0
        return row.replace(alive=row.alive - lost, saleable=row.saleable - lost, losses=row.losses + lost)

    changed = Records(batches=records.batches, counts=[halved(row) for row in records.counts])
    other = scorecard(plan, changed, draws=300, seed=1).forecasts
    before, after = (table[table["day"] <= day] for table in (scores.forecasts, other))
    assert len(before) > 25
    pd.testing.assert_frame_equal(before[RANGES], after[RANGES])
    assert (before["observed"] > after["observed"]).all()


def test_the_order_of_records_never_matters(demo, scores):
    plan, records = demo
    rows = {name: list(getattr(records, name)) for name in ("batches", "counts", "weather")}
    for table in rows.values():
        random.Random(5).shuffle(table)
    again = scorecard(plan, Records(**rows), draws=300, seed=1, horizons=[16, 0, 8, 0])
    pd.testing.assert_frame_equal(again.forecasts, scores.forecasts)


def test_only_batches_that_are_finished_are_scored_and_only_while_they_grew(demo, scores):
    _, records = demo
    stages = records.stages()
    finished = set(records.stages().groupby("batch")["finished"].all().loc[lambda all_done: all_done].index)
    assert set(scores.forecasts["batch"]) == finished
    last = stages.groupby("batch")["last_date"].max()
    assert (pd.to_datetime(scores.forecasts["day"]) < scores.forecasts["batch"].map(last)).all()
    assert not len(scorecard(*demo, draws=10, seed=1, horizons=[100]).forecasts)


def test_plants_counted_as_saleable_are_certain_and_the_more_is_counted_the_surer(scores):
    ours = scores.forecasts.query("forecaster == @OURS")
    width = (ours["p95"] - ours["p5"]).groupby(ours["horizon"]).mean()
    assert width[0] > width[8] > width[16]
    assert (ours["p95"] <= ours["received"]).all()


def test_the_table_is_what_it_says_by_hand():
    means = {OURS: 2.0, LAST_YEAR: 4.0, OVERALL: 2.0}
    pits = enumerate(np.linspace(0.05, 0.95, 10))
    made = card(*((f"B{i}", 0, who, mean + i % 2, {"pit": pit}) for i, pit in pits for who, mean in means.items()))
    table = made.table().set_index("forecaster")
    assert table.loc[OURS].to_dict() == pytest.approx(
        {
            **{"forecasts": 10, "batches": 10, "crps": 2.5, "crps_share": 0.025, "coverage_50": 0.6},
            **{"coverage_80": 0.8, "coverage_90": 1.0, "skill_last_year": 1 - 2.5 / 4.5, "skill_overall": 0.0},
        }
    )
    assert table.loc[LAST_YEAR, "skill_overall"] == pytest.approx(1 - 4.5 / 2.5)
    assert made.crps_gain(LAST_YEAR) == (2.0, 0.0)
    assert list(made.table("variety")["variety"]) == ["A"] * 3


def test_without_a_finished_batch_there_is_nothing_to_report():
    batch, _ = graded(50, 33)
    none = scorecard(GRADED, Records(batches=[batch]), draws=10, seed=1)
    assert str(none) == words.NOTHING_SCORED
    assert not len(none.table())
    assert not len(none.table("horizon"))


def test_a_way_to_group_and_a_benchmark_that_are_none_are_refused(scores):
    assert refused(scores.table, "lab") == (
        "by, 'lab': not a way to group forecasts. Write variety or horizon, or leave it out."
    )
    assert refused(scores.crps_gain, "luck") == (
        "benchmark, 'luck': not a benchmark forecast. Write \"last year's rate\" or 'overall rate'."
    )


# By hand


DAY = date(2027, 3, 1)


def card(*rows):
    """Return the scorecard of rows of batch, horizon, forecaster, crps, and others by name."""
    usual = {"variety": "A", "day": DAY, "received": 100, "p5": 40.0, "median": 50.0, "p95": 60.0, "pit": 0.5}
    cells = [usual | dict(zip(("batch", "horizon", "forecaster", "crps"), row, strict=True)) | more
             for *row, more in rows]  # fmt: skip
    return Scorecard(pd.DataFrame(cells, columns=[*CELLS_OF_A_ROW, "observed"]).assign(observed=50))


def of_batches(number, who=OURS, crps=2.0, horizon=0, **more):
    """Return rows of so many batches; a list of scores is gone through again and again."""
    scores = crps if isinstance(crps, list) else [crps]
    return [(f"B{i}", horizon, who, scores[i % len(scores)], more) for i in range(number)]


@pytest.mark.parametrize(
    ("apart", "known"),
    [(1.3, True), (1.4, False), (-1.3, True), (-1.4, False)],
)
def test_errors_differ_if_the_mean_difference_is_beyond_two_standard_errors(apart, known):
    """Of 8 batches, whose differences are 1 (or -1) and half of them `apart` more, half less: apart / 7^0.5."""
    ours, theirs = (4.0, 5.0) if apart > 0 else (4.0, 3.0)
    scores = card(*of_batches(8, OURS, ours), *of_batches(8, OVERALL, [theirs - apart, theirs + apart]))
    assert scores.crps_gain(OVERALL) == pytest.approx((theirs - ours, abs(apart) / 7**0.5))
    said = words.compared(skill=1 - ours / theirs, known=known)
    assert str(scores).splitlines()[2:] == [words.against(benchmark=OVERALL, overall=said)]


@pytest.mark.parametrize(("batches", "held"), [(8, 5), (30, 30), (40, 40), (100, 85), (1200, 1080)])
def test_coverage_is_judged_by_two_standard_errors_of_nine_in_ten(batches, held):
    """Of 8, 30, 40, 100 and 1,200 batches these are 21, 11, 9.5, 6 and 1.7 in 100."""
    rows = of_batches(held) + [(f"C{i}", 0, OURS, 2.0, {"pit": 0.99}) for i in range(batches - held)]
    error = 0.6 / math.sqrt(batches)
    said = words.coverage(share=held / batches, least=0.9 - error, most=0.9 + error, records=batches)
    assert str(card(*rows)).splitlines() == [words.scored(forecasts=batches, records=batches, crps=2, share=0.02), said]


def test_below_eight_batches_neither_coverage_nor_benchmarks_are_judged():
    few, enough = (str(card(*of_batches(n), *of_batches(n, OVERALL, 4.0))) for n in (7, 8))
    assert few.endswith(words.too_few(7))
    assert enough.splitlines()[2:] == [words.against(benchmark=OVERALL, overall=words.compared(skill=0.5, known=True))]
    again = card(*of_batches(4), *of_batches(4, horizon=8))  # eight forecasts, of four batches
    assert str(again).endswith(words.too_few(4))
    found = [str(card(*of_batches(9), *of_batches(n, LAST_YEAR, 4.0))) for n in (7, 8)]
    assert [LAST_YEAR in one for one in found] == [False, True]


@pytest.mark.parametrize(("horizons", "skill", "first"), [((0, 8), 0.6, 0.5), ((0,), 0.5, None), ((1, 8), 0.7, None)])
def test_the_comparison_at_delivery_is_beside_that_of_all_forecasts_where_they_differ(horizons, skill, first):
    rows = [
        row
        for horizon in horizons
        for row in (*of_batches(8, OURS, 1.2 if horizon else 2.0, horizon), *of_batches(8, LAST_YEAR, 4.0, horizon))
    ]
    at_delivery = "" if first is None else words.compared(skill=first, known=True)
    said = words.against(benchmark=LAST_YEAR, overall=words.compared(skill=skill, known=True), at_delivery=at_delivery)
    assert str(card(*rows)).splitlines()[2:] == [said]


def test_a_benchmark_without_any_error_is_named_as_such():
    scores = card(*of_batches(8), *of_batches(8, OVERALL, 0.0))
    assert words.compared(skill=math.nan, known=True) in str(scores)


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


def scores_of(*pairs, **asked):
    return scorecard(GRADED, together(*pairs), **{"draws": 50, "seed": 1, "horizons": [0]} | asked).forecasts


def test_a_row_for_each_batch_week_and_forecaster_with_what_came():
    pairs = [graded(100, 80, name="old", day="2026-03-02"), graded(50, 33, name="new")]
    found = scores_of(*pairs, horizons=[4, 0, 4, 5])
    assert found.columns.tolist() == [*CELLS_OF_A_ROW, "observed"]
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
    records = together(graded(50, 33))
    assert refused(scorecard, learn(GRADED, records), records, draws=10, seed=1) == (
        "season, 'test': learned from records, so it knows the outcomes. "
        "Use the season with your estimates: the .prior of this one."
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


@pytest.mark.parametrize(("draws", "horizons"), [(1, (-1, 2.5)), (2**22 + 1, (521, -1))])
def test_what_cannot_be_used_is_refused_word_for_word_and_all_at_once(draws, horizons):
    records = together(graded(50, 33))
    assert refused(scorecard, GRADED, records, draws=draws, seed=1, horizons=[0, *horizons]).splitlines() == [
        f"draws, '{draws}': not usable. Give a whole number from 2 to 4,194,304.",
        *(f"horizons, '{weeks}': not usable. Give a whole number from 0 to 520." for weeks in horizons),
    ]


def test_weeks_to_520_and_two_draws_will_do_and_records_must_suit_the_season():
    batch, count = graded(50, 33)
    assert len(scorecard(GRADED, together((batch, count)), draws=2, seed=1, horizons=[0, 520]).forecasts) == 1
    with pytest.raises(Refused, match="Z"):
        scorecard(GRADED, together((batch.replace(variety="Z"), count)), draws=2, seed=1)


def test_without_a_forecast_there_is_nothing_to_report():
    none = card()
    assert repr(none) == "Scorecard(forecasts=0, batches=0)"
    assert none.table().columns.tolist() == CELLS
    assert none.table("variety").columns.tolist() == ["variety", *CELLS]
    assert none.table().empty
