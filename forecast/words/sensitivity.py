"""Sentences about uncertain inputs, two scenarios, and the value of a trial."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from forecast.weeks import Week
from forecast.words.numbers import (
    apart,
    counted,
    dated,
    figures,
    known,
    money,
    of_20,
    of_100,
    rounded,
    signed,
    whose,
)

OF_PRICE, OF_DEMAND, FROM_NORMAL = "of the stated price", "of the stated demand", "°C from normal"
_UNIT, _TENTH = 1.0, 0.05  # of a currency; of a season of 20
_SEASONS = " of 100 simulated seasons"
MEASURE_FIRST = "Measure first: no source backs these numbers. Knowing one before you order would be worth:"
_ANSWERS = {"margin": "expected margin", "chance": "on-time chance", "saleable": "number of saleable plants"}


def input_value(value: float, unit: str) -> str:
    """Return the value of an input with its unit, to the figures that it is known to."""
    if unit == "share":
        return f"{100 * value:.0f} %"
    if unit in (OF_PRICE, OF_DEMAND):
        return f"{100 * (value - 1):+.0f} %"
    if unit == FROM_NORMAL:
        return f"{value:+.1f} {unit}"
    return f"{value:.1f} {unit}" if unit == "weeks" else f"{rounded(value)} {unit}"


def price(value: float, unit: str) -> str:
    """Return a price with its unit, or a share of the stated price."""
    return f"{value:.2f} {unit}"


def answer_value(amount: float, answer: str, currency: str) -> str:
    """Return a margin, a chance or a number of saleable plants with its unit."""
    if answer == "margin":
        return f"{round(float(f'{amount:.3g}')):,} {currency}"  # one figure more, as answers are paired
    return of_100(amount) if answer == "chance" else f"{rounded(amount)} plants"


def drivers(
    inputs: Mapping[str, bool], *, answer: str, base: float, currency: str, unit: str, p10: float, p90: float,
    at_p10: float, at_p90: float,
) -> str:  # fmt: skip
    """Return which input an answer is most sensitive to, and in a line of their own those that come next, if any.

    With each input comes whether it can be seen that it matters less than the first.
    """
    first, *rest = inputs

    def end(value: float, amount: float) -> str:
        text = answer_value(amount, answer, currency)
        same = text == answer_value(base, answer, currency)
        verb = "stays at" if same else "rises to" if amount > base else "falls to"
        return f"at {input_value(value, unit)} it {verb} {text}"

    following = " and ".join(one if inputs[one] else f"{one} (which may matter as much)" for one in rest)
    return (
        f"The {_ANSWERS[answer]} ({answer_value(base, answer, currency)}) is most sensitive to {first}: "
        f"{end(p10, at_p10)}, {end(p90, at_p90)}.{f'{chr(10)}Next: {following}.' if rest else ''}"
    )


def no_drivers(*, answer: str, base: float, currency: str) -> str:
    """Return that no input changes an answer by more than its error."""
    what = f"The {_ANSWERS[answer]} ({answer_value(base, answer, currency)})"
    return f"{what} is not sensitive to any input, as far as can be seen."


def interactions(*, alone: float, error: float, interact: bool | None, most: str) -> str:
    """Return whether inputs interact: `alone` is the share of the variance that they explain one by one."""
    share = f"one by one they explain {100 * alone:.0f} % of the variance (± {100 * error:.0f}, 2 standard errors)"
    if interact is None:
        return f"It takes more draws to tell whether the inputs interact: {share}."
    if interact:
        return f"The inputs interact: {share}. Most of the rest involves {most}."
    return f"The inputs hardly interact: {share}."


def break_even(*, name: str, value: str, above: bool, chance: float | None) -> str:
    """Return for which values of an input orders are profitable, and how often it lies beyond."""
    side, beyond = ("least", "lower") if above else ("most", "higher")
    often = "" if chance is None else f"; it is {beyond} in {of_100(chance)}"
    return f"The orders are profitable as long as {name} is at {side} {value}{often}."


def no_break_even(*, name: str, ends: Sequence[str], profitable: bool) -> str:
    """Return that orders are profitable, or lose money, for any value between two, or for any at all."""
    what = "are profitable" if profitable else "lose money"
    return f"The orders {what} for any {name}{f' between {ends[0]} and {ends[1]}' if ends else ''}."


SAME = "The two scenarios are identical."
SAME_MARGIN = "Both scenarios earn the same."
NO_MORE_PLANTS = "No difference in the number of saleable plants can be seen."
SAME_PLANTS = "Both scenarios have the same number of saleable plants."


WHAT_IF = "{season}, the plan's orders if {change},\nfrom {seasons}, seed {seed}."
EFFECTS = {"what": "", "by": "by", "first": "as it is", "other": "changed", "difference": "difference"}
"""Columns of what a change does, and their headings."""
EFFECTS_NOTE = "Difference: ± its standard error in the same seasons; too small to tell, if no more than twice that."
NOTHING_ORDERED = "The plan orders nothing, so there is nothing to compare."


def survival_changed(stage: str, points: float, of: str) -> str:
    """Return that survival of a stage is so many points higher or lower."""
    return f"{figures(abs(points))} {'more' if points > 0 else 'fewer'} of 100 survive {stage} in {of}"


def week_changed(weeks: int, of: str) -> str:
    """Return that deliveries come so many weeks later or earlier."""
    return f"deliveries of {of} come {counted(abs(weeks), 'week')} {'later' if weeks > 0 else 'earlier'}"


def price_changed(percentage: float, of: str) -> str:
    """Return that sale prices are so many per cent higher or lower."""
    return f"plants of {of} sell for {figures(abs(percentage))} % {'more' if percentage > 0 else 'less'}"


def effect(row: Mapping[str, Any], currency: str) -> dict[str, str]:
    """Return the cells of what a change does, a row of `Comparison.effects`: to the margin, or to a chance."""
    difference, error = row["difference"], row["error"]
    if row["what"] == "margin":
        sides = (*(f"{round(float(f'{row[side]:.3g}')):,}" for side in ("first", "other")),)
        change = _unseen(*sides)
        if apart(difference, error):
            sure = f" ± {known(error, error)}" if error >= _UNIT / 2 else ""
            change = f"{'+' if difference > 0 else ''}{known(difference, max(error, _UNIT))}{sure}"
        return dict(zip(EFFECTS, (f"expected margin, {currency}", "", *sides, change), strict=True))
    sides = of_20(row["first"]), of_20(row["other"])
    change = _unseen(*sides)
    if apart(20 * difference, 20 * error) and abs(20 * difference) >= _TENTH:
        change = f"{20 * difference:+.1f} ± {20 * error:.1f} of 20"
    place = whose(row["variety"], row["channel"]), dated(row["week"])
    return dict(zip(EFFECTS, (*place, *sides, change), strict=True))


def _unseen(first: str, other: str) -> str:
    """Return what to say of two cells whose difference is not beyond chance."""
    return "none" if first == other else "too small to tell"


def margins(*, difference: float, error: float, p5: float, p95: float, better: float, currency: str) -> str:
    """Return how much more or less the other scenario earns, if that is larger than twice its standard error."""
    side, sign = ("more", 1) if difference >= 0 else ("less", -1)
    low, high = sorted((sign * p5, sign * p95))
    if not apart(difference, error):
        return (
            f"No difference in the average margin can be seen (90 % range of scenario B less A {signed(p5)} to "
            f"{signed(p95)} {currency}); scenario B earns more in {of_100(better)}."
        )
    return (
        f"Scenario B earns about {money(abs(difference), currency)} {side} on average (90 % range {signed(low)} to "
        f"{signed(high)}); it earns more in {of_100(better)}."
    )


def plants(
    *, variety: str, week: str, difference: float, p5: float, p95: float, chance: float | None,
    other_chance: float | None,
) -> str:  # fmt: skip
    """Return how many more or fewer plants are saleable in the other scenario."""
    side, sign = ("more", 1) if difference >= 0 else ("fewer", -1)
    low, high = sorted((sign * p5, sign * p95))
    text = (
        f"Scenario B has about {rounded(abs(difference))} {side} saleable {variety} in {week} (90 % range "
        f"{signed(low)} to {signed(high)})"
    )
    if chance is None or other_chance is None:
        return f"{text}."
    return f"{text}; the target is met in {of_100(other_chance)} instead of {of_100(chance).removesuffix(_SEASONS)}."


def changes(cells: Sequence[str], more: int) -> str:
    """Return the cells in which two scenarios differ; `more` of them are not named."""
    rest = [f"and {counted(more, 'more cell')}"] if more else []
    return f"Differences: {'; '.join([*cells, *rest])}."


def change(*, table: str, row: str, column: str, old: object, new: object) -> str:
    """Return one cell in which two scenarios differ, or a row that only one has."""
    where = ", ".join(part for part in (table, row) if part)
    return f"{where}: {column} {_cell(old)} to {_cell(new)}" if column else f"{where} is {new}"


def _cell(cell: object) -> str:
    if cell is None:
        return "empty"
    return figures(cell, 6) if isinstance(cell, float) else str(cell)


def order(quantity: int, variety: str, lab: str, week: Week) -> str:
    """Return an order in a few words."""
    return f"{quantity:,} {variety} from {lab} for {week}".replace("  ", " ")


def without_trial(*, variety: str, order: str, margin: float, currency: str) -> str:
    """Return what is ordered without a trial; `order` is empty if none is."""
    if not order:
        return f"Without a trial, order no {variety}: every order is expected to lose money."
    return f"Without a trial, order {order}: expected margin about {money(margin, currency)}."


def no_trial(variety: str) -> str:
    """Return why a trial is worth nothing."""
    return (
        f"All the uncertainty in {variety} is batch-to-batch luck (no belief or variety share), so a trial cannot "
        "inform the main order: it is worth nothing."
    )


def trial(*, plants: int, evsi: float, error: float, cost: float, evpi: float, currency: str) -> str:
    """Return the value of a trial, if it is larger than twice its standard error, and its cost."""
    pays = "pays" if evsi > cost else "does not pay"
    worth = f"is worth about {money(evsi, currency)} (± {known(error, error)} {currency}, standard error)"
    if not apart(evsi, error):
        worth = "has no value that can be seen"
    certain = f"be worth {money(evpi, currency)}" if apart(evpi) else f"be worth less than 1 {currency}"
    return (
        f"A trial of {counted(plants, 'plant')} {worth} and costs about {money(cost, currency)}: it {pays}. Knowing "
        f"the survival for certain would {certain}."
    )


def decisions(runs: Sequence[tuple[int, int, str]], plants: int) -> str:
    """Return what to order after a trial of so many plants; each run is the first and last number that survive."""
    if len(runs) == 1:
        return "No likely outcome changes the order."
    (_, limit, least), *between = runs
    texts = [f"Fewer than {limit + 1:,} of {plants:,} survive: order {least}."]
    for first, last, choice in between[:-1]:
        texts.append(f"{f'{first:,} to {last:,}' if last > first else f'{first:,}'}: order {choice}.")
    first, _, choice = between[-1]
    return " ".join([*texts, f"{first:,} or more: order {choice}."])


def measure_first(rows: Sequence[Mapping[str, Any]], currency: str, most: int = 3) -> str:
    """Return which numbers that no source backs are worth most to know, the greatest first; nothing without any."""
    lines = []
    for row in rows[:most]:
        worth, error = row["worth"], max(row["error"], _UNIT)
        sum_of = f"about {known(worth, error)}" if apart(worth, error) else f"at most {known(worth + 2 * error, error)}"
        lines.append(f"  {row['stage']} survival of {row['applies_to']} ({row['rests_on']}): {sum_of} {currency}")
    return "\n".join([MEASURE_FIRST, *lines]) if lines else ""
