"""Value of a trial batch, against conjugate closed forms and against following its advice in simulated seasons."""

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from defaults import defaults
from hypothesis import given, settings
from hypothesis import strategies as st
from random_seasons import LEVELS
from scipy import stats
from small_seasons import beta_spread, offer, season, stage

import forecast
from forecast.errors import Refused
from forecast.ordering.price_breaks import PriceList
from forecast.ordering.shipments import Shipment
from forecast.season.season import Season
from forecast.sensitivity.trials import TrialValue
from forecast.words import sensitivity as words

WANTED = [{"variety": "A", "week": "2027-W20", "target": 100}]
LOTS = [offer(unit_price=4, minimum=100, multiple=100)]


def doubtful(a, b, *, sale_price=5, markdown_price=None, price_list=LOTS, targets=WANTED, level="belief", stages=None):
    """Return a season of one variety whose survival is Beta(a, b)."""
    rows = [stage(**beta_spread(a, b), survival_level=level)] if stages is None else stages
    own = {"variety": "A", "group": "crop", "sale_price": sale_price, "markdown_price": markdown_price}
    return season(rows, price_list=price_list, targets=targets).replace(varieties=[own])


def tried(plan, plants, draws=16, **options):
    return forecast.trial_worth(plan, "A", plants=plants, draws=draws, seed=1, **options)


@pytest.mark.parametrize("level", ["belief", "variety", "belief 0.4 variety 0.6"])
@pytest.mark.parametrize("plants", [1, 10, 72])
def test_a_decision_between_two_orders_has_the_worth_of_the_beta_prior(plants, level):
    """Raiffa and Schlaifer 1961, Applied Statistical Decision Theory: two actions, linear worth, a beta prior.

    100 plants at 4 and none: the margin is 500 p - 400, so that what counts is the mean of p after the trial.
    """
    a, b = 8, 2
    outcomes = np.arange(plants + 1)
    gain = np.maximum(500 * (a + outcomes) / (a + b + plants) - 400, 0)
    right = stats.betabinom.pmf(outcomes, plants, a, b) @ gain - max(500 * a / (a + b) - 400, 0)
    trial = tried(doubtful(a, b, level=level), plants)
    assert trial.evsi == pytest.approx(right, rel=1e-6)
    assert trial.error < 1e-9


def test_to_know_it_for_sure_has_the_worth_of_the_beta_prior():
    """The mean of max(500 p - 400, 0) under Beta(8, 2), in closed form by the incomplete beta function."""
    above = 500 * 0.8 * stats.beta.sf(0.8, 9, 2) - 400 * stats.beta.sf(0.8, 8, 2)
    trial = tried(doubtful(8, 2), 2000)
    density = stats.norm.pdf(stats.norm.ppf(stats.beta.cdf(0.8, 8, 2)))
    kink = 500 * density**2 / stats.beta.pdf(0.8, 8, 2) * 0.125**2 / 8  # the most that one costs the trapezoidal rule
    assert trial.evpi == pytest.approx(above, abs=kink)
    assert above * 0.9 < trial.evsi < trial.evpi


def margin(quantity, a, b, prices):
    """Margin of an order for 100 wanted if the survival is Beta(a, b), by a sum over all that can come."""
    price, sale, markdown = prices
    number = np.arange(quantity + 1)
    gone = np.minimum(number, 100)
    income = sale * gone + markdown * np.minimum(number - gone, 100)
    return float(stats.betabinom.pmf(number, quantity, a, b) @ income) - price * quantity


@pytest.mark.parametrize(("a", "b"), [(8, 2), (3, 2)])
@pytest.mark.parametrize("plants", [5, 40])
@pytest.mark.parametrize("markdown", [0.5, 5])
def test_several_quantities_have_the_worth_that_enumeration_gives(a, b, plants, markdown):
    """Beta prior, binomial trial: after y of n the survival is Beta(a + y, b + n - y), whatever the order."""
    prices = (3.1, 6, markdown)
    offers = [offer(unit_price=3.1, minimum=50, multiple=50)]
    trial = tried(doubtful(a, b, sale_price=6, markdown_price=markdown, price_list=offers), plants)
    quantities = range(0, 401, 50)
    best = [max((margin(n, a + y, b + plants - y, prices), -n) for n in quantities) for y in range(plants + 1)]
    chances = stats.betabinom.pmf(range(plants + 1), plants, a, b)
    now = max(margin(n, a, b, prices) for n in quantities)
    assert trial.margin == pytest.approx(now, rel=1e-6)
    assert trial.evsi == pytest.approx(chances @ [found for found, _ in best] - now, rel=1e-4)
    table = trial.table()
    assert table["chance"].to_numpy() == pytest.approx(chances, abs=1e-7)
    likely = chances > 1e-5
    after = (a + np.arange(plants + 1)) / (a + b + plants)
    assert table["survival"].to_numpy()[likely] == pytest.approx(after[likely], abs=1e-5)
    assert table["margin"].to_numpy()[likely] == pytest.approx(np.array([m for m, _ in best])[likely], abs=2e-3)
    assert table["quantity"].to_list() == [-n for _, n in best]


def test_the_count_from_which_the_decision_changes_is_where_it_pays_on_average():
    """500 (8 + y) / (10 + 40) > 400 from y = 33 on, if the price of a lot is not above that."""
    table = tried(doubtful(8, 2, price_list=[offer(unit_price=4.01, minimum=100, multiple=100)]), 40).table()
    assert table[table["changed"]]["survived"].to_list() == [33]
    assert table["quantity"].to_list() == [0] * 33 + [100] * 8
    assert table["lab"].to_list()[32:34] == ["", "Lab"]


def simulated(trial, shares, prices, rng):
    """Follow the advice of a trial in simulated seasons: what it brings more than the order without one, by season."""
    price, sale, markdown = prices
    first, second = shares
    quantity = trial.table()["quantity"].to_numpy()[rng.binomial(trial.plants, first)]
    earned = []
    for n in (quantity, np.full(quantity.shape, trial.choice.quantity)):
        came = rng.binomial(n, second)
        gone = np.minimum(came, 100)
        earned.append(sale * gone + markdown * np.minimum(came - gone, 100) - price * n)
    return earned[0] - earned[1]


def beta_of(score, a, b):
    """Quantiles of a beta distribution at normal scores, from a fine table."""
    grid = np.linspace(-6, 6, 4001)
    return np.interp(score, grid, stats.beta.ppf(stats.norm.cdf(grid), a, b))


@pytest.mark.parametrize("level", ["belief 0.6 batch 0.4", "belief 0.3 season 0.2 variety 0.3 batch 0.2"])
def test_following_its_advice_earns_what_it_says(level):
    """Trial and order share what lasts; the rest is drawn anew. Its worth is what its decisions bring."""
    prices, a, b, n = (4, 6, 0.5), 5, 2, 400_000
    offers = [offer(unit_price=4, minimum=50, multiple=50)]
    plan = doubtful(a, b, sale_price=6, markdown_price=0.5, price_list=offers, level=level)
    trial = tried(plan, 30, draws=1024)
    rng = np.random.default_rng(7)
    lasting = math.sqrt(0.6) * rng.standard_normal(n)
    shares = [beta_of(lasting + math.sqrt(0.4) * rng.standard_normal(n), a, b) for _ in range(2)]
    gain = simulated(trial, shares, prices, rng)
    assert trial.evsi > 5  # it is not a comparison of nothing with nothing
    assert trial.evsi == pytest.approx(gain.mean(), abs=4 * math.hypot(gain.std() / math.sqrt(n), trial.error))


def test_two_doubts_at_once_are_worth_what_following_the_advice_earns():
    prices, n = (5, 9, 0.5), 400_000
    rows = [
        stage("acclimatisation", **beta_spread(5, 2), survival_level="belief 0.8 batch 0.2"),
        stage("grading", **beta_spread(9, 2), survival_level="belief"),
    ]
    offers = [offer(unit_price=5, minimum=50, multiple=50)]
    trial = tried(doubtful(5, 2, sale_price=9, markdown_price=0.5, price_list=offers, stages=rows), 30, draws=256)
    rng = np.random.default_rng(8)
    lasting, graded = math.sqrt(0.8) * rng.standard_normal(n), stats.beta.rvs(9, 2, size=n, random_state=rng)
    shares = [graded * beta_of(lasting + math.sqrt(0.2) * rng.standard_normal(n), 5, 2) for _ in range(2)]
    gain = simulated(trial, shares, prices, rng)
    assert trial.uncertain_stages == ("acclimatisation", "grading")
    assert trial.evsi > 5
    assert trial.evsi == pytest.approx(gain.mean(), abs=4 * math.hypot(gain.std() / math.sqrt(n), trial.error))


def test_the_error_is_not_smaller_than_seeds_differ():
    plan = doubtful(5, 2, sale_price=6, level="belief 0.5 batch 0.5", price_list=[offer(unit_price=3, multiple=25)])
    found = [forecast.trial_worth(plan, "A", plants=30, draws=32, seed=seed) for seed in range(12)]
    differ = np.std([trial.evsi for trial in found], ddof=1)
    error = np.mean([trial.error for trial in found])
    assert differ * math.sqrt(11 / stats.chi2.ppf(0.999, 11)) < error < 8 * differ


@st.composite
def plans(draw):
    """Draw a season with one or two stages whose survival varies at any level."""
    rows = []
    for name in draw(st.sampled_from([("arrival",), ("arrival", "grading")])):
        cells = beta_spread(*draw(st.sampled_from([(8, 2), (3, 2), (30, 5)])))
        rows.append(stage(name, **cells, survival_level=draw(st.sampled_from(LEVELS))))
    offers = [offer(unit_price=draw(st.sampled_from([1, 3])), multiple=draw(st.sampled_from([20, 50])))]
    return doubtful(1, 1, sale_price=draw(st.sampled_from([5, 9])), price_list=offers, stages=rows)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(plan=plans())
def test_more_plants_show_more_but_never_more_than_everything(plan):
    trial = tried(plan, 40)
    worths = trial.curve([0, 5, 10, 20, 40, 80])["evsi"].to_numpy()
    assert worths[0] == pytest.approx(0, abs=1e-9)
    assert (np.diff(worths) >= -1e-8).all()
    assert worths[-1] <= trial.evpi + 1e-8
    assert trial.uncertain_stages or trial.evpi == 0


@pytest.mark.parametrize("level", ["batch", "season", "season 0.4 batch 0.6", "plant"])
def test_without_a_doubt_that_lasts_a_trial_is_worth_nothing(level):
    trial = tried(doubtful(8, 2, sale_price=6, level=level), 72)
    assert (trial.evpi, trial.evsi, trial.error, trial.uncertain_stages) == (0, 0, 0, ())
    assert trial.net_value == -trial.cost
    assert str(trial).endswith(words.no_trial("A"))
    assert not trial.table()["changed"].any()


def test_without_a_trial_the_order_is_that_of_greatest_margin():
    offers = [offer(unit_price=2, multiple=25)]
    plan = doubtful(8, 2, sale_price=6, level="belief 0.4 season 0.2 batch 0.4", price_list=offers)
    trial = tried(plan, 20, draws=4096)
    order = forecast.size_order(plan, "A", draws=16384, seed=1, aim="margin")
    assert (trial.choice.quantity, trial.choice.lab, trial.choice.week) == (order.quantity, order.lab, order.week)
    assert trial.margin == pytest.approx(order.margin, abs=0.5)


def test_a_trial_costs_its_plants_their_freight_and_their_growing():
    """By hand: of 72, 80 must be bought at 1.50 in two boxes of 50 at 8; 0.2 and 3 minutes a plant at 20 an hour."""
    rows = [stage(**beta_spread(8, 2), survival_level="belief", cost=0.2, minutes=3)]
    offers = [
        offer(unit_price=1.5, minimum=20, multiple=20, plants_per_box=50, freight_per_box=8),
        offer(lab="Dear Lab", unit_price=2.5),
    ]
    plan = doubtful(8, 2, sale_price=9, price_list=offers, stages=rows).replace(hourly_wage=20)
    trial = tried(plan, 72)
    assert (trial.bought, trial.lab) == (80, "Lab")
    assert trial.cost == pytest.approx(80 * 1.5 + 2 * 8 + 72 * 1.2)
    assert trial.net_value == trial.evsi - trial.cost
    few = trial.curve([5]).set_index("plants")
    assert few.loc[5, "cost"] == pytest.approx(5 * 2.5 + 5 * 1.2)  # one by one from the dear lab
    assert few.loc[5, "bought"] == 5


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"variety": "C"}, "no such variety"),
        ({"target": None}, "has no row in the season's targets"),
        ({"week": "2029-W01"}, "outside the season"),
        ({"plants": 7.5}, r"plants, '7\.5': not usable\. Give a whole number from 0 to 2,000\."),
        ({"plants": -1}, r"plants, '-1': not usable\. Give a whole number from 0 to 2,000\."),
        ({"draws": 8}, r"draws, '8': not usable\. Give a whole number from 16 to"),
    ],
)
def test_a_trial_that_is_not_clear_is_refused(options, says):
    asked = {"variety": "A", "target": 100, "week": "2027-W20", "plants": 20, "draws": 16} | options
    with pytest.raises(Refused, match=says):
        forecast.trial_worth(doubtful(8, 2, targets=[]), asked.pop("variety"), seed=1, **asked)


def test_a_trial_of_a_variety_without_a_price_is_refused():
    with pytest.raises(Refused, match=r"this variety has no sale price\. Fill sale_price in varieties\."):
        tried(doubtful(8, 2, sale_price=None), 20)


def test_the_sizes_of_a_curve_are_whole():
    with pytest.raises(Refused, match=r"numbers, '2\.5': not usable"):
        tried(doubtful(8, 2), 20).curve([2.5])


# --- tables and decisions by hand


DEAR = offer(lab="Dear Lab", unit_price=6, multiple=6)


def lots_or_half_dozens() -> Season:
    """Lots of 100 at 305, each of which brings 500 times a survival that is Beta(8, 2); half dozens at 36."""
    lots = offer(unit_price=3.05, minimum=100, multiple=100)
    route = [stage("arrival", **beta_spread(8, 2), survival_level="belief")]
    made = season(route, price_list=[lots, DEAR], targets=WANTED)
    return made.replace(varieties=[{"variety": "A", "group": "crop", "sale_price": 5}])


@pytest.fixture(scope="module")
def trial() -> TrialValue:
    return forecast.trial_worth(lots_or_half_dozens(), "A", plants=40, draws=16, seed=1)


def worth(plants: int) -> float:
    """After y of n the survival is Beta(8 + y, 2 + n - y): a lot of 100 earns 500 times its mean less 305, or none."""
    came = np.arange(plants + 1)
    gain = np.maximum(500 * (8 + came) / (10 + plants) - 305, 0)
    return float(stats.betabinom.pmf(came, plants, 8, 2) @ gain) - 95


def test_a_trial_has_the_values_of_the_closed_form(trial: TrialValue) -> None:
    """A lot earns 500 x 0.8 - 305; 42 of the dear lab cost 252, a lot 305; 500 (8 + y) / 50 > 305 from 23 on."""
    known = 500 * 0.8 * stats.beta.sf(0.61, 9, 2) - 305 * stats.beta.sf(0.61, 8, 2) - 95
    assert trial.margin == pytest.approx(95)
    assert (trial.evsi, trial.evpi) == (pytest.approx(worth(40), abs=1e-3), pytest.approx(known, abs=0.1))
    assert (trial.cost, trial.bought, trial.lab) == (252, 42, "Dear Lab")
    (low, none), (high, lot) = [(run[:2], run[2]) for run in trial.decisions()]
    assert (low[1], none, high[0]) == (22, None, 23)
    assert lot == trial.choice
    assert (lot.lab, str(lot.week), lot.quantity) == ("Lab", "2027-W20", 100)
    runs = [(*low, "none"), (*high, words.order(100, "", "Lab", lot.week))]
    assert str(trial).splitlines()[-1] == words.decisions(runs, 40)
    assert str(trial).startswith(words.without_trial(
        variety="A", order=words.order(100, "A", "Lab", lot.week), margin=trial.margin, currency="EUR"
    ))  # fmt: skip
    evsi = words.answer_value(trial.evsi, "margin", "EUR")
    assert repr(trial) == f"TrialValue(variety=A, plants=40, evsi={evsi}, draws=16, seed=1)"


def test_the_curve_is_of_the_sizes_asked_for_and_of_its_own(trial: TrialValue) -> None:
    table = trial.curve()
    assert table.columns.tolist() == ["plants", "bought", "evsi", "error", "cost", "net_value"]
    assert table["plants"].tolist() == [0, 6, 12, 24, 36, 40, 48, 72, 108, 144, 216, 288]
    assert table["bought"].tolist() == [0, 6, 12, 24, 36, 42, 48, 100, 200, 200, 300, 300]
    assert table["cost"].tolist() == pytest.approx([0, 36, 72, 144, 216, 252, 288, 305, 610, 610, 915, 915])
    assert table["evsi"].tolist() == pytest.approx([worth(n) for n in table["plants"]], abs=1e-3)
    assert (table["net_value"] == table["evsi"] - table["cost"]).all()
    assert (table["error"] < 1e-9).all()
    assert trial.curve([40, 3, 3])["plants"].tolist() == [3, 40]


def test_the_table_has_lab_week_and_quantity_of_each_outcome(trial: TrialValue) -> None:
    table = trial.table()
    assert table.columns.tolist() == [
        "survived", "chance", "survival", "lab", "week", "quantity", "margin", "changed",
    ]  # fmt: skip
    assert table["survived"].tolist() == list(range(41))
    assert table["lab"].tolist() == [""] * 23 + ["Lab"] * 18
    assert table["week"].tolist() == [""] * 23 + ["2027-W20"] * 18
    assert table["quantity"].tolist() == [0] * 23 + [100] * 18
    assert table["changed"].tolist() == [False] * 23 + [True] + [False] * 17
    assert table["chance"].sum() == pytest.approx(1)
    assert table["margin"].tolist()[:23] == [0] * 23


LOT = PriceList.of(lots_or_half_dozens().price_list)[0]
CHOICES = [None, *(Shipment(LOT, forecast.Week(2027, 20), number) for number in (100, 1200, 1300))]


def found(best: list[int], chances: list[float] | None = None, now: int = 1) -> TrialValue:
    """These are the best choices by the number that survives, all equally likely if not given."""
    likely = np.full(len(best), 1 / len(best)) if chances is None else np.array(chances)
    tables: Any = SimpleNamespace(choices=CHOICES, outcomes=lambda _: (likely, likely, np.array(best), likely))
    values = 9.0, 8.0, 1.0, 7.0, 80, "Lab", CHOICES[now], 50.0, "EUR", tables
    return TrialValue("A", len(best) - 1, ("arrival",), *values)


def decided(best: list[int], chances: list[float] | None = None, now: int = 1) -> list[tuple[int, int, int]]:
    """First and last number of survivors of each run, and the place of its choice."""
    runs = found(best, chances, now).decisions()
    return [(low, high, CHOICES.index(choice)) for low, high, choice in runs]


def test_up_to_four_decisions_are_all_named() -> None:
    assert decided([0, 0, 1, 2, 2, 3]) == [(0, 1, 0), (2, 2, 1), (3, 4, 2), (5, 5, 3)]
    assert decided([1, 1, 2], now=0) == [(0, 1, 1), (2, 2, 2)]
    assert decided([1, 1, 1]) == [(0, 2, 1)]
    assert str(found([1, 1, 2], now=0)).startswith(words.without_trial(variety="A", order="", margin=0, currency="EUR"))


def test_of_more_than_four_the_first_the_last_and_the_order_without_a_trial_are_named() -> None:
    assert decided([0, 1, 1, 2, 1, 3]) == [(0, 0, 0), (1, 2, 1), (4, 4, 1), (5, 5, 3)]


def test_what_is_hardly_ever_seen_at_either_end_is_passed_over() -> None:
    """One in a thousand is unlikely, more is not."""
    rare, seen = 0.0009, 0.0012
    assert decided([0, 1, 1, 2], [rare, 0.5, 0.5 - 2 * rare, rare]) == [(1, 2, 1)]
    assert decided([0, 1], [0.001, 0.999]) == [(1, 1, 1)]
    assert decided([0, 1], [0.999, 0.001]) == [(0, 0, 0)]
    assert decided([0, 1, 1, 2], [seen, 0.5, 0.5 - 2 * seen, seen]) == [(0, 0, 0), (1, 2, 1), (3, 3, 2)]
    few = [rare, seen, 0.5, 0.5 - 2 * (rare + seen), seen, rare]
    assert decided([0, 0, 1, 1, 2, 2], few) == [(1, 1, 0), (2, 3, 1), (4, 4, 2)]


def test_the_first_outcome_changes_nothing_and_the_second_may() -> None:
    table = found([0, 1, 1, 2, 2]).table()
    assert table["changed"].tolist() == [False, True, False, True, False]
    assert table["quantity"].tolist() == [0, 100, 100, 1200, 1200]


def test_no_plants_tried_cost_nothing_whoever_would_sell_them_cheapest() -> None:
    """The least that the dear lab sells costs 36, that of the other 305."""
    trial = forecast.trial_worth(lots_or_half_dozens(), "A", plants=0, draws=16, seed=1)
    assert (trial.cost, trial.bought, trial.lab) == (0, 0, "Dear Lab")
    assert trial.evsi == pytest.approx(0, abs=1e-9)


def mixed(*stages: dict[str, Any], **cells: Any) -> TrialValue:
    """Not all of the survival lasts, so that the worth has an error."""
    made = lots_or_half_dozens().replace(stages=stages, price_list=[offer(unit_price=3, multiple=25)], **cells)
    return forecast.trial_worth(made, "A", plants=30, draws=64, seed=1)


HALF = stage("arrival", **beta_spread(5, 2), survival_level="belief 0.5 batch 0.5")


def left_out(by_group: np.ndarray[Any, Any], group: int) -> np.ndarray[Any, Any]:
    return np.asarray(np.delete(by_group, group, axis=0).mean(axis=0))


def gained(weights: np.ndarray[Any, Any], margins: np.ndarray[Any, Any], chances: np.ndarray[Any, Any]) -> float:
    """What the best choice after each outcome earns, less that of the best without a trial."""
    weights = weights / weights.sum()
    after = sum(max((weights * chances[:, y]) @ margins) for y in range(chances.shape[1]))
    return float(after - max(weights @ margins))


def jackknife(values: list[float]) -> float:
    """Efron and Stein 1981, Annals of Statistics 9, 586-596: (n - 1) / n times the sum of squares about the mean."""
    mean = sum(values) / len(values)
    return (len(values) - 1) / len(values) * sum((value - mean) ** 2 for value in values)


@pytest.mark.parametrize("stages", [(HALF,), (HALF, stage("grading", **beta_spread(9, 2), survival_level="belief"))])
def test_the_error_is_that_of_the_jackknife_over_sixteen_sets_of_draws_and_of_scores(
    stages: tuple[dict[str, Any], ...],
) -> None:
    """A set of scores is eight points in a row. Only whole sets are independent, so only they are left out."""
    trial = mixed(*stages)
    tables = trial.tables
    margins, chances, weights = tables._by_group, tables._likelihoods(30), tables.weights
    assert margins.shape == (16, len(weights), len(tables.choices))
    assert chances.shape == (16, len(weights), 31)
    assert chances.sum(axis=2) == pytest.approx(1)
    assert trial.evsi == pytest.approx(gained(weights, margins.mean(axis=0), chances.mean(axis=0)))
    groups = range(16)
    variance = jackknife([gained(weights, left_out(margins, g), left_out(chances, g)) for g in groups])
    if len(stages) > 1:
        assert len(weights) == 128
        some = [np.arange(128) // 8 != g for g in groups]
        means = margins.mean(axis=0), chances.mean(axis=0)
        variance += jackknife([gained(weights[k], means[0][k], means[1][k]) for k in some])
    assert trial.error > 0.01
    assert trial.error == pytest.approx(np.sqrt(variance))


def test_of_many_orderable_quantities_some_sixty_are_compared_up_to_what_can_pay() -> None:
    """All that can be sold brings 500; at 3 a plantlet, or at 2.90 from 101 on, 172 and a third cost as much."""
    rows = [offer("A", unit_price=3), offer("A", unit_price=2.9, from_quantity=101)]
    made = lots_or_half_dozens().replace(
        price_list=rows, stages=[stage("arrival", **beta_spread(8, 2), survival_level="batch")]
    )
    trial = forecast.trial_worth(made, "A", plants=5, draws=16, seed=1)
    none, *choices = trial.tables.choices
    numbers = [choice.quantity for choice in choices]
    assert none is None
    assert numbers == sorted(set(numbers))
    assert (numbers[0], numbers[-1]) == (1, 173)
    assert {101, trial.choice.quantity} <= set(numbers)
    assert 60 <= len(numbers) <= 62
    assert max(np.diff(numbers)) == 3


def test_the_stated_error_is_the_spread_of_the_value_over_seeds():
    """Thirty seeds know a spread to 13 %: four of these are allowed."""
    share = {"survival_level": "belief 0.6 batch 0.4"}
    rows = [stage("acclimatisation", **beta_spread(5, 2), **share), stage("grading", **beta_spread(9, 2), **share)]
    plan = doubtful(5, 2, sale_price=8, stages=rows)
    trials = [forecast.trial_worth(plan, "A", plants=10, draws=32, seed=seed) for seed in range(30)]
    spread = np.std([trial.evsi for trial in trials], ddof=1)
    stated = math.sqrt(np.mean([trial.error**2 for trial in trials]))
    assert spread > 0.5
    assert stated / spread == pytest.approx(1, abs=4 * 0.13)


def test_a_trial_whose_value_is_within_its_error_says_none_and_changes_no_order():
    """It is not called worth 0 EUR (± 0 EUR), and no orders that change follow."""
    offers = [offer(unit_price=0.5, minimum=50, multiple=50)]
    trial = tried(doubtful(80, 20, sale_price=5, price_list=offers, level="belief 0.1 batch 0.9"), 2, draws=64)
    assert 0 <= trial.evsi < 0.5
    text = str(trial)
    assert "A trial of 2 plants has no value that can be seen and costs about" in text
    assert "survive: order" not in text


def test_what_need_not_be_said_of_a_trial():
    assert defaults(forecast.trial_worth) == {"plants": 72, "draws": 1024}
    assert defaults(TrialValue.curve) == {"numbers": (0, 6, 12, 24, 36, 48, 72, 108, 144, 216, 288)}
