"""An order worked out again as on paper: from the plants wanted back to the plantlets ordered."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_HALF_UP, Decimal
from math import prod
from typing import NamedTuple

import numpy as np

from forecast.fates.fate import Batch
from forecast.growth.outcome import Outcome
from forecast.growth.simulation import outcome_of
from forecast.ordering.shipments import Shipment, placed
from forecast.season.season import Season
from forecast.weeks import Week
from forecast.words import by_hand as words

_TENTH, _CENT = Decimal("0.1"), Decimal("0.01")
_FIGURES = 4  # of a survival
_RARE = 0.05  # of seasons that are as bad
WEATHER = ""
"""Name of the step of cold and heat, which is no stage."""


class Step(NamedTuple):
    """One stage, backwards: of the plants that enter it a share survives, so that some leave it.

    All are as printed: plants to a tenth, the survival to four figures.
    """

    stage: str
    survival: Decimal
    left: Decimal
    entered: Decimal


class Sold(NamedTuple):
    """What a lab sells when an order of a number of plants is rounded up: so many multiples, at least its minimum."""

    lab: str
    minimum: int
    multiple: int
    multiples: int
    quantity: int


class Supply(NamedTuple):
    """One delivery: its plants, the multiple they come in, their price [currency], and when half are ready, if ever."""

    lab: str
    week: Week
    quantity: int
    multiple: int
    unit_price: Decimal
    price: Decimal
    ready: Week | None


@dataclass(frozen=True)
class Worksheet:
    """The order of one variety, in steps that a calculator repeats from the printed figures.

    Parameters
    ----------
    variety, currency
        What is ordered, and the ISO 4217 code.
    targets
        First and last week of sale, and plants wanted (the median of an uncertain demand).
    there
        Plants of those there already and on order that are saleable in a week of sale, on average: in the best one.
    steps
        The stages, the last first, and what cold and heat take, if they do.
    sold
        The order by average as a lab sells it; None if no plants are lacking on average.
    supplies
        The deliveries of the plan.
    typical, poor
        Plants saleable of 100 plantlets, on average and in one season of 20.
    """

    variety: str
    currency: str
    targets: tuple[tuple[Week, Week, int], ...]
    there: Decimal
    steps: tuple[Step, ...]
    sold: Sold | None
    supplies: tuple[Supply, ...]
    typical: float
    poor: float

    @property
    def wanted(self) -> int:
        """Plants wanted in all."""
        return sum(number for *_, number in self.targets)

    @property
    def average(self) -> int:
        """Plantlets that would be enough on average."""
        return _whole(self.steps[-1].entered if self.steps else max(self.wanted - self.there, Decimal(0)))

    @property
    def quantity(self) -> int:
        """Plantlets ordered."""
        return sum(one.quantity for one in self.supplies)

    def __str__(self) -> str:
        supplies = [one._asdict() for one in self.supplies]
        parts = [
            words.TITLE.format(variety=self.variety),
            words.wanted(self.targets, there=self.there),
            words.back(self.steps, average=self.average),
            words.sold(average=self.average, **self.sold._asdict()) if self.sold else "",
            words.safety(
                quantity=self.quantity, rounded=self.sold.quantity if self.sold else 0, typical=self.typical,
                poor=self.poor,
            ),
            words.supplied(supplies, currency=self.currency),
            words.ordered([one.quantity for one in self.supplies]),
        ]  # fmt: skip
        return "\n\n".join(part for part in parts if part)


def worked_out(season: Season, variety: str, shipments: Sequence[Shipment], outcome: Outcome) -> Worksheet:
    """Return an order of one variety as a worksheet.

    Parameters
    ----------
    season, variety
        The season, and which of its varieties.
    shipments
        What is ordered of it: at least one shipment.
    outcome
        What comes of the orders of the season, these among them.

    Notes
    -----
    The way back divides by the mean survival of each stage, as entered; where cold or heat can harm, also by what they
    leave on average in the weeks of delivery: the mean survival of the draws over the product of those entered. Times
    are not in it. What a plan orders beyond the rounded result is its safety: it was found by the search, on all draws,
    and is not a percentage that anybody chose.
    """
    batches = [one for one in outcome.ordered if one.variety == variety and one.week in {row.week for row in shipments}]
    weights = np.array([one.quantity for one in batches], dtype=np.float64)
    survival = np.average([outcome.fate(one).survival for one in batches], axis=0, weights=weights)
    targets = tuple((row.week, row.last, row.median_demand) for row in season.targets_of(variety))
    there = _there(season, variety, outcome)
    lacking = max(sum(number for *_, number in targets) - there, Decimal(0))
    steps = tuple(_steps(season, variety, lacking, float(survival.mean()))) if lacking else ()
    largest = max(shipments, key=lambda one: one.quantity)
    return Worksheet(
        variety=variety,
        currency=season.currency,
        targets=targets,
        there=there,
        steps=steps,
        sold=_sold(largest, _whole(steps[-1].entered)) if steps else None,
        supplies=tuple(_supply(one, outcome, batches) for one in shipments),
        typical=100 * float(survival.mean()),
        poor=100 * float(np.quantile(survival, _RARE)),
    )


def _whole(plants: Decimal) -> int:
    return int(plants.to_integral_value(ROUND_CEILING))


def _share(number: float) -> Decimal:
    return Decimal(f"{number:.{_FIGURES}g}")


def _steps(season: Season, variety: str, lacking: Decimal, survival: float) -> Iterator[Step]:
    route, means = season.route(variety), [share.mean for share in season.survivals(variety)]
    shares = [(row.stage, _share(mean)) for row, mean in zip(route, means, strict=True)][::-1]
    kept = _share(survival / prod(means))
    if any(row.harmed for row in route) and kept < 1:
        shares.append((WEATHER, kept))
    for stage, share in shares:
        entered = (lacking / share).quantize(_TENTH, ROUND_HALF_UP)
        yield Step(stage, share, lacking, entered)
        lacking = entered


def _there(season: Season, variety: str, outcome: Outcome) -> Decimal:
    """Return what is there of a variety without the plan, as a worksheet counts it."""
    rows = [row for row in season.on_hand if row.variety == variety]
    orders = [one.delivery for one in placed(season) if one.variety == variety]
    if not rows and not orders:
        return Decimal(0)
    saleable = outcome_of(season, orders, outcome.streams, rows).saleable(variety).mean(axis=1)
    weeks = {week for row in season.targets_of(variety) for week in season.weeks_of(row)}
    plants = max(float(saleable[week]) for week in weeks)
    return Decimal(plants).quantize(_TENTH, ROUND_HALF_UP)


def _sold(shipment: Shipment, average: int) -> Sold:
    quantity = shipment.prices.orderable(average)
    line = shipment.prices.row(quantity)
    return Sold(shipment.lab, max(line.minimum, 1), line.multiple, quantity // line.multiple, quantity)


def _supply(shipment: Shipment, outcome: Outcome, batches: Iterable[Batch]) -> Supply:
    line, price = shipment.line, Decimal(str(shipment.line.unit_price))
    fate = outcome.fate(next(one for one in batches if one.week == shipment.week))
    elapsed = np.arange(min(outcome.weeks[-1] - shipment.week, fate.last) + 1.0)
    through = fate.ready(elapsed).mean(axis=1) >= fate.survival.mean() / 2
    ready = shipment.week + int(np.argmax(through)) if through.any() else None
    cost = (shipment.quantity * price).quantize(_CENT, ROUND_HALF_UP)
    return Supply(shipment.lab, shipment.week, shipment.quantity, line.multiple, price, cost, ready)
