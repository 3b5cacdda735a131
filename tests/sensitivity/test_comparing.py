"""Two scenarios against forecasts of each, closed forms of what was changed, and draws that are not paired."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from small_seasons import MIXED, asks, beta_spread, offer, season, stage

import forecast
from forecast import Refused, compare
from forecast.season.varieties import Variety
from forecast.words import sensitivity as words

A, B = 20.0, 5.0
BETA = stats.beta(A, B)
PLANTS, PRICE, COST, WEEK = 400, 2.0, 1.2, "2027-W20"
ORDERS = [("A", "2027-W05", PLANTS), ("B", "2027-W06", 300)]
ROUTE = [
    stage("arrival", survival_level=MIXED, **beta_spread(A, B)),
    stage(typical=6, batches_cv=0.2, plants_cv=0.15, survival_level=MIXED, **beta_spread(30.0, 3.0)),
]


def plan(route=None, target=10_000, **cells):
    rows = season(
        [stage("arrival", **beta_spread(A, B))] if route is None else route,
        varieties=("A", "B"),
        price_list=[offer(name, unit_price=COST) for name in "AB"],
        targets=[asks(target, variety=name) for name in "AB"],
    )
    return rows.replace(varieties=tuple(row.replace(sale_price=PRICE) for row in rows.varieties), **cells)


def with_price(given, variety, price):
    others = [row for row in given.varieties if row.variety != variety]
    return given.replace(varieties=[given.variety(variety).replace(sale_price=price), *others])


def test_equal_seasons_do_not_differ_by_a_bit():
    one, two = plan(ROUTE, target=320), plan(ROUTE, target=320)
    found = compare(one, two, orders=iter(ORDERS), draws=256, seed=1)
    assert (found.table()[["difference", "p5", "p95"]] == 0).all(axis=None)
    assert (found.money()[["difference", "p5", "p95", "better"]] == 0).all(axis=None)
    assert (found.table()["chance"] == found.table()["other_chance"]).all()
    assert found.changes().empty
    assert str(found) == words.SAME


def test_numbers_and_differences_are_those_of_the_two_forecasts_apart():
    one = plan(ROUTE, target=250)
    two = one.with_stage("crop", "arrival", survival=0.7)
    found = compare(one, two, orders=ORDERS, draws=512, seed=1).table()
    sides = [forecast.simulate(side, ORDERS, draws=512, seed=1) for side in (one, two)]
    for row in found.to_dict("records"):
        numbers = []
        for side in sides:
            (batch,) = [each for each in side.batches if each.variety == row["variety"]]
            at = np.array([float(forecast.Week.parse(WEEK) - batch.week)])
            numbers.append(batch.quantity * side.fate(batch).saleable(at, None)[0])
        change = numbers[1] - numbers[0]
        found_ = [row["saleable"], row["other_saleable"], row["difference"], row["p5"], row["p95"]]
        exact = [*(number.mean() for number in numbers), change.mean(), *np.quantile(change, [0.05, 0.95])]
        assert found_ == pytest.approx(exact, abs=1e-8)
        chances = [side.chance(row["variety"], week=WEEK, at_least=250) for side in sides]
        assert [row["chance"], row["other_chance"]] == pytest.approx(chances, abs=1e-12)


def test_margins_are_those_of_two_cash_flows_within_the_error_of_their_plants():
    one = plan(ROUTE, target=300)
    two = one.with_stage("crop", "arrival", survival=0.7)
    found = compare(one, two, orders=ORDERS, draws=2048, seed=1).money().set_index("variety")
    flows = [forecast.cash_flow(forecast.simulate(side, ORDERS, draws=2048, seed=1)) for side in (one, two)]
    error = PRICE * np.sqrt(700 / 4) / np.sqrt(2048)
    assert found.loc["all", "margin"] == pytest.approx(flows[0].margin.mean(), abs=3 * error)
    assert found.loc["all", "other_margin"] == pytest.approx(flows[1].margin.mean(), abs=3 * error)
    by_variety = flows[1].by_variety().set_index("variety")["margin"]
    for name in "AB":
        assert found.loc[name, "other_margin"] == pytest.approx(by_variety[name], abs=3 * error)
    parts = found.drop(index="all").sum()
    names = ["margin", "other_margin", "difference"]
    assert found.loc["all", names].tolist() == pytest.approx(parts[names].tolist())


def test_pairing_makes_the_interval_narrower():
    """Than that of draws from two seeds: 5 points of survival against batches that differ by 8."""
    one = plan(ROUTE)
    two = one.with_stage("crop", "arrival", survival=0.75)
    paired = compare(one, two, orders=ORDERS, draws=1024, seed=1).money().iloc[0]
    outcomes = [forecast.simulate(side, ORDERS, draws=1024, seed=seed) for side, seed in ((one, 1), (two, 2))]
    flows = [forecast.cash_flow(outcome).margin for outcome in outcomes]
    low, high = np.quantile(flows[1] - flows[0], [0.05, 0.95])
    assert 0 < paired["p95"] - paired["p5"] < (high - low) / 5


def test_a_dearer_sale_brings_its_price_for_every_plant_sold():
    """All are sold: difference = plants x survival x change of price, draw by draw, a beta distribution."""
    one = plan()
    two = with_price(one, "A", PRICE + 0.5)
    found = compare(one, two, orders=ORDERS[:1], draws=4096, seed=1).money().set_index("variety").loc["A"]
    assert found["difference"] == pytest.approx(0.5 * PLANTS * BETA.mean(), rel=1e-3)
    assert [found["p5"], found["p95"]] == pytest.approx(0.5 * PLANTS * BETA.ppf([0.05, 0.95]), rel=2e-3)
    assert found["better"] == 1


def test_the_chance_to_be_better_is_that_of_enough_survivors():
    """Price and cost both rise: better if survival x rise of price exceeds the rise of cost: a beta tail."""
    one = plan()
    two = with_price(one, "A", PRICE + 0.5)
    two = two.replace(price_list=tuple(row.replace(unit_price=COST + 0.4) for row in two.price_list))
    found = compare(one, two, orders=ORDERS[:1], draws=4096, seed=1).money().iloc[0]
    assert found["better"] == pytest.approx(BETA.sf(0.8), abs=0.01)


def test_other_orders_differ_by_what_more_plants_earn_and_are_named():
    known = plan([stage("arrival", survival=0.75)])
    more = [("A", "2027-W05", PLANTS + 100), ("B", "2027-W09", 300)]
    found = compare(known, known, orders=ORDERS, other_orders=more, draws=64, seed=1)
    by = found.money().set_index("variety")
    assert by.loc["A", "difference"] == pytest.approx(100 * (PRICE * 0.75 - COST))
    assert by.loc["B", "difference"] == pytest.approx(0)
    rows = found.table().set_index("variety")
    assert rows["difference"].to_dict() == pytest.approx({"A": 75, "B": 0})
    assert found.changes().to_numpy().tolist() == [
        ["orders", "A, 2027-W05", "quantity", 400, 500],
        ["orders", "B, 2027-W06", "", "there", "not there"],
        ["orders", "B, 2027-W09", "", "not there", "there"],
    ]


def test_what_only_one_of_them_wants_or_has_is_empty_in_the_other():
    one = plan([stage("arrival", survival=0.5)], target=100)
    later = one.targets[0].replace(week="2027-W22", target=60)
    two = one.replace(targets=(one.targets[0], later))
    found = compare(one, two, orders=ORDERS, draws=16, seed=1).table().set_index(["variety", "week"])
    assert pd.isna(found.loc[("A", "2027-W22"), "target"])
    assert pd.isna(found.loc[("A", "2027-W22"), "chance"])
    assert found.loc[("A", "2027-W22"), "other_target"] == 60
    assert pd.isna(found.loc[("B", WEEK), "other_target"])
    assert found.loc[("A", "2027-W22"), "saleable"] == pytest.approx(100)  # 200 live, 100 are sold before
    short = compare(one, one, orders=ORDERS, other_orders=ORDERS[:1], draws=16, seed=1).table().set_index("variety")
    assert short.loc["B", ["saleable", "other_saleable", "other_chance"]].tolist() == pytest.approx([150, 0, 0])


def test_seasons_without_prices_are_compared_by_their_plants_alone():
    one = plan([stage("arrival", survival=0.5)], target=200)
    one = one.replace(varieties=tuple(Variety(variety=name, group="crop") for name in "AB"))
    two = one.with_stage("crop", "arrival", survival=0.6)
    found = compare(one, two, orders=ORDERS, draws=16, seed=1)
    assert (found.table()["difference"] > 39).sum() == 1
    assert words.SAME_MARGIN not in str(found)
    with pytest.raises(Refused, match="a target needs it"):
        found.money()


def test_two_currencies_are_not_compared():
    found = compare(plan(), plan(currency="SEK"), orders=ORDERS, draws=16, seed=1)
    remedy = r"currency, 'SEK': not the currency of the first\. The first is in EUR; state the other in it, too\."
    with pytest.raises(Refused, match=remedy):
        found.money()
    with pytest.raises(Refused, match="there are no orders to simulate"):
        compare(plan(), plan(), draws=16, seed=1)


# --- a known share of a hundred plantlets


ONE = [("A", "2027-W01", 100)]


def certain(survival=0.5, price=2.0, target=200, week="2027-W20", **cells):
    """A hundred plantlets at 1 each, of which a known share lives and is sold."""
    rows = season([stage("arrival", survival=survival)], targets=[asks(target, week)], **cells)
    return rows.replace(varieties=[rows.variety("A").replace(sale_price=price)])


def compared(one, other):
    return compare(one, other, orders=ONE, draws=16, seed=1)


@pytest.mark.parametrize(("price", "better"), [(2.015, 1), (1.985, 0), (2.00008, 0)])
def test_fifty_plants_sold_for_a_little_more_earn_more_from_a_cent_on(price, better):
    found = compared(certain(), certain(price=price))
    row = found.money().set_index("variety").loc["all"]
    assert row["difference"] == pytest.approx(50 * (price - 2))
    assert row["better"] == better
    assert (words.SAME_MARGIN in str(found)) == (price == 2.00008)
    assert words.SAME_PLANTS in str(found)


@pytest.mark.parametrize(("survival", "same"), [(0.51, False), (0.504, True), (0.4, False)])
def test_less_than_half_a_plant_is_no_difference(survival, same):
    found = compared(certain(), certain(survival=survival))
    assert found.table()["difference"].tolist() == pytest.approx([100 * (survival - 0.5)])
    assert (words.SAME_PLANTS in str(found)) == same


DEARER, BETTER = "varieties, A: sale_price 2 to 3", "stages, crop, arrival: survival 0.5 to 0.6"
MORE, BUDGET = "targets, A, 2027-W20: target 200 to 70", "season: budget empty to 500"


@pytest.mark.parametrize(
    ("cells", "named", "more"),
    [
        ({}, [DEARER, BETTER, MORE], 0),
        ({"budget": 500}, [BUDGET, DEARER, BETTER], 1),
        ({"budget": 500, "name": "other"}, ["season: name test to other", BUDGET, DEARER], 2),
    ],
)
def test_three_changes_are_named_and_the_others_counted(cells, named, more):
    text = str(compared(certain(), certain(0.6, 3.0, 70, **cells)))
    assert text.splitlines()[-1] == words.changes(named, more)


def test_plants_are_there_in_the_first_and_in_the_last_week_of_a_season_and_not_after_it():
    short, long = certain(week="2027-W20", weeks=20), certain(week="2027-W21", weeks=30)
    rows = compared(short, long).table().set_index("week")
    assert rows.loc["2027-W20", ["saleable", "other_saleable"]].tolist() == pytest.approx([50, 50])
    assert rows.loc["2027-W21", ["saleable", "other_saleable"]].tolist() == pytest.approx([0, 50])
    first = compared(certain(week="2027-W01", target=60), certain(week="2027-W01", target=50)).table().iloc[0]
    assert first[["week", "target", "other_target"]].tolist() == ["2027-W01", 60, 50]
    assert first[["chance", "other_chance"]].tolist() == pytest.approx(stats.binom.sf([59, 49], 100, 0.5))
    assert first[["saleable", "other_saleable"]].tolist() == pytest.approx([50, 50])


def test_targets_stay_whole_where_one_of_them_wants_none():
    table = compared(certain(week="2027-W20"), certain(week="2027-W22", target=70)).table()
    assert table.columns.tolist() == [
        *("variety", "week", "target", "other_target", "saleable", "other_saleable"),
        *("difference", "p5", "p95", "chance", "other_chance"),
    ]
    assert [str(table[name].dtype) for name in ("target", "other_target")] == ["Int64", "Int64"]
    assert all(table[name].dtype == float for name in table.columns[4:])
    assert table["week"].tolist() == ["2027-W20", "2027-W22"]
    assert table["target"].tolist() == [200, pd.NA]
    assert table["other_target"].tolist() == [pd.NA, 70]


def test_a_comparison_keeps_its_tables():
    found = compared(certain(), certain(0.6))
    assert repr(found) == "Comparison(season=test, other=test, draws=16, seed=1)"
    table = found.table()
    table["saleable"] = 0.0
    assert (found.table()["saleable"] > 0).all()


def test_cells_that_change_neither_plants_nor_money_are_still_differences():
    one = certain()
    other = one.replace(varieties=[one.variety("A").replace(pot="1 l")])
    assert str(compared(one, other)).splitlines() == [
        words.SAME_MARGIN, words.SAME_PLANTS, words.changes(["varieties, A: pot empty to 1 l"], 0)
    ]  # fmt: skip


def test_a_dearer_plantlet_changes_the_margin_and_no_plant():
    one = certain()
    found = compared(one, one.replace(price_list=[one.price_list[0].replace(unit_price=1.25)]))
    row = found.money().iloc[0]
    assert row[["difference", "p5", "p95", "better"]].tolist() == pytest.approx([-25, -25, -25, 0])
    assert found.changes().to_numpy().tolist() == [["price_list", "Lab, A, 1, 2027-W01", "unit_price", 1, 1.25]]


def test_a_target_of_one_scenario_alone_has_no_chance_in_the_other():
    one = certain(target=60)
    other = one.replace(targets=[one.targets[0].replace(week="2027-W22")]).with_stage("crop", "arrival", survival=0.6)
    row = compared(one, other).table().iloc[1]
    assert row["difference"] == pytest.approx(60, abs=0.1)  # in the first all are sold
    assert pd.isna(row["chance"])
    change = {name: row[name] for name in ("difference", "p5", "p95", "other_chance")}
    text = words.plants(variety="A", week="2027-W22", chance=None, **change)
    assert str(compared(one, other)).splitlines()[1] == text


def test_two_customers_of_a_week_are_compared_each_with_what_is_sold_to_him():
    rows = [asks(60, channel="retail", price=4), asks(50, channel="garden centre", price=3, promised=0.9)]
    one = plan([stage("arrival", survival=1)]).replace(targets=rows)
    two = one.replace(targets=[rows[0], rows[1] | {"target": 70}])
    found = compare(one, two, orders=[("A", "2027-W05", 80)], draws=16, seed=1).table()
    assert found.columns[:3].tolist() == ["variety", "week", "channel"]
    cells = ["channel", "target", "other_target", "saleable", "other_saleable", "chance", "other_chance"]
    assert found[cells].round(9).to_numpy().tolist() == [
        ["garden centre", 50, 70, 50, 70, 1, 1],
        ["retail", 60, 60, 30, 10, 0, 0],
    ]
    without = compare(one, one.replace(targets=rows[1:]), orders=[("A", "2027-W05", 80)], draws=16, seed=1).table()
    gone = without.set_index("channel").loc["retail"]
    assert (gone["saleable"], gone["other_saleable"]) == pytest.approx((30, 80))  # on hand, for whoever would come
    assert pd.isna(gone["other_target"])
    assert pd.isna(gone["other_chance"])
