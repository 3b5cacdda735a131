"""Sentences about orders and the order plan, from plain numbers."""

import pytest

from forecast.planning.plan import LeftOut
from forecast.weeks import Week
from forecast.words import orders as words
from forecast.words.numbers import TOO_LITTLE

LATER = Week(2027, 12)
BY, EARLY, LATE = Week(2027, 41), Week(2027, 8), Week(2027, 34)
HOSTA = "Hosta 'Orrinfall'"


def test_an_order_is_one_line():
    assert words.order(quantity=1270, variety=HOSTA, lab="Birch Lab", week=EARLY) == (
        "Order 1,270 of Hosta 'Orrinfall' from Birch Lab for 2027-W08."
    )


@pytest.mark.parametrize(
    ("chance", "there", "subject", "often"),
    [
        (0.9012, False, "This yields", "about 18 of 20 simulated seasons"),
        (1.0, True, "This order and the plants already there yield", "every simulated season"),
        (0.0, False, "This yields", "no simulated season"),
    ],
)
def test_an_order_says_how_surely_it_meets_its_target_and_what_it_costs(chance, there, subject, often):
    found = words.yields(target=800, by=BY, chance=chance, cost=4551.2, currency="EUR", topping_up=there)
    assert found == (
        f"{subject} at least 800 saleable plants by 11 Oct 2027 (2027-W41) in {often}. Total cost including growing: "
        "about 4,550 EUR."
    )


def test_an_order_for_uncertain_demand_names_its_range():
    found = words.yields(target=260, by=BY, chance=0.8, cost=1, currency="EUR", topping_up=False, demand=(150.0, 400.0))
    assert found.startswith(
        "This yields enough saleable plants for the demand (150 to 400, median 260) by 11 Oct 2027 (2027-W41) in 16 of"
    )


def test_where_nothing_more_is_needed_on_average_the_chance_without_an_order_is_said():
    assert words.order_by_average(quantity=0, chance=0.7) == (
        "Without it, the plants already there would be enough in 14 of 20 simulated seasons."
    )


def test_the_order_by_average_and_the_greatest_margin_are_named():
    assert words.order_by_average(quantity=1180, chance=0.543) == (
        "Ordering by average survival (1,180 before rounding to what the lab sells) would be enough in about 11 of 20 "
        "simulated seasons."
    )
    assert words.greatest_margin(margin=1353, currency="EUR") == (
        "Its expected margin, 1,350 EUR, is the greatest of all orders."
    )


@pytest.mark.parametrize(
    ("share", "first", "sane", "life", "gets", "reach", "move"),
    [
        (0.004, (LATE + 10, 2400), (LATE + 12, 1200), None, "under 1 %",
         "The first week in reach is 1 Nov 2027 (2027-W44), with an order of 2,400; from 15 Nov 2027 (2027-W46), 1,200 "
         "are enough.", "move it there, "),
        (0.01, (LATE + 10, 1200), (LATE + 10, 1200), None, "only 1 %",
         "The first week in reach is 1 Nov 2027 (2027-W44), with an order of 1,200.", "move it there, "),
        (0.456, (LATE, 1200), None, 4, "only 46 %",
         "The last earlier week in reach is 23 Aug 2027 (2027-W34), with an order of 1,200.", "move it there, "),
        (0.456, (LATE, 2400), (LATE + -2, 1200), 4, "only 46 %",
         "The last earlier week in reach is 23 Aug 2027 (2027-W34), with an order of 2,400; in the week of 9 Aug 2027 "
         "(2027-W32), 1,200 are enough.", "move it there, "),
        (0.456, None, None, None, "only 46 %", "No other week of the season is in reach.", ""),
    ],
)  # fmt: skip
def test_out_of_reach_says_why_and_what_would_help(share, first, sane, life, gets, reach, move):
    known = {"variety": HOSTA, "target": 800, "by": BY, "service_level": 0.925, "week": EARLY, "share": share}
    found = words.out_of_reach(**known, first=first, sane=sane, saleable_weeks=life)
    assert found == (
        "No order of Hosta 'Orrinfall' meets the target of 800 plants by 11 Oct 2027 (2027-W41) at a service level of "
        f"92.5 %. Even the best delivery week (2027-W08) gets {gets} of plants saleable by then. {reach} Lower the "
        f"target, {move}accept a lower service level, or find an earlier delivery or more advanced plants (plugs, "
        "liners)."
    )


OF = "of the 270 Hosta 'Orrinfall' ordered for the 25 needed by 11 Oct 2027 (2027-W41)"
CLOCK = f"{OF} only beat the clock: few are saleable that early. If all were saleable by then,"
LARGE = "The 270 Hosta 'Orrinfall' ordered for the 25 needed by 11 Oct 2027 (2027-W41)"


@pytest.mark.parametrize(
    ("reason", "unhurried", "other", "loss", "life", "said"),
    [
        ("early", 40, (BY + 3, 60), (15_400, 2800, False, "EUR"), None,
         f"Most {CLOCK} 40 would be enough. From 1 Nov 2027 (2027-W44), 60 are enough. They cost about 15,500 EUR and "
         "sell for about 2,800 EUR."),
        ("early", 150, None, None, None,
         f"Many {CLOCK} 150 would be enough. No other week of the season needs far fewer."),
        ("early", 40, (BY + 3, 60), None, 8,
         f"Most {CLOCK} 40 would be enough. In the week of 1 Nov 2027 (2027-W44), 60 are enough."),
        ("window", 40, (LATE, 60), None, 4,
         f"Most {OF} are outside their 4-week sale window then: past it, or not ready yet. If all were saleable by "
         "then, 40 would be enough. In the week of 23 Aug 2027 (2027-W34), 60 are enough."),
        ("lab", 40, None, None, None, f"{LARGE} are more than three times as many: the lab sells no fewer."),
        ("dearer", 40, None, None, None,
         f"{LARGE} are more than three times as many: fewer would be enough, but would cost more or earn less."),
        ("survival", 40, None, None, None,
         f"{LARGE} are more than three times as many: few plants survive, or how many is uncertain."),
        (None, 40, None, (15_400, 2800, True, "EUR"), 4,
         f"{LARGE} cost about 15,500 EUR and sell for about 2,800 EUR, markdown included. Order them "
         "only if being short costs you more."),
    ],
)  # fmt: skip
def test_a_large_order_says_why_and_what_would_be_enough(reason, unhurried, other, loss, life, said):
    known = {"variety": HOSTA, "quantity": 270, "asked": 25, "by": BY, "saleable_weeks": life}
    assert words.excess(**known, reason=reason, unhurried=unhurried, other=other, loss=loss) == said


def test_what_cannot_be_ordered_has_a_reason():
    best = {"quantity": 1270, "lab": "Lab", "week": Week(2027, 20)}
    assert words.all_lose(variety="A", **best, margin=-20, currency="EUR") == (
        "No order of A has an expected margin above 0. The best, 1,270 from Lab for 2027-W20, has one of -20 EUR. "
        "Order none, or find a lower price from a lab or a higher sale price."
    )
    assert words.no_lab(variety="A") == (
        "No lab offers A. See what propagating it in vitro or dividing stock plants would give."
    )
    assert words.too_late(ordered=Week(2026, 25), first=Week(2026, 31), last=Week(2026, 18)) == (
        "The lab's last delivery week is 2026-W18, and an order placed in 2026-W25 would not arrive before 2026-W31."
    )


def test_delivery_weeks_are_compared():
    assert words.cheapest_week(variety="A", week="2027-W04", lab="Lab", quantity=1100, cost=106, currency="EUR") == (
        "A: the cheapest delivery week is 2027-W04 (Lab), 1,100 plants for about 105 EUR including growing."
    )
    assert words.no_week(variety="A", target=100, by=BY) == (
        "A: no single delivery week meets the target of 100 by 11 Oct 2027 (2027-W41) at its service level."
    )
    compared = {"quantity": 1000, "target": 800, "by": BY}
    assert words.best_and_worst_week(best="2027-W04", chance=0.9, worst="2027-W20", least=0, **compared) == (
        "1,000 plants reach the target of 800 by 11 Oct 2027 (2027-W41) most often if delivered in 2027-W04: in 18 of "
        "20 simulated seasons. The worst delivery week is 2027-W20: in no simulated season."
    )
    never = "1,000 plants reach the target of 800 by 11 Oct 2027 (2027-W41) in no simulated season, whatever the "
    assert words.every_week_too_late(soonest="2027-W44", **compared) == (
        f"{never}delivery week.\nHalf of the surviving plants are ready by 2027-W44 at the earliest."
    )
    assert words.every_week_too_late(soonest="", **compared) == (
        f"{never}delivery week.\nHalf of the surviving plants are never ready within the season: check stage times, "
        "base temperatures and upper thresholds against the temperatures of the growing areas."
    )


@pytest.mark.parametrize(("dearer", "more"), [(30, "30 EUR more"), (-2.4, "2 EUR less")])
def test_a_split_is_compared_in_the_worst_tenth(dearer, more):
    one, two = (1000, "2027-W02", 611), (1010, "2027-W02, 2027-W03", 702)
    found = words.split(one, two, dearer=dearer, currency="EUR")
    assert found == (
        "In the worst 10 % of simulated seasons, 1,000 delivered in 2027-W02 yield about 610; 1,010 split over "
        f"2027-W02 and 2027-W03 yield about 700, for about {more}."
    )


def test_a_few_orders_are_reported_in_full_and_many_by_their_first_lines():
    assert words.several(["a\nb", "c"], [False, False]) == "a\nb\nc"
    assert words.several([f"{k}\nmore" for k in range(15)], [False] * 15) == "\n".join(map(str, range(15)))
    many = words.several([str(k) for k in range(1214)], [False] * 1214).splitlines()
    assert len(many) == 15
    assert many[-2:] == ["13", "And 1,200 more: table() lists all."]
    large = [k > 1200 for k in range(1214)]
    assert words.several([str(k) for k in range(1214)], large).splitlines() == [
        *("0", *map(str, range(1201, 1214))), "And 1,200 more: table() lists all."
    ]  # fmt: skip


def test_all_targets_together():
    assert words.all_met(targets=11, chance=0.4601) == (
        "All 11 targets are met together in about 9 of 20 simulated seasons."
    )
    assert words.all_met(targets=1, chance=1) == "The target is met in every simulated season."


def test_few_draws():
    assert words.few_draws(draws=256, enough=4096) == (
        "With 256 simulated seasons, chances are accurate to about ±6 percentage points; use --draws 4096."
    )
    assert words.few_draws(draws=999, enough=4096).startswith(
        "With 999 simulated seasons, chances are accurate to about ±3 "
    )


def test_plants_and_freight_with_and_without_growing_deposits_and_budget():
    known = {"purchase": 9750, "total": 24_000, "currency": "EUR"}
    assert words.costs(**known, deposits=1950, budget=31_000) == (
        "Plants and freight cost about 9,750 EUR, of which 1,950 in deposits when ordering (budget 31,000 EUR); with "
        "growing, about 24,000 EUR."
    )
    assert words.costs(**known) == "Plants and freight cost about 9,750 EUR; with growing, about 24,000 EUR."
    assert words.over_budget(budget=20_000, currency="EUR") == (
        "Plants and freight cost more than the budget of 20,000 EUR."
    )


def test_a_plan_says_what_it_orders():
    assert words.ordered(plants=6_824, varieties=10, deliveries=14) == (
        "Order 6,824 plantlets of 10 varieties in 14 deliveries."
    )
    assert words.ordered(plants=100, varieties=1, deliveries=1) == "Order 100 plantlets of 1 variety in 1 delivery."


def test_a_plan_of_greatest_margin_says_what_it_earns():
    text = "Its expected margin is about 2,250 EUR; in the worst 10 % of seasons it averages about -1,250 EUR."
    found = words.expected_margin(margin=2_253, worst_tenth=-1_234, gap=0, currency="EUR")
    assert found == f"{text} No other plan, of any number of deliveries on the price lists, can earn more."


@pytest.mark.parametrize(
    ("gap", "text"),
    [(0.0, "be cheaper"), (9e-7, "be cheaper"), (0.0002, "be over 0.1 % cheaper (optimality gap)"),
     (0.001, "be over 0.1 % cheaper (optimality gap)"), (0.00101, "be over 0.2 % cheaper (optimality gap)"),
     (0.02, "be over 2.0 % cheaper (optimality gap)")],
)  # fmt: skip
def test_the_optimality_gap_is_rounded_up_to_a_tenth_of_a_percent(gap, text):
    other = "No other plan, of any number of deliveries on the price lists, can"
    assert words.least_cost(gap=gap) == f"Every target is met at its service level. {other} {text}."
    said = words.expected_margin(margin=1, worst_tenth=1, gap=gap, currency="EUR")
    earns = text.replace("be", "earn").replace("cheaper", "more")
    assert said.endswith(f" {other} {earns}.")


def test_a_plan_that_gives_up_margin_for_fewer_missing_plants_says_so():
    said = words.expected_margin(margin=1, worst_tenth=1, gap=0.002, currency="EUR", short=True)
    assert (
        "With the price of being short counted, no other plan, of any number of deliveries on the price lists, can "
        in said
    )
    assert said.splitlines()[1] == words.PRICE_OF_SHORTAGE


def test_a_variety_of_which_some_are_there_gets_no_more():
    said = words.not_ordered(HOSTA, "its best order loses.", there=True)
    assert said == f"{HOSTA}: no more this year, because its best order loses."


@pytest.mark.parametrize(
    ("cells", "text"),
    [
        (
            {"limit": "tunnel", "week": "2027-W12", "earns": True},
            "Binding limit: tunnel, week of 22 Mar 2027 (2027-W12). One more m² would earn about 1,442.01 EUR.",
        ),
        (
            {"limit": "budget", "week": "", "earns": False},
            "Binding limit: budget. One more EUR would save about 1,442.01 EUR.",
        ),
    ],
)
def test_a_binding_limit_is_said_with_what_one_more_unit_is_worth(cells, text):
    assert words.binding(worth="1,442.01 EUR", currency="EUR", **cells) == text


def test_a_binding_limit_may_be_worth_too_little_to_be_seen():
    text = words.binding(limit="budget", week="", worth=TOO_LITTLE, earns=True, currency="EUR")
    assert text == "Binding limit: budget. One more EUR would earn too little to be seen."


BEST = ((300, Week(2027, 8)),)


@pytest.mark.parametrize(
    ("why", "text"),
    [
        (LeftOut("no lab"), "no lab offers it."),
        (LeftOut("too late"), "no delivery can arrive before its target week."),
        (LeftOut("too large"), "even its smallest order breaks a limit of the plan."),
        (
            LeftOut("earns less", BEST, 1_352, ("budget",), "EUR"),
            "the budget earns more in other varieties. On its own (300 plants, 2027-W08) it would earn 1,350 EUR.",
        ),
        (
            LeftOut("earns less", ((1, LATER), (2_000, LATER + 1)), 10, ("budget", "house"), "EUR"),
            "the budget and the house earn more in other varieties. On its own (1 plant, 2027-W12 and 2,000 plants, "
            "2027-W13) it would earn 10 EUR.",
        ),
        (
            LeftOut("earns less", BEST, 10, currency="EUR"),
            "other varieties earn more in its place. On its own (300 plants, 2027-W08) it would earn 10 EUR.",
        ),
        (
            LeftOut("loses", BEST, -2_000, ("budget",), "EUR"),
            "its best order (300 plants, 2027-W08) would lose 2,000 EUR.",
        ),
    ],
)
def test_a_variety_that_is_not_ordered_is_said_with_its_reason(why, text):
    assert words.not_ordered("Hosta 'Quenvara'", why) == f"Hosta 'Quenvara': none this year, because {text}"


@pytest.mark.parametrize(
    ("cells", "text"),
    [
        ({"quantity": None}, "nothing"),
        ({"quantity": 1_125}, "1,125"),
        ({"quantity": 100, "week": LATER}, "100 for 2027-W12"),
        ({"quantity": 120, "lab": "Other lab"}, "120 from Other lab"),
        ({"quantity": 120, "lab": "Other lab", "week": LATER}, "120 from Other lab for 2027-W12"),
    ],
)
def test_what_takes_the_place_of_an_order_is_said_as_far_as_it_differs(cells, text):
    assert words.instead(**cells) == text


@pytest.mark.parametrize(
    ("margin", "better", "more"),
    [
        (-1_234.5, 45.6, "46 EUR (3.7 %) higher (from 3 repeated searches)."),
        (0.5, 0.25, "0.25 EUR (50.0 %) higher (from 3 repeated searches)."),
        (15_523.4, 35.7, "40 EUR (0.3 %) higher (from 3 repeated searches)."),  # found on one processor
        (15_523.4, 38.6, "40 EUR (0.3 %) higher (from 3 repeated searches)."),  # found on another
        (0.5, None, None),
    ],
)
def test_an_out_of_sample_check_says_what_the_plan_earns_and_how_much_more_another_could(margin, better, more):
    found = words.out_of_sample(
        margin=margin, error=1212.3, worst_tenth=-5_600, better=better, searches=3, gap=1e-3, currency="EUR"
    ).splitlines()
    first = {-1_234.5: "-1,000", 0.5: "0", 15_523.4: "16,000"}[margin]
    assert found[0] == (
        f"On new simulated seasons the plan earns {first} EUR ± 1,000 (standard error), and -5,600 EUR on average in "
        "the worst 10 % of them."
    )
    assert found[1:] == (
        [f"With 95 % confidence, the expected margin of every other plan is at most {more}"] if more else []
    )


def test_limits_that_are_too_tight_are_said_with_what_it_would_take():
    text = "No plan meets every target at its service level within your limits. It would take {}. Otherwise lower a "
    text += "target, move it later, or lower the service level."
    found = words.limits_short({"covered house": 4.42, "budget": 27_401.3}, "EUR")
    assert found == text.format("4.5 m² more covered house and 27,402 EUR more budget")
    assert words.limits_short({"budget": 121}, "EUR") == text.format("121 EUR more budget")


@pytest.mark.parametrize(("shortfall", "best"), [(0.0, ""), (800.4, "; the best earns about 4,200 EUR")])
def test_a_minimum_that_is_too_high_is_said_with_the_best_there_is(shortfall, best):
    assert words.floor_out_of_reach(5_000, shortfall, "EUR") == (
        f"No plan found earns 5,000 EUR on average in the worst 10 % of seasons{best}. Lower this minimum, or allow "
        "more budget or bench area."
    )


ROW = {"variety": HOSTA, "week": "2027-W41", "target": 1_200, "chance": 0.75, "short": 31.6, "level": 0.9}


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ((190, 410.2, 151.0), "18 of 20: 190 more for 410 EUR, 150 EUR back"),
        ((190, 410.2, None), "18 of 20: 190 more for 410 EUR"),
        ((None, None, None), "18 of 20: not by more of these deliveries"),
        ((0, 0.0, 0.0), ""),
    ],
)
def test_a_target_says_how_often_it_is_met_what_is_missing_and_what_more_takes(more, said):
    row = ROW | dict(zip(("more_plants", "more_cost", "more_income"), more, strict=True))
    assert words.target(row, "EUR") == {
        "variety": HOSTA,
        "channel": "",
        "target": "1,200",
        "by": "11 Oct 2027 (2027-W41)",
        "promised": "",
        "met": "15 of 20",
        "short": "32",
        "more": said,
    }
    if said:
        assert not words.target(row | {"chance": 0.0, "more_plants": None}, "EUR")[
            "more"
        ]  # its reason is said elsewhere
        assert not words.target(row | {"chance": 0.89}, "EUR")["more"]  # it is 18 of 20 already


def test_a_line_to_order_names_the_monday_of_its_week():
    row = {
        "variety": HOSTA,
        "lab": "Birch Lab",
        "week": "2027-W08",
        "quantity": 1_250,
        "price": 1_350.4,
        "form": "plug",
    }
    assert words.line(row) == {
        "variety": HOSTA, "lab": "Birch Lab", "week": "22 Feb 2027 (2027-W08)", "quantity": "1,250", "price": "1,350"
    }  # fmt: skip


def test_what_is_grown_to_be_marked_down_says_what_is_lost_without_buyers():
    assert words.surplus(variety=HOSTA, plants=240.4, ordered=1_400, price=3, currency="EUR") == (
        "About 240 of the 1,400 Hosta 'Orrinfall' are grown to be marked down: even at 3.00 EUR they bring more than "
        "they cost. Without buyers for them you lose about 720 EUR."
    )


def test_only_columns_of_targets_that_are_filled_are_shown():
    row = ROW | {"more_plants": 0, "more_cost": 0.0, "more_income": 0.0}
    assert words.target_columns([row], "EUR") == {
        "variety": "variety", "target": "needed", "by": "by", "met": "on time in", "short": "missing"
    }  # fmt: skip
    sold = row | {
        "channel": "retail",
        "until": "2027-W43",
        "promised": 0.95,
        "promised_share": 0.9,
        "more_plants": None,
    }
    assert list(words.target_columns([row, sold], "EUR").values()) == [
        "variety", "channel", "needed", "on sale", "promised", "on time in", "missing", "more certainty"
    ]  # fmt: skip
    cells = words.target(sold, "EUR")
    assert (cells["by"], cells["promised"]) == ("11 Oct to 25 Oct 2027 (W41 to W43)", "90 % of it in 19 of 20")


def test_what_a_service_level_counts_a_missing_plant_for_is_a_line_a_target():
    row = {"variety": HOSTA, "target": 800, "week": "2027-W41", "short_cost": 4.75, "chance": 0.75}
    sold = {"variety": "B", "channel": "retail", "target": 50, "week": "2027-W41", "until": "2027-W43", "chance": 0.9}
    known = {"0.8": 4.2, "0.9": 16.1}
    rows = [row | known, sold | {"short_cost": 2.0, "0.8": None, "0.9": None}]
    assert words.short_prices(rows, (0.8, 0.9), "EUR").splitlines() == [
        words.SHORT_PRICES,
        "800 Hosta 'Orrinfall', 11 Oct 2027 (2027-W41): 15 of 20 at 5 EUR; 16 of 20 at 4 EUR, 18 of 20 at 16 EUR.",
        "50 B for retail, 11 Oct to 25 Oct 2027 (W41 to W43): 18 of 20 at 2 EUR.",
    ]
    many = words.short_prices([row | known] * 30, (0.8, 0.9), "EUR").splitlines()
    assert (len(many), many[-1]) == (15, "And 17 more: table() lists all.")


def test_what_would_help_a_promise_names_each_of_the_three():
    most, known = {"level": 0.9, "chance": 0.62}, {"longest": 9}
    helps = words.would_reach(**most, **known, waits=(3, 0.96), share=(0.85, 0.93))
    assert helps == (
        "More plants do not help: the largest orders meet it in about 12 of 20 simulated seasons. They meet it in "
        "about 19 of 20 simulated seasons if buyers wait 3 weeks. They meet 85 % of the number in about 19 of 20 "
        "simulated seasons."
    )
    none = words.would_reach(level=0.9, chance=0.89, **known, waits=None, share=None)
    assert none == (
        "More plants do not help: the largest orders meet it in slightly fewer. Waiting does not help: 9 weeks are not "
        "enough. A smaller share does not help."
    )
    far = words.would_reach(level=0.9, chance=0.94, **known, waits=None, share=None)
    assert far.startswith(
        "Only orders many times as large as the demand meet it, in about 19 of 20 simulated seasons: "
    )


def test_a_promise_out_of_reach_is_named_with_its_number_weeks_and_level():
    known = {"variety": "A", "target": 1200, "first": Week(2027, 20), "last": Week(2027, 22)}
    assert words.promise_out_of_reach(**known, share=0.9, level=0.8) == (
        "No order of A meets 90 % of the target of 1,200, 17 May to 31 May 2027 (W20 to W22), in 16 of 20 seasons."
    )


def test_where_growing_costs_nothing_it_is_not_mentioned():
    assert words.costs(purchase=1400, total=1400, currency="AUD") == "Plants and freight cost about 1,400 AUD."
    assert words.costs(purchase=1400, total=1500, currency="AUD").endswith("; with growing, about 1,500 AUD.")
