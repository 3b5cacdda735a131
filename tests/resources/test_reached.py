"""What a plan reaches of each target, what more takes, and what is grown to be marked down, against closed forms."""

import math
from html import unescape

import numpy as np
import pytest
from scipy.stats import binom
from small_seasons import FIRST, asks, offer, season, stage

import forecast
from forecast.__main__ import main
from forecast.resources.reached import Reached, Surplus

DRAWS = {"draws": 512, "seed": 1}
ONCE = {"first_week": "2027-W20", "last_week": "2027-W20"}
SHARE = 0.8  # of plantlets are saleable, one by one


def sold(target, plants):
    """Expected number sold, by the whole distribution."""
    saleable = np.arange(plants + 1)
    return float((binom.pmf(saleable, plants, SHARE) * np.minimum(saleable, target)).sum())


def nursery(*targets, price=4.0, markdown=None, offers=None, **header):
    """Four in five live, one by one, each grown for 0.5; all come at once and none takes time."""
    rows = [stage(survival=SHARE, survival_level="plant", cost=0.5)]
    varieties = tuple(dict.fromkeys(row["variety"] for row in targets))
    offers = [offer(name, **ONCE) for name in varieties] if offers is None else offers
    made = season(rows, varieties=varieties, targets=targets, price_list=offers, **header)
    cells = {"sale_price": price, "markdown_price": markdown}
    return made.replace(varieties=[row.replace(**cells) for row in made.varieties])


@pytest.mark.parametrize(("price", "box"), [(2.4, None), (4.0, None), (2.4, 60)])
def test_a_target_has_its_chance_its_shortage_and_what_its_service_level_takes(price, box):
    boxes = {} if box is None else {"plants_per_box": box, "freight_per_box": 6}
    made = nursery(asks(100), price=price, offers=[offer(**ONCE, **boxes)])
    plan = forecast.plan_orders(made, **DRAWS)
    (order,) = plan.orders
    row = plan.targets().iloc[0]
    now, enough = order.quantity, next(n for n in range(100, 200) if binom.sf(99, n, SHARE) >= 0.9)
    assert (row["variety"], row["week"], row["target"], row["level"]) == ("A", "2027-W20", 100, 0.9)
    assert row["chance"] == pytest.approx(binom.sf(99, now, SHARE), abs=1e-4)
    assert row["sold"] == pytest.approx(sold(100, now), abs=0.6)
    assert row["short"] == pytest.approx(100 - row["sold"], abs=0.06)
    assert row["more_plants"] == enough - now > 0
    freight = 0 if box is None else 6 * (math.ceil(enough / box) - math.ceil(now / box))
    assert row["more_cost"] == pytest.approx(1.5 * (enough - now) + freight)
    assert row["more_income"] == pytest.approx(price * (sold(100, enough) - sold(100, now)), abs=1)
    assert row["more_income"] < row["more_cost"]  # else it would have been ordered


def test_what_is_reached_takes_no_more():
    plan = forecast.plan_orders(nursery(asks(100)), aim="cost", **DRAWS)
    row = plan.targets().iloc[0]
    assert row["chance"] >= 0.9
    assert (row["more_plants"], row["more_cost"], row["more_income"]) == (0, 0, 0)


def test_without_sale_prices_what_more_takes_has_a_cost_and_no_income():
    made = nursery(asks(100, promised=0.5), price=None)
    plan = forecast.plan_orders(made, aim="cost", **DRAWS)
    surer = Reached(plan.simulate(), plan.shipments, None)
    surer.season = made.replace(targets=[asks(100)])  # to be as sure as 0.9, with the orders for 0.5
    row = surer.table().iloc[0]
    more = next(n for n in range(100, 200) if binom.sf(99, n, SHARE) >= 0.9) - plan.orders[0].quantity
    assert (row["more_plants"], row["more_cost"]) == (more, pytest.approx(1.5 * more))
    assert math.isnan(row["more_income"])


def test_of_two_targets_each_needs_what_its_own_week_lacks():
    """One delivery for 100 and then 60: the chance of the second is that of 160 together, or of what is left."""
    made = nursery(asks(100), asks(60, "2027-W24"), price=2.4)
    plan = forecast.plan_orders(made, **DRAWS)
    first, second = plan.targets().to_dict("records")
    assert (first["week"], second["week"]) == ("2027-W20", "2027-W24")
    ordered = plan.orders[0].quantity
    assert first["more_plants"] == 0
    enough = next(n for n in range(150, 300) if binom.sf(159, n, SHARE) >= 0.9)
    assert second["more_plants"] == pytest.approx(enough - ordered, abs=3)  # of sampled histories
    larger = [plan.orders[0].replace(quantity=ordered + second["more_plants"])]
    assert forecast.simulate(made, larger, **DRAWS).targets()["chance"].iloc[1] >= 0.9
    fewer = [plan.orders[0].replace(quantity=ordered + second["more_plants"] - 1)]
    assert forecast.simulate(made, fewer, **DRAWS).targets()["chance"].iloc[1] < 0.9


def test_a_target_without_an_order_is_never_met_and_nothing_is_said_of_more():
    made = nursery(asks(100), asks(50, variety="B"), offers=[offer("A", **ONCE), offer("B", unit_price=9, **ONCE)])
    plan = forecast.plan_orders(made, draws=64, seed=1)
    row = plan.targets().iloc[1]
    assert (row["chance"], row["sold"], row["short"]) == (0, 0, 50)
    assert row[["more_plants", "more_cost", "more_income"]].isna().all()


def test_if_nothing_is_worth_ordering_every_target_is_missed():
    plan = forecast.plan_orders(nursery(asks(100), price=1.0), draws=64, seed=1)
    assert plan.orders == ()
    assert plan.targets()[["chance", "sold", "short"]].to_numpy().tolist() == [[0, 0, 100]]
    assert plan.surplus == ()


def test_no_more_plants_of_a_delivery_that_comes_too_late_for_most_are_enough():
    """A tenth are ready in time in half of the seasons, none in the others."""
    made = nursery(asks(10, "2027-W11"), price=50, offers=[offer(last_week=FIRST)])
    slow = stage(typical=10, batches_cv=0.5, time_level="season", survival=1)
    plan = forecast.plan_orders(made.replace(stages=[slow]), draws=256, seed=1)
    row = plan.targets().iloc[0]
    assert 0.4 < row["chance"] < 0.9
    assert row[["more_plants", "more_cost", "more_income"]].isna().all()


@pytest.mark.parametrize(("markdown", "grown"), [(2.0, True), (1.8, False)])
def test_what_pays_at_the_markdown_price_is_grown_for_it_and_said_first(markdown, grown):
    """A plantlet costs 1.5; four in five sell: marked down they bring 1.6, or 1.44, at most 100 of them."""
    made = nursery(asks(100), price=9, markdown=markdown)
    plan = forecast.plan_orders(made, **DRAWS)
    ordered = plan.orders[0].quantity
    assert (ordered > 180) is grown
    if not grown:
        assert plan.surplus == ()
        return
    (found,) = plan.surplus
    expected = sold(200, ordered) - sold(100, ordered)
    assert found == Surplus("A", pytest.approx(expected, abs=1), ordered, 2.0, "EUR")
    assert str(plan).startswith(str(found))


def test_what_is_grown_for_an_outlet_comes_first_and_what_loses_has_its_reason(tmp_path, capsys):
    """Marked down A brings 1.6 a plantlet that costs 1.5, to 30 buyers; B brings 0.8, and the first plantlet loses 0.7.

    Without a limit 100 buyers would be assumed: an outlet for 30 leaves room for about 30 plants more than are asked.
    """
    made = nursery(asks(100), asks(50, variety="B", short_cost=0), price=9, markdown=2.0)
    made = made.replace(
        varieties=[
            row.replace(outlet=30) if row.variety == "A" else row.replace(sale_price=1, markdown_price=None)
            for row in made.varieties
        ]
    )
    plan = forecast.plan_orders(made, **DRAWS)
    (order,) = plan.orders
    (found,) = plan.surplus
    earned = [9 * sold(100, n) + 2 * (sold(130, n) - sold(100, n)) + 4.5 * sold(100, n) - 1.5 * n for n in range(301)]
    assert earned[order.quantity] >= max(earned) - 0.5
    assert found.plants == pytest.approx(sold(130, order.quantity) - sold(100, order.quantity), abs=0.5)
    assert found.plants <= 30
    (why,) = plan.left_out().values()
    assert (why.reason, why.margin) == ("loses", pytest.approx(-0.7, abs=0.02))
    forecast.write_season(made, tmp_path / "season")
    assert main(["order", str(tmp_path / "season"), "--draws", "512", "--seed", "1"]) == 0
    title, first, *rest = [line for line in capsys.readouterr().out.splitlines() if line]
    assert title.startswith("test: what to order")
    assert first == str(found)
    left = f"B: none this year, because {why}"
    assert left in rest
    forecast.report(made, tmp_path / "page.html", plan=plan)
    page = unescape((tmp_path / "page.html").read_text(encoding="utf-8"))
    assert 0 < page.index(str(found)) < page.index(left)
    assert page.index(str(found)) < page.index("<table")
