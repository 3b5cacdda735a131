"""Sentences about the order of one variety: how many, from which lab, for which week."""

from __future__ import annotations

from collections.abc import Sequence

from forecast.weeks import Week
from forecast.words.numbers import dated, money, percent, rounded, seasons

_MOST_LINES = 15


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
    return (
        f"Ordering by average survival ({quantity:,} before rounding to what the lab sells) would be enough in "
        f"{seasons(chance)}."
    )


def out_of_reach(
    *, variety: str, target: int, by: Week, service_level: float, week: Week, share: float, first: Week | None
) -> str:
    """Return why no order suffices: the mean share saleable of the best delivery week, and the first week in reach."""
    gets = f"only {percent(share)} %" if share >= 0.01 else "under 1 %"
    later = f"move it to {first} or later" if first else "move it later"
    return (
        f"No order of {variety} meets the target of {target:,} plants by {dated(by)} at a service level of "
        f"{100 * service_level:g} %. Even the best delivery week ({week}) gets {gets} of plants saleable by then. "
        f"Lower the target, {later}, accept a lower service level, or find an earlier delivery or more advanced plants "
        "(plugs, liners)."
    )


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


# Delivery weeks


def cheapest_week(*, variety: str, week: str, lab: str, quantity: int, cost: float, currency: str) -> str:
    """Return the delivery week in which the order that suffices costs least."""
    return (
        f"{variety}: the cheapest delivery week is {week} ({lab}), {quantity:,} plants for about "
        f"{money(cost, currency)} including growing."
    )


def no_week(*, variety: str, target: int, by: Week) -> str:
    """Return that no single delivery suffices."""
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
        f"{money(abs(dearer), currency)} {'more' if dearer > 0 else 'less'}."
    )


def all_orders(orders: Sequence[str]) -> str:
    """Return all that orders say in 15 lines: in full if they are few, else the first line of each."""
    lines = [line for order in orders for line in order.splitlines()]
    if len(lines) > _MOST_LINES:
        lines = [order.splitlines()[0] for order in orders]
    more = len(lines) - _MOST_LINES + 1
    return "\n".join(lines if more <= 1 else [*lines[: _MOST_LINES - 1], f"And {more:,} more: table() lists all."])
