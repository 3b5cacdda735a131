"""The whole order: all varieties, offers and delivery weeks at once, within budget and benches."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from forecast.decisions.bidding import Bidder
from forecast.decisions.case import Case
from forecast.decisions.sharing import Bundle, Prices, Sharing
from forecast.decisions.ways import Pick, Way, Ways, footprint
from forecast.errors import Fault, OutOfReach, Refused, refuse
from forecast.growth.simulation import season_streams
from forecast.season.plan import Season
from forecast.season.rows import Delivery
from forecast.streams import Streams
from forecast.words import counted, rounded

Array = NDArray[np.float64]
Aim = Literal["margin", "cost"]

_ROUNDS = 200  # of asking all varieties
_WHOLES = 4  # times that whole bundles are chosen
_BIDS = 4  # bundles of a variety that are taken over in a round


@dataclass(frozen=True, eq=False)
class Solved:
    """The best bundles that were found, and what none can be better than.

    Parameters
    ----------
    sharing
        The program, with all bundles that were looked at.
    bidders
        The varieties, if what they order was found by asking them.
    chosen
        The bundles of the plan.
    value, bound
        Its expected margin on the draws, and what no plan earns more than on them [currency].
    prices
        What is scarce, and what it is worth.
    seconds
        Time it took.
    """

    sharing: Sharing
    bidders: tuple[Bidder, ...]
    chosen: tuple[Bundle, ...]
    value: float
    bound: float
    prices: Prices
    seconds: float

    @property
    def gap(self) -> float:
        """How much better another plan could be, as a share of the margin (or cost) of this one."""
        return max(self.bound - self.value, 0.0) / max(abs(self.value), 1e-9)


@dataclass
class _Watch:
    """Time that is left, and who wants to hear of it."""

    limit: float
    progress: Callable[[float, float, float], None] | None
    began: float = field(default_factory=time.monotonic)

    @property
    def gone(self) -> float:
        return time.monotonic() - self.began

    @property
    def left(self) -> float:
        return self.limit - self.gone

    def tell(self, plan: _Found) -> None:
        if self.progress:
            self.progress(plan.value, plan.bound, self.gone)


def best_margin(
    season: Season,
    streams: Streams,
    *,
    deliveries: int,
    floor: float | None,
    time_limit: float,
    gap: float,
    progress: Callable[[float, float, float], None] | None = None,
) -> Solved:
    """Find the orders with the greatest expected margin.

    Notes
    -----
    Every variety answers prices of what is scarce (budget, benches, boxes, bad years) with its best deliveries; a linear
    program over all answers gives new prices, until no answer is better than what it holds (column generation:
    Dantzig and Wolfe 1960, Operations Research 8(1), 101-111, doi:10.1287/opre.8.1.101). Answers are then chosen whole by a
    mixed-integer program, joined by all that could be part of a better plan, as the bound tells.
    """
    watch = _Watch(time_limit, progress)
    names = [row.variety for row in season.varieties if season.wanted_of(row.variety) and season.offers_for(row.variety)]
    bidders = tuple(
        Bidder(item, Ways(season, streams, name, deliveries, guarded=floor is not None))
        for item, name in enumerate(names)
    )
    sharing = Sharing(season, len(bidders), streams.draws, floor=floor)
    plan = _Found((), 0.0 if (floor or 0) <= 0 else -math.inf, math.inf)
    prices = sharing.free
    for _ in range(_ROUNDS):
        new = 0
        most = []
        for bidder in bidders:
            above, bids = bidder.bids(prices, sharing.cuts)
            most.append(above)
            new += sum(sharing.add(bidder.bundle(bid.picks)) for bid in bids[:_BIDS] if bid.value > 0)
        plan.bound = min(plan.bound, sharing.bound(most, prices))
        if not sharing.bundles:
            break
        relaxed, prices = _price(sharing)
        watch.tell(plan)
        if plan.bound - relaxed <= gap / 4 * abs(plan.bound) or not new or watch.left < 0.3 * time_limit:
            break
    for _ in range(_WHOLES):
        found, _ = _whole(sharing, watch, gap / 4)
        plan.better(found, sharing)
        watch.tell(plan)
        if plan.gap <= gap or watch.left <= 0:
            break
        new = sum(bidder.ways.refine(one.picks) for one in plan.chosen for bidder in [bidders[one.item]])
        relaxed, prices = _price(sharing)
        answers = [bidder.bids(prices, sharing.cuts) for bidder in bidders]
        here = sharing.bound([above for above, _ in answers], prices)
        plan.bound = min(plan.bound, here)
        for bidder in bidders:
            bids = bidder.bids(prices, sharing.cuts, within=max(here - plan.value, 1e-6))[1]
            new += sum(sharing.add(bidder.bundle(bid.picks)) for bid in bids)
        if not new:
            break
    return Solved(sharing, bidders, plan.chosen, plan.value, plan.bound, prices, watch.gone)


@dataclass
class _Found:
    """The best plan so far, and what none is better than."""

    chosen: tuple[Bundle, ...]
    value: float
    bound: float

    @property
    def gap(self) -> float:
        return (self.bound - self.value) / max(abs(self.value), 1e-9)

    def better(self, found: tuple[Bundle, ...] | None, sharing: Sharing) -> None:
        if found is not None and (value := float(sharing.margin(found).mean())) > self.value:
            self.chosen, self.value = found, value


def _price(sharing: Sharing) -> tuple[float, Prices]:
    """Solve the linear program until its solution keeps all limits; give its value, and prices."""
    while True:
        value, parts, lacking, prices = sharing.relaxed()
        if not sharing.cut(sharing.bundles, parts, lacking):
            return value, prices


def _whole(sharing: Sharing, watch: _Watch, gap: float) -> tuple[tuple[Bundle, ...] | None, float]:
    """Choose whole bundles until they keep all limits; give them and a bound for these bundles."""
    while True:
        found, bound = sharing.whole(watch.left / 2, gap)
        if found is None or not sharing.cut(found):
            return found, bound
