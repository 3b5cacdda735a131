"""Orders of greatest expected margin, against a search through every quantity, offer and week, and against draws."""

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from labelled import plants_by_state, saleable_by_week
from newsvendor import best_quantity
from random_seasons import WEEKS, orderable, price_lists, stages, week
from scipy import stats
from small_seasons import LIVE, asks, beta_spread, offer, season, stage

import forecast
from forecast.errors import OutOfReach, Refused
from forecast.growth.simulation import season_streams
from forecast.ordering.margins import Margins, sold
from forecast.ordering.shipments import Shipment
from forecast.ordering.trial_orders import Case
from forecast.words import orders as words

DRAWS = 64
some = settings(max_examples=40, deadline=None, derandomize=True)
FREE = [{"place": "house", "area": 100, "usable": 1}]
RENTED = [{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 2}]


def priced(sale_price=5.0, markdown_price=None, **cells):
    own = {"variety": "A", "group": "crop", "sale_price": sale_price, "markdown_price": markdown_price}
    return [own | cells]


@st.composite
def cases(draw):
    """Draw a season in which 1 to 40 plants of A are wanted and sold, and its price lists."""
    lists = [draw(price_lists())] + ([draw(price_lists(lab="Other lab"))] if draw(st.booleans()) else [])
    target = {"variety": "A", "week": week(draw(st.integers(12, WEEKS - 1)))}
    number = draw(st.integers(2, 40))
    if draw(st.booleans()):
        target["target"] = number
    else:
        target |= {"p5": number / 2, "median": number, "p95": 2 * number}
    varieties = priced(draw(st.sampled_from([2.0, 5.0, 12.0])), draw(st.sampled_from([None, 0.3, 1.9])))
    varieties[0]["saleable_weeks"] = draw(st.sampled_from([None, 8]))
    plan = season(
        draw(stages(3)),
        price_list=[row for rows in lists for row in rows],
        targets=[target],
        weeks=WEEKS,
        places=draw(st.sampled_from([FREE, RENTED])),
    ).replace(varieties=varieties)
    return plan, lists


def most_profitable(plan, **options):
    """Return the order of greatest margin; that which loses least if all lose."""
    try:
        return forecast.size_order(plan, "A", draws=DRAWS, seed=1, aim="margin", **options)
    except OutOfReach as error:
        assume(error.best is not None)
        return error.best


def enumerated(plan, order, lists):
    """Return the greatest margin over all offers, weeks and quantities, by sums over every number saleable."""
    case, own = order.case, plan.variety("A")
    best = -math.inf
    for prices, delivery in case.ways():
        rows = next(rows for rows in lists if rows[0]["lab"] == prices.lab)
        outcome = forecast.simulate(plan, [("A", delivery, 1)], draws=DRAWS, seed=1)
        share = np.clip(plants_by_state(outcome, "A").sel(state="saleable", week=str(order.by)).values, 0, 1)
        for n in (n for n in range(1, 320) if orderable(rows, n)):
            numbers = np.arange(n + 1)[:, None]
            chances = stats.binom.pmf(numbers, n, share)
            gone = np.minimum(numbers, case.needed)
            down = np.minimum(numbers - gone, plan.targets[0].median_demand)
            earned = own.sale_price * gone + (own.markdown_price or 0) * down
            best = max(best, (chances * earned).sum(axis=0).mean() - case.cost(Shipment(prices, delivery, n)))
    return best


@settings(some, max_examples=15)
@given(case=cases())
def test_no_lawful_quantity_of_any_offer_and_week_earns_more(case):
    plan, lists = case
    order = most_profitable(plan)
    assume(order.quantity < 300)
    assert order.margin == pytest.approx(enumerated(plan, order, lists), abs=1e-6)


@some
@given(case=cases(), dearer=st.sampled_from([1.1, 2, 5]))
def test_a_higher_price_never_means_fewer_plants_of_a_delivery(case, dearer):
    plan, _ = case
    order = most_profitable(plan)
    own = plan.variety("A")
    higher = plan.replace(varieties=[own.replace(sale_price=own.sale_price * dearer)])
    again = most_profitable(higher, delivery=order.week, lab=order.lab)
    assert again.quantity >= order.quantity
    assert again.margin >= order.margin - 1e-9


@some
@given(case=cases())
def test_the_options_and_the_curve_hold_nothing_better(case):
    plan, _ = case
    order = most_profitable(plan)
    assert order.margin == pytest.approx(order.options()["margin"].max(), abs=0.006)
    assert order.curve()["margin"].max() <= order.margin + 1e-9
    assert order.margin in order.curve()["margin"].to_numpy()


@pytest.mark.parametrize("survival", [{"survival": 0.8}, beta_spread(8, 2)])
@pytest.mark.parametrize(("price", "left"), [(6.0, 0.4), (3.0, None), (20.0, 0.1)])
def test_it_is_the_order_of_least_cost_of_a_newsvendor_with_random_yield(survival, price, left):
    """A closed form per quantity: binomial and beta-binomial yield, demand known (as in the worked examples)."""
    plan = season([stage(**survival)], targets=[{"variety": "A", "week": "2027-W20", "target": 100}])
    plan = plan.replace(varieties=priced(price, left))
    order = forecast.size_order(plan, "A", draws=16384, seed=1, aim="margin")
    comes = (lambda n: stats.binom(n, 0.8)) if "survival_sd" not in survival else (lambda n: stats.betabinom(n, 8, 2))
    right = best_quantity(100, comes, price=1, short=price, left=-(left or 0))
    assert right.quantity < 200  # so that all that is left over can be sold marked down
    assert abs(order.quantity - right.quantity) <= (0 if "survival_sd" not in survival else 1)
    assert order.margin == pytest.approx(100 * price - right.cost, abs=2e-3 * price)


@pytest.mark.parametrize("markdown", [1.5, 5])
def test_the_margin_is_what_simulated_seasons_earn(markdown):
    target = [{"variety": "A", "week": "2027-W20", "p5": 60, "median": 90, "p95": 150}]
    route = [stage(typical=8, batches_cv=0.2, plants_cv=0.1, cost=0.3, **beta_spread(8, 2))]
    plan = season(route, targets=target, price_list=[offer(freight_per_box=9, plants_per_box=40)])
    plan = plan.replace(varieties=priced(6, markdown))
    order = forecast.size_order(plan, "A", draws=4096, seed=1, aim="margin")
    outcome = forecast.simulate(plan, [order], draws=16384, seed=99)
    there = saleable_by_week(outcome).sel(variety="A", week="2027-W20").values
    asked = plan.targets[0].demand.quantile(np.random.default_rng(5).random(there.size))
    gone = np.minimum(there, asked)
    cost = order.quantity * 1.3 + 9 * math.ceil(order.quantity / 40)
    earned = 6 * gone + markdown * np.minimum(there - gone, 90) - cost
    assert order.margin == pytest.approx(earned.mean(), abs=4 * earned.std() * math.sqrt(1 / 16384 + 1 / 4096))


def test_a_price_that_falls_counts_as_it_is_in_the_target_week():
    plan = season([stage(survival=1)], targets=[{"variety": "A", "week": "2027-W27", "target": 10}])
    falling = plan.replace(varieties=priced(10, yearly_fall=0.36, lowest_price=0))
    order = forecast.size_order(falling, "A", draws=4, seed=1, aim="margin")
    assert order.quantity == 10
    assert order.margin == pytest.approx(10 * (10 * 0.8 - 1))  # half a year on, 0.64 ** 0.5


def test_an_order_of_greatest_margin_has_its_margin():
    plan = season([stage(survival=1)], targets=[{"variety": "A", "week": "2027-W20", "target": 10}])
    order = forecast.size_order(plan.replace(varieties=priced(11)), "A", draws=4, seed=1, aim="margin")
    assert order.margin == 100
    assert words.greatest_margin(margin=100, currency="EUR") in str(order)
    assert "margin" not in forecast.size_order(plan, "A", draws=4, seed=1).table()


def test_an_order_that_is_as_sure_as_asked_stays_what_it_is():
    plan = season([stage(**beta_spread(8, 2))], targets=[{"variety": "A", "week": "2027-W20", "target": 100}])
    plain = forecast.size_order(plan, "A", draws=256, seed=1)
    sold = forecast.size_order(plan.replace(varieties=priced(6, 1)), "A", draws=256, seed=1)
    assert str(plain) == str(sold)
    assert plain.options().equals(sold.options())
    assert plain.margin is None


WANTED = [asks(10)]


def test_a_variety_without_a_price_has_no_margin():
    with pytest.raises(Refused, match=r"this variety has no sale price\. Fill sale_price in varieties\."):
        forecast.size_order(season([stage()], targets=WANTED), "A", draws=4, seed=1, aim="margin")


def test_a_markdown_price_above_the_price_in_the_target_week_is_refused():
    """Half a year on the price is 10 x 0.64^0.5 = 8.00."""
    falling = priced(10, 8.5, yearly_fall=0.36)
    early = season([stage()], targets=[{"variety": "A", "week": "2027-W05", "target": 10}]).replace(varieties=falling)
    with pytest.raises(Refused) as caught:
        forecast.size_order(early, "A", draws=4, seed=1, aim="margin", week="2027-W27")
    (fault,) = caught.value.faults
    assert (fault.column, fault.value) == ("markdown_price", 8.5)
    assert "at most 8.00" in fault.remedy


@pytest.mark.parametrize("multiple", [1, 7])
@pytest.mark.parametrize("markdown", [1.2, 2, 3])
def test_of_what_is_left_over_as_many_are_sold_marked_down_as_are_needed(multiple, markdown):
    """Of n at 1, Binomial(n, 0.8) are saleable; 10 are sold at 3, 10 more marked down, the rest is thrown away."""
    plan = season([stage()], targets=WANTED, price_list=[offer(multiple=multiple)])
    plan = plan.replace(varieties=priced(3, markdown))
    order = forecast.size_order(plan, "A", draws=4, seed=1, aim="margin")
    earned = {}
    for n in range(multiple, 100, multiple):
        came = np.arange(n + 1)
        income = 3 * np.minimum(came, 10) + markdown * np.clip(came - 10, 0, 10)
        earned[n] = stats.binom.pmf(came, n, 0.8) @ income - n
    assert order.quantity == max(earned, key=earned.get)
    assert order.margin == pytest.approx(earned[order.quantity])


def test_where_a_plant_brings_more_marked_down_than_it_costs_twice_what_is_needed_is_grown_and_no_more():
    plan = season([stage(survival=1)], targets=WANTED).replace(varieties=priced(3, 2))
    order = forecast.size_order(plan, "A", draws=4, seed=1, aim="margin")
    assert (order.quantity, order.margin) == (20, pytest.approx(30 + 20 - 20))
    two = plan.replace(targets=[*WANTED, {"variety": "A", "week": "2027-W22", "target": 5}])
    orders = [forecast.size_order(two, "A", draws=4, seed=1, aim="margin", week=f"2027-W{at}") for at in (20, 22)]
    assert [one.quantity for one in orders] == [20, 10]  # marked down 10 and 5: as many as are wanted in all
    assert two.outlet_of("A") == 15


def test_no_order_earns_anything_that_costs_more_than_all_that_can_be_sold_brings():
    """10 at 6 and 10 more at 5 bring 110, as much as 55 cost at 2; the lab sells them by seven."""
    plan = season([stage(survival=1)], targets=WANTED, price_list=[offer(unit_price=2, multiple=7)])
    order = forecast.size_order(plan.replace(varieties=priced(6, 5)), "A", draws=4, seed=1, aim="margin")
    margins = Margins(order.case)
    assert margins.most(order.shipment.prices, order.week) == 56
    assert margins.margin(Shipment(order.shipment.prices, order.week, 56)) == pytest.approx(-2)
    assert margins.margin(Shipment(order.shipment.prices, order.week, 49)) == pytest.approx(12)


def test_where_every_order_loses_it_says_so_and_keeps_the_best():
    plan = season([stage()], targets=WANTED, price_list=[offer(minimum=50)]).replace(varieties=priced(3))
    with pytest.raises(OutOfReach) as found:
        forecast.size_order(plan, "A", draws=4, seed=1, aim="margin")
    assert found.value.best.quantity == 50
    assert found.value.best.margin == pytest.approx(30 - 50, abs=0.01)


def test_an_unknown_aim_is_refused():
    with pytest.raises(Refused, match=r"aim, 'profit': not an aim\. Write cost or margin\."):
        forecast.size_order(season([stage()], targets=WANTED), "A", draws=4, seed=1, aim="profit")


def greatest(margins, prices, week):
    shipment, margin = margins.greatest(prices, week)
    assert (shipment.prices, shipment.week) == (prices, week)
    return shipment.quantity, margin


def margins_of(price_list, prices, route=None):
    """What orders of a season earn, in which each plant lives and ten are wanted, and the first offer."""
    plan = season(route or [stage(survival=1)], targets=WANTED, price_list=price_list).replace(varieties=prices)
    case = Case(plan, season_streams(4, 1), plan.targets[0], 0)
    return Margins(case), case.price_lists[0], plan.targets[0].week


def test_of_orders_that_earn_the_same_the_smallest_and_the_latest_of_the_first_offer_is_taken():
    """Ten at 1, bought at 1, earn nothing, however many and whenever they come."""
    offers = [offer(lab="Far", last_week="2027-W18"), offer(lab="Near", last_week="2027-W18")]
    margins, prices, _ = margins_of(offers, priced(1.0))
    best, margin = margins.best()
    assert (best.lab, str(best.week), best.quantity, margin) == ("Far", "2027-W18", 1, 0.0)
    assert margins.greatest(prices, best.week) == (best, 0.0)


def test_the_best_order_is_that_of_the_best_offer_wherever_it_is_and_of_the_one_asked_for():
    offers = [
        offer(lab="Dear", unit_price=3),
        offer(lab="Cheap", unit_price=2, last_week="2027-W10"),
        offer(lab="Mid", unit_price=2.5),
    ]
    margins, *_ = margins_of(offers, priced(5.0))
    found = [margins.best(), margins.best(lab="Mid"), margins.best(margins.case.season.first_week + 15)]
    assert [(one.lab, str(one.week), one.quantity, margin) for one, margin in found] == [
        ("Cheap", "2027-W10", 10, 30.0),
        ("Mid", "2027-W20", 10, 25.0),
        ("Mid", "2027-W16", 10, 25.0),
    ]


def test_no_larger_order_earns_anything_than_all_that_can_be_sold_pays_for_at_the_lowest_price_and_growing():
    """10 at 6 and 10 more at 5 bring 110, as much as 73.3 cost at 1 and 0.5 for growing them."""
    offers = [offer(unit_price=2), offer(unit_price=1, from_quantity=50)]
    margins, prices, week = margins_of(offers, priced(6.0, 5.0), [stage(survival=1, cost=0.5)])
    assert margins.most(prices, week) == 74
    free, prices, week = margins_of([offer(unit_price=0)], priced(6.0))
    assert free.most(prices, week) == free.case.most


def test_income_is_what_is_sold_at_the_price_and_what_is_left_at_the_markdown_price():
    margins, prices, week = margins_of([offer(unit_price=2, freight_per_box=4, plants_per_box=8)], priced(6.0, 1.0))
    for quantity, income in ((0, 0), (7, 42), (10, 60), (13, 63), (20, 70), (25, 70)):
        assert margins.income(quantity, week).tolist() == [income] * 4
        assert margins.earned(quantity, week) == income
        if quantity:
            boxes = math.ceil(quantity / 8)
            assert margins.margin(Shipment(prices, week, quantity)) == income - 2 * quantity - 4 * boxes
    assert greatest(margins, prices, week) == (10, 60 - 20 - 8)


def test_a_further_box_is_filled_only_if_its_plants_pay_for_it():
    """By eights at 15 the tenth earns less than the second box costs, which a higher price pays for."""
    box = {"freight_per_box": 15, "plants_per_box": 8}
    for price, best in ((6.0, (8, 8 * 5 - 15.0)), (9.0, (10, 10 * 8 - 30.0))):
        margins, prices, week = margins_of([offer(**box)], priced(price))
        assert greatest(margins, prices, week) == best
    margins, prices, week = margins_of([offer(freight_per_box=10, plants_per_box=8)], priced(6.0))
    assert greatest(margins, prices, week) == (8, 8 * 5 - 10.0)  # ten earn as much
    margins, prices, week = margins_of([offer(minimum=9, **box)], priced(6.0))
    assert greatest(margins, prices, week) == (10, 10 * 5 - 30.0)
    margins, prices, week = margins_of([offer(minimum=3, multiple=3, **box)], priced(5.0))
    assert greatest(margins, prices, week) == (6, 6 * 4 - 15.0)


@pytest.mark.parametrize(
    ("lab", "unit_price", "box", "freight", "best"),
    [("Far", 2, 8, 4, 60 - 20 - 8), ("Far", 2, 20, 10, 60 - 20 - 10), ("Near", 2, 20, 20, 60 - 31)],
)
def test_the_best_offer_is_that_of_the_least_price_with_the_freight_of_whole_boxes(lab, unit_price, box, freight, best):
    """Near asks 3.1 and no freight, so that ten leave 29; a box that is half empty costs more than its share."""
    far = offer(lab="Far", unit_price=unit_price, freight_per_box=freight, plants_per_box=box)
    for offers in ([far, offer(lab="Near", unit_price=3.1)], [offer(lab="Near", unit_price=3.1), far]):
        found, margin = margins_of(offers, priced(6.0))[0].best()
        assert (found.lab, found.quantity, margin) == (lab, 10, pytest.approx(best))


@pytest.mark.parametrize(
    ("cells", "price", "best"),
    [
        ({"minimum": 8, "freight_per_box": 15}, 6.0, (8, 8 * 5 - 15.0)),  # one full box is the smallest order
        ({"multiple": 3, "freight_per_box": 4}, 2.0, (6, 6 * 1 - 4.0)),  # nine would be one more than a box holds
    ],
)
def test_an_order_may_end_with_the_last_full_box(cells, price, best):
    margins, prices, week = margins_of([offer(plants_per_box=8, **cells)], priced(price))
    assert greatest(margins, prices, week) == best


@pytest.mark.parametrize(("start", "cheaper", "best"), [(8, 2, (10, 40)), (12, 2.75, (10, 30)), (12, 2.4, (12, 31.2))])
def test_more_than_can_be_sold_is_bought_where_a_lower_price_pays_for_it(start, cheaper, best):
    offers = [offer(unit_price=3), offer(unit_price=cheaper, from_quantity=start)]
    margins, prices, week = margins_of(offers, priced(6.0))
    assert greatest(margins, prices, week) == pytest.approx(best)


def test_what_is_sold_is_the_smaller_of_demand_and_the_plants_that_live():
    """Of two plants that each come through once in two, one at least does three times in four."""
    share = np.full(4, 0.5)
    assert sold([0, 1, 2, 5], 2, share).tolist() == pytest.approx([0, 0.75, 1, 1])
    assert sold(1, 2, share).tolist() == pytest.approx([0.75] * 4)
    assert sold(3, 0, share).tolist() == [0] * 4
    assert sold(0, 2, np.array([0.0, 1.0])).tolist() == [0, 0]
    assert sold(1, 2, np.array([0.0, 1.0])).tolist() == [0, 1]


def test_an_order_that_earns_nothing_is_the_best_of_those_that_do_not():
    """A plantlet at 2 that sells for 2 earns nothing, one that sells for more does."""
    plan = season([LIVE], price_list=[offer(unit_price=2, minimum=1000)], targets=[asks(1000)])
    even, better = (plan.replace(varieties=[plan.variety("A").replace(sale_price=price)]) for price in (2.0, 2.01))
    assert forecast.size_order(better, "A", aim="margin", draws=8, seed=1).margin == pytest.approx(10)
    with pytest.raises(OutOfReach) as refused:
        forecast.size_order(even, "A", aim="margin", draws=8, seed=1)
    assert refused.value.best.quantity == 1000
    assert refused.value.best.margin == 0


def test_a_target_with_a_price_of_its_own_sells_at_it():
    plan = season([stage(survival=1)], targets=[asks(10, price=5)]).replace(varieties=priced(3, 2))
    order = forecast.size_order(plan, "A", draws=4, seed=1, aim="margin")
    assert (order.quantity, order.margin) == (20, pytest.approx(50 + 20 - 20))
