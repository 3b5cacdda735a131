"""The pricing problem of one variety: its best deliveries, of any number, if the limits had their prices."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator, Mapping, Sequence
from copy import copy
from typing import NamedTuple

import numpy as np

from forecast.ordering.shipments import Box
from forecast.planning.fresh_draws import FreshDraws
from forecast.planning.master import Duals, MasterProblem
from forecast.season.price_list import PriceLine
from forecast.streams import Array
from forecast.weeks import Week
from forecast.worth.columns import Column, Way, Ways
from forecast.worth.concave import Income
from forecast.worth.planes import Mixture, Pieces, Planes, Relaxation, Sets, grown
from forecast.worth.promises import Reach

Plants = Mapping[int, int]  # of each way, by its place
Room = Sequence[tuple[Array, float]]
_Key = tuple[tuple[int, float], ...]

_PLANES = 60  # added to the relaxed problem in one go
_EXACT = 1e-7  # of the value, to which the planes come near to what is found
_POINTS = 200  # at which planes touch and that are kept for another search, the latest
_TOUCHED = 150  # planes added to those in one go
_MANY = 60  # quantities of one way under one price: more are looked at piece by piece
_SHORT = 0.01  # of the chance that was promised: the relaxed problem may lack as much
_LARGER = (1.0, 1.01, 1.03, 1.06, 1.12)  # times the relaxed solution, until whole orders keep promises
_ROUNDED = 24  # ways among which the relaxed solution is rounded
_SPLIT = 8  # of a piece
_ROUNDING = 1e-9
_DOUBLED, _HALVED = 12, 7  # times: until promises are kept, and to fewer plants that do
_FEW = 4000  # sets of deliveries that are grown at once
_WITHIN = 400  # likewise, in the room that others leave
_USUAL = 24  # ways of a variety: of more, there are fewer sets
_SETS = (_FEW, _FEW, 4 * _FEW)  # likewise, again as more is known of what promises need
_BASES = (0.35, 0.6, 0.8, 1.0, 1.2)  # of the relaxed solution: orders of which the rest is priced on its own


def _key(plants: Mapping[int, float]) -> _Key:
    return tuple(sorted(plants.items()))


def _place(way: Way) -> tuple[str, Week]:
    return way.prices.lab, way.week


class Priced(NamedTuple):
    """The solution of a pricing problem."""

    most: float  # no deliveries of the variety are worth more than this [currency]
    candidates: list[tuple[float, Plants]]  # deliveries and what they are worth at most, the best first


class _Piece(NamedTuple):
    """Orderable quantities of one way under one price."""

    way: int
    line: PriceLine
    box: Box | None
    quantities: range

    def split(self, most: int) -> Iterator[_Piece]:
        """Return so many smaller pieces."""
        size = -(-len(self.quantities) // most)
        for start in range(0, len(self.quantities), size):
            yield self._replace(quantities=self.quantities[start : start + size])


def _single(way: Way, quantity: int) -> _Piece:
    shipment = way.shipment(quantity)
    box = shipment.box
    return _Piece(
        way.at, shipment.line, box if box is not None and box.freight else None, range(quantity, quantity + 1)
    )


class PricingProblem:
    """The search for the deliveries of one variety that are worth most at given duals.

    Notes
    -----
    What plants of all ways together sell for is concave in them (`forecast.worth.concave`), so the plane that
    touches it anywhere lies nowhere below (Kelley 1960, J. Soc. Ind. Appl. Math. 8(4), 703-712, doi:10.1137/0108053).
    Sets of deliveries of any number are found under the planes, and planes are added at the best of them until they
    are worth what the planes say: then no others are worth more.
    """

    def __init__(self, item: int, ways: Ways) -> None:
        self.item, self.ways = item, ways
        self._limits = np.array([float(ways.most(way.at)) for way in ways.ways])
        self._pieces = [piece for at in range(len(ways.ways)) for piece in self._whole(at)]
        self._columns: dict[_Key, Column] = {}
        self._orderable: set[_Key] = set()  # of those at which planes touch
        self._keeps: dict[_Key, bool] = {}  # whether they keep all promises
        self._planes = Planes(len(ways.ways))
        self._incomes: dict[_Key, float] = {(): math.nan}  # by the plants at which planes touch
        self._weights: tuple[Array, Array, Array, Array] | None = None
        self._short: list[tuple[int, float]] = []  # weeks in which cash is short, and its price
        self._until: list[tuple[Income, Array, Array]] = []  # what is sold by then, its price by draw, and rent saved
        self.required = bool(ways.promises) and not ways.promises.kept({})
        self._base = 0.0  # what the plants that are there in any case are worth
        self._begun = False  # whether it was solved before
        self._missed: tuple[object, ...] | None = None  # key of the column that did not keep a promise on fresh draws
        self.excess = 0.0  # by how much what was found was above a plane

    def anew(self, columns: Sequence[Column]) -> PricingProblem:
        """Return one that begins with what this one knows, of its columns with some; neither changes the other."""
        found = copy(self)
        found._missed = None
        found.ways, found._planes = self.ways.anew(), self._planes.latest(_POINTS)
        found._incomes = dict([*self._incomes.items()][-_POINTS:])
        found._keeps, found._orderable = {**self._keeps}, {*self._orderable}
        found._columns = {_key({way.at: number for way, number in one.plants.items()}): one for one in columns}
        return found

    def beginning_as(self, other: PricingProblem) -> PricingProblem:
        """Let planes touch first where those of another variety, or season, do, as far as ways and limits are alike."""
        if self._alike(other):
            for key in other._incomes:
                if all(number <= self._limits[at] for at, number in key):
                    self._incomes[key] = math.nan
                    if key in other._orderable and self._orders(key):
                        self._orderable.add(key)
        return self

    def _alike(self, other: PricingProblem) -> bool:
        """Say whether there are as many ways, each of the same lab and week."""
        ours, theirs = ([*map(_place, one.ways.ways)] for one in (self, other))
        return ours == theirs

    def _orders(self, key: _Key) -> bool:
        """Say whether some numbers of each way can be ordered."""
        return all(self.ways.ways[at].prices.orderable(number) == number <= self._limits[at] for at, number in key)

    def like(self, column: Column) -> Column | None:
        """Return the column of the same deliveries; None if they cannot be ordered, or do not keep all promises."""
        plants = {way.at: number for way, number in column.plants.items()}
        ways = self.ways.ways
        if not all(way.at < len(ways) and _place(ways[way.at]) == _place(way) for way in column.plants):
            return None
        key = _key(plants)
        return self.column(plants) if self._orders(key) and self._kept(key) else None

    def reach(self, times: float = 1.0) -> list[Reach]:
        """Return what the largest orders, or so many times as many plants, reach of each promise."""
        return self.ways.promises.reach({at: times * float(most) for at, most in enumerate(self._limits)})

    def keeps(self, column: Column) -> bool:
        """Return whether a column keeps all promises."""
        return self._kept(_key({way.at: number for way, number in column.plants.items()}))

    def ask_more(self, column: Column | None, fresh: FreshDraws, times: float = 1.0) -> bool:
        """Ask at a higher level for promises that a column does not keep on fresh draws; return whether any is not.

        Higher by so many times what lacks; above what the column reaches, if it was asked more of before.
        """
        if not self.ways.promises:
            return False
        reached = self.ways.promises.reach({way.at: n for way, n in column.plants.items()} if column else {})
        missed = [*fresh.promises_missed(column.shipments if column else (), self.ways.variety, reached)]
        again = column is not None and column.key == self._missed  # so that the last raise changed nothing
        chances = {id(one.row): one.chance if again else 0.0 for one in reached}
        for row, lacks in missed:
            self.ways.promises.asked_more(row, times * lacks, chances[id(row)])
        self._missed = column.key if column is not None and missed else None
        if missed:
            self._keeps.clear()
            self.required = not self.ways.promises.kept({})
        return bool(missed)

    def _whole(self, at: int) -> Iterator[_Piece]:
        """Return the orderable quantities of a way, in pieces."""
        way = self.ways.ways[at]
        for line, some in way.prices.ranges(int(self._limits[at])):
            yield from _Piece(at, line, _single(way, some[0]).box, some).split(_MANY)

    def column(self, plants: Plants) -> Column:
        """Return the column of some deliveries."""
        key = _key(plants)
        if key not in self._columns:
            self._columns[key] = self.ways.column(self.item, plants)
        return self._columns[key]

    def solve(
        self,
        duals: Duals,
        master: MasterProblem,
        close: float = 0.0,
        within: float = 0.0,
        room: Room = (),
        share: float = 0.0,
        until: float = math.inf,
        *,
        full: bool = True,
    ) -> Priced:
        """Find the deliveries that are worth most at given duals of a master problem, to `close` [currency] or a share.

        Likewise all that are worth at most `within` less. With `room`, of sums of plants, each with its weights by way
        and its limit, none is larger. When the clock (`time.monotonic`) shows `until`, what is found by then counts,
        and the bound is that of parts of deliveries. Without `full` effort what is found soon counts.
        """
        if not self._pieces:
            return Priced(0.0, [])
        self._weigh(duals, master)
        before = self._planes.needs, self._planes.weights
        for weights, limit in room:
            self._planes.need(-weights, -limit)
        gain = self.ways.split_gain
        table = _Table(self._pieces, self.ways.ways, self._each(duals, master), duals, self.item, gain, self._short)
        limits = table.lowest(len(self.ways.ways)), self._limits
        seen = _Seen(-math.inf if self.required else 0.0, {} if room else self._known(table))
        found, left = Sets.none(), -math.inf
        for deliveries, sets in self._steps(full=full, within_room=bool(room)):
            mixtures, plants, bound = self._relaxed(*limits, close, share, until)
            close = max(close, share * abs(self._planes.least(plants))) if share else close
            table.in_order()
            self._rounded(plants, table, seen)
            least = seen.best - within + max(close, _EXACT * abs(seen.best)) if math.isfinite(seen.best) else seen.best
            found, left = grown(self._planes, table.pieces, mixtures, limits, least, deliveries, sets)
            found = self._settle(found, table, seen, close, until)
            if deliveries > 2 and max(left, found.most.max(initial=seen.best)) <= least + within:
                break
            if time.monotonic() > until:
                left = max(left, bound)
                break
        if not room:
            self._enough(plants, table, seen)
        self._pieces = [one for one in table.every if one is not None]
        if room:
            self._planes.needs, self._planes.weights = before
        most = max(least + within, left, float(found.most.max(initial=seen.best))) + self.excess
        if within:
            seen.add(found, table)
        order = sorted(seen.worth.items(), key=lambda one: -one[1])
        return Priced(most, [(value, {at: int(n) for at, n in key}) for key, value in order if key])

    def _steps(self, *, full: bool, within_room: bool) -> list[tuple[int, int]]:
        """Return how many deliveries together, and how many sets of them, are looked at one after the other.

        There are fewer sets of many ways, of which each takes longer. Few deliveries come first where nothing is known.
        """
        every = len(self.ways.ways)
        if within_room:  # no bound is asked for
            return [(1, _WITHIN), (2, _WITHIN), (every, _WITHIN)]
        part = min(1.0, (_USUAL / every) ** 2)
        few = [] if self._begun else [(1, _FEW), (2, _FEW)]
        some = _SETS if full else _SETS[:1]
        self._begun = True
        return [*few, *((every, max(round(part * sets), _WITHIN)) for sets in some)]

    def _known(self, table: _Table) -> dict[_Key, float]:
        """Return what orderable deliveries at which planes touch are worth."""
        known = ((key, value) for key, value in self._incomes.items() if key in self._orderable)
        return {key: value - table.price(key) for key, value in known if self._kept(key)}

    def near(self, plants: Plants) -> Iterator[Plants]:
        """Yield deliveries like some that keep all promises: one is larger, smaller, left out, elsewhere, or new."""
        for way in self.ways.ways:
            now = plants.get(way.at, 0)
            rest = {at: number for at, number in plants.items() if at != way.at}
            fewer = max((some[-1] for _, some in way.prices.ranges(now - 1)), default=0) if now else 0
            numbers = {way.prices.orderable(now + 1), fewer, 0} - {now}
            others = [rest | {way.at: number} if number else rest for number in numbers if now or number]
            if now:
                others += [
                    {**rest, other.at: rest.get(other.at, 0) + number}
                    for other in self.ways.ways
                    if other is not way
                    for number in [other.prices.orderable(rest.get(other.at, 0) + now) - rest.get(other.at, 0)]
                ]
            for one in others:
                if all(number <= self._limits[at] for at, number in one.items()) and self._kept(_key(one)):
                    yield one

    def smallest(self) -> Iterator[Plants]:
        """Return the smallest order of each way."""
        for way in self.ways.ways:
            yield {way.at: way.prices.orderable(1)}

    def _weigh(self, duals: Duals, master: MasterProblem) -> None:
        """Take the weights of draws, and of their benches, from duals; find the planes again if they have changed."""
        tails = duals.weights - master.even
        rent = self.ways.rent(duals.weights)
        for cut, price in zip(master.cuts, duals.areas.tolist(), strict=False):
            if price:
                rent = rent + self.ways.freed(cut.row, cut.draws, price)
        priced = [one for one in zip(master.cuts, duals.areas.tolist(), strict=False) if one[1]]
        cash = np.array([(week, price) for cut, price in priced if (week := cut.cash_week) is not None])
        new = master.even, tails, rent, cash
        same = self._weights is not None and all(map(np.array_equal, self._weights, new))
        if not same:
            self._weights, base = new, self.ways.base
            self._short = [(int(week), float(price)) for week, price in cash]
            prices = [(week, price * master.even) for week, price in self._short]
            self._until = [(self.ways.income_until(at), each, self.ways.rent(each, at)) for at, each in prices]
            self._base = float(master.even @ base.worth + tails @ base.margin)
            for cut, price in priced:
                week = cut.cash_week
                free = self.ways.free(base, cut.row, cut.draws) if week is None else float(base.cash[week])
                self._base += price * free
            points, self._incomes, self.excess = [*self._incomes], {}, 0.0
            self._planes = self._planes.without()
            for key in points:
                self._touch(key)

    def _kept(self, key: _Key) -> bool:
        if not self.ways.promises:
            return True
        if key not in self._keeps:
            kept = self.ways.promises.kept(dict(key))
            self._keeps[key] = kept and (not self.ways.contested or self.ways.kept_as_sold(dict(key)))
        return self._keeps[key]

    def _touch(self, key: _Key) -> None:
        """Add the plane that touches the income at some plants."""
        assert self._weights is not None
        even, tails, rent, _ = self._weights
        plants = dict(key)
        value, slope = self.ways.plane(plants, self.ways.worth, even, rent)
        if tails.any():
            more, steeper = self.ways.plane(plants, self.ways.paid, tails, None)
            value, slope = value + more, slope + steeper
        for income, each, saved in self._until:
            more, steeper = self.ways.plane(plants, income, each, saved)
            value, slope = value + more, slope + steeper
        value += self.ways.split_gain - self._base  # of one delivery; each one's cost has it
        at = np.zeros(len(self.ways.ways))
        at[[*plants]] = [*plants.values()]
        if self._planes.constants.size:
            above = value - self._planes.least(at)
            self.excess = max(self.excess, above if above > _EXACT * abs(value) else 0.0)
        self._planes.add(value - float(slope @ at), slope)
        self._incomes[key] = value

    def _each(self, duals: Duals, master: MasterProblem) -> Array:
        """Return what growing a plantlet of each way costs at duals [currency], but for rent saved."""
        found = [float(duals.weights @ way.growing) for way in self.ways.ways]
        for at, price in enumerate(duals.areas.tolist()):
            if price:
                found = [
                    one + price * master.area_under(way, at) for one, way in zip(found, self.ways.ways, strict=True)
                ]
        return np.array(found)

    def _relaxed(
        self, lowest: Array, limits: Array, close: float, share: float, until: float
    ) -> tuple[list[Mixture], Array, float]:
        """Return mixtures of planes under which nothing more pays, on top of nothing and of some first orders.

        And the plants of each way that are worth most, if they need not be orderable, with what they are worth.
        """
        program = Relaxation(self._planes, lowest, limits)
        solved, near = program.solve(), False
        for _ in range(_PLANES):
            if solved is None or near or time.monotonic() > until:
                break
            value, plants, _ = solved
            key = tuple((int(at), float(plants[at])) for at in np.flatnonzero(plants > 1e-6))
            kept = not self.ways.promises or not self.ways.promises.missed(dict(key), short=_SHORT)
            if not kept:
                weights, least = self.ways.promises.lacking(dict(key))
                kept = float(weights @ plants) >= least * (1 - _SHORT / 10)
                if not kept:
                    self._planes.need(weights, least)
            if key not in self._incomes:
                self._touch(key)
                near = value - (self._incomes[key] - float(lowest @ plants)) < max(
                    close / 2, share / 2 * abs(value), _EXACT * abs(value)
                )
                near &= kept
            elif kept:
                break
            solved = program.solve()
        if solved is None:
            return [], np.zeros(lowest.size), -math.inf
        bound, plants, mixture = solved
        mixtures, base = [mixture], np.zeros(plants.size)
        for part in _BASES:
            base[int(plants.argmax())] = part * plants.sum()
            if (more := program.solve(base)) is not None:
                mixtures.append(more[2])
        return mixtures, plants, bound

    def _rounded(self, plants: Array, table: _Table, seen: _Seen) -> None:
        """See what orderable deliveries near some plants are worth: all of them from as many ways, or fewer."""
        order = np.argsort(-plants, kind="stable")
        for count in range(1, min(int((plants > 0.5).sum()), _ROUNDED) + 1):
            some = order[:count]
            number = plants[some] * (plants.sum() / plants[some].sum())
            for times in _LARGER if self.ways.promises else (1.0,):
                near = zip(some.tolist(), (times * number).tolist(), strict=True)
                key = tuple(sorted((at, n) for at, more in near if (n := self._near(at, more))))
                if not self.ways.promises or self._kept(key):
                    self._see(key, table, seen)
                    break

    def _enough(self, plants: Array, table: _Table, seen: _Seen) -> None:
        """If nothing is seen that keeps promises: see so many times the relaxed solution, or the largest orders."""
        for some in (plants, self._limits) if self.required and not seen.worth else ():
            low, high, found = 0.0, 1.0, False
            if not some.any():
                continue
            for _ in range(_DOUBLED):
                key = self._times(some, high)
                if found := self._kept(key):
                    break
                low, high = high, 2 * high
            for _ in range(_HALVED if found else 0):
                middle = (low + high) / 2
                low, high = (low, middle) if self._kept(self._times(some, middle)) else (middle, high)
            if found:
                self._see(self._times(some, high), table, seen)
                return

    def _times(self, plants: Array, times: float) -> _Key:
        """Return orderable quantities from so many times some plants of each way, at most the largest orders."""
        wanted = np.minimum(times * plants, self._limits)
        near = ((int(at), self._near(int(at), float(wanted[at]))) for at in np.flatnonzero(wanted > 0.5))
        return tuple((at, number) for at, number in near if number)

    def _see(self, key: _Key, table: _Table, seen: _Seen) -> None:
        """See what orderable deliveries are worth, if that may be more than the best, and they keep within the room."""
        full = np.zeros(len(self.ways.ways))
        full[[*dict(key)]] = [*dict(key).values()]
        if not key or (self._planes.weights @ full < self._planes.needs - _ROUNDING).any():
            return
        if key not in self._incomes:
            if self._planes.least(full) - table.price(key) <= seen.best:
                return
            self._touch(key)
            self._orderable.add(key)
        seen.worth[key] = self._incomes[key] - table.price(key)

    def _near(self, at: int, number: float) -> int:
        """Return the orderable quantity of a way next to a number: above if promises need it, else below, or 0."""
        if self.ways.promises:
            return self.ways.ways[at].prices.orderable(number)
        return max((some[-1] for _, some in self.ways.ways[at].prices.ranges(int(number + 1e-6))), default=0)

    def _settle(self, found: Sets, table: _Table, seen: _Seen, close: float, until: float) -> Sets:
        """Add planes at the best sets until these are worth what the planes say; return the sets."""
        pieces, most = found
        for _ in range(_TOUCHED):
            if (
                not most.size
                or most.max() <= seen.best + max(close, _EXACT * abs(seen.best))
                or most.max() == -math.inf
                or time.monotonic() > until
            ):
                break
            top = int(most.argmax())
            wide = table.widest(pieces[top])
            if wide:
                instead = np.repeat(pieces[top][None], len(new := table.split(wide, _SPLIT)), axis=0)
                instead[instead == wide] = new
                pieces = np.concatenate([np.delete(pieces, top, axis=0), instead])
                added = table.pieces.under(self._planes.slopes)
                worth = (self._planes.constants + added[instead].sum(axis=1)).min(axis=1)
                reach = table.pieces.most(self._planes.weights)[instead].sum(axis=1) - self._planes.needs
                worth[(reach < -1e-9).any(axis=1)] = -math.inf
                most = np.concatenate([np.delete(most, top), worth])
                continue
            plants = table.plants(pieces[top]) or {}
            key = tuple(sorted(plants.items()))
            kept = self._kept(key)
            if not kept and self.ways.promises.kept(plants):
                most[top] = -math.inf  # only as they are sold a promise is not kept: no plane says so
                continue
            if not kept:
                self._planes.need(*self.ways.promises.lacking(plants))
                reach = table.pieces.most(self._planes.weights[-1:])[:, 0]
                most = np.where(reach[pieces].sum(axis=1) < self._planes.needs[-1] - 1e-9, -math.inf, most)
                most[top] = -math.inf
                continue
            if key in self._incomes:
                seen.worth[key] = float(most[top])
                break
            self._touch(key)
            self._orderable.add(key)
            seen.worth[key] = self._incomes[key] - table.cost(pieces[top])
            added = table.pieces.under(self._planes.slopes[-1:])[:, 0]
            most = np.minimum(most, self._planes.constants[-1] + added[pieces].sum(axis=1))
        return Sets(pieces, most)


class _Seen:
    """What deliveries are worth whose worth is known; `none` is that of no delivery."""

    def __init__(self, none: float, worth: dict[_Key, float]) -> None:
        self._none, self.worth = none, worth

    def add(self, found: Sets, table: _Table) -> None:
        """Add the best of some sets by what they are worth at most, unless more is known of them."""
        for at in np.argsort(-found.most, kind="stable")[:_MANY].tolist():
            if (orders := table.plants(found.pieces[at])) is not None:
                self.worth.setdefault(tuple(sorted(orders.items())), float(found.most[at]))

    @property
    def best(self) -> float:
        """What the best of them are worth."""
        return max(self._none, max(self.worth.values(), default=-math.inf))


class _Table:
    """Pieces and what they cost at some duals; the first is no order."""

    def __init__(
        self,
        pieces: list[_Piece],
        ways: tuple[Way, ...],
        each: Array,
        duals: Duals,
        item: int,
        gain: float,
        short: Sequence[tuple[int, float]],
    ) -> None:
        self.every: list[_Piece | None] = [None, *pieces]
        self._ways, self._each, self._duals, self._item, self._gain = ways, each, duals, item, gain
        self._short = short  # weeks in which cash is short, and its price
        self._parts: dict[int, list[int]] = {}  # of pieces that are split
        self._rates: dict[tuple[int, int], tuple[float, float, float]] = {}  # by way and price-list line
        rows = [(-1, 0, 0, 0.0, 0.0), *map(self._row, pieces)]
        way, first, last, low, high = map(np.array, zip(*rows, strict=True))
        self.pieces = Pieces(way, first.astype(float), last.astype(float), np.column_stack([low, high]))

    def in_order(self) -> None:
        """Put pieces in the order of their ways, without those of which there are parts."""
        kept = np.array([at for at in range(len(self.every)) if at not in self._parts], dtype=np.intp)
        kept = kept[np.argsort(self.pieces.way[kept], kind="stable")]
        self.every, self._parts = [self.every[at] for at in kept.tolist()], {}
        old = self.pieces
        self.pieces = Pieces(old.way[kept], old.first[kept], old.last[kept], old.costs[kept])

    def _row(self, piece: _Piece) -> tuple[int, int, int, float, float]:
        first, last = piece.quantities[0], piece.quantities[-1]
        return piece.way, first, last, self._cost(piece, first), self._cost(piece, last)

    def price(self, key: _Key) -> float:
        """Return the cost of some orders [currency]."""
        return sum(self._cost(_single(self._ways[way], int(number)), int(number)) for way, number in key)

    def _cost(self, piece: _Piece, quantity: int) -> float:
        key, box = (piece.way, id(piece.line)), piece.box
        if key not in self._rates:
            self._rates[key] = self._rate(piece)
        plantlet, shared, alone = self._rates[key]
        cost = self._gain + quantity * plantlet
        if box is not None:
            cost += shared * quantity / box.plants
            if alone:
                first, last = piece.quantities[0], piece.quantities[-1]
                boxes = box.whole if box.whole(first) == box.whole(last) else box.parts  # of several, at least parts
                cost += alone * boxes(quantity)
        return cost

    def _rate(self, piece: _Piece) -> tuple[float, float, float]:
        """Return what a plantlet of a piece costs, a box that is shared, and one for this variety alone [currency]."""
        duals, box = self._duals, piece.box
        money, way = duals.money + duals.budget, self._ways[piece.way]
        due = sum(price * way.due(piece.line, week) for week, price in self._short)
        plantlet = (money + due) * piece.line.unit_price + float(self._each[piece.way])
        if box is None:
            return plantlet, 0.0, 0.0
        late = sum(price for week, price in self._short if week >= way.delivered)
        shared = duals.boxes.get(box, (money + late) * box.freight)
        return plantlet, shared, duals.own_boxes.get((self._item, box), 0.0)

    def lowest(self, ways: int) -> Array:
        """Return the least that a plantlet of each way costs [currency], infinite if none can be ordered."""
        found = np.full(ways, 1e9)
        table = self.pieces
        for costs, plants in ((table.costs[1:, 0], table.first[1:]), (table.costs[1:, 1], table.last[1:])):
            np.minimum.at(found, table.way[1:], costs / plants)
        return found

    def cost(self, pieces: np.ndarray) -> float:
        """Return the cost of a set of single quantities."""
        return float(self.pieces.costs[pieces, 0].sum())

    def plants(self, pieces: np.ndarray) -> dict[int, int] | None:
        """Return the plants of each way of a set; None if it has more quantities than one of any."""
        some = [one for at in pieces.tolist() if (one := self.every[at]) is not None]
        if any(len(one.quantities) > 1 for one in some):
            return None
        return {one.way: one.quantities[0] for one in some}

    def widest(self, pieces: np.ndarray) -> int:
        """Return the piece of a set with most plants between its first and last; 0 if all are single."""
        wide = self.pieces.last[pieces] - self.pieces.first[pieces]
        return int(pieces[wide.argmax()]) if wide.size and wide.max() > 0 else 0

    def split(self, piece: int, parts: int) -> list[int]:
        """Put smaller pieces beside a piece; return where they are."""
        if piece in self._parts:
            return self._parts[piece]
        whole = self.every[piece]
        assert whole is not None
        new = [*whole.split(parts)]
        rows = [self._row(one) for one in new]
        old = self.pieces
        self.pieces = Pieces(
            np.append(old.way, [row[0] for row in rows]),
            np.append(old.first, [float(row[1]) for row in rows]),
            np.append(old.last, [float(row[2]) for row in rows]),
            np.vstack([old.costs, [row[3:] for row in rows]]),
        )
        self.every += new
        self._parts[piece] = [*range(len(self.every) - len(new), len(self.every))]
        return self._parts[piece]
