"""Who crowds a place and what would help, against plans made by hand and plans simulated without a batch."""

import itertools
import re

import numpy as np
import pandas as pd
import pytest
from labelled import area_by_place
from random_seasons import orderable
from small_seasons import MIXED, offer, season, stage

import forecast
from forecast.resources.overruns import Remedies, area_of, ever, overrun

HOUSE = {"place": "house", "area": 10, "usable": 1}
PLACES = [HOUSE, {"place": "field", "area": 10_000, "usable": 1}]
SURE = [  # four weeks in the house, a hundred plants to the m², then out of it; none dies and none differs
    stage(typical=4, survival=1),
    stage("hardening", typical=2, survival=1, place="field", plants_per_m2=10),
]
UNSURE = [
    stage(typical=4, batches_cv=0.2, plants_cv=0.1, survival_sd=0.1, survival_level=MIXED),
    stage("growing on", typical=3, batches_cv=0.2, plants_cv=0.1, survival=0.9, plants_per_m2=40),
    stage("hardening", typical=3, batches_cv=0.1, plants_cv=0.1, survival=1, place="field", plants_per_m2=10),
]
FOOT = 0.3048  # [m]
SQUARE_FOOT = FOOT**2  # [m2]


def sure(varieties="AB", price_list=None, targets=(), **header):
    return season(SURE, varieties=varieties, price_list=price_list, targets=targets, **({"places": PLACES} | header))


def wants(**numbers):
    return [{"variety": variety, "week": "2027-W30", "target": number} for variety, number in numbers.items()]


def crowded(plan, orders, draws=16):
    return forecast.bench_space(forecast.simulate(plan, orders, draws=draws, seed=1))


def area(plan, orders, place="house", draws=4):
    """Expected area [m2] by week, mean over draws."""
    outcome = forecast.simulate(plan, orders, draws=draws, seed=1)
    return area_by_place(outcome)["expected"].sel(place=place).mean("draw").to_series()


def test_the_one_batch_without_which_a_week_fits_is_the_first_cause():
    """700, 200, 200 and 200 plants stand together where 1,000 have room: only without the 700 do the others fit."""
    orders = [("A", "2027-W05", 700), *((variety, "2027-W06", 200) for variety in "BCD"), ("E", "2027-W20", 990)]
    found = crowded(sure("ABCDE"), orders).causes("house")
    assert found.columns.tolist() == ["variety", "week", "lab", "quantity", "area", "overrun", "without"]
    assert found.iloc[0].to_dict() == {
        "variety": "A", "week": "2027-W05", "lab": "", "quantity": 700, "area": 7.0, "overrun": 1.0, "without": 0.0,
    }  # fmt: skip
    assert found["without"].tolist() == [0, 1, 1, 1, 1]
    assert found.set_index("variety")["area"].to_dict() == {"A": 7, "B": 2, "C": 2, "D": 2, "E": 0}


def test_the_first_cause_need_not_be_the_largest_batch():
    """By hand: 700 stand in weeks 3 to 6, 500 in 5 to 8, 700 in 7 to 10; only without the 500 does every week fit."""
    orders = [("A", "2027-W03", 700), ("B", "2027-W05", 500), ("C", "2027-W07", 700)]
    found = crowded(sure("ABC"), orders).causes("house")
    assert found[["variety", "without"]].to_numpy().tolist() == [["B", 0], ["A", 1], ["C", 1]]
    assert found.index.tolist() == [0, 1, 2]


@pytest.fixture(scope="module")
def several():
    """Five batches of two varieties that differ in all ways; three of one variety, from two labs."""
    offers = [offer("A"), offer("A", lab="Other lab"), offer("B")]
    plan = season(UNSURE, varieties="AB", price_list=offers, places=PLACES, saleable_weeks=6)
    orders = [("A", "2027-W03", 300, "Lab"), ("A", "2027-W03", 150, "Other lab"), ("A", "2027-W06", 250)]
    return plan, [*orders, ("B", "2027-W04", 200), ("B", "2027-W07", 120)]


@pytest.mark.parametrize("target", [(), [*wants(A=200), {"variety": "A", "week": "2027-W15", "target": 150}]])
def test_the_areas_of_all_batches_add_to_the_area_of_all(several, target):
    plan, orders = several
    outcome = forecast.simulate(plan.replace(targets=target), orders, draws=2100, seed=1)
    for place in outcome.season.place_names:
        expected, variance = (sum(area_of(outcome, batch)[place][i] for batch in outcome.batches) for i in range(2))
        told = area_by_place(outcome).sel(place=place)
        assert expected.max() > 1
        assert np.abs(expected - told["expected"].values).max() < 1e-9
        assert np.abs(variance - told["deviation"].values ** 2).max() < 1e-9


def test_the_area_of_a_batch_is_that_of_a_plan_with_it_alone_if_luck_is_shared_and_nothing_is_sold(several):
    plan, orders = several
    rows = [row | {"time_level": "season", "survival_level": "season"} for row in UNSURE]
    plan = season(rows, varieties="AB", price_list=[row.given() for row in plan.price_list], places=PLACES)
    outcome = forecast.simulate(plan, orders, draws=64, seed=1)
    for batch in outcome.batches:
        alone = area_by_place(forecast.simulate(plan, [(batch.variety, batch.week, batch.quantity)], draws=64, seed=1))
        for place, (expected, variance) in area_of(outcome, batch).items():
            assert np.abs(expected - alone["expected"].sel(place=place).values).max() < 1e-9
            assert np.abs(variance - alone["deviation"].sel(place=place).values ** 2).max() < 1e-9


def test_what_is_sold_leaves_each_batch_in_proportion():
    """By hand: 60 and 40 plants are ready when 50 are sold, so 30 and 20 stay, at 10 plants to the m²."""
    targets = [{"variety": "A", "week": week, "target": number} for week, number in (("2027-W15", 50), ("2027-W17", 1))]
    plan = sure("A", targets=targets)
    outcome = forecast.simulate(plan, [("A", "2027-W02", 60), ("A", "2027-W04", 40)], draws=2, seed=1)
    areas = [area_of(outcome, batch)["field"][0][12:15, 0].tolist() for batch in outcome.batches]  # weeks 13 to 15
    assert areas == [pytest.approx([6, 6, 3]), pytest.approx([4, 4, 2])]


@pytest.mark.parametrize("left_out", [2, 4])
def test_the_overrun_without_a_batch_is_that_of_a_plan_without_it(several, left_out):
    """The last delivery of a variety, so that the others keep their numbers and with them their luck."""
    plan, orders = several
    places = [HOUSE | {"area": 13}, PLACES[1]]
    plan = plan.replace(places=places)
    variety, week, quantity = orders[left_out]
    table = crowded(plan, orders, draws=1024).causes("house")
    (row,) = table[(table["variety"] == variety) & (table["week"] == week)].to_dict("records")
    rest = crowded(plan, [order for order in orders if order != orders[left_out]], draws=1024)
    assert 0.05 < rest.overruns["house"] < row["overrun"] - 0.05
    assert row["quantity"] == quantity
    assert row["without"] == pytest.approx(rest.overruns["house"], abs=6e-5)  # rounded to four places
    assert row["overrun"] == pytest.approx(crowded(plan, orders, draws=1024).overruns["house"], abs=6e-5)


def test_the_chance_of_an_overrun_in_some_week_is_that_of_normal_areas_with_one_score_a_draw():
    expected, deviation = np.array([[9.0, 9.5], [10.2, 8.0]]), np.array([[1.0, 0.2], [0.5, 0.0]])
    bench, score = np.array([[10.0], [10.0]]), np.array([-0.3, 1.0])
    areas = expected + deviation * score
    assert ever(overrun(expected, deviation, bench), score) == (areas > bench).any(axis=0).mean() == 0.5
    assert ever(overrun(expected, deviation, bench), np.array([-0.5, 3.0])) == 0.5
    assert ever(overrun(expected, deviation, bench), np.array([0.0, 3.0])) == 1


ORDERS = [("A", "2027-W05", 600), ("B", "2027-W07", 500)]  # in weeks 7 and 8 they need 11 m² of 10


def test_half_of_a_delivery_two_weeks_earlier_is_found_first():
    """By hand: 300 in weeks 3 to 6, 300 in weeks 5 to 8, 500 in weeks 7 to 10: at most 800 together."""
    remedies = crowded(sure(targets=wants(A=600, B=500)), ORDERS).remedies("house")
    assert (remedies.overrun, remedies.most) == (1, 0.1)
    assert remedies.table().columns.tolist() == [
        "variety", "remedy", "deliveries", "overrun", "chance_before", "chance",
    ]  # fmt: skip
    assert remedies.table().iloc[0].tolist() == ["A", "split", "2027-W03 300, 2027-W05 300", 0, 1, 1]
    assert remedies.table()[["variety", "remedy"]].to_numpy().tolist() == [
        ["A", "split"], ["B", "split"], ["A", "bring forward"], ["B", "delay"], ["A", "cut"], ["B", "cut"],
    ]  # fmt: skip


def test_a_delay_is_found_first_where_a_minimum_forbids_to_split_and_no_delivery_can_come_earlier():
    """By hand: 600 from week 9 on still meet the 500, that leave after week 10; from week 11 on they do not."""
    offers = [offer("A", minimum=600, first_week="2027-W05"), offer("B", minimum=500, last_week="2027-W07")]
    table = crowded(sure(price_list=offers, targets=wants(A=600, B=500)), ORDERS).remedies("house").table()
    assert table.iloc[0].tolist() == ["A", "delay", "2027-W11 600", 0, 1, 1]
    assert "split" not in table["remedy"].tolist()


@pytest.mark.parametrize(
    ("least", "remedy", "deliveries"), [(1, "split", "2027-W10 300, 2027-W14 300"), (600, "delay", "2027-W14 600")]
)
def test_of_a_later_and_an_earlier_delivery_that_help_alike_the_later_is_named(least, remedy, deliveries):
    """By hand: both come in week 10 and leave after week 13; four weeks apart they fit, two weeks apart they do not."""
    plan = sure(price_list=[offer("A", minimum=least), offer("B")], targets=wants(A=600, B=500))
    table = crowded(plan, [("A", "2027-W10", 600), ("B", "2027-W10", 500)]).remedies("house").table()
    own = table[(table["variety"] == "A") & (table["remedy"] == remedy)]
    assert own.iloc[0, 2:].tolist() == [deliveries, 0, 1, 1]


def test_of_moves_that_make_room_the_one_that_keeps_the_target_is_named():
    """By hand: plants are ready six weeks after week 10, when they are wanted; only earlier ones are ready in time."""
    wanted = [{"variety": variety, "week": "2027-W16", "target": 500} for variety in "AB"]
    plan = sure(price_list=[offer("A", minimum=600), offer("B")], targets=wanted)
    table = crowded(plan, [("A", "2027-W10", 600), ("B", "2027-W10", 500)]).remedies("house").table()
    own = table[(table["variety"] == "A") & (table["remedy"] != "cut")]
    assert own.to_numpy().tolist() == [["A", "bring forward", "2027-W06 600", 0, 1, 1]]


def test_a_cut_is_found_first_where_only_one_week_can_be_had_and_more_was_ordered_than_is_needed():
    """By hand: a fifth less of 600 is 480, in fifties 500, which with the other 500 just fit; a tenth less does not."""
    offers = [offer(v, multiple=50, first_week=w, last_week=w) for v, w, _ in ORDERS]
    table = crowded(sure(price_list=offers, targets=wants(A=400, B=500)), ORDERS).remedies("house").table()
    assert table.iloc[0].tolist() == ["A", "cut", "2027-W05 500", 0, 1, 1]
    assert table["remedy"].tolist() == ["cut", "cut"]


def test_where_every_change_misses_a_target_none_helps():
    """By hand: 500 of A in weeks 5 to 8 and 500 of B in weeks 7 to 10 fit, but 600 of A are wanted."""
    offers = [offer(v, first_week=w, last_week=w) for v, w, _ in ORDERS]
    remedies = crowded(sure(price_list=offers, targets=wants(A=600, B=500)), ORDERS).remedies("house")
    assert remedies.table().iloc[0].tolist() == ["A", "cut", "2027-W05 480", 0, 1, 0]
    assert not remedies.helps


def test_where_it_fits_nothing_is_to_be_done():
    fits = crowded(sure(targets=wants(A=600)), [("A", "2027-W05", 600), ("B", "2027-W09", 500)]).remedies("house")
    assert (fits.overrun, len(fits.table())) == (0, 0)
    assert fits.best is None


COLUMNS = ["variety", "remedy", "deliveries", "overrun", "chance_before", "chance"]
EARLY, LATE = {"first_week": "2027-W04", "last_week": "2027-W06"}, {"first_week": "2027-W07", "last_week": "2027-W09"}
LISTS = [
    offer("A", **EARLY, from_quantity=1, minimum=40, multiple=8, lead_weeks=4),
    offer("A", **EARLY, from_quantity=200, unit_price=0.9, minimum=1, multiple=25, lead_weeks=4),
    offer("A", **LATE, from_quantity=1, minimum=60, multiple=30),
    offer("B", lab="Other lab", from_quantity=1, minimum=90, multiple=45, first_week="2027-W06", last_week="2027-W08"),
]


@pytest.mark.parametrize("area", [6, 8, 10])
@pytest.mark.parametrize("quantities", [(400, 270, 360), (225, 180, 90), (208, 450, 180)])
def test_every_delivery_that_is_named_can_be_had(area, quantities):
    """A is sold in eights or twenty-fives from week 5 (four weeks' lead) to 6, in thirties from week 7 to 9."""
    plan = season(UNSURE, varieties="AB", price_list=LISTS, places=[HOUSE | {"area": area}, PLACES[1]])
    orders = [("A", "2027-W05", quantities[0]), ("B", "2027-W06", quantities[1]), ("B", "2027-W08", quantities[2])]
    table = crowded(plan, orders, draws=64).remedies("house", most=0.01).table()
    assert {"split", "delay", "cut"} <= set(table["remedy"])
    for row in table.to_dict("records"):
        named = re.findall(r"(\S+) ([\d,]+)", row["deliveries"])
        assert named or row["deliveries"] == "none"
        for week, quantity in named:
            rows = [line for line in LISTS if line["variety"] == row["variety"]]
            rows = [line for line in rows if line["first_week"] <= week <= line["last_week"]]
            assert orderable(rows, int(quantity.replace(",", "")))
            assert week >= "2027-W05" or row["variety"] == "B"


def test_what_is_in_a_place_that_is_shut_is_the_cause_and_comes_later():
    """By hand: plants of week 5 are in the house up to week 8; it opens in week 9, so four weeks help but not two."""
    places = [HOUSE | {"first_week": "2027-W09"}, PLACES[1]]
    orders = [("A", "2027-W05", 600), ("B", "2027-W10", 300)]
    space = crowded(sure(places=places, price_list=[offer("A", minimum=600), offer("B")], targets=wants(A=600)), orders)
    assert space.causes("house")[["variety", "area", "without"]].to_numpy().tolist() == [["A", 6, 0], ["B", 0, 1]]
    assert space.remedies("house").table().iloc[0, :3].tolist() == ["A", "delay", "2027-W09 600"]


def test_spacing_out_and_losses_change_the_area_week_by_week_as_by_hand():
    """100 plants: of them 64 live through two weeks at 200 to the m², then 64 stand three weeks at 40, three at 10.

    Losses fall evenly, so after one week of the first two 80 are left; in the last three weeks none dies.
    """
    rows = [
        stage(typical=2, survival=0.64, plants_per_m2=200),
        stage("growing on", typical=3, survival=1, plants_per_m2=40),
        stage("spacing out", typical=3, survival=1, plants_per_m2=10),
    ]
    plan = season(rows, targets=[{"variety": "A", "week": "2027-W11", "target": 64}])
    told = area(plan, [("A", "2027-W03", 100)])
    by_hand = [0, 0, 100 / 200, 80 / 200, *[64 / 40] * 3, *[64 / 10] * 3, 0, 0]
    assert told[:12].tolist() == pytest.approx(by_hand)


def test_two_side_benches_and_three_in_the_middle_make_half_of_a_house_usable():
    """University of Arkansas, greenhouse management online, unit 2 section 5: 1,140 of 2,280 square feet, 50 %."""
    house = {"place": "house", "area": 38 * 60 * SQUARE_FOOT, "usable": 0.5}
    plan = season([stage(typical=4, survival=1, plants_per_m2=1 / SQUARE_FOOT)], places=[house])
    benches = 2 * (2 * 60) + 3 * (6 * 50)
    assert (benches, benches / (38 * 60)) == (1140, 0.5)
    assert plan.bench("house", plan.first_week) == pytest.approx(1140 * SQUARE_FOOT)
    overruns = [crowded(plan, [("A", "2027-W02", pots)]).overruns["house"] for pots in (1139, 1141)]
    assert overruns == [0, 1]  # one pot to the square foot


@pytest.mark.parametrize(
    ("inches", "diagonal", "occupied", "published"),
    [(6, False, 36, 400), (6, True, 31, 462), (10, False, 100, 144), (14, True, 170, 85)],
)
def test_a_hundred_square_feet_hold_the_published_pots(inches, diagonal, occupied, published):
    """Grower 101: Calculations Part IV: Spacing Containers, Greenhouse Product News: square inches a pot, and pots.

    Printed pots are rounded, so up to half a pot may stick out; the 31 square inches are not printed.
    """
    square_inches = inches**2 * (np.sqrt(0.75) if diagonal else 1)
    pots = 14_400 / square_inches
    assert (round(square_inches), round(pots)) == (occupied, published)
    house = {"place": "house", "area": 100 * SQUARE_FOOT, "usable": 1}
    plan = season([stage(typical=4, survival=1, plants_per_m2=pots / (100 * SQUARE_FOOT))], places=[house])
    overruns = [crowded(plan, [("A", "2027-W02", int(pots + 1e-9) + more)]).overruns["house"] for more in (0, 1)]
    assert overruns == [0, 1]
    taken = area(plan, [("A", "2027-W02", published)]).max() / SQUARE_FOOT
    assert taken == pytest.approx(100, abs=square_inches / 144 / 2)


def test_a_thousand_poinsettias_need_five_times_the_bench_two_weeks_after_potting():
    """Texas poinsettia guide: pot to pot (0.25 square feet) on 1 September, 14-inch centres (1.36) on 14 September."""
    rows = [
        stage("growing on", typical=2, survival=1, plants_per_m2=1 / (0.25 * SQUARE_FOOT)),
        stage("spacing out", typical=11, survival=1, plants_per_m2=144 / 14**2 / SQUARE_FOOT),
    ]
    plan = season(rows, weeks=52)
    potted, spaced = (str(forecast.Week.of(pd.Timestamp(2027, 9, day).date())) for day in (1, 14))
    taken = area(plan, [("A", potted, 1000)]) / SQUARE_FOOT
    assert (potted, spaced) == ("2027-W35", "2027-W37")
    assert taken["2027-W34":"2027-W38"].tolist() == pytest.approx([0, 250, 250, 1361.1, 1361.1], abs=0.05)
    assert round(taken[spaced] / taken[potted], 1) == 5.4


def test_ten_thousand_geraniums_take_6600_square_foot_weeks():
    """Brumfield and Mafoua, Rutgers: Geraniums, 4-inch pots: 10,000 started, 0.11 square feet a unit, 6 weeks."""
    rows = [stage("growing on", typical=6, survival=1, plants_per_m2=1 / (0.11 * SQUARE_FOOT))]
    plan = season(rows, targets=[{"variety": "A", "week": "2027-W11", "target": 10_000}])
    weekly = area(plan, [("A", "2027-W05", 10_000)]) / SQUARE_FOOT
    assert weekly.sum() == pytest.approx(6600)
    assert [week for week, taken in weekly.items() if taken > 0] == [f"2027-W{w:02d}" for w in range(5, 11)]


def test_weeks_of_bench_do_not_depend_on_when_a_batch_comes():
    """Area times weeks of a batch that dies and differs, over a season that holds all of it."""
    plan = season(UNSURE, places=PLACES, saleable_weeks=2)
    sums = [area(plan, [("A", f"2027-W{w:02d}", 500)], draws=256).sum() for w in (2, 7, 12)]
    assert all(first == pytest.approx(second) for first, second in itertools.pairwise(sums))


def test_the_twelve_largest_batches_of_the_fullest_week_are_named_the_most_helpful_first():
    """14, 24 to 144 plants are 1,106 where 1,000 have room: without any of the four largest the others fit."""
    plants = {name: 14 + 10 * at for at, name in enumerate("ABCDEFGHIJKLMN")}
    orders = [(name, "2027-W05", number) for name, number in plants.items()]
    found = crowded(sure("ABCDEFGHIJKLMN"), orders).causes("house")
    largest = dict(sorted(plants.items(), key=lambda one: -one[1])[:12])
    assert found["variety"].tolist() == list(largest)
    assert found["quantity"].tolist() == list(largest.values())
    assert found["area"].tolist() == [1.4, 1.3, 1.2, 1.1, 1.0, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3]
    assert found["without"].tolist() == [0] * 4 + [1] * 8
    assert (found["overrun"] == 1).all()
    assert (found["lab"] == "").all()
    assert found.index.tolist() == list(range(12))


def test_of_weeks_that_overrun_alike_the_fullest_is_looked_at():
    """By hand: 600 and 500 in week 7, and 300 more in week 8: both are too many."""
    found = crowded(sure("ABC"), [*ORDERS, ("C", "2027-W08", 300)]).causes("house")
    assert found.set_index("variety")["area"].to_dict() == {"A": 6, "B": 5, "C": 3}


def test_chances_of_causes_and_remedies_are_reported_to_four_figures(several):
    plan, orders = several
    asked = [{"variety": name, "week": "2027-W17", "target": number} for name, number in (("A", 480), ("B", 210))]
    plan = plan.replace(places=[HOUSE | {"area": 11}, PLACES[1]], targets=asked)
    space = crowded(plan, orders, draws=96)
    causes, remedies = space.causes("house"), space.remedies("house", most=0.01)
    assert remedies.overrun == causes["overrun"][0] == round(space.overruns["house"], 4)
    for column in (causes["without"], *(remedies.table()[name] for name in ("overrun", "chance_before", "chance"))):
        assert (column == column.round(4)).all()
        assert (column != column.round(3)).any()
    assert (causes["area"] == causes["area"].round(1)).all()


def test_what_a_remedy_leaves_is_what_a_plan_with_it_gives(several):
    """Of every delivery of A that is changed, the plan is simulated with the deliveries named in its place."""
    plan, orders = several
    asked = [{"variety": "A", "week": "2027-W17", "target": 480}]
    plan = plan.replace(places=[HOUSE | {"area": 11}, PLACES[1]], targets=asked)
    table = crowded(plan, orders, draws=96).remedies("house", most=0.01).table()
    before = forecast.simulate(plan, orders, draws=96, seed=1).targets("A")["chance"].min()
    found = table[(table["variety"] == "A") & (table["remedy"] != "cut")].to_dict("records")
    assert len(found) > 2
    for row in found:
        named = [(week, int(number)) for week, number in re.findall(r"(2027-W\d\d) (\d+)", row["deliveries"])]
        (changed,) = (one for one in orders if one[2] == sum(number for _, number in named))
        parts = [(*("A", week, number), *changed[3:]) for week, number in named]
        outcome = forecast.simulate(plan, [*(one for one in orders if one != changed), *parts], draws=96, seed=1)
        told = (row["overrun"], row["chance_before"], row["chance"])
        right = forecast.bench_space(outcome).overruns["house"], before, outcome.targets("A")["chance"].min()
        assert told == pytest.approx(right, abs=6e-5)  # rounded to four places


def test_no_more_than_three_batches_are_changed():
    orders = [(name, "2027-W05", 300) for name in "ABCDE"]
    table = crowded(sure("ABCDE"), orders).remedies("house").table()
    assert set(table["variety"]) == {"A", "B", "C"}
    assert set(table["remedy"]) == {"split", "delay", "cut"}


@pytest.mark.parametrize(
    ("others", "left"),
    [(450, "2027-W05 540"), (500, "2027-W05 480"), (550, "2027-W05 420"), (650, "2027-W05 300"), (900, "none")],
)
def test_the_mildest_cut_that_makes_room_is_named(others, left):
    """A tenth, a fifth, three tenths, half or all of 600 is dropped, to leave room for the others among 1,000."""
    table = crowded(sure(targets=wants(B=others)), [("A", "2027-W05", 600), ("B", "2027-W05", others)]).remedies(
        "house"
    )
    row = table.table().set_index(["variety", "remedy"]).loc[("A", "cut")]
    assert row.tolist() == [left, 0, 1, 1]  # none of A is wanted, so nothing of it is missing


@pytest.mark.parametrize(
    ("typical", "first", "last", "remedy", "week"),
    [
        (2, "2027-W01", "2027-W26", "delay", "2027-W12"),
        (2, "2027-W01", "2027-W11", "bring forward", "2027-W08"),
        (4, "2027-W01", "2027-W26", "delay", "2027-W14"),
        (4, "2027-W01", "2027-W13", "bring forward", "2027-W06"),
        (6, "2027-W01", "2027-W26", "delay", "2027-W16"),
        (6, "2027-W01", "2027-W15", "bring forward", "2027-W04"),
    ],
)
def test_a_delivery_is_moved_as_few_weeks_as_make_room_later_before_earlier(typical, first, last, remedy, week):
    """Two deliveries of one week stand as long as the stage takes, and fit only one after the other."""
    rows = [stage(typical=typical, survival=1), SURE[1]]
    offers = [offer("A", minimum=600, first_week=first, last_week=last), offer("B")]
    plan = season(rows, varieties="AB", places=PLACES, price_list=offers, targets=wants(A=600, B=500))
    table = crowded(plan, [("A", "2027-W10", 600), ("B", "2027-W10", 500)]).remedies("house").table()
    own = table[(table["variety"] == "A") & (table["remedy"] != "cut")]
    assert own.to_numpy().tolist() == [["A", remedy, f"{week} 600", 0, 1, 1]]


@pytest.mark.parametrize(
    ("here", "other", "remedy", "there"),
    [("2027-W03", "2027-W05", "bring forward", "2027-W01"), ("2027-W38", "2027-W36", "delay", "2027-W40")],
)
def test_what_no_lab_offers_is_moved_within_the_season_and_split_in_halves(here, other, remedy, there):
    """By hand: 1,201 and 500 plants overlap by two weeks among 1,500; the season lasts from week 1 to week 40."""
    plan = sure(price_list=[], places=[HOUSE | {"area": 15}, PLACES[1]])
    table = crowded(plan, [("A", here, 1201), ("B", other, 500)]).remedies("house").table()
    own = table[table["variety"] == "A"].set_index("remedy")["deliveries"]
    assert own[remedy] == f"{there} 1,201"
    weeks = sorted(week for row in own for week in re.findall(r"2027-W\d\d", row))
    assert weeks[0] >= "2027-W01"
    assert weeks[-1] <= "2027-W40"
    assert len(re.findall(r" 600\b", own["split"])) == 2


@pytest.mark.parametrize(("lab", "left"), [("Lab", 500), (None, 480)])
def test_a_cut_is_what_its_own_lab_sells_or_if_none_is_named_any(lab, left):
    """A fifth less of 600 is 480; one lab sells hundreds, so 500, the other eighties."""
    offers = [offer("A", multiple=100), offer("A", lab="Other lab", multiple=80), offer("B")]
    orders = [("A", "2027-W05", 600, *([lab] if lab else [])), ("B", "2027-W05", 500)]
    table = crowded(sure(price_list=offers), orders).remedies("house").table()
    rows = table.set_index(["variety", "remedy"])["deliveries"]
    assert rows["A", "cut"] == f"2027-W05 {left}"


def test_a_place_that_may_overrun_as_often_as_it_does_needs_no_remedy():
    space = crowded(sure(), ORDERS)
    assert len(space.remedies("house", most=1).table()) == 0
    assert len(space.remedies("house", most=0).table()) == 6


@pytest.mark.parametrize(
    ("before", "after", "target", "helps"),
    [
        (0.6, 0.1, 0.9, True),
        (0.6, 0.59, 0.9, True),
        (0.6, 0.6, 0.9, False),
        (0.6, 0.1, 0.88, True),
        (0.6, 0.1, 0.87, False),
    ],
)
def test_a_remedy_helps_if_it_makes_room_and_costs_no_more_than_two_points(before, after, target, helps):
    table = pd.DataFrame([("A", "delay", "2027-W09 600", after, 0.9, target)], columns=COLUMNS)
    remedies = Remedies("house", before, 0.1, table)
    assert remedies.helps == helps
    assert remedies.best["deliveries"] == "2027-W09 600"
    assert (remedies.place, remedies.facts()) == ("house", {"place": "house"})


def test_plants_that_fill_a_bench_to_the_last_corner_fit_and_one_in_a_place_that_is_shut_does_not():
    sure_of, none = np.array([[0.0]]), np.array([[0.0]])
    for expected, bench, over in [(10.0, 10.0, 0), (10.0 + 5e-7, 10.0, 0), (10.01, 10.0, 1), (0.01, 0.0, 1), (0, 0, 0)]:
        assert overrun(np.array([[expected]]), sure_of, np.array([[float(bench)]])) == over
    assert overrun(none, np.array([[1.0]]), none) == 0  # nothing is expected, whatever it may vary by
    assert overrun(np.array([[9.0]]), np.array([[2.0]]), np.array([[10.0]])) == pytest.approx(0.308538, abs=1e-6)
    assert overrun(np.array([[1.0]]), np.array([[2.0]]), none) == pytest.approx(1 - np.exp(-0.25))
