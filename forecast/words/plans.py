"""What an order plan says."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from forecast.weeks import Week
from forecast.words.numbers import dated, known, money

NOT_IN_TIME = "The search found no plan within its time limit. Allow more time."
NOTHING = "Nothing is worth ordering."


def purchase(
    *, plants: int, varieties: int, deliveries: int, purchase: float, cost: float, currency: str, budget: float | None
) -> str:
    """Return what a plan orders, and what it costs [currency]."""
    of = f"{varieties} {'variety' if varieties == 1 else 'varieties'}"
    within = "" if budget is None else f" (budget {budget:,.0f} {currency})"
    return (
        f"Order {plants:,} plantlets of {of} in {deliveries:,} {'delivery' if deliveries == 1 else 'deliveries'}. "
        f"Plants and freight cost {money(purchase, currency)}; with growing, {money(cost, currency)}{within}."
    )


def expected_margin(*, margin: float, worst_tenth: float, gap: float, currency: str) -> str:
    """Return what a plan of greatest margin is expected to earn [currency], and how far from the best it can be."""
    return (
        f"Its expected margin is about {money(margin, currency)}; in the worst 10 % of seasons it averages about "
        f"{money(worst_tenth, currency)}. {no_other('margin', gap)}"
    )


def all_met(*, gap: float) -> str:
    """Return that a plan of least cost meets every target, and how far from the cheapest it can be."""
    return f"Every target is met at its service level. {no_other('cost', gap)}"


def no_other(aim: str, gap: float) -> str:
    """Return how much better another plan can be at most, rounded up to a tenth of a percent."""
    verb, better = ("earn", "more") if aim == "margin" else ("be", "cheaper")
    if gap <= 1e-6:
        return f"No other plan can {verb} {better}."
    return f"No other plan can {verb} more than {known(100 * gap, 0.1, bound=True)} % {better} (optimality gap)."


def binding(*, limit: str, week: str, shadow_price: float, earns: bool, currency: str) -> str:
    """Return what one more unit of a binding limit is worth [currency]: the budget, or a place in its fullest week."""
    where, unit = (f"{limit}, week of {dated(week)}", "m²") if week else (limit, currency)
    verb = "earn" if earns else "save"
    return f"Binding limit: {where}. One more {unit} would {verb} about {shadow_price:,.2f} {currency}."


def not_ordered(variety: str, why: object) -> str:
    """Return that a plan orders nothing of a variety, and why."""
    return f"Not ordered: {variety}. {why}"


def left_out(
    *, reason: str, order: Sequence[tuple[int, Week]], margin: float, limits: Sequence[str], currency: str
) -> str:
    """Return why nothing of a variety is ordered; if it could be, with its best order on its own and binding limits."""
    if reason in _REASONS:
        return _REASONS[reason]
    best = " and ".join(f"{plants:,} {'plant' if plants == 1 else 'plants'}, {week}" for plants, week in order)
    if reason == "loses":
        return f"Its best order ({best}) would lose {money(-margin, currency)}."
    more = "other varieties earn more in its place"
    if limits:
        more = f"the {' and the '.join(limits)} {'earns' if len(limits) == 1 else 'earn'} more in other varieties"
    return f"On its own ({best}) it would earn {money(margin, currency)}, but {more}."


_REASONS = {
    "no lab": "No lab offers it.",
    "too late": "No delivery can arrive before its target week.",
    "too large": "Even its smallest order breaks a limit of the plan.",
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
    share = known(100 * better / max(abs(margin), 1e-9), 100 * gap, bound=True)
    return (
        f"{text}\nWith 95 % confidence, the expected margin of every other plan is at most {more} {currency} "
        f"({share} %) higher (from {searches} repeated searches)."
    )


def limits_short(shortfalls: Mapping[str, float], currency: str) -> str:
    """Return by how much limits are too tight for any plan: places [m²], and the budget."""
    more = [
        f"{math.ceil(one):,} {currency} more budget"
        if name == "budget"
        else f"{math.ceil(10 * one) / 10:g} m² more {name}"
        for name, one in shortfalls.items()
    ]
    return (
        f"No plan meets every target at its service level within your limits. It would take {' and '.join(more)}. "
        "Otherwise lower a target, move it later, or lower the service level."
    )


def floor_out_of_reach(floor: float, shortfall: float, currency: str) -> str:
    """Return that no plan earns as much as it must in the worst tenth of seasons [currency]."""
    best = f"; the best earns about {floor - shortfall:,.0f} {currency}" if shortfall else ""
    return (
        f"No plan found earns {floor:,.0f} {currency} on average in the worst 10 % of seasons{best}. "
        "Lower this minimum, or allow more budget or bench area."
    )
