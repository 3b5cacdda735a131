"""What can be asked of an outcome, by hand, and the forms in which orders are given."""

import re

import numpy as np
import pandas as pd
import pytest
from labelled import area_by_place, plants_by_state, saleable_by_week
from refusals import refused
from scipy.stats import betabinom, binom
from small_seasons import TWO_PLACES, beta_spread, offer, season, stage

import forecast
from forecast import Refused
from forecast.growth.draws import met, met_chances
from forecast.growth.summaries import as_targets, by_week, ranges
from forecast.ordering.baselines import simple_orders
from forecast.resources.overruns import area_of
from forecast.season.orders import Delivery

A, B, PLANTS, DRAWS = 8.0, 2.0, 60, 4096


def lossy():
    plan = season([stage("arrival", **beta_spread(A, B))], varieties=("A", "B"))
    return forecast.simulate(plan, [("A", "2027-W05", PLANTS)], draws=DRAWS, seed=1)


@pytest.mark.parametrize("q", [0.02, 0.1, 0.5, 0.8, 0.99])
def test_quantiles_of_plants_that_share_a_batch_are_those_of_a_beta_binomial(q):
    """Within five Monte Carlo errors, as a chance."""
    law, error = betabinom(PLANTS, A, B), 5 * (q * (1 - q) / DRAWS) ** 0.5
    found = int(lossy().quantile("A", week="2027-W10", q=q))
    assert law.cdf(found) >= q - error
    assert law.cdf(found - 1) <= q + error


def test_quantiles_rise_and_end_at_the_fewest_and_the_most():
    outcome = lossy()
    counts = saleable_by_week(outcome).sel(variety="A", week="2027-W10").values
    found = outcome.quantile("A", week="2027-W10", q=[[0, 0.3], [0.6, 1]])
    assert found.shape == (2, 2)
    assert (np.diff(found.ravel()) > 0).all()
    assert (found[0, 0], found[1, 1]) == (counts.min(), counts.max())
    assert (counts <= found[0, 1]).mean() >= 0.3 > (counts < found[0, 1]).mean()


def test_quantiles_before_delivery_and_of_what_is_not_ordered_are_none():
    outcome = lossy()
    assert outcome.quantile("A", week="2027-W04").tolist() == [0, 0, 0]
    assert outcome.quantile("B", week="2027-W10").tolist() == [0, 0, 0]


@pytest.mark.parametrize("q", [1.01, -0.1, float("nan"), "half", None])
def test_what_is_no_probability_is_refused(q):
    with pytest.raises(Refused, match=r"q.*: not a probability\. Give numbers from 0 to 1\."):
        lossy().quantile("A", week="2027-W10", q=q)


RANGE = ("p5", "median", "p95")
ROUTE = [
    stage(typical=4, survival=0.64, plants_per_m2=100),
    stage("growing on", typical=6, survival=1, plants_per_m2=50, place="yard"),
]
SURE = [stage(typical=4, survival=1, plants_per_m2=100)]


def wants(*rows):
    return [{"variety": variety, "week": week, "target": number} for variety, week, number in rows]


def sure(orders, *target, varieties=("A", "B"), saleable_weeks=None, draws=8):
    """Forecast plants of which none is lost, each saleable after four weeks."""
    plan = season(SURE, varieties=varieties, targets=wants(*target), saleable_weeks=saleable_weeks)
    return forecast.simulate(plan, orders, draws=draws, seed=1)


def test_where_plants_are_in_every_week_by_hand():
    """Two hundred come in W05; 0.64 live through four weeks, half of the way their root; then six weeks more."""
    plan = season(ROUTE, places=TWO_PLACES, saleable_weeks=3)
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


def test_what_comes_of_each_target_by_hand():
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
    before, after = outcome.on_hand("A")
    assert before[[18, 19, 20, 21, 22], 0].tolist() == [100, 100, 40, 40, 0]
    assert after[[18, 19, 20, 21, 22], 0].tolist() == [100, 40, 40, 0, 0]


def test_a_chance_is_rounded_to_four_places():
    """Of 5,000 plants 4 in 5 live: at least 4,020 do with the binomial chance of that."""
    plan = season([stage(survival=0.8)], targets=wants(("A", "2027-W10", 4020)))
    outcome = forecast.simulate(plan, [("A", "2027-W05", 5000)], draws=64, seed=1)
    exact = binom.sf(4019, 5000, 0.8)
    (row,) = outcome.targets().to_dict("records")
    assert row["chance"] == round(exact, 4) != exact
    assert outcome.chance_of_all() == pytest.approx(exact, abs=1e-9)


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


def test_where_nothing_is_needed_or_ordered_there_is_nothing_to_report():
    outcome = sure([("A", "2027-W05", 100)], ("B", "2027-W20", 60))
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


OUTSIDE = "outside the season. Give a week from 2027-W01 to 2027-W40."
UNKNOWN = "this season has no such variety. Known names: A, B."
NUMBER = "not usable. Give a whole number from 0 to 1,000,000,000,000."


@pytest.mark.parametrize(
    ("variety", "week", "at_least", "message"),
    [
        ("A", "2026-W53", 1, f"week, '2026-W53': {OUTSIDE}"),
        ("A", "2027-W41", 1, f"week, '2027-W41': {OUTSIDE}"),
        ("C", "2027-W10", 1, f"variety, 'C': {UNKNOWN}"),
        ("A", "2027-W10", -1, f"at_least, '-1': {NUMBER}"),
        ("A", "2027-W10", 10**12 + 1, f"at_least, '1000000000001': {NUMBER}"),
    ],
)
def test_a_chance_of_what_cannot_be_is_refused(variety, week, at_least, message):
    assert refused(lambda: sure([("A", "2027-W05", 100)]).chance(variety, week=week, at_least=at_least)) == message


EMPTY = (
    "orders: there are no orders to simulate. Give rows of variety, week and quantity, or the orders of plan_orders("
)
NO_ORDER = "not an order. Give variety, week of delivery and quantity."


@pytest.mark.parametrize(
    ("orders", "message"),
    [
        ([], f"{EMPTY}season)."),
        (pd.DataFrame(columns=["variety", "week", "quantity"]), f"{EMPTY}season)."),
        ([("A", "2027-W05", 5), "A,2027-W05,5"], f"orders, row 3, column orders, 'A,2027-W05,5': {NO_ORDER}"),
        ([("A", "2027-W05")], f"orders, row 2, column orders, ('A', '2027-W05'): {NO_ORDER}"),
        ([(*"ABCDE",)], f"orders, row 2, column orders, ('A', 'B', 'C', 'D', 'E'): {NO_ORDER}"),
        ([("A", "2027-W05", 5), ("Z", "2027-W05", 5)], f"orders, row 3, column variety, 'Z': {UNKNOWN}"),
        (
            [("A", "2026-W53", 5), ("A", "2027-W01", 5), ("A", "2027-W40", 5), ("A", "2027-W41", 5)],
            f"orders, row 2, column week, '2026-W53': {OUTSIDE}\norders, row 5, column week, '2027-W41': {OUTSIDE}",
        ),
    ],
)
def test_orders_that_cannot_be_used_are_refused_with_their_rows_all_at_once(orders, message):
    assert refused(lambda: sure(orders)) == message


def test_a_negative_quantity_is_refused():
    with pytest.raises(Refused, match="row 3, column quantity"):
        sure([("A", "2027-W05", 5), ("A", "2027-W05", -5)])


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


def test_in_blocks_all_is_reported_the_same_and_what_is_done_is_said():
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


TWO = season(
    [stage(typical=4, survival=0.8, survival_sd=0.1)],
    varieties=("A", "B"),
    targets=[{"variety": "A", "week": "2027-W20", "target": 40}],
)
GIVEN = [("A", "2027-W05", 50, "Lab"), ("B", "2027-W06", 30, "Lab")]
CELLS = [dict(zip(("variety", "week", "quantity", "lab"), row, strict=True)) for row in GIVEN]


def batches_of(orders):
    outcome = forecast.simulate(TWO, orders, draws=16, seed=1)
    return [(batch.variety, str(batch.week), batch.quantity, batch.lab) for batch in outcome.batches]


@pytest.mark.parametrize(
    "orders",
    [
        GIVEN,
        [list(row) for row in GIVEN],
        CELLS,
        [Delivery(**row) for row in CELLS],
        pd.DataFrame(CELLS),
        pd.DataFrame([row | {"remark": "by boat", "price": 3.5} for row in CELLS]),
        iter(GIVEN),
    ],
    ids=["tuples", "lists", "dicts", "deliveries", "frame", "frame with more", "iterator"],
)
def test_every_form_gives_the_same_batches(orders):
    assert batches_of(orders) == GIVEN


def test_an_empty_cell_of_a_frame_is_a_lab_that_is_not_said():
    frame = pd.DataFrame([CELLS[0], {key: cell for key, cell in CELLS[1].items() if key != "lab"}])
    assert batches_of(frame) == [GIVEN[0], (*GIVEN[1][:3], None)]
    assert batches_of([row[:3] for row in GIVEN]) == [(*row[:3], None) for row in GIVEN]


def test_an_order_that_was_sized_is_one_and_so_is_a_list_of_it():
    order = forecast.size_order(TWO, "A", draws=16, seed=1)
    expected = [("A", str(order.week), order.quantity, "Lab")]
    assert batches_of(order) == batches_of([order]) == expected


def test_a_frame_without_its_columns_is_refused():
    with pytest.raises(Refused, match=re.escape("quantity")):
        forecast.simulate(TWO, pd.DataFrame(CELLS).drop(columns="quantity"), draws=16, seed=1)


def test_orders_of_one_lab_and_week_are_delivered_together_and_others_apart():
    rows = [
        ("A", "2027-W05", 50, "Lab"),
        ("A", "2027-W05", 30, "Lab"),
        ("A", "2027-W05", 7),
        ("A", "2027-W06", 9, "Lab"),
    ]
    assert batches_of(rows) == [
        ("A", "2027-W05", 7, None),
        ("A", "2027-W05", 80, "Lab"),
        ("A", "2027-W06", 9, "Lab"),
    ]


@pytest.mark.parametrize("nursery", ["part", "old_demo"])
def test_chances_of_targets_worked_out_alone_are_those_of_the_table(nursery, request):
    plan = request.getfixturevalue(nursery)
    found = forecast.simulate(plan, simple_orders(plan, draws=64, seed=1), draws=64, seed=1)
    table = found.targets()
    for name in plan.targeted:
        assert met_chances(found.drawn, name) == table.loc[table["variety"] == name, "chance"].tolist()
