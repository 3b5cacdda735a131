"""The sliders of the live panel: labels with units, and what each position changes."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from forecast.errors import Refused
from forecast.ordering.shipments import shipment_of
from forecast.season.orders import Delivery
from forecast.season.season import Season
from forecast.season.stages import Stage
from forecast.season.targets import Target
from forecast.weeks import Week
from forecast.words.numbers import dated, figures

_STEPS = 20  # of a price or a number, to either side of the base plan
_MOST = 80  # quantities, about
_SURVIVALS = [share / 100 for share in range(20, 100)]


class Asked(NamedTuple):
    """What is asked: a season, and the deliveries of one variety."""

    season: Season
    orders: tuple[Delivery, ...]


_Change = Callable[[Asked, Any], Asked]


@dataclass(frozen=True)
class Slider:
    """One thing that can be moved: its positions from left to right, what each says, and that of the base plan."""

    label: str
    values: tuple[Any, ...]
    texts: tuple[str, ...]
    base: int
    _change: _Change = field(repr=False)

    def moved(self, asked: Asked, to: int) -> Asked:
        """Return what is asked with this slider at a position; at that of the base plan nothing changes."""
        return asked if to == self.base else self._change(asked, self.values[to])


def least_certain(season: Season, variety: str) -> Stage | None:
    """Return the stage whose survival matters most; None if none is uncertain."""
    with suppress(Refused):
        return season.least_certain_stage(variety)
    return None


def survival(asked: Asked, stage: Stage) -> Slider:
    """Make the slider of the mean survival in a stage; its spread stays."""
    mean, spread = stage.stated.mean, stage.stated.sd
    of = "plants that enter it" if stage.share_of == "entering" else "plants delivered"
    return _slider(
        f"Survival in {stage.stage}, {stage.applies_to} [% of {of}]",
        [share for share in _SURVIVALS if abs(share - mean) >= 0.005],
        mean,
        lambda share: f"{figures(100 * share)} %",
        lambda was, share: was._replace(
            season=was.season.with_stage(stage.applies_to, stage.stage, survival=share, survival_sd=spread)
        ),
        asked,
    )


def price(asked: Asked, variety: str) -> Iterator[Slider]:
    """Make the slider of the sale price of a variety, if it has one."""
    row = asked.season.variety(variety)
    if not row.sale_price:
        return

    def change(was: Asked, to: float) -> Asked:
        rows = tuple(one.replace(sale_price=to) if one.variety == variety else one for one in was.season.varieties)
        return was._replace(season=was.season.replace(varieties=rows))

    currency = asked.season.currency
    values = [round(value, 6) for value in _around(row.sale_price)]
    yield _slider(
        f"Sale price [{currency} a plant]", values, row.sale_price, lambda to: f"{to:.2f} {currency}", change, asked
    )


def target(asked: Asked, variety: str, at: int) -> Slider:
    """Make the slider of the number of plants of a target; a range keeps its proportions."""
    rows = asked.season.targets_of(variety)
    row = rows[at]
    whose = f" by {row.week}" if len(rows) > 1 else ""
    if row.channel and [one.week for one in rows].count(row.week) > 1:
        whose = f"{whose}, {row.channel}"
    return _slider(
        f"Target{whose} [plants]",
        [round(value) for value in _around(row.median_demand, least=1)],
        row.median_demand,
        lambda to: f"{to:,}",
        lambda was, to: _targeting(was, at, _scaled(was.season.targets_of(variety)[at], to)),
        asked,
    )


def ordered(asked: Asked, at: int, last: Week) -> Iterator[Slider]:
    """Make the sliders of an order that is given: how many plantlets, delivered when, `last` at the latest."""
    order, season = asked.orders[at], asked.season
    prices = shipment_of(season, order).prices
    whose = f", order {at + 1}" if len(asked.orders) > 1 else ""
    orderable = [number for _, numbers in prices.ranges(prices.orderable(2 * order.quantity)) for number in numbers]
    yield _slider(
        f"Plantlets ordered from {prices.lab}{whose} [number]",
        orderable[:: math.ceil(len(orderable) / _MOST)],
        order.quantity,
        lambda to: f"{to:,}",
        lambda was, to: _ordering(was, at, quantity=to),
        asked,
    )
    yield _delivery(asked, at, f"Delivery from {prices.lab}{whose}", prices.weeks(season.first_week, last))


def _delivery(asked: Asked, at: int, label: str, weeks: Iterable[Week]) -> Slider:
    week = asked.orders[at].week
    return _slider(f"{label} [week]", weeks, week, dated, lambda was, to: _ordering(was, at, week=to), asked)


def _slider(
    label: str, values: Iterable[Any], base: Any, text: Callable[[Any], str], change: _Change, asked: Asked
) -> Slider:
    """Make a slider of those values that the season accepts, and of the base plan's."""
    orderable = sorted({base, *(value for value in set(values) if _accepted(change, asked, value))})
    return Slider(label, tuple(orderable), tuple(text(value) for value in orderable), orderable.index(base), change)


def _accepted(change: _Change, asked: Asked, value: Any) -> bool:
    try:
        change(asked, value)
    except Refused:
        return False
    return True


def _around(base: float, *, least: float = 0.0) -> Iterator[float]:
    """Return numbers in even steps to either side of a base, up to about half of it."""
    ten = 10 ** math.floor(math.log10(base / (2 * _STEPS)))
    step = max(ten * max(k for k in (1, 2, 5) if k * ten <= base / (2 * _STEPS)), least)
    return (base + k * step for k in range(-_STEPS, _STEPS + 1) if base + k * step >= max(least, step))


def _targeting(asked: Asked, at: int, row: Target) -> Asked:
    season = asked.season
    was = season.targets_of(row.variety)[at]
    return asked._replace(season=season.replace(targets=tuple(row if one is was else one for one in season.targets)))


def _scaled(row: Target, number: int) -> Target:
    """Return a target with another number of plants; a range keeps its proportions."""
    if row.p5 is None or row.p95 is None:
        return row.replace(target=number)
    return row.replace(p5=row.p5 * number / row.median_demand, median=number, p95=row.p95 * number / row.median_demand)


def _ordering(asked: Asked, at: int, **changes: Any) -> Asked:
    orders = list(asked.orders)
    orders[at] = orders[at].replace(**changes)
    return asked._replace(orders=tuple(orders))
