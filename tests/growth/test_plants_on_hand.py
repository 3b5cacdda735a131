"""Plants that are there when the season begins: against plants followed one by one, by hand, and laws."""

import math

import numpy as np
import pytest
from small_seasons import asks, offer, season, stage

import forecast
from forecast.fates.fate import Batch
from forecast.growth.simulation import batches_of, outcome_of, season_streams
from forecast.ordering.shipments import shipment_of
from forecast.resources.reached import Reached
from forecast.season.orders import OnHand
from forecast.sensitivity.expected import Expected
from forecast.sensitivity.inputs import inputs_of, outcome_with
from forecast.show.calendar import write_calendar
from forecast.show.panel_state import WhatIf

FIRST = "2027-W01"
ROUTE = [
    stage("weaning", typical=5, plants_cv=0.25, batches_cv=0.15, survival=0.8, survival_sd=0.06),
    stage("growing on", typical=8, plants_cv=0.15, batches_cv=0.1, survival=0.9, survival_sd=0.03),
    stage("grading", survival=0.95),
]
RNG = 20270104


def there(stage="growing on", quantity=60, since="2026-W52", variety="A"):
    return {"variety": variety, "stage": stage, "quantity": quantity, "since": since}


def log_sd(cv):
    return math.sqrt(math.log1p(cv * cv))


def followed(rows, quantity, ago, replicates, per_week=(1.0, 1.0), weeks=40):
    """Follow single plants: those that entered the first of some stages `ago` weeks before, and are in it at time 0.

    `per_week` is how fast the clock of each stage runs. Return by week the plants in each stage and through, shape
    (stages + 1, weeks, replicates).
    """
    rng = np.random.default_rng(RNG)
    counts = np.zeros((len(rows) + 1, weeks, replicates))
    for at in range(replicates):
        alive, slow = [], []
        for row in rows:
            share = row["survival"]
            if row.get("survival_sd"):
                size = share * (1 - share) / row["survival_sd"] ** 2 - 1
                share = rng.beta(share * size, (1 - share) * size)
            alive.append(share)
            slow.append(row["typical"] * math.exp(log_sd(row.get("batches_cv", 0)) * rng.standard_normal()))
        found = 0
        while found < quantity:
            vigour, time = rng.standard_normal(), 0.0
            begins, ends, dies = [], [], math.inf
            for k, (row, share, need) in enumerate(zip(rows, alive, slow, strict=True)):
                takes = need * math.exp(log_sd(row.get("plants_cv", 0)) * vigour) / per_week[min(k, 1)]
                begins.append(time)
                hazard, life = -math.log(share), rng.exponential()
                if life < hazard:
                    dies = min(dies, time + (life / hazard if takes else 0.0) * takes)
                time += takes
                ends.append(time)
            if not (ends[0] > ago and dies > ago):
                continue
            found += 1
            for week in range(weeks):
                now = week + ago + 1e-9
                if now < dies:
                    counts[sum(now >= end for end in ends), week, at] += 1
    return counts


@pytest.mark.parametrize("ago", [0, 2, 6])
@pytest.mark.parametrize("first", [0, 1])
def test_plants_on_hand_are_where_plants_are_that_are_followed_one_by_one(first, ago):
    """Those of a replicate that are alive in their stage when the season begins; each cell within 4 standard errors."""
    name, quantity, replicates = ROUTE[first]["stage"], 20, 1500
    plan = season(ROUTE, on_hand=[there(name, quantity, str(forecast.Week.parse(FIRST) + -ago))])
    outcome = forecast.simulate(plan, draws=4096, seed=1)
    (batch,) = outcome.batches
    found = followed(ROUTE[first:], quantity, ago, replicates)
    standing, ready = outcome.fate(batch).course(np.arange(40.0))
    assert not standing[:first].any()
    shares = [*standing[first:], ready]
    for k, share in enumerate(shares):
        for week in (0, 1, 3, 5, 8, 12, 20):
            mean = quantity * share[week].mean()
            error = max(found[k, week].std() / math.sqrt(replicates), 1e-9)
            assert abs(mean - found[k, week].mean()) <= 4 * error + 0.004 * quantity, (k, week)
    for week in (6, 10, 14):
        for least in (8, 12, 16):
            chance = float((found[-1, week] >= least).mean())
            error = math.sqrt(max(chance * (1 - chance), 1 / replicates) / replicates)
            told = outcome.chance("A", week=forecast.Week.parse(FIRST) + week, at_least=least)
            assert abs(told - chance) <= 4 * error + 0.01, (week, least)


WARM = [{"month": month, "t_min": 14, "t_max": 22, "year_sd": 0} for month in range(1, 13)]


def test_warmth_before_the_season_is_that_of_climate_normals():
    """At 18 °C day by day, 8 above the base, 56 °C days a week are what makes a week in a stage of weeks."""
    by_weeks = [stage("weaning", typical=5, plants_cv=0.25), stage("growing on", typical=8, plants_cv=0.15)]
    cells = {"runs_on": "degree-days", "base_temperature": 10, "upper_threshold": None}
    by_warmth = [row | cells | {"typical": 56 * row["typical"]} for row in by_weeks]
    for ago in (0, 3, 7):
        rows = [there("weaning", since=str(forecast.Week.parse(FIRST) + -ago))]
        usual, warm = (
            forecast.simulate(season(route, climate=WARM, on_hand=rows), draws=8, seed=1)
            for route in (by_weeks, by_warmth)
        )
        told, found = (one.fate(one.batches[0]).course(np.arange(40.0)) for one in (usual, warm))
        assert found[0] == pytest.approx(told[0], abs=0.004)
        assert found[1] == pytest.approx(told[1], abs=0.004)


SURE = [
    stage("weaning", typical=4, survival=0.5, cost=1),
    stage("growing on", typical=6, survival=1, cost=2, minutes=6),
]


def test_what_is_left_of_a_route_is_met_and_nothing_of_what_was_before():
    """60 in weaning for two of its four weeks: half of the loss is behind them, so 0.5^(1/2) of them live."""
    plan = season(SURE, on_hand=[there("weaning", since="2026-W52"), there("growing on", 10)])
    outcome = forecast.simulate(plan, draws=4, seed=1)
    weaned, grown = outcome.batches
    assert outcome.fate(weaned).survival == pytest.approx(np.full(4, math.sqrt(0.5)))
    assert outcome.fate(grown).survival == pytest.approx(np.ones(4))
    ready = [outcome.fate(batch).ready(np.arange(12.0))[:, 0] for batch in outcome.batches]
    assert np.flatnonzero(ready[0])[0] == 8  # two more weeks to wean, six to grow
    assert np.flatnonzero(ready[1])[0] == 4
    assert outcome.varieties == ("A",)
    assert outcome.ordered == ()
    assert (outcome.table("A")["median"].to_numpy()[[3, 4, 7]] == [0, 10, 10]).all()


def test_only_what_is_still_to_be_done_is_paid_from_the_first_week_on():
    """Ten that grow on have paid to enter; 60 that are weaned pay 2, and a tenth of an hour at 20, to grow on."""
    house = [{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 1}]
    plan = season(SURE, places=house, hourly_wage=20, targets=[asks(10, "2027-W05")], on_hand=[there(quantity=10)])
    plan = plan.replace(varieties=(plan.varieties[0].replace(sale_price=5),))
    entries = forecast.cash_flow(forecast.simulate(plan, draws=8, seed=1)).entries()
    assert entries[["week", "what"]].to_numpy().tolist() == [
        *([f"2027-W0{week}", "bench"] for week in (1, 2, 3, 4)), ["2027-W05", "sales"],
    ]  # fmt: skip
    assert entries["amount"].tolist() == pytest.approx([-0.1] * 4 + [50])
    plan = plan.replace(on_hand=[there("weaning", 60, "2026-W52")], targets=())
    entries = forecast.cash_flow(forecast.simulate(plan, draws=8, seed=1)).entries()
    paid = entries[entries["what"].isin(["stages", "work"])]
    assert paid["week"].tolist() == ["2027-W03"] * 2
    assert paid["amount"].tolist() == pytest.approx([-2 * 60 * math.sqrt(0.5)] * 2)
    assert forecast.hours_of_work(forecast.simulate(plan, draws=8, seed=1)).by_stage["stage"].tolist() == ["growing on"]


def test_plants_that_should_have_left_long_ago_leave_at_once():
    plan = season(SURE, on_hand=[there("weaning", since="2026-W20")])
    outcome = forecast.simulate(plan, draws=4, seed=1)
    standing, ready = outcome.fate(outcome.batches[0]).course(np.array([0.0, 1.0, 5.0, 6.0]))
    assert (standing[1, :3] == 1).all()
    assert (ready[:, 0] == [0, 0, 0, 1]).all()


def test_plants_on_hand_change_no_stream_of_what_is_ordered():
    orders = [("A", "2027-W03", 60), ("B", "2027-W04", 40)]
    alone, both = season(ROUTE, varieties="AB"), season(ROUTE, varieties="AB", on_hand=[there(), there("weaning", 9)])
    one, other = (forecast.simulate(plan, orders, draws=64, seed=1) for plan in (alone, both))
    assert [batch.there for batch in other.batches] == [*both.on_hand, None, None]
    assert other.ordered == one.batches
    for batch in one.batches:
        assert (one.fate(batch).ready(np.arange(40.0)) == other.fate(batch).ready(np.arange(40.0))).all()
    assert (one.ready("B") == other.ready("B")).all()
    left = forecast.simulate(season(ROUTE, varieties="AB", on_hand=[there("weaning", 9), there()]), orders, draws=64)
    assert (other.ready("A") == left.ready("A")).all()
    assert (other.ready("A") >= one.ready("A")).all()


def test_blocks_and_some_of_the_plants_give_the_same():
    orders = [("A", "2027-W03", 60), ("B", "2027-W04", 40)]
    plan = season(ROUTE, varieties="AB", on_hand=[there(), there("weaning", 9, variety="B")], targets=[asks(30)])
    whole = forecast.simulate(plan, orders, draws=32, seed=1)
    parts = forecast.simulate(plan, orders, draws=32, seed=1, block=1)
    assert (whole.table() == parts.table()).all(axis=None)
    assert (whole.drawn.area()[0] == parts.drawn.area()[0]).all()
    streams = season_streams(32, 1)
    own = outcome_of(plan, [], streams, plan.on_hand[:1])
    assert own.varieties == ("A",)
    assert (own.ready("A") == forecast.simulate(plan.only(["A"]), [], draws=32, seed=1).ready("A")).all()


def test_a_batch_on_hand_has_the_luck_of_its_stage_and_week():
    row = OnHand(**there())
    (batch,) = batches_of(season(ROUTE, on_hand=[row]), [])
    assert batch == Batch("A", 0, forecast.Week.parse(FIRST), 60, there=row)
    assert batch.luck == "there, growing on, 2026-W52"
    assert Batch("A", 2, forecast.Week.parse(FIRST), 60).luck == "2"


def test_without_orders_the_plants_on_hand_are_enough_to_simulate():
    with pytest.raises(forecast.Refused, match="there are no orders"):
        forecast.simulate(season(ROUTE), draws=8)
    assert forecast.simulate(season(ROUTE, on_hand=[there()]), draws=8).batches[0].quantity == 60


def test_a_target_that_only_plants_on_hand_can_meet_is_no_contradiction():
    late = [offer("A", first_week="2027-W20")]
    plan = season(ROUTE, price_list=late, targets=[asks(10, "2027-W08")], on_hand=[there()])
    assert forecast.simulate(plan, draws=64, seed=1).targets()["chance"].iloc[0] > 0.5
    with pytest.raises(forecast.Refused, match="before any delivery is possible"):
        season(ROUTE, price_list=late, targets=[asks(10, "2027-W08")])


def test_nothing_that_is_done_about_deliveries_touches_plants_on_hand():
    """1,000 on hand fill the house of 10 m² alone; of the two deliveries only one is there with them."""
    places = [{"place": "house", "area": 10, "usable": 1}]
    sure = [stage("growing on", typical=6, survival=1)]
    rows, wanted = [there(quantity=1000)], [asks(100, "2027-W30")]
    plan = season(sure, places=places, on_hand=rows, targets=wanted, saleable_weeks=1)
    outcome = forecast.simulate(plan, [("A", "2027-W02", 100), ("A", "2027-W20", 100)], draws=16, seed=1)
    space = forecast.bench_space(outcome)
    assert space.causes("house")["week"].tolist() == ["2027-W02", "2027-W20"]
    assert space.causes("house")["without"].tolist() == [0, 1]
    best = space.remedies("house", most=0.0).best
    assert best["deliveries"].startswith("2027-W0")
    assert best["overrun"] == 0


def test_the_stages_ahead_of_plants_on_hand_are_uncertain_and_those_behind_them_are_not():
    plan = season(ROUTE, on_hand=[there(quantity=1000)], targets=[asks(500, "2027-W12")])
    plan = plan.replace(varieties=(plan.varieties[0].replace(sale_price=5),))
    outcome = forecast.simulate(plan, draws=256, seed=1)
    inputs = inputs_of(plan, outcome.batches, outcome.streams, {})
    assert list(inputs) == ["growing on survival of crop", "growing on time of crop"]
    same = outcome_with(plan, outcome.batches, outcome.streams, inputs, {})
    weeks = np.arange(40.0)
    (batch,) = outcome.batches
    assert (same.fate(batch).ready(weeks) == outcome.fate(batch).ready(weeks)).all()
    survival = inputs["growing on survival of crop"]
    set_ = {survival.name: np.full(survival.drawn.shape, 1.5)}
    better = outcome_with(plan, outcome.batches, outcome.streams, inputs, set_)
    assert better.fate(batch).survival.mean() > outcome.fate(batch).survival.mean()
    found = forecast.what_drives(plan, draws=128, seed=1)
    assert set(found.table()["input"]) == set(inputs)


def test_the_panel_counts_plants_on_hand_once():
    rows = [there(quantity=500), there("weaning", 300, variety="B")]
    plan = season(ROUTE, varieties="AB", on_hand=rows, targets=[asks(100, "2027-W20"), asks(90, "2027-W20", "B")])
    plan = plan.replace(varieties=[row.replace(sale_price=5) for row in plan.varieties])
    orders = [("A", "2027-W02", 100), ("B", "2027-W03", 120)]
    state = WhatIf(plan, "A", orders=orders, draws=64, seed=1)
    assert [row.quantity for row in state.answer().orders] == [100, 120]
    whole = forecast.bench_space(forecast.simulate(plan, orders, draws=64, seed=1)).table().set_index("week")
    shown = state.answer().benches["house"].set_index("week")
    assert shown["median"].to_numpy() == pytest.approx(whole.loc[shown.index, "median"].to_numpy(), abs=0.02)


def test_the_calendar_says_when_plants_on_hand_go_on_and_are_ready_and_neither_orders_nor_delivers_them(tmp_path):
    plan = season(SURE, on_hand=[there("weaning", 60, "2026-W52")])
    write_calendar(forecast.simulate(plan, [("A", "2027-W02", 10, "Lab")], draws=8, seed=1), tmp_path / "plan.ics")
    text = (tmp_path / "plan.ics").read_text(encoding="utf-8").replace("\r\n ", "")
    events = [part for part in text.split("BEGIN:VEVENT")[1:] if "on hand\\, in weaning since" in part]
    starts = [line for part in events for line in part.splitlines() if line.startswith("DTSTART")]
    assert [line[-8:] for line in starts] == ["20270118", "20270301"]  # weeks 3 and 9
    assert "Order from Lab: 10" in text
    assert text.count("Delivery from") == 1


def test_what_more_plants_would_take_leaves_plants_on_hand_as_they_are():
    """60 that grow on are ready for sure; of 100 asked for, 40 more are needed beside them, and not 100."""
    sure = [stage("growing on", typical=6, survival=1)]
    rows = [there(quantity=60), there(quantity=7, variety="B")]
    plan = season(sure, varieties="AB", on_hand=rows, targets=[asks(100, "2027-W20")])
    plan = plan.replace(varieties=[row.replace(sale_price=5) for row in plan.varieties])
    outcome = forecast.simulate(plan, [("A", "2027-W02", 10)], draws=16, seed=1)
    orders = [shipment_of(plan, batch) for batch in outcome.ordered]
    (found,) = Reached(outcome, orders, forecast.cash_flow(outcome)).table().to_dict("records")
    assert (found["sold"], found["short"], found["more_plants"]) == (70, 30, 30)
    assert (found["more_cost"], found["more_income"]) == (30, 150)


@pytest.mark.parametrize("life", [None, 5])
def test_plants_that_were_saleable_before_the_season_are_sold_first_and_pass_their_best_first(life):
    """40 are saleable for two weeks, 30 for four, 50 will be in the fourth: of five weeks three, one and five are left.

    25 are wanted in the second week and 30 in the fourth. Of plants that keep, all are of the oldest; else the 30 are
    past their best in the second week, and what is left of the 40 in the fourth.
    """
    sure = [stage("growing on", typical=4, survival=1)]
    rows = [there("saleable", 40, "2026-W52"), there("saleable", 30, "2026-W50"), there("growing on", 50, "2026-W50")]
    ends = [asks(25, "2027-W02"), asks(30, "2027-W04")]
    house = [{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 1}]
    plan = season(sure, on_hand=rows, targets=ends, saleable_weeks=life, places=house)
    plan = plan.replace(varieties=(plan.varieties[0].replace(sale_price=5, markdown_price=1, outlet=1000),))
    plan = plan.replace(on_hand=[plan.on_hand[2].replace(since="2026-W53"), *plan.on_hand[:2]])  # ready in week 4
    outcome = forecast.simulate(plan, draws=4, seed=1)
    unsold = outcome.saleable("A")[:, 0]
    before, after = (one[:, 0] for one in outcome.on_hand("A"))
    if life is None:
        assert unsold[:5].tolist() == [70, 70, 70, 120, 120]
        assert (before[:4].tolist(), after[:4].tolist()) == ([70, 70, 45, 95], [70, 45, 45, 65])
    else:
        assert unsold[:9].tolist() == [70, 40, 40, 50, 50, 50, 50, 50, 0]
        assert (before[:4].tolist(), after[:4].tolist()) == ([70, 40, 15, 50], [70, 15, 15, 20])
    chances = [outcome.chance("A", week=f"2027-W0{week}", at_least=70) for week in (1, 2)]
    assert chances == pytest.approx([1, 1] if life is None else [1, 0])
    entries = forecast.cash_flow(outcome).entries()
    bench = -entries[entries["what"] == "bench"]["amount"].to_numpy()
    standing = [unsold[0], after[1], after[2]]  # and 50 in their stage, until all leaves in the fourth week
    assert bench == pytest.approx([(number + 50) / 100 for number in standing])
    down = entries[entries["what"] == "markdown"]
    expected = {"2027-W04": 65.0} if life is None else {"2027-W02": 30.0, "2027-W04": 35.0}
    assert dict(zip(down["week"], down["amount"], strict=True)) == pytest.approx(expected)
    mean = Expected(outcome, "A")
    assert mean.on_hand()[:4, 0] == pytest.approx(before[:4])
