"""A running season whose weather is measured: plants earlier in a warm spring, later in a cold one."""

from datetime import date, timedelta

import numpy as np
import pytest
from refusals import refused
from scipy.special import expit, logit
from small_seasons import offer, season, stage

import forecast
from forecast.records.batches import BatchRecord, CountRecord
from forecast.records.records import Records
from forecast.records.weather_rows import WeatherRecord
from forecast.tracking.reforecasting import narrowing, reforecast

STEADY = [{"week": k, "t_min": 8, "t_max": 16, "year_sd": 1.5} for k in range(1, 53)]
STILL = [row | {"year_sd": 0} for row in STEADY]
SHARED = "season 0.5 batch 0.5"
SPREAD = {"batches_cv": 0.1, "plants_cv": 0.1, "time_level": SHARED}
ROUTE = [
    stage(typical=4, survival=0.85, survival_sd=0.06, heat_above=22, heat_loss=0.1, **SPREAD),
    stage("pots", runs_on="degree-days", base_temperature=5, typical=490, survival=0.9, survival_sd=0.04, **SPREAD),
]
ORDERS = [
    {"variety": "A", "week": "2027-W04", "quantity": 300, "lab": "Lab"},
    {"variety": "A", "week": "2027-W16", "quantity": 200, "lab": "Lab"},
]
BATCH = BatchRecord(batch="B1", variety="A", lab="Lab", delivered="2027-01-25", ordered=300, received=300)
DAY = date(2027, 4, 4)  # the Sunday of W13
COUNTS = [
    CountRecord(
        batch="B1", date="2027-02-22", stage="acclimatisation", alive=270, transferred=270, saleable=0, losses=30
    ),
    CountRecord(batch="B1", date="2027-04-02", stage="pots", alive=260, transferred=0, saleable=0, losses=10),
]
WANTED = [{"variety": "A", "week": "2027-W20", "target": 200}, {"variety": "A", "week": "2027-W36", "target": 100}]


def plan(route=ROUTE, **cells):
    usual = {"orders": ORDERS, "targets": WANTED, "climate": STEADY, "daily_course": "mean", "weeks": 45}
    return season(route, **(usual | cells))


def weather(warmer, first="2027-01-04", until=DAY):
    """Return days that are warmer than 8 and 16 °C, each by its own."""
    start = date.fromisoformat(first)
    days = [start + timedelta(k) for k in range((until - start).days + 1)]
    scatter = 2.0 * np.sin(np.arange(len(days)))
    return [
        WeatherRecord(date=day, t_min=8 + warmer + more, t_max=16 + warmer + more)
        for day, more in zip(days, scatter.tolist(), strict=True)
    ]


def made(rows=(), *, on_date=DAY, counts=COUNTS, draws=512, **cells):
    records = Records(batches=[BATCH], counts=counts, weather=rows)
    return reforecast(plan(**cells), records, on_date=on_date, draws=draws, seed=1)


def same(one, other):
    """Whether two forecasts are the same in every number."""
    chances = (
        [found.outcome.chances("A", week=week, at_least=180) for week in ("2027-W18", "2027-W36")]
        for found in (one, other)
    )
    return (
        one.outcome.table().equals(other.outcome.table())
        and one.cohorts.equals(other.cohorts)
        and all(np.array_equal(first, second) for first, second in zip(*chances, strict=True))
    )


# --- what must not change


def test_without_measured_weather_nothing_changes_at_all():
    """Nor with weather of years before, or of days to come."""
    plain = made()
    assert same(plain, made(weather(5.0, "2024-01-01", date(2024, 6, 1))))
    assert same(plain, made(weather(5.0, "2027-04-05", date(2027, 6, 1))))
    assert not same(plain, made(weather(5.0)))


def test_before_any_delivery_measured_weather_alone_changes_it():
    first = reforecast(plan(), Records(), on_date="2027-01-10", draws=256, seed=1)
    assert same(first, reforecast(plan(), Records(), on_date="2027-01-10", draws=256, seed=1))
    assert first.outcome.table().equals(forecast.simulate(plan(), draws=256, seed=1).table())
    warm = Records(weather=weather(4.0, until=date(2027, 1, 10)))
    assert not same(first, reforecast(plan(), warm, on_date="2027-01-10", draws=256, seed=1))


def test_days_after_the_day_of_the_forecast_are_not_looked_at():
    early, late = weather(4.0), weather(-3.0, "2027-04-05", date(2027, 7, 1))
    assert same(made(early), made([*early, *late]))


def test_the_order_of_the_days_changes_nothing():
    rows = weather(3.0)
    assert same(made(rows), made(rows[::-1]))


def test_in_a_season_on_weeks_the_weather_says_nothing():
    route = [ROUTE[0] | {"heat_above": None, "heat_loss": None}, stage("pots", typical=9, **SPREAD)]
    assert same(made(route=route), made(weather(6.0), route=route))


# --- what must


@pytest.mark.parametrize("warmer", [-3.0, 0.0, 4.0])
def test_plants_are_ready_when_the_measured_degree_days_have_come_together(warmer):
    """Potted on a Monday where years do not differ, the middle plant needs 490, in usual weather ten weeks.

    The six weeks W08 to W13 were measured, and give about 42 (7 + warmer); what is left comes at 49 a week.
    """
    alike = {"batches_cv": 0, "plants_cv": 0.1, "time_level": "batch"}
    route = [
        stage(typical=4, survival=0.9, **alike),
        stage("pots", runs_on="degree-days", base_temperature=5, typical=490, **alike),
    ]
    found = made(weather(warmer), route=route, climate=STILL, orders=ORDERS[:1], counts=COUNTS[:1])
    (batch,) = found.outcome.batches
    assert str(batch.week) == "2027-W08"
    fate = found.outcome.fate(batch)
    mean = [
        np.mean([(row.t_min + row.t_max) / 2 for row in weather(warmer)[49 + 7 * k : 56 + 7 * k]]) - 5 for k in range(6)
    ]
    left = 490 - 7 * sum(mean)
    weeks = np.arange(0, 20, 0.25)
    share = fate.past(2, weeks)[:, 0]
    middle = np.interp(0.5, share, weeks)
    assert middle == pytest.approx(6 + left / 49, abs=0.05)
    assert middle == pytest.approx(10 - 6 * warmer / 7, abs=0.3)


def test_a_warm_spring_makes_more_plants_ready_by_a_week_and_a_cold_one_fewer():
    chances = [made(weather(by) if by else ()).targets()["chance"].iloc[0] for by in (-3, 0, 4)]
    assert chances[0] < chances[1] < chances[2]
    assert chances[0] < 0.1
    assert chances[2] > 0.8


def test_a_warm_week_is_still_felt_in_the_weeks_after_it():
    """The same degree-days so far, but the last week was warm, or cold: what comes is warmer, or colder."""
    warm, cold = ([*weather(0, until=date(2027, 3, 28)), *weather(by, "2027-03-29")] for by in (4.0, -4.0))
    means = []
    for rows in (warm, cold):
        found = made(rows, draws=2048, persistence=0.6)
        clock = found.outcome.fate(found.outcome.batches[0]).inner.clocks[0]
        means.append(np.diff(clock, axis=0).mean(axis=1)[13:17] / 7)
    assert means[0] - means[1] == pytest.approx(8 * 0.6 ** np.arange(1, 5), abs=0.1)


def test_plants_slow_in_a_cold_spring_are_not_taken_for_slow_ones():
    """Counted after 6 weeks of the pots, none is ready: in warm weeks this says they are slow, in cold ones nothing."""
    counts = [COUNTS[0], COUNTS[1].replace(date=date(2027, 4, 4))]
    lasting = []
    for by in (-4.0, 6.0):
        found = made(weather(by), counts=counts, draws=1024)
        (batch,) = [one for one in found.outcome.batches if str(one.week) == "2027-W13"]
        lasting.append(found.outcome.fate(batch).inner.weeks[0].mean())
    assert lasting[0] == pytest.approx(490, rel=0.03)
    assert lasting[1] > 1.1 * 490


def test_a_batch_that_came_in_measured_heat_is_harmed_by_it():
    """In its two weeks the maxima are 27 and 24, so (5 + 2) / 2 above 22, at 0.1 a degree: 0.35 logits."""
    rows = [
        WeatherRecord(date=date(2027, 1, 25) + timedelta(k), t_min=10, t_max=27 if k < 7 else 24) for k in range(14)
    ]
    on_day = {"on_date": "2027-02-07", "counts": []}
    route = [ROUTE[0] | {"survival_sd": 0}, ROUTE[1]]
    found = made(rows, route=route, orders=ORDERS[:1], **on_day)
    (batch,) = found.outcome.batches
    assert found.outcome.fate(batch).reached[1] == pytest.approx(np.full(512, expit(logit(0.85) - 0.35)))


def test_a_top_up_meets_the_weather_that_follows_from_what_was_measured():
    """It comes two weeks after a hot or a cold one, and heat in its first two weeks takes plants."""
    route = [ROUTE[0] | {"heat_above": 16, "heat_loss": 0.15}, ROUTE[1]]
    cells = {"route": route, "orders": ORDERS[:1], "persistence": 0.9, "draws": 1024}
    cells |= {"price_list": [offer(lead_weeks=1, first_week="2027-W15", last_week="2027-W15")]}
    cells |= {"targets": [{"variety": "A", "week": "2027-W40", "target": 400}]}
    usual = weather(0, until=date(2027, 3, 28))
    quantities = []
    for by in (-5.0, 5.0):
        (order,) = made([*usual, *weather(by, "2027-03-29")], **cells).top_up()
        assert str(order.week) == "2027-W15"
        quantities.append(order.quantity)
    assert quantities[1] > 1.04 * quantities[0]


def test_the_weeks_gone_by_are_as_measured_in_every_draw_and_those_to_come_are_not():
    found = made(weather(4.0))
    clock = found.outcome.fate(found.outcome.batches[-1]).clocks[1]
    mean = np.array([(row.t_min + row.t_max) / 2 for row in weather(4.0)]).reshape(13, 7).mean(axis=1)
    assert clock[:14] == pytest.approx(np.concatenate([[0], np.cumsum(7 * (mean - 5))])[:, None] + np.zeros((1, 512)))
    assert clock[14].std() == pytest.approx(7 * 1.5 * np.sqrt(1 - 0.3**2), rel=4 / np.sqrt(2 * 512))


def test_forecasts_narrow_with_each_day_its_own_weather():
    days = ["2027-02-07", "2027-03-07", DAY]
    rows = weather(4.0)
    records = Records(batches=[BATCH], counts=COUNTS, weather=rows)
    table = narrowing(plan(orders=ORDERS[:1]), records, "A", week="2027-W17", days=days, draws=512, seed=1)
    for day, middle in zip(days, table["median"], strict=True):
        alone = reforecast(plan(orders=ORDERS[:1]), records.until(day), on_date=day, draws=512, seed=1)
        assert alone.outcome.quantile("A", week="2027-W17")[1] == middle


# --- refused


def test_temperatures_in_degrees_fahrenheit_are_refused_by_the_climate():
    rows = [WeatherRecord(date=date(2027, 1, 4) + timedelta(k), t_min=39, t_max=55) for k in range(3)]
    assert refused(lambda: made(rows)) == (
        "weather, date, '2027-01-04': more than 25 °C above the climate normals of 2027-W01, as are 2 more days. "
        "Write °C, (F - 32) / 1.8 from Fahrenheit, or check the climate."
    )
