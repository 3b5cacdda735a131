"""What a trial batch is worth, against conjugate closed forms and against following its advice in simulated seasons."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from random_seasons import LEVELS
from scipy import stats
from small_seasons import beta_spread, offer, season, stage

import forecast
from forecast.errors import Refused

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
    assert trial.worth == pytest.approx(right, rel=1e-6)
    assert trial.error < 1e-9


def test_to_know_it_for_sure_has_the_worth_of_the_beta_prior():
    """The mean of max(500 p - 400, 0) under Beta(8, 2), in closed form by the incomplete beta function."""
    above = 500 * 0.8 * stats.beta.sf(0.8, 9, 2) - 400 * stats.beta.sf(0.8, 8, 2)
    trial = tried(doubtful(8, 2), 2000)
    density = stats.norm.pdf(stats.norm.ppf(stats.beta.cdf(0.8, 8, 2)))
    kink = 500 * density**2 / stats.beta.pdf(0.8, 8, 2) * 0.125**2 / 8  # the most that one costs the trapezoidal rule
    assert trial.perfect == pytest.approx(above, abs=kink)
    assert above * 0.9 < trial.worth < trial.perfect


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
    assert trial.worth == pytest.approx(chances @ [found for found, _ in best] - now, rel=1e-4)
    table = trial.decisions()
    assert table["chance"].to_numpy() == pytest.approx(chances, abs=1e-7)
    likely = chances > 1e-5
    after = (a + np.arange(plants + 1)) / (a + b + plants)
    assert table["survival"].to_numpy()[likely] == pytest.approx(after[likely], abs=1e-5)
    assert table["margin"].to_numpy()[likely] == pytest.approx(np.array([m for m, _ in best])[likely], abs=2e-3)
    assert table["quantity"].to_list() == [-n for _, n in best]


def test_the_count_from_which_the_decision_changes_is_where_it_pays_on_average():
    """500 (8 + y) / (10 + 40) > 400 from y = 33 on, if the price of a lot is not above that."""
    table = tried(doubtful(8, 2, price_list=[offer(unit_price=4.01, minimum=100, multiple=100)]), 40).decisions()
    assert table[table["changed"]]["survived"].to_list() == [33]
    assert table["quantity"].to_list() == [0] * 33 + [100] * 8
    assert table["lab"].to_list()[32:34] == ["", "Lab"]


def simulated(trial, shares, prices, rng):
    """Follow the advice of a trial in simulated seasons: what it brings more than the order without one, by season."""
    price, sale, markdown = prices
    first, second = shares
    quantity = trial.decisions()["quantity"].to_numpy()[rng.binomial(trial.plants, first)]
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
    assert trial.worth > 5  # it is not a comparison of nothing with nothing
    assert trial.worth == pytest.approx(gain.mean(), abs=4 * math.hypot(gain.std() / math.sqrt(n), trial.error))


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
    assert trial.doubts == ("acclimatisation", "grading")
    assert trial.worth > 5
    assert trial.worth == pytest.approx(gain.mean(), abs=4 * math.hypot(gain.std() / math.sqrt(n), trial.error))


def test_the_error_is_not_smaller_than_seeds_differ():
    plan = doubtful(5, 2, sale_price=6, level="belief 0.5 batch 0.5", price_list=[offer(unit_price=3, multiple=25)])
    found = [forecast.trial_worth(plan, "A", plants=30, draws=64, seed=seed) for seed in range(12)]
    differ = np.std([trial.worth for trial in found], ddof=1)
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
def test_more_plants_tell_more_but_never_more_than_everything(plan):
    trial = tried(plan, 40)
    worths = trial.curve([0, 5, 10, 20, 40, 80])["worth"].to_numpy()
    assert worths[0] == pytest.approx(0, abs=1e-9)
    assert (np.diff(worths) >= -1e-8).all()
    assert worths[-1] <= trial.perfect + 1e-8
    assert trial.doubts or trial.perfect == 0


@pytest.mark.parametrize("level", ["batch", "season", "season 0.4 batch 0.6", "plant"])
def test_without_a_doubt_that_lasts_a_trial_is_worth_nothing_and_says_so(level):
    trial = tried(doubtful(8, 2, sale_price=6, level=level), 72)
    assert (trial.perfect, trial.worth, trial.error, trial.doubts) == (0, 0, 0, ())
    assert trial.net == -trial.cost
    assert "No survival of A is in doubt in a way that lasts (levels belief and variety)" in str(trial)
    assert not trial.decisions()["changed"].any()


def test_without_a_trial_the_order_is_that_of_greatest_margin():
    plan = doubtful(
        8, 2, sale_price=6, level="belief 0.4 season 0.2 batch 0.4", price_list=[offer(unit_price=2, multiple=25)]
    )
    trial = tried(plan, 20, draws=4096)
    order = forecast.size_order(plan, "A", draws=16384, seed=1, aim="margin")
    assert (trial.choice.quantity, trial.choice.lab, trial.choice.week) == (
        order.quantity,
        order.lab,
        order.week,
    )
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
    assert trial.net == trial.worth - trial.cost
    few = trial.curve([5]).set_index("plants")
    assert few.loc[5, "cost"] == pytest.approx(5 * 2.5 + 5 * 1.2)  # one by one from the dear lab
    assert few.loc[5, "bought"] == 5


def test_it_says_what_the_trial_is_worth_and_when_the_decision_changes():
    text = str(tried(doubtful(8, 2, price_list=[offer(unit_price=4.01, minimum=100, multiple=100)]), 40))
    assert "Without a trial, order none of A: every order is expected to lose." in text
    assert "How the order changes: with fewer than 33 of 40 through, order none; from 33, 100 from Lab for" in text
    sure = str(tried(doubtful(800, 200, sale_price=9), 20))
    assert "No outcome that is at all likely changes the order." in sure
    assert "it does not pay" in sure


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"variety": "C"}, "no such variety"),
        ({"target": None}, "not in the season's table of what is wanted"),
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
