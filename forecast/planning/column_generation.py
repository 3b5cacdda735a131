"""The search for the best orders: what varieties ask for at prices, chosen whole within the limits."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from forecast.errors import OutOfReach, Refused
from forecast.ordering.order import order_of
from forecast.ordering.trial_orders import Case
from forecast.planning.columns import Way, Ways, footprint
from forecast.planning.limits import Bundle
from forecast.planning.master import Prices, Relaxed, Sharing
from forecast.planning.pricing import Answer, Bidder
from forecast.season.season import Season
from forecast.streams import Array, Streams

_ROUNDS = 200  # of asking all varieties
_WHOLES = 4  # times that whole bundles are chosen
_USED = 0.01  # a smaller part of a bundle is not used
_CENT = 0.01
_TRIED = 12  # answers of a variety to the room that others leave
_BUNDLES = 1000  # to choose among
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
        Its expected margin on the draws, and what no plan earns more than on them [currency]; for the least cost,
        what is spent, below 0.
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
    Every variety answers prices of what is scarce (budget, benches, boxes, bad years) with its best deliveries; a
    linear program over all answers gives new prices, until no answer is better than what it holds (column generation:
    Dantzig and Wolfe 1960, Operations Research 8(1), 101-111, doi:10.1287/opre.8.1.101). Answers are then chosen whole
    by a mixed-integer program, joined by all that could be part of a better plan, as the bound tells.
    """
    watch = _Watch(time_limit, progress)
    names = [name for name in season.targeted if season.price_lines(name)]
    many = max(_BUNDLES // max(len(names), 1), 300)
    bidders = tuple(
        Bidder(item, Ways(season, streams, name, deliveries, guarded=floor is not None), many)
        for item, name in enumerate(names)
    )
    sharing = Sharing(season, streams.draws, floor, items=len(bidders))
    plan = _Found((), 0.0 if (floor or 0) <= 0 else -math.inf, math.inf)
    root = _settled(sharing, bidders, plan, watch, gap)
    if root is None:
        return Solved(sharing, bidders, (), plan.value, max(plan.bound, plan.value), sharing.free, watch.gone)
    if root.lacking > 1e-6 * max(abs(floor or 0.0), 1):
        raise OutOfReach(_too_much(season, float(floor or 0.0), root.lacking))
    plan.better(_whole(sharing, watch, gap / 4)[0], sharing)
    _bettered(sharing, bidders, plan, watch)
    if plan.open(gap, watch):
        root = _nearby(sharing, bidders, plan, watch, root, gap)
    if not math.isfinite(plan.value):
        raise OutOfReach(_too_much(season, float(floor or 0.0), 0.0))
    watch.tell(plan)
    return Solved(sharing, bidders, plan.chosen, plan.value, max(plan.bound, plan.value), root.prices, watch.gone)


def _settled(
    sharing: Sharing,
    bidders: Sequence[Bidder],
    plan: _Found,
    watch: _Watch,
    gap: float,
) -> Relaxed | None:
    """Ask all varieties until prices settle; give what the linear program then says, if anything is worth ordering."""
    found, prices = None, sharing.free
    for _ in range(_ROUNDS):
        new, answers = 0, [bidder.answer(prices, sharing) for bidder in bidders]
        for bidder, answer in zip(bidders, answers, strict=True):
            new += sum(sharing.add(bidder.bundle(bid.plants)) for bid in answer.bids[:_BIDS] if bid.value > 0)
        plan.bound = min(plan.bound, sharing.bound([answer.most for answer in answers], prices))
        if not sharing.bundles:
            break
        found = _price(sharing)
        watch.tell(plan)
        near = plan.bound - found.value <= gap / 4 * abs(plan.bound)
        refined = _refined(bidders, sharing, found.parts, answers)
        if near or watch.left < 0.3 * watch.limit or not (new or refined):
            break
        prices = found.prices
    return found


def _nearby(
    sharing: Sharing, bidders: Sequence[Bidder], plan: _Found, watch: _Watch, root: Relaxed, gap: float
) -> Relaxed:
    """Choose among all bundles that could be part of a better plan, as the bound tells."""
    for tried in range(_WHOLES):
        root = _price(sharing)
        answers = [bidder.answer(root.prices, sharing) for bidder in bidders]
        new = _refined(bidders, sharing, root.parts, answers)
        here = sharing.bound([answer.most for answer in answers], root.prices)
        plan.bound = min(plan.bound, here)
        within = max(here - plan.value, 1e-6) if math.isfinite(plan.value) else 0.02 * 10**tried * abs(here)
        complete = math.isfinite(plan.value)
        for bidder in bidders:
            answer = bidder.answer(root.prices, sharing, within)
            complete &= answer.complete
            new += bidder.ways.refine(answer.doubt)
            new += sum(sharing.add(bidder.bundle(bid.plants)) for bid in answer.bids)
        found, above = _whole(sharing, watch, gap / 4)
        plan.better(found, sharing)
        _bettered(sharing, bidders, plan, watch)
        if complete:  # all bundles are there that a better plan could hold
            plan.bound = min(plan.bound, max(above, plan.value))
        watch.tell(plan)
        if not plan.open(gap, watch) or complete or not (new or math.isinf(plan.value)):
            break
    return root


def _bettered(sharing: Sharing, bidders: Sequence[Bidder], plan: _Found, watch: _Watch) -> None:
    """Let one variety after another order anew what is best in the room that the others leave."""
    waiting = list(bidders) if math.isfinite(plan.value) else []
    while waiting and watch.left > 0:
        bidder = waiting.pop(0)
        rest = tuple(one for one in plan.chosen if one.item != bidder.item)
        bids = bidder.answer(sharing.free, sharing, room=1 - sharing.shares(rest)).bids
        for plants in ({}, *(bid.plants for bid in bids[:_TRIED])):
            chosen = (*rest, bidder.bundle(plants)) if plants else rest
            value = float(sharing.margin(chosen).mean())
            if value > plan.value + _CENT and sharing.fits(chosen):
                plan.chosen, plan.value = chosen, value
                waiting = [other for other in bidders if other is not bidder]
                for one in chosen:
                    sharing.add(one)


def _refined(bidders: Sequence[Bidder], sharing: Sharing, parts: Array, answers: Sequence[Answer]) -> int:
    """Try more quantities near those that the linear program uses or that are in doubt; say how often there are any."""
    used = [one for one, part in zip(sharing.bundles, parts, strict=False) if part > _USED]
    found = sum(bidders[one.item].ways.refine(one.plants) for one in used)
    return found + sum(bidder.ways.refine(one.doubt) for bidder, one in zip(bidders, answers, strict=True))


def _too_much(season: Season, floor: float, lacking: float) -> str:
    best = f"; the best makes about {floor - lacking:,.0f}" if lacking else ""
    return (
        f"No plan was found that makes {floor:,.0f} {season.currency} on average in its worst tenth of seasons{best}. "
        f"Ask for less, or allow more budget or bench."
    )


def least_cost(
    season: Season,
    streams: Streams,
    *,
    time_limit: float,
    gap: float,
    progress: Callable[[float, float, float], None] | None = None,
) -> Solved:
    """Find the orders that give every wanted number as surely as asked, at the least expected cost.

    Notes
    -----
    Every row that is wanted has a delivery of its own, as in `size_order`: of each offer and week the smallest quantity
    that suffices, and those at which a lower price begins. All are looked at, so the mixed-integer program is exact.
    """
    watch = _Watch(time_limit, progress)
    items: list[list[Bundle]] = []
    unmet: list[str] = []
    for number, row in season.each_target():
        if not season.price_lines(row.variety):
            unmet.append(f"No lab offers {row.variety}.")
            continue
        case = Case(season, streams, row, number)
        items.append(list(_sufficing(case, len(items), number)))
        if not items[-1]:
            try:
                order_of(case)  # says why
                unmet.append(f"No order of {row.variety} suffices by {row.week}.")
            except (OutOfReach, Refused) as error:
                unmet.append(str(error))
    if unmet:
        raise OutOfReach("\n".join(unmet))
    sharing = Sharing(season, streams.draws, items=len(items), each=True)
    for bundle in (one for bundles in items for one in bundles):
        sharing.add(bundle)
    while True:
        found, bound = sharing.whole(watch.left, gap)
        if found is None:
            lacking = sharing.lacking()
            raise OutOfReach(_conflict(season, lacking) if lacking else "No plan was found in time. Allow more of it.")
        if not sharing.cut(found):
            break
    value = float(sharing.margin(found).mean())
    bound = max(bound, value)
    watch.tell(_Found(found, value, bound))
    return Solved(sharing, (), found, value, bound, _price(sharing).prices, watch.gone)


def _sufficing(case: Case, item: int, number: int) -> Iterator[Bundle]:
    """Return the orders of a case that suffice, and that could be part of the cheapest plan."""
    season, row = case.season, case.request
    nothing = np.zeros((1, case.streams.draws))
    for prices, week in case.every_way:
        enough = case.enough(prices, week)
        if enough is None:
            continue
        quantities = np.unique(prices.worth_buying(enough))
        area, _ = footprint(season, row.variety, case.fate(week), week, row.week)
        growing = np.full(case.streams.draws, case.growing(week))
        way = Way(prices, week, number - 1, quantities, nothing, nothing, nothing[0], growing, area)
        for quantity in quantities.tolist():
            cost = way.shipment(quantity).price + quantity * case.growing(week)
            yield Bundle(item, {way: quantity}, np.full(case.streams.draws, -cost), cost)


def _conflict(season: Season, lacking: dict[str, float]) -> str:
    """Say which limits stand against each other."""
    parts = [
        f"{math.ceil(more):,} {season.currency} of budget"
        if name == "budget"
        else f"{math.ceil(10 * more) / 10:g} m² of {name}"
        for name, more in lacking.items()
    ]
    return (
        f"No plan gives all that is wanted as surely as asked within the limits: {' and '.join(parts)} are lacking. "
        "With so much more there is one; else want fewer, want some later, or ask for a lower service level."
    )


@dataclass
class _Found:
    """The best plan so far, and what none is better than."""

    chosen: tuple[Bundle, ...]
    value: float
    bound: float

    @property
    def gap(self) -> float:
        return (self.bound - self.value) / max(abs(self.value), 1e-9) if math.isfinite(self.value) else math.inf

    def open(self, gap: float, watch: _Watch) -> bool:
        """Say whether to search on."""
        return not self.gap <= gap and watch.left > 0

    def better(self, found: tuple[Bundle, ...] | None, sharing: Sharing) -> None:
        if found is not None and (value := float(sharing.margin(found).mean())) > self.value:
            self.chosen, self.value = found, value


def _price(sharing: Sharing) -> Relaxed:
    """Solve the linear program until its solution keeps all limits."""
    while True:
        found = sharing.relaxed()
        if not sharing.cut(sharing.bundles, found.parts, lacking=found.lacking):
            return found


def _whole(sharing: Sharing, watch: _Watch, gap: float) -> tuple[tuple[Bundle, ...] | None, float]:
    """Choose whole bundles until they keep all limits; give them, if any were found in time, and their bound."""
    while True:
        found, bound = sharing.whole(watch.left / 2, gap)
        if found is None or not sharing.cut(found):
            return found, bound
