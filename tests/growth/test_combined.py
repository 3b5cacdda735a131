"""Outcomes of different varieties put together are what they would have been if forecast together."""

from pathlib import Path

import numpy as np
import pytest

import forecast
from forecast.growth.combined import together

SEASON = forecast.read_season(Path(__file__).parents[2] / "demo_data")
VARIETY = "Gerbera 'Zollinka'"


@pytest.fixture(scope="module")
def whole():
    return forecast.simulate(SEASON, draws=128, seed=3)


@pytest.fixture(scope="module")
def parts():
    own = [row for row in SEASON.orders if row.variety == VARIETY]
    rest = [row for row in SEASON.orders if row.variety != VARIETY]
    return together(*(forecast.simulate(SEASON, rows, draws=128, seed=3) for rows in (own, rest)))


def test_areas_add_as_if_all_had_been_forecast_at_once(whole, parts):
    for name in ("expected", "deviation"):
        np.testing.assert_allclose(parts.area[name], whole.area[name], rtol=1e-9, atol=1e-12)


def test_plants_and_chances_are_those_of_all(whole, parts):
    assert parts.table().equals(whole.table())
    assert parts.targets().equals(whole.targets())
    assert parts.chance_of_all() == whole.chance_of_all()
    assert str(forecast.bench_space(parts)) == str(forecast.bench_space(whole))
