"""A grower's own orders beside the plan: by hand, and the error of a difference beside its spread over seeds."""

import numpy as np
import pytest
from small_seasons import asks, offer, season, stage

import forecast
from forecast.resources.beside import Beside, Side, price_of_shortage
from forecast.resources.valued import value_orders


def side(plan, orders, **drawn):
    found = value_orders(plan.replace(orders=orders), **drawn)
    return Side(found.outcome, found.bill.total, found.flow)


def row(variety, quantity, week="2027-W03"):
    return {"variety": variety, "week": week, "quantity": quantity, "lab": "Lab"}


def test_what_is_compared_is_what_is_counted_by_hand():
    """Nothing dies, and a plantlet costs 1: 80 and 50 of the 100 and 50 asked for sell at 6 and 4; 2.50 if one lacks.

    The rest is bought in the other orders, and sold.
    """
    plan = season(
        [stage("weaning", typical=4, survival=1, cost=0.5)], varieties="AB", price_list=[offer("A"), offer("B")],
        targets=[asks(100, "2027-W10", price=6, short_cost=2.5), asks(50, "2027-W10", "B", price=4)],
    )  # fmt: skip
    mine, other = side(plan, [row("A", 80), row("B", 50)], draws=8), side(plan, [row("A", 100), row("B", 50)], draws=8)
    found = Beside(mine, other)
    assert found.table().to_numpy().tolist() == [
        ["plantlets", 130, 150, 20, 0],
        ["paid", 130, 150, 20, 0],
        ["margin", pytest.approx(80 * 6 + 200 - 130 * 1.5), pytest.approx(800 - 225), pytest.approx(90), 0],
        ["worst_tenth", pytest.approx(485), pytest.approx(575), pytest.approx(90), pytest.approx(0, abs=1e-9)],
        ["all_met", 0, 1, 1, 0],
        ["short", pytest.approx(50), 0, pytest.approx(-50), 0],
    ]
    assert str(found).endswith("The plan earns about 90 EUR more than your orders.")
    assert str(Beside(other, mine)).endswith("Your orders earn about 90 EUR more than the plan.")
    assert str(Beside(mine, mine)).endswith("No difference in the expected margin can be seen.")
    with pytest.raises(forecast.Refused, match="other draws"):
        Beside(mine, side(plan, [row("A", 80)], draws=16))


def test_without_sale_prices_there_is_no_margin_to_compare():
    plan = season([stage(typical=4)], targets=[asks(50)])
    outcome = forecast.simulate(plan, [("A", "2027-W03", 80)], draws=8)
    found = Beside(*[Side(outcome, 80.0, None)] * 2)
    assert found.table()["what"].tolist() == ["plantlets", "paid", "all_met"]
    assert "margin" not in str(found)


def test_the_error_of_a_difference_is_no_less_than_its_spread_over_seeds():
    """Of 64 even draws: the error is that of independent ones, which is larger."""
    plan = season(
        [stage("weaning", typical=6, batches_cv=0.2, plants_cv=0.2, survival=0.7, survival_sd=0.15)],
        varieties="AB", targets=[asks(60, "2027-W11", price=5), asks(60, "2027-W14", "B", price=5)],
    )  # fmt: skip
    tables = []
    for seed in range(30):
        sides = [side(plan, [row("A", n), row("B", n, "2027-W05")], draws=64, seed=seed) for n in (60, 110)]
        tables.append(Beside(*sides).table().set_index("what"))
    for what in ("margin", "worst_tenth", "all_met", "short"):
        spread = np.std([table.loc[what, "difference"] for table in tables], ddof=1)
        error = np.sqrt(np.mean([table.loc[what, "error"] ** 2 for table in tables]))
        assert 0 < spread < 1.4 * error
        assert error < 7 * spread


def test_the_price_of_shortage_is_that_of_the_missing_plants(demo):
    outcome = forecast.simulate(demo, draws=64)
    table = outcome.targets()
    assert len(table) == len(demo.targets)
    by_hand = sum(
        demo.short_cost_of(one) * float(outcome.sold(name).missing(at).mean())
        for name in demo.targeted
        for at, one in enumerate(demo.targets_of(name))
    )
    assert float(price_of_shortage(outcome).mean()) == pytest.approx(by_hand)
