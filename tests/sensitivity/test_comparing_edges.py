"""What is said of two scenarios at the edges of a cent, of a season, and of the number of changes that are told."""

import pandas as pd
import pytest
from scipy import stats
from small_seasons import offer, season, stage

from forecast import compare

ORDERS = [("A", "2027-W01", 100)]


def plan(survival=0.5, price=2.0, target=200, week="2027-W20", **cells):
    """A hundred plantlets at 1 each, of which a known share lives and is sold."""
    rows = season(
        [stage("arrival", survival=survival)],
        price_list=[offer(unit_price=1.0)],
        targets=[{"variety": "A", "week": week, "target": target}],
        **cells,
    )
    return rows.replace(varieties=[rows.variety("A").replace(sale_price=price)])


def compared(one, other):
    return compare(one, other, orders=ORDERS, draws=16, seed=1)


def said(one, other):
    return str(compared(one, other)).splitlines()


@pytest.mark.parametrize(
    ("price", "earned", "better"),
    [
        (2.015, "The other earns about 1 EUR more on average (1 to 1); it is better in every season.", 1),
        (1.985, "The other earns about 1 EUR less on average (1 to 1); it is better in no season in 100.", 0),
        (2.00008, "Both earn the same.", 0),
    ],
)
def test_fifty_plants_sold_for_a_little_more_earn_more_from_a_cent_on(price, earned, better):
    found = compared(plan(), plan(price=price))
    assert str(found).splitlines() == [
        earned,
        "As many plants are saleable in both.",
        f"What differs: varieties, A: sale_price 2 to {price:g}.",
    ]
    row = found.money().set_index("variety").loc["all"]
    assert row["difference"] == pytest.approx(50 * (price - 2))
    assert row["better"] == better


def test_fewer_plants_are_told_with_how_many_fewer():
    assert said(plan(), plan(survival=0.4)) == [
        "The other earns about 20 EUR less on average (20 to 20); it is better in no season in 100.",
        "It has about 10 fewer A saleable in 2027-W20 (10 to 10): enough in no season in 100, in the first in no "
        "season in 100.",
        "What differs: stages, crop, arrival: survival 0.5 to 0.4.",
    ]


def test_a_plant_more_on_average_is_told_and_less_than_half_a_plant_is_not():
    assert said(plan(), plan(survival=0.51))[1].startswith("It has about 1 more A saleable in 2027-W20 (1 to 1): ")
    assert said(plan(), plan(survival=0.504))[1] == "As many plants are saleable in both."


PRICE, SURVIVAL = "varieties, A: sale_price 2 to 3", "stages, crop, arrival: survival 0.5 to 0.6"
WANTED, BUDGET = "targets, A, 2027-W20: target 200 to 70", "season: budget empty to 500"


@pytest.mark.parametrize(
    ("cells", "told"),
    [
        ({}, [PRICE, SURVIVAL, WANTED]),
        ({"budget": 500}, [BUDGET, PRICE, SURVIVAL, "and 1 cell more"]),
        ({"budget": 500, "name": "other"}, ["season: name test to other", BUDGET, PRICE, "and 2 cells more"]),
    ],
)
def test_three_changes_are_told_and_the_others_counted(cells, told):
    assert said(plan(), plan(0.6, 3.0, 70, **cells))[-1] == f"What differs: {'; '.join(told)}."


def test_plants_are_there_in_the_first_and_in_the_last_week_of_a_season_and_not_after_it():
    short, long = plan(week="2027-W20", weeks=20), plan(week="2027-W21", weeks=30)
    rows = compared(short, long).table().set_index("week")
    assert rows.loc["2027-W20", ["saleable", "other_saleable"]].tolist() == pytest.approx([50, 50])
    assert rows.loc["2027-W21", ["saleable", "other_saleable"]].tolist() == pytest.approx([0, 50])
    first = compared(plan(week="2027-W01", target=60), plan(week="2027-W01", target=50)).table().iloc[0]
    assert first[["week", "target", "other_target"]].tolist() == ["2027-W01", 60, 50]
    assert first[["chance", "other_chance"]].tolist() == pytest.approx(stats.binom.sf([59, 49], 100, 0.5))
    assert first[["saleable", "other_saleable"]].tolist() == pytest.approx([50, 50])


def test_numbers_wanted_stay_whole_where_one_of_them_wants_none():
    table = compared(plan(week="2027-W20"), plan(week="2027-W22", target=70)).table()
    assert table.columns.tolist() == [
        *("variety", "week", "target", "other_target", "saleable", "other_saleable"),
        *("difference", "p5", "p95", "chance", "other_chance"),
    ]
    assert [str(table[name].dtype) for name in ("target", "other_target")] == ["Int64", "Int64"]
    assert all(table[name].dtype == float for name in table.columns[4:])
    assert table["week"].tolist() == ["2027-W20", "2027-W22"]
    assert table["target"].tolist() == [200, pd.NA]
    assert table["other_target"].tolist() == [pd.NA, 70]


def test_a_comparison_is_shown_without_the_tables_that_it_keeps():
    found = compared(plan(), plan(0.6))
    found.money()
    assert "_parts" not in repr(found)
    table = found.table()
    table["saleable"] = 0.0
    assert (found.table()["saleable"] > 0).all()
