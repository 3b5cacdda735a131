"""The uncertain inputs of orders: what they are called, for whom they hold, and how they are drawn and drawn anew."""

import numpy as np
import pytest
from scipy import stats
from small_seasons import CLIMATE, MIXED, asks, beta_spread, season, stage

import forecast
from forecast.fates.fate import Batch
from forecast.growth.simulation import season_streams
from forecast.growth.stock import demand_of, price_factor
from forecast.season.season import Season
from forecast.sensitivity.inputs import Input, inputs_of, other_streams, outcome_with, price_at

DRAWS = 4096
WEEK = forecast.Week.parse
Z95 = 1.6448536269514722


def plan() -> Season:
    """A and B share their stages, C has its own; A is asked for in a range in one week of two."""
    made = season(
        [
            stage("arrival", typical=3, batches_cv=0.2, time_level="season", **beta_spread(8, 2)),
            stage("grading", **beta_spread(30, 3), survival_level=MIXED),
        ],
        varieties=("A", "B", "C"),
        targets=[
            {"variety": "A", "week": "2027-W12", "p5": 50, "median": 80, "p95": 120},
            *(asks(60, "2027-W15"), asks(60, "2027-W13", "B")),
        ],
    )
    return made.with_stage("C", "grading", survival=0.9, survival_sd=0.05)


BATCHES = [
    Batch("B", 1, WEEK("2027-W05"), 100),
    Batch("A", 2, WEEK("2027-W06"), 100),
    Batch("A", 3, WEEK("2027-W07"), 0),
    Batch("A", 1, WEEK("2027-W04"), 300),
    Batch("C", 1, WEEK("2027-W04"), 50),
]
A1, A2, B1, C1 = (("batch", name, number) for name, number in (("A", "1"), ("A", "2"), ("B", "1"), ("C", "1")))


@pytest.fixture(scope="module")
def inputs() -> dict[str, Input]:
    return inputs_of(plan(), BATCHES, season_streams(DRAWS, 1), {"sale price": 0.2})


def test_inputs_are_in_the_order_of_stages_then_demand_then_prices(inputs: dict[str, Input]) -> None:
    rows = [(one.name, one.unit, one.varieties, one.quantity, one.owners) for one in inputs.values()]
    assert rows == [
        ("arrival survival of crop", "share", ("A", "B"), "arrival survival", (A1, A2, B1)),
        ("arrival time of crop", "weeks", ("A", "B"), "arrival time", (A1, A2, B1)),
        ("grading survival of crop", "share", ("A", "B"), "grading survival", (A1, A2, B1)),
        ("arrival survival of C", "share", ("C",), "arrival survival", (C1,)),
        ("arrival time of C", "weeks", ("C",), "arrival time", (C1,)),
        ("grading survival of C", "share", ("C",), "grading survival", (C1,)),
        ("demand for A in 2027-W12", "plants", ("A",), "demand", (("demand", "A", "2027-W12"),)),
        ("sale price", "of the stated price", (), "sale price", (("price",),)),
    ]
    assert list(inputs) == [name for name, *_ in rows]


def test_values_at_a_score_are_those_of_the_distribution(inputs: dict[str, Input]) -> None:
    """Of batches alone the mean score of 300, 100 and 100 has a spread of sqrt(11) / 5; of a season it has 1."""
    found = inputs["arrival survival of crop"]
    assert found.sd == pytest.approx(np.sqrt(11) / 5)
    assert found.at(1.5) == pytest.approx(stats.beta(8, 2).ppf(stats.norm.cdf(1.5 * np.sqrt(11) / 5)), abs=1e-6)
    times = inputs["arrival time of crop"]
    assert times.sd == pytest.approx(1)
    assert times.at(-1) == pytest.approx(3 * np.exp(-np.sqrt(np.log1p(0.2**2))))
    demand = plan().targets[0].demand
    assert demand is not None
    assert inputs["demand for A in 2027-W12"].at(0.5) == float(demand.at(np.array(0.5)))
    assert [inputs["sale price"].at(score) for score in (Z95, -0.5)] == pytest.approx([1.2, 1 - 0.1 / Z95])


def test_a_price_is_never_below_0() -> None:
    assert price_at(0.5, np.array([-10.0, 0.0, Z95])).tolist() == pytest.approx([0, 1, 1.5])


def test_scores_are_drawn_as_correlated_as_the_level_says(inputs: dict[str, Input]) -> None:
    found = inputs["grading survival of crop"]
    assert found.covariance == pytest.approx(np.array([[1, 0.5, 0.3], [0.5, 1, 0.3], [0.3, 0.3, 1]]))
    assert found.weights.tolist() == [0.6, 0.2, 0.2]
    assert found.weights.dtype == np.float64
    for drawn in (found.drawn, found.redrawn(other_streams(season_streams(DRAWS, 1), "one"))):
        assert drawn.shape == (3, DRAWS)
        assert np.cov(drawn) == pytest.approx(found.covariance, abs=0.07)


def test_what_is_drawn_anew_is_independent_of_all_else_and_the_same_for_the_same_name(inputs: dict[str, Input]) -> None:
    """The survival in grading of C and of the crop share the season's score as drawn, but not as drawn anew."""
    streams = season_streams(DRAWS, 1)
    one, other = (inputs[f"grading survival of {whose}"] for whose in ("crop", "C"))
    assert np.corrcoef(one.drawn[0], other.drawn[0])[0, 1] == pytest.approx(0.3, abs=0.07)
    under = other_streams(streams, "one")
    anew = [row.redrawn(under) for row in (one, other)]
    assert abs(np.corrcoef(anew[0][0], anew[1][0])[0, 1]) < 0.05
    assert abs(np.corrcoef(anew[0][0], one.drawn[0])[0, 1]) < 0.05
    assert (anew[0] == one.redrawn(other_streams(streams, "one"))).all()
    assert not (anew[0] == one.redrawn(other_streams(streams, "two"))).all()
    assert under.draws == DRAWS
    price = inputs["sale price"]
    assert price.drawn.shape == (1, DRAWS)
    assert price.redrawn(under).shape == (1, DRAWS)
    assert abs(np.corrcoef(price.redrawn(under)[0], price.drawn[0])[0, 1]) < 0.05


def test_with_every_input_as_it_was_drawn_nothing_changes(inputs: dict[str, Input]) -> None:
    whole, streams = plan(), season_streams(DRAWS, 1)
    same = {name: one.drawn for name, one in inputs.items() if name != "sale price"}
    free = outcome_with(whole, BATCHES, streams, inputs, {})
    again = outcome_with(whole, BATCHES, streams, inputs, same)
    for batch in BATCHES:
        assert again.fate(batch).log_survival == pytest.approx(free.fate(batch).log_survival)
    assert again.targets().equals(free.targets())


def test_an_input_that_is_set_is_set_for_those_it_holds_for_alone(inputs: dict[str, Input]) -> None:
    whole, streams = plan(), season_streams(DRAWS, 1)
    free = outcome_with(whole, BATCHES, streams, inputs, {})
    name = "grading survival of crop"
    made = outcome_with(whole, BATCHES, streams, inputs, {name: inputs[name].drawn + 1})
    for batch in BATCHES:
        moved = made.fate(batch).survival - free.fate(batch).survival
        if batch.variety != "C" and batch.quantity:
            assert (moved > 0).all()
        else:
            assert (moved == 0).all()


def thermal(*sales: str) -> Season:
    """A of which warmth sets the time, in a year that is invented; B of which it does not."""
    route = [stage("growing on", runs_on="degree-days", base_temperature=4, typical=600, survival=1)]
    target = [asks(300, week) for week in sales]
    made = season(route, varieties=("A", "B"), climate=CLIMATE, targets=target)
    return made.with_stage("B", "growing on", runs_on="weeks", base_temperature=None, typical=4)


@pytest.mark.parametrize(
    ("sales", "first", "last"), [(("2027-W12", "2027-W20"), 4, 19), (("2027-W06",), 4, 6), ((), 4, 6)]
)
def test_the_weather_is_that_from_the_first_delivery_to_the_last_sale(
    sales: tuple[str, ...], first: int, last: int
) -> None:
    """At least of the two weeks after the delivery; weeks next to each other are correlated by 0.3."""
    whole, streams = thermal(*sales), season_streams(DRAWS, 1)
    batches = [Batch("A", 2, WEEK("2027-W07"), 100), Batch("A", 1, WEEK("2027-W05"), 300)]
    batches += [Batch("B", 1, WEEK("2027-W02"), 100)]
    found = inputs_of(whole, batches, streams, {})
    assert list(found) == ["weather of the season"]
    one = found["weather of the season"]
    assert (one.unit, one.varieties, one.quantity, one.owners) == ("°C from normal", ("A",), "weather", ())
    weights = np.zeros(42)
    weights[first:last] = 1 / (last - first)
    assert one.weights == pytest.approx(weights)
    weekly = [whole.normals.weekly_sd(whole.first_week + i) for i in range(42)]
    expected = [[a * b * 0.3 ** abs(i - j) for j, b in enumerate(weekly)] for i, a in enumerate(weekly)]
    assert one.covariance == pytest.approx(np.array(expected))
    for drawn in (one.drawn, one.redrawn(other_streams(streams, "one"))):
        assert drawn.shape == (42, DRAWS)
        assert np.cov(drawn) == pytest.approx(np.array(expected), abs=0.12 * max(weekly) ** 2)
        assert np.abs(drawn.mean(axis=1)).max() < 0.08 * max(weekly)
    assert one.value(2.5) == 2.5


def test_weather_that_is_set_is_met_by_all_batches_it_matters_to() -> None:
    whole, streams = thermal("2027-W20"), season_streams(64, 1)
    batches = [Batch("A", 1, WEEK("2027-W05"), 300), Batch("B", 1, WEEK("2027-W05"), 100)]
    name = "weather of the season"
    found = inputs_of(whole, batches, streams, {})
    free = outcome_with(whole, batches, streams, found, {})
    same = outcome_with(whole, batches, streams, found, {name: found[name].drawn})
    warm = outcome_with(whole, batches, streams, found, {name: found[name].drawn + 2})
    weeks = np.arange(20.0)
    for batch in batches:
        assert same.fate(batch).ready(weeks) == pytest.approx(free.fate(batch).ready(weeks))
        more = warm.fate(batch).ready(weeks).sum() - free.fate(batch).ready(weeks).sum()
        assert more > 64 if batch.variety == "A" else more == 0


def test_what_all_demand_and_all_prices_share_can_be_set() -> None:
    """Log-normal of mean 1: at a score of 1.2816, its 90th percentile, exp(s z - s^2 / 2) with s^2 = log(1 + cv^2)."""
    shared = plan().replace(demand_cv=0.3, price_cv=0.2)
    streams = season_streams(DRAWS, 1)
    found = inputs_of(shared, BATCHES, streams, {})
    names = {"demand of the season": 0.3, "sale prices of the season": 0.2}
    assert names.keys() <= found.keys()
    assert not names.keys() & inputs_of(plan(), BATCHES, streams, {}).keys()
    for name, cv in names.items():
        variance = np.log(1 + cv**2)
        assert found[name].at(1.2816) == pytest.approx(np.exp(np.sqrt(variance) * 1.2816 - variance / 2))
    row = shared.targets[0]
    score = np.full((1, DRAWS), 1.2816)
    made = outcome_with(shared, BATCHES, streams, found, dict.fromkeys(names, score))
    assert price_factor(shared, made.streams) == pytest.approx(found["sale prices of the season"].at(1.2816))
    plain = demand_of(shared.replace(demand_cv=None), made.streams, row)
    assert np.abs(demand_of(shared, made.streams, row) - plain * found["demand of the season"].at(1.2816)).max() < 1.5
