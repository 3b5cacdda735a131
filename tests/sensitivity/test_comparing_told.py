"""What is said of two scenarios that hardly differ, or of which only one wants a plant."""

from small_seasons import offer, season, stage

from forecast import compare

ORDERS = [("A", "2027-W05", 100)]


def plan(survival=0.5, **cells):
    rows = season(
        [stage("arrival", survival=survival)],
        price_list=[offer(unit_price=1.0)],
        targets=[{"variety": "A", "week": "2027-W20", "target": 60}],
    )
    return rows.replace(varieties=[rows.variety("A").replace(sale_price=2.0)], **cells)


def said(one, other, **asked):
    return str(compare(one, other, orders=ORDERS, draws=16, seed=1, **asked)).splitlines()


def test_what_changes_neither_plants_nor_money_is_said_to():
    one = plan()
    other = one.replace(varieties=[one.variety("A").replace(pot="1 l")])
    assert said(one, other) == [
        "Both earn the same.",
        "As many plants are saleable in both.",
        "What differs: varieties, A: pot empty to 1 l.",
    ]


def test_a_dearer_plantlet_changes_the_margin_and_no_plant():
    one = plan()
    other = one.replace(price_list=[one.price_list[0].replace(unit_price=1.25)])
    first, second, third = said(one, other)
    assert first == "The other earns about 25 EUR less on average (25 to 25); it is better in no season in 100."
    assert second == "As many plants are saleable in both."
    assert third == "What differs: price_list, Lab, A, 1, 2027-W01: unit_price 1 to 1.25."


def test_a_plant_that_only_one_wants_is_told_without_a_chance():
    one = plan()
    row = one.targets[0]
    other = one.replace(targets=[row.replace(week="2027-W22")]).with_stage("crop", "arrival", survival=0.6)
    assert said(one, other)[1] == "It has about 60 more A saleable in 2027-W22 (60 to 60)."  # in the first all are sold


def test_the_season_itself_is_compared_too():
    one = plan()
    assert said(one, plan(budget=500.0))[-1] == "What differs: season: budget empty to 500."
