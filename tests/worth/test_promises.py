"""Promises: kept in the planner's account where week-by-week sales keep them, by plans too."""

import numpy as np
import pytest
import small_seasons as small

import forecast
from forecast.growth.selling import Buyers, Row, sell
from forecast.season.targets import Target
from forecast.weeks import Week
from forecast.worth.concave import Plants
from forecast.worth.existing import Existing
from forecast.worth.promises import Promise, Promises

DRAWS = 200


@pytest.mark.parametrize("seed", range(30))
def test_a_promise_is_kept_in_the_draws_in_which_sales_keep_it(seed):
    """Whole plants that come by week, a sale window, and one or two rows of buyers, of whom some wait."""
    rng = np.random.default_rng(seed)
    weeks, life = int(rng.integers(3, 9)), [None, 2, 4][rng.integers(3)]
    ready = np.cumsum(rng.integers(0, 9, (weeks, DRAWS)) * (rng.random((weeks, DRAWS)) < 0.6), axis=0).astype(float)
    past = np.zeros(ready.shape)
    if life is not None:
        past[life:] = ready[:-life]
    rows, promises = [], []
    for at, level in enumerate((0.9, 0.8)[: rng.integers(1, 3)]):
        first, waits = int(rng.integers(0, weeks)), int(rng.integers(0, 4))
        last = int(rng.integers(first, weeks))
        row = Target(
            variety="A", week=Week(2027, 1) + first, until=Week(2027, 1) + last, target=1, channel=f"c{at}",
            promised=level, waits=waits,
        )  # fmt: skip
        asked = np.zeros((weeks, DRAWS))
        asked[first : last + 1] = rng.integers(0, 7, (last + 1 - first, DRAWS))
        needed = np.ceil(rng.choice([0.5, 0.8, 1.0]) * asked.sum(axis=0))
        sale = range(first, min(last + waits, weeks - 1) + 1)
        rows.append(Row(row, first, asked[first : last + 1], np.zeros(last + 1 - first), sale))
        promises.append(Promise(row, asked, needed, level))
    sold = sell(ready, Buyers(tuple(rows), np.zeros(weeks), life))
    none = Plants(*np.zeros((3, weeks, DRAWS)))
    there = Existing(Plants(ready, past, ready[-1]), none, none, np.zeros((weeks, DRAWS)))
    found = Promises(promises, Plants(*np.zeros((3, 0, weeks, DRAWS))), there)
    kept = [float(sold.kept(at, one.needed).mean()) for at, one in enumerate(promises)]
    assert found.chances({}) == pytest.approx(kept, abs=1e-9)


def test_plans_count_on_promised_buyers_who_wait():
    """All plants of a season are ready at once, in the first week of sale or later: 10 of the 100 are asked for then.

    Without waiting four seasons in five at most bring the whole number; the plan for buyers who wait keeps its promise
    on other draws, too.
    """
    rows = [small.stage(typical=11, batches_cv=0.1, time_level="season", survival=0.9)]
    target = small.asks(100, "2027-W20", until="2027-W29", promised=0.9)
    made = small.season(rows, price_list=[small.offer(first_week="2027-W08", last_week="2027-W08")], targets=[target])
    made = made.replace(varieties=[row.replace(sale_price=5) for row in made.varieties])
    with pytest.raises(forecast.OutOfReach):
        forecast.plan_orders(made, draws=512, seed=1)
    waiting = made.replace(targets=[row.replace(waits=2) for row in made.targets])
    plan = forecast.plan_orders(waiting, draws=512, seed=1)
    (chance,) = forecast.simulate(waiting, plan.orders, draws=4096, seed=2).targets()["chance"]
    assert chance > 0.9 - 3 * (0.9 * 0.1 / 512) ** 0.5
