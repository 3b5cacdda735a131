"""Sentences about cultures, plans from explants or stock plants, and supply routes."""

from __future__ import annotations

from collections.abc import Sequence

from forecast.weeks import Week
from forecast.words.numbers import counted, dated, figures, money, more_or_less, rounded, seasons
from forecast.words.numbers import needed as rounded_up

NOTHING = "nothing is saleable by then"


def cultures(
    *, variety: str, explants: int, subcultures: int, start: Week, plantlets: Sequence[float], ready: Week,
    extinction: float, shortage: str, rates: str = "",
) -> str:  # fmt: skip
    """Return what comes of explants; `plantlets` are their 5th percentile, median and 95th percentile."""
    low, median, high = map(rounded, plantlets)
    text = (
        f"{counted(explants, 'explant')} of {variety} initiated in {start}, {counted(subcultures, 'subculture')}: "
        f"about {median} plantlets (90 % range {low} to {high}) by {dated(ready)}."
    )
    return " ".join(part for part in (text, rates, lost(extinction), shortage) if part)


def implied(*, total: str | None, rate: float, stated: int, subcultures: int) -> str:
    """Return the rate that is implied by a total, or by the last rate that is stated; empty if each is stated."""
    if total is not None and stated == 1:
        return f"{total.capitalize()} subcultures is {figures(rate, 4)} shoots per explant and subculture."
    if stated == 1 or subcultures <= stated:
        return ""
    return f"From subculture {stated + 1} on, each explant gives {figures(rate)} shoots, the last rate stated."


def lost(extinction: float) -> str:
    """Return how often nothing is left of a culture; empty if that never happens."""
    return f"The whole culture is lost in {seasons(extinction)}." if extinction else ""


def limit(*, shelf: bool, cycle: int, chance: float) -> str:
    """Return which limit of the laboratory stops cultures, when and how often."""
    what = "shelf places" if shelf else "hood hours"
    return f"{what} run short at subculture {cycle} in {seasons(chance)}"


def shortage(*, shelf: bool, cycle: int, chance: float, unplanted: float) -> str:
    """Return the same as a sentence, with the shoots that find no room."""
    text = limit(shelf=shelf, cycle=cycle, chance=chance)
    return f"{text[0].upper()}{text[1:]}; on average about {rounded(unplanted)} shoots find no room."


def kept_number(*, shares: int, subcultures: int) -> str:
    """Return the problem of a list of shares of the wrong length."""
    have = counted(shares, "share")
    return f"Kept has {have}, but {counted(subcultures, 'subculture')} need {subcultures - 1}: the last keeps nothing."


def kept_range(shares: Sequence[float]) -> str:
    """Return the problem of shares that are none."""
    return f"Kept {list(shares)}: give shares from 0 to 1."


def too_many_subcultures(*, subcultures: int, most: int) -> str:
    """Return the problem of more subcultures than the row allows."""
    return (
        f"{counted(subcultures, 'subculture')}: the limit is {most} (most_cycles), after that there are too many "
        "off-types. Plan fewer subcultures or more explants."
    )


def too_early(*, start: Week, earliest: Week) -> str:
    """Return the problem of a start in the past."""
    return f"Start {start} is too early: the first possible week is {earliest}."


def too_many_explants(*, explants: int, most: int) -> str:
    """Return the problem of more explants than there is room for."""
    return f"{explants:,} explants are too many: each starts in its own vessel, and shelf and hood allow {most:,}."


def culture_plan(
    *, variety: str, explants: int, start: Week, subcultures: int, batches: bool, last: Week, ready: Week
) -> str:
    """Return what to do: explants, subcultures and rooting."""
    times = "once" if subcultures == 1 else f"{subcultures} times"
    rooting = f"in batches (last batch from {last})" if batches else f"all from {last}"
    return (
        f"Initiate {counted(explants, 'explant')} of {variety} in {start}, subculture {times}, root {rooting}, deflask "
        f"by {ready}."
    )


def division_plan(*, variety: str, plants: int, bought: int, start: Week, rounds: int, last: Week) -> str:
    """Return what to do: stock plants and rounds of division."""
    more = f" ({bought:,} of them bought)" if bought else ""
    plural = counted(plants, "stock plant")
    return f"Divide {plural} of {variety}{more} in {start}, in {counted(rounds, 'round')}; pot the last in {last}."


def pot(most: int | None) -> str:
    """Return how many plantlets to pot at most; empty if all are."""
    return f"Pot no more than {most:,}." if most is not None else ""


def plan_yield(*, chance: float, target: int, by: Week, cost: float, currency: str, latest: Week | None) -> str:
    """Return what a plan yields, how often, what it costs, and the last week in which as many are enough, if any."""
    last = f" Latest start with as many: {latest}." if latest else ""
    return (
        f"In {seasons(chance)} this yields at least {counted(target, 'saleable plant')} by {dated(by)}. Total cost "
        f"including growing: about {money(cost, currency)}.{last}"
    )


def by_average(*, number: int, unit: str, chance: float) -> str:
    """Return how often as many as are enough on average would do; empty if none are."""
    return f"Planning by average ({counted(number, unit)}) would be enough in {seasons(chance)}." if number else ""


def no_plan(
    *, variety: str, target: int, by: Week, service_level: float, why: Sequence[tuple[int, str]], later: Week | None
) -> str:
    """Return why no plan from explants meets a target; `why` holds a reason for each number of subcultures."""
    reasons = "".join(f" {counted(number, 'subculture')}: {reason}." for number, reason in why)
    reach = f" The first week in reach is {dated(later)}." if later is not None else ""
    return (
        f"No plan from explants yields {target:,} {variety} by {dated(by)} at a service level of "
        f"{figures(100 * service_level, 6)} %.{reasons}{reach} Lower the target, move it later, accept a lower service "
        "level, or buy in."
    )


def too_late(*, weeks: int, earliest: Week) -> str:
    """Return the reason that plantlets come after the week of the target."""
    return f"plantlets are ready {counted(weeks, 'week')} too late, even if started in {earliest}"


def start_too_early(*, needed: Week, earliest: Week) -> str:
    """Return the reason that a plan would have to start in the past."""
    return f"would have to start by {needed}; the first possible week is {earliest}"


def too_few(*, needed: float, most: int, unit: str) -> str:
    """Return the reason that there are not enough explants or stock plants."""
    return f"needs about {rounded_up(needed)} {unit}s (available: {most:,})"


def never_enough(unit: str) -> str:
    """Return the reason that no number is enough."""
    return f"no number of {unit}s is enough"


def enough_in(chance: float, limit: str = "") -> str:
    """Return the reason that a plan is not enough often enough, with what holds it back if that is known."""
    return f"enough in {seasons(chance)}{f': {limit}' if limit else ''}"


def all_used(*, most: int, unit: str) -> str:
    """Return what holds a plan back that starts with all there are."""
    return f"only {counted(most, unit)} available"


def dearer(amount: float, currency: str) -> str:
    """Return the verdict on a plan that meets the target, but at a higher cost."""
    return f"costs about {more_or_less(amount, currency)}"


def route(*, name: str, chance: float, cost: float, each: float, currency: str, weeks: float) -> str:
    """Return what a route that meets the target costs."""
    return (
        f"{name.capitalize()}: target met in {seasons(chance)}; about {money(cost, currency)} ({each:.2f} {currency} "
        f"per plant needed); money is tied up {weeks:.0f} weeks on average."
    )


def no_route(*, name: str, by: Week, why: str, earliest: Week | None) -> str:
    """Return why a route does not meet the target."""
    when = f" Started at once, it would be met by {dated(earliest)}." if earliest else ""
    return f"{name.capitalize()}: target not met by {dated(by)}; {why}.{when}"


def for_target(target: int, variety: str, by: Week, text: str) -> str:
    """Return what is said of the routes to a target, with the target before it."""
    return f"{target:,} {variety} by {dated(by)}. {text}"


def cheapest(routes: Sequence[str]) -> str:
    """Return which route is cheapest, the first, and which others cost as much as far as can be seen."""
    if not routes:
        return "No route meets the target."
    if len(routes) == 1:
        return f"Cheapest: {routes[0]}."
    return f"Cheapest: {' or '.join(routes)}. No difference in their costs can be seen."
