"""Delivery weeks against forecasts and orders of each week, plants one by one, and closed forms of splitting."""

import numpy as np
import pandas as pd
import pytest
from labelled import plants_by_state
from plant_by_plant import draw
from scipy import stats
from scipy.special import betainc, expit, logit
from small_seasons import CLIMATE, MIXED, asks, beta_spread, offer, season, stage

import forecast
from forecast import Refused, delivery_weeks
from forecast.errors import OutOfReach
from forecast.words import orders as words

DRAWS = 512
COLUMNS = ["week", "lab", "survival_p5", "survival", "survival_p95", "ready_first", "ready", "ready_last"]
COLUMNS += ["chance", "order_quantity", "cost"]
OFFERS = [
    offer(unit_price=1.2, first_week="2027-W02", last_week="2027-W08", plants_per_box=50, freight_per_box=9),
    offer(lab="Other lab", minimum=60, multiple=12, first_week="2027-W05", last_week="2027-W10"),
]
HOUSE = {"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 2}
ROUTE = [
    stage("arrival", survival=0.95, survival_sd=0.03, cold_below=2, cold_loss=0.25),
    stage(typical=4, batches_cv=0.2, plants_cv=0.15, survival_level=MIXED, **beta_spread(12.0, 2.0)),
    stage("growing on", typical=7, batches_cv=0.15, plants_cv=0.2, survival=0.95, cost=0.1),
]
WARM = [*ROUTE[:2], ROUTE[2] | {"runs_on": "degree-days", "base_temperature": 4, "typical": 300}]
MILD = [ROUTE[0] | {"cold_below": None, "cold_loss": None}, *ROUTE[1:]]
ASKED = {"price_list": OFFERS, "targets": [asks(100, "2027-W26", promised=0.8)], "places": [HOUSE]}
PLANS = {
    "the same whatever the weather": season(MILD, **ASKED),
    "by the weather": season(WARM, climate=CLIMATE, **ASKED),
}


@pytest.fixture(scope="module", params=PLANS)
def compared(request):
    plan = PLANS[request.param]
    return plan, delivery_weeks(plan, "A", draws=DRAWS, seed=3)


def test_the_table_has_a_row_for_each_lab_and_week_that_can_be_had(compared):
    _, weeks = compared
    table = weeks.table()
    assert table.columns.tolist() == COLUMNS
    found = sorted(zip(table["lab"], table["week"], strict=True))
    spans = {"Lab": range(2, 9), "Other lab": range(5, 11)}
    assert found == [(lab, f"2027-W{week:02d}") for lab, weeks in spans.items() for week in weeks]
    alone = delivery_weeks(weeks.order.case.season, "A", draws=64, seed=3, lab="Other lab").table()
    assert set(alone["lab"]) == {"Other lab"}


@pytest.mark.parametrize(("by", "falls"), [("cost", False), ("chance", True), ("survival", True), ("ready", False)])
def test_each_word_ranks_the_weeks_by_its_column(compared, by, falls):
    _, weeks = compared
    table = weeks.table(by)
    ranked = table[by].tolist()
    assert ranked == sorted(ranked, reverse=falls)
    assert sorted(table["week"]) == sorted(weeks.table()["week"])


def test_weeks_that_are_not_ready_in_the_season_and_orders_that_do_not_suffice_come_last():
    plan = PLANS["by the weather"].replace(weeks=19, targets=())
    weeks = delivery_weeks(plan, "A", draws=64, seed=1, target=50, week="2027-W16", service_level=0.5)
    ready, cost = weeks.table("ready")["ready"].tolist(), weeks.table()["cost"]
    dated = [week for week in ready if week]
    assert 0 < len(dated) < len(ready)
    assert ready == [*sorted(dated), *[""] * (len(ready) - len(dated))]
    assert cost.isna().any()
    assert not cost.isna().all()
    assert cost[cost.notna()].is_monotonic_increasing
    assert cost.isna().is_monotonic_increasing


def test_another_word_is_refused_with_the_words_there_are(compared):
    _, weeks = compared
    with pytest.raises(Refused, match="ranks no delivery week") as refusal:
        weeks.table("price")
    assert "Give one of cost, chance, survival, ready." in str(refusal.value)


def test_survival_and_chance_of_a_week_are_those_of_a_forecast_of_it(compared):
    """Paired: the same seed and draws; nothing is left to chance but the rounding."""
    plan, weeks = compared
    for row in weeks.table().to_dict("records"):
        outcome = forecast.simulate(plan, [("A", row["week"], weeks.quantity, row["lab"])], draws=DRAWS, seed=3)
        assert row["chance"] == round(outcome.chance("A", week="2027-W26", at_least=100), 4)
        alive = plants_by_state(outcome, "A").sel(state="lost").values[-1]
        right = np.quantile(1 - alive / weeks.quantity, [0.05, 0.5, 0.95])
        assert [row["survival_p5"], row["survival"], row["survival_p95"]] == pytest.approx(right, abs=2e-4)


def test_ready_weeks_are_those_of_the_plants_that_live_in_a_forecast(compared):
    """The first Monday by which 5, 50 and 95 of 100 plants that live to be saleable are, over all draws."""
    plan, weeks = compared
    for row in weeks.table().to_dict("records"):
        outcome = forecast.simulate(plan, [("A", row["week"], 100)], draws=DRAWS, seed=3)
        ready = plants_by_state(outcome, "A").sel(state="saleable").mean("draw").to_series()
        lives = float(weeks.cases[0].fate(forecast.Week.parse(row["week"])).survival.mean())
        for name, q in (("ready_first", 0.05), ("ready", 0.5), ("ready_last", 0.95)):
            by = ready.index[ready >= 100 * q * lives]
            assert row[name] == (by[0] if len(by) else "")


def test_order_and_cost_of_a_week_are_those_of_the_order_for_it(compared):
    plan, weeks = compared
    for row in weeks.table().to_dict("records"):
        try:
            order = forecast.size_order(plan, "A", delivery=row["week"], lab=row["lab"], draws=DRAWS, seed=3)
        except OutOfReach:
            assert pd.isna(row["order_quantity"])
            continue
        assert (row["order_quantity"], row["cost"]) == (order.quantity, round(order.cost, 2))
    best = forecast.size_order(plan, "A", draws=DRAWS, seed=3)
    assert (weeks.order.week, weeks.order.lab, weeks.quantity) == (best.week, best.lab, best.quantity)
    first = weeks.table().iloc[0]
    assert (first["week"], first["lab"], first["order_quantity"]) == (str(best.week), best.lab, best.quantity)


def test_ready_weeks_agree_with_plants_drawn_one_by_one():
    """The share ready by the Monday told reaches 5, 50 and 95 in 100, and that of the Monday before does not.

    Within 3 standard errors of 100,000 plants and, as a bound for the even draws, of as many plain draws.
    """
    plan, plants = PLANS["the same whatever the weather"], 100_000
    row = delivery_weeks(plan, "A", draws=4096, seed=1).table().set_index("week").loc["2027-W04"]
    rng = np.random.default_rng(1)
    (batch,) = draw(plan, [("A", "2027-W04", 1)], plants, rng)
    time = (batch.weeks * np.exp(batch.log_sd[:, None] * rng.standard_normal(plants))).sum(axis=0)
    for name, q in (("ready_first", 0.05), ("ready", 0.5), ("ready_last", 0.95)):
        week = forecast.Week.parse(row[name]) - forecast.Week.parse("2027-W04")
        error = 3 * np.sqrt(q * (1 - q)) * np.hypot(1 / np.sqrt(plants), 1 / np.sqrt(4096))
        assert (time <= week).mean() > q - error
        assert (time <= week - 1).mean() < q + error
        assert (time <= week).mean() - (time <= week - 1).mean() > error or q != 0.5  # a week makes a difference


A, B, PLANTS, TARGET = 8.0, 2.0, 600, 460


def split(level="batch", draws=2048, seed=1, price_list=None, **options):
    """Splits of an order whose survival is Beta(8, 2), with no time and no weather."""
    plan = season([stage("arrival", survival_level=level, **beta_spread(A, B))], price_list=price_list or [SHORT])
    options = {"quantity": PLANTS, "target": TARGET, "service_level": 0.5} | options
    return delivery_weeks(plan, "A", week="2027-W10", draws=draws, seed=seed, **options)


SHORT = offer(first_week="2027-W02", last_week="2027-W05")


@pytest.fixture(scope="module")
def eight():
    """Splits with eight seeds."""
    return [split(seed=seed) for seed in range(1, 9)]


def near(found, right, rounding):
    """Whether the mean over seeds lies within 4 of its standard errors, and what it was rounded to."""
    error = np.std(found, axis=0, ddof=1) / np.sqrt(len(found))
    return (np.abs(np.mean(found, axis=0) - right) < 4 * error + rounding).all()


def test_the_variance_of_two_halves_is_that_of_the_mean_of_two_independent_betas(eight):
    """Var(n/2 (p1 + p2)) = n^2 Var(p) / 2, with Var(p) = ab / ((a + b)^2 (a + b + 1)); a third for three."""
    right = [PLANTS**2 * A * B / ((A + B) ** 2 * (A + B + 1)) / parts for parts in (1, 2, 3)]
    found = []
    for weeks in eight:
        some = [forecast.Week(2027, 2 + i) for i in range(3)]
        found.append([weeks._plants(some[:n], [PLANTS // n] * n).var() for n in (1, 2, 3)])
    assert near(found, right, 0)


def test_the_chance_of_a_split_is_that_of_a_sum_of_beta_binomials(eight):
    """By plain convolution of SciPy's probabilities."""
    right = []
    for parts in (1, 2, 3):
        n = PLANTS // parts
        one, total = stats.betabinom(n, A, B).pmf(np.arange(n + 1)), np.ones(1)
        for _ in range(parts):
            total = np.convolve(total, one)
        right.append(total[TARGET:].sum())
    assert near([weeks.splits()["chance"] for weeks in eight], right, 5e-5)


def test_the_bad_years_of_one_delivery_are_the_lower_tail_of_a_beta(eight):
    """E[p | p <= q] = a / (a + b) I_q(a + 1, b) / 0.1, with q the tenth percentile; the middle is the median."""
    q = stats.beta(A, B).ppf(0.1)
    right = PLANTS * A / (A + B) * betainc(A + 1, B, q) / 0.1
    assert near([weeks.splits()["worst_tenth"][0] for weeks in eight], right, 0.05)
    assert near([weeks.splits()["median"][0] for weeks in eight], PLANTS * stats.beta(A, B).median(), 0.05)


def test_the_bad_years_of_a_split_are_those_of_a_million_imagined_years(eight):
    rng, right = np.random.default_rng(1), []
    for parts in (1, 2, 3):
        total = PLANTS * rng.beta(A, B, size=(1_000_000, parts)).mean(axis=1)  # with a sixth of the error of the seeds
        right.append((np.sort(total)[:100_000].mean(), np.median(total)))
    for i, name in enumerate(("worst_tenth", "median")):
        assert near([weeks.splits()[name] for weeks in eight], [row[i] for row in right], 0.05 + 0.1)
    assert right[0][0] + 20 < right[1][0] < right[2][0]  # splitting pays if batches differ


@pytest.mark.parametrize("level", ["belief", "season", "variety"])
def test_splitting_buys_nothing_in_the_bad_years_if_all_batches_share_their_luck(level):
    splits = split(level).splits()
    assert splits["deliveries"].tolist() == [1, 2, 3]
    for name in ("quantity", "worst_tenth", "median", "chance", "cost"):
        assert (splits[name] == splits[name][0]).all()


def test_a_split_is_a_forecast_of_its_deliveries(compared):
    """Paired: the chance is that of `Outcome`, the cost the sum of what each delivery costs."""
    plan, weeks = compared
    for row in weeks.splits().to_dict("records"):
        named = row["weeks"].split(", ")
        assert len(named) == row["deliveries"]
        parts = parts_of(row["quantity"], len(named), 1 if weeks.order.lab == "Lab" else 12)
        orders = [("A", week, part) for week, part in zip(named, parts, strict=True)]
        outcome = forecast.simulate(plan, orders, draws=DRAWS, seed=3)
        assert row["chance"] == pytest.approx(outcome.chance("A", week="2027-W26", at_least=100), abs=6e-5)
    first = weeks.splits().iloc[0]
    single = weeks.table().set_index(["lab", "week"]).loc[(weeks.order.lab, first["weeks"])]
    assert first["chance"] == single["chance"]


def parts_of(quantity, number, multiple):
    """Parts as even as they can be, the larger first."""
    boxes, rest = divmod(quantity // multiple, number)
    return [multiple * (boxes + (i < rest)) for i in range(number)]


def test_parts_of_a_split_are_what_the_lab_sells():
    """At least 144, in boxes of 72: 504; 288 and 216; 216, 144 and 144. Of 300: 360; 216 and 144; three of 144."""
    boxes = [SHORT | {"minimum": 144, "multiple": 72, "unit_price": 1}]
    for quantity, told in ((500, [504, 504, 504]), (300, [360, 360, 432])):
        splits = split(draws=64, price_list=boxes, quantity=quantity).splits()
        assert splits["quantity"].tolist() == told
        assert splits["cost"].tolist() == told  # at 1 a plant, nothing else costs


def test_a_split_keeps_to_the_form_that_is_ordered():
    """The lab sells plugs at 2 and, in boxes of 50, liners at 1: the order is of liners, and so are its parts."""
    forms = [SHORT | {"form": "plug", "unit_price": 2}, SHORT | {"form": "liner", "multiple": 50}]
    splits = split(draws=64, price_list=forms).splits()
    assert splits["quantity"].tolist() == [600, 600, 600]
    assert splits["cost"].tolist() == [600, 600, 600]


def test_with_one_week_there_is_nothing_to_split():
    weeks = split(draws=64, price_list=[offer(first_week="2027-W03", last_week="2027-W03")])
    assert weeks.splits()[["deliveries", "weeks"]].to_numpy().tolist() == [[1, "2027-W03"]]
    assert len(str(weeks).splitlines()) == 2


def test_what_is_out_of_reach_still_has_a_table_without_orders():
    plan = season([stage(typical=9, plants_cv=0.1, survival=0.9)], price_list=[SHORT])
    weeks = delivery_weeks(plan, "A", target=100, week="2027-W08", draws=64, seed=1)
    table = weeks.table()
    assert len(table) == 4
    assert table["order_quantity"].isna().all()
    assert table["cost"].isna().all()
    assert (table["survival"] == 0.9).all()
    assert table["ready"].tolist() == [f"2027-W{w}" for w in range(11, 15)]
    assert words.no_week(variety="A", target=100, by=forecast.Week(2027, 8)) in str(weeks)
    assert weeks.splits()["chance"].max() == 0


COLD = [{"week": w, "t_min": -4 + 0.8 * w, "t_max": 8, "year_sd": 2} for w in range(1, 16)]
COLD += [{"week": w, "t_min": 8, "t_max": 18, "year_sd": 2} for w in range(16, 53)]


def test_a_mild_week_survives_best_and_each_week_as_its_cold_says():
    """One logit in four a degree below 3 of a normal minimum, of 90 %: quantiles of survival are those of the minimum.

    The share at a quantile of the minimum is exact; within 3 standard errors of a quantile of plain draws.
    """
    draws, rows = 8192, [stage("arrival", survival=0.9, cold_below=3, cold_loss=0.25)]
    plan = season(rows, climate=COLD, price_list=[offer(first_week="2027-W02", last_week="2027-W12")])
    weeks = delivery_weeks(plan, "A", target=100, week="2027-W20", quantity=120, draws=draws, seed=1)
    ranked = weeks.table("survival")
    assert ranked["week"].tolist() == [f"2027-W{week:02d}" for week in range(12, 1, -1)]  # of equals the cheapest first
    for row in ranked.to_dict("records"):
        minimum = stats.norm(-4 + 0.8 * int(row["week"][-2:]), 2)
        for name, q in (("survival_p5", 0.05), ("survival", 0.5), ("survival_p95", 0.95)):
            error = 3 * np.sqrt(q * (1 - q) / draws) / minimum.pdf(minimum.ppf(q))  # of the minimum [°C]
            low, high = (survived(minimum.ppf(q) + off) for off in (-error, error))
            assert low - 5e-5 <= row[name] <= high + 5e-5


def survived(low):
    return expit(logit(0.9) - 0.25 * np.maximum(3 - low, 0))


@pytest.fixture(scope="module")
def by_hand():
    """100 at 1.23456 a plantlet; 0.77777 live, stand at a hundred to the m² and are ready after four weeks."""
    rows = [stage("arrival", survival=0.77777, survival_level="plant"), stage(typical=4, survival=1)]
    offers = [SHORT | {"unit_price": 1.23456}]
    plan = season(rows, price_list=offers, places=[HOUSE | {"cost_per_m2_week": 3}])
    asked = {"target": 70, "week": "2027-W08", "service_level": 0.9, "quantity": 100}
    return delivery_weeks(plan, "A", draws=8, seed=1, **asked)


def test_the_table_is_as_by_hand_and_rounded(by_hand):
    table = by_hand.table()
    needed = next(n for n in range(70, 200) if stats.binom.sf(69, n, 0.77777) >= 0.9)
    chance = round(stats.binom.sf(69, 100, 0.77777), 4)
    told = [0.7778, 0.7778, 0.7778]
    for at, (week, days) in enumerate([(4, 4), (3, 5), (2, 6)]):
        cost = round(needed * (1.23456 + 0.77777 * 3 / 100 * days), 2)
        ready = [f"2027-W{week + 4:02d}"] * 3
        assert table.iloc[at].tolist() == [f"2027-W{week:02d}", "Lab", *told, *ready, chance, needed, cost]
    assert table.iloc[3, :-2].tolist() == ["2027-W05", "Lab", *told, *["2027-W09"] * 3, 0]
    assert table.iloc[3, -2:].isna().all()
    assert (table["order_quantity"].dtype, table["cost"].dtype) == ("Int64", "float64")
    assert table.index.tolist() == [0, 1, 2, 3]
    for by in ("chance", "survival"):  # the cheapest first of those that are alike
        assert by_hand.table(by)["week"].tolist() == ["2027-W04", "2027-W03", "2027-W02", "2027-W05"]
    assert by_hand.table("ready")["week"].tolist() == ["2027-W02", "2027-W03", "2027-W04", "2027-W05"]


def test_the_splits_are_as_by_hand_and_rounded(by_hand):
    """In all 77.777 live; 100 are split into 50 and 50, or 34, 33 and 33, and stand until week 8."""
    splits, rows = by_hand.splits(), []
    for parts in ([100], [50, 50], [34, 33, 33]):
        bench = sum(part * 0.77777 * 3 / 100 * (6 - at) for at, part in enumerate(parts))
        weeks = ", ".join(f"2027-W0{2 + at}" for at in range(len(parts)))
        chance = round(stats.binom.sf(69, 100, 0.77777), 4)
        rows.append((len(parts), weeks, 100, chance, 77.8, 77.8, round(123.456 + bench, 2)))
    columns = ["deliveries", "weeks", "quantity", "chance", "worst_tenth", "median", "cost"]
    pd.testing.assert_frame_equal(splits, pd.DataFrame(rows, columns=columns))


def test_a_split_that_needs_more_boxes_costs_more():
    """Boxes of a hundred at 30: by hand 130 for one delivery, 160 for two, 190 for three."""
    offers = [SHORT | {"plants_per_box": 100, "freight_per_box": 30}]
    plan = season([stage(typical=4, survival=1)], price_list=offers)
    weeks = delivery_weeks(plan, "A", target=100, week="2027-W08", draws=4, seed=1)
    assert weeks.splits()["cost"].tolist() == [130, 160, 190]
    assert weeks.table()["week"].tolist()[0] == "2027-W02"  # all cost the same
    assert len(str(weeks).splitlines()) == 3


@pytest.mark.parametrize(("quantity", "said"), [(0, "quantity, '0'"), (10**9 + 1, "quantity, '1000000001'")])
def test_a_number_of_plants_that_cannot_be_compared_is_refused(quantity, said):
    with pytest.raises(Refused) as refused:
        split(draws=8, quantity=quantity)
    assert str(refused.value) == f"{said}: not usable. Give a whole number from 1 to 1,000,000,000."


def test_a_single_plant_can_be_compared():
    """It is split into as many plants as weeks, since no lab sells a part of one."""
    splits = split(draws=8, quantity=1, target=1).splits()
    assert splits["quantity"].tolist() == [1, 2, 3]


def test_weeks_and_labs_that_are_alike_are_by_week_and_name():
    offers = [SHORT | {"lab": name} for name in ("Other lab", "A lab")]
    weeks = split(draws=4, price_list=offers, quantity=10, target=1)
    right = [(f"2027-W0{at}", lab) for at in range(2, 6) for lab in ("A lab", "Other lab")]
    for by in ("cost", "chance", "survival"):
        assert list(weeks.table(by)[["week", "lab"]].itertuples(index=False, name=None)) == right
