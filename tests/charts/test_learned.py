"""What the charts of what records taught say, read from their descriptions."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from chart_specs import rows, says_what_it_shows

import forecast
from forecast import charts
from forecast.records.records import Records, read_records

DEMO = Path(__file__).parents[2] / "demo_data"
VARIETY, STAGE = "Calla 'Umbrasel'", "acclimatisation"
NAMES = ["shrinkage", "next batch", "labs"]


@pytest.fixture(scope="module")
def learned(demo):
    return forecast.learn(demo, read_records(DEMO))


@pytest.fixture(scope="module")
def drawn(learned):
    return {
        "shrinkage": charts.shrinkage(learned, STAGE).to_dict(),
        "next batch": charts.next_batch(learned, VARIETY, STAGE, of=432).to_dict(),
        "labs": charts.labs(learned, STAGE).to_dict(),
    }


@pytest.mark.parametrize("name", NAMES)
def test_axes_name_their_units_and_a_text_says_the_same(drawn, name):
    says_what_it_shows(drawn[name], most=160)
    assert STAGE in drawn[name]["description"]


def test_every_variety_has_a_row_with_what_was_stated_counted_and_learned(drawn, learned):
    table = learned.shares(STAGE).set_index("variety")
    points = {(row["variety"], row["kind"]): row["share"] for row in rows(drawn["shrinkage"], "kind")}
    assert len(points) == 3 * len(table) - 1  # of one there are no own records
    assert ("Calla 'Daviorne'", "own records") not in points
    for (variety, kind), share in points.items():
        column = {"your estimate": "estimate", "own records": "counted", "learned": "learned"}[kind]
        assert share == pytest.approx(table.loc[variety, column], abs=5e-5)
    ranges = {row["variety"]: (row["p5"], row["p95"]) for row in rows(drawn["shrinkage"], "p5")}
    assert all(low < points[variety, "learned"] < high for variety, (low, high) in ranges.items())
    moved = (table.learned - table.estimate).abs().idxmax()
    assert f"Largest change: {moved}, " in drawn["shrinkage"]["description"]
    assert "1 variety relies on its group's records only; none on" in drawn["shrinkage"]["description"]


def test_a_guess_has_no_bar(learned):
    spec = charts.shrinkage(forecast.learn(learned.prior, Records()), STAGE).to_dict()
    assert not rows(spec, "p5")
    assert "10 on your estimate alone" in spec["description"]


@pytest.mark.parametrize("of", [1, 30, 432])
def test_the_bars_of_the_next_batch_hold_its_chances_in_at_most_forty(learned, of):
    spec = charts.next_batch(learned, VARIETY, STAGE, of=of).to_dict()
    bars = rows(spec, "plants")
    assert len(bars) <= 40
    assert sum(bar["chance"] for bar in bars) == pytest.approx(1, abs=0.01)
    assert bars[-1]["until"] == of + 1
    assert all(bar["until"] == after["plants"] for bar, after in pairwise(bars))


def test_the_rules_hold_nine_batches_in_ten_between_them(drawn, learned):
    chances = learned.next_batch(VARIETY, STAGE, of=432)
    low, high = (row["at"] for row in rows(drawn["next batch"], "at"))
    assert chances[:low].sum() < 0.05 <= chances[: low + 1].sum()
    assert chances[: high - 1].sum() < 0.95 <= chances[:high].sum()
    median = int(np.searchsorted(np.cumsum(chances), 0.5))
    said = f"Of 432 plants of the next batch of {VARIETY}, {median} survive {STAGE} (median), and between {low} and "
    assert drawn["next batch"]["description"].startswith(f"{said}{high - 1} in 90 % of batches. ")


def test_labs_are_compared_with_their_overlap_in_words(drawn, learned):
    table, pairs = learned.labs(STAGE), rows(drawn["labs"], "pair")
    assert pairs[0]["pair"] == "Alder Lab (7) over Birch Lab (12)"
    assert [row["words"] for row in pairs] == ["the two overlap and cannot be told apart"] * 3
    assert [row["better_by"] for row in pairs] == pytest.approx(list(table.better_by), abs=5e-5)
    for said in table.sentence:
        assert said in drawn["labs"]["description"]
