"""What a few counts teach of a small season: which records count, and every cell of what is learned of it."""

import math

import numpy as np
import pytest
from scipy import stats
from small_records import POTS, WEANING, came, count, grouped, line
from small_seasons import season, stage

import forecast
from forecast.errors import Refused
from forecast.fitting.stage_times import learn_time
from forecast.fitting.survival import Pooled, Priors, Record
from forecast.records.learning import pooled_by_stage
from forecast.records.records import Records
from forecast.records.stage_counts import PRIOR_LOG_SD, survival_records, time_records
from forecast.records.weather_rows import WeatherRecord
from forecast.words import records as words

# What counts as a record


def test_only_batches_that_are_finished_in_a_stage_and_before_it_show_its_survival():
    plan = season([stage("arrival"), WEANING, POTS], varieties=("A", "B"))
    counts = [
        count("2027-03-15", "weaning", 90, 40, losses=6),
        count("2027-03-29", "pots", 38, 0, 38, 2),
        count("2027-03-29", "weaning", 50),
        count("2027-03-15", "weaning", 90, 90, losses=6, batch="B2"),
        count("2027-04-12", "pots", 80, 0, 80, 10, batch="B2"),
        count("2027-03-15", "weaning", 0, losses=30, batch="B3"),
    ]
    rows = [came(received=98, dead=2), came("B2", ordered=90, received=98, dead=2), came("B3", "B", ordered=30)]
    assert survival_records(plan, Records(batches=rows, counts=counts)) == {
        "arrival": [
            Record("A", 96, 100, "B1"),
            Record("A", 90, 90, "B2"),
            Record("B", 30, 30, "B3"),
        ],
        "weaning": [Record("A", 90, 96, "B2"), Record("B", 0, 30, "B3")],
        "pots": [Record("A", 80, 90, "B2")],
    }  # of B1 in pots none remains, but 50 may still come


def test_a_stage_after_one_that_was_not_counted_is_left_out():
    plan = season([WEANING, POTS, stage("grading")])
    counts = [count("2027-03-29", "weaning", 90, 90, losses=10), count("2027-06-07", "grading", 70, 0, 70, 20)]
    records = Records(batches=[came()], counts=counts)
    assert survival_records(plan, records) == {"weaning": [Record("A", 90, 100, "B1")]}
    assert set(time_records(plan, records)) == {("crop", "weaning")}
    assert set(time_records(season([WEANING, stage("pots"), POTS | {"stage": "grading"}]), records)) == {
        ("crop", "weaning")
    }


def test_losses_of_the_original_number_become_shares_of_what_enters():
    rows = [WEANING | {"survival": 0.8}, POTS | {"survival": 0.9}, stage("grading", survival=0.95)]
    plan = season([row | {"share_of": "original"} for row in rows], varieties=("A", "B"))
    records = Records(batches=[came()], counts=[count("2027-03-29", "weaning", 95, 95, losses=5)])
    learned = forecast.learn(plan, records)
    assert {row.share_of for row in learned.route("A")} == {"entering"}
    for variety in "AB":
        first, *others = learned.survivals(variety)
        assert first.mean == line(learned, variety, "weaning").learned > 0.8
        assert [share.mean for share in others] == pytest.approx([0.7 / 0.8, 0.65 / 0.7])
        assert [share.sd for share in others] == pytest.approx([s.sd for s in plan.survivals(variety)[1:]])


# Results


@pytest.fixture(scope="module")
def small():
    """Two groups of varieties; B of the first and the whole second have no batch, five plants only left weaning."""
    plan = grouped([WEANING, POTS], {"A": "crop", "B": "crop", "F": "fern"})
    counts = [
        count("2027-03-15", "weaning", 98, losses=2),
        count("2027-03-22", "weaning", 96, 20, losses=2),
        count("2027-03-29", "weaning", 72, 50, losses=4),
        count("2027-04-05", "weaning", 20, 20, losses=2),
        count("2027-04-12", "pots", 90),
        count("2027-04-19", "pots", 90, 0, 5),
    ]
    return forecast.learn(plan, Records(batches=[came()], counts=counts))


def test_a_learned_season_is_shown_by_what_it_was_learned_from(small):
    assert repr(small) == "LearnedSeason(season=test, batches=1)"
    assert str(small) == words.learned(records=1, own=2, group=2, estimated=8)
    found = {
        name: small.sentence(*name) for name in (("A", "weaning"), ("B", "weaning"), ("A", "pots"), ("F", "weaning"))
    }
    table = small.table()
    for (variety, name), sentence in found.items():
        rows = table[(table.variety == variety) & (table.stage == name)]
        assert sentence == " ".join(rows.sentence)
    for variety, own in (("A", 1), ("B", 0)):
        row = line(small, variety, "weaning", "survival")
        counts = {"own": own, "of_group": 1, "mean": row.learned, "sd": row.sd, "before": row.estimate}
        assert row.sentence == words.survival(variety=variety, stage="weaning", **counts)
    kept = line(small, "F", "weaning", "survival")
    assert kept.sentence == words.survival_kept(variety="F", stage="weaning", mean=kept.estimate)
    assert words.doubt("few", ready=5)[0] in found["A", "pots"]


def test_the_sentence_of_a_time_holds_its_credible_interval(small):
    row = line(small, "A", "weaning", "time")
    log_sd = math.sqrt(1 - row.weight) * PRIOR_LOG_SD  # the precision left over is that of the estimate
    p5, p95 = (row.learned * math.exp(z * 1.6448536 * log_sd) for z in (-1, 1))
    assert row.sentence == words.time(
        variety="A", stage="weaning", typical=row.learned, p5=p5, p95=p95, records=1, own=True, before=row.estimate,
        base=None,
    )  # fmt: skip


def test_what_is_only_estimated_is_so_everywhere(small):
    table = small.table()
    kept = table[table.based_on == "estimate"]
    assert (kept.weight == 0).all()
    assert (kept.learned == kept.estimate).all()
    assert [row.applies_to for row in small.stages if row.applies_to == "F"] == []
    assert small.shares("pots")[["counted", "p5", "p95"]].isna().all().all()
    assert small.shares("weaning").query("based_on == 'estimate'").variety.tolist() == ["F"]
    share = small.prior.survivals("F")[0]
    chances = small.next_batch("F", "weaning", of=50)
    a, b = share.parameters
    assert chances == pytest.approx(stats.betabinom.pmf(np.arange(51), 50, a, b), abs=1e-9)


def six(*numbers):
    return tuple(float(f"{number:.6g}") for number in numbers)


def test_every_number_of_the_table_is_that_of_the_model_of_its_stage_or_of_the_estimate(small):
    """Ninety of a hundred left weaning alive, in three weeks; pots are not finished, so that estimates stay."""
    groups = {"A": "crop", "B": "crop", "F": "fern"}
    pooled = Pooled([Record("A", 90, 100, "B1")], groups, Priors(survival=0.9))
    a, b = pooled.variety("A"), pooled.variety("B")
    left = [(20, 2, 3, "B1"), (50, 3, 4, "B1"), (20, 4, 5, "B1")]
    found = learn_time(left)
    variance = found.covariance[0][0] + math.log1p(0.15**2)
    weight = PRIOR_LOG_SD**2 / (PRIOR_LOG_SD**2 + variance)
    time = six(4 ** (1 - weight) * found.median**weight, 0.15, weight)
    table = small.table().drop(columns="sentence")
    assert table.to_numpy().tolist() == [
        ["A", "weaning", "survival", 0.9, 1, 100, *six(a.mean, a.sd, a.weight), "records"],
        ["A", "weaning", "time", 4.0, 1, 90, *time, "records"],
        ["A", "pots", "survival", 0.8, 0, 0, 0.8, 0.05, 0.0, "estimate"],
        ["A", "pots", "time", 6.0, 1, 90, 6.0, 0.15, 0.0, "estimate"],
        ["B", "weaning", "survival", 0.9, 0, 0, *six(b.mean, b.sd, b.weight), "group"],
        ["B", "weaning", "time", 4.0, 1, 90, *time, "group"],
        ["B", "pots", "survival", 0.8, 0, 0, 0.8, 0.05, 0.0, "estimate"],
        ["B", "pots", "time", 6.0, 1, 90, 6.0, 0.15, 0.0, "estimate"],
        ["F", "weaning", "survival", 0.9, 0, 0, 0.9, 0.04, 0.0, "estimate"],
        ["F", "weaning", "time", 4.0, 0, 0, 4.0, 0.15, 0.0, "estimate"],
        ["F", "pots", "survival", 0.8, 0, 0, 0.8, 0.05, 0.0, "estimate"],
        ["F", "pots", "time", 6.0, 0, 0, 6.0, 0.15, 0.0, "estimate"],
    ]


def test_rows_of_the_season_hold_what_the_table_says_and_where_it_comes_from():
    plan = grouped([WEANING | {"source": "a book"}, POTS | {"source": "a guess"}], {"A": "crop", "F": "fern"})
    counts = [
        count("2027-03-22", "weaning", 98, 20, losses=2),
        count("2027-03-29", "weaning", 74, 50, losses=4),
        count("2027-04-05", "weaning", 20, 20, losses=4),
    ]
    learned = forecast.learn(plan, Records(batches=[came()], counts=counts))
    weaning, pots = learned.route("A")
    share, time = line(learned, "A", "weaning"), line(learned, "A", "weaning", "time")
    assert (weaning.survival, weaning.survival_sd) == (share.learned, share.sd)
    assert (weaning.typical, weaning.batches_cv) == (time.learned, time.sd)
    found = learn_time([(20, 0, 3, "B1"), (50, 3, 4, "B1"), (20, 4, 5, "B1")])
    assert (weaning.plants_cv,) == six(found.duration("batch").plants_cv)
    assert (weaning.source, pots.source) == ("survival and time: own records; before: a book", "a guess")
    assert (pots.survival, pots.survival_sd, pots.typical, pots.plants_cv) == (0.8, 0.05, 6, 0.1)
    assert [row.applies_to for row in learned.stages] == ["crop", "crop", "fern", "fern", "A", "A"]
    assert learned.route("F") == plan.route("F")


@pytest.mark.parametrize(("estimate", "median"), [(1, 0.999), (0.0002, 0.001), (0.6, 0.6)])
def test_a_stage_estimated_to_lose_none_or_nearly_all_may_still_be_learned_of(estimate, median):
    plan = season([stage("weaning", survival=estimate)])
    assert pooled_by_stage(plan, {"weaning": [Record("A", 5, 10)]})["weaning"].priors.survival == median


def test_the_prior_of_a_stage_is_the_mean_of_the_estimates_of_those_that_enter_it():
    plan = grouped([WEANING], {"A": "crop", "B": "crop", "F": "fern"}).with_stage("fern", "weaning", survival=0.6)
    pooled = pooled_by_stage(plan, {"weaning": [Record("A", 5, 10)]})["weaning"]
    assert pooled.priors.survival == pytest.approx(0.8)
    assert pooled.groups == {"A": "crop", "B": "crop", "F": "fern"}


def test_an_interval_without_warmth_is_a_hundredth_of_the_estimated_time_wide():
    warm = WEANING | {"runs_on": "degree-days", "base_temperature": 5, "typical": 300}
    climate = [{"month": month, "t_min": 4, "t_max": 9, "year_sd": 1} for month in range(1, 13)]
    plan = season([warm], climate=climate, daily_course="mean")
    counts = [count("2027-03-14", "weaning", 100), count("2027-03-16", "weaning", 100, 0, 100)]
    days = [WeatherRecord(date=f"2027-03-{day:02}", t_min=low, t_max=low) for day, low in DAYS]
    rows = time_records(plan, Records(batches=[came()], counts=counts, weather=days))["crop", "weaning"]
    assert rows[["number", "after", "until"]].to_numpy().tolist() == [[100, 12, 15]]


DAYS = [(day, 9 if day in (2, 3, 4) else 4) for day in range(1, 18)]
"""Three days of March on which it was four degrees above the base of a stage, and others below it."""


def test_records_of_another_season_or_of_one_learned_before_are_refused(small):
    with pytest.raises(Refused) as another:
        forecast.learn(small.prior, Records(batches=[came(variety="Z")]))
    assert "Z" in str(another.value)
    with pytest.raises(Refused) as twice:
        forecast.learn(small, Records(batches=[came()]))
    assert twice.value.faults[0].column == "season"
