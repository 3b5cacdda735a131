"""A whole order by hand, where no plant is lost: what is asked for, refused and told.

Plants come in week 12 and are saleable in week 16, at 0.5 and three minutes of 20 an hour each. 100 of A at 2, in
boxes of fifty at 10, and 150 of B at 3 are sold at 9.
"""

import math

import pytest
from small_seasons import offer, season, stage

import forecast
from forecast.errors import OutOfReach, Refused
from forecast.planning.whole_order import plan_orders

FEW = {"draws": 8, "seed": 3}
WEEK = {"first_week": "2027-W12", "last_week": "2027-W12"}


def sold(**header):
    offers = [
        offer("A", unit_price=2, deposit=0.25, plants_per_box=50, freight_per_box=10, **WEEK),
        offer("B", lab="Other lab", unit_price=3, **WEEK),
    ]
    plan = season(
        [stage(typical=4, survival=1, cost=0.5, minutes=3)],
        varieties="AB",
        price_list=offers,
        targets=[{"variety": name, "week": "2027-W16", "target": number} for name, number in (("A", 100), ("B", 150))],
        weeks=20,
        hourly_wage=20,
        **header,
    )
    return plan.replace(varieties=[row.replace(sale_price=9.0) for row in plan.varieties])


def test_a_plan_is_told_word_for_word():
    """A earns 100 x (9 - 3.5) - 20, B 150 x (9 - 4.5); they cost 370 and 675, of which 670 for plants and freight."""
    found = plan_orders(sold(budget=2000.0), gap=1e-9, **FEW)
    assert found.margin == pytest.approx(530 + 675)
    assert found.bound == pytest.approx(1205)
    assert found.cost == pytest.approx(370 + 675)
    assert str(found).splitlines() == [
        "Order 250 plantlets of 2 varieties in 2 orders, for 670 EUR with freight; grown on they cost 1,050 EUR of the "
        "2,000.",
        "They earn about 1,200 EUR, in the worst tenth of seasons about 1,200 EUR. No plan earns more on these draws.",
    ]
    assert found.table().to_dict("records") == [
        {
            "lab": "Lab", "week": "2027-W12", "variety": "A", "form": "", "quantity": 100, "unit_price": 2.0,
            "price": 200.0, "deposit": 50.0, "balance": 150.0,
        },
        {
            "lab": "Other lab", "week": "2027-W12", "variety": "B", "form": "", "quantity": 150, "unit_price": 3.0,
            "price": 450.0, "deposit": 0.0, "balance": 450.0,
        },
    ]  # fmt: skip
    assert (found.aim, found.draws, found.seed) == ("margin", 8, 3)
    assert 0 < found.seconds < 60
    assert found.season == sold(budget=2000.0)


def test_the_least_cost_is_told_word_for_word():
    found = plan_orders(sold(), aim="cost", **FEW)
    assert found.margin == pytest.approx(-1045)
    assert str(found).splitlines() == [
        "Order 250 plantlets of 2 varieties in 2 orders, for 670 EUR with freight; grown on they cost 1,050 EUR.",
        "All that is wanted is met as surely as asked; no plan does it for less.",
    ]


def test_a_scarce_budget_is_spent_on_what_earns_most_for_it():
    """With 400 to spend: B earns 1 for 1, and A, whole boxes apart, 1.43 for 1."""
    found = plan_orders(sold(budget=400.0), gap=1e-9, **FEW)
    numbers = {row.variety: row.quantity for row in found.orders}
    assert numbers == {"A": 100, "B": 6}
    assert found.margin == pytest.approx(530 + 6 * 4.5)
    assert found.cost == pytest.approx(370 + 6 * 4.5)


def test_unless_said_otherwise_a_variety_may_have_two_deliveries():
    """Ready after four weeks and past its best after one, wanted in weeks 16 and 18."""
    plan = sold().replace(
        targets=[{"variety": "A", "week": week, "target": 100} for week in ("2027-W16", "2027-W18")],
        price_list=[offer("A", first_week="2027-W12", last_week="2027-W14")],
    )
    plan = plan.replace(varieties=[row.replace(saleable_weeks=1) for row in plan.varieties])
    two, one = plan_orders(plan, **FEW), plan_orders(plan, deliveries=1, **FEW)
    assert [(str(row.week), row.quantity) for row in two.orders] == [("2027-W12", 100), ("2027-W14", 100)]
    assert two.margin == pytest.approx(2 * one.margin) == pytest.approx(2 * 100 * (9 - 2.5))


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"time_limit": True}, "time_limit, True: not a number above 0. Give a number above 0."),
        ({"time_limit": "60"}, "time_limit, '60': not a number above 0. Give a number above 0."),
        ({"time_limit": 0}, "time_limit, 0: not a number above 0. Give a number above 0."),
        ({"worst_tenth": True}, "worst_tenth, True: no floor for this aim. Give a number, with the aim margin."),
        ({"worst_tenth": "0"}, "worst_tenth, '0': no floor for this aim. Give a number, with the aim margin."),
        ({"worst_tenth": math.nan}, "worst_tenth, nan: no floor for this aim. Give a number, with the aim margin."),
        ({"seed": -1}, "seed, '-1': not usable. Give a whole number from 0 to 9,223,372,036,854,775,807."),
    ],
)
def test_what_is_no_such_number_is_refused(options, said):
    with pytest.raises(Refused) as refused:
        plan_orders(sold(), **FEW | options)
    assert str(refused.value) == said


def test_whole_numbers_will_do_where_a_number_is_asked_for():
    found = plan_orders(sold(), time_limit=20, gap=1, worst_tenth=1000, **FEW)
    assert found.margin == pytest.approx(1205)
    assert found.limits().set_index("limit").loc["bad years", "available"] == 1000


def test_all_scenarios_out_of_reach_are_named_and_the_others_kept_in_their_order():
    scenarios = {"a": sold(), "poor": sold(budget=100.0), "b": sold(budget=2000.0), "poorer": sold(budget=1.0)}
    heard = []
    with pytest.raises(OutOfReach) as caught:
        plan_orders(scenarios, aim="cost", progress=lambda *told: heard.append(told), **FEW)
    lack = "No plan gives all that is wanted as surely as asked within the limits: {} EUR of budget are lacking. "
    lines = str(caught.value).splitlines()
    assert [line.split(" With")[0] + " " for line in lines] == [
        f"poor: {lack.format(945)}", f"poorer: {lack.format('1,044')}",
    ]  # fmt: skip
    assert list(caught.value.best) == ["a", "b"]
    assert [plan.margin for plan in caught.value.best.values()] == pytest.approx([-1045, -1045])
    assert [told[:2] for told in heard] == [(1, 4), (2, 4), (3, 4), (4, 4)]
    seconds = [told[2] for told in heard]
    assert seconds == sorted(seconds)
    assert 0 < seconds[0] < seconds[-1] < 60


def test_scenarios_for_the_least_cost_need_no_price_and_name_what_has_none_for_a_margin():
    plan = sold()
    unpriced = plan.replace(varieties=[plan.varieties[0], plan.varieties[1].replace(sale_price=None)])
    assert list(plan_orders({"b": unpriced}, aim="cost", **FEW)) == ["b"]
    only = unpriced.replace(targets=plan.targets[:1])
    assert plan_orders(only, **FEW).margin == pytest.approx(530)
    with pytest.raises(Refused) as refused:
        plan_orders({"b": unpriced}, **FEW)
    assert str(refused.value) == (
        "b, varieties, row 2, column sale_price: wanted, but without a price. Fill in the price at which it is sold."
    )
    with pytest.raises(Refused) as refused:
        forecast.plan_orders([plan], **FEW)
    assert str(refused.value) == "season, 'list': not a season. Give a season, or several by name."
