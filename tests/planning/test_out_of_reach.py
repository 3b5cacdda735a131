"""What is said of a promise that no order keeps: each number against a closed form, or large orders simulated apart."""

from unittest.mock import patch

import numpy as np
import pytest
import small_seasons as small
from scipy import stats

import forecast
from forecast.errors import OutOfReach
from forecast.words import orders as words

DRAWS = 1024


def sells(targets, *, weeks=("2027-W08", "2027-W08"), **cells):
    """A season of one variety at 5 EUR, whose plants take about eleven weeks, longer in some seasons than in others."""
    usual = {"typical": 11, "batches_cv": 0.22, "time_level": "season", "survival": 0.9} | cells
    offers = [small.offer(first_week=weeks[0], last_week=weeks[1])]
    made = small.season([small.stage(**usual)], price_list=offers, targets=targets)
    return made.replace(varieties=[row.replace(sale_price=5) for row in made.varieties])


def refused(season):
    """What the refusal of a plan says, and the numbers in it, by promise."""
    with pytest.raises(OutOfReach) as found, patch.object(words, "would_reach", wraps=words.would_reach) as said:
        forecast.plan_orders(season, draws=DRAWS, seed=1)
    return str(found.value), [call.kwargs for call in said.call_args_list]


def near(chance, draws=DRAWS):
    return 3 * (chance * (1 - chance) / draws) ** 0.5


def test_waiting_and_a_smaller_share_help_as_far_as_the_law_of_the_time_says():
    """All plants are ready at once, after a lognormal time: 10 of the 100 are asked for in each of ten weeks.

    Those of the first k weeks are missed if it takes more than 11 + k weeks from delivery, unless buyers wait so long.
    """
    plan = sells([small.asks(100, "2027-W19", until="2027-W28", promised=0.9)])
    text, (found,) = refused(plan)
    time = stats.lognorm(np.sqrt(np.log(1 + 0.22**2)), scale=11)
    assert found["chance"] == pytest.approx(time.cdf(11), abs=near(time.cdf(11)))
    enough = next(k for k in range(1, 10) if time.cdf(11 + k) >= 0.9)
    assert min(abs(time.cdf([10 + enough, 11 + enough]) - 0.9)) > near(0.9) / 2
    for name, is_enough in (("waits", enough), ("share", 1 - enough / 10)):
        said, chance = found[name]
        assert said == pytest.approx(is_enough)
        assert chance == pytest.approx(time.cdf(11 + enough), abs=near(0.9))
    assert text == (
        "No order of A meets the target of 100, 10 May to 12 Jul 2027 (W19 to W28), in 18 of 20 seasons. More plants "
        "do not help: the largest orders meet it in 10 of 20 simulated seasons. They meet it in about 18 of 20 "
        "simulated seasons if buyers wait 4 weeks. They meet 60 % of the number in about 18 of 20 simulated seasons."
    )
    for change in ({"waits": enough}, {"promised_share": 1 - enough / 10}):
        changed = plan.replace(targets=[row.replace(**change) for row in plan.targets])
        assert forecast.plan_orders(changed, draws=DRAWS, seed=1).orders


def large(plan, change, seed=2):
    """The chance of the first target in other draws if hundreds of times as many plants come in every week."""
    rows = [row.replace(**change) if at == 0 else row for at, row in enumerate(plan.targets)]
    orders = [("A", f"2027-W{week:02}", 40_000) for week in range(6, 10)]
    outcome = forecast.simulate(plan.replace(targets=rows), orders, draws=4 * DRAWS, seed=seed)
    return float(outcome.targets()["chance"].iloc[0])


def test_beside_a_surer_promise_the_numbers_are_those_of_large_orders_in_other_draws():
    """Plants of four weeks, each with a time of its own, a sale window, uncertain demand, and two rows of buyers."""
    first = small.asks(0, "2027-W17", until="2027-W26", promised=0.9, waits=1) | {"target": None}
    first |= {"p5": 60, "median": 80, "p95": 110}
    rows = [first, small.asks(30, "2027-W20", promised=0.95, channel="contract")]
    plan = sells(rows, weeks=("2027-W06", "2027-W09"), plants_cv=0.08, survival_sd=0.1)
    plan = plan.replace(varieties=[row.replace(saleable_weeks=8) for row in plan.varieties])
    _, (found, *others) = refused(plan)
    assert not others
    waits, share = found["waits"], found["share"]
    assert found["chance"] == pytest.approx(large(plan, {}), abs=near(0.8))
    assert waits[1] == pytest.approx(large(plan, {"waits": waits[0]}), abs=near(0.9))
    assert share[1] == pytest.approx(large(plan, {"promised_share": share[0]}), abs=near(0.9))
