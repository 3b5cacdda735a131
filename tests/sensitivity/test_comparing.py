"""Two scenarios against forecasts of each, closed forms of what was changed, and draws that are not paired."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from small_seasons import MIXED, beta_spread, offer, season, stage

import forecast
from forecast import Refused, compare
from forecast.season.varieties import Variety

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
        targets=[{"variety": name, "week": WEEK, "target": target} for name in "AB"],
    )
    return rows.replace(varieties=tuple(row.replace(sale_price=PRICE) for row in rows.varieties), **cells)


def with_price(given, variety, price):
    return given.replace(
        varieties=tuple(row.replace(sale_price=price) if row.variety == variety else row for row in given.varieties)
    )


def test_equal_seasons_do_not_differ_by_a_bit():
    one, two = plan(ROUTE, target=320), plan(ROUTE, target=320)
    found = compare(one, two, orders=iter(ORDERS), draws=256, seed=1)
    assert (found.table()[["difference", "p5", "p95"]] == 0).all(axis=None)
    assert (found.money()[["difference", "p5", "p95", "better"]] == 0).all(axis=None)
    assert (found.table()["chance"] == found.table()["other_chance"]).all()
    assert found.changes().empty
    assert str(found) == "The two scenarios are the same."


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
        told = [row["saleable"], row["other_saleable"], row["difference"], row["p5"], row["p95"]]
        exact = [*(number.mean() for number in numbers), change.mean(), *np.quantile(change, [0.05, 0.95])]
        assert told == pytest.approx(exact, abs=1e-8)
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
    assert found.loc["all", ["margin", "other_margin", "difference"]].tolist() == pytest.approx(
        parts[["margin", "other_margin", "difference"]].tolist()
    )


def test_pairing_makes_the_interval_narrower():
    """Than that of draws from two seeds: 5 points of survival against batches that differ by 8."""
    one = plan(ROUTE)
    two = one.with_stage("crop", "arrival", survival=0.75)
    paired = compare(one, two, orders=ORDERS, draws=1024, seed=1).money().iloc[0]
    flows = [
        forecast.cash_flow(forecast.simulate(side, ORDERS, draws=1024, seed=seed)).margin
        for side, seed in ((one, 1), (two, 2))
    ]
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


def test_sentences_say_what_the_tables_hold():
    one = plan([stage("arrival", survival=0.5, survival_sd=0.1)], target=200)
    two = one.with_stage("crop", "arrival", survival=0.6, cost=0.1)
    found = compare(one, two, orders=ORDERS, draws=512, seed=1)
    row, money = found.table().iloc[0], found.money().iloc[0]
    words = forecast.words.numbers
    first, second, third = str(found).splitlines()
    assert first == (
        f"The other earns about {words.money(money['difference'], 'EUR')} more on average "
        f"({words.signed(money['p5'])} to {words.signed(money['p95'])}); "
        f"it is better in {words.seasons(money['better'])}."
    )
    assert second.startswith(f"It has about {words.rounded(row['difference'])} more A saleable in {WEEK} (")
    assert second.endswith(
        f"enough in {words.seasons(row['other_chance'])}, in the first in {words.seasons(row['chance'])}."
    )
    assert third == ("What differs: stages, crop, arrival: survival 0.5 to 0.6; stages, crop, arrival: cost 0 to 0.1.")
    back = str(compare(two, one, orders=ORDERS, draws=512, seed=1)).splitlines()
    assert " less on average (" in back[0]
    assert " fewer A saleable in " in back[1]


def test_seasons_without_prices_are_compared_by_their_plants_alone():
    one = plan([stage("arrival", survival=0.5)], target=200)
    one = one.replace(varieties=tuple(Variety(variety=name, group="crop") for name in "AB"))
    two = one.with_stage("crop", "arrival", survival=0.6)
    found = compare(one, two, orders=ORDERS, draws=16, seed=1)
    assert str(found).startswith("It has about 40 more A saleable")
    with pytest.raises(Refused, match="wanted, but without a price"):
        found.money()


def test_two_currencies_are_not_compared():
    found = compare(plan(), plan(currency="SEK"), orders=ORDERS, draws=16, seed=1)
    remedy = r"currency, 'SEK': not the currency of the first\. The first is in EUR; state the other in it, too\."
    with pytest.raises(Refused, match=remedy):
        found.money()
    with pytest.raises(Refused, match="there are no orders to simulate"):
        compare(plan(), plan(), draws=16, seed=1)
