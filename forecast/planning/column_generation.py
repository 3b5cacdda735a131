"""The plan of greatest margin, by column generation: pricing problems and the master problem in turn."""

from __future__ import annotations

import math
import time
import warnings
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from forecast.errors import ForecastError, OutOfReach
from forecast.growth.blocks import check_room, numbers_of_batch
from forecast.growth.simulation import COORDINATES, outcome_of
from forecast.ordering.price_breaks import PriceList
from forecast.ordering.shipments import bill, placed
from forecast.planning.exchange import improved
from forecast.planning.kept import Kept, Tight
from forecast.planning.limits import Base
from forecast.planning.master import Duals, MasterProblem, Relaxation
from forecast.planning.out_of_reach import refuse_promises
from forecast.planning.pricing import Plants, Priced, PricingProblem, Room
from forecast.resources.money_flow import cash_flow
from forecast.season.season import Season
from forecast.streams import Array, Streams
from forecast.words import orders as words
from forecast.words.orders import floor_out_of_reach
from forecast.worth.columns import AREA_DRAWS, Aim, Column

Callback = Callable[[float, float, float], None]

_ROUNDS = 200  # of pricing all varieties
_WHOLES = 4  # times that whole columns are chosen
_PARTS = 8  # of the draws, of which the error of a shadow price is found
MOST_ROUNDS = _ROUNDS + _WHOLES + 1  # of a search, each of which is reported
_COLUMNS = 200  # of a variety
_CENT = 0.01
_RAISED = 4  # times that levels of promises, and the minimum of the worst tenth, are raised
_FEWEST = 256  # draws: with fewer the chance of a promise is hardly known, and not looked at again
_AFRESH = 3  # varieties that are then searched afresh; of more, deliveries next to those of the plan are taken
_CHANGES = (0.8, 0.95, 0.99, 1.01, 1.05, 1.25)  # times an order, tried to reach a minimum
_WHOLE = 0.99  # a larger part of a column is all of it
_TRIED = 6  # candidates of a variety for the room that others leave
_OUTCOMES = 2  # times what a batch of each variety meets: the outcome of the plan and its cash account
_WORK = 200 * 2**20  # bytes of exact chances and of the solver, however many draws; as measured
_SPARED = 0.3  # of the time, for the choice of whole columns
_SPARES, _SPARING = 0.0025, 24  # share of places that is spared, the longer the more, and how long
_FEWER = 0.9  # of what columns could be worth less than the best: by fewer, no others are looked for
_INSTEAD = 24  # candidates of a variety that take the place of those that do not keep a raised promise
_ADDED = 4  # candidates of a variety that become columns in a round


@dataclass(frozen=True, eq=False)
class Solution:
    """The best plan found, and a bound on all plans."""

    master: MasterProblem  # with all columns that were looked at
    problems: tuple[PricingProblem, ...]  # of the varieties, if there were any
    chosen: tuple[Column, ...]
    value: float  # expected margin on the draws, and what those served would have cost if short [currency]
    bound: float  # no plan has more than this on them
    duals: Duals
    seconds: float
    short: float  # what it costs to be short of all that is asked, of which no part is in the values [currency]
    kept: Kept | None = None  # for the search of a season that differs little

    @property
    def gap(self) -> float:
        """Optimality gap: how much better another plan could be, as a share of the margin (or cost) of this one."""
        return max(self.bound - self.value, 0.0) / max(abs(self.value - self.short), 1e-9)


@dataclass
class Incumbent:
    """The best plan so far, the bound on all plans, and the time that is left."""

    time_limit: float  # [seconds]
    gap: float  # optimality gap at which the search ends
    callback: Callback | None  # called with value, bound and seconds
    value: float = -math.inf
    bound: float = math.inf
    chosen: tuple[Column, ...] = ()
    short: float = 0.0  # as for `Solution`
    before: float = 0.0  # optimality gap that an earlier search of such a season came to: it ends this one, too
    tight: Tight | None = None
    apart: float = 0.0  # what the linear program leaves to the bound, but for sales in hindsight [currency]
    began: float = field(default_factory=time.monotonic)

    @property
    def seconds(self) -> float:
        """Time since the search began."""
        return time.monotonic() - self.began

    @property
    def left(self) -> float:
        """Time that is left [seconds]."""
        return self.time_limit - self.seconds

    @property
    def to_hindsight(self) -> float:
        """Optimality gap without what sales in hindsight add to the plan: no other plan closes that."""
        if not math.isfinite(self.value):
            return math.inf
        hindsight = sum(one.hindsight for one in self.chosen)
        return (self.bound - hindsight - self.value) / max(abs(self.value - self.short), 1e-9)

    @property
    def open(self) -> bool:
        """Whether to search on."""
        return not self.to_hindsight <= max(self.gap, self.before) and self.left > 0

    def close(self, problems: Sequence[PricingProblem]) -> float:
        """Return how closely the best deliveries of a variety are to be found [currency]; 0 before a bound is known."""
        return self.gap / 8 * abs(self.bound) / len(problems) if math.isfinite(self.bound) else 0.0

    def near(self, most: float) -> bool:
        """Say whether no more than the gap is left to what columns could be worth if not whole."""
        left = most - self.value
        return math.isfinite(left) and left <= max(self.gap, self.before) * abs(self.value - self.short)

    def take(self, master: MasterProblem, chosen: Sequence[Column]) -> None:
        """Keep a plan if it is better and keeps all limits."""
        complete = master.required <= {one.item for one in chosen}
        if complete and (value := master.worth(chosen)) > self.value and master.fits(chosen):
            self.chosen, self.value = tuple(chosen), value
            for one in chosen:
                master.add(one)

    def tighten(self, bound: float, tight: Tight) -> None:
        """Keep a bound if none was as low, with what it was found by."""
        if bound < self.bound:
            self.bound, self.tight = bound, tight

    def report(self) -> None:
        """Call the callback."""
        if self.callback:
            self.callback(self.value, self.bound, self.seconds)

    def solution(
        self, master: MasterProblem, problems: tuple[PricingProblem, ...], duals: Duals, kept: Kept | None = None
    ) -> Solution:
        """Return what the search has found."""
        self.report()
        bound = max(self.bound, self.value)
        return Solution(master, problems, self.chosen, self.value, bound, duals, self.seconds, self.short, kept)


def best_plan(
    season: Season,
    streams: Streams,
    *,
    aim: Aim,
    floor: float | None,
    time_limit: float,
    gap: float,
    callback: Callback | None = None,
    kept: Kept | None = None,
) -> Solution:
    """Find the plan of greatest expected margin, less the price of being short, or of least expected cost.

    Notes
    -----
    Column generation (Dantzig and Wolfe 1960, Operations Research 8(1), 101-111, doi:10.1287/opre.8.1.101): at given
    shadow prices of the limits (budget, benches, boxes, floor) a pricing problem of each variety finds its best
    deliveries; a linear program over all columns found gives new prices, until no column improves it. Whole columns
    are then chosen by exchange and, if that leaves a gap, by a mixed-integer program, among all that could be part of a
    better plan, as the bound tells. What a search of another season has kept is where this one begins, as far as it is
    the same.
    """
    if kept is None or not kept.suits(streams, aim):
        kept = Kept.nothing(season, streams, aim)
    best = Incumbent(time_limit, gap, callback, before=kept.gap)
    streams = kept.streams
    names = [name for name in season.targeted if aim == "cost" or season.price_lines(name)]
    problems = kept.problems_of(season, names)
    refuse_promises(season, streams, problems, aim)
    best.short = sum(problem.ways.all_short - float(problem.ways.base.worth.mean()) for problem in problems)
    required = frozenset(problem.item for problem in problems if problem.required)
    base = _base(season, streams, aim)
    master = MasterProblem(season, streams.draws, floor, base, items=len(problems), required=required)
    best.take(master, ())
    root = _root(master, problems, best, kept)
    if root is None and required:
        raise OutOfReach(words.NOT_IN_TIME)
    if root is None:
        return best.solution(master, problems, master.zero_duals)
    shortfall = root.shortfall if root.shortfall > 1e-6 * max(abs(floor or 0.0), 1) else 0.0
    if not shortfall and not root.lacking:
        _choose(master, problems, root, best)
        if best.open and not best.near(root.value):
            root = _complete(master, problems, best, root)
        _settle(master, problems, best)
    kept = kept.left(master, problems, best.chosen, best.tight or kept.tight, best.apart)
    best.bound += sum(problem.excess for problem in problems)
    if required and (root.lacking or not math.isfinite(best.value)) and not shortfall:
        lacks = master.shortfalls()
        raise OutOfReach(words.limits_short(lacks, season.currency) if lacks else words.NOT_IN_TIME)
    if not math.isfinite(best.value) or shortfall:
        raise OutOfReach(floor_out_of_reach(float(floor or 0.0), shortfall, season.currency))
    _keep_elsewhere(master, problems, best, root, kept)
    return best.solution(master, problems, root.duals, kept.ended(best.chosen, best.to_hindsight))


def _keep_elsewhere(
    master: MasterProblem, problems: Sequence[PricingProblem], best: Incumbent, root: Relaxation, kept: Kept
) -> None:
    """Ask for more of what the best plan does not keep on fresh draws, until it does.

    The bound stays that on all plans which keep as much as was promised on the draws of the search.
    """
    looked_at = problems if master.draws >= _FEWEST else ()
    for at in range(_RAISED + 1):
        chosen = {one.item: one for one in best.chosen}
        times = max(1.0, 2.0 ** (at - 1))
        raised = [one for one in looked_at if one.ask_more(chosen.get(one.item), kept.fresh, times)]
        shipments = [shipment for column in best.chosen for shipment in column.shipments]
        lacks = master.lift(shipments, kept.fresh, 2.0**at)
        if not (raised or lacks):
            return
        if at == _RAISED or best.left <= 0:
            break
        again = _raised(master, problems, best, root, kept, raised, lacks=lacks)
        if not math.isfinite(again.value):
            break
        best.value, best.chosen = again.value, again.chosen
    warnings.warn(words.NOT_ON_FRESH_DRAWS, stacklevel=6)


def _raised(
    master: MasterProblem, problems: Sequence[PricingProblem], best: Incumbent, root: Relaxation, kept: Kept,
    raised: Sequence[PricingProblem], *, lacks: bool,
) -> Incumbent:  # fmt: skip
    """Return the best plan once promises of some varieties are raised, or `lacks` was added to limits on money."""
    again = Incumbent(best.left, best.gap, best.callback, bound=best.bound, short=best.short, before=best.before)
    items = {problem.item for problem in raised}
    master.required = frozenset(problem.item for problem in problems if problem.required)
    master.remove(lambda one: one.item in items and not problems[one.item].keeps(one))
    for plan in kept.again(problems):
        again.take(master, plan)
    chosen = {one.item: one for one in best.chosen}
    some = [one for one in best.chosen if one.item not in items]
    for problem in raised if len(raised) > _AFRESH else ():
        some += _nearest(master, problem, chosen.get(problem.item), some)
    _completed(master, problems, root, again, some)
    again.take(master, improved(master, again.chosen, again.value, root.duals)[0])
    for problem in raised if _binds(root.duals) else ():
        for _, plants in problem.solve(root.duals, master, again.close(problems)).candidates[:_INSTEAD]:
            master.add(problem.column(plants))
    complete = master.required <= {one.item for one in master.columns}
    if complete and (lacks or not again.near(best.value)):
        _choose(master, problems, relaxation(master), again)
    return again


def _nearest(
    master: MasterProblem, problem: PricingProblem, now: Column | None, rest: Sequence[Column]
) -> list[Column]:
    """Return the best of the deliveries that are one change away from some and keep more of what is promised."""
    plants = {way.at: number for way, number in now.plants.items()} if now else {}
    found = [problem.column(one) for one in problem.near(plants) if one]
    found.sort(key=lambda one: -float(one.worth.mean()))
    return [one for one in found if master.fits([*rest, one], floor=False)][:1]


def _base(season: Season, streams: Streams, aim: Aim) -> Base:
    """Return what plants on hand, and orders that are placed, earn and take."""
    ordered = placed(season)
    limited = season.overdraft is not None and aim == "margin"
    if not (ordered or season.on_hand):
        fixed = np.cumsum(np.full(season.weeks, (season.fixed_costs or 0.0) / season.weeks))
        return Base(cash=(season.opening_cash or 0.0) - fixed if limited else None)
    outcome = outcome_of(season, [one.delivery for one in ordered], streams)
    area = outcome.drawn.area()[0][..., :AREA_DRAWS]
    flow = cash_flow(outcome) if aim == "margin" else None
    cash = flow.cash.mean(axis=1) if flow is not None and limited else None
    return Base(0.0 if flow is None else flow.margin, area.reshape(-1, area.shape[-1]), bill(ordered).total, cash)


def check_plan(season: Season, draws: int) -> None:
    """Refuse more draws than memory holds for a search.

    Notes
    -----
    Of a draw there are the shares of each way, margins of columns, and scores of each batch, and what the outcome of
    the plan and its cash account are worked out from; in all the areas of ways.
    """
    shares, areas = 0, _WORK
    for name in season.targeted:
        last = season.last_sale(name) or season.last_week
        weeks = last - season.targets_of(name)[0].week + 1
        ways = sum(len(list(one.weeks(season.first_week, last))) for one in PriceList.of(season.price_lines(name)))
        shares += ways * (2 * weeks + 3 + len(COORDINATES)) + 2 * _COLUMNS + 12 * weeks
        shares += _OUTCOMES * (numbers_of_batch(season, name) + season.weeks)
        areas += 4 * ways * len(season.place_names) * season.weeks * min(draws, AREA_DRAWS)
    check_room(season, draws, shares, once=areas)


def relaxation(master: MasterProblem) -> Relaxation:
    """Solve the linear program, with cuts added until its solution keeps all limits."""
    while True:
        found = master.solve_relaxed()
        if not master.add_cuts(master.columns, found.parts, shortfall=found.shortfall):
            return found


def shadow_prices(master: MasterProblem, duals: Duals) -> list[float]:
    """Return what one more unit of each limit is worth [currency]: the budget, each place, and the floor, if any."""
    found = [duals.budget] if math.isfinite(master.budget) else []
    weeks = master.season.weeks
    for place in range(len(master.season.place_names)):
        priced = zip(duals.areas, master.cuts, strict=False)
        found.append(sum(float(price) for price, cut in priced if cut.row // weeks == place))
    if master.before.cash is not None:
        priced = zip(duals.areas, master.cuts, strict=False)
        found.append(sum(float(price) for price, cut in priced if cut.row < 0))
    return found if master.floor is None else [*found, float(duals.tails.sum())]


def shadow_price_errors(master: MasterProblem, prices: Sequence[float]) -> Array:
    """Return the standard error of each of the shadow prices [currency].

    Notes
    -----
    From the shadow prices in each of eight parts of the draws, as if these were independent: draws that are even
    together are surer than that. If no plan keeps the limits in most of the parts, a price may be as wrong as it is
    large.
    """
    found = []
    for at in range(_PARTS):
        part = master.part(at, _PARTS)
        with suppress(ForecastError):  # no plan keeps the limits in these few draws
            found.append(shadow_prices(part, relaxation(part).duals))
    if len(found) < _PARTS / 2:
        return np.array(prices)
    return np.asarray(np.std(found, axis=0, ddof=1) / math.sqrt(_PARTS))


def _root(master: MasterProblem, problems: Sequence[PricingProblem], best: Incumbent, kept: Kept) -> Relaxation | None:
    """Generate columns until no variety improves the linear program; return its solution, None if no column pays."""
    kept.begin(master, problems)
    for plan in kept.again(problems):
        best.take(master, plan)
    found, duals, known = None, kept.tight.duals, kept.known(problems)
    full, before = bool(known), math.inf  # effort, once less brings hardly anything; and what there was to gain
    for _ in range(_ROUNDS):
        new = _price(master, problems, best, duals, known=known, full=full)
        if not master.columns:
            break
        found = relaxation(master)
        best.report()
        pairs = zip(master.columns, found.parts.tolist(), strict=False)
        hindsight = sum(part * one.hindsight for one, part in pairs)
        best.apart = best.bound - hindsight - found.value
        small = best.gap / 4 * abs(best.bound)
        stays = not (new or known) or before - best.apart < small
        if best.apart <= kept.apart + small or best.left < _SPARED * best.time_limit or (full and stays):
            break
        duals, known, full, before = found.duals, {}, full or stays, best.apart
    return found


def _price(
    master: MasterProblem,
    problems: Sequence[PricingProblem],
    best: Incumbent,
    duals: Duals,
    within: float = 0.0,
    known: Mapping[int, Priced] = MappingProxyType({}),
    *,
    full: bool = True,
) -> int:
    """Price all varieties at some duals, tighten the bound, and add columns; return how many are new.

    Those are not priced of which it is `known` what pricing them finds; the others with `full` effort, or less.
    """
    close = best.close(problems)
    share = 0.0 if close else best.gap / 8  # nothing is known yet
    priced: dict[int, Priced] = {}
    for at, one in enumerate(problems):
        until = time.monotonic() + (best.left if within else best.left - _SPARED * best.time_limit) / (
            len(problems) - at
        )
        priced[at] = known.get(at) or one.solve(duals, master, close, within, share=share, until=until, full=full)
    best.tighten(master.bound([solved.most for solved in priced.values()], duals), Tight(duals, priced))
    return sum(
        master.add(problem.column(plants))
        for problem, solved in zip(problems, priced.values(), strict=True)
        for _, plants in solved.candidates[: None if within else _ADDED]
    )


def _complete(
    master: MasterProblem, problems: Sequence[PricingProblem], best: Incumbent, root: Relaxation
) -> Relaxation:
    """Add all columns that could be part of a better plan, as the bound tells, and choose among them."""
    looked = 0.0
    for tried in range(_WHOLES):
        hindsight = sum(one.hindsight for one in best.chosen)
        within = (
            max(best.bound - hindsight - best.value, 1e-6)
            if math.isfinite(best.value)
            else 0.02 * 10**tried * abs(best.bound)
        )
        if within > _FEWER * looked and looked and math.isfinite(best.value):
            break  # hardly any are new
        looked, new = within, _price(master, problems, best, root.duals, within)
        root = relaxation(master)
        _choose(master, problems, root, best)
        best.report()
        if not best.open or not new or best.near(root.value):
            break
    return root


def _choose(master: MasterProblem, problems: Sequence[PricingProblem], root: Relaxation, best: Incumbent) -> None:
    """Choose whole columns until they keep all limits, and better them."""
    if not best.chosen:
        most: dict[int, tuple[float, Column]] = {}
        for one, part in zip(master.columns, root.parts.tolist(), strict=False):
            if part > most.get(one.item, (0.5, one))[0]:
                most[one.item] = part, one
        best.take(master, [one for _, one in most.values()])
    best.take(master, improved(master, best.chosen, best.value, root.duals)[0])
    if best.open:
        for tried in range(_SPARING):
            chosen, _ = master.solve_integer(best.left / 4, best.gap / 4, _SPARES * max(tried - 1, 0))
            if chosen is None or best.left <= 0 or not master.add_cuts(chosen):
                break
        best.take(master, chosen or ())
        _fill(master, problems, root, best)


def _settle(master: MasterProblem, problems: Sequence[PricingProblem], best: Incumbent) -> None:
    """Change one delivery after another where buyers compete: there the search counts on sales in hindsight."""
    waiting = [problem for problem in problems if problem.ways.contested] if math.isfinite(best.value) else []
    while waiting and best.left > 0:
        problem = waiting.pop(0)
        rest = [one for one in best.chosen if one.item != problem.item]
        now = next((one.plants for one in best.chosen if one.item == problem.item), {})
        before, others = best.value, master.worth(rest)
        for plants in problem.near({way.at: number for way, number in now.items()}):
            if best.left <= 0:
                break
            if not plants:
                best.take(master, rest)
            elif float((column := problem.column(plants)).worth.mean()) + others > best.value:
                best.take(master, (*rest, column))
        if best.value > before + _CENT:
            waiting.append(problem)


def _fill(master: MasterProblem, problems: Sequence[PricingProblem], root: Relaxation, best: Incumbent) -> None:
    """Replace the deliveries of one variety after another by the best in the room that the others leave."""
    if _binds(root.duals):
        whole = [one for one, part in zip(master.columns, root.parts.tolist(), strict=False) if part > _WHOLE]
        _completed(master, problems, root, best, whole)
    waiting, tries = list(problems) if math.isfinite(best.value) and _binds(root.duals) else [], 10 * len(problems)
    while waiting and best.open and tries:
        problem, tries = waiting.pop(0), tries - 1
        rest = tuple(one for one in best.chosen if one.item != problem.item)
        now = next((one for one in best.chosen if one.item == problem.item), None)
        before, room = best.value, master.room(rest, now, problem.ways.ways)
        candidates = _in_room(problem, master, root, best, room, best.close(problems))
        for _, plants in candidates[:_TRIED]:
            master.add(column := problem.column(plants))
            best.take(master, (*rest, column))
        if candidates and master.add_cuts((*rest, problem.column(candidates[0][1]))):
            waiting.insert(0, problem)  # a bench is overfull that was not looked at
        best.take(master, rest)
        if best.value > before + _CENT:
            waiting = [other for other in problems if other is not problem]


def _completed(
    master: MasterProblem, problems: Sequence[PricingProblem], root: Relaxation, best: Incumbent, some: Sequence[Column]
) -> None:
    """Take some columns, and for each other variety the best in the room that is left."""
    start = [*some]
    for problem in problems:
        if problem.item in {one.item for one in start}:
            continue
        room = master.room(start, None, problem.ways.ways)
        candidates = _in_room(problem, master, root, best, room, best.close(problems))[:_TRIED]
        columns = [problem.column(plants) for _, plants in candidates]
        start += [one for one in columns if master.fits([*start, one], floor=False)][:1]
        for one in columns:
            master.add(one)
    best.take(master, start if master.floor is None else _lifted(master, problems, start))


def _in_room(
    problem: PricingProblem, master: MasterProblem, root: Relaxation, best: Incumbent, room: Room, close: float
) -> list[tuple[float, Plants]]:
    """Return the best deliveries of a variety in the room that others leave, and what they are worth."""
    until = best.began + best.time_limit
    return problem.solve(_priced(master, root), master, close, room=room, until=until).candidates


def _lifted(master: MasterProblem, problems: Sequence[PricingProblem], start: Sequence[Column]) -> Sequence[Column]:
    """Change one order after another until the worst tenth reaches its minimum, or no change of one helps."""
    chosen, now, better = list(start), master.worst_tenth(start), True
    while better and now < (master.floor or 0.0):
        better = False
        for at, one in enumerate(chosen):
            for way, quantity in one.plants.items():
                for number in {way.prices.orderable(max(quantity * times, 1)) for times in _CHANGES} - {quantity}:
                    other = problems[one.item].column(
                        {each.at: number if each is way else n for each, n in one.plants.items()}
                    )
                    changed = [*chosen[:at], other, *chosen[at + 1 :]]
                    if master.fits(changed, floor=False) and (tenth := master.worst_tenth(changed)) > now + _CENT:
                        chosen, now, better = changed, tenth, True
    return chosen


def _priced(master: MasterProblem, root: Relaxation) -> Duals:
    """Return the duals at which varieties fill the room that others leave: those of a floor, else none."""
    return root.duals if root.duals.tails.any() else master.zero_duals


def _binds(duals: Duals) -> bool:
    return duals.budget > 0 or bool(duals.areas.any()) or bool(duals.tails.any())
