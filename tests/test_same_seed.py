"""A seed gives the same numbers on any machine and in the next version; one that changes is a change for CHANGELOG.

The numbers are what the program gave when they were written down. Whether they are right, other tests say.
"""

from pathlib import Path

import pytest
from each_sized import sizes
from labelled import plants_by_state

import forecast

DEMO = Path(__file__).parents[1] / "demo_data"
FEW = {"draws": 64, "seed": 1}
RANGE = ("p5", "median", "p95")


@pytest.fixture(scope="module")
def records():
    return forecast.read_records(DEMO)


def total(frame, *columns):
    return [float(frame[column].astype(float).sum()) for column in columns]


def same(*numbers):
    return pytest.approx(list(numbers), rel=1e-9)  # processors differ by 2e-12 at most


def test_a_forecast(old_demo):
    outcome = forecast.simulate(old_demo, **FEW)
    assert total(outcome.table(), *RANGE) == same(44_770, 67_885, 92_959)
    assert total(outcome.table(sold=True), *RANGE) == same(11_402, 25_099, 46_158)
    assert total(outcome.targets(), "chance") == same(1.8499)
    assert total(forecast.bench_space(outcome).table(), *RANGE, "overrun") == same(2140.72, 2691.62, 3366.81, 0)
    assert [plants_by_state(outcome, old_demo.varieties[0].variety).std().item()] == same(194.234127340)


def test_plants_from_explants(demo):
    cultures = forecast.multiply(demo, demo.cultures[0].variety, subcultures=3, **FEW)
    assert total(cultures.by_step(), *RANGE) == same(392, 809, 1_588)
    assert total(cultures.by_week(), *RANGE) == same(3_921, 8_933, 19_783)
    assert [float(cultures.saleable(demo.last_week).sum())] == same(24_972)


def test_a_running_season(records):
    season = forecast.read_season(DEMO / "season_2026")
    today = forecast.reforecast(season, records, on_date="2026-06-14", counted_every=2, **FEW).outcome
    assert total(today.table(), *RANGE) == same(62_731, 86_961, 113_931)
    assert total(today.targets(), "chance") == same(5.3371)


def test_forecasts_of_past_batches(demo, records):
    found = forecast.scorecard(demo, records, **FEW).forecasts
    assert total(found, *RANGE, "crps", "pit") == same(12_852, 14_478, 15_670, 871.236260974, 30.6468823563)


def test_what_an_answer_depends_on(old_demo):
    found = forecast.what_drives(old_demo, old_demo.targets[0].variety, **FEW)
    assert [found.base] == same(2964.34120465)
    assert total(found.indices(), "first", "total") == same(0.725496434274, 1.16592325355)


def test_a_trial(old_demo):
    found = forecast.trial_worth(old_demo, old_demo.targets[0].variety, plants=24, **FEW)
    assert [found.margin, found.evpi, found.evsi] == same(3581.14922858, 11.0098937925, 0.0510153711689)


def test_orders(old_demo):
    found = sizes(old_demo, **FEW)
    assert total(found, "quantity", "chance", "cost") == same(8_258, 9.9181, 29419.76)
