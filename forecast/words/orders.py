"""Sentences about orders: of one variety, of all targets, and the order plan."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from forecast.rounding import round_up
from forecast.weeks import Week
from forecast.words.numbers import (
    TOO_LITTLE,
    apart,
    counted,
    dated,
    figures,
    known,
    money,
    more_or_less,
    of_20,
    percent,
    rounded,
    seasons,
    span,
)

_MOST_LINES = 15
TABLE = "{season}: what to order, from {seasons}, seed {seed}. Money in {currency}."
MINE = "{season}: the orders of {table}, from {seasons}, seed {seed}. Money in {currency}."
NO_ORDERS = ("there are no orders", "Add rows of variety, week and quantity, or leave out --mine.")
LINES = {"variety": "variety", "lab": "lab", "week": "delivery", "quantity": "order qty", "price": "price"}
"""Columns of a plan's lines that are printed, and their headings."""
TARGETS = {
    "variety": "variety",
    "channel": "channel",
    "target": "needed",
    "by": "by",
    "promised": "promised",
    "met": "on time in",
    "short": "missing",
    "more": "more certainty",
}
"""Likewise, of its targets; those in which no cell is filled are left out."""
ON_SALE = "on sale"
CERTAINTY = (
    "Missing: plants short of the target on average. More certainty: how many more plants reach your service level, "
    "what they cost with growing{back}."
)
BACK = ", and what they bring back"

# One variety


def order(*, quantity: int, variety: str, lab: str, week: Week) -> str:
    """Return what is ordered."""
    return f"Order {quantity:,} of {variety} from {lab} for {week}."


def yields(
    *, target: int, by: Week, chance: float, cost: float, currency: str, topping_up: bool, demand: Sequence[float] = ()
) -> str:
    """Return how surely an order meets its target, or uncertain demand (p5 and p95), and what it costs [currency]."""
    subject = "This order and the plants already there yield" if topping_up else "This yields"
    enough = f"at least {target:,} saleable plants"
    if demand:
        enough = f"enough saleable plants for the demand ({demand[0]:,.0f} to {demand[1]:,.0f}, median {target:,})"
    return (
        f"{subject} {enough} by {dated(by)} in {seasons(chance)}. Total cost including "
        f"growing: about {money(cost, currency)}."
    )


def greatest_margin(*, margin: float, currency: str) -> str:
    """Return what an order of greatest margin is expected to earn [currency]."""
    return f"Its expected margin, {money(margin, currency)}, is the greatest of all orders."


def order_by_average(*, quantity: int, chance: float) -> str:
    """Return what would be ordered by average survival, and the chance that it would be enough."""
    if not quantity:
        return f"Without it, the plants already there would be enough in {seasons(chance)}."
    return (
        f"Ordering by average survival ({quantity:,} before rounding to what the lab sells) would be enough in "
        f"{seasons(chance)}."
    )


def out_of_reach(
    *, variety: str, target: int, by: Week, service_level: float, week: Week, share: float,
    first: tuple[Week, int] | None, sane: tuple[Week, int] | None, saleable_weeks: int | None,
) -> str:  # fmt: skip
    """Return why no order is enough, with the mean share saleable of the best delivery week, and what to do.

    `first` is the first week in reach and `sane` that of an order of usual size, each with its smallest order.
    """
    gets = f"only {percent(share)} %" if share >= 0.01 else "under 1 %"
    return (
        f"No order of {variety} meets the target of {target:,} plants by {dated(by)} at a service level of "
        f"{figures(100 * service_level, 6)} %. Even the best delivery week ({week}) gets {gets} of plants saleable by "
        f"then. {_in_reach(by, first, sane, saleable_weeks)} Lower the target, {'move it there, ' if first else ''}"
        "accept a lower service level, or find an earlier delivery or more advanced plants (plugs, liners)."
    )


def _in_reach(
    by: Week, first: tuple[Week, int] | None, sane: tuple[Week, int] | None, saleable_weeks: int | None
) -> str:
    if first is None:
        return "No other week of the season is in reach."
    which = "first" if first[0] > by else "last earlier"
    text = f"The {which} week in reach is {dated(first[0])}, with an order of {first[1]:,}"
    return f"{text}; {_enough(sane, saleable_weeks)}" if sane and sane[0] != first[0] else f"{text}."


def _enough(other: tuple[Week, int], saleable_weeks: int | None) -> str:
    """Return how many are enough from another week on; in that week only, if plants pass their sale window."""
    return f"{'in the week of' if saleable_weeks else 'from'} {dated(other[0])}, {other[1]:,} are enough."


def excess(
    *, variety: str, quantity: int, asked: int, by: Week, reason: str | None, unhurried: int,
    other: tuple[Week, int] | None, loss: tuple[float, float, bool, str] | None, saleable_weeks: int | None,
) -> str:  # fmt: skip
    """Return why an order is large or loses, and by which other week how many plants are enough.

    A loss is what the order costs and sells for [currency], whether some may sell marked down, and the currency.
    """
    what = f"he {quantity:,} {variety} ordered for the {asked:,} needed by {dated(by)}"
    paid = ""
    if loss is not None:
        cost, income, markdown, currency = loss
        paid = f"cost about {money(cost, currency)} and sell for about {money(income, currency)}"
        paid += ", markdown included." if markdown else "."
    if reason is None:
        return f"T{what} {paid} Order them only if being short costs you more."
    if reason in _HURRIED:
        most = "Most" if quantity > 2 * unhurried else "Many"
        why = _HURRIED[reason].format(weeks=saleable_weeks)
        timely = f"If all were saleable by then, {unhurried:,} would be enough."
        fewer = _enough(other, saleable_weeks) if other else "No other week of the season needs far fewer."
        text = f"{most} of t{what} {why} {timely} {fewer[0].upper()}{fewer[1:]}"
    else:
        text = f"T{what} are more than three times as many: {_LARGE[reason]}"
    return f"{text} They {paid}" if paid else text


_HURRIED = {
    "early": "only beat the clock: few are saleable that early.",
    "window": "are outside their {weeks}-week sale window then: past it, or not ready yet.",
}
_LARGE = {
    "lab": "the lab sells no fewer.",
    "dearer": "fewer would be enough, but would cost more or earn less.",
    "survival": "few plants survive, or how many is uncertain.",
}


def all_lose(*, variety: str, quantity: int, lab: str, week: Week, margin: float, currency: str) -> str:
    """Return why nothing is ordered for the greatest margin, with the best order."""
    return (
        f"No order of {variety} has an expected margin above 0. The best, {quantity:,} from {lab} for {week}, has one "
        f"of {money(margin, currency)}. Order none, or find a lower price from a lab or a higher sale price."
    )


def no_lab(*, variety: str) -> str:
    """Return why a variety cannot be ordered."""
    return f"No lab offers {variety}. See what propagating it in vitro or dividing stock plants would give."


def too_late(*, ordered: Week, first: Week, last: Week) -> str:
    """Return why no delivery is possible: when an order placed in a week would arrive, and the lab's last week."""
    return f"The lab's last delivery week is {last}, and an order placed in {ordered} would not arrive before {first}."


# All targets


def several(orders: Sequence[str], excessive: Sequence[bool]) -> str:
    """Return all that orders say in 15 lines: in full if they are few, else the first line of each.

    Those that are excessive are never left out.
    """
    lines = [line for order in orders for line in order.splitlines()]
    if len(lines) <= _MOST_LINES:
        return "\n".join(lines)
    lines = [order.splitlines()[0] for order in orders]
    if len(lines) <= _MOST_LINES:
        return "\n".join(lines)
    left = max(_MOST_LINES - 1 - sum(excessive), 0)
    kept = [line for at, line in enumerate(lines) if excessive[at] or at - sum(excessive[:at]) < left]
    more = len(lines) - len(kept)
    return "\n".join([*kept, f"And {more:,} more: table() lists all."] if more else kept)


def line(row: Mapping[str, Any]) -> dict[str, str]:
    """Return the cells of a line to order, a row of `Plan.table`."""
    cells = {name: str(row[name]) for name in ("variety", "lab")}
    return cells | {"week": dated(row["week"]), "quantity": f"{row['quantity']:,}", "price": f"{row['price']:,.0f}"}


def target(row: Mapping[str, Any], currency: str) -> dict[str, str]:
    """Return the cells of a target, a row of `Plan.targets`: how often it is met, what is missing, what more takes."""
    promised = row.get("promised")
    often = of_20(promised) if promised else ""
    if promised and (share := row.get("promised_share")):
        often = f"{percent(share)} % of it in {often}"
    return {
        "variety": str(row["variety"]),
        "channel": row.get("channel") or "",
        "target": f"{row['target']:,}",
        "by": span(row["week"], row.get("until")),
        "promised": often,
        "met": of_20(row["chance"]),
        "short": rounded(row["short"]),
        "more": more_certainty(row, currency),
    }


def target_columns(rows: Sequence[Mapping[str, Any]], currency: str) -> dict[str, str]:
    """Return the columns of targets in which anything is filled, and their headings."""
    cells = [target(row, currency) for row in rows]
    found = {name: heading for name, heading in TARGETS.items() if any(one[name] for one in cells)}
    return found | ({"by": ON_SALE} if any(row.get("until") for row in rows) else {})


SHORT_PRICES = (
    "What a missing plant has to cost, beyond its lost sale, for a service level to be right. First what the plan "
    "counts and reaches."
)


def short_prices(rows: Sequence[Mapping[str, Any]], levels: Sequence[float], currency: str) -> str:
    """Return which service level the price of being short gives, target by target, and at which others are right."""
    lines = []
    for row in rows[: _MOST_LINES - 2]:
        prices = [(of_20(level), row[str(level)]) for level in levels]
        known = [f"{often} at {money(price, currency)}" for often, price in prices if price is not None]
        whom = f" for {row['channel']}" if row.get("channel") else ""
        now = f"{of_20(row['chance'])} at {money(row['short_cost'], currency)}"
        others = f"; {', '.join(known)}" if known else ""
        lines.append(f"{row['target']:,} {row['variety']}{whom}, {span(row['week'], row.get('until'))}: {now}{others}.")
    more = len(rows) - len(lines)
    return "\n".join([SHORT_PRICES, *lines, *([f"And {more:,} more: table() lists all."] if more else [])])


def more_certainty(row: Mapping[str, Any], currency: str) -> str:
    """Return how many more plants reach the level of a target, for what; nothing if it is reached or none is there."""
    if not _lacks(row):
        return ""
    asked, plants, income = of_20(row["level"]), row["more_plants"], row["more_income"]
    if plants is None:
        return f"{asked}: not by more of these deliveries"
    back = "" if income is None else f", {money(income, currency)} back"
    return f"{asked}: {plants:,} more for {money(row['more_cost'], currency)}{back}"


def would_take(row: Mapping[str, Any], currency: str) -> str:
    """Return the same as a sentence."""
    if not _lacks(row):
        return ""
    often, plants = seasons(row["level"]), row["more_plants"]
    if plants is None:
        return f"More plants in these deliveries would not meet it in {often}."
    return f"{plants:,} more plants would meet it in {often}, for {money(row['more_cost'], currency)}."


def _lacks(row: Mapping[str, Any]) -> bool:
    """Return whether a target is met less often than its level, as far as can be seen, though something is ordered."""
    return row["more_plants"] != 0 and row["chance"] > 0 and of_20(row["chance"]) != of_20(row["level"])


def costs(*, purchase: float, total: float, currency: str, deposits: float = 0.0, budget: float | None = None) -> str:
    """Return what is paid to labs and carriers, part of it as deposits, and the total with growing [currency]."""
    now = f", of which {rounded(deposits)} in deposits when ordering" if deposits > 0.5 else ""
    within = "" if budget is None else f" (budget {budget:,.0f} {currency})"
    paid = f"Plants and freight cost about {money(purchase, currency)}{now}{within}"
    grown = money(total, currency)
    return f"{paid}." if grown == money(purchase, currency) else f"{paid}; with growing, about {grown}."


def of_variety(variety: str, shipments: Sequence[tuple[int, str, Week]], chances: Sequence[float]) -> str:
    """Return what a plan orders of one variety, quantity, lab and week of each delivery, and how its targets do."""
    *others, last = (f"{quantity:,} from {lab} for {dated(week)}" for quantity, lab, week in shipments)
    what = f"{', '.join(others)} and {last}" if others else last
    many = "its target is" if len(chances) == 1 else "each of its targets is"
    low, high = min(chances, default=0.0), max(chances, default=0.0)
    met_in = f"; {many} met in {seasons(low, high)}" if chances else ""
    return f"{variety}: order {what}{met_in}."


def over_budget(*, budget: float, currency: str) -> str:
    """Return that what is paid to labs and carriers is over the budget [currency]."""
    return f"Plants and freight cost more than the budget of {budget:,.0f} {currency}."


def all_met(*, targets: int, chance: float) -> str:
    """Return the chance that all targets are met."""
    if targets == 1:
        return f"The target is met in {seasons(chance)}."
    every = "Both targets" if targets == 2 else f"All {targets} targets"
    return f"{every} are met together in {seasons(chance)}."


def few_draws(*, draws: int, enough: int) -> str:
    """Return how accurate chances are with few draws."""
    points = counted(round(100 / math.sqrt(draws)), "percentage point")
    return f"With {counted(draws, 'simulated season')}, chances are accurate to about ±{points}; use --draws {enough}."


# Delivery weeks


def cheapest_week(*, variety: str, week: str, lab: str, quantity: int, cost: float, currency: str) -> str:
    """Return the delivery week in which the order that is enough costs least."""
    return (
        f"{variety}: the cheapest delivery week is {week} ({lab}), {quantity:,} plants for about "
        f"{money(cost, currency)} including growing."
    )


def no_week(*, variety: str, target: int, by: Week) -> str:
    """Return that no single delivery is enough."""
    return f"{variety}: no single delivery week meets the target of {target:,} by {dated(by)} at its service level."


def best_and_worst_week(
    *, quantity: int, target: int, by: Week, best: str, chance: float, worst: str, least: float
) -> str:
    """Return in which delivery weeks the same quantity reaches the target most and least often."""
    return (
        f"{quantity:,} plants reach the target of {target:,} by {dated(by)} most often if delivered in {best}: in "
        f"{seasons(chance)}. The worst delivery week is {worst}: in {seasons(least)}."
    )


def every_week_too_late(*, quantity: int, target: int, by: Week, soonest: str) -> str:
    """Return that the target is never reached, and when half of the survivors are ready at the earliest, if ever."""
    ready = (
        f"Half of the surviving plants are ready by {soonest} at the earliest."
        if soonest
        else "Half of the surviving plants are never ready within the season: check stage times, base temperatures and "
        "upper thresholds against the temperatures of the growing areas."
    )
    reached = f"{quantity:,} plants reach the target of {target:,} by {dated(by)} in {seasons(0)}"
    return f"{reached}, whatever the delivery week.\n{ready}"


def split(one: tuple[int, str, float], two: tuple[int, str, float], *, dearer: float, currency: str) -> str:
    """Return how much dearer a split over two weeks is than one delivery [currency].

    Both are given by their quantity, their weeks, and what they yield in the worst tenth of seasons.
    """
    (quantity, week, worst), (split_quantity, weeks, split_worst) = one, two
    return (
        f"In the worst 10 % of simulated seasons, {quantity:,} delivered in {week} yield about {rounded(worst)}; "
        f"{split_quantity:,} split over {weeks.replace(', ', ' and ')} yield about {rounded(split_worst)}, for about "
        f"{more_or_less(dearer, currency, same='the same cost')}."
    )


# The order plan


def surplus(*, variety: str, plants: float, ordered: int, price: float, currency: str) -> str:
    """Return what is grown on purpose to be marked down, at a price [currency], of so many plantlets ordered."""
    return (
        f"About {rounded(plants)} of the {ordered:,} {variety} are grown to be marked down: even at {price:,.2f} "
        f"{currency} they bring more than they cost. Without buyers for them you lose about "
        f"{money(plants * price, currency)}."
    )


NOT_IN_TIME = "The search found no plan within its time limit. Allow more time."
NOTHING = "Nothing is worth ordering."
NOT_ON_FRESH_DRAWS = (
    "The plan keeps its promises and minimum on the draws of the search, but not surely on new ones: "
    "within the limits no safer plan was found. More simulated seasons (draws) may find one."
)


def ordered(*, plants: int, varieties: int, deliveries: int) -> str:
    """Return what a plan orders."""
    return (
        f"Order {counted(plants, 'plantlet')} of {counted(varieties, 'variety', 'varieties')} in "
        f"{counted(deliveries, 'delivery', 'deliveries')}."
    )


def one_delivery(*, gain: float, currency: str) -> str:
    """Return when a variety comes in more than one delivery."""
    return (
        f"A variety comes in more than one delivery only where each further one adds {money(gain, currency)} or more, "
        "or a tenth of its sales if that is less."
    )


def your_orders(*, plants: int, varieties: int, deliveries: int, placed: int, there: int) -> str:
    """Return what a grower's own orders are: plants, those of them that are ordered already, and those on hand."""
    already = f", of which {placed:,} are ordered already" if placed else ""
    text = (
        f"Your orders: {counted(plants, 'plantlet')} of {counted(varieties, 'variety', 'varieties')} in "
        f"{counted(deliveries, 'delivery', 'deliveries')}{already}."
    )
    return f"{text} {counted(there, 'plant')} on hand {'counts' if there == 1 else 'count'}, too." if there else text


BESIDE = {"what": "", "mine": "your orders", "plan": "the plan", "difference": "difference"}
"""Columns of the comparison of a grower's own orders with the plan, and their headings."""
_COMPARED = {
    "plantlets": "plantlets",
    "paid": "paid to labs and carriers",
    "margin": "expected margin",
    "worst_tenth": "margin in the worst 10 % of seasons",
    "all_met": "all targets met in",
    "short": "price of being short",
}
NO_PLAN = "There is no plan to compare with. {why}"
PRICE_OF_SHORTAGE = (
    "Price of being short: a missing plant counts for half its price beyond the lost sale, unless you state another "
    "sum."
)
_BESIDE = "Difference: the plan less your orders, ± its standard error in the same seasons."


def beside(rows: Sequence[Mapping[str, Any]], currency: str) -> str:
    """Return which of a grower's own orders and the plan earns more [currency], as far as can be seen."""
    found = {row["what"]: row for row in rows}
    text = f"{PRICE_OF_SHORTAGE}\n{_BESIDE}" if "short" in found else _BESIDE
    if "margin" not in found:
        return text
    row = found["margin"]
    if not apart(row["difference"], row["error"]):
        return f"{text} No difference in the expected margin can be seen."
    most, least = ("The plan", "your orders") if row["difference"] > 0 else ("Your orders", "the plan")
    verb = "earns" if row["difference"] > 0 else "earn"
    more = known(abs(row["difference"]), max(row["error"], 1.0))
    return f"{text} {most} {verb} about {more} {currency} more than {least}."


def compared(row: Mapping[str, Any]) -> dict[str, str]:
    """Return the cells of a row of the comparison."""
    what, difference, error = row["what"], row["difference"], row["error"]
    if what == "all_met":
        values = [of_20(row["mine"]), of_20(row["plan"])]
        change = f"{20 * difference:+.1f} ± {20 * error:.1f} of 20" if apart(20 * difference, 20 * error) else "none"
    else:
        values = [f"{row[name]:,.0f}" if what == "plantlets" else rounded(row[name]) for name in ("mine", "plan")]
        change = "none"
        if apart(difference, error):
            change = f"{'+' if difference > 0 else ''}{known(difference, max(error, 1.0))}"
            change += f" ± {known(error, error)}" if error >= 0.5 else ""
    return {"what": _COMPARED[what], "mine": values[0], "plan": values[1], "difference": change}


def in_any_case(*, there: int, placed: int, paid: float, currency: str) -> str:
    """Return that a plan counts plants on hand, and orders that are placed, which cost so much [currency]; or nothing.

    The plan orders what is lacking beside them.
    """
    what = [counted(there, "plant") + " on hand"] if there else []
    if placed:
        what.append(f"{counted(placed, 'plantlet')} ordered already, for {money(paid, currency)} with freight")
    if not what:
        return ""
    subject = "Plants on hand and orders already placed" if len(what) > 1 else "Plants on hand"
    subject = subject if there else "Orders already placed"
    return f"{subject} count: {' and '.join(what)}. The plan orders what is lacking."


def your_margin(*, margin: float, worst_tenth: float, currency: str) -> str:
    """Return what a grower's own orders are expected to earn [currency]."""
    return (
        f"Their expected margin is about {money(margin, currency)}; in the worst 10 % of seasons it averages about "
        f"{money(worst_tenth, currency)}."
    )


def expected_margin(*, margin: float, worst_tenth: float, gap: float, currency: str, short: bool = False) -> str:
    """Return what a plan of greatest margin is expected to earn [currency], and how far from the best it can be.

    With what is counted for missing plants if it is weighed.
    """
    text = (
        f"Its expected margin is about {money(margin, currency)}; in the worst 10 % of seasons it averages about "
        f"{money(worst_tenth, currency)}. {no_other('margin', gap, short=short)}"
    )
    return f"{text}\n{PRICE_OF_SHORTAGE}" if short else text


def least_cost(*, gap: float) -> str:
    """Return that a plan of least cost meets every target, and how far from the cheapest it can be."""
    return f"Every target is met at its service level. {no_other('cost', gap)}"


def no_other(aim: str, gap: float, *, short: bool = False) -> str:
    """Return how much better another plan can be at most, rounded up to a tenth of a percent.

    Any number of deliveries from the price lists is another plan; missing plants count with it if they are weighed.
    """
    verb, better = ("earn", "more") if aim == "margin" else ("be", "cheaper")
    by = f" over {known(100 * gap, 0.1, bound=True)} %" if gap > 1e-6 else ""
    found = " (optimality gap)" if by else ""
    plan = "With the price of being short counted, no other plan" if short else "No other plan"
    return f"{plan}, of any number of deliveries on the price lists, can {verb}{by} {better}{found}."


def binding(*, limit: str, week: str, worth: str, earns: bool, currency: str) -> str:
    """Return what one more unit of a binding limit is worth: money, or a place in its fullest week."""
    where = f"{limit}, week of {dated(week)}" if week else limit
    unit = "m²" if week and limit != "overdraft" else currency
    about = worth if worth == TOO_LITTLE else f"about {worth}"
    return f"Binding limit: {where}. One more {unit} would {'earn' if earns else 'save'} {about}."


def not_ordered(variety: str, why: object, *, there: bool = False) -> str:
    """Return that a plan orders nothing of a variety, or nothing more of what is there already, and why."""
    return f"{variety}: {'no more' if there else 'none'} this year, because {why}"


def no_target(variety: str) -> str:
    """Return that nothing of a variety is ordered because nobody asked for it."""
    return f"{variety}: none is ordered, because it has no target."


def left_out(
    *, reason: str, order: Sequence[tuple[int, Week]], margin: float, limits: Sequence[str], currency: str
) -> str:
    """Return why nothing of a variety is ordered; if it could be, with its best order on its own and binding limits."""
    if reason in _REASONS:
        return _REASONS[reason]
    best = " and ".join(f"{plants:,} {'plant' if plants == 1 else 'plants'}, {week}" for plants, week in order)
    if reason == "loses":
        return f"its best order ({best}) would lose {money(-margin, currency)}."
    more = "other varieties earn more in its place"
    if limits:
        more = f"the {' and the '.join(limits)} {'earns' if len(limits) == 1 else 'earn'} more in other varieties"
    return f"{more}. On its own ({best}) it would earn {money(margin, currency)}."


_REASONS = {
    "no lab": "no lab offers it.",
    "too late": "no delivery can arrive before its target week.",
    "too large": "even its smallest order breaks a limit of the plan.",
}


def instead(*, quantity: int | None, week: Week | None = None, lab: str | None = None) -> str:
    """Return what could take the place of an order: its quantity, and its week and lab where they are others."""
    if quantity is None:
        return "nothing"
    return f"{quantity:,}{f' from {lab}' if lab else ''}{f' for {week}' if week else ''}"


def out_of_sample(
    *, margin: float, error: float, worst_tenth: float, better: float | None, searches: int, gap: float, currency: str
) -> str:
    """Return what a plan earns on new draws [currency], and how much more another plan can earn, if it was searched.

    A bound is known to no more than the gap that the searches were content with [share of the margin].
    """
    text = (
        f"On new simulated seasons the plan earns {known(margin, error)} {currency} ± {known(error, error)} (standard "
        f"error), and {money(worst_tenth, currency)} on average in the worst 10 % of them."
    )
    if better is None:
        return text
    more = known(better, gap * abs(margin), bound=True)
    if not more.strip("0."):
        return f"{text}\nWith 95 % confidence, no other plan earns more (from {searches} repeated searches)."
    share = known(100 * better / max(abs(margin), 1e-9), 100 * gap, bound=True)
    return (
        f"{text}\nWith 95 % confidence, the expected margin of every other plan is at most {more} {currency} "
        f"({share} %) higher (from {searches} repeated searches)."
    )


def limits_short(shortfalls: Mapping[str, float], currency: str) -> str:
    """Return by how much limits are too tight for any plan: places [m²], overdraft and budget."""
    more = [
        f"{round_up(one):,} {currency} more {name}"
        if name in ("budget", "overdraft")
        else f"{figures(round_up(10 * one) / 10, 6)} m² more {name}"
        for name, one in shortfalls.items()
    ]
    return (
        f"No plan meets every target at its service level within your limits. It would take {' and '.join(more)}. "
        "Otherwise lower a target, move it later, or lower the service level."
    )


def promise_out_of_reach(
    *, variety: str, target: int, share: float | None, first: Week, last: Week, level: float
) -> str:
    """Return that no order meets a target, or a share of it, with the chance that it asks for."""
    number = f"the target of {target:,}" if share is None else f"{percent(share)} % of the target of {target:,}"
    return f"No order of {variety} meets {number}, {span(first, last)}, in {of_20(level)} seasons."


def would_reach(
    *, level: float, chance: float, waits: tuple[int, float] | None, share: tuple[float, float] | None, longest: int
) -> str:
    """Return which of more plants, waiting buyers or a smaller share would help a target to be met at its level.

    `chance` is the most that any number of plants gives it; `waits` are the fewest weeks of waiting with which the
    largest orders meet it, and `share` is the largest share that they meet, each with its chance: None if none does.
    Up to `longest` weeks were tried.
    """
    as_it_is = "slightly fewer" if of_20(chance) == of_20(level) else seasons(chance)
    found = [f"More plants do not help: the largest orders meet it in {as_it_is}."]
    if chance >= level:
        found = [f"Only orders many times as large as the demand meet it, in {seasons(chance)}: no plan holds them."]
    if waits:
        found.append(f"They meet it in {seasons(waits[1])} if buyers wait {counted(waits[0], 'week')}.")
    else:
        found.append(f"Waiting does not help: {counted(longest, 'week')} are not enough.")
    if share:
        found.append(f"They meet {percent(share[0])} % of the number in {seasons(share[1])}.")
    else:
        found.append("A smaller share does not help.")
    return " ".join(found)


def floor_out_of_reach(floor: float, shortfall: float, currency: str) -> str:
    """Return that no plan earns as much as it must in the worst tenth of seasons [currency]."""
    best = f"; the best earns about {floor - shortfall:,.0f} {currency}" if shortfall else ""
    return (
        f"No plan found earns {floor:,.0f} {currency} on average in the worst 10 % of seasons{best}. "
        "Lower this minimum, or allow more budget or bench area."
    )
