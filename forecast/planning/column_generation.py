"""The plan of greatest margin, by column generation: pricing problems and the master problem in turn."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field

import numpy as np

from forecast.errors import ForecastError, OutOfReach
from forecast.growth.blocks import check_room, numbers_of_batch
from forecast.growth.simulation import COORDINATES
from forecast.ordering.price_breaks import PriceList
from forecast.planning.columns import AREA_DRAWS, MOST_STEPS, Column, Ways
from forecast.planning.master import Duals, MasterProblem, Relaxation
from forecast.planning.pricing import Priced, PricingProblem
from forecast.season.season import Season
from forecast.streams import Array, Streams
from forecast.words.orders import floor_out_of_reach

Callback = Callable[[float, float, float], None]

_ROUNDS = 200  # of pricing all varieties
_WHOLES = 4  # times that whole columns are chosen
_USED = 0.01  # a smaller part of a column is not used
_CENT = 0.01
_PARTS = 8  # of the draws, of which the error of a shadow price is found
_TRIED = 12  # candidates of a variety for the room that others leave
MOST_ROUNDS = _ROUNDS + _WHOLES + 1  # of a search, each of which is reported
_COLUMNS = 1000  # to choose among
_FATES = 2**27  # bytes that what batches meet takes among what streams keep, at most
_ADDED = 4  # candidates of a variety that become columns in a round


@dataclass(frozen=True, eq=False)
class Solution:
    """The best plan found, and a bound on all plans."""

    master: MasterProblem  # with all columns that were looked at
    problems: tuple[PricingProblem, ...]  # of the varieties, if there were any
    chosen: tuple[Column, ...]
    value: float  # expected margin on the draws [currency]; for the least cost, the cost below 0
    bound: float  # no plan earns more than this on them
    duals: Duals
    seconds: float

    @property
    def gap(self) -> float:
        """Optimality gap: how much better another plan could be, as a share of the margin (or cost) of this one."""
        return max(self.bound - self.value, 0.0) / max(abs(self.value), 1e-9)


@dataclass
class Incumbent:
    """The best plan so far, the bound on all plans, and the time that is left."""

    time_limit: float  # [seconds]
    gap: float  # optimality gap at which the search ends
    callback: Callback | None  # called with value, bound and seconds
    value: float = -math.inf
    bound: float = math.inf
    chosen: tuple[Column, ...] = ()
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
    def open(self) -> bool:
        """Whether to search on."""
        gap = (self.bound - self.value) / max(abs(self.value), 1e-9) if math.isfinite(self.value) else math.inf
        return not gap <= self.gap and self.left > 0

    def report(self) -> None:
        """Call the callback."""
        if self.callback:
            self.callback(self.value, self.bound, self.seconds)

    def solution(self, master: MasterProblem, problems: tuple[PricingProblem, ...], duals: Duals) -> Solution:
        """Return what the search has found."""
        self.report()
        bound = max(self.bound, self.value)
        return Solution(master, problems, self.chosen, self.value, bound, duals, self.seconds)


def best_margin(
    season: Season,
    streams: Streams,
    *,
    deliveries: int,
    floor: float | None,
    time_limit: float,
    gap: float,
    callback: Callback | None = None,
) -> Solution:
    """Find the plan of greatest expected margin.

    Notes
    -----
    Column generation (Dantzig and Wolfe 1960, Operations Research 8(1), 101-111, doi:10.1287/opre.8.1.101): at given
    shadow prices of the limits (budget, benches, boxes, floor) a pricing problem of each variety finds its best
    deliveries; a linear program over all columns found gives new prices, until no column improves it. Whole columns
    are then chosen by a mixed-integer program, among all that could be part of a better plan, as the bound tells.
    """
    best = Incumbent(time_limit, gap, callback, value=0.0 if (floor or 0) <= 0 else -math.inf)
    names = [name for name in season.targeted if season.price_lines(name)]
    many = _many(len(names))
    problems = tuple(
        PricingProblem(item, Ways(season, streams, name, deliveries, guarded=floor is not None), many)
        for item, name in enumerate(names)
    )
    master = MasterProblem(season, streams.draws, floor, items=len(problems))
    root = _root(master, problems, best)
    if root is None:
        return best.solution(master, problems, master.zero_duals)
    shortfall = root.shortfall if root.shortfall > 1e-6 * max(abs(floor or 0.0), 1) else 0.0
    if not shortfall:
        _choose(master, problems, best, best.gap / 4)
        if best.open:
            root = _complete(master, problems, best, root)
    if not math.isfinite(best.value) or shortfall:
        raise OutOfReach(floor_out_of_reach(float(floor or 0.0), shortfall, season.currency))
    return best.solution(master, problems, root.duals)


def _many(varieties: int) -> int:
    """Return how many columns of each of so many varieties are chosen among."""
    return max(_COLUMNS // max(varieties, 1), 300)


def check_plan(season: Season, draws: int, deliveries: int) -> None:
    """Refuse more draws than memory holds for a search.

    Notes
    -----
    Of a draw there are shares of each way and margins of each column, twice as many as are chosen among while programs
    are set up, and the scores of each batch; in all the areas of each way, and what streams keep of what batches meet.
    """
    shares, met, ways, lists = 0, 0, 0, {name: PriceList.of(season.price_lines(name)) for name in season.targeted}
    for name, own in lists.items():
        targets = season.targets_of(name)
        some = deliveries * sum(len(list(one.weeks(season.first_week, targets[-1].week))) for one in own)
        shares += some * (2 * len(targets) + 2) + _many(len(lists))
        met += some * numbers_of_batch(season, name)
        ways += some
    scores = len(lists) * (1 + deliveries) * len(COORDINATES)
    areas = 4 * ways * len(season.place_names) * season.weeks * min(draws, AREA_DRAWS)
    once = areas + min(8 * met * draws, _FATES)
    check_room(season, draws, 2 * (shares + 8 * MOST_STEPS) + scores, once=once)


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


def _root(master: MasterProblem, problems: Sequence[PricingProblem], best: Incumbent) -> Relaxation | None:
    """Generate columns until no variety improves the linear program; return its solution, None if no column pays."""
    found, duals = None, master.zero_duals
    for _ in range(_ROUNDS):
        priced = [problem.solve(duals, master) for problem in problems]
        new = sum(
            master.add(problem.column(one.plants))
            for problem, solved in zip(problems, priced, strict=True)
            for one in solved.candidates[:_ADDED]
            if one.value > 0
        )
        best.bound = min(best.bound, master.bound([solved.most for solved in priced], duals))
        if not master.columns:
            break
        found = relaxation(master)
        best.report()
        near = best.bound - found.value <= best.gap / 4 * abs(best.bound)
        new += _refine(problems, master, found.parts, priced)
        if near or best.left < 0.3 * best.time_limit or not new:
            break
        duals = found.duals
    return found


def _complete(
    master: MasterProblem, problems: Sequence[PricingProblem], best: Incumbent, root: Relaxation
) -> Relaxation:
    """Add all columns that could be part of a better plan, as the bound tells, and choose among them."""
    for tried in range(_WHOLES):
        root = relaxation(master)
        priced = [problem.solve(root.duals, master) for problem in problems]
        new = _refine(problems, master, root.parts, priced)
        here = master.bound([solved.most for solved in priced], root.duals)
        best.bound = min(best.bound, here)
        complete = math.isfinite(best.value)
        within = max(here - best.value, 1e-6) if complete else 0.02 * 10**tried * abs(here)
        for problem in problems:
            solved = problem.solve(root.duals, master, within)
            complete &= solved.complete
            new += problem.ways.refine(solved.doubt)
            new += sum(master.add(problem.column(one.plants)) for one in solved.candidates)
        above = _choose(master, problems, best, best.gap / 4)
        if complete:  # all columns are there that a better plan could hold
            best.bound = min(best.bound, max(above, best.value))
        best.report()
        if not best.open or complete or not (new or math.isinf(best.value)):
            break
    return root


def _choose(master: MasterProblem, problems: Sequence[PricingProblem], best: Incumbent, gap: float) -> float:
    """Choose whole columns until they keep all limits, and better them; return the bound on the choice."""
    while True:
        chosen, above = master.solve_integer(best.left / 2, gap)
        if chosen is None or not master.add_cuts(chosen):
            break
    if chosen is not None and (value := float(master.margin(chosen).mean())) > best.value:
        best.chosen, best.value = chosen, value
    _reoptimise(master, problems, best)
    return above


def _reoptimise(master: MasterProblem, problems: Sequence[PricingProblem], best: Incumbent) -> None:
    """Replace the deliveries of one variety after another by the best in the room that the others leave."""
    waiting = list(problems) if math.isfinite(best.value) else []
    while waiting and best.left > 0:
        problem = waiting.pop(0)
        rest = tuple(one for one in best.chosen if one.item != problem.item)
        candidates = problem.solve(master.zero_duals, master, room=1 - master.shares(rest)).candidates
        for plants in ({}, *(one.plants for one in candidates[:_TRIED])):
            chosen = (*rest, problem.column(plants)) if plants else rest
            value = float(master.margin(chosen).mean())
            if value > best.value + _CENT and master.fits(chosen):
                best.chosen, best.value = chosen, value
                waiting = [other for other in problems if other is not problem]
                for one in chosen:
                    master.add(one)


def _refine(problems: Sequence[PricingProblem], master: MasterProblem, parts: Array, priced: Sequence[Priced]) -> int:
    """Try more quantities near those that the linear program uses or that are in doubt; return how often any is new."""
    used = [one for one, part in zip(master.columns, parts, strict=False) if part > _USED]
    found = sum(problems[one.item].ways.refine(one.plants) for one in used)
    return found + sum(problem.ways.refine(one.doubt) for problem, one in zip(problems, priced, strict=True))
