"""What is told of an outcome, to the last cell and word, where all of it can be reckoned by hand."""

import math

import numpy as np
import pandas as pd
import pytest
from labelled import area_by_place, plants_by_state
from scipy.stats import binom
from small_seasons import offer, season, stage

import forecast
from forecast import Refused
from forecast.growth.draws import met
from forecast.growth.fate import Batch
from forecast.growth.summaries import as_targets, by_week, ranges
from forecast.resources.overruns import area_of

RANGE = ("p5", "median", "p95")
ROUTE = [
    stage(typical=4, survival=0.64, plants_per_m2=100),
    stage("growing on", typical=6, survival=1, plants_per_m2=50, place="yard"),
]
PLACES = [{"place": name, "area": 100, "usable": 1} for name in ("yard", "house")]
SURE = [stage(typical=4, survival=1, plants_per_m2=100)]


def wants(*rows):
    return [{"variety": variety, "week": week, "target": number} for variety, week, number in rows]


def sure(orders, *target, varieties=("A", "B"), saleable_weeks=None, draws=8):
    """Forecast plants of which none is lost, each saleable after four weeks."""
    plan = season(SURE, varieties=varieties, targets=wants(*target), saleable_weeks=saleable_weeks)
    return forecast.simulate(plan, orders, draws=draws, seed=1)


def test_a_batch_of_which_no_lab_is_told_has_none():
    batch = Batch("A", 1, forecast.Week.parse("2027-W05"), 10)
    assert batch.lab is None


def test_where_plants_are_in_every_week_by_hand():
    """Two hundred come in W05; 0.64 live through four weeks, half of the way their root; then six weeks more."""
    plan = season(ROUTE, places=PLACES, saleable_weeks=3)
    states = plants_by_state(forecast.simulate(plan, [("A", "2027-W05", 200)], draws=4, seed=1), "A")
    assert states.dims == ("state", "week", "draw")
    assert states["state"].values.tolist() == ["acclimatisation", "growing on", "saleable", "past its best", "lost"]
    assert states["week"].values.tolist() == [f"2027-W{k:02}" for k in range(1, 41)]
    assert states.shape == (5, 40, 4)
    for week, right in (
        ("2027-W04", [0, 0, 0, 0, 0]),
        ("2027-W05", [200, 0, 0, 0, 0]),
        ("2027-W07", [160, 0, 0, 0, 40]),
        ("2027-W09", [0, 128, 0, 0, 72]),
        ("2027-W14", [0, 128, 0, 0, 72]),
        ("2027-W15", [0, 0, 128, 0, 72]),
        ("2027-W17", [0, 0, 128, 0, 72]),
        ("2027-W18", [0, 0, 0, 128, 72]),
        ("2027-W40", [0, 0, 0, 128, 72]),
    ):
        assert states.sel(week=week).values == pytest.approx(np.array(right)[:, None] + np.zeros((1, 4)))


def test_the_area_of_a_batch_is_that_of_a_multinomial_number_of_plants():
    """Variance N (sum p a^2 - (sum p a)^2) of N plants, a share p of which stands on a square metres each."""
    plan = season(ROUTE, places=PLACES)
    outcome = forecast.simulate(plan, [("A", "2027-W05", 200)], draws=4, seed=1)
    area = area_by_place(outcome)
    assert list(area.data_vars) == ["expected", "deviation"]
    assert area["expected"].dims == area["deviation"].dims == ("place", "week", "draw")
    assert area["place"].values.tolist() == ["yard", "house"]
    assert area["week"].values.tolist()[::39] == ["2027-W01", "2027-W40"]
    for week, place, share, each in (
        ("2027-W04", "house", 0, 0.01),
        ("2027-W05", "house", 1, 0.01),
        ("2027-W07", "house", 0.8, 0.01),
        ("2027-W07", "yard", 0, 0.02),
        ("2027-W12", "yard", 0.64, 0.02),
        ("2027-W30", "yard", 0.64, 0.02),
    ):
        cell = area.sel(place=place, week=week)
        deviation = math.sqrt(200 * share * (1 - share)) * each
        assert cell["expected"].values == pytest.approx([200 * share * each] * 4, abs=1e-9)
        assert cell["deviation"].values == pytest.approx([deviation] * 4, abs=1e-5)
    expected, variance = area_of(outcome, outcome.batches[0])["yard"]
    assert expected == pytest.approx(area["expected"].sel(place="yard").values)
    assert variance == pytest.approx(area["deviation"].sel(place="yard").values ** 2)


def test_what_is_sold_leaves_its_place_in_that_week_and_batches_share_it_in_proportion():
    outcome = sure([("A", "2027-W05", 60), ("A", "2027-W06", 40)], ("A", "2027-W12", 50), saleable_weeks=20)
    area = area_by_place(outcome)["expected"].sel(place="house").values[:, 0]
    assert area[[3, 4, 5, 10, 11, 27, 28, 30]] == pytest.approx([0, 0.6, 1, 1, 0.5, 0.5, 0.4, 0])
    first, second = (area_of(outcome, batch)["house"][0][11, 0] for batch in outcome.batches)
    assert (first, second) == pytest.approx((0.3, 0.2))
    stands = forecast.bench_space(outcome).plants("2027-W12").to_dict("records")
    assert [(row["stage"], row["median"], row["area_m2"]) for row in stands] == [("saleable", 50, 0.5)]


def test_what_stands_where_is_told_by_place_and_variety_in_the_order_of_the_route():
    """Of A 300 are growing on, 75 came this week; of B 12.6 are saleable, which is 13, on 13 / 50 square metres."""
    rows = [
        stage(typical=4, survival=1, plants_per_m2=70),
        stage("growing on", typical=6, survival=1, plants_per_m2=70),
        stage("grading", survival=0.9, plants_per_m2=50, place="yard"),
    ]
    plan = season(rows, varieties=("B", "A"), places=PLACES)
    orders = [("A", "2027-W05", 300), ("A", "2027-W11", 75), ("B", "2027-W01", 14), ("B", "2027-W07", 10)]
    table = forecast.bench_space(forecast.simulate(plan, orders, draws=4, seed=1)).plants("2027-W11")
    right = pd.DataFrame(
        [
            ("house", "A", "acclimatisation", 75, 75, 75, 1.07),
            ("house", "A", "growing on", 300, 300, 300, 4.29),
            ("house", "B", "growing on", 10, 10, 10, 0.14),
            ("yard", "B", "saleable", 13, 13, 13, 0.26),
        ],
        columns=["place", "variety", "stage", *RANGE, "area_m2"],
    )
    pd.testing.assert_frame_equal(table, right)


def test_a_single_plant_stands_somewhere_too():
    (row,) = forecast.bench_space(sure([("A", "2027-W05", 1)])).plants("2027-W05").to_dict("records")
    assert (row["stage"], row["median"], row["area_m2"]) == ("acclimatisation", 1, 0.01)


def test_places_hold_the_range_of_what_is_expected():
    rows = [stage("arrival", survival=0.7, survival_sd=0.1), stage(typical=4, survival=1)]
    outcome = forecast.simulate(season(rows), [("A", "2027-W05", 1000)], draws=512, seed=1)
    (row,) = forecast.bench_space(outcome).plants("2027-W05").to_dict("records")
    plants = plants_by_state(outcome, "A").sel(state="acclimatisation", week="2027-W05").values
    found = [row[name] for name in RANGE]
    assert found == np.rint(np.quantile(plants, (0.05, 0.5, 0.95))).tolist()
    assert found[0] < found[1] < found[2]


def test_the_saleable_by_variety_week_and_draw():
    outcome = sure([("B", "2027-W05", 7), ("A", "2027-W10", 5)], varieties=("A", "B", "C"))
    assert outcome.varieties == ("A", "B")
    counts = [outcome.saleable(name) for name in "AB"]
    assert counts[0].dtype == np.int32
    assert [one.shape for one in counts] == [(40, 8)] * 2
    for at, numbers in ((7, [0, 0]), (8, [0, 7]), (13, [5, 7])):
        assert [one[at].tolist() for one in counts] == [[number] * 8 for number in numbers]
    with pytest.raises(ValueError, match="read-only"):
        outcome.ready("A")[0, 0] = 1
    assert outcome.begun is False
    assert (outcome.seed, outcome.draws) == (1, 8)


def test_the_table_has_a_row_for_each_variety_and_week():
    outcome = sure([("B", "2027-W05", 7), ("A", "2027-W10", 5)], ("A", "2027-W20", 3))
    weeks = [f"2027-W{k:02}" for k in range(1, 41)]
    for sold in (False, True):
        counts = [0] * 13 + [5] * 27, [0] * 8 + [7] * 32
        if sold:  # before the sale of W20 all are there
            counts = [0] * 13 + [5] * 7 + [2] * 20, counts[1]
        right = pd.DataFrame({"variety": ["A"] * 40 + ["B"] * 40, "week": weeks * 2})
        right = right.assign(**{name: [*counts[0], *counts[1]] for name in RANGE})
        pd.testing.assert_frame_equal(outcome.table(sold=sold).astype(right.dtypes), right)
        assert outcome.table("B", sold=sold)["median"].tolist() == counts[1]
    assert (outcome.table().dtypes[list(RANGE)] == np.int64).all()
    with pytest.raises(Refused, match="no such variety"):
        outcome.table("C")


def test_what_comes_of_all_that_is_wanted_in_cells_and_words():
    outcome = sure(
        [("A", "2027-W05", 100), ("B", "2027-W05", 30)],
        ("A", "2027-W20", 60), ("A", "2027-W22", 50), ("B", "2027-W09", 30),
    )  # fmt: skip
    right = pd.DataFrame(
        [
            ("A", "2027-W20", 60, 100, 100, 100, 1.0),
            ("A", "2027-W22", 50, 40, 40, 40, 0.0),
            ("B", "2027-W09", 30, 30, 30, 30, 1.0),
        ],
        columns=["variety", "week", "target", *RANGE, "chance"],
    )
    pd.testing.assert_frame_equal(outcome.targets(), right)
    pd.testing.assert_frame_equal(outcome.targets("B"), right[2:].reset_index(drop=True))
    assert outcome.chance_of_all() == 0
    assert str(outcome) == (
        "A: about 100 saleable in 2027-W20 (100 to 100); the 60 wanted in every season.\n"
        "A: about 40 saleable in 2027-W22 (40 to 40); the 50 wanted in no season in 100.\n"
        "B: about 30 saleable in 2027-W09 (30 to 30); the 30 wanted in every season."
    )
    before, after = outcome.on_hand("A")
    assert before[[18, 19, 20, 21, 22], 0].tolist() == [100, 100, 40, 40, 0]
    assert after[[18, 19, 20, 21, 22], 0].tolist() == [100, 40, 40, 0, 0]


def test_a_chance_is_told_to_four_places_and_in_seasons():
    """Of 5,000 plants 4 in 5 live: at least 4,020 do with the binomial chance of that."""
    plan = season([stage(survival=0.8)], targets=wants(("A", "2027-W10", 4020)))
    outcome = forecast.simulate(plan, [("A", "2027-W05", 5000)], draws=64, seed=1)
    exact = binom.sf(4019, 5000, 0.8)
    (row,) = outcome.targets().to_dict("records")
    assert row["chance"] == round(exact, 4) != exact
    assert outcome.chance_of_all() == pytest.approx(exact, abs=1e-9)
    said = f"; the 4,020 wanted in about {round(100 * exact)} seasons in 100."
    assert str(outcome).endswith(said)


def test_of_several_rows_all_are_met_in_the_same_histories():
    plan = season([stage(survival=0.8)], targets=wants(("A", "2027-W10", 20), ("A", "2027-W12", 19)))
    outcome = forecast.simulate(plan, [("A", "2027-W05", 50)], draws=256, seed=1)
    counts = outcome.saleable("A")[20]
    rows, log_met = met(outcome.drawn, "A")
    assert np.exp(log_met) == pytest.approx((counts >= 39).astype(float))
    assert rows[0][-1] == 1.0
    assert rows[1][-1] == round((counts >= 39).mean(), 4)
    assert outcome.chance_of_all() == (counts >= 39).mean()
    assert 0 < outcome.chance_of_all() < 1


def test_where_nothing_is_wanted_or_ordered_there_is_nothing_to_tell():
    outcome = sure([("A", "2027-W05", 100)], ("B", "2027-W20", 60))
    assert str(outcome) == "No variety with a target is ordered."
    assert outcome.targets().columns.tolist() == ["variety", "week", "target", *RANGE, "chance"]
    assert outcome.targets().empty
    rows, log_met = met(outcome.drawn, "A")
    assert rows == []
    assert log_met.tolist() == [0] * 8
    with pytest.raises(Refused, match="no such variety"):
        met(outcome.drawn, "C")
    assert outcome.chance_of_all() == 0
    assert sure([("A", "2027-W05", 100)]).chance_of_all() == 1


def test_chances_of_what_is_not_ordered_are_sure_for_nothing_and_none_for_anything():
    outcome = sure([("A", "2027-W05", 100)])
    found = outcome.chances("B", week="2027-W20", at_least=[0, 1, -1, 2, 0, 0, 0, 5])
    assert found.tolist() == [1, 0, 1, 0, 1, 1, 1, 0]
    assert found.dtype == np.float64
    assert outcome.chances("B", week="2027-W20", at_least=1).tolist() == [0] * 8
    assert outcome.quantile("B", week="2027-W20").dtype == np.int64
    assert outcome.quantile("A", week="2027-W20").tolist() == [100] * 3


def test_chances_hold_from_the_first_to_the_last_monday_of_the_season():
    outcome = sure([("A", "2027-W01", 100)], saleable_weeks=36)
    assert outcome.chance("A", week="2027-W01", at_least=0) == 1
    assert outcome.chance("A", week="2027-W04", at_least=1) == 0
    assert outcome.chance("A", week="2027-W05", at_least=100) == 1
    assert outcome.chance("A", week="2027-W40", at_least=100) == 1
    assert outcome.chance("A", week="2027-W40", at_least=10**12) == 0
    short = sure([("A", "2027-W01", 100)], saleable_weeks=35)
    assert short.chance("A", week="2027-W40", at_least=1) == 0


@pytest.mark.parametrize(
    ("ask", "told"),
    [
        (
            lambda outcome: outcome.chance("A", week="2026-W53", at_least=1),
            "week, '2026-W53': outside the season. Give a week from 2027-W01 to 2027-W40.",
        ),
        (
            lambda outcome: forecast.bench_space(outcome).plants("2027-W41"),
            "week, '2027-W41': outside the season. Give a week from 2027-W01 to 2027-W40.",
        ),
        (
            lambda outcome: outcome.chance("C", week="2027-W10", at_least=1),
            "variety, 'C': this season has no such variety. Known names: A, B.",
        ),
        (
            lambda outcome: outcome.chance("A", week="2027-W10", at_least=-1),
            "at_least, '-1': not usable. Give a whole number from 0 to 1,000,000,000,000.",
        ),
        (
            lambda outcome: outcome.chance("A", week="2027-W10", at_least=10**12 + 1),
            "at_least, '1000000000001': not usable. Give a whole number from 0 to 1,000,000,000,000.",
        ),
        (
            lambda outcome: outcome.quantile("A", week="2027-W10", q=[0.5, 1.5]),
            "q, '[0.5, 1.5]': not a probability. Give numbers from 0 to 1.",
        ),
        (
            lambda outcome: outcome.quantile("A", week="2027-W10", q="half"),
            "q, 'half': not a probability. Give numbers from 0 to 1.",
        ),
    ],
)
def test_what_cannot_be_asked_is_refused_word_for_word(ask, told):
    with pytest.raises(Refused) as refusal:
        ask(sure([("A", "2027-W05", 100)]))
    assert str(refusal.value) == told


@pytest.mark.parametrize(
    ("orders", "told"),
    [
        (
            [],
            "orders: there are no orders to simulate. "
            "Give rows of variety, week and quantity, or orders from size_orders(season, ...).",
        ),
        (
            [("A", "2027-W05", 5), "A,2027-W05,5"],
            "orders, row 2, column orders, 'A,2027-W05,5': not an order. Give variety, week of delivery and quantity.",
        ),
        (
            [("A", "2027-W05")],
            "orders, row 1, column orders, ('A', '2027-W05'): not an order. "
            "Give variety, week of delivery and quantity.",
        ),
        (
            [("A", "2027-W05", 5), ("Z", "2027-W05", 5)],
            "orders, row 2, column variety, 'Z': this season has no such variety. Known names: A, B.",
        ),
        (
            [("A", "2026-W53", 5), ("A", "2027-W01", 5), ("A", "2027-W40", 5), ("A", "2027-W41", 5)],
            "orders, row 1, column week, '2026-W53': outside the season. Give a week from 2027-W01 to 2027-W40.\n"
            "orders, row 4, column week, '2027-W41': outside the season. Give a week from 2027-W01 to 2027-W40.",
        ),
    ],
)
def test_orders_that_cannot_be_used_are_refused_word_for_word(orders, told):
    with pytest.raises(Refused) as refusal:
        sure(orders)
    assert str(refusal.value) == told


def test_a_row_of_five_cells_is_no_order():
    with pytest.raises(Refused, match="not an order"):
        sure([("A", "2027-W05", 5, "Lab", "by boat")])


def test_without_orders_those_of_the_season_are_forecast():
    rows = [{"variety": "A", "week": "2027-W05", "quantity": 9, "lab": "Lab"}]
    outcome = forecast.simulate(season(SURE, price_list=[offer("A")], orders=rows), draws=8, seed=1)
    assert [(one.variety, one.number, str(one.week), one.quantity, one.lab) for one in outcome.batches] == [
        ("A", 1, "2027-W05", 9, "Lab")
    ]


def test_batches_are_numbered_by_week_and_lab_for_each_variety():
    orders = [("B", "2027-W07", 4), ("A", "2027-W06", 3, "Nord"), ("A", "2027-W06", 2, "Lab"), ("A", "2027-W05", 1)]
    batches = sure(orders).batches
    assert [(one.variety, one.number, one.quantity) for one in batches] == [
        ("A", 1, 1), ("A", 2, 2), ("A", 3, 3), ("B", 1, 4),
    ]  # fmt: skip


def test_low_middle_and_high_are_the_smallest_numbers_not_exceeded_so_often():
    """Of twenty draws the first, tenth and nineteenth; of one, it thrice."""
    counts = np.array([np.arange(20)[::-1], 7 * np.arange(20)])
    found = ranges(counts)
    assert found.tolist() == [[0, 0], [9, 63], [18, 126]]
    assert found.dtype == np.int64
    assert ranges(np.array([[5.0]])).tolist() == [[5], [5], [5]]
    assert ranges(np.arange(21)[None, :]).ravel().tolist() == [1, 10, 19]


def test_tables_of_ranges_by_hand():
    found = [np.array([[1, 2], [3, 4], [5, 6]]), np.array([[7, 8], [9, 10], [11, 12]])]
    right = pd.DataFrame(
        [("A", "W1", 1, 3, 5), ("A", "W2", 2, 4, 6), ("B", "W1", 7, 9, 11), ("B", "W2", 8, 10, 12)],
        columns=["variety", "week", *RANGE],
    )
    pd.testing.assert_frame_equal(by_week(["A", "B"], ["W1", "W2"], found), right)
    assert as_targets([("A", "W1", 5, 1, 2, 3, 0.5)]).to_dict("records") == [
        {"variety": "A", "week": "W1", "target": 5, "p5": 1, "median": 2, "p95": 3, "chance": 0.5}
    ]


def test_in_blocks_all_is_told_the_same_and_what_is_done_is_said():
    rows = [stage(typical=4, survival=0.8, survival_sd=0.1, plants_cv=0.2)]
    target = wants(("C", "2027-W20", 10), ("A", "2027-W20", 60), ("A", "2027-W22", 20), ("B", "2027-W12", 20))
    plan = season(rows, varieties=("A", "B", "C", "D"), targets=target, saleable_weeks=9)
    orders = [("A", "2027-W05", 100), ("B", "2027-W05", 30), ("A", "2027-W11", 9), ("D", "2027-W06", 4)]
    heard = []
    whole = forecast.simulate(plan, orders, draws=32, seed=2)
    parts = forecast.simulate(plan, orders, draws=32, seed=2, block=3, progress=lambda *done: heard.append(done))
    assert heard == []
    for sold in (False, True):
        pd.testing.assert_frame_equal(parts.table(sold=sold), whole.table(sold=sold))
        pd.testing.assert_frame_equal(parts.table("A", sold=sold), whole.table("A", sold=sold))
        assert parts.table("C", sold=sold).equals(whole.table("C", sold=sold))
    assert heard == [(3, 4), (4, 4)]
    pd.testing.assert_frame_equal(parts.targets(), whole.targets())
    pd.testing.assert_frame_equal(parts.targets("A"), whole.targets("A"))
    assert parts.targets("C").equals(whole.targets("C"))
    assert parts.targets("D").empty
    assert parts.chance_of_all() == whole.chance_of_all() == 0
    assert all(np.array_equal(one, other) for one, other in zip(parts.drawn.area(), whole.drawn.area(), strict=True))
    assert area_by_place(parts).identical(area_by_place(whole))
    assert parts.batches == whole.batches
    assert parts.varieties == whole.varieties == ("A", "B", "D")
    assert np.array_equal(parts.ready("D"), whole.ready("D"))
    assert not parts.ready("C").any()
    with pytest.raises(Refused, match="no such variety"):
        parts.ready("no variety")
    batch = parts.batches[1]
    assert np.array_equal(parts.fate(batch).weeks, whole.fate(batch).weeks)
    assert parts.drawn.part("B") is parts.drawn.part("B")
    assert [row.variety for row in parts.drawn.part("D").season.varieties] == ["D"]
    assert str(parts) == str(whole)
    some = area_of(parts, batch)["house"], area_of(whole, batch)["house"]
    assert all(np.array_equal(one, other) for one, other in zip(*some, strict=True))


def test_what_is_met_by_two_varieties_is_met_in_one_and_the_same_season_in_blocks_too():
    target = wants(("A", "2027-W10", 40), ("B", "2027-W10", 25))
    plan = season([stage(survival=0.8)], varieties=("A", "B"), targets=target)
    orders = [("A", "2027-W04", 50), ("B", "2027-W04", 30)]
    exact = binom.sf(39, 50, 0.8) * binom.sf(24, 30, 0.8)
    for block in (None, 1):
        assert forecast.simulate(plan, orders, draws=8, seed=1, block=block).chance_of_all() == pytest.approx(exact)
