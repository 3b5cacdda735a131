"""Sentences about what comes of orders: targets, benches, work and money."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from forecast.words.numbers import cash, dated, figures, met, range_90, rounded, seasons, signed, span, whose
from forecast.words.numbers import money as amount

AMPLE = 100  # times what is used, of which it is not said that it is enough
_HALF_AN_HOUR = 0.5
_SMALL = 10  # area that is said to two figures [m²]
Row = Mapping[Any, Any]


def targets_met(rows: Iterable[Mapping[Any, Any]]) -> str:
    """Say what comes of targets, each a row of `Outcome.targets`."""
    return "\n".join(map(_target_met, rows)) or "No variety with a target is ordered."


def _target_met(row: Mapping[Any, Any]) -> str:
    low, median, high = (rounded(row[name]) for name in ("p5", "median", "p95"))
    channel, until, share = row.get("channel", ""), row.get("until", ""), row.get("promised_share", 1)
    there = f"sold {span(row['week'], until)}" if until else f"{'' if channel else 'on hand '}on {dated(row['week'])}"
    return (
        f"{whose(row['variety'], channel)}: about {median} plants (90 % range {low} to {high}) {there}. "
        f"{met(row['target'], row['chance'], share=share)}."
    )


def bench_use(place: str, *, fullest: Row, worst: Row, overrun: float, used: bool) -> str:
    """Say when a place is fullest, and how often it is over capacity: in some week, and in the week that is `worst`.

    `fullest` and `worst` are rows of `BenchSpace.table`.
    """
    if not used:
        return f"{place}: not used."
    text = f"{place}: fullest in the week of {dated(fullest['week'])}, {_area(fullest)}"
    if fullest["available"] > AMPLE * fullest["p95"]:
        return f"{text}."
    text += f"; {capacity(overrun)}"
    if worst["overrun"] > fullest["overrun"]:
        text += f", most often in the week of {dated(worst['week'])}, {_area(worst)}"
    return f"{text}."


def capacity(overrun: float) -> str:
    """Say how often a place is over capacity in some week."""
    if overrun == 0:
        return "within capacity in every simulated season"
    return f"over capacity at some point in {seasons(overrun)}"


def remedies(place: str, overrun: float, most: float, *, best: Row | None, helps: bool) -> str:
    """Say what to try first about a place over capacity, `best` being a row of `Remedies.table`, if there is any."""
    if overrun <= most:
        return f"{place}: {capacity(overrun)}{', no more than you accept' if overrun else ''}."
    text = f"{place}: {capacity(overrun)}."
    if best is None:
        return f"{text} No delivery can be changed."
    change = (
        f"{best['remedy']} {best['variety']} ({best['deliveries']}). It is then {capacity(best['overrun'])}, and the "
        f"target is met in {seasons(best['chance'])}, before in {seasons(best['chance_before'])}."
    )
    if not helps:
        return (
            f"{text} No single delivery change relieves the bench without missing its target. Reduce several orders, "
            f"add bench space, or accept fewer {best['variety']}. The nearest change: {change}"
        )
    if best["overrun"] <= most:
        return f"{text} Try first: {change}"
    return f"{text} No single delivery change is enough. The most effective: {change}"


def busiest_week(busy: Row) -> str:
    """Say which week is the busiest: its p5, median and p95 hours, and the stage with its share of them [0 to 1]."""
    if busy["p95"] == 0:
        return "No stage states minutes of work."
    if busy["p95"] < _HALF_AN_HOUR:
        return "Hardly any work: no week takes half an hour."
    low, median, high = (rounded(busy[name]) for name in ("p5", "median", "p95"))
    hours = f"about {median} hour{'' if median == '1' else 's'}{range_90(low, high)}"
    most = "most of them" if busy["share"] > 0.5 else "the largest part"
    part = f", {most} for {busy['stage']}" if busy["stage"] else ""
    return f"Busiest week: {dated(busy['week'])}, {hours}{part}."


def money(
    margin: Sequence[float], loss: float, worst_tenth: float, lowest: Any, currency: str,
    *, fixed_costs: float | None = None, overdraft: float | None = None, overdrawn: float | None = None,
) -> str:  # fmt: skip
    """Say what a season's orders earn (p5, mean and p95 of the `margin`), and how low the cash gets.

    Fixed costs, the overdraft and how often it is not enough are said if they are stated.
    """
    low, mean, high = margin
    worst = f"he worst 10 % of seasons {_earn(worst_tenth, currency)} on average."
    text = f"The margin is about {amount(mean, currency)} on average{range_90(signed(low), signed(high))}. "
    text += f"{losses(loss)}; t{worst}" if fixed_costs is None else f"T{worst}"
    if fixed_costs is not None:
        text += f"\n{after_fixed_costs(fixed_costs, mean - fixed_costs, loss, currency)}"
    text += (
        f"\nCash is lowest at about {cash(lowest.median, currency)}{range_90(cash(lowest.p5), cash(lowest.p95))}, most "
        f"often in the week of {dated(lowest.week)}."
    )
    if overdraft is None or overdrawn is None:
        return text
    return f"{text} {within_overdraft(overdraft, overdrawn, currency)}"


def after_fixed_costs(fixed_costs: float, result: float, loss: float, currency: str) -> str:
    """Say what is left of the mean margin after fixed costs [currency], and how often that is a loss."""
    left = f"the result is about {amount(result, currency)} on average"
    return f"After fixed costs of {fixed_costs:,.0f} {currency} {left}. {losses(loss)}."


def within_overdraft(overdraft: float, overdrawn: float, currency: str) -> str:
    """Say how often the account, spoken of just now, falls further below zero than it may [currency]."""
    return f"It {_falls(overdraft, overdrawn, currency)}."


def account(overdraft: float, overdrawn: float, currency: str) -> str:
    """Say the same in a sentence of its own."""
    return f"The account {_falls(overdraft, overdrawn, currency)}."


def _falls(overdraft: float, overdrawn: float, currency: str) -> str:
    below = f"the overdraft of {overdraft:,.0f} {currency}" if overdraft else "zero"
    return f"falls below {below} in {seasons(overdrawn)}"


def losses(chance: float) -> str:
    """Say how often a season makes a loss."""
    text = seasons(chance)
    one = text.endswith("season") or text.removeprefix("about ").startswith("1 ")
    return f"{text[0].upper()}{text[1:]} {'makes' if one else 'make'} a loss"


def _earn(number: float, currency: str) -> str:
    return f"{'earn' if number >= 0 else 'lose'} about {amount(abs(number), currency)}"


def _area(row: Row) -> str:
    low, median, high = (
        rounded(row[name]) if row[name] >= _SMALL else figures(row[name], 2) for name in ("p5", "median", "p95")
    )
    area = f"about {median} m²{range_90(low, high)}"
    if row["available"] > AMPLE * row["p95"]:
        return area
    return f"{area} of {figures(row['available'])} m²" if row["available"] else f"{area} while it is closed"
