"""What the chart of forecasts scored says, read from its description."""

import json
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from chart_specs import rows, titles
from scipy.special import ndtr
from scipy.stats import binom

from forecast import Refused, scorecard
from forecast.charts.scores import calibration
from forecast.records.records import read_records
from forecast.tracking.scoring import OURS, Scorecard

DEMO = Path(__file__).parents[2] / "demo_data"


def made_up(pit, horizons=1):
    """Forecasts of batches at some horizons each, of which the PIT is given by batch and horizon."""
    pit = np.reshape(pit, (-1, horizons))
    found = [
        (f"B{i}", "A", 8 * k, date(2027, 3, 1), OURS, 100, 40.0, 50.0, 60.0, 2.0, float(one), 50)
        for i, batch in enumerate(pit)
        for k, one in enumerate(batch)
    ]
    columns = ["batch", "variety", "horizon", "day", "forecaster", "received", "p5", "median", "p95"]
    return Scorecard(pd.DataFrame(found, columns=[*columns, "crps", "pit", "observed"]))


def drawn(scores):
    spec = calibration(scores).to_dict()
    (band,) = [(row["p5"], row["p95"]) for row in rows(spec, "p5")]
    return spec, [row["share"] for row in rows(spec, "share")], band


@pytest.fixture(scope="module")
def scores(demo):
    return scorecard(demo, read_records(DEMO), draws=200, seed=1)


def test_axes_name_their_units_and_a_text_says_the_same(scores):
    spec, bars, band = drawn(scores)
    assert titles(spec) == {"forecast chance of fewer than the outcome [%]", "forecasts [% of all]"}
    assert spec["title"]["text"] == "How good were our forecasts?"
    ours = scores.forecasts.query("forecaster == @OURS")
    assert spec["description"].startswith(f"{len(ours)} forecasts of {ours['batch'].nunique()} batches.")
    assert ", ".join(f"{100 * share:.0f}" for share in bars) in spec["description"]
    assert f"Between {100 * band[0]:.0f} and {100 * band[1]:.0f} %" in spec["description"]
    assert len(json.dumps(spec)) < 20_000


def test_the_bars_are_the_shares_of_forecasts_by_tenths_of_the_pit():
    _, bars, _ = drawn(made_up([0.0, 0.05, 0.15, 0.95, 1.0]))
    assert bars == [0.4, 0.2, 0, 0, 0, 0, 0, 0, 0, 0.4]


def test_the_band_of_single_forecasts_is_that_of_a_binomial_number():
    n = 400
    _, _, (low, high) = drawn(made_up(np.random.default_rng(1).random(n)))
    exact = binom.ppf([0.05, 0.95], n, 0.1) / n
    assert (low, high) == pytest.approx(tuple(exact), abs=1 / n)


def test_forecasts_of_a_batch_that_all_say_the_same_count_as_one():
    pit = np.random.default_rng(2).random(300)
    _, one, band = drawn(made_up(pit))
    _, three, wider = drawn(made_up(np.repeat(pit, 3), horizons=3))
    assert three == one
    assert wider == pytest.approx(band, abs=1e-3)


def test_the_band_holds_nine_bars_in_ten_of_a_forecaster_that_is_right():
    """PITs of a batch correlate at 0.7 between three horizons; 150 charts of 60 batches, ten bars each."""
    rng, held = np.random.default_rng(3), []
    for _ in range(150):
        shared, own = rng.standard_normal((60, 1)), rng.standard_normal((60, 3))
        _, bars, (low, high) = drawn(made_up(ndtr(np.sqrt(0.7) * shared + np.sqrt(0.3) * own), horizons=3))
        held.append(np.mean([low <= bar <= high for bar in bars]))
    error = np.std(held) / np.sqrt(len(held))
    assert np.mean(held) == pytest.approx(0.9, abs=0.015 + 3 * error)  # shares come in steps of 1/180


def test_too_sharp_a_forecaster_lies_outside_the_band_at_both_ends():
    pit = np.random.default_rng(4).beta(0.4, 0.4, 400)
    spec, bars, (_, high) = drawn(made_up(pit))
    assert min(bars[0], bars[-1]) > high
    assert not spec["description"].endswith("all 10 bars are.")


def test_without_a_forecast_there_is_no_chart(scores):
    with pytest.raises(Refused, match="no forecast was scored"):
        calibration(Scorecard(scores.forecasts.iloc[:0]))
