"""A season learned from records: against Pooled by hand, integration, closed forms, laws and simulated nurseries."""

import math
import random
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.special import betaln, expit, logit
from simulated_records import Truth, simulated
from small_records import POTS, TIME, WEANING, came, count, grouped, line
from small_seasons import offer, season, stage

import forecast
from forecast import Refused, Season
from forecast.fitting.stage_times import learn_time
from forecast.fitting.survival import Pooled, Priors, Record
from forecast.rates.distributions import Share
from forecast.records.records import Records, read_records
from forecast.records.stage_counts import PRIOR_LOG_SD, survival_records, time_records
from forecast.words import records as words

DEMO = Path(__file__).parents[2] / "demo_data"


@pytest.fixture(scope="module")
def records():
    return read_records(DEMO)


@pytest.fixture(scope="module")
def learned(demo, records):
    return forecast.learn(demo, records)


# Any name for a stage that takes no time


def test_what_is_learned_does_not_depend_on_the_name_of_the_first_stage(demo, records, learned):
    rows = (row.replace(stage="unboxing") if row.stage == "arrival" else row for row in demo.stages)
    other = forecast.learn(demo.replace(stages=tuple(rows)), records)
    drop = ["stage", "sentence"]
    assert other.table().stage.tolist() == learned.table().stage.replace("arrival", "unboxing").tolist()
    pd.testing.assert_frame_equal(other.table().drop(columns=drop), learned.table().drop(columns=drop))
    assert str(other) == str(learned)


def test_a_first_stage_that_takes_time_must_be_counted():
    quick = season([stage("arrival"), WEANING, POTS])
    slow = season([stage("arrival", typical=1, **TIME), WEANING, POTS])
    counts = [count("2027-03-29", "weaning", 90, 90, losses=6)]
    batches = Records(batches=[came(dead=4)], counts=counts)
    assert survival_records(quick, batches) == {
        "arrival": [Record("A", 96, 100, "B1")],
        "weaning": [Record("A", 90, 96, "B1")],
    }
    assert (survival_records(slow, batches), time_records(slow, batches)) == ({}, {})


# Two routes


def _by_hand(name, finished):
    """Records of a stage made with pandas from the files of the demonstration."""
    batches, counts = (pd.read_csv(DEMO / f"{table}.csv").set_index("batch") for table in ("batches", "counts"))
    totals = counts.assign(left=counts.transferred + counts.saleable).groupby(["batch", "stage"])[["left", "losses"]]
    totals = totals.sum().unstack("stage", fill_value=0)  # noqa: PD010
    found = []
    for batch, row in batches.iterrows():
        there = row.received - row.dead_on_arrival
        for one in finished:  # stages in order, of which the last is `name`
            left, lost = int(totals.loc[batch, ("left", one)]), int(totals.loc[batch, ("losses", one)])
            if there == 0 or left + lost != there:
                break
            if one == name:
                found.append(Record(row.variety, left, int(there), batch=batch))
            there = left
    return found


@pytest.mark.parametrize("name", ["arrival", "acclimatisation", "growing on", "grading"])
def test_shares_are_those_of_pooled_on_counts_made_by_pandas(name, learned, demo):
    route = ["acclimatisation", "growing on", "spacing out", "hardening", "grading"]
    if name == "arrival":
        table = pd.read_csv(DEMO / "batches.csv")
        alive = np.minimum(table.received - table.dead_on_arrival, table.ordered)
        found = [Record(*row) for row in zip(table.variety, alive, table.ordered, table.batch, strict=True)]
    else:
        found = _by_hand(name, route[: route.index(name) + 1])
    rows = pd.read_csv(DEMO / "stages.csv").set_index(["applies_to", "stage"])
    owners = set(rows.index.get_level_values(0))

    def stated(variety, group):
        row = rows.loc[variety if variety in owners else group, name]
        if not math.isnan(row.survived):
            return (row.survived + 0.5) / (row.of + 1)
        if not math.isnan(row.survival_p5):
            return Share.from_range(row.survival_p5, row.survival_p95, level="batch").mean
        return row.survival

    groups = {row.variety: row.group for row in demo.varieties}
    middle = np.mean([stated(*pair) for pair in groups.items()])
    pooled = Pooled(found, groups, Priors(survival=middle))
    for variety in groups:
        mine, row = pooled.variety(variety), line(learned, variety, name)
        assert (row.batches, row.plants) == (mine.batches, mine.plants)
        assert (row.learned, row.sd, row.weight) == pytest.approx((mine.mean, mine.sd, mine.weight), rel=1e-5)
        at = [one.stage for one in demo.route(variety)].index(name)
        before, after = demo.survivals(variety)[at], learned.survivals(variety)[at]
        assert (after.mean, after.sd) == pytest.approx((mine.mean, mine.sd), rel=1e-5)
        assert after.level == before.level


def test_a_single_batch_gives_what_integration_over_the_priors_gives():
    plan = season([stage("arrival", survival=0.9, survival_sd=0.05), stage("grading")])
    learned = forecast.learn(plan, Records(batches=[came(ordered=40, received=34, dead=2)]))
    z, w = np.polynomial.hermite_e.hermegauss(15)
    w = w / w.sum()
    theta = np.linspace(-15, 20, 7001)
    total = np.zeros(3)
    for log_k, weight_k in zip(math.log(20) + z, w, strict=True):
        k, m = math.exp(log_k), np.clip(expit(theta), 1e-12, 1 - 1e-12)
        like = np.exp(betaln(32 + m * k, 8 + (1 - m) * k) - betaln(m * k, (1 - m) * k))
        for group, weight_g in zip(0.3 * np.exp(0.7 * z), w, strict=True):
            for variety, weight_v in zip(0.5 * np.exp(0.7 * z), w, strict=True):
                prior = stats.norm.pdf(theta, logit(0.9), math.sqrt(1.5**2 + group**2 + variety**2))
                within = m * (1 - m) / (k + 1)
                part = weight_k * weight_g * weight_v * like * prior
                total += [part.sum(), (part * m).sum(), (part * (m**2 + within)).sum()]
    mean, second = total[1:] / total[0]
    row = line(learned, "A", "arrival")
    assert row.learned == pytest.approx(mean, abs=2e-4)
    assert row.sd == pytest.approx(math.sqrt(second - mean**2), abs=5e-4)


def _weighed(rows, typical, told):
    found = learn_time(rows[["number", "after", "until", "batch"]].itertuples(index=False, name=None))
    variance = found.standard_errors["median"] ** 2 / found.median**2
    if not told:
        variance += math.log1p(TIME["batches_cv"] ** 2) / found.groups
    precisions = 1 / PRIOR_LOG_SD**2, 1 / variance
    middle = np.average(np.log([typical, found.median]), weights=precisions)
    return found, float(np.exp(middle)), precisions[1] / sum(precisions), 1 / sum(precisions)


@pytest.mark.parametrize(("batches", "told"), [(3, False), (8, True)])
def test_times_are_the_stated_and_the_learned_ones_weighed_by_their_precision(batches, told):
    plan, rng = season([WEANING, POTS]), np.random.default_rng(4)
    truth = Truth({("A", "weaning"): 0.9, ("A", "pots"): 0.8}, 20, {"weaning": 5, "pots": 7}, 0.2)
    deliveries = [("A", date(2026, 1, 5) + timedelta(30 * i), 150) for i in range(batches)]
    records = simulated(plan, deliveries, truth, rng, every=7)
    learned, rows = forecast.learn(plan, records), time_records(plan, records)
    for name, typical in (("weaning", 4), ("pots", 6)):
        found, median, weight, left = _weighed(rows["crop", name], typical, told)
        row, after = line(learned, "A", name, "time"), learned.route("A")[("weaning", "pots").index(name)]
        assert (row.estimate, row.learned, row.weight) == pytest.approx((typical, median, weight), rel=1e-5)
        assert (row.batches, row.based_on) == (batches, "records")
        spread = math.sqrt(math.expm1(found.batch_log_sd**2 + left)) if told else TIME["batches_cv"]
        assert (after.typical, after.batches_cv) == pytest.approx((median, spread), rel=1e-5)
        assert after.plants_cv == pytest.approx(math.sqrt(math.expm1(found.log_sd**2)), rel=1e-5)


def test_in_weather_that_never_changes_degree_days_are_weeks_times_what_a_week_has():
    rng = np.random.default_rng(5)
    truth = Truth({("A", "weaning"): 0.9, ("A", "pots"): 0.8}, 20, {"weaning": 5, "pots": 7}, 0.2)
    plain = season([WEANING, POTS])
    records = simulated(plain, [("A", date(2026, 1, 5) + timedelta(9 * i), 120) for i in range(8)], truth, rng)
    warm = [
        row | {"runs_on": "degree-days", "base_temperature": 5, "typical": 70 * row["typical"]}
        for row in (WEANING, POTS)
    ]
    climate = [{"month": month, "t_min": 15, "t_max": 15, "year_sd": 1} for month in range(1, 13)]
    by_weeks = forecast.learn(plain, records).table().query("what == 'time'")
    by_warmth = forecast.learn(season(warm, climate=climate), records).table().query("what == 'time'")
    assert list(by_warmth.learned) == pytest.approx(70 * by_weeks.learned, rel=1e-5)
    assert list(by_warmth.sd) == pytest.approx(by_weeks.sd, rel=1e-4)
    assert list(by_warmth.weight) == pytest.approx(by_weeks.weight, rel=1e-4)


# Laws


def test_the_order_of_records_never_matters(demo, records, learned):
    rows = {name: list(getattr(records, name)) for name in ("batches", "counts", "weather")}
    order = random.Random(3)
    for table in rows.values():
        order.shuffle(table)
    again = forecast.learn(demo, Records(**rows))
    assert again.table().equals(learned.table())
    assert again.stages == learned.stages


def test_without_any_record_everything_stays_as_stated(demo):
    nothing = forecast.learn(demo, Records())
    assert nothing.stages == demo.stages
    assert set(nothing.table().based_on) == {"estimate"}
    assert (nothing.table().learned == nothing.table().estimate).all()
    with pytest.raises(Refused, match="stage, 'grading': no batch is finished in it"):
        nothing.prior_sensitivity("grading")


@pytest.mark.parametrize("alive", [0, 60])
def test_complete_failure_and_complete_success_are_survived(alive):
    plan = season([WEANING], varieties=("A", "B"), targets=[{"variety": "B", "week": "2027-W30", "target": 5}])
    rows = [came(f"B{i}", ordered=60, day="2026-03-01") for i in range(4)]
    counts = [count("2026-04-01", "weaning", alive, 0, alive, 60 - alive, batch=f"B{i}") for i in range(4)]
    learned = forecast.learn(plan, Records(batches=rows, counts=counts))
    for variety in "AB":
        share = line(learned, variety, "weaning").learned
        assert 0 < share < 0.5 if alive == 0 else 0.9 < share < 1
    assert line(learned, "A", "weaning", "time").based_on == "estimate"
    assert (
        forecast.simulate(learned, [("B", "2027-W03", 50)], draws=64, seed=1).chance("B", week="2027-W30", at_least=50)
        < 1
    )


def test_a_learned_season_is_used_like_any_other_and_what_is_made_from_it_is_plain(learned, demo, tmp_path):
    variety = "Hosta 'Tellamarsh'"
    before, after = (forecast.size_order(plan, variety, draws=512, seed=1).quantity for plan in (demo, learned))
    assert after > before  # 80 % acclimatised, not the 85 that were stated
    plain = learned.with_stage("calla", "grading", minutes=0.5)
    assert type(plain) is type(learned.replace(seed=5)) is Season
    assert plain.survivals(variety) == learned.survivals(variety)
    assert learned.prior is demo
    assert len(learned.table("targets")) == len(demo.targets)
    forecast.write_season(learned, tmp_path / "made")
    assert forecast.read_season(tmp_path / "made").stages == learned.stages
    assert learned.stages[-1].source.startswith("survival: own records; before: survival: common practice")


def test_what_would_be_wrong_is_refused(learned, records):
    with pytest.raises(Refused, match="learned before, so records would count twice"):
        forecast.learn(learned, records)
    with pytest.raises(Refused, match="this season has no such variety"):
        forecast.learn(season([WEANING]), records)
    for call in (learned.shares, learned.prior_sensitivity, learned.labs):
        with pytest.raises(Refused, match=r"'gradin': no variety has such a stage\. Did you mean 'grading'\?"):
            call("gradin")
    with pytest.raises(Refused, match="Calla 'Daviorne' has no such stage"):
        learned.sentence("Calla 'Daviorne'", "weaning")


# Priors, labs and the next batch


def test_a_weaker_prior_leaves_varieties_more_of_their_own_records(learned):
    table = learned.prior_sensitivity("acclimatisation")
    shares = learned.shares("acclimatisation").set_index("variety")
    assert list(table.usual) == pytest.approx(list(shares.learned), rel=1e-5)
    three = table[["weak", "usual", "strong"]]
    assert list(table.range) == pytest.approx(list(three.max(axis=1) - three.min(axis=1)))
    assert three.std().is_monotonic_decreasing


def test_the_next_batch_has_the_mean_and_spread_of_the_table(learned):
    variety, of = "Calla 'Umbrasel'", 2000
    chances, row = learned.next_batch(variety, "acclimatisation", of=of), line(learned, variety, "acclimatisation")
    number = np.arange(of + 1) / of
    mean = chances @ number
    assert chances.sum() == pytest.approx(1)
    assert mean == pytest.approx(row.learned, abs=1e-4)
    binomial = (mean * (1 - mean) - row.sd**2) / of  # luck of the plants of a batch, on top of its own share
    assert math.sqrt(chances @ (number - mean) ** 2 - binomial) == pytest.approx(row.sd, abs=1e-4)


def test_labs_that_differ_are_distinguished_and_those_that_do_not_are_not():
    plan = season(
        [stage("arrival"), WEANING], price_list=[offer(lab=lab) for lab in ("Good Lab", "Other Lab", "Poor Lab")]
    )
    rows = []
    for i, (lab, alive) in enumerate([("Good Lab", 95), ("Poor Lab", 60), ("Other Lab", 94)] * 8):
        rows.append(came(f"B{i}", received=alive + i % 4, lab=lab))
    rows.append(came("C", received=10, lab=None))
    table = forecast.learn(plan, Records(batches=rows)).labs("arrival").set_index(["lab", "other"])
    poor, same = table.loc["Good Lab", "Poor Lab"], table.loc["Good Lab", "Other Lab"]
    assert poor.chance > 0.985
    assert poor.sentence == words.labs_compared(better="Good Lab", worse="Poor Lab", chance=poor.chance)
    assert 0.15 < poor.p5 < poor.better_by < poor.p95
    assert 0.2 < same.chance < 0.8
    assert same.p5 < 0 < same.p95
    assert (poor.batches, poor.other_batches) == (8, 8)
    with pytest.raises(Refused, match="batches of fewer than two labs are finished in it"):
        forecast.learn(season([stage("arrival")]), Records(batches=[came()])).labs("arrival")


# Simulated nurseries


def test_a_simulated_nursery_has_its_true_survivals_within_the_ranges_learned():
    rng, names = np.random.default_rng(11), [f"V{i:02d}" for i in range(90)]
    group = {name: f"G{i % 6}" for i, name in enumerate(names)}
    rows = [stage("arrival", survival=0.9), WEANING, stage("grading", survival=0.9)]
    plan = grouped(rows, group)
    levels = {(g, row["stage"]): 1.5 + 0.3 * rng.standard_normal() for g in set(group.values()) for row in rows}
    true = {
        (name, row["stage"]): float(expit(levels[group[name], row["stage"]] + 0.5 * rng.standard_normal()))
        for name in names
        for row in rows
    }
    known = [name for name in names[:80] for _ in range(4)]  # the last ten have no batch of their own
    deliveries = [(name, date(2024, 1, 1) + timedelta(i), 200) for i, name in enumerate(known)]
    learned = forecast.learn(plan, simulated(plan, deliveries, Truth(true, 20, {"weaning": 4}), rng))
    inside, better = [], []
    for row in rows:
        table = learned.shares(row["stage"])
        truth = np.array([true[name, row["stage"]] for name in table.variety])
        inside.append((table.p5 < truth) & (truth < table.p95))
        own = table.batches > 0
        better.append(np.mean((table.learned - truth)[own] ** 2) / np.mean((table.counted - truth)[own] ** 2))
        assert abs((table.learned - truth).mean()) < 3 * (table.learned - truth).std() / math.sqrt(len(names)) + 0.01
    covered, number = np.mean(inside), np.size(inside)
    assert abs(covered - 0.9) < 3 * math.sqrt(0.9 * 0.1 / number) + 0.01
    assert np.mean(better) < 1
    assert set(learned.table().query("variety == 'V85' and what == 'survival'").based_on) == {"group"}


def test_times_on_degree_days_are_recovered_from_counts_in_weather_that_differs_from_year_to_year():
    rng, groups = np.random.default_rng(12), [f"G{i}" for i in range(12)]
    usual = [12 - 9 * math.cos(2 * math.pi * (week - 3) / 52) for week in range(1, 53)]
    climate = [{"week": week, "t_min": t - 4, "t_max": t + 4, "year_sd": 1.5} for week, t in enumerate(usual, start=1)]
    warm = stage("pots", runs_on="degree-days", base_temperature=4, typical=400, survival=0.9, **TIME)
    names = {f"{group} one": group for group in groups}
    plan = grouped([warm], names, climate=climate, daily_course="mean")
    deliveries = [
        (name, date(2023, 1, 2) + timedelta(int(day)), 100) for name in names for day in rng.integers(0, 330, 14)
    ]

    def clock(number, _stage):
        first = deliveries[number][1]
        weekly = np.zeros(120)  # departures of the weeks, a year of its own for each batch
        for week in range(1, 120):
            weekly[week] = 0.3 * weekly[week - 1] + math.sqrt(1 - 0.3**2) * 1.5 * rng.standard_normal()
        monday = first - timedelta(first.weekday())
        daily = [
            max(usual[day.isocalendar().week - 1] + weekly[(day - monday).days // 7] - 4, 0)
            for day in (first + timedelta(i) for i in range(501))
        ]
        shown = np.concatenate([[0.0], np.cumsum(daily)]) + 1e-9 * np.arange(502)
        return lambda days: np.interp(days, np.arange(502), shown)

    truth = Truth({(name, "pots"): 0.9 for name in names}, math.inf, {"pots": 500}, 0.12, 0.1)
    records = simulated(plan, deliveries, truth, rng, clocks=clock, every=7)
    rows = time_records(plan, records)
    found = [
        learn_time(rows[group, "pots"][["number", "after", "until", "batch"]].itertuples(index=False, name=None))
        for group in groups
    ]
    scores = np.array([math.log(one.median / 500) / (one.standard_errors["median"] / one.median) for one in found])
    assert abs(scores.mean()) < 3 / math.sqrt(len(groups))
    assert (scores**2).sum() < stats.chi2.ppf(0.999, len(groups))
    table = forecast.learn(plan, records).table().query("what == 'time'")
    weights = dict(zip(table.variety, zip(table.learned, table.weight, strict=True), strict=True))
    for one, name in zip(found, names, strict=True):
        learned, weight = weights[name]
        assert math.log(learned / 400) == pytest.approx(weight * math.log(one.median / 400), rel=1e-4)
