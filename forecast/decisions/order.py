"""How many to order, of which offer, for which week."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr

from forecast.cores import on_all_cores
from forecast.decisions.prices import PriceList
from forecast.errors import OutOfReach, refuse
from forecast.growth.outcome import rounded
from forecast.growth.simulation import draw_fate, season_streams
from forecast.growth.stages import Fate
from forecast.growth.tails import at_least
from forecast.season.plan import Season
from forecast.season.rows import Delivery, Wanted
from forecast.streams import Streams
from forecast.weeks import Week

Array = NDArray[np.float64]

_MOST = 100  # an order of more plantlets than this for each plant wanted counts as out of reach
_COSTED = 256  # draws from which expected costs are taken


@dataclass(frozen=True, eq=False)
class Order:
    """One order, how sure it is, and what it costs.

    Parameters
    ----------
    variety, lab, week, quantity
        What, from which lab, delivered in which week, how many plantlets.
    wanted, by, confidence
        The number that is to be saleable by a week (the likely one, if a range is wanted), and the share
        of draws in which it is to be.
    chance
        Share of draws in which it is.
    cost
        Expected cost [currency]: price, freight, stages, work and bench until the week wanted.
    spent
        Price and freight [currency].
    saleable
        Expected number of saleable plants in that week.
    from_mean, chance_from_mean
        The order that the mean share saleable suggests, and its chance.
    """

    variety: str
    lab: str
    week: Week
    quantity: int
    wanted: int
    by: Week
    confidence: float
    chance: float
    cost: float
    spent: float
    saleable: float
    from_mean: int
    chance_from_mean: float
    currency: str
    _case: Case = field(repr=False)
    _prices: PriceList = field(repr=False)

    @property
    def delivery(self) -> Delivery:
        """The order as a row of the season's orders."""
        return Delivery(variety=self.variety, week=self.week, quantity=self.quantity, lab=self.lab)

    def curve(self) -> pd.DataFrame:
        """Give chance and cost for other quantities of the same offer and week.

        Returns
        -------
        DataFrame
            Lawful quantities from well below to well above the order, with the chance of the wanted
            number, the expected cost [currency] and the expected number saleable.
        """
        share = self._case.share(self.week)
        lowest = min(self.from_mean, self.quantity) * 0.8
        highest = max(self.quantity * 1.15, self.from_mean * 1.1) + 1
        grid = sorted({self._prices.lawful(quantity) for quantity in np.linspace(lowest, highest, 41)} | {self.quantity})
        rows = [
            (n, self._case.chance(n, share), self._case.cost(self._prices, n, self.week), n * float(share.mean()))
            for n in grid
        ]
        return pd.DataFrame(rows, columns=["quantity", "chance", "cost", "saleable"])

    def options(self) -> pd.DataFrame:
        """Give the order that each lab and week of delivery would take, cheapest first.

        Returns
        -------
        DataFrame
            lab, week, quantity, chance, cost [currency]; where nothing suffices, the quantity is missing.
        """
        rows = []
        for prices in self._case.price_lists:
            for week in prices.weeks(self._case.season.first_week, self.by):
                found = self._case.cheapest(prices, week)
                if found is None:
                    rows.append((prices.lab, str(week), None, None, None))
                else:
                    rows.append((prices.lab, str(week), found[0], self._case.chance(found[0], self._case.share(week)), found[1]))
        frame = pd.DataFrame(rows, columns=["lab", "week", "quantity", "chance", "cost"])
        frame["quantity"] = frame["quantity"].astype("Int64")
        return frame.sort_values(["cost", "lab", "week"], na_position="last", ignore_index=True)

    def __str__(self) -> str:
        share = f"{100 * self.chance:.0f} seasons in 100" if self.chance < 0.995 else "more than 99 seasons in 100"
        return (
            f"Order {self.quantity:,} of {self.variety} from {self.lab} for {self.week}: in about {share} they give "
            f"the {rounded(self.wanted)} wanted by {self.by}, for about {rounded(self.cost)} {self.currency} in all. "
            f"The mean alone suggests {self.from_mean:,}, enough in {100 * self.chance_from_mean:.0f} in 100."
        )


@dataclass(frozen=True)
class Orders:
    """The orders of a season.

    Parameters
    ----------
    orders
        One for each row that is wanted and can be met.
    unmet
        Why the others cannot.
    """

    orders: tuple[Order, ...]
    unmet: tuple[OutOfReach, ...]

    def __iter__(self) -> Iterator[Order]:
        return iter(self.orders)

    def __len__(self) -> int:
        return len(self.orders)

    def table(self) -> pd.DataFrame:
        """Give a row for each order: what to order, how sure it is, what it costs."""
        columns = "variety lab week quantity wanted by confidence chance from_mean chance_from_mean spent cost".split()
        rows = [
            [str(cell) if isinstance(cell := getattr(order, name), Week) else cell for name in columns] for order in self.orders
        ]
        return pd.DataFrame(rows, columns=columns).round({"chance": 4, "chance_from_mean": 4, "spent": 2, "cost": 2})

    def __str__(self) -> str:
        return "\n".join(str(line) for line in (*self.orders, *self.unmet))


def size_order(
    season: Season,
    variety: str,
    *,
    draws: int,
    seed: int,
    wanted: int | None = None,
    week: Week | str | None = None,
    confidence: float | None = None,
    delivery: Week | str | None = None,
    lab: str | None = None,
) -> Order:
    """Find the cheapest order that gives the wanted number by its week, as surely as asked.

    Parameters
    ----------
    season, variety
        The season, and which of its varieties.
    draws, seed
        Number of imagined seasons, and their seed.
    wanted, week, confidence
        Number of plants, by the Monday of which week, in which share of draws; each overrides the
        season's table of what is wanted.
    delivery, lab
        Only deliveries of this week, or of this lab, if given.

    Returns
    -------
    Order
        The smallest lawful quantity, or a larger one that a price break makes cheaper, of the offer and
        week of delivery with the least expected cost.

    Raises
    ------
    Refused
        If the variety, week or lab is unknown, or it is not clear what is wanted.
    OutOfReach
        If no offer meets it; ``best`` is the order that comes nearest.

    Notes
    -----
    The chance that n plantlets suffice is the mean over draws of P(Binomial(n, share saleable) >= wanted),
    which never falls as n grows; the smallest n is found by bisection and is exact on the draws.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> order = forecast.size_order(season, "Heuchera 'Pellowen'", draws=1024, seed=1)
    >>> order.chance >= order.confidence
    True
    """
    request, number = _request(season, variety, wanted, week, confidence)
    case = Case(season, season_streams(draws, seed), request, number)
    return case.order(None if delivery is None else Week.parse(delivery), lab)


def size_orders(season: Season, *, draws: int, seed: int) -> Orders:
    """Find the order for every row that is wanted, one by one, as `size_order` does.

    Parameters
    ----------
    season
        The season.
    draws, seed
        Number of imagined seasons, and their seed.

    Returns
    -------
    Orders
    """
    streams = season_streams(draws, seed)

    def sized(job: tuple[Wanted, int]) -> Order | OutOfReach:
        try:
            return Case(season, streams, *job).order()
        except OutOfReach as error:
            return error

    jobs = [
        (wanted, number)
        for row in season.varieties
        for number, wanted in enumerate(season.wanted_of(row.variety), start=1)
    ]
    found = on_all_cores(sized, jobs)
    return Orders(
        tuple(order for order in found if isinstance(order, Order)),
        tuple(error for error in found if isinstance(error, OutOfReach)),
    )


def _request(
    season: Season, variety: str, wanted: int | None, week: Week | str | None, confidence: float | None
) -> tuple[Wanted, int]:
    """What is wanted, after the keywords, and which delivery of the variety is to give it."""
    season.variety(variety)
    rows = season.wanted_of(variety)
    by = None if week is None else Week.parse(week)
    if by is not None and not season.first_week <= by <= season.last_week:
        raise refuse("week", str(by), "outside the season", f"Give a week to {season.last_week}.")
    match = [row for row in rows if row.week == by]
    if not match and len(rows) > 1 and (by is None or wanted is None):
        weeks = ", ".join(str(row.week) for row in rows)
        raise refuse("week", week, f"{variety} is wanted in several weeks", f"Give one of {weeks}.")
    base = match or rows[:1] if len(rows) == 1 or match else []
    number = rows.index(base[0]) + 1 if base else 1
    cells = base[0].given() if base else {"variety": variety}
    if wanted is not None:
        cells = {key: cell for key, cell in cells.items() if key not in ("low", "likely", "high")} | {"wanted": wanted}
    if by is not None:
        cells["week"] = by
    if "week" not in cells or not cells.keys() & {"wanted", "low"}:
        raise refuse("wanted", wanted, f"{variety} is not in the season's table of what is wanted", "Give wanted and week.")
    if confidence is not None:
        cells["confidence"] = confidence
    return Wanted(**cells), number


class Case:
    """One wanted number, and all that is needed to try orders for it."""

    def __init__(self, season: Season, streams: Streams, request: Wanted, number: int) -> None:
        self.season = season
        self.request = request
        self.confidence = request.confidence or season.confidence
        self.fate: Fate = draw_fate(season, streams, request.variety, number)
        self.price_lists = PriceList.of(season.offers_for(request.variety))
        demand = request.demand
        owner = ("demand", request.variety, str(request.week))
        self.needed: int | Array = (
            request.likely_number if demand is None else demand.at(streams.normal(owner, "demand"))
        )
        self._shares: dict[Week, Array] = {}
        self._abouts: dict[Week, float] = {}

    def share(self, week: Week) -> Array:
        """Give the share of plantlets delivered in a week that is saleable when wanted, by draw."""
        if week not in self._shares:
            life = self.season.variety(self.request.variety).shelf_life
            elapsed = float(self.request.week - week)
            ready = self.fate.ready(np.array([elapsed] if life is None else [elapsed, elapsed - life]))
            self._shares[week] = ready[0] if life is None else ready[0] - ready[1]
        return self._shares[week]

    def chance(self, quantity: int, share: Array) -> float:
        """Give the chance that a quantity suffices."""
        return float(at_least(self.needed, quantity, share).mean())

    def cost(self, prices: PriceList, quantity: int, week: Week) -> float:
        """Give the expected cost [currency] of an order until the week wanted."""
        return prices.price(quantity) + prices.freight(quantity) + quantity * self._cost_of_growing(week)

    def cheapest(self, prices: PriceList, week: Week) -> tuple[int, float] | None:
        """Give the quantity that suffices at the least cost, and that cost; None if none does."""
        share = self.share(week)
        start = self._about(week)
        if not math.isfinite(start):
            return None
        enough = self._smallest(prices, share, start)
        if enough is None:
            return None
        costs = {n: self.cost(prices, n, week) for n in prices.worth_buying(enough)}
        best = min(costs, key=lambda n: (costs[n], n))
        return best, costs[best]

    def order(self, delivery: Week | None = None, lab: str | None = None) -> Order:
        """Give the cheapest order that suffices, of all offers and weeks or of those asked for."""
        lists = [prices for prices in self.price_lists if lab in (None, prices.lab)]
        if not lists:
            labs = ", ".join(sorted({prices.lab for prices in self.price_lists})) or "none"
            raise refuse("lab", lab, f"no offer of {self.request.variety}", f"Labs that offer it: {labs}.")
        ways = [
            (prices, week)
            for prices in lists
            for week in prices.weeks(self.season.first_week, self.request.week)
            if delivery in (None, week)
        ]
        if not ways:
            weeks = sorted({week for p in lists for week in p.weeks(self.season.first_week, self.request.week)})
            remedy = f"Possible are {weeks[0]} to {weeks[-1]}." if weeks else "Want it later, or find an earlier offer."
            shown = str(delivery) if delivery else str(self.request.week)
            raise refuse("delivery", shown, f"{self.request.variety} cannot be delivered then", remedy)
        best: tuple[float, PriceList, Week, int] | None = None
        for bound, prices, week in sorted(self._bounds(ways), key=lambda way: (way[0], -way[2].monday.toordinal())):
            if best is not None and bound > best[0]:
                break
            found = self.cheapest(prices, week)
            if found is not None and (best is None or found[1] < best[0]):
                best = (found[1], prices, week, found[0])
        if best is None:
            self._out_of_reach(ways)
        return self._made(best[1], best[2], best[3])

    def _made(self, prices: PriceList, week: Week, quantity: int) -> Order:
        share = self.share(week)
        mean = float(share.mean())
        from_mean = math.ceil(self.request.likely_number / mean) if mean > 0 else 0
        return Order(
            variety=self.request.variety,
            lab=prices.lab,
            week=week,
            quantity=quantity,
            wanted=self.request.likely_number,
            by=self.request.week,
            confidence=self.confidence,
            chance=self.chance(quantity, share),
            cost=self.cost(prices, quantity, week),
            spent=prices.price(quantity) + prices.freight(quantity),
            saleable=quantity * mean,
            from_mean=from_mean,
            chance_from_mean=self.chance(from_mean, share),
            currency=self.season.currency,
            _case=self,
            _prices=prices,
        )

    def _out_of_reach(self, ways: list[tuple[PriceList, Week]]) -> None:
        most = _MOST * self.request.likely_number
        prices, week = max(ways, key=lambda way: (self.chance(most, self.share(way[1])), float(self.share(way[1]).mean())))
        mean = float(self.share(week).mean())
        quantity = prices.lawful(min(self.request.likely_number / mean if mean > 0 else most, most))
        best = self._made(prices, week, quantity)
        raise OutOfReach(
            f"No order of {self.request.variety} gives {self.request.likely_number:,} by {self.request.week} in "
            f"{100 * self.confidence:g} seasons in 100. The best delivery is {week}, where {100 * mean:.1f} % are saleable "
            f"by then on average; {best.quantity:,} from {best.lab} would do in {100 * best.chance:.0f} in 100. "
            "Want fewer or later, ask for less confidence, or find an offer of larger plants.",
            best,
        )

    def _bounds(self, ways: list[tuple[PriceList, Week]]) -> Iterator[tuple[float, PriceList, Week]]:
        """A little less than the cost of each way, from the normal approximation of its quantity."""
        for prices, week in ways:
            if math.isfinite(self._about(week)):
                enough = prices.lawful(max(0.98 * self._about(week) - 3, 1))
                yield min(self.cost(prices, n, week) for n in prices.worth_buying(enough)), prices, week

    def _about(self, week: Week) -> float:
        """Quantity that suffices for a delivery, by the normal approximation; infinite if none does."""
        if week not in self._abouts:
            self._abouts[week] = self._normal_quantity(self.share(week))
        return self._abouts[week]

    def _normal_quantity(self, share: Array) -> float:
        def lacking(log_quantity: float) -> float:
            mean = math.exp(log_quantity) * share
            deviation = np.sqrt(np.maximum(mean * (1 - share), 1e-12))
            return self.confidence - float(ndtr((mean - self.needed + 0.5) / deviation).mean())

        usual = max(float(np.quantile(share, 1 - self.confidence)), 1 / _MOST)
        likely = math.log(self.request.likely_number / usual)
        low, high = likely - 0.1, likely + 0.1
        limit = math.log(2 * _MOST * self.request.likely_number)
        while lacking(high) > 0:
            low, high = high, high + 0.5
            if high > limit:
                return math.inf
        while lacking(low) <= 0:
            low, high = low - 0.5, low
        return math.exp(brentq(lacking, low, high, xtol=1e-3))

    def _smallest(self, prices: PriceList, share: Array, start: float) -> int | None:
        """The smallest lawful quantity that suffices, searched outwards from `start`."""
        suffices: Callable[[int], bool] = lambda n: self.chance(n, share) >= self.confidence  # noqa: E731
        step = max(prices.breaks[-1].multiple, 1)
        high = prices.lawful(start)
        while not suffices(high):
            if high > _MOST * self.request.likely_number:
                return None
            high = prices.lawful(high + step)
            step *= 2
        step, low = max(prices.breaks[-1].multiple, 1), high
        while low > 1:
            low = max(low - step, 1)
            lawful = prices.lawful(low)
            if lawful < high and suffices(lawful):
                high = lawful
            elif lawful < high:
                break
            step *= 2
        while prices.lawful(low + 1) < high:
            middle = prices.lawful((low + high) // 2)
            if middle >= high:
                middle = prices.lawful(low + 1)
            if suffices(middle):
                high = middle
            else:
                low = middle
        return high

    @cached_property
    def _course_costs(self) -> tuple[float, Array]:
        """Cost of a plantlet by stages and work, and of its bench by the week since delivery."""
        season, variety = self.season, self.request.variety
        route = season.route(variety)
        some = self.fate.of(slice(_COSTED))
        reached = np.exp(np.cumsum(some.log_survival, axis=0)).mean(axis=1)
        entering = np.concatenate([[1.0], reached[:-1]])
        each = [row.cost + row.minutes / 60 * season.hourly_wage for row in route]
        rates = [season.place(row.place).cost_per_m2_week / row.plants_per_m2 for row in route]
        if not any(rates):
            return float(entering @ each), np.zeros(season.weeks)
        longest = max(self.request.week - prices.breaks[0].first_week for prices in self.price_lists)
        standing, ready = some.course(np.arange(max(longest, 1), dtype=np.float64))
        life = season.variety(variety).shelf_life
        bench = sum(rate * alive.mean(axis=1) for rate, alive in zip(rates, standing, strict=True))
        kept = ready.mean(axis=1)
        if life is not None:
            kept[life:] -= ready.mean(axis=1)[:-life]
        return float(entering @ each), bench + rates[-1] * kept

    def _cost_of_growing(self, week: Week) -> float:
        stages, bench = self._course_costs
        return stages + float(bench[: self.request.week - week].sum())
