"""What records, what was learned from them, past forecasts and a running season say."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from forecast.weeks import Week
from forecast.words.numbers import (
    counted,
    dated,
    day,
    figures,
    met,
    of_20,
    percent,
    rounded,
    seasons,
    span,
    whose,
)
from forecast.words.seasons import command, quoted

Doubt = tuple[str, str]
"""What counts leave open, and what follows."""

_CLEAR, _LIKELY = 0.95, 0.8  # chances that one lab is better


def batches(number: int) -> str:
    """Return a number of batches: 1 batch, 1,200 batches."""
    return counted(number, "batch", "batches")


def held(*, deliveries: int, counts: int, first: object, last: object, days: int) -> str:
    """Return what records hold: deliveries and counts from the first day to the last, and days of weather."""
    weather = f"weather of {counted(days, 'day')}" if days else ""
    plants = f"{batches(deliveries)}, {counted(counts, 'count')}, {first} to {last}" if deliveries else "no batches"
    return "; ".join(filter(None, (plants, weather)))


# Learned survival


def _survival(mean: float, sd: float) -> str:
    return f"survival of the next batch: {percent(mean)} % ± {percent(sd)} points (1 SD)"


def survival(*, variety: str, stage: str, mean: float, sd: float, own: int, of_group: int, before: float) -> str:
    """Return what was learned of a survival from so many batches of the variety and its group."""
    based = f"{batches(own)} of its own" if own else f"{batches(of_group)} of its group, none of its own"
    return (
        f"{variety}, {stage} – expected {_survival(mean, sd)}. Based on {based}; your estimate was {percent(before)} %."
    )


def survival_kept(*, variety: str, stage: str, mean: float) -> str:
    """Return that nothing was learned of a survival."""
    return f"{variety}, {stage}: {percent(mean)} % survive, your estimate only: no batch of its group is finished."


# Learned times


def _clock(base: float | None) -> str:
    return "weeks" if base is None else f"degree-days above {figures(base, 6)} °C"


def _figures(number: float) -> str:
    """Return a time to two figures, or three where it is above 100."""
    return figures(number, 2) if number < 99.5 else f"{number:.0f}"


def time(
    *, variety: str, stage: str, typical: float, p5: float, p95: float, records: int, own: bool, before: float,
    base: float | None,
) -> str:  # fmt: skip
    """Return what was learned of a time, in weeks or degree-days above a base, from batches of its route."""
    whose = "its route" if own else "its group, none of its own"
    return (
        f"{variety}, {stage}: half of the plants take {_figures(typical)} {_clock(base)} (90 % interval {_figures(p5)} "
        f"to {_figures(p95)}). Based on {batches(records)} of {whose}; your estimate was {figures(before)}."
    )


def time_kept(*, variety: str, stage: str, typical: float, base: float | None, why: str) -> str:
    """Return that nothing was learned of a time, and why."""
    return f"{variety}, {stage}: half of the plants take {figures(typical)} {_clock(base)}, your estimate only: {why}."


def learned(*, records: int, own: int, group: int, estimated: int) -> str:
    """Return how many rates of a season were learned from its own records or those of the group, and how many not."""
    return (
        f"Learned from {batches(records)}: {own:,} of {counted(own + group + estimated, 'rate')} from a variety's own "
        f"records, {group:,} from its group's only, {estimated:,} kept as estimated."
    )


LEARNED = (
    "{season}: learned from {batches}.\nWeight: how much of a number is decided by batches, not by what you stated."
)
SURVIVALS = {
    "variety": "variety",
    "stage": "stage",
    "estimate": "stated",
    "counted": "counted",
    "learned": "learned",
    "batches": "batches",
    "weight": "weight",
}
"""Columns of what was learned of survivals, and their headings."""
TIMES = {
    "route": "of",
    "stage": "stage",
    "runs_on": "in",
    "estimate": "stated",
    "learned": "learned",
    "batches": "batches",
    "weight": "weight",
}
"""Likewise, of times: those of a group are the same for all its varieties."""
SURVIVAL_TABLE = "Survival of those that enter a stage, from a variety's own batches:"
TIME_TABLE = "Time of half of the plants, from batches of all varieties of a group:"
NOT_OWN = "0 batches: the number is that of its group, or yours where the group has none."
NOTHING_COUNTED = (
    "no batch is in the records, so there is nothing to learn from",
    "Add a row for each delivery, and its counts to counts.csv.",
)
SAME_FOLDER = (
    "the folder of your own figures",
    "Choose another one: learned from learned figures, the same records would count twice.",
)
SAME_WORKBOOK = ("the workbook of your own figures", SAME_FOLDER[1])


def survival_cells(row: Mapping[str, Any], counted: float | None) -> dict[str, str]:
    """Return the cells of a learned survival, a row of `LearnedSeason.table`, with the share that was counted."""
    shares = {name: f"{percent(row[name])} %" for name in ("estimate", "learned", "weight")}
    return {
        **{name: str(row[name]) for name in ("variety", "stage")},
        **shares,
        "counted": "" if counted is None else f"{percent(counted)} %",
        "batches": f"{row['batches']:,}",
    }


def time_cells(row: Mapping[str, Any], route: str, base: float | None) -> dict[str, str]:
    """Return the cells of a learned time of a group, or a variety with a route of its own."""
    return {
        **{"route": route, "stage": str(row["stage"])},
        "runs_on": "weeks" if base is None else "degree-days",
        **{name: _figures(row[name]) for name in ("estimate", "learned")},
        "batches": f"{row['batches']:,}",
        "weight": f"{percent(row['weight'])} %",
    }


def most_changed(rate: Any) -> str:
    """Return the survival that records changed most, a `LearnedRate`: what was estimated, and what was learned."""
    before, now = percent(rate.estimate), percent(rate.learned)
    if before == now:
        return (
            f"Your records bear out your estimates: no survival changed by a point or more ({rate.variety} among them)."
        )
    return (
        f"Your records changed most the survival of {rate.variety} in {rate.stage}: {now} % instead of {before} %, "
        f"from {batches(rate.batches)} of its own."
    )


def falling_short(falling: Sequence[tuple[str, int, str, float]], targets: int) -> str:
    """Return how many targets to come fall short of their service level, and the one that does most.

    Each is variety, target, week and chance.
    """
    if not targets:
        return NO_MORE_TARGETS
    if not falling:
        return f"{'The target' if targets == 1 else f'All {targets} targets'} to come will be met as often as you ask."
    variety, target, week, chance = min(falling, key=lambda one: one[-1])
    of = f"All {targets} targets" if len(falling) == targets else f"{len(falling)} of {targets} targets"
    of = "The target" if targets == 1 else of
    falls = "falls" if len(falling) == 1 else "fall"
    return f"{of} to come {falls} short, most of all {target:,} {variety} by {dated(week)}: met in {seasons(chance)}."


def learned_written(folder: str) -> str:
    """Return that a learned season was written, and how to order by it."""
    return f"Written to {folder}. To order by it: {command('order', folder)}"


def labs_compared(*, better: str, worse: str, chance: float) -> str:
    """Return how sure it is that more plants survive from one lab than from another."""
    verdict = "the two overlap and cannot be told apart"
    if chance >= _LIKELY:
        verdict = "clearly better" if chance >= _CLEAR else "probably better, but the ranges overlap"
    number = min(round(100 * chance), 99)
    return f"Plants from {better} survive better than those from {worse}, with a chance of {number} in 100: {verdict}."


# Times of a stage


def stage_time(
    *, median: float, p5: float, p95: float, quickest: float, slowest: float, batches_cv: float, ever: float,
    ready: int, plants: int,
) -> str:  # fmt: skip
    """Return how long a stage takes: its median with a range, what 90 % of a batch take, and from how many plants."""
    differ = f" Batches differ by {percent(batches_cv)} % (1 SD)." if batches_cv else ""
    never = f" {percent(ever)} % ever get ready." if ever < 1 else ""
    return (
        f"Median {figures(median)} weeks (90 % interval {figures(p5)} to {figures(p95)}); 90 % of the plants of a "
        f"batch take {figures(quickest, 2)} to {figures(slowest, 2)}.{differ}{never} Learned from "
        f"{counted(plants, 'plant')}, of which {ready:,} got ready."
    )


NOT_COUNTED = "no plants of it were counted out of this stage"
UNKNOWN = {
    "one count": "all that became ready were so at the only count",
    "spreads": "the spread between plants, or between batches, runs away",
    "spread": "the spread between plants runs away",
    "exact": "an exact time draws all others to it",
    "flat": "no one time fits better than the others",
    "median": "the median could be almost any",
}
"""Why counts do not show how long a stage takes."""

_DOUBTS: dict[str, Doubt] = {
    "few": ("only {plants} got ready", "The learned times and their standard errors are rough."),
    "spread": (
        "the plants of a batch could all have got ready at once, so the counts do not show how they differ",
        "The spread is the widest that they do not contradict. Count more often to learn it.",
    ),
    "one interval": (
        "all plants that got ready did so between the same two counts",
        "How plants differ relies on those still growing and on the {law} law. Use never=True if some never do.",
    ),
    "all ready": (
        "the share that ever gets ready is at its edge: the counts fit best if all plants get ready in the end",
        "It has no standard error, and it is not shown that all do.",
    ),
    "to come": (
        "the share that ever gets ready relies more on the {law} law than on counts",
        "{share} % of those that will get ready were still growing at the last count. Go on counting.",
    ),
    "far": ("the median lies far beyond the last count and relies on the {law} law", "Go on counting."),
    "alike": (
        "the {batches} differ no more than by chance",
        "The variation between batches is fitted as none and has no standard error.",
    ),
}


def doubt(kind: str, *, ready: int = 0, law: str = "", share: float = 0.0, groups: int = 0) -> Doubt:
    """Return what counts leave open of the time of a stage, and what follows."""
    named = {"plants": counted(ready, "plant"), "law": law, "share": percent(share), "batches": batches(groups)}
    clause, then = (part.format(**named) for part in _DOUBTS[kind])
    return clause, then


def warning(doubt: Doubt) -> str:
    """Return a doubt with what follows, as sentences."""
    clause, then = doubt
    return f"{clause[0].upper()}{clause[1:]}. {then}"


# Past forecasts


def scored(*, forecasts: int, records: int, crps: float, share: float) -> str:
    """Return the mean error of forecasts [plants], and as a share of the plants received."""
    plants = f"{crps:.1f} plants" if crps < 9.95 else f"{crps:,.0f} plants"
    return (
        f"{counted(forecasts, 'forecast')} of {batches(records)}. "
        f"Mean forecast error (CRPS): {plants}, {100 * share:.1f} % of those received."
    )


NOTHING_SCORED = "No batch is finished yet, so no forecast can be compared with its outcome."


def too_few(records: int) -> str:
    """Return that so few batches show no more."""
    return f"{batches(records).capitalize()} cannot show how reliable the ranges are."


def coverage(*, share: float, least: float, most: float, records: int) -> str:
    """Return whether the share of outcomes within the 90 % intervals is one that chance would leave."""
    verdict = f"about right, given only {batches(records)}"
    if not least <= share <= most:
        verdict = "too narrow" if share < least else "too wide"
    return f"The 90 % intervals contained the outcome {100 * share:.0f} % of the time: {verdict}."


def against(*, benchmark: str, overall: str, at_delivery: str = "") -> str:
    """Return how our error compares with that of a benchmark forecast, and at delivery if that is known."""
    return f"Against {benchmark}, our error is {overall}{at_delivery and f'; at delivery, {at_delivery}'}."


def compared(*, skill: float, known: bool) -> str:
    """Return a skill as a difference in error; infinitely worse if the benchmark made no error."""
    if not known:
        return "not clearly different"
    if math.isnan(skill):
        return "larger: the benchmark was exactly right"
    return f"{100 * abs(skill):.0f} % {'smaller' if skill > 0 else 'larger'}"


# A running season


def expected(row: Mapping[Any, Any]) -> str:
    """Return how many plants will be saleable for a target, a row of `Outcome.targets`, and how likely it is met."""
    low, median, high = (rounded(row[name]) for name in ("p5", "median", "p95"))
    until = row.get("until", "")
    there = f"sold {span(row['week'], until)}" if until else f"saleable by {dated(row['week'])}"
    return (
        f"{whose(row['variety'], row.get('channel', ''))}: about {median} {there} (90 % range {low} to {high}). "
        f"{met(row['target'], row['chance'], share=row.get('promised_share', 1))}."
    )


COMING = {
    "variety": "variety",
    "channel": "channel",
    "target": "needed",
    "by": "by",
    "range": "there in 9 of 10",
    "met": "on time in",
}
"""Columns of what will be there for each target, and their headings; channel only if one is named."""
NOTHING_RUNS = (
    "nothing was ordered, and no batch came",
    "Add rows of variety, week and quantity, or batches to batches.csv.",
)
NO_MORE_TARGETS = "No target is still to come."
NO_TOP_UP_NEEDED = "Every target reaches its service level: no top-up is needed."
_ROWS = {"batches": "a row for each delivery", "counts": "a row for each batch, day of a count and stage"}


def no_records(table: str, folder: str, elsewhere: str) -> tuple[str, str]:
    """Return that a table of records is missing, and what to do; `elsewhere` is a folder that has records."""
    remedy = f"{command('start', folder, '--with records')} writes an empty one: fill in {_ROWS[table]}."
    if elsewhere:
        remedy = f"If those of {elsewhere} are meant, add --records {quoted(elsewhere)}; else {remedy}"
    return "there is no such table of records", remedy


def today(*, season: str, on: date, seasons: str, seed: int) -> str:
    """Return the heading of what will come of a running season."""
    return f"{season}, {day(on)}: what will be there, from {seasons}, seed {seed}."


def coming(row: Mapping[str, Any]) -> dict[str, str]:
    """Return the cells of a target of a running season, a row of `Reforecast.targets`."""
    return {
        "variety": str(row["variety"]),
        "channel": row.get("channel") or "",
        "target": f"{row['target']:,}",
        "by": span(row["week"], row.get("until") or None),
        "range": f"{rounded(row['p5'])} to {rounded(row['p95'])}",
        "met": of_20(row["chance"]),
    }


def coming_columns(rows: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """Return the columns in which anything is filled, and their headings."""
    named = any(row.get("channel") for row in rows)
    return {name: heading for name, heading in COMING.items() if named or name != "channel"}


def order_by(*, lab: str, variety: str, last: Week, week: Week) -> str:
    """Return the last Monday on which a delivery can be ordered."""
    return f"Order the {variety} from {lab} by {day(last.monday)}, to have them delivered on {day(week.monday)}."


def _order(variety: str, lab: str | None, week: Week | str, quantity: int) -> str:
    return f"{counted(quantity, 'plant')} of {variety}{f' from {lab}' if lab else ''} due {dated(week)}"


def overdue(*, variety: str, lab: str | None, week: Week | str, quantity: int, to_come: int) -> str:
    """Return an order whose week is over and of which plants are still to come."""
    some = f"{to_come:,} of the" if to_come < quantity else "The"
    verb, them = ("has", "it") if to_come == 1 else ("have", "them")
    return f"{some} {_order(variety, lab, week, quantity)} {verb} not arrived; the forecast does not count {them}."


def not_recorded(last: date) -> str:
    """Return what to do about an order of which no batch is in the records up to their last day."""
    return f"The records end on {day(last)}; add the batch if it came."


def unordered(
    *, batch: str, variety: str, lab: str | None, received: int, delivered: date, order: str | None
) -> str:  # fmt: skip
    """Return a batch that came of no order; `order` is the name of the one that it names."""
    what = f"Batch {batch} ({received:,} {variety}{f' from {lab}' if lab else ''}, delivered {day(delivered)})"
    if order:
        return f"{what} names the order {order}, which the season does not have. Correct one of the two."
    return (
        f"{what} belongs to no order, so its plants are counted in addition to those ordered. If it came in place of "
        "an order, give that order a name and write it in the column order of both."
    )


def far_from_order(
    *, variety: str, lab: str | None, week: Week | str, quantity: int, batch: str, late: int
) -> str:  # fmt: skip
    """Return a batch that came many weeks after its order was due, or before."""
    return (
        f"Batch {batch} counts for the {_order(variety, lab, week, quantity)}, but came "
        f"{counted(abs(late), 'week')} {'late' if late > 0 else 'early'}. If it belongs to another order, write the "
        "name of that order in the column order of both."
    )


def other_number(
    *, variety: str, lab: str | None, week: Week | str, quantity: int, batches: Sequence[str], received: int,
    surplus: int,
) -> str:  # fmt: skip
    """Return an order of which more plants came than were ordered, or fewer although no more are to come."""
    came = f"{_batches(batches)} brought {received:,} for the order of {_order(variety, lab, week, quantity)}"
    if surplus > 0:
        return f"{came}, {surplus:,} too many. If some belong to another order, give them a row of their own."
    return (
        f"{came}; the other {-surplus:,} count as not delivered. If they are still to come, write in "
        "'ordered' of the batch only what came."
    )


def came_short(*, variety: str, lab: str | None, week: Week | str, quantity: int, received: int) -> str:
    """Return an order of which a few plants did not come, as is usual in the trade."""
    return f"{received:,} of the {_order(variety, lab, week, quantity)} were delivered."


def ordered_twice(
    *, variety: str, lab: str | None, week: Week | str, quantity: int, batches: Sequence[str], ordered: int
) -> str:  # fmt: skip
    """Return an order of which each batch states more plants ordered than its part."""
    return (
        f"{_batches(batches)} state {ordered:,} ordered, but belong to one order of "
        f"{_order(variety, lab, week, quantity)}. Write in each row its part, or losses on arrival look too large."
    )


def _batches(names: Sequence[str]) -> str:
    return f"{'Batch' if len(names) == 1 else 'Batches'} {', '.join(names)}"


def awaited(
    *, variety: str, quantity: int, arrives: Week | str, target: int, by: Week | str, chance: float
) -> str:  # fmt: skip
    """Return how likely a target is met without a top-up if overdue plants arrive in a week."""
    verb = "arrives" if quantity == 1 else "arrive"
    return (
        f"If the {counted(quantity, 'overdue plant')} of {variety} {verb} by {dated(arrives)}, the target of "
        f"{target:,} by {dated(by)} is met in {seasons(chance)} without a top-up."
    )


ASK_FIRST = "Ask the lab about overdue plants before you order."


def no_top_up(
    *, variety: str, by: Week | str, ordered: Week | str, arrival: Week | str | None, last: Week | str | None
) -> str:
    """Return why no order placed now comes in time; `last` if labs deliver no more by `arrival`."""
    if arrival is None:
        return f"No top-up possible for {variety} (needed by {by}): no price list has it."
    closed = f"the lab's last delivery week is {last}, and " if last else ""
    return (
        f"No top-up possible for {variety} (needed by {by}): {closed}an order placed in {ordered} would not arrive "
        f"before {arrival}."
    )
