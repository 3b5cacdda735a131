"""Weeks in reach, and orders that only beat the clock, against closed forms."""

from math import log, log1p, sqrt

import pytest
from ruinous import RUINOUS, ruinous
from scipy.stats import binom, norm
from small_seasons import asks, offer, season, stage

import forecast
from forecast.errors import OutOfReach
from forecast.growth.simulation import season_streams
from forecast.ordering.reach import first_in_reach, weeks_in_reach
from forecast.ordering.trial_orders import Case
from forecast.resources.money_flow import cash_flow
from forecast.weeks import Week

DRAWS = {"draws": 1024, "seed": 1}
FIRST, WEEKS = Week(2027, 1), 40


def slow(weeks, **cells):
    """The cells of a stage that takes so many weeks, more or less by the plant."""
    return stage(typical=weeks, plants_cv=0.3, survival=0.7, **cells)


def share(since, weeks, life):
    """Share of plantlets that are saleable so many weeks after they came: lognormal times, less those past it."""

    def ready(time):
        return 0.7 * norm.cdf(log(time / weeks) / sqrt(log1p(0.3**2))) if time > 0 else 0.0

    return ready(since) - (ready(since - life) if life else 0.0)


def smallest(target, by, weeks, life, deliveries, level=0.9):
    """The smallest order that is enough by a week number from the first, of all weeks of delivery; None above 100 x."""
    most = max((share(by - one, weeks, life) for one in deliveries if one <= by), default=0.0)
    enough = (n for n in range(target, 100 * target + 1) if binom.sf(target - 1, n, most) >= level)
    return next(enough, None) if most > 1e-4 else None


UNHURRIED = next(n for n in range(10, 100) if binom.sf(9, n, 0.7) >= 0.9)
"""The smallest order that is enough for ten, if all that survive are saleable in time."""


def case(plan):
    (row,) = plan.targets
    return Case(plan, season_streams(8, 1), row, 1)


LIVES = [
    (12, None, range(3), 5),
    (12, 4, range(3), 5),
    (12, 3, range(0, 20), 2),
    (14, 2, [0], 35),
    (6, 3, [0, 1], 30),
    (39, 3, [0], 10),
]


@pytest.mark.parametrize(("weeks", "life", "deliveries", "by"), LIVES)
def test_the_week_in_reach_is_the_first_by_which_an_order_suffices(weeks, life, deliveries, by):
    """Of all later weeks; failing these the last earlier one, as plants pass their sale window; failing these none."""
    prices = [offer(last_week=str(FIRST + max(deliveries)))]
    plan = season([slow(weeks)], price_list=prices, targets=[asks(10, str(FIRST + by))], saleable_weeks=life)
    enough = {week: smallest(10, week, weeks, life, deliveries) for week in range(WEEKS)}
    assert enough[by] is None
    later = [week for week in range(by + 1, WEEKS) if enough[week]]
    earlier = [week for week in range(by - 1, -1, -1) if enough[week]]
    first = next(iter(later + earlier), None)
    with pytest.raises(OutOfReach) as told:
        forecast.size_order(plan, "A", **DRAWS)
    found, usual = weeks_in_reach(case(plan), told.value.best.shipment)
    assert found == (None if first is None else (FIRST + first, enough[first]))
    if first is None:
        assert usual is None
    else:
        beyond = [week for week in (later if first > by else earlier) if (week - first) * (first - by) >= 0]
        few = [week for week in beyond if enough[week] <= 1.5 * UNHURRIED]
        half = [week for week in beyond if enough[week] <= enough[first] // 2 and first < by]
        week = few[0] if few else min(half, key=enough.get, default=None)
        assert usual == (None if week is None else (FIRST + week, enough[week]))
        again = forecast.size_order(plan, "A", week=FIRST + first, **DRAWS)  # what is advised can be had
        assert again.quantity == enough[first]


def test_where_no_plant_lives_in_time_only_the_week_in_reach_is_named():
    """All that come in the frost of the first four weeks die; of ten that come in the fifth all live in 90 of 100."""
    cold = stage("arrival", survival=0.99, cold_below=5, cold_loss=1)
    climate = [{"week": k, "t_min": -30 if k < 5 else 9, "t_max": 12, "year_sd": 0} for k in range(1, 53)]
    plan = season([cold], climate=climate, targets=[asks(10, "2027-W04")], price_list=[offer(last_week="2027-W05")])
    assert weeks_in_reach(case(plan), case(plan).nearest()) == ((Week(2027, 5), 10), None)


def test_the_advice_past_the_sale_window_does_not_climb_from_week_to_week():
    """Plants of six weeks, saleable for three: by week 30 none is left, nor by any later week.

    The last earlier week in reach needs many; so the nearest is named, too, that needs few.
    """
    told = []
    for by in range(25, 31):
        plan = season(
            [slow(6)], price_list=[offer(last_week="2027-W02")], targets=[asks(10, str(FIRST + by))], saleable_weeks=3
        )
        told.append(weeks_in_reach(case(plan), case(plan).nearest()))
    enough = {week: smallest(10, week, 6, 3, [0, 1]) for week in range(25)}
    last = max(week for week in enough if enough[week])
    few = [week for week in enough if enough[week] and enough[week] <= 1.5 * UNHURRIED]
    half = [week for week in enough if enough[week] and enough[week] <= enough[last] // 2]
    near = max(few) if few else min(half, key=lambda week: (enough[week], -week))
    assert 2 * enough[near] <= enough[last]
    assert set(told) == {((FIRST + last, enough[last]), (FIRST + near, enough[near]))}


@pytest.mark.parametrize("by", [7, 8, 9, 10, 12, 16])
def test_an_order_that_beats_the_clock_says_what_is_enough_by_which_week(by):
    plan = season([slow(12)], price_list=[offer(last_week="2027-W01")], targets=[asks(100, str(FIRST + by))])
    quantity = smallest(100, by, 12, None, [0])
    unhurried = next(n for n in range(100, 1000) if binom.sf(99, n, 0.7) >= 0.9)
    usual = next(week for week in range(by + 1, WEEKS) if smallest(100, week, 12, None, [0]) <= 1.5 * unhurried)
    order = forecast.size_order(plan, "A", **DRAWS)
    assert order.quantity == quantity
    if quantity <= 2 * unhurried and quantity <= 300:
        assert order.excess is None
    else:
        assert (order.excess.reason, order.excess.unhurried) == ("early", unhurried)
        assert order.excess.other == (FIRST + usual, smallest(100, usual, 12, None, [0]))
        again = forecast.size_order(plan, "A", week=order.excess.other.week, **DRAWS)
        assert again.excess is None


WINDOWS = [
    (12, 6, [0]),  # past it: an earlier week needs fewer
    (4, 3, [0]),  # early: without a sale window as many
    (11, 2, [0]),
    (20, 3, range(12)),  # spread wider than it in any week of delivery, though there is time enough
    (10, 2, range(4)),
    (11, 3, [0]),
    (6, 8, [0]),  # early, and only a week later fewer are enough
]


@pytest.mark.parametrize(("by", "life", "deliveries"), WINDOWS)
def test_outside_the_sale_window_fewer_are_enough_in_the_nearest_week_or_that_of_fewest(by, life, deliveries):
    """Earlier or later, whichever is nearer; of weeks that all need many the one of fewest, if half."""
    prices = [offer(last_week=str(FIRST + max(deliveries)))]
    plan = season([slow(6)], price_list=prices, targets=[asks(10, str(FIRST + by))], saleable_weeks=life)
    order = forecast.size_order(plan, "A", **DRAWS)
    enough = {week: smallest(10, week, 6, life, deliveries) or 9999 for week in range(WEEKS)}
    assert order.quantity == enough[by]
    free = smallest(10, by, 6, None, deliveries) or 9999
    assert order.excess.reason == ("window" if free <= max(1.5 * UNHURRIED, enough[by] / 2) else "early")
    near = sorted(enough, key=lambda week: (abs(week - by), -week))
    few = [week for week in near if enough[week] <= 1.5 * UNHURRIED]
    half = [week for week in near if enough[week] <= enough[by] // 2]
    week = few[0] if few else min(half, key=enough.get, default=None)
    assert order.excess.other == (None if week is None else (FIRST + week, enough[week]))


@pytest.mark.parametrize(
    ("survival", "cells", "reason"),
    [
        (0.25, {}, "survival"),
        (0.8, {"minimum": 400}, "lab"),
        (0.8, {"multiple": 350}, "lab"),
        (0.8, {"multiple": 150}, None),
    ],
)
def test_more_than_three_times_what_is_asked_has_a_reason(survival, cells, reason):
    rows = [stage(survival=survival, survival_level="plant")]
    order = forecast.size_order(season(rows, price_list=[offer(**cells)]), "A", target=100, week="2027-W20", **DRAWS)
    assert (order.quantity > 300) == (reason is not None)
    assert (order.excess and order.excess.reason) == reason


def test_a_price_break_far_above_what_is_asked_is_named():
    offers = [offer(unit_price=2), offer(unit_price=0.1, from_quantity=500)]
    rows = [stage(survival=0.8, survival_level="plant")]
    order = forecast.size_order(season(rows, price_list=offers), "A", target=100, week="2027-W20", **DRAWS)
    assert (order.quantity, order.excess.reason) == (500, "dearer")


def test_a_demand_that_is_uncertain_asks_for_what_its_service_level_needs():
    rows = [stage(survival=0.8, survival_level="plant")]
    wide = {"variety": "A", "week": "2027-W20", "p5": 20, "median": 100, "p95": 500}
    order = forecast.size_order(season(rows, targets=[wide]), "A", **DRAWS)
    assert order.quantity > 3 * order.target
    assert order.excess is None


@pytest.mark.parametrize("markdown", [None, 1.0])
def test_what_a_losing_order_sells_for_includes_plants_marked_down(markdown):
    """Of 100 plants that all live 60 are asked for, at 3; the other 40 sell marked down, as far as there is a price."""
    plan = season([stage(survival=1)], price_list=[offer(unit_price=5, multiple=100)], targets=[asks(60)])
    cells = {"variety": "A", "group": "crop", "sale_price": 3, "markdown_price": markdown}
    order = forecast.size_order(plan.replace(varieties=[cells]), "A", **DRAWS)
    assert order.excess.loss == (500, pytest.approx(180 + 40 * (markdown or 0)), markdown is not None, "EUR")


@pytest.mark.parametrize("quantity", RUINOUS)
def test_a_ruinous_order_is_never_reported_without_its_sentence(quantity):
    plan = ruinous(quantity)
    order = forecast.size_order(plan, "A", **DRAWS)
    excess = order.excess
    assert order.quantity == excess.quantity == quantity
    assert excess.reason == "early"
    assert cash_flow(forecast.simulate(plan, [order], **DRAWS)).chance_of_loss == 1  # a loss in every season
    assert excess.loss[0] > excess.loss[1]
    assert excess.other.quantity <= 1.5 * excess.unhurried
    saner = forecast.size_order(plan, "A", week=excess.other.week, **DRAWS)
    assert saner.quantity == excess.other.quantity
    assert saner.excess is None
    assert str(excess) in str(order)
    told = forecast.plan_orders(plan, aim="cost", **DRAWS)
    (row,), (more,) = told.orders, told.excess
    assert quantity <= row.quantity == more.quantity <= 1.2 * quantity  # enough for other draws, too
    assert more.reason == "early"
    assert str(more) in str(told)
    assert str(excess) in str(forecast.delivery_weeks(plan, "A", **DRAWS))
    assert str(excess) in str(forecast.compare_routes(plan, "A", **DRAWS))


def test_a_plan_of_greatest_margin_says_so_too():
    """Plantlets that cost next to nothing, and sell for much: many are bought for the few that are early."""
    cells = {"typical": 12, "plants_cv": 0.3, "survival": 0.7}
    plan = season(
        [stage(**cells)],
        targets=[asks(100, "2027-W07")],
        price_list=[offer(unit_price=0.01, last_week="2027-W01")],
        places=[{"place": "house", "area": 100_000, "usable": 1}],
    ).replace(varieties=[{"variety": "A", "group": "crop", "sale_price": 50}])
    found = forecast.plan_orders(plan, draws=64, seed=1)
    (excess,) = found.excess
    assert excess.quantity == sum(row.quantity for row in found.orders) > 300
    assert excess.reason == "early"
    assert excess.loss is None
    assert str(excess) in str(found)


def test_the_first_of_some_weeks_is_that_in_their_order():
    plan = season([slow(12)], price_list=[offer(last_week="2027-W01")], targets=[asks(10, "2027-W05")])
    assert first_in_reach(case(plan), [FIRST + 30, FIRST + 20], 1000).week == FIRST + 30
    assert first_in_reach(case(plan), [FIRST + 3], 1000) is None
    assert first_in_reach(case(plan), [], 1000) is None


def test_the_earliest_week_of_buying_in_counts_what_is_past_its_sale_window_as_gone():
    prices, targets = [offer(last_week="2027-W01")], [asks(10, "2027-W14")]
    plan = season([slow(12)], price_list=prices, targets=targets, saleable_weeks=3)
    route = forecast.compare_routes(plan, "A", **DRAWS)["buy in"]
    quantity = smallest(10, 13, 12, 3, [0])
    assert route.plan.quantity == quantity
    enough = [week for week in range(40) if binom.sf(9, quantity, share(week, 12, 3)) >= 0.9]
    assert route.earliest == FIRST + enough[0]
    ready = [week for week in range(40) if binom.sf(9, quantity, share(week, 12, None)) >= 0.9]
    assert enough[0] > ready[0]
