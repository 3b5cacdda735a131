"""What is on hand as plants become ready, are sold and pass their best."""

import numpy as np
import pytest
from small_buyers import sold
from small_seasons import season, stage

import forecast


def test_the_oldest_are_sold_first_and_what_cannot_be_had_is_not_sold_later():
    ready = np.array([[0], [10], [10], [30], [30], [30]])
    made = sold(ready, 3, [(1, np.array([15.0])), (3, np.array([5.0]))])
    assert made.before[:, 0].tolist() == [0, 10, 0, 20, 15, 15]
    assert made.after[:, 0].tolist() == [0, 0, 0, 15, 15, 15]


def test_unsold_plants_pass_their_best():
    ready = np.array([[0], [10], [10], [10], [30]])
    made = sold(ready, 2, [(2, np.array([4.0]))])
    assert made.before[:, 0].tolist() == [0, 10, 10, 0, 20]


def test_a_later_week_is_not_short_of_plants_that_were_sold_before():
    """Both rows of a variety with a shelf life are met by a delivery each, though the first has passed its best."""
    target = [{"variety": "A", "week": f"2027-W{week}", "target": 50} for week in (10, 24)]
    plan = season([stage(typical=4, survival=1)], targets=target, saleable_weeks=5)
    outcome = forecast.simulate(plan, [("A", "2027-W04", 50), ("A", "2027-W18", 50)], draws=64, seed=1)
    assert outcome.targets()["chance"].tolist() == [1, 1]
    assert outcome.chance_of_all() == 1
    assert outcome.chance("A", week="2027-W24", at_least=51) == 0


def test_all_together_is_the_product_where_nothing_is_shared():
    target = [{"variety": variety, "week": "2027-W10", "target": 40} for variety in ("A", "B")]
    plan = season([stage(survival=0.8)], varieties=("A", "B"), targets=target)
    outcome = forecast.simulate(plan, [("A", "2027-W04", 50), ("B", "2027-W04", 50)], draws=64, seed=1)
    one = outcome.chance("A", week="2027-W10", at_least=40)
    assert outcome.chance_of_all() == pytest.approx(one**2)
    assert forecast.simulate(plan, [("A", "2027-W04", 50)], draws=64, seed=1).chance_of_all() == 0
