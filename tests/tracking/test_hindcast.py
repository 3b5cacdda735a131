"""What was known of a batch on a day, by hand and in closed form where no stage takes time or no share is unsure."""

from datetime import date, timedelta

import numpy as np
import pytest
from scipy.stats import binom, norm
from small_seasons import beta_spread, season, stage

from forecast.records.batches import BatchRecord, CountRecord
from forecast.records.records import Records
from forecast.tracking.hindcast import LAST_YEAR, OVERALL, Hindcast

DRAWS = 20_000
DAY = date(2027, 6, 7)


def batch(name="B", delivered="2027-03-01", received=100, **cells):
    return BatchRecord(batch=name, variety="A", delivered=delivered, ordered=received, received=received, **cells)


def count(day, where, name="B", **cells):
    return CountRecord(batch=name, date=day, stage=where, **({"transferred": 0, "saleable": 0, "losses": 0} | cells))


def numbers(route, *counts, day=DAY, **cells):
    past = Hindcast(season(route), Records(batches=[batch(**cells)], counts=list(counts)))
    return past.numbers(batch(**cells), day, np.random.default_rng(1), DRAWS)


def test_plants_sold_from_several_stages_at_several_counts_all_count():
    route = [stage("growing on", typical=6, survival=0.9), stage("grading", survival=0.9)]
    counts = [
        count("2027-04-05", "growing on", alive=95, saleable=10, transferred=20, losses=5),
        count("2027-04-12", "growing on", alive=65, saleable=15, transferred=50),
        count("2027-04-12", "grading", alive=19, saleable=19, losses=1),
        count("2027-04-19", "grading", alive=46, saleable=46, losses=4),
    ]
    assert (numbers(route, *counts) == 10 + 15 + 19 + 46).all()


def test_what_was_sold_is_certain_and_the_rest_is_binomial():
    """Of the 70 moved on to grading, where 0.8 survive, none is counted yet."""
    route = [stage("growing on", typical=6, survival=0.9), stage("grading", survival=0.8)]
    seen = count("2027-04-05", "growing on", alive=95, saleable=25, transferred=70, losses=5)
    found = numbers(route, seen) - 25
    law, error = binom(70, 0.8), 5 / DRAWS**0.5
    assert abs(found.mean() - law.mean()) < error * law.std()
    assert abs((found <= 55).mean() - law.cdf(55)) < error * 0.5
    assert 0 <= found.min() <= found.max() <= 70


def test_counts_after_the_day_are_not_known():
    route = [stage("grading", survival=0.8)]
    late = count("2027-06-08", "grading", alive=1, saleable=1, losses=99)
    found = numbers(route, late)
    assert abs(found.mean() - 80) < 5 * (100 * 0.16 / DRAWS) ** 0.5


def test_a_stage_that_was_not_begun_is_beta_binomial_and_stages_follow_each_other():
    """Arrival is behind what was received; grading is Beta(8, 2), the stage before keeps 0.9 for sure."""
    route = [stage("arrival", survival=0.5), stage("potting", survival=0.9), stage("grading", **beta_spread(8.0, 2.0))]
    found = numbers(route, received=60, dead_on_arrival=10)
    first, second = 8 / 10, 8 * 9 / (10 * 11)  # moments of the Beta
    mean = 50 * 0.9 * first
    variance = mean + 50 * 49 * 0.9**2 * second - mean**2
    assert abs(found.mean() - mean) < 5 * (variance / DRAWS) ** 0.5
    assert found.var() == pytest.approx(variance, rel=0.06)


def test_a_batch_is_finished_when_none_remains_and_its_day_is_the_last_that_took_plants():
    rows = [batch("done"), batch("open"), batch("none", received=20, dead_on_arrival=20)]
    counts = [
        count("2027-05-03", "grading", "done", alive=90, saleable=60, losses=10),
        count("2027-05-10", "grading", "done", alive=25, saleable=25, losses=5),
        count("2027-05-17", "grading", "done", alive=0),
        count("2027-05-10", "grading", "open", alive=99, saleable=98, losses=1),
    ]
    past = Hindcast(season([stage("grading", survival=0.8)]), Records(batches=rows, counts=counts))
    assert past.finished == {"done": (date(2027, 5, 10), 85), "none": (date(2027, 3, 1), 0)}


def test_rates_of_the_rivals_are_of_plants_and_not_of_batches():
    """Last year 30 of 100 and 270 of 300 plants were saleable, the year before 20 of 200."""
    rows, counts = [], []
    for name, year, received, sold in (("a", 2026, 100, 30), ("b", 2026, 300, 270), ("c", 2025, 200, 20)):
        rows.append(batch(name, f"{year}-03-01", received))
        counts.append(count(f"{year}-05-03", "grading", name, alive=sold, saleable=sold, losses=received - sold))
    past = Hindcast(season([stage("grading", survival=0.8)]), Records(batches=rows, counts=counts))
    found = dict(past.rates(batch(), DAY))
    assert found == {LAST_YEAR: pytest.approx(300 / 400), OVERALL: pytest.approx(320 / 600)}
    assert dict(past.rates(batch(), date(2026, 5, 2))) == {OVERALL: pytest.approx(0.1)}
    assert dict(past.rates(batch(), date(2025, 5, 2))) == {}


@pytest.mark.parametrize("weeks", [4, 8, 10])
def test_plants_still_there_when_half_should_have_left_belong_to_a_slow_batch(weeks):
    """By quadrature over share and pace of the batch; a hundred of a hundred wait after 4, 8 or 10 of eight weeks.

    The pace is lognormal, its logarithm with the standard deviation of a time that was only stated, 0.25.
    """
    route = [stage("growing on", typical=8, plants_cv=0.1, **beta_spread(8.0, 2.0))]
    day = date(2027, 3, 1) + timedelta(weeks=weeks)
    found = numbers(route, count(str(day), "growing on", alive=100), day=day)
    plants = season(route).route("A")[0].duration.log_sds[1]
    share, score = np.linspace(0.0005, 0.9995, 1000)[:, None], np.linspace(-5, 5, 401)
    done = np.minimum(weeks / 8 * np.exp(0.25 * score), 1)
    there = norm.cdf(-(np.log(weeks / 8) + 0.25 * score) / plants)
    weight = share**7 * (1 - share) * np.exp(-(score**2) / 2) * share ** (100 * done) * there
    weight /= weight.sum()
    left = share ** (1 - done)
    mean = 100 * float((weight * left).sum())
    spread = float((weight * (100 * left * (1 - left) + (100 * left - mean) ** 2)).sum()) ** 0.5
    assert found.mean() == pytest.approx(mean, abs=0.08 * spread)
    assert found.std() == pytest.approx(spread, rel=0.08)


def moments(a, b, weight, left):
    """Mean and spread of the plants to come, by quadrature over the share; `left` are pairs of plants and chance."""
    share = np.linspace(0.0005, 0.9995, 1000)[:, None]
    density = share ** (a - 1) * (1 - share) ** (b - 1) * weight(share)
    density /= density.sum()
    mean = sum(number * chance(share) for number, chance in left)
    spread = sum(number * chance(share) * (1 - chance(share)) for number, chance in left)
    whole = float((density * mean).sum())
    return whole, float((density * (spread + (mean - whole) ** 2)).sum()) ** 0.5


@pytest.mark.parametrize(("day", "told"), [("2027-03-01", 0), ("2027-03-08", 40)])
def test_what_died_in_a_stage_informs_about_its_share_but_not_what_was_dead_on_the_day_of_entry(day, told):
    """Of 100 in grading 40 are sold, 40 dead and 20 still there: two in three have done with it."""
    found = numbers([stage("grading", **beta_spread(8.0, 2.0))],
                    count(day, "grading", alive=60, saleable=40, losses=40))  # fmt: skip
    weight = lambda share: share**40 * (1 - share ** (40 / 60)) ** told  # noqa: E731
    mean, spread = moments(8, 2, weight, [(20, lambda share: share)])
    assert found.mean() == pytest.approx(40 + mean, abs=0.06 * spread)
    assert found.std() == pytest.approx(spread, rel=0.06)


def test_where_all_who_entered_a_stage_died_those_to_come_share_their_lot():
    """Of 50 graded none lived, so that of the 50 to come Beta(8, 2 + 50) live: 50 x 8 / 60."""
    route = [stage("potting", survival=1), stage("grading", **beta_spread(8.0, 2.0))]
    counts = [
        count("2027-04-05", "potting", alive=100, transferred=50),
        count("2027-04-12", "grading", alive=0, losses=50),
    ]
    found = numbers(route, *counts)
    mean = 50 * 8 / 60
    variance = mean + 50 * 49 * 8 * 9 / (60 * 61) - mean**2
    assert abs(found.mean() - mean) < 5 * (variance / DRAWS) ** 0.5
    assert found.var() == pytest.approx(variance, rel=0.08)


def test_plants_that_entered_on_two_days_have_done_parts_of_their_stage():
    """60 enter on the first day and 40 two weeks on; after four of eight weeks 10 are dead and 30 sold.

    Dead are of both alike, sold are the first: 24 have done half and 36 a quarter. Batches differ in time by 0.3 and
    the time was only stated (0.25).
    """
    slow = stage("growing on", typical=8, batches_cv=0.3, plants_cv=0.1, **beta_spread(8.0, 2.0))
    route, day = [stage("potting", survival=1), slow], date(2027, 3, 29)
    counts = [
        count("2027-03-01", "potting", alive=100, transferred=60),
        count("2027-03-15", "potting", alive=40, transferred=40),
        count("2027-03-29", "growing on", alive=90, saleable=30, losses=10),
    ]
    found = numbers(route, *counts, day=day)
    batches, plants = season(route).route("A")[1].duration.log_sds
    score = np.linspace(-5, 5, 401)
    pace = np.exp(np.hypot(0.25, batches) * score)
    first, second = np.minimum(0.5 * pace, 1), np.minimum(0.25 * pace, 1)
    done = 30 + 24 * first + 36 * second
    there = norm.cdf(-np.log((24 * 0.5 + 36 * 0.25) / 60 * pace) / plants) * np.exp(-(score**2) / 2)
    mean, spread = moments(
        8, 2, lambda share: share**done * (1 - share ** (done / 90)) ** 10 * there,
        [(24, lambda share: share ** (1 - first)), (36, lambda share: share ** (1 - second))],
    )  # fmt: skip
    assert found.mean() == pytest.approx(30 + mean, abs=0.08 * spread)
    assert found.std() == pytest.approx(spread, rel=0.08)


@pytest.mark.parametrize("name", ["arrival", "unboxing"])  # whatever its name
def test_arrival_is_behind_what_was_received_unless_it_is_the_only_stage(name):
    found = numbers([stage(name, survival=0.5), stage("grading", survival=0.8)])
    assert abs(found.mean() - 80) < 5 * (16 / DRAWS) ** 0.5
    past = Hindcast(season([stage(name, survival=0.5)]), Records(batches=[batch()]))
    found = past.numbers(batch(), DAY, np.random.default_rng(1), DRAWS)
    assert found.mean() == pytest.approx(100 * past.share("A", 0, DAY).mean, abs=5 * (25 / DRAWS) ** 0.5)


def test_what_other_batches_showed_since_monday_is_not_known_yet():
    """A batch that is graded on Wednesday, and of which none lived, counts from the next Monday on."""
    route = [stage("grading", **beta_spread(8.0, 2.0))]
    lost = count("2027-06-09", "grading", "other", alive=0, losses=100)
    alone = Hindcast(season(route), Records(batches=[batch()]))
    both = Hindcast(season(route), Records(batches=[batch(), batch("other")], counts=[lost]))
    for day, alike in ((11, True), (13, True), (14, False)):
        found = [past.numbers(batch(), date(2027, 6, day), np.random.default_rng(1), 400) for past in (alone, both)]
        assert (found[0] == found[1]).all() == alike


def test_last_years_rate_is_of_the_own_variety_if_any_of_it_came_and_else_of_all():
    rows = [
        batch("own", "2026-03-01", 0),
        BatchRecord(batch="of B", variety="B", delivered="2026-03-01", ordered=50, received=50),
        batch("late", "2026-11-02", 100),
    ]
    counts = [
        count("2026-06-01", "grading", "of B", alive=20, saleable=20, losses=30),
        count("2027-06-07", "grading", "late", alive=90, saleable=90, losses=10),
    ]
    past = Hindcast(season([stage("grading")], varieties="AB"), Records(batches=rows, counts=counts))
    assert dict(past.rates(batch(), date(2027, 6, 6))) == {LAST_YEAR: 0.4, OVERALL: 0.4}
    assert dict(past.rates(batch(), date(2027, 6, 7))) == {LAST_YEAR: 0.9, OVERALL: pytest.approx(110 / 150)}
    assert list(dict(past.rates(batch(delivered="2028-03-01"), date(2028, 6, 7)))) == [OVERALL]


def test_plants_are_where_they_were_last_counted_or_moved_to_also_where_a_stage_was_not_counted():
    """Potting, where half are lost, was not counted; of those moved on from grading, the last, no more is known."""
    route = [stage("potting", survival=0.5), stage("grading", survival=0.8)]
    for moved in (0, 60):
        found = numbers(route, count("2027-04-05", "grading", alive=100, transferred=moved))
        assert abs(found.mean() - 80) < 5 * (16 / DRAWS) ** 0.5
