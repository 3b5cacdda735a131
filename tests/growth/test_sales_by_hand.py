"""The plant-by-plant program of sales over weeks, against cases by hand, a formula and a linear program.

It is what the package is compared with, so it is tested by itself.
"""

from fractions import Fraction

import numpy as np
import pytest
from best_sales import most_income, served
from selling import FOREVER, Shop, Wish, stretched


def wish(first, last, *, channel="", price=10.0, end=None, **cells):
    """Return a row whose demand is even over its window, at prices on a straight line."""
    weeks = last - first
    prices = {first + k: price + ((end or price) - price) * k / max(weeks, 1) for k in range(weeks + 1)}
    texts = {name: str(value) for name, value in cells.items()}
    return Wish(("A", str(first), channel), first, last, texts, prices, stretched([Fraction(1)], weeks + 1))


def opened(ready, asked, wishes, *, keeps=FOREVER, expected=None):
    """Sell what becomes ready to rows that ask for some plants each."""
    foreseen = {one.key: one.by_week(n) for one, n in zip(wishes, asked, strict=True) if one.promised}
    shop = Shop(wishes, keeps, np.array(ready if expected is None else expected, dtype=float), foreseen)
    till = shop.open(ready, {one.key: n for one, n in zip(wishes, asked, strict=True)})
    return [till.sold[one.key] for one in wishes], till


def test_a_profile_is_stretched_over_the_window():
    even = stretched([Fraction(1)], 4)
    assert even == (Fraction(1, 4), Fraction(1, 2), Fraction(3, 4), 1)
    two = stretched([Fraction(1), Fraction(3)], 3)  # two thirds of the first week's weight pass in the first third
    assert two == (Fraction(1, 6), Fraction(1, 2), 1)
    assert stretched([Fraction(2), Fraction(5), Fraction(0), Fraction(3)], 2) == (Fraction(7, 10), 1)


def test_demand_is_spread_in_whole_plants_that_add_up():
    assert wish(3, 6).by_week(10) == {3: 3, 4: 2, 5: 3, 6: 2}  # 2.5, 5, 7.5, 10 rounded half up: 3, 5, 8, 10
    assert wish(3, 3).by_week(7) == {3: 7}


def test_a_buyer_who_waits_is_served_later_and_pays_what_it_was():
    row = wish(0, 1, price=10, end=6, waits=1)
    sold, till = opened([0, 3, 3, 0], [4], [row])
    assert sold == [4]
    assert dict(till.takings) == {1: 2 * 10 + 6, 2: 6}  # two of week 0 first, then one of week 1, and the last of it


def test_the_oldest_plant_goes_first_and_what_is_past_its_grade_leaves():
    row = wish(1, 3)
    sold, till = opened([4, 2, 0, 0], [6], [row], keeps=2)
    assert sold == [4]  # two of week 0, then two leave; two of week 1; none is left for week 3
    assert dict(till.leaving)[2] == 2
    assert till.standing == {0: 4, 1: 4, 2: 0, 3: 0}


def test_promised_buyers_come_first_and_the_surer_promise_before_the_other():
    rows = [
        wish(0, 0, channel="dear", price=20),
        wish(0, 0, channel="sure", price=5, promised=0.9),
        wish(0, 0, channel="less sure", price=9, promised=0.8),
    ]
    assert opened([7], [5, 3, 3], rows)[0] == [1, 3, 3]
    assert opened([5], [5, 3, 3], rows)[0] == [0, 3, 2]


def test_the_dearer_row_of_the_week_comes_first():
    rows = [wish(0, 1, channel="falls", price=20, end=4), wish(0, 1, channel="stays", price=10)]
    assert opened([4, 4], [8, 8], rows)[0] == [4, 4]


@pytest.mark.parametrize(
    ("expected", "keeps", "sold"),
    [
        ([6, 0, 0, 0], FOREVER, [2, 4]),  # nothing more will come: four are kept
        ([6, 0, 3, 0], FOREVER, [5, 4]),  # three will come in time: one is kept
        ([6, 0, 0, 3], FOREVER, [2, 4]),  # they come too late
        ([6, 0, 0, 0], 2, [6, 0]),  # what is there is past its grade by then, so that it is not kept
    ],
)
def test_plants_are_kept_back_for_a_later_promise(expected, keeps, sold):
    rows = [wish(0, 0, channel="hoped", price=20), wish(2, 2, channel="contract", promised=0.9)]
    ready = [6, 0, 3, 0] if expected[2] else [6, 0, 0, 0]
    assert opened(ready, [6, 4], rows, keeps=keeps, expected=expected)[0] == sold


def test_what_is_kept_back_is_what_is_expected_and_not_what_comes():
    rows = [wish(0, 0, channel="hoped", price=20), wish(2, 2, channel="contract", promised=0.9)]
    assert opened([6, 0, 0], [6, 4], rows, expected=[6, 0, 4])[0] == [6, 0]  # the four do not come
    assert opened([6, 0, 4], [6, 4], rows, expected=[6, 0, 0])[0] == [2, 4]


@pytest.mark.parametrize("seed", range(300))
def test_one_row_is_served_as_a_formula_says_and_earns_what_a_linear_program_finds(seed):
    rng = np.random.default_rng(seed)
    weeks, waits = int(rng.integers(2, 9)), int(rng.integers(0, 4))
    keeps = int(rng.choice([1, 2, 4, FOREVER]))
    ready = [*rng.integers(0, 8, size=weeks).tolist(), *[0] * 6]
    first = int(rng.integers(0, weeks))
    last = int(rng.integers(first, weeks))
    begin = float(rng.integers(5, 15))
    row = wish(first, last, price=begin, end=float(rng.integers(3, int(begin) + 1)), waits=waits)
    asked, outlet = int(rng.integers(1, 30)), int(rng.integers(0, 9))
    sold, till = opened(ready, [asked], [row], keeps=keeps)
    come = row.by_week(asked)
    demand = [come.get(week, 0) for week in range(len(ready))]
    assert sold[0] == served(ready, keeps, demand, waits)[-1]
    income = sum(till.takings.values()) + 2 * min(sum(till.leaving.values()), outlet)
    most = most_income(ready, keeps, [(waits, come, row.prices)], markdown=2, outlet=outlet)
    assert income == pytest.approx(most, abs=1e-9)


@pytest.mark.parametrize("seed", range(200))
def test_no_rows_at_any_prices_earn_more_than_a_linear_program_finds(seed):
    rng = np.random.default_rng([1, seed])
    weeks = int(rng.integers(2, 8))
    keeps = int(rng.choice([2, 4, FOREVER]))
    ready = [*rng.integers(0, 8, size=weeks).tolist(), *[0] * 6]
    rows = []
    for name in "abc"[: int(rng.integers(1, 4))]:
        first = int(rng.integers(0, weeks))
        cells = {"price": float(rng.integers(3, 15)), "end": float(rng.integers(3, 15)), "waits": rng.integers(0, 3)}
        if rng.random() < 0.4:
            cells["promised"] = rng.choice([0.7, 0.9])
        rows.append(wish(first, int(rng.integers(first, weeks)), channel=name, **cells))
    asked = rng.integers(1, 20, size=len(rows)).tolist()
    _, till = opened(ready, asked, rows, keeps=keeps)
    income = sum(till.takings.values()) + min(sum(till.leaving.values()), 5)
    buyers = [(row.waits, row.by_week(n), row.prices) for row, n in zip(rows, asked, strict=True)]
    assert income <= most_income(ready, keeps, buyers, markdown=1, outlet=5) + 1e-9
