"""Sentences of the worksheet on which an order is worked out by hand: each line one step of a calculator."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import ROUND_CEILING, ROUND_HALF_UP, Decimal
from typing import Any

from forecast.weeks import Week
from forecast.words.numbers import counted, dated, span

TITLE = "{variety}, by hand. Each result is used as it is printed."
NO_TARGET = "{variety}: none is ordered, because it has no row in targets."
ENOUGH = "On average they are enough."
_WEATHER = "cold and heat, on average"


def _number(value: Decimal | int) -> str:
    """Write a number with all its decimals, and none if it is whole."""
    text = f"{value:,f}" if isinstance(value, Decimal) else f"{value:,}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _price(amount: Decimal) -> str:
    """Write an amount of money with its cents, and with what is smaller if there is any."""
    return f"{amount:,.2f}" if amount == round(amount, 2) else _number(amount)


def _sum(numbers: Sequence[int]) -> str:
    """Write numbers, and their sum if they are several."""
    text = " + ".join(f"{number:,}" for number in numbers)
    return f"{text} = {sum(numbers):,}" if len(numbers) > 1 else text


def wanted(targets: Sequence[tuple[Week, Week, int]], *, there: Decimal) -> str:
    """Return how many plants are wanted when, and how many are lacking if some are there or on order."""
    lines = [f"  {span(first, last)}: {number:,}" for first, last, number in targets]
    total = sum(number for *_, number in targets)
    if len(targets) > 1:
        lines.append(f"  in all: {_sum([number for *_, number in targets])}")
    if there:
        lacking = total - there
        lines.append(
            f"  less plants there or on order that are saleable then, on average: {total:,} - {_number(there)} = "
        )
        lines[-1] += _number(lacking) if lacking > 0 else f"{_number(lacking)}. {ENOUGH}"
    return "\n".join(["Plants wanted", *lines])


def back(steps: Sequence[tuple[str, Decimal, Decimal, Decimal]], *, average: int) -> str:
    """Return the way back through the stages: name, survival, plants that leave it and that must enter it."""
    if not steps:
        return ""
    lines = [
        f"  {stage or _WEATHER}: {_number(left)} / {_number(survival)} = {_number(entered)}"
        for stage, survival, left, entered in steps
    ]
    first = "Back through the stages: plants that leave, divided by the share that survives, must enter"
    return "\n".join([first, *lines, f"  enough on average, rounded up: {average:,}"])


def sold(*, average: int, lab: str, minimum: int, multiple: int, multiples: int, quantity: int) -> str:
    """Return how an order by average is rounded up to what a lab sells."""
    some = "any number" if minimum == 1 else f"{minimum:,} or more"
    first = f"As {lab} sells them: {some}" + (f", in multiples of {multiple:,}" if multiple > 1 else "")
    if multiple == 1:
        why = "" if quantity == average else f", the smallest order from {average:,}"
        return f"{first}\n  {quantity:,}{why}"
    whole = -(-average // multiple)
    if whole == multiples:
        up = f", rounded up: {multiples:,}" if average % multiple else ""
        count = f"{average:,} / {multiple:,} = {_number(_ratio(average, multiple, whole))}{up}"
    else:
        count = f"smallest order from {average:,}: {counted(multiples, 'multiple')}"
    return f"{first}\n  {count}\n  {multiples:,} x {multiple:,} = {quantity:,}"


def _ratio(number: int, by: int, whole: int) -> Decimal:
    """Return a ratio with so many decimals, two or more, that rounded up it is the whole number that it should be."""
    exact = Decimal(number) / by
    rounded = (exact.quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP) for places in range(2, 10))
    return next((one for one in rounded if one.to_integral_value(ROUND_CEILING) == whole), exact)


def safety(*, quantity: int, rounded: int, typical: float, poor: float) -> str:
    """Return how many more a plan orders than by average, and why; `rounded` is the order by average as it is sold.

    `typical` and `poor` plants survive of 100 plantlets, on average and in one season of 20.
    """
    more = quantity - rounded
    if more == 0:
        return "Safety\n  The plan orders no more than that."
    if more < 0:
        text = "Fewer: the plan reaches its aim, or a limit, with less"
        return f"{text}\n  {rounded:,} - {quantity:,} = {-more:,} fewer"
    why = f"of 100 plantlets {typical:.0f} survive on average, {poor:.0f} or fewer in 1 season of 20"
    lines = [f"Safety, since survival, times and demand vary: {why}", f"  {quantity:,} - {rounded:,} = {more:,} more"]
    if rounded:
        share = (Decimal(100 * more) / rounded).quantize(Decimal("0.1"), ROUND_HALF_UP)
        lines.append(f"  {more:,} / {rounded:,} = {_number(share)} % more")
    return "\n".join(lines)


def supplied(supplies: Sequence[Mapping[str, Any]], *, currency: str) -> str:
    """Return each delivery: its multiples, its price, and when half of its plants are ready."""
    lines = ["Deliveries, without freight"]
    for one in supplies:
        quantity, multiple = one["quantity"], one["multiple"]
        ready = f"half are ready by {dated(one['ready'])}" if one["ready"] else "half are never ready in this season"
        lines.append(f"  {one['lab']}, {dated(one['week'])}: {ready}")
        if multiple > 1 and quantity % multiple == 0:
            lines.append(f"  {quantity:,} / {multiple:,} = {counted(quantity // multiple, 'multiple')}")
        lines.append(f"  {quantity:,} x {_price(one['unit_price'])} = {_price(one['price'])} {currency}")
    return "\n".join(lines)


def ordered(quantities: Sequence[int]) -> str:
    """Return the order: the plants of each delivery, and their sum."""
    return f"Order: {_sum(quantities)}"
