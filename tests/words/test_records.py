"""What records, learned rates, past forecasts and a running season say: a few examples each."""

import math
from datetime import date

import pytest

from forecast.words import records as words


@pytest.mark.parametrize(
    ("cells", "text"),
    [
        ((26, 513, 0), "26 batches, 513 counts, 2027-03-01 to 2027-06-14"),
        ((1, 1, 3), "1 batch, 1 count, 2027-03-01 to 2027-06-14; weather of 3 days"),
        ((0, 0, 1), "no batches; weather of 1 day"),
        ((0, 0, 0), "no batches"),
    ],
)
def test_records_are_summed_up_with_their_days(cells, text):
    deliveries, counts, days = cells
    span = {"first": "2027-03-01", "last": "2027-06-14"}
    assert words.held(deliveries=deliveries, counts=counts, days=days, **span) == text


def test_a_learned_survival_names_what_it_is_based_on_and_your_estimate():
    usual = {"variety": "Calla 'Daviorne'", "stage": "arrival", "mean": 0.81, "sd": 0.12, "before": 0.8}
    begin = "Calla 'Daviorne', arrival – expected survival of the next batch: 81 % ± 12 points (1 SD). Based on"
    end = "your estimate was 80 %."
    assert words.survival(**usual, own=0, of_group=4) == f"{begin} 4 batches of its group, none of its own; {end}"
    assert words.survival(**usual, own=1, of_group=4) == f"{begin} 1 batch of its own; {end}"
    assert words.survival_kept(variety="A", stage="pots", mean=0.8) == (
        "A, pots: 80 % survive, your estimate only: no batch of its group is finished."
    )


def test_a_learned_time_has_the_unit_of_its_stage():
    usual = {"variety": "A", "stage": "pots", "records": 8}
    assert words.time(**usual, typical=3.6, p5=2.94, p95=4.4, own=True, before=4, base=None) == (
        "A, pots: half of the plants take 3.6 weeks (90 % interval 2.9 to 4.4). Based on 8 batches of its route; your "
        "estimate was 4."
    )
    assert words.time(**usual, typical=512.4, p5=480.2, p95=99.6, own=False, before=500, base=4.5) == (
        "A, pots: half of the plants take 512 degree-days above 4.5 °C (90 % interval 480 to 100). Based on 8 batches "
        "of its group, none of its own; your estimate was 500."
    )
    assert words.time_kept(variety="A", stage="pots", typical=6, base=None, why="only 5 plants got ready") == (
        "A, pots: half of the plants take 6 weeks, your estimate only: only 5 plants got ready."
    )


def test_a_learned_season_counts_its_rates_by_what_they_are_based_on():
    assert words.learned(records=26, own=88, group=12, estimated=0) == (
        "Learned from 26 batches: 88 of 100 rates from a variety's own records, 12 from its group's only, 0 kept as "
        "estimated."
    )


@pytest.mark.parametrize(
    ("chance", "end"),
    [
        (0.999, "99 in 100: clearly better."),
        (0.95, "95 in 100: clearly better."),
        (0.949, "95 in 100: probably better, but the ranges overlap."),
        (0.8, "80 in 100: probably better, but the ranges overlap."),
        (0.79, "79 in 100: the two overlap and cannot be told apart."),
    ],
)
def test_labs_are_clearly_better_from_95_in_100_and_probably_from_80(chance, end):
    assert words.labs_compared(better="Good Lab", worse="Poor Lab", chance=chance) == (
        f"Plants from Good Lab survive better than those from Poor Lab, with a chance of {end}"
    )


def test_a_stage_time_names_batches_that_differ_and_plants_that_never_get_ready():
    usual = {"median": 12.346, "p5": 10.5, "p95": 14.6, "quickest": 8.9, "slowest": 17.2, "ready": 1200, "plants": 1500}
    begin = "Median 12.3 weeks (90 % interval 10.5 to 14.6); 90 % of the plants of a batch take 8.9 to 17."
    end = "Learned from 1,500 plants, of which 1,200 got ready."
    assert words.stage_time(**usual, batches_cv=0, ever=1) == f"{begin} {end}"
    assert words.stage_time(**usual, batches_cv=0.533, ever=0.8) == (
        f"{begin} Batches differ by 53 % (1 SD). 80 % ever get ready. {end}"
    )


@pytest.mark.parametrize(
    ("doubt", "text"),
    [
        (words.doubt("few", ready=1), "Only 1 plant got ready. The learned times and their standard errors are rough."),
        (words.doubt("to come", law="weibull", share=0.25),
         "The share that ever gets ready relies more on the weibull law than on counts. 25 % of those that will get "
         "ready were still growing at the last count. Go on counting."),
        (words.doubt("far", law="weibull"),
         "The median lies far beyond the last count and relies on the weibull law. Go on counting."),
        (words.doubt("alike", groups=3),
         "The 3 batches differ no more than by chance. The variation between batches is fitted as none and has no "
         "standard error."),
    ],
)  # fmt: skip
def test_a_warning_says_what_is_in_doubt_and_what_follows(doubt, text):
    assert words.warning(doubt) == text


@pytest.mark.parametrize(("crps", "error"), [(0.04, "0.0"), (9.94, "9.9"), (9.96, "10"), (1234.4, "1,234")])
def test_an_error_has_a_tenth_of_a_plant_below_ten(crps, error):
    assert words.scored(forecasts=30, records=1, crps=crps, share=0.025) == (
        f"30 forecasts of 1 batch. Mean forecast error (CRPS): {error} plants, 2.5 % of those received."
    )


@pytest.mark.parametrize(
    ("share", "verdict"),
    [(0.81, "about right, given only 14 batches"), (0.74, "about right, given only 14 batches"),
     (0.739, "too narrow"), (1.0, "about right, given only 14 batches")],
)  # fmt: skip
def test_coverage_is_about_right_within_what_chance_leaves(share, verdict):
    text = words.coverage(share=share, least=0.74, most=1.06, records=14)
    assert text == f"The 90 % intervals contained the outcome {100 * share:.0f} % of the time: {verdict}."
    assert words.coverage(share=1.0, least=0.8, most=0.99, records=900).endswith(" 100 % of the time: too wide.")


def test_few_batches_are_named():
    assert words.too_few(1) == "1 batch cannot show how reliable the ranges are."


def test_our_error_is_compared_with_that_of_a_benchmark():
    smaller, larger = (words.compared(skill=skill, known=True) for skill in (0.6, -0.33))
    assert (smaller, larger) == ("60 % smaller", "33 % larger")
    assert words.compared(skill=0.1, known=False) == "not clearly different"
    assert words.compared(skill=math.nan, known=True) == "larger: the benchmark was exactly right"
    benchmark = "last year's rate"
    assert words.against(benchmark=benchmark, overall=smaller) == f"Against {benchmark}, our error is 60 % smaller."
    assert words.against(benchmark=benchmark, overall=smaller, at_delivery=larger) == (
        f"Against {benchmark}, our error is 60 % smaller; at delivery, 33 % larger."
    )


def test_a_running_season_says_what_will_come_and_what_is_overdue():
    usual = {"variety": "A", "week": "2027-W20", "p5": 1020, "median": 1153, "p95": 1290, "target": 1500}
    assert words.expected(usual | {"chance": 0}) == (
        "A: about 1,150 saleable by 17 May 2027 (2027-W20) (90 % range 1,000 to 1,300). The target of 1,500 is met in "
        "no simulated season."
    )
    assert words.expected(usual | {"chance": 0, "until": "2027-W24", "channel": "retail", "promised_share": 0.8}) == (
        "A, retail: about 1,150 sold 17 May to 14 Jun 2027 (W20 to W24) (90 % range 1,000 to 1,300). 80 % of the "
        "target of 1,500 is met in no simulated season."
    )
    order = {"variety": "B", "week": "2027-W03", "quantity": 1400}
    due, them = "of B from Lab due 18 Jan 2027 (2027-W03)", "have not arrived; the forecast does not count them."
    assert words.overdue(**order, lab="Lab", to_come=1400) == f"The 1,400 plants {due} {them}"
    assert words.overdue(**order, lab="Lab", to_come=400) == f"400 of the 1,400 plants {due} {them}"
    assert words.not_recorded(date(2027, 6, 14)) == "The records end on 14 Jun 2027; add the batch if it came."
    assert words.overdue(**order, lab=None, to_come=1) == (
        "1 of the 1,400 plants of B due 18 Jan 2027 (2027-W03) has not arrived; the forecast does not count it."
    )


def test_batches_and_orders_that_do_not_fit_are_named_with_a_remedy():
    batch = {"batch": "N1", "variety": "B", "received": 1200, "delivered": date(2027, 1, 19)}
    assert words.unordered(**batch, lab="Lab", order=None) == (
        "Batch N1 (1,200 B from Lab, delivered 19 Jan 2027) belongs to no order, so its plants are counted in addition "
        "to those ordered. If it came in place of an order, give that order a name and write it in the column order of "
        "both."
    )
    assert words.unordered(**batch, lab=None, order="4711") == (
        "Batch N1 (1,200 B, delivered 19 Jan 2027) names the order 4711, which the season does not have. Correct one "
        "of the two."
    )
    order = {"variety": "B", "lab": "Lab", "week": "2027-W03", "quantity": 1400}
    due = "1,400 plants of B from Lab due 18 Jan 2027 (2027-W03)"
    assert words.far_from_order(**order, batch="N1", late=-6) == (
        f"Batch N1 counts for the {due}, but came 6 weeks early. If it belongs to another order, write the name of "
        "that order in the column order of both."
    )
    assert "came 6 weeks late." in words.far_from_order(**order, batch="N1", late=6)
    assert words.other_number(**order, batches=["N1"], received=900, surplus=-500) == (
        f"Batch N1 brought 900 for the order of {due}; the other 500 count as not delivered. If they are still to "
        "come, write in 'ordered' of the batch only what came."
    )
    assert words.other_number(**order, batches=["N1", "N2"], received=2400, surplus=1000) == (
        f"Batches N1, N2 brought 2,400 for the order of {due}, 1,000 too many. If some belong to another order, give "
        "them a row of their own."
    )
    assert words.came_short(**order, received=1350) == f"1,350 of the {due} were delivered."
    assert words.ordered_twice(**order, batches=["N1", "N2"], ordered=2800) == (
        f"Batches N1, N2 state 2,800 ordered, but belong to one order of {due}. Write in each row its part, or losses "
        "on arrival look too large."
    )


def test_a_top_up_says_what_overdue_plants_would_change():
    target = {"variety": "B", "arrives": "2027-W05", "target": 1000, "by": "2027-W20", "chance": 0.9124}
    assert words.awaited(quantity=1400, **target) == (
        "If the 1,400 overdue plants of B arrive by 1 Feb 2027 (2027-W05), the target of 1,000 by 17 May 2027 "
        "(2027-W20) is met in about 18 of 20 simulated seasons without a top-up."
    )


@pytest.mark.parametrize(
    ("arrival", "last", "why"),
    [
        ("2026-W31", "2026-W18",
         "the lab's last delivery week is 2026-W18, and an order placed in 2026-W25 would not arrive before 2026-W31."),
        ("2026-W48", None, "an order placed in 2026-W25 would not arrive before 2026-W48."),
        (None, None, "no price list has it."),
    ],
)  # fmt: skip
def test_where_no_top_up_is_possible_the_weeks_say_why(arrival, last, why):
    text = words.no_top_up(variety="Hosta 'Orrinfall'", by="2026-W41", ordered="2026-W25", arrival=arrival, last=last)
    assert text == f"No top-up possible for Hosta 'Orrinfall' (needed by 2026-W41): {why}"
