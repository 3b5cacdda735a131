"""Sentences that a nursery, its partners and its labs read: the page for a partner, order sheet, workbook, calendar."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from forecast.weeks import Week
from forecast.words.numbers import (
    apart,
    cash,
    counted,
    dated,
    day,
    figures,
    met,
    money,
    more_or_less,
    needed,
    range_90,
    rounded,
    seasons,
    signed,
    span,
    unit_worth,
)
from forecast.words.orders import all_met, would_take
from forecast.words.resources import AMPLE, after_fixed_costs, capacity, losses

CAUTIONS = (
    "A planning aid, not advice. Where a licensed professional must decide (crop protection, plant health, tax), "
    "follow their decision.",
    "Check plant-health and import rules before buying: phytosanitary certificate, plant passport, quarantine.",
    "Buying a plantlet does not give permission to propagate it: check plant breeder's rights and the licence of a "
    "variety first.",
    "Follow product labels and local codes for fungicides, disinfectants, flames and ethanol at the bench; rules on "
    "work in heat, on lifting and on lighting are local.",
    "At the sterile bench, ethanol near a flame catches fire, and hypochlorite burns skin and gives off chlorine with "
    "acids: learn the work from somebody who knows it, and keep to local rules.",
    "Money figures are estimates, not accounts.",
)
NOTHING_ORDERED = "No order is worth placing."
NEVER = "not in the season"
YOUR_ESTIMATE = "your estimate"
UNNAMED_LAB = "a lab not yet named"
TITLE = "{season}: what to order"
CHANCES = "Chances are shares of {seasons}, with the survival and times listed below."
DELIVERIES = "Deliveries. Price in {currency}, without freight. A delivery arrives in the week of its Monday."
LEAST_CERTAIN = "The {shown} least certain of {of} varieties; the table above lists all."
SEARCHED = "{no_other} This holds in the simulated seasons of the search."
FRESH = "{first} These seasons were not used in the search."
ALTERNATIVES = "The {number} changes of one order that cost least, in {currency} on average."
NO_PAGE = "No page was written."
ORDER = "{quantity:,} from {lab} for {week}"
NOT_SHOWN = "No {what} shown. {error}"
SHOOTS = "{rate} shoots per clean explant and subculture"
DIVIDED = "{rate} plants of one"
ORDER_FROM = "Order from {lab}: {plantlets:,} plantlets"
ORDER_LINE = "{:,} {} for {}"
PAYMENT_LINE = "{what} {amount:,.2f} for {variety}"
DELIVERY = "Delivery from {lab}: {quantity:,} {variety}"
STAGES = "Stages that begin: {stages}."


# The five questions of the page

QUESTIONS = ("How many?", "How much?", "How sure?", "By when?", "What could go wrong?")


def how_many(*, plantlets: int, varieties: int, lines: int, labs: int, first: Week, last: Week) -> str:
    """Return what is ordered in all, and for which weeks."""
    span = f"from {dated(first)} to {dated(last)}" if first != last else f"in the week of {dated(first)}"
    return (
        f"Order {plantlets:,} plantlets of {counted(varieties, 'variety', 'varieties')} in "
        f"{counted(lines, 'order line')} from {counted(labs, 'lab')}, delivered {span}. The table below lists what to "
        "order from each lab for each week."
    )


def lowest_cash(*, median: float, p5: float, p95: float, week: Week, currency: str) -> str:
    """Return how far cash falls [currency], and when."""
    return (
        f"Before sales start to repay it, cash falls to about {cash(median, currency)}"
        f"{range_90(cash(p5), cash(p95))}, most often lowest in the week of {dated(week)}."
    )


def all_paid(*, week: Week, unpriced: Sequence[str]) -> str:
    """Return when all is paid, and which varieties have no sale price."""
    shown = ", ".join(unpriced[:3]) + (f" and {len(unpriced) - 3} more" if len(unpriced) > 3 else "")
    verb = "has" if len(unpriced) == 1 else "have"
    return f"All of it is paid by {dated(week)}. Income is not counted: {shown} {verb} no sale price."


def margin(
    *, subject: str, mean: float, p5: float, p95: float, worst: float, loss: float, currency: str,
    fixed_costs: float | None = None,
) -> str:  # fmt: skip
    """Return what a season earns [currency], with the mean of its worst tenth and the chance of a loss.

    What is left after fixed costs is said if there are any.
    """
    after = f"{losses(loss)}."
    if fixed_costs is not None:
        after = after_fixed_costs(fixed_costs, mean - fixed_costs, loss, currency)
    return (
        f"{subject} {'earns' if mean >= 0 else 'loses'} about {money(abs(mean), currency)} on average (90 % range "
        f"{signed(p5)} to {signed(p95)}), and about {money(worst, currency)} in the worst 10 % of seasons. {after}"
    )


def less_than_now(*, amount: float, currency: str) -> str:
    """Return what lower survival costs [currency]."""
    return f"That is about {more_or_less(-amount, currency)}."


def fill_rate(*, aim: str, share: float, short: bool = False, promised: bool = False) -> str:
    """Return what an order aims at, and the share of plants needed that are ready in time [0 to 1].

    Missing plants may have a price that is weighed, and targets may be promised.
    """
    less = ", less the price of being short" if short else ""
    sure = "it keeps what is promised, and does" if promised else "it does"
    aimed = f"This order maximises expected margin{less}; {sure} not guarantee every target."
    if aim == "cost":
        aimed = "Every target is met at its service level, each on its own."
    number = f"{100 * share:.0f}"
    return f"{aimed} On average {number} of every 100 plants needed are ready on time (fill rate {number} %)."


def targets_met(*, targets: int, low: float, high: float, together: float) -> str:
    """Return the chances of the targets by themselves, lowest and highest, and of all together."""
    each = f"Each target on its own is met in {seasons(low, high)}. " if targets > 1 else ""
    return f"{each}{all_met(targets=targets, chance=together)}"


def when_ready(*, targets: Sequence[Week], ready: Sequence[Week]) -> str:
    """Return when plants are needed, and when most are ready, each in order."""
    if not ready:
        return "No variety has most of its plants ready within the season."
    needed = f"from {dated(targets[0])} to {dated(targets[-1])}" if len(targets) > 1 else f"by {dated(targets[0])}"
    span = f"between {dated(ready[0])} and {dated(ready[-1])}" if ready[0] != ready[-1] else f"by {dated(ready[0])}"
    return (
        f"Plants are needed {needed}. In a typical season 90 % of the plants that will sell are ready "
        f"{span}{', depending on the variety' if len(ready) > 1 else ''}."
    )


def latest(*, variety: str, ready: Week | None, target: Week) -> str:
    """Return which variety is ready last in 1 season in 20; None if not in the season."""
    if ready is None:
        return (
            f"Latest is {variety}: in 1 season in 20 it is not ready within the season; its last target is "
            f"{dated(target)}."
        )
    weeks = ready - target
    when = "in time for" if weeks <= 0 else f"{counted(weeks, 'week')} after"
    return f"Latest is {variety}: in 1 season in 20 it is ready only by {dated(ready)}, {when} its last target."


def lower_survival(*, points: float, through: float, fewer: float, served: float, then: float, together: float) -> str:
    """Return what the same orders give if survival is lower: shares saleable and fill rates [0 to 1], now and then."""
    return (
        f"If survival were {100 * points:.0f} percentage points lower in every variety ({100 * fewer:.0f} instead of "
        f"{100 * through:.0f} saleable per 100 plantlets), the same orders would deliver {100 * then:.0f} rather than "
        f"{100 * served:.0f} of every 100 plants needed on time. All targets would be met in {seasons(together)}."
    )


def _buyers(row: Mapping[str, Any]) -> str:
    """Return who buys the plants of a target, if it says so, and when."""
    until, channel = row.get("until"), row.get("channel")
    by = f"from {span(row['week'], until)}" if until else f"by {dated(row['week'])}"
    return f"{f' for {channel}' if channel else ''} {by}"


def tightest(row: Mapping[str, Any]) -> str:
    """Return the target that is met least often, a row of `Plan.targets`."""
    return (
        f"Tightest target: {row['target']:,} {row['variety']}{_buyers(row)}, met in {seasons(row['chance'])}; on "
        f"average {counted(round(row['short']), 'plant')} {'is' if round(row['short']) == 1 else 'are'} missing."
    )


def benches(over: Mapping[str, float]) -> str:
    """Return which growing areas are over capacity, each with its chance."""
    if not over:
        return "Benches: every growing area is within capacity in every simulated season."
    return f"Benches: {'; '.join(f'{place} is {capacity(chance)}' for place, chance in over.items())}."


def cash_needed(*, amount: float, currency: str) -> str:
    """Return how much cash is needed in 1 season in 20 [currency]."""
    return (
        f"Cash: in 1 season in 20 you need {needed(max(amount, 0))} {currency} or more before sales start to repay it."
    )


# The rest of the page

HEADINGS = {
    "sure": "How sure, and by when", "good": "How good is this plan?", "scarce": "Binding limits",
    "others": "Near-best alternatives", "comes": "What comes when", "money": "Money",
    "varieties": "What comes of each variety", "benches": "Benches", "rests": "What it rests on", "note": "Please note",
}  # fmt: skip
TARGETS = (
    "On time in: simulated seasons that meet the target. {certainty} Ready: week by which 90 % of the plants that will "
    "sell are ready, in a typical season. Late: the same in the slowest 1 season in 20."
)
READY_COLUMNS = ("ready", "late")
SALEABLE = (
    "Saleable plants on hand: the line is the median, the band the 90 % range. A diamond is a target; the plants are "
    "sold then{weeks}."
)
BARS = ", or over its bar"
AREA = "Bench area in use: the line is the median, the band the 90 % range. The dashed line is the area available."
NO_TARGET = "It has no target."
PAYMENTS_ONLY = "Payments only; no sales are counted."
EACH_SEASON = "What this order earns, season by season."
NO_LIMITS = "Neither a budget nor a growing area is stated."
LIMITS = "Limits. For a growing area: the mean over the 10 % of seasons in which it is fullest."
RULES = ("this order", "ordering by average", "ordering 20 % more than the targets")


def delivery_columns(currency: str) -> list[str]:
    """Return the columns of the table of deliveries."""
    return ["delivery", "lab", "plantlets of", "plantlets", f"price, {currency}"]


def largest_delivery(*, lab: str, week: str, plantlets: int, of: int) -> str:
    """Return which delivery is the largest."""
    return f"Largest delivery: {plantlets:,} of {of:,} plantlets, from {lab} in the week of {dated(week)}."


def paid_back(week: str | None, *, ever: bool = True) -> str:
    """Return when payments are earned back: the last week below 0, or none; never if it is the last of the season."""
    if not ever:
        return "In at least half of the simulated seasons, more is paid than comes in."
    if week is None:
        return "In at least half of the simulated seasons, payments never exceed what has come in."
    half = "In at least half of the simulated seasons"
    return f"{half}, all payments are earned back by the end of the week of {dated(week)}."


def better_than(more: Mapping[str, float], currency: str) -> str:
    """Return how much more an order earns than simple rules [currency]."""
    if not more:
        return EACH_SEASON
    parts = [
        f"{more_or_less(amount, currency)} {'than' if apart(amount) else 'as'} {name}" for name, amount in more.items()
    ]
    return f"On average this order earns {' and '.join(parts)}; these simple rules ignore budget and benches."


def tightest_chance(chance: float) -> str:
    """Return the chance of the target of a variety that is met least often."""
    return f"Tightest target: met in {seasons(chance)}."


def limit_columns(aim: str) -> list[str]:
    """Return the columns of the table of limits."""
    return ["limit", "fullest in", "used", "available", f"one more unit {'earns' if aim == 'margin' else 'saves'}"]


def unit_value(amount: float, *, error: float, available: float, gap: float, currency: str) -> str:
    """Return what one more unit of a limit is worth [currency]."""
    if amount <= 0:
        return "nothing: not binding"
    return unit_worth(amount, error=error, available=available, gap=gap, currency=currency)


def loss(amount: float, error: float) -> str:
    """Return what another plan loses [currency], if that is larger than twice its standard error."""
    return f"{amount:,.0f}" if apart(amount, error) else "none that can be seen"


def alternative_columns(aim: str) -> list[str]:
    """Return the columns of the table of alternatives."""
    return ["variety", "order", "instead", "less margin" if aim == "margin" else "more cost"]


def based_on(
    *, budget: float | None, currency: str, climate: bool, weeks: bool = False, shared: bool = False,
    promised: bool = False, outlets: bool = False,
) -> list[str]:  # fmt: skip
    """Return what the whole plan rests on.

    Of targets: whether some are sold over `weeks`, several of a variety share its plants, and some are promised; and
    whether some varieties name how many plants find a buyer marked down.
    """
    when = "Each week's buyers are served from the plants on hand" if weeks else "Plants are sold in the target's week"
    whom = ""
    if promised:
        whom = " What is promised is sold first, and plants that a later promise is expected to need are held back."
    if shared:
        whom += f" {'Then those' if promised else 'Those'} who pay most are served first."
    most = (
        "the total target of a variety, or its outlet if one is stated," if outlets else "the total target of a variety"
    )
    spent = " and growing areas" if budget is None else f", growing areas and a budget of {budget:,.0f} {currency}"
    return [
        "A chance is a share of simulated seasons with the rates below; it is as good as they are.",
        f"Prices, targets, costs, minutes{spent} are your own figures.",
        f"{when}, the oldest first.{whom} Of the rest, at most as many as {most} sell at its markdown price, if it has "
        "one; the others are unsold and earn nothing.",
        "Weather is simulated from climate normals; it forecasts no real week."
        if climate
        else "No climate is entered: plants take the same time whatever the weather.",
    ]


def assumption(*, stage: str, assumed: Sequence[str], on: Sequence[str], sources: Sequence[str]) -> str:
    """Return what is assumed of a stage, whose estimate that is, and its source."""
    rates = ". ".join(one.rstrip(".") for one in assumed)
    return f"{stage}. {rates}. Based on: {', '.join(on)}. Source: {'; '.join(sources)}."


def made(*, version: str, on: date, draws: int, seed: int, aim: str) -> str:
    """Return how the page can be made again."""
    drawn = counted(draws, "simulated season")
    return (
        f"Made by forecast {version} on {on.isoformat()}: {drawn}, seed {seed}, aim {aim}. "
        "The same season, draws, seed and aim give the same page, unless the search runs out of time."
    )


def page_written(path: Path, *, pdf: bool) -> str:
    """Return that the page was written."""
    return f"Written: {path}{' and the same as .pdf' if pdf else ''}."


# Order sheet and workbook

ASSUMPTIONS = ["about", "what", "assumed", "varies_by", "based_on", "source"]
RESULT_NOTES = [
    ("targets", "Sold and short: plants on average; more_plants bring the chance to the level, for more_cost."),
    ("saleable", "Plants saleable on the Monday of a week if none are sold."),
    ("benches", "Area in m², with each target sold in its week; overrun is the chance of being over capacity."),
    ("work", "Hours for potting, moving, spacing and grading; moves are the plants that enter a stage."),
    ("p5, median, p95", "90 % of the simulated seasons lie between p5 and p95."),
]


def cash_note(opening_cash: float | None, currency: str) -> str:
    """Return what the cash of a week is, with what was on the account before the season if that is stated."""
    if opening_cash is None:
        return "Cash since the season began, by the end of a week."
    return f"Cash by the end of a week; the account holds {opening_cash:,.0f} {currency} when the season begins."


def made_with(*, version: str, draws: int | None = None, seed: int | None = None, aim: str | None = None) -> str:
    """Return what a file was made with."""
    drawn = "" if draws is None else f", {counted(draws, 'simulated season')}, seed {seed}"
    return f"forecast {version}{drawn}{'' if aim is None else f', aim {aim}'}"


def sheet_notes(
    *, season: str, plan: str, found_with: str, first_week: Week, currency: str, opening_cash: float | None = None
) -> list[tuple[str, str]]:
    """Return the notes of an order sheet: what about, and the note."""
    return [
        ("season", season),
        *(("plan", line) for line in plan.splitlines()),
        ("found with", found_with),
        ("due", f"Deposits are due when you order, in the week of {dated(first_week)}."),
        ("due", "Balances and freight are due in the week of delivery. Every date is the Monday of its week."),
        ("freight", "What a lab sends in one week shares boxes of one size; whole boxes are paid for."),
        ("money", f"{cash_note(opening_cash, currency)} 90 % of the simulated seasons lie between p5 and p95."),
        ("limits", f"Budget and the minimum for the worst 10 % of seasons in {currency}, growing areas in m²."),
        *(("please note", line) for line in CAUTIONS),
    ]


def of_the_original(share: str, *, entering: bool) -> str:
    """Return a survival in words, with what it is a share of."""
    return share if entering else f"{share}, of the original number"


def learned_from(origin: str) -> str:
    """Return from whose records a rate was learned: `records` are its own, `group` those of its group."""
    return f"learned from {'its own records' if origin == 'records' else 'records of its group'}"


# Calendar


def payment(*, lab: str, deposits: bool, total: float, currency: str) -> str:
    """Return the entry of a payment."""
    return f"Pay {lab}, {'deposits' if deposits else 'balance and freight'}: {total:,.2f} {currency}"


def target_title(number: int, variety: str, channel: str | None, *, sale: str | None = None) -> str:
    """Return the entry of a target, or of a week in which its sale begins or ends."""
    whom = f" for {channel}" if channel else ""
    return f"{f'Sale {sale}' if sale else 'Target'}: {number:,} {variety}{whom}"


def target_note(*, demand: str | None, chance: float | None) -> str:
    """Return how surely a target is met; without a chance nothing is ordered for it."""
    asked = f"Demand: {demand}. " if demand else ""
    return f"{asked}{'Nothing is ordered for it.' if chance is None else f'Met in {seasons(chance)}.'}"


def not_half(stage: str | None) -> str:
    """Return that half a batch does not reach a stage (None: become ready) within the season."""
    return f"By the end of the season less than half is {f'in {stage}' if stage else 'ready'}."


def half_entry(variety: str, stage: str | None) -> str:
    """Return the entry of half a batch in a stage; None if it is ready."""
    return f"{variety}: half in {stage}" if stage else f"{variety}: half are ready"


def half_note(
    *, plants: float, lab: str, delivered: Week, first: date, last: date, never: float, ready: bool = False,
    there: tuple[str, Week] | None = None,
) -> str:  # fmt: skip
    """Return when half a batch reaches a stage or is ready, and the chance that it does not in the season.

    The batch is of a lab, or was there when the season began: in a stage, and since a week.
    """
    origin = f"from {lab}, delivered {dated(delivered)}"
    if there is not None:
        origin = f"on hand, in {there[0]} since {dated(there[1])}"
    what = "is ready" if ready else "reaches this stage"
    late = f"; in {seasons(never)} not before the season ends" if never else ""
    return (
        f"About {rounded(plants)} plants {origin}. Half the batch {what} between the weeks of {day(first)} and "
        f"{day(last)} (90 % range){late}."
    )


# Live panel

BASE_PLAN, NOW, SCENARIO = "base plan", "now", "scenario"
ROWS = {
    "differs": "what differs", "plantlets": "plantlets ordered", "met": "target met in", "cost": "cost",
    "margin": "margin", "against": "compared with the base plan",
}  # fmt: skip


def difference(*, plantlets: int, seasons_more: int, cost: float, margin: float, currency: str) -> str:
    """Return how a scenario differs from the base plan: more plantlets, on-time seasons in 20, cost and margin."""
    parts = []
    if plantlets:
        parts.append(f"{abs(plantlets):,} {'more' if plantlets > 0 else 'fewer'} plantlet{'s'[: abs(plantlets) > 1]}")
    if seasons_more:
        word = "more" if seasons_more > 0 else "fewer"
        parts.append(f"on time in {abs(seasons_more)} {word} season{'s'[: abs(seasons_more) > 1]} of 20")
    for verb, amount in (("costs", cost), ("earns", margin)):
        if (text := rounded(abs(amount))) != "0":
            parts.append(f"{verb} {text} {currency} {'more' if amount > 0 else 'less'}")
    return f"{parts[0][0].upper()}{', '.join(parts)[1:]}." if parts else "The same as the base plan."


def fullest(*, area: float, available: float, week: str, overrun: float) -> str:
    """Return how full a growing area gets [m²], and the chance that it is over capacity."""
    if available > AMPLE * area:
        return f"about {rounded(area)} m² in {week}"
    fits = f"over capacity in {seasons(overrun)}" if overrun else "within capacity"
    return f"about {rounded(area)} of {figures(available)} m² in {week}; {fits}"


def ordered(variety: str, deliveries: Sequence[tuple[int, str | None, Week]]) -> str:
    """Return what is ordered of a variety: quantities, labs and weeks."""
    parts = [f"{number:,}{f' from {lab}' if lab else ''} for {dated(week)}" for number, lab, week in deliveries]
    return f"Ordered of {variety}: {' and '.join(parts)}."


def reached(row: Mapping[str, Any], currency: str) -> str:
    """Return how surely orders meet a target, how many plants are there for it, and what its level would take."""
    where = "there for these buyers" if row.get("until") or row.get("channel") else "on hand then"
    then = f"about {rounded(row['median'])} are {where} (90 % range {rounded(row['p5'])} to {rounded(row['p95'])})"
    more = would_take(row, currency)
    reached = met(row["target"], row["chance"], _buyers(row), share=row.get("promised_share") or 1)
    return f"{reached}; {then}.{f' {more}' if more else ''}"


def costs(*, cost: float, price: float | None, margin: float | None, currency: str) -> str:
    """Return what orders cost, and are expected to earn at a sale price, or the prices of their targets [currency]."""
    total = f"The total cost is about {money(cost, currency)}."
    if margin is None:
        return total
    at = f"At {price:.2f} {currency} a plant, the" if price else "The"
    return f"{total} {at} expected margin is about {money(margin, currency)}."


def panel_described(sentence: str, places: Mapping[str, str]) -> str:
    """Return the text that says what the charts of the panel show."""
    areas = "; ".join(f"{place}: {text}" for place, text in places.items())
    return f"Saleable plants and benches by week. {sentence} {areas}."


def weather_loss(*, side: str, limit: float, loss: float) -> str:
    """Return how much each °C above or below a limit lowers survival."""
    return f"each °C {side} {figures(limit, 6)} lowers the log-odds of survival by {figures(loss, 6)}"


def space_and_cost(
    *, plants_per_m2: float, cost: float, minutes: float, currency: str, materials: float | None = None
) -> str:
    """Return what a plant of a stage takes: bench, money, materials if they are stated apart, and work."""
    needs = f"{figures(plants_per_m2, 6)} plants per m²; {figures(cost, 6)} {currency}"
    apart = "" if materials is None else f", {figures(materials, 6)} {currency} of materials"
    return f"{needs}{apart} and {figures(minutes, 6)} minutes per plant"
