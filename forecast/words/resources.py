"""What results about benches, work and money say."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from forecast.words.numbers import dated, rounded, seasons, signed
from forecast.words.numbers import money as amount

_SMALL = 10  # area that is said to two figures [m²]
Row = Mapping[Any, Any]


def bench_use(place: str, *, fullest: Row, worst: Row, overrun: float, used: bool) -> str:
    """Say when a place is fullest, and how often it is over capacity.

    Parameters
    ----------
    place
        Its name.
    fullest, worst
        The week in which it is fullest, and that in which it is over capacity most often: week; p5, median and p95 of
        the area and ``available`` [m²]; ``overrun``, the chance [0 to 1] in that week.
    overrun
        Chance [0 to 1] that it is over capacity in some week.
    used
        Whether any plants are ever there.
    """
    if not used:
        return f"{place}: not used."
    text = f"{place}: fullest in the week of {dated(fullest['week'])}, {_area(fullest)}; {capacity(overrun)}"
    if worst["overrun"] > fullest["overrun"]:
        text += f", most often in the week of {dated(worst['week'])}, {_area(worst)}"
    return f"{text}."


def capacity(overrun: float) -> str:
    """Say how often a place is over capacity in some week."""
    if overrun == 0:
        return "within capacity in every simulated season"
    return f"over capacity at some point in {seasons(overrun)}"


def remedies(place: str, overrun: float, most: float, *, best: Row | None, helps: bool) -> str:
    """Say what to try first about a place over capacity.

    Parameters
    ----------
    place, overrun, most
        Its name; the chance [0 to 1] that it is over capacity in some week, and the chance that is accepted.
    best
        The change of one delivery to try first, if there is any: a row of `Remedies.table`.
    helps
        Whether it relieves the bench without missing its target.
    """
    if overrun <= most:
        return f"{place}: {capacity(overrun)}{', no more than you accept' if overrun else ''}."
    text = f"{place}: {capacity(overrun)}."
    if best is None:
        return f"{text} No delivery can be changed."
    change = (
        f"{best['remedy']} {best['variety']} ({best['deliveries']}). It is then {capacity(best['overrun'])}, and the "
        f"target is met in {seasons(best['target'])}, before in {seasons(best['target_before'])}."
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
    low, median, high = (rounded(busy[name]) for name in ("p5", "median", "p95"))
    hours = f"about {median} hour{'' if median == '1' else 's'} (90 % range {low} to {high})"
    most = "most of them" if busy["share"] > 0.5 else "the largest part"
    part = f", {most} for {busy['stage']}" if busy["stage"] else ""
    return f"Busiest week: {dated(busy['week'])}, {hours}{part}."


def money(margin: Sequence[float], loss: float, worst_tenth: float, lowest: Any, currency: str) -> str:
    """Say what a season's orders earn, and how low the cash gets.

    Parameters
    ----------
    margin
        5th percentile, median and 95th of the margin [currency].
    loss
        Chance [0 to 1] of a loss.
    worst_tenth
        Mean margin of the worst 10 % of seasons [currency].
    lowest
        Lowest cash: p5, median, p95 [currency], and the week in which it most often falls.
    currency
        Its code.
    """
    low, median, high = margin
    return (
        f"The median margin is about {amount(median, currency)} (90 % range {signed(low)} to {signed(high)}). "
        f"{_losses(loss)}; the worst 10 % of seasons {_earn(worst_tenth, currency)} on average.\n"
        f"Cash is lowest at about {amount(lowest.median, currency)} (90 % range {signed(lowest.p5)} to "
        f"{signed(lowest.p95)}), most often in the week of {dated(lowest.week)}."
    )


def _losses(chance: float) -> str:
    text = seasons(chance)
    return f"{text[0].upper()}{text[1:]} {'makes' if text.endswith('season') else 'make'} a loss"


def _earn(number: float, currency: str) -> str:
    return f"{'earn' if number >= 0 else 'lose'} about {amount(abs(number), currency)}"


def _area(row: Row) -> str:
    low, median, high = (
        rounded(row[name]) if row[name] >= _SMALL else f"{row[name]:.2g}" for name in ("p5", "median", "p95")
    )
    available = f"of {row['available']:.3g} m²" if row["available"] else "while it is closed"
    return f"about {median} m² (90 % range {low} to {high}) {available}"
