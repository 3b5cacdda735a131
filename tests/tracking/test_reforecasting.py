"""Where a running season stands, what will come, and topping up: laws, brute force, and imagined nurseries."""

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from labelled import plants_by_state, saleable_by_week
from scipy import stats
from small_seasons import beta_spread, offer, season, stage

import forecast
from forecast import Refused
from forecast.growth.summaries import at_least
from forecast.records.batches import BatchRecord, CountRecord
from forecast.records.records import Records
from forecast.resources.labour import hours_of_work
from forecast.tracking.reforecasting import narrowing, reforecast
from forecast.words import records as words

SHARED = "season 0.4 batch 0.6"
ROUTE = [
    stage(typical=4, batches_cv=0.15, plants_cv=0.12, time_level=SHARED, survival_level=SHARED, minutes=1)
    | beta_spread(16.0, 4.0),
    stage("growing on", typical=6, batches_cv=0.15, plants_cv=0.12, time_level=SHARED, minutes=2)
    | {"survival_level": SHARED}
    | beta_spread(27.0, 3.0),
]
ORDERS = [
    {"variety": "A", "week": "2027-W03", "quantity": 300, "lab": "Lab"},
    {"variety": "A", "week": "2027-W06", "quantity": 200, "lab": "Lab"},
    {"variety": "B", "week": "2027-W04", "quantity": 150, "lab": "Lab"},
]
WANTED = [{"variety": "A", "week": "2027-W25", "target": 350}, {"variety": "B", "week": "2027-W25", "target": 100}]
MONDAYS = {row["week"]: forecast.Week.parse(row["week"]).monday for row in ORDERS}


def plan(route=ROUTE, **cells):
    return season(route, **({"varieties": ("A", "B"), "orders": ORDERS, "targets": WANTED} | cells))


def came(name, row, **cells):
    usual = {"batch": name, "variety": row["variety"], "lab": "Lab", "delivered": MONDAYS[row["week"]]}
    return BatchRecord(**(usual | {"ordered": row["quantity"], "received": row["quantity"]} | cells))


def count(name, day, where="acclimatisation", alive=0, transferred=0, saleable=0, losses=0):
    rows = {"alive": alive, "transferred": transferred, "saleable": saleable, "losses": losses}
    return CountRecord(batch=name, date=day, stage=where, **rows)


BATCHES = [came(f"B{i}", row) for i, row in enumerate(ORDERS)]
DAY = date(2027, 3, 1)  # W09
COUNTS = [
    count("B0", date(2027, 2, 1), alive=290, losses=10),
    count("B0", date(2027, 2, 15), alive=280, transferred=200, losses=10),
    count("B0", date(2027, 2, 22), alive=78, transferred=70, losses=2),
    count("B0", date(2027, 2, 22), "growing on", alive=197, losses=3),
    count("B1", date(2027, 2, 22), alive=196, losses=4),
    count("B2", date(2027, 2, 8), alive=150),
    count("B2", date(2027, 2, 24), alive=120, transferred=20, losses=30),
]
RECORDS = Records(batches=BATCHES, counts=COUNTS)


def same(one, other, weeks_from="2027-W01"):
    """Whether two outcomes give the same tables, and chances to 1e-9."""
    first, second = (outcome.table() for outcome in (one, other))
    if not first[first["week"] >= weeks_from].equals(second[second["week"] >= weeks_from]):
        return False
    numbers = (one.chances("A", week=week, at_least=n) for week in ("2027-W15", "2027-W25") for n in (50, 150, 350))
    again = (other.chances("A", week=week, at_least=n) for week in ("2027-W15", "2027-W25") for n in (50, 150, 350))
    return all(np.abs(a - b).max() < 1e-9 for a, b in zip(numbers, again, strict=True))


# At the ends


def test_before_any_delivery_it_is_the_forecast_of_the_orders():
    made = plan()
    for day in ("2027-01-04", "2027-01-17"):
        found = reforecast(made, Records(), on_date=day, draws=256, seed=3)
        assert same(found.outcome, forecast.simulate(made, draws=256, seed=3))
        assert found.outcome.targets().equals(forecast.simulate(made, draws=256, seed=3).targets())
        assert found.overdue == ()
        assert found.cohorts["plants"].tolist() == [300, 200, 150]


def test_plants_on_hand_when_the_season_began_are_forecast_from_then_on():
    rows = [{"variety": "A", "stage": "acclimatisation", "quantity": 80, "since": "2026-W52"}]
    made = plan(on_hand=rows)
    found = reforecast(made, Records(), on_date="2027-01-17", draws=256, seed=3)
    assert same(found.outcome, forecast.simulate(made, draws=256, seed=3))
    assert not same(found.outcome, forecast.simulate(plan(), draws=256, seed=3))
    assert found.cohorts.iloc[0].tolist() == [
        "A", "on hand", "acclimatisation", date(2026, 12, 21), date(2027, 1, 4), 80,
    ]  # fmt: skip
    assert found.cohorts["batch"].tolist() == ["on hand", "", "", ""]


def test_orders_of_one_lab_and_week_are_one_batch_before_they_come_as_in_a_forecast():
    """Those that name no lab are another, with another luck."""
    made = plan(orders=[*ORDERS, {**ORDERS[0], "quantity": 40}, {"variety": "A", "week": "2027-W03", "quantity": 30}])
    found = reforecast(made, Records(), on_date="2027-01-04", draws=256, seed=3)
    expected = forecast.simulate(made, draws=256, seed=3)
    assert same(found.outcome, expected)
    assert [*found.outcome.batches] == [*expected.batches]
    assert [batch.quantity for batch in expected.batches] == [30, 340, 200, 150]


@pytest.mark.parametrize("counted", [False, True])
def test_on_the_day_of_the_first_delivery_it_is_the_forecast(counted):
    made = plan()
    first = [count("B0", MONDAYS["2027-W03"], alive=300)] if counted else []
    found = reforecast(made, Records(batches=BATCHES, counts=first), on_date=MONDAYS["2027-W03"], draws=256, seed=3)
    assert same(found.outcome, forecast.simulate(made, draws=256, seed=3))
    assert found.cohorts["batch"].tolist() == ["B0", "", ""]


def test_on_the_day_of_the_first_delivery_of_a_warm_season_it_is_the_forecast():
    climate = [{"month": i + 1, "t_min": 8, "t_max": 18, "year_sd": 1.5} for i in range(12)]
    cold = {"cold_below": 10, "cold_loss": 0.2}
    warm = [ROUTE[0] | cold, ROUTE[1] | {"runs_on": "degree-days", "base_temperature": 5, "typical": 300}]
    made = plan(warm, climate=climate)
    found = reforecast(made, Records(batches=BATCHES[:1]), on_date=MONDAYS["2027-W03"], draws=256, seed=3)
    assert same(found.outcome, forecast.simulate(made, draws=256, seed=3))


def test_where_all_arrive_alive_the_arrival_is_behind_them():
    made = plan([stage("arrival", survival=1), *ROUTE])
    found = reforecast(made, Records(batches=BATCHES[:1]), on_date=MONDAYS["2027-W03"], draws=256, seed=3)
    assert same(found.outcome, forecast.simulate(made, draws=256, seed=3))
    assert found.cohorts["stage"].tolist() == ["acclimatisation", "", ""]


def test_a_delivery_that_may_still_come_this_week_is_counted_on_and_a_week_later_it_is_not():
    made = plan()
    sunday = MONDAYS["2027-W03"] + timedelta(6)
    assert reforecast(made, Records(), on_date=sunday, draws=64, seed=1).overdue == ()
    found = reforecast(made, Records(), on_date=sunday + timedelta(1), draws=64, seed=1)
    assert [str(row.week) for row in found.overdue] == ["2027-W03"]
    assert words.overdue(variety="A", lab="Lab", week="2027-W03", quantity=300, to_come=300) in str(found)
    assert found.cohorts["plants"].tolist() == [200, 150]


def test_a_delivery_that_came_a_week_early_or_late_is_not_awaited_once_more():
    made = plan()
    for days in (-7, 7):
        shifted = BATCHES[1].model_copy(update={"delivered": MONDAYS["2027-W06"] + timedelta(days)})
        day = min(MONDAYS["2027-W06"], MONDAYS["2027-W06"] + timedelta(days))
        day = shifted.delivered if days > 0 else day
        found = reforecast(made, Records(batches=[*BATCHES[:1], BATCHES[2], shifted]), on_date=day, draws=64, seed=1)
        assert found.overdue == ()
        assert found.cohorts["plants"].sum() == 650


def test_when_all_are_saleable_or_discarded_it_is_the_count():
    counts = [
        count("B0", date(2027, 3, 1), alive=240, transferred=240, losses=60),
        count("B0", date(2027, 4, 12), "growing on", alive=230, saleable=230, losses=10),
        count("B1", date(2027, 3, 22), alive=170, transferred=170, losses=30),
        count("B1", date(2027, 5, 4), "growing on", alive=160, saleable=100, losses=10),
        count("B1", date(2027, 5, 12), "growing on", alive=55, saleable=55, losses=5),
        count("B2", date(2027, 3, 15), alive=0, losses=150),
    ]
    found = reforecast(plan(), Records(batches=BATCHES, counts=counts), on_date="2027-05-13", draws=64, seed=1)
    last = found.outcome.table("A").set_index("week").loc["2027-W25"]
    assert [last["p5"], last["median"], last["p95"]] == [385, 385, 385]
    by_week = found.outcome.table("A").set_index("week")["median"]
    assert by_week[["2027-W14", "2027-W15", "2027-W18", "2027-W19", "2027-W20"]].tolist() == [0, 230, 230, 330, 385]
    assert found.outcome.chance("A", week="2027-W25", at_least=385) == pytest.approx(1, abs=1e-12)
    assert found.outcome.chance("A", week="2027-W25", at_least=386) == pytest.approx(0, abs=1e-12)
    assert found.targets("A")["chance"].tolist() == [1]
    assert found.targets("B")["chance"].tolist() == [0]
    assert found.outcome.varieties == ("A",)
    assert forecast.bench_space(found.outcome).table()["p95"].max() < 3.86  # 100 to the m²; none grows any more


# In between


def test_every_plant_is_accounted_for_and_none_is_twice():
    found = reforecast(plan(), RECORDS, on_date=DAY, draws=64, seed=1)
    rows = found.cohorts.groupby(["batch", "stage"])["plants"].sum()
    assert rows.to_dict() == {
        ("B0", "acclimatisation"): 8,
        ("B0", "growing on"): 267,
        ("B1", "acclimatisation"): 196,
        ("B2", "acclimatisation"): 100,
        ("B2", "growing on"): 20,
    }
    state = plants_by_state(found.outcome, "A").sel(week="2027-W09")
    assert state.sum("state").values == pytest.approx(471)
    assert found.cohorts.columns.tolist() == ["variety", "batch", "stage", "entered", "counted", "plants"]


def test_what_is_later_than_the_day_is_not_looked_at():
    early = reforecast(plan(), RECORDS.until("2027-02-20"), on_date="2027-02-20", draws=64, seed=1)
    late = reforecast(plan(), RECORDS, on_date="2027-02-20", draws=64, seed=1)
    assert same(early.outcome, late.outcome)
    assert early.cohorts.equals(late.cohorts)


def test_the_order_of_the_rows_changes_nothing():
    made = plan()
    first = reforecast(made, RECORDS, on_date=DAY, draws=128, seed=1)
    again = reforecast(made, Records(batches=BATCHES[::-1], counts=COUNTS[::-1]), on_date=DAY, draws=128, seed=1)
    turned = made.replace(orders=made.orders[::-1], varieties=made.varieties[::-1])
    swapped = reforecast(turned, RECORDS, on_date=DAY, draws=128, seed=1)
    for other in (again, swapped):
        for name in ("A", "B"):
            assert first.outcome.table(name).equals(other.outcome.table(name))
            chances = (one.outcome.chances(name, week="2027-W25", at_least=110) for one in (first, other))
            assert np.array_equal(*chances)


def test_counts_inform_about_batches_that_share_the_season_and_of_those_to_come():
    """B0 loses half of its plants: of B1, not counted yet, and of B2, still to come, less is expected."""
    good, bad = (
        Records(batches=BATCHES[:2], counts=[count("B0", date(2027, 2, 8), alive=300 - lost, losses=lost)])
        for lost in (5, 150)
    )
    made = plan(orders=[*ORDERS[:2], {**ORDERS[2], "week": "2027-W10"}])
    means = []
    for records in (good, bad):
        outcome = reforecast(made, records, on_date="2027-02-09", draws=1024, seed=1).outcome
        means.append([float(outcome.fate(batch).survival.mean()) for batch in outcome.batches])
    prior = forecast.simulate(made, draws=1024, seed=1)
    plain = [float(prior.fate(batch).survival.mean()) for batch in prior.batches]
    assert all(low < usual < high for low, usual, high in zip(means[1][1:], plain[1:], means[0][1:], strict=True))


def test_plants_are_potted_once_the_work_of_what_is_done_is_not_counted_again():
    found = hours_of_work(reforecast(plan(), RECORDS, on_date=DAY, draws=64, seed=1).outcome).by_stage
    assert set(found["stage"]) == {"growing on"}
    assert found["hours"].sum() == pytest.approx((8 + 196 + 100) * 2 / 60, rel=0.1)  # less what still dies


def test_no_forecast_is_wider_the_more_is_known():
    made = plan()
    days = ["2027-01-10", "2027-02-02", "2027-02-16", "2027-03-01"]
    table = narrowing(made, RECORDS, "A", week="2027-W25", days=days, draws=2048, seed=1)
    assert table.columns.tolist() == ["day", "p5", "median", "p95", "alive"]
    assert table["day"].tolist() == days
    assert (np.diff(table["p95"] - table["p5"]) < 0).all()
    assert table["alive"].tolist() == [0, 290, 480, 471]
    last = reforecast(made, RECORDS, on_date=days[-1], draws=2048, seed=1).outcome.quantile("A", week="2027-W25")
    assert table[["p5", "median", "p95"]].to_numpy()[-1].tolist() == last.tolist()


# Imagined nurseries


def nursery(made, rng, day, every=7, late=0):
    """Let every plant of a season live by itself; give the records of a nursery that counts every so many days.

    Deliveries come some days after their Monday, and are counted on that day of the week.
    """
    draws = {}

    def score(level, quantity, name):
        return sum(
            np.sqrt(part) * draws.setdefault((word, quantity, name if word == "batch" else ""), rng.standard_normal())
            for word, part in level.shares
        )

    batches, counts, final = [], [], 0
    for number, row in enumerate(made.orders):
        name, there = f"N{number}", row.quantity
        start = (row.week.monday - made.first_week.monday).days + late
        came_on = row.week.monday + timedelta(late)
        batches.append(
            BatchRecord(batch=name, variety=row.variety, delivered=came_on, ordered=there, received=there, lab=row.lab)
        )
        vigour, entered = rng.standard_normal(there), np.zeros(there)
        looks = np.arange(every, 7 * made.weeks - start, every)
        route = made.route(row.variety)
        for k, one in enumerate(route):
            a = one.survival * (one.survival * (1 - one.survival) / one.survival_sd**2 - 1)
            law = stats.beta(a, a / one.survival - a)
            share = law.ppf(stats.norm.cdf(score(one.survival_level, f"{one.stage} survival", name)))
            between, plants = (np.sqrt(np.log(1 + s**2)) for s in (one.batches_cv, one.plants_cv))
            takes = one.typical * np.exp(between * score(one.time_level, f"{one.stage} time", name) + plants * vigour)
            dies = rng.exponential(size=vigour.size) / -np.log(share)  # in parts of the stage
            ends = entered + 7 * takes * np.minimum(dies, 1)
            found = looks[np.minimum(np.searchsorted(looks, ends), looks.size - 1)]
            for look in looks:
                inside = (entered < look) & (found >= look)
                if not inside.any():
                    continue
                leaves, dead = inside & (found == look) & (dies >= 1), inside & (found == look) & (dies < 1)
                gone = {"saleable" if k == len(route) - 1 else "transferred": int(leaves.sum())}
                on = came_on + timedelta(int(look))
                if on <= day:
                    alive = int(inside.sum() - dead.sum())
                    counts.append(count(name, on, one.stage, alive=alive, losses=int(dead.sum()), **gone))
            lives = dies >= 1
            vigour, entered = vigour[lives], found[lives]
        final += vigour.size
    return Records(batches=[row for row in batches if row.delivered <= day], counts=counts), final


def coverage(made, day, seasons, draws=256):
    """Return in how many of so many simulated seasons the final number lies within the interval, and its PIT."""
    rng = np.random.default_rng(20270301)
    inside, places = 0, []
    for number in range(seasons):
        records, final = nursery(made, rng, day)
        outcome = reforecast(made, records, on_date=day, draws=draws, seed=number + 1).outcome
        counts = saleable_by_week(outcome).sel(week=str(made.last_week)).sum("variety").to_numpy()
        below, upto = (counts < final).mean(), (counts <= final).mean()
        places.append(below + rng.random() * (upto - below))
        inside += 0.05 <= places[-1] <= 0.95
    return inside, np.array(places)


@pytest.mark.parametrize("day", [date(2027, 2, 15), date(2027, 3, 22)])
def test_the_final_number_lies_within_the_interval_nine_times_in_ten(day):
    seasons = 150
    made = plan(targets=[], orders=[{**row, "quantity": row["quantity"] // 2} for row in ORDERS])
    inside, places = coverage(made, day, seasons)
    low, high = stats.binom.ppf([0.001, 0.999], seasons, 0.9)
    assert low <= inside <= high
    assert stats.kstest(places, "uniform").pvalue > 0.001


@pytest.mark.parametrize("day", [date(2027, 2, 18), date(2027, 3, 25)])
def test_where_plants_wait_for_the_next_count_single_weeks_are_as_sure_as_said(day):
    """Counts every two weeks on Thursdays, and what is up for sale by four Mondays while plants become ready."""
    seasons, weeks = 60, ["2027-W13", "2027-W14", "2027-W16", "2027-W18"]
    made = plan(targets=[], orders=[{**row, "quantity": row["quantity"] // 2} for row in ORDERS])
    inside = dict.fromkeys((0, 2), 0)
    for number in range(seasons):
        rng = np.random.default_rng(number)
        records, _ = nursery(made, rng, made.last_week.monday, every=14, late=3)
        for every in inside:
            outcome = reforecast(made, records, on_date=day, draws=256, seed=1, counted_every=every).outcome
            for week in weeks:
                monday = forecast.Week.parse(week).monday
                came_of_it = sum(row.saleable for row in records.counts if row.date <= monday)
                counts = saleable_by_week(outcome).sel(week=week).sum("variety").to_numpy()
                inside[every] += np.quantile(counts, 0.05) <= came_of_it <= np.quantile(counts, 0.95)
    least = stats.binom.ppf(0.001, seasons, 0.9) * len(weeks)  # the weeks of a season hang together
    assert inside[2] >= least
    assert inside[0] < least


def test_a_wait_until_the_next_count_delays_and_kills_none():
    made = plan()
    soon, later = (
        reforecast(made, RECORDS, on_date=DAY, draws=512, seed=1, counted_every=every).outcome for every in (0, 2)
    )
    for batch in soon.batches:
        assert later.fate(batch).survival == pytest.approx(soon.fate(batch).survival)
    middle = [one.table("A").set_index("week")["median"] for one in (soon, later)]
    assert middle[0]["2027-W16"] > middle[1]["2027-W16"]
    assert middle[0]["2027-W40"] == pytest.approx(middle[1]["2027-W40"], abs=3)


@pytest.mark.parametrize("every", [-1, 14, float("nan")])
def test_what_is_no_time_between_counts_is_refused(every):
    with pytest.raises(Refused, match=r"not a number of weeks between counts. Give a number from 0 to 13."):
        reforecast(plan(), RECORDS, on_date=DAY, draws=8, seed=1, counted_every=every)


# Topping up

SURE = [stage(typical=4, survival=0.8, batches_cv=0.1, plants_cv=0.1), stage("grading", survival=0.95)]
SHORT = {
    "orders": [{"variety": "A", "week": "2027-W03", "quantity": 300, "lab": "Lab"}],
    "targets": [{"variety": "A", "week": "2027-W25", "target": 270}],
    "varieties": ("A",),
}


def short(**cells):
    """Return a season in which 40 of 300 were lost, and about 20 more are needed for 270."""
    counts = [count("B0", date(2027, 2, 15), alive=260, transferred=0, losses=40)]
    records = Records(batches=BATCHES[:1], counts=counts)
    return reforecast(season(SURE, **(SHORT | cells)), records, on_date="2027-02-17", draws=2048, seed=1)


def test_a_top_up_is_the_smallest_lawful_order_that_makes_up_for_what_is_missing():
    """All that comes from one delivery is Binomial(n, 0.76), beside what each draw has from the plants there are."""
    target = [{"variety": "A", "week": "2027-W25", "target": 290}]
    found = short(price_list=[offer(multiple=5, minimum=10, lead_weeks=3, last_week="2027-W15")], targets=target)
    assert found.targets()["chance"].iloc[0] < 0.9
    (order,) = found.top_up()
    there = found.outcome.on_hand("A")[0][24]
    needed = np.maximum(290 - there, 0)
    orderable = range(10, 200, 5)
    enough = [at_least(needed, n, np.full(2048, 0.8 * 0.95)).mean() >= 0.9 for n in orderable]
    assert order.quantity == orderable[enough.index(True)]
    assert order.chance == pytest.approx(at_least(needed, order.quantity, np.full(2048, 0.76)).mean(), abs=1e-9)
    assert order.week >= forecast.Week.parse("2027-W11")  # ordered on the Monday after, of W08, with a lead of 3


def test_the_season_with_its_top_up_is_met_as_surely_as_asked():
    found = short(price_list=[offer(multiple=5, minimum=10, lead_weeks=3)])
    (order,) = found.top_up()
    made = season(SURE, **SHORT)
    more = made.replace(orders=(*made.orders, order.delivery))
    counts = [count("B0", date(2027, 2, 15), alive=260, transferred=0, losses=40)]
    records = Records(batches=BATCHES[:1], counts=counts)
    again = reforecast(more, records, on_date="2027-02-17", draws=2048, seed=2)
    assert again.targets()["chance"].iloc[0] == pytest.approx(order.chance, abs=4 * np.sqrt(2 * 0.09 / 2048))
    assert len(again.top_up()) == 0 or again.targets()["chance"].iloc[0] < 0.9


def test_a_new_order_is_judged_by_what_the_season_has_taught():
    """Half of B0 is lost where all of the spread is the season's: of a top-up half will be lost, too."""
    route = [stage(typical=4, survival_level="season", plants_cv=0.1, **beta_spread(8.0, 2.0))]
    counts = [count("B0", date(2027, 2, 22), alive=150, transferred=0, saleable=150, losses=150)]
    found = reforecast(
        season(route, **SHORT, price_list=[offer()]), Records(batches=BATCHES[:1], counts=counts),
        on_date="2027-02-22", draws=2048, seed=1,
    )  # fmt: skip
    (order,) = found.top_up()
    mean, deviation = (8 + 150) / (10 + 300), np.sqrt(158 * 152 / 310**2 / 311)
    expected = stats.norm.ppf(0.1, mean, deviation)
    assert order.saleable / order.quantity == pytest.approx(mean, abs=0.005)
    assert order.quantity == pytest.approx(120 / expected, rel=0.08)  # and the luck of single plants


def test_nothing_is_proposed_where_the_confidence_is_met():
    found = short(targets=[{"variety": "A", "week": "2027-W25", "target": 200}])
    assert found.targets()["chance"].iloc[0] > 0.9
    assert len(found.top_up()) == 0
    assert found.top_up().unmet == ()


@pytest.mark.parametrize(
    ("line", "arrival", "last"),
    [
        ({"last_week": "2027-W09", "lead_weeks": 3}, "2027-W11", "2027-W09"),
        ({"lead_weeks": 20, "last_week": "2027-W40"}, "2027-W28", None),
    ],
)
def test_a_lab_that_can_no_longer_deliver_in_time_is_listed_with_its_weeks(line, arrival, last):
    (unmet,) = short(price_list=[offer(**line)]).top_up().unmet
    week = {"by": "2027-W25", "ordered": "2027-W08"}
    assert str(unmet) == words.no_top_up(variety="A", **week, arrival=arrival, last=last)


def test_a_delivery_that_comes_too_late_is_out_of_reach():
    (unmet,) = short(price_list=[offer(first_week="2027-W24", last_week="2027-W25")]).top_up().unmet
    assert "2027-W25" in str(unmet)


def test_what_is_past_is_not_topped_up_and_not_shown():
    target = [{"variety": "A", "week": week, "target": 290} for week in ("2027-W06", "2027-W25")]
    found = short(targets=target, price_list=[offer()])
    assert found.targets()["week"].tolist() == ["2027-W25"]
    assert [str(order.by) for order in found.top_up()] == ["2027-W25"]
    assert "2027-W06" not in str(found)


# Refusals


def test_a_day_outside_the_season_is_refused():
    with pytest.raises(Refused) as told:
        reforecast(plan(), RECORDS, on_date="2026-12-31", draws=8, seed=1)
    (fault,) = told.value.faults
    assert (fault.column, fault.value, fault.problem) == ("on_date", "2026-12-31", "outside the season")
    assert fault.remedy == "Choose a day from 2027-01-04 to 2027-10-10."
    with pytest.raises(Refused, match=r"not a date"):
        reforecast(plan(), RECORDS, on_date="3 March", draws=8, seed=1)


def test_varieties_that_the_season_does_not_know_are_refused():
    strange = [came("X1", ORDERS[0], variety="C"), came("X2", ORDERS[0], lab="Labb")]
    with pytest.raises(Refused) as told:
        reforecast(plan(), Records(batches=strange), on_date=DAY, draws=8, seed=1)
    assert [fault.problem for fault in told.value.faults] == [
        "batch X1: this season has no such variety",
        "batch X2: this season has no price-list line of such a lab",
    ]


def test_batches_of_other_seasons_are_left_alone():
    old = came("OLD", ORDERS[0], delivered=date(2026, 3, 2))
    counts = [count("OLD", date(2026, 3, 30), alive=20, transferred=20, losses=280), *COUNTS]
    found = reforecast(plan(), Records(batches=[old, *BATCHES], counts=counts), on_date=DAY, draws=64, seed=1)
    assert same(found.outcome, reforecast(plan(), RECORDS, on_date=DAY, draws=64, seed=1).outcome)
    assert "OLD" not in set(found.cohorts["batch"])


def test_without_orders_and_records_nothing_is_said_but_the_day():
    found = reforecast(plan(orders=[], targets=[]), Records(), on_date=DAY, draws=8, seed=1)
    assert str(found) == "On 2027-03-01:"
    assert isinstance(found.cohorts, pd.DataFrame)
    assert len(found.top_up()) == 0


def test_a_target_over_weeks_stays_until_its_last_buyer_has_gone():
    cells = {"variety": "A", "week": "2027-W06", "until": "2027-W08", "target": 30}
    for waits, there in ((0, 1), (1, 2)):
        made = plan(targets=[WANTED[0], cells | {"waits": waits}])
        found = reforecast(made, RECORDS, on_date=DAY, draws=16, seed=1)
        assert len(found.targets()) == there
    assert "A: about 0 sold 8 Feb to 22 Feb 2027 (W06 to W08)" in str(found)


def test_a_target_over_weeks_is_topped_up_by_what_is_missing_of_its_promise():
    """What is missing of 290 from W25 to W34 is asked for by the last week; 60 % of them are there."""
    rows = [{"variety": "A", "week": "2027-W25", "until": "2027-W34", "target": 290, "promised": 0.9}]
    lab = [offer(multiple=5, minimum=10, lead_weeks=3, last_week="2027-W15")]
    found = short(price_list=lab, targets=rows)
    (order,) = found.top_up()
    assert order.by == forecast.Week.parse("2027-W34")
    needed = found.outcome.sold("A").missing(0)
    enough = [n for n in range(10, 200, 5) if at_least(needed, n, np.full(2048, 0.76)).mean() >= 0.9]
    assert order.quantity == enough[0]
    part = short(price_list=lab, targets=[rows[0] | {"promised_share": 0.6}])
    assert len(part.top_up()) == 0
