"""Plans from explants by hand, where nothing is lost and no plant differs: what is tried, what it costs, and why not.

A cycle takes three weeks and makes three shoots of one; two weeks lie before the first and two of rooting after the
last, ten shoots to a vessel; plants grow five weeks at 0.5. A vessel costs 1.5 and three minutes of 20 an hour.
"""

import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from defaults import defaults
from small_cultures import SURE, nursery

import forecast
from forecast.growth.simulation import season_streams
from forecast.propagation.search import Search, Tried
from forecast.season.targets import Target
from forecast.words import propagation as words

VESSELS = {"cost_start": 90, "cost_per_explant": 3, "cost_per_vessel": 1.5, "minutes_per_vessel": 3}
FEW = {"draws": 8, "seed": 1}


def sure(culture=None, division=None, typical=5.0, rent=0.0, **header):
    places = [{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": rent}]
    culture = None if culture is None else VESSELS | culture
    return nursery(culture, division, growing=SURE | {"typical": typical}, places=places, **header)


def search_of(plan, number=60, week="2027-W30", row=None):
    asked = Target(variety="A", week=week, target=number)
    return Search(plan, season_streams(8, 1), row or plan.culture("A"), asked)


def begun(explants, vessels, potted):
    """What is spent by hand: the start, explants, vessels of all cycles and of rooting, and growing on."""
    return 90 + 3 * explants + 2.5 * (explants + sum(vessels)) + 0.5 * potted


def test_all_numbers_of_cycles_are_reported_with_what_they_need_and_cost():
    """For 60: 20 explants in a cycle; 7 in two, which make 63; 3 in three, which make 81. Only 60 are potted."""
    plan = forecast.explants_needed(sure({}), "A", target=60, week="2027-W30", **FEW)
    costs = [begun(20, (20, 6), 60), begun(7, (7, 21, 7), 60), begun(3, (3, 9, 27, 9), 60)]
    assert costs == [295, 246, 256.5]
    expected = pd.DataFrame(
        {
            "subcultures": [1, 2, 3],
            "batches": [1, 1, 1],
            "start": ["2027-W18", "2027-W15", "2027-W12"],
            "explants": pd.array([20, 7, 3], dtype="Int64"),
            "potted": pd.array([None, 60, 60], dtype="Int64"),
            "chance": [1.0, 1.0, 1.0],
            "cost": costs,
            "verdict": [words.dearer(49, "EUR"), "chosen", words.dearer(10, "EUR")],
        }
    )
    pd.testing.assert_frame_equal(plan.alternatives(), expected)
    assert (plan.subcultures, plan.explants, plan.potted, str(plan.start), plan.chance) == (2, 7, 60, "2027-W15", 1)
    assert plan.cost == pytest.approx(246)


def test_where_the_bench_costs_plants_are_there_no_longer_than_they_grow():
    """At 2 a square metre of a hundred, five weeks are 0.1 a plant: still the latest start."""
    plan = forecast.explants_needed(sure({}, rent=2.0), "A", target=60, week="2027-W30", **FEW)
    assert (plan.explants, str(plan.start)) == (7, "2027-W15")
    assert plan.cost == pytest.approx(246 + 60 * 5 * 2 / 100)


def test_what_comes_too_late_says_by_when_it_would_have_to_begin_or_how_late_it_comes():
    """Plantlets of a cycle come after seven weeks and grow five: for week 10 they begin 12 weeks before it."""
    with pytest.raises(forecast.OutOfReach) as caught:
        forecast.explants_needed(sure({}), "A", target=60, week="2027-W10", **FEW)
    week = forecast.Week.parse
    first = week("2027-W01")
    why = [(1, words.start_too_early(needed=week("2026-W51"), earliest=first))]
    why += [(cycles, words.too_late(weeks=late, earliest=first)) for cycles, late in ((2, 1), (3, 4))]
    asked = {"variety": "A", "target": 60, "by": week("2027-W10"), "service_level": 0.9, "later": week("2027-W13")}
    assert str(caught.value) == words.no_plan(**asked, why=why)
    best = caught.value.best
    assert (str(best.by), best.subcultures, best.explants, str(best.start)) == ("2027-W13", 1, 20, "2027-W01")


def test_too_few_explants_say_how_many_are_needed():
    """An explant makes 3, 9 or 27 plants: for 200 they are 66.7, 22.2 and 7.4."""
    with pytest.raises(forecast.OutOfReach) as caught:
        forecast.explants_needed(sure({"explants": 5}), "A", target=200, week="2027-W30", **FEW)
    why = [(n, words.too_few(needed=200 / 3**n, most=5, unit="explant")) for n in (1, 2, 3)]
    asked = {"variety": "A", "target": 200, "by": forecast.Week.parse("2027-W30"), "service_level": 0.9}
    assert str(caught.value) == words.no_plan(**asked, why=why, later=None)
    best = caught.value.best
    assert (best.subcultures, best.explants, best.chance) == (3, 5, 0)
    assert best.alternatives()["chance"].tolist() == [0, 0, 0]


def test_plants_that_never_get_ready_are_given_by_no_number():
    search = search_of(sure({}, typical=150.0, weeks=40), week="2029-W01")
    assert [one.why_not for one in search.tried] == [words.never_enough("explant")] * 3
    assert search.best() is None
    assert search.first_week_in_reach() is None


def test_the_first_later_week_is_that_of_the_fewest_cycles_that_suffice():
    """Of 7 explants, 60 plants take two cycles: two weeks, six, two of rooting and five of growing."""
    assert str(search_of(sure({"explants": 7}), week="2027-W10").first_week_in_reach()) == "2027-W16"
    two = sure({"explants": 7, "most_cycles": 2})
    assert str(search_of(two, week="2027-W15").first_week_in_reach()) == "2027-W16"
    assert search_of(two, week="2027-W16").first_week_in_reach() is None


def test_of_plans_that_cost_the_same_the_one_with_fewer_cycles_is_best():
    search = search_of(sure({"cost_start": 0, "cost_per_vessel": 0, "cost_per_explant": 0, "minutes_per_vessel": 0}))
    assert [one.cost for one in search.tried] == [30, 30, 30]
    assert search.best() is search.tried[0]
    assert search.alternatives()["verdict"].tolist() == ["chosen", *[words.dearer(0, "EUR")] * 2]


def test_shoots_are_rooted_in_batches_where_the_shelf_is_short():
    """On 24 places, more than 8 explants are too many in the second cycle, unless a third of their shoots goes on.

    Of 19, 57 shoots, of which 19 are kept and 38 rooted in four vessels, twice, and 57 in the end: 133 for the 130.
    """
    plan = forecast.explants_needed(sure({"shelf_places": 24, "explants": 20}), "A", target=130, week="2027-W40", **FEW)
    table = plan.alternatives().set_index(["subcultures", "batches"])
    short = words.enough_in(0, words.limit(shelf=True, cycle=2, chance=1))
    assert table["verdict"].to_dict() == {
        (1, 1): words.too_few(needed=130 / 3, most=20, unit="explant"),
        (2, 1): short,
        (2, 2): words.too_few(needed=26, most=20, unit="explant"),
        (3, 1): short,
        (3, 2): short,
        (3, 3): "chosen",
    }
    assert (plan.explants, plan.cultures.rounds) == (19, (1, 2, 3))
    assert plan.cultures.kept == pytest.approx((1 / 3, 1 / 3, 0))
    assert (plan.potted, plan.cost) == (130, pytest.approx(begun(19, (19, 4, 19, 4, 19, 6), 130)))


@pytest.mark.parametrize("explants", [21, 24])
def test_with_more_than_the_shelf_has_room_for_to_root_fewer_are_begun_with(explants):
    season = sure({"shelf_places": 24, "explants": explants})
    plan = forecast.explants_needed(season, "A", target=130, week="2027-W40", **FEW)
    assert (plan.explants, plan.cultures.rounds, plan.chance) == (19, (1, 2, 3), 1)
    assert (plan.potted, plan.cost) == (130, pytest.approx(begun(19, (19, 4, 19, 4, 19, 6), 130)))


def test_what_is_kept_keeps_the_number_level_and_no_more_than_there_is_is_kept():
    """Two clean shoots of an explant, then a half, then three: of a half all are kept."""
    search = search_of(sure({"multiplication": "4 0.5 3", "contamination": "0.5 0 0", "most_cycles": 4}))
    assert search._kept(4, 1) == [1, 1, 1, 0]
    assert search._kept(4, 3) == pytest.approx([1, 1, 1 / 3, 0])
    assert search._kept(4, 4) == pytest.approx([1 / 2, 1, 1 / 3, 0])


def test_stock_is_divided_in_rounds_and_more_is_bought_only_at_a_price():
    """Three of each plant of stock: 60 need 20, or 7 in two rounds of twenty weeks."""
    plan = sure(division={"stock": 10, "most_rounds": 2, "first_weeks": 0})
    search = search_of(plan, week="2027-W40", row=plan.division("A"))
    assert (search.most, search.most_cycles) == (10, 2)
    assert [one.why_not for one in search.tried] == [words.too_few(needed=20, most=10, unit="stock plant"), ""]
    best = search.best()
    assert (best.cycles, best.cultures.explants, best.cost) == (2, 7, 30)
    bought = sure(division={"stock": 10, "most_rounds": 2, "price": 0.1})
    search = search_of(bought, week="2027-W40", row=bought.division("A"))
    assert search.most == 1_000_000
    assert [one.cost for one in search.tried] == pytest.approx([31, 30])


def test_a_plan_that_suffices_exactly_as_often_as_asked_is_enough():
    """The number wanted differs by draw, and half of eight draws are four: what the fourth smallest needs will do."""
    plan = sure({"most_cycles": 1})
    asked = Target(variety="A", week="2027-W30", p5=40, median=60, p95=90, promised=0.5)
    search = Search(plan, season_streams(8, 1), plan.culture("A"), asked)
    fourth, fifth = np.sort(search.needed)[3:5]
    explants = math.ceil(fourth / 3)
    assert 3 * explants < fifth
    smallest = search._smallest(1, 1, forecast.Week.parse("2027-W18"), 5.0)
    assert (smallest.cultures.explants, smallest.chance, smallest.why_not) == (explants, 0.5, "")
    best = search.best()
    assert (best.cultures.explants, best.cultures.potted or 3 * explants) == (explants, math.ceil(fourth))
    assert (best.chance, search.alternatives()["verdict"].tolist()) == (0.5, ["chosen"])


def test_one_explant_will_do_where_two_were_thought_of():
    smallest = search_of(sure({}), 3)._smallest(1, 1, forecast.Week.parse("2027-W18"), 2.0)
    assert (smallest.cultures.explants, smallest.chance) == (1, 1)


def test_where_all_comes_too_late_no_plan_is_near():
    """Plantlets of one cycle come in week 8."""
    assert search_of(sure({}), week="2027-W07").nearest() is None
    assert search_of(sure({}), week="2027-W08").nearest().cycles == 1


def test_plans_with_other_starts_are_of_the_same_cultures():
    search = search_of(sure({}))
    first = search.cultures(2, 1, 7, forecast.Week.parse("2027-W15"))
    later = search.cultures(2, 1, 7, forecast.Week.parse("2027-W16"))
    assert later.generations is first.generations
    assert (str(first.start), str(later.start)) == ("2027-W15", "2027-W16")
    assert search.chance(first) == 1
    assert search.chance(later) == 0  # ready in week 31
    assert search.cost(first) == pytest.approx(begun(7, (7, 21, 7), 63))


@pytest.mark.parametrize(("cycles", "batches"), [(1, 1), (3, 1), (3, 3)])
def test_what_is_kept_of_a_plan_is_counted_at_no_less_than_it_takes(monkeypatch, cycles, batches):
    search, counted = search_of(sure({})), []
    monkeypatch.setattr(search.streams, "latest", lambda _, make, numbers: counted.append(numbers) or make())
    made = search.cultures(cycles, batches, 7, forecast.Week.parse("2027-W01"))
    search.chance(made)
    kept = [array for one in (made.generations, *made.fates.values()) for array in vars(one).values()]
    taken = sum(array.nbytes for array in kept if isinstance(array, np.ndarray))
    assert taken <= counted[0] * 8 * search.streams.draws


def test_a_row_that_says_how_many_may_be_begun_with_is_kept_to():
    assert search_of(sure({"explants": 40, "shelf_places": 50})).most == 40
    assert search_of(sure({"explants": 40, "hood_hours": 1})).most == 40
    assert search_of(sure({"explants": 60, "hood_hours": 1})).most == 40  # two weeks of an hour, at three minutes
    assert math.isclose(search_of(sure({})).service_level, 0.9)
    assert np.array_equal(search_of(sure({})).needed, np.full(8, 60.0))


@pytest.mark.parametrize(("over", "batches"), [(0.02, [1, 1, 1]), (0.021, [1, 1, 2, 1, 2, 3])])
def test_rooting_is_spread_where_shelf_or_hood_run_short_in_more_than_one_season_of_fifty(monkeypatch, over, batches):
    search = search_of(sure({"shelf_places": 60}))
    made = SimpleNamespace(over_capacity=over)
    monkeypatch.setattr(search, "_try", lambda cycles, some: Tried(cycles, some, made, 1.0, 0.0))
    assert [one.batches for one in search.tried] == batches


def test_what_need_not_be_said_of_plans_and_routes():
    assert defaults(forecast.explants_needed) == defaults(forecast.compare_routes) == {"draws": 1024}
    assert defaults(forecast.multiply) == {"draws": 4096}
