"""Whether forecasts of past batches look at nothing later, are right, and beat simple rivals."""

import math
import random
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
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

DEMO = Path(__file__).parents[2] / "demo_data"
STAGES = [("acclimatisation", 5.0, 0.85), ("growing on", 9.0, 0.93), ("grading", 0.0, 0.94)]
VARIETIES = [f"{group} {number}" for group in ("fern", "sage") for number in range(4)]
RANGES = ["batch", "horizon", "forecaster", "p5", "median", "p95"]


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


def test_the_fair_comparison_at_delivery_is_said_beside_that_of_all_forecasts(nurseries):
    table = nurseries.table("horizon").query("forecaster == @OURS").set_index("horizon")
    both = nurseries.table().set_index("forecaster").loc[OURS]
    for rival, column in ((LAST_YEAR, "skill_last_year"), (OVERALL, "skill_overall")):
        said = f"{100 * both[column]:.0f} % smaller; at delivery {100 * table.loc[0, column]:.0f} % smaller."
        assert f"Against {rival}: errors are {said}" in str(nurseries)


def test_ranges_hold_what_they_should_within_three_in_a_hundred(nurseries):
    """The standard error, by nursery, is about 2, 2 and 1 in 100."""
    ours = nurseries.table().set_index("forecaster").loc[OURS]
    assert ours["batches"] == 800
    for level in (50, 80, 90):
        assert 100 * ours[f"coverage_{level}"] == pytest.approx(level, abs=3)
    last_year = nurseries.table().set_index("forecaster").loc[LAST_YEAR]
    assert last_year["coverage_90"] < 0.6  # a binomial knows nothing of how batches differ


def test_the_ranges_of_the_rows_agree_with_the_coverage_told(nurseries):
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


def graded(received, saleable, lab=None, name="B1", day="2027-03-01"):
    """A batch that is graded five weeks after it came."""
    came = date.fromisoformat(day)
    batch = BatchRecord(batch=name, variety="A", delivered=came, ordered=received, received=received, lab=lab)
    cells = {"batch": name, "stage": "grading", "transferred": 0, "saleable": saleable, "alive": saleable}
    return batch, CountRecord(date=came + timedelta(weeks=5), losses=received - saleable, **cells)


def together(*pairs):
    return Records(batches=[pair[0] for pair in pairs], counts=[pair[1] for pair in pairs])


def test_without_records_the_forecast_is_the_beta_binomial_of_what_is_stated():
    """CRPS of BetaBin(50, 8, 2) at 33 is 4.7578589441: see tests/worked_examples/test_scores.py."""
    plan = season([stage("grading", **beta_spread(8, 2))])
    found = scorecard(plan, together(graded(50, 33)), draws=100_000, seed=1, horizons=[0]).forecasts
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
    plan = season([stage("grading", **beta_spread(8, 2))])
    pairs = [graded(100, 60, name="old", day="2025-03-01"), graded(100, 80, name="last", day="2026-03-01")]
    pairs.append(graded(50, 33, name="now", day="2027-03-01"))
    found = scorecard(plan, together(*pairs), draws=100, seed=1, horizons=[0]).forecasts
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


def made_up(n=10, ours=2.0, rivals=4.0, pit=None):
    pit = np.linspace(0.05, 0.95, n) if pit is None else pit
    rows = [
        (f"B{i}", "A", 0, date(2027, 3, 1), name, 100, 40.0, 50.0, 60.0, crps + i % 2, pit[i], 50)
        for i in range(n)
        for name, crps in ((OURS, ours), (LAST_YEAR, rivals), (OVERALL, ours))
    ]
    columns = ["batch", "variety", "horizon", "day", "forecaster", "received", "p5", "median", "p95"]
    return Scorecard(pd.DataFrame(rows, columns=[*columns, "crps", "pit", "observed"]))


def test_the_table_is_what_it_says_by_hand():
    table = made_up().table().set_index("forecaster")
    assert table.loc[OURS].to_dict() == pytest.approx(
        {
            **{"forecasts": 10, "batches": 10, "crps": 2.5, "crps_share": 0.025, "coverage_50": 0.6},
            **{"coverage_80": 0.8, "coverage_90": 1.0, "skill_last_year": 1 - 2.5 / 4.5, "skill_overall": 0.0},
        }
    )
    assert table.loc[LAST_YEAR, "skill_overall"] == pytest.approx(1 - 4.5 / 2.5)
    assert made_up().crps_gain(LAST_YEAR) == (2.0, 0.0)
    assert list(made_up().table("variety")["variety"]) == ["A"] * 3


def test_the_sentences_say_it_as_a_grower_would():
    assert str(made_up()) == (
        "10 forecasts of 10 batches: off by 2.5 plants on average, 2.5 of 100 received.\n"
        "Ranges meant for 90 batches in 100 held 100: they are about right, as far as 10 can tell.\n"
        "Against last year's rate: errors are 44 % smaller.\n"
        "Against overall rate: errors are not known to differ."
    )
    assert "held 0: they are too narrow." in str(made_up(pit=[0.999] * 10))
    assert "errors are 60 % larger." in str(made_up(ours=3.5, rivals=2.0))
    assert str(made_up(n=1)) == (
        "1 forecast of 1 batch: off by 2.0 plants on average, 2.0 of 100 received. One batch cannot show more."
    )


def test_without_a_finished_batch_there_is_nothing_to_tell():
    plan = season([stage("grading", **beta_spread(8, 2))])
    batch, _ = graded(50, 33)
    none = scorecard(plan, Records(batches=[batch]), draws=10, seed=1)
    assert str(none) == "No batch is finished yet, so no forecast can be held against what came."
    assert not len(none.table())
    assert not len(none.table("horizon"))


def test_what_cannot_be_used_is_refused_all_at_once(demo, scores):
    plan, records = demo
    with pytest.raises(Refused) as told:
        scorecard(plan, records, draws=1, seed=1, horizons=[-1, 8, 2.5])
    assert str(told.value) == (
        "draws, '1': not usable. Give a whole number from 2 to 4,194,304.\n"
        "horizons, '-1': not usable. Give a whole number from 0 to 520.\n"
        "horizons, '2.5': not usable. Give a whole number from 0 to 520."
    )
    with pytest.raises(Refused, match=r"by, 'lab': not a way to group forecasts\. Write variety or horizon"):
        scores.table("lab")
    with pytest.raises(Refused, match=r"rival, 'luck': not a rival\. Write \"last year's rate\" or 'overall rate'\."):
        scores.crps_gain("luck")


def test_a_season_that_was_learned_from_the_records_is_refused(demo):
    plan, records = demo
    learned = learn(plan, records.until("2025-03-20"))
    with pytest.raises(Refused, match="learned from records, so it knows the outcomes"):
        scorecard(learned, records, draws=10, seed=1)
