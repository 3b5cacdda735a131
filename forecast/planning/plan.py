"""The plan of a whole order: its deliveries, limits, alternatives, and what it leaves out."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal, NamedTuple

import numpy as np
import pandas as pd

from forecast.errors import Fault, Refused, refuse, whole
from forecast.growth.draws import KeptDraws
from forecast.growth.outcome import Outcome
from forecast.growth.simulation import season_streams, simulate
from forecast.ordering.reach import Excess, excess, hardest
from forecast.ordering.shipments import Bill, Shipment, bill, placed
from forecast.ordering.trial_orders import Case
from forecast.planning.alternatives import Change, errors, neighbours
from forecast.planning.column_generation import Solution, shadow_price_errors, shadow_prices
from forecast.planning.out_of_sample import OutOfSample, evaluate
from forecast.planning.pricing import PricingProblem
from forecast.resources.beside import shortage_counts
from forecast.resources.money_flow import CashFlow, cash_flow
from forecast.resources.price_of_shortage import LEVELS, ShortPrices, short_prices
from forecast.resources.reached import Reached, Surplus
from forecast.season.consistency import unpriced
from forecast.season.orders import Delivery
from forecast.season.season import Season
from forecast.streams import DRAWS
from forecast.weeks import Week
from forecast.words import orders as words
from forecast.words.numbers import unit_worth
from forecast.words.results import Result
from forecast.worth.columns import Aim, Column
from forecast.worth.knowing import Knowing, worth_of_knowing


class LeftOut(NamedTuple):
    """Why nothing of a variety is ordered.

    Parameters
    ----------
    reason
        No lab offers it, it comes too late, its smallest order breaks a limit, or its best order on its own loses or
        earns less than others.
    order, margin
        That best order, plants and week of each delivery, and its expected margin [currency].
    limits, currency
        The binding limits of the plan, and the ISO 4217 code.
    there
        Whether some of it are on hand or ordered already.
    """

    reason: Literal["no lab", "too late", "too large", "loses", "earns less"]
    order: tuple[tuple[int, Week], ...] = ()
    margin: float = 0.0
    limits: tuple[str, ...] = ()
    currency: str = ""
    there: bool = False

    def __str__(self) -> str:
        return words.left_out(
            reason=self.reason, order=self.order, margin=self.margin, limits=self.limits, currency=self.currency
        )


@dataclass(frozen=True, eq=False, repr=False)
class Plan(Result):
    """What to order of everything, what it earns, and how much better another plan could be at most.

    Parameters
    ----------
    season, aim
        The season, and the aim: ``margin`` or ``cost``.
    seconds, draws, seed
        Time of the search, and its draws.
    """

    season: Season
    aim: Aim
    seconds: float
    draws: int
    seed: int
    _solution: Solution

    @cached_property
    def margin(self) -> float:
        """Expected margin [currency], that of `cash_flow`; for the aim ``cost``, the expected cost below 0."""
        if self.aim == "cost":
            return -self.cost
        if not self._every:
            return self._solution.value
        return float(self.cash_flow().margin.mean())

    @property
    def bound(self) -> float:
        """What no plan earns more than on the same draws, or, for the aim ``cost``, costs less than [currency]."""
        return self.margin + max(self._solution.bound - self._solution.value, 0.0)

    @property
    def gap(self) -> float:
        """Optimality gap: how much better another plan could be on these draws, as a share of margin or cost."""
        return self._solution.gap

    @property
    def cost(self) -> float:
        """Expected cost of all orders, freight and growing included, and of plants on hand [currency]."""
        if not self.in_any_case and (self.aim == "cost" or not self.orders):
            return -self._solution.value
        return self._reached.cost

    def __getstate__(self) -> dict[str, Any]:
        """Return what a worker sends: the answers, without the tables they were found with, and others are like."""
        kept = {
            name: value for name, value in self.__dict__.items() if name not in ("_outcome", "_cash_flow", "_reached")
        }
        answers = {"_changes": self._changes, "_left_out": self._left_out, "excess": self.excess, "margin": self.margin,
                   "_knowing": self._knowing}  # fmt: skip
        return kept | answers | {"_solution": replace(self._solution, problems=(), kept=None)}

    @cached_property
    def orders(self) -> tuple[Delivery, ...]:
        """The orders, by week, lab and variety."""
        return tuple(shipment.delivery for shipment in self.shipments)

    @property
    def shipments(self) -> tuple[Shipment, ...]:
        """The same, each with the price-list line it is ordered from."""
        return tuple(charge.shipment for charge in self.bill.charges)

    @cached_property
    def bill(self) -> Bill:
        """What the orders cost together, by week, lab and variety."""
        every = (shipment for column in self._solution.chosen for shipment in column.shipments)
        return bill(sorted(every, key=lambda one: (one.week, one.lab, one.variety)))

    def simulate(self) -> Outcome:
        """Simulate the orders in the draws of the search, with plants on hand and orders that are placed."""
        return self._outcome

    @cached_property
    def _every(self) -> tuple[Shipment, ...]:
        """All that is ordered: the plan, and what is placed already."""
        return (*placed(self.season), *self.shipments)

    @property
    def paid(self) -> float:
        """What labs and carriers are paid, for orders that are placed, too [currency]."""
        return bill(self._every).total

    @property
    def in_any_case(self) -> str:
        """Which plants on hand and orders already placed count, in words; nothing if there are none."""
        season, orders = self.season, placed(self.season)
        return words.in_any_case(
            there=sum(row.quantity for row in season.on_hand), placed=sum(one.quantity for one in orders),
            paid=bill(orders).total, currency=season.currency,
        )  # fmt: skip

    def cash_flow(self) -> CashFlow:
        """Return what the orders earn and cost week by week in these draws, in whole plants."""
        return self._cash_flow

    @cached_property
    def _outcome(self) -> Outcome:
        if not (self._every or self.season.on_hand):
            return Outcome(KeptDraws(self.season, (), (), season_streams(self.draws, self.seed)))
        return simulate(self.season, self._every, draws=self.draws, seed=self.seed)

    @cached_property
    def _cash_flow(self) -> CashFlow:
        return cash_flow(self._outcome)

    def table(self) -> pd.DataFrame:
        """Return a row for each order.

        Returns
        -------
        DataFrame
            lab, week, variety, form, quantity, unit_price, price, deposit (due when ordering) and balance (due in the
            week of delivery, with the freight) [currency].
        """
        return self.bill.table()

    def headline(self, variety: str | None = None) -> str:
        """Return what to order in one line, of all varieties or of one; why not, if nothing of it is ordered."""
        if variety is None:
            return super().headline()
        self.season.variety(variety)
        mine = [one for one in self.shipments if one.variety == variety]
        if mine:
            targets = self.simulate().targets(variety)
            shipments = [(one.quantity, one.lab, one.week) for one in mine]
            return words.of_variety(variety, shipments, targets["chance"].tolist())
        why = self._left_out.get(variety)
        return words.no_target(variety) if why is None else words.not_ordered(variety, why, there=why.there)

    def orders_of(self, variety: str) -> tuple[Delivery, ...]:
        """Return the orders of a variety, by week and lab; `Refused` with the reason if nothing of it is ordered."""
        mine = tuple(row for row in self.orders if row.variety == self.season.variety(variety).variety)
        if not mine:
            raise Refused([Fault(self.headline(variety).rstrip("."), "See what would change that.")])
        return mine

    def changes_from(self, other: Plan) -> pd.DataFrame:
        """Return how many plants this plan orders of each variety, beside another: variety, other, this, difference."""
        counts = [Counter[str](), Counter[str]()]
        for count, plan in zip(counts, (other, self), strict=True):
            for row in plan.orders:
                count[row.variety] += row.quantity
        names = [row.variety for row in self.season.varieties if any(count[row.variety] for count in counts)]
        before, now = ([count[name] for name in names] for count in counts)
        rows = zip(names, before, now, np.subtract(now, before).tolist(), strict=True)
        return pd.DataFrame(rows, columns=["variety", "other", "this", "difference"])

    def targets(self) -> pd.DataFrame:
        """Return what is reached of each target, and what more would take.

        Returns
        -------
        DataFrame
            variety, channel, week, until, promised (as in the season, without columns that are empty), target (the
            median of an uncertain demand); chance that it is met; sold, and short of it, on average [plants]; level:
            the chance that is promised, else the service level of the season; more_plants that reach it, on one of the
            deliveries of the plan, 0 if it is reached and missing if nothing is ordered or none do; more_cost, what
            they cost, and more_income, what they bring in [currency], missing without sale prices.
        """
        return self._targets.copy()

    @cached_property
    def _targets(self) -> pd.DataFrame:
        return self._reached.table()

    def short_prices(self, levels: Sequence[float] = LEVELS) -> ShortPrices:
        """Return which service level the price of being short gives, and what other levels count a missing plant for.

        Parameters
        ----------
        levels
            Service levels that are asked about [0 to 1].

        Raises
        ------
        Refused
            If a variety with a target has no sale price, or `levels` is empty or one of them is no such share.

        Notes
        -----
        A service level is right if its last plant costs as much, less what it brings in, as the missing plants that it
        saves: the price is the one for the other, on the largest delivery of the plan that can serve the target.
        """
        if faults := [*unpriced(self.season.varieties, self.season.targets).values()]:
            raise Refused(faults)
        return short_prices(self._reached, levels, draws=self.draws, seed=self.seed)

    @cached_property
    def surplus(self) -> tuple[Surplus, ...]:
        """What is grown on purpose to be marked down: one more plantlet of it brings more than it costs."""
        return self._reached.surplus()

    @cached_property
    def _reached(self) -> Reached:
        outcome = self.simulate()
        earns = outcome.batches and not unpriced(self.season.varieties, self.season.targets)
        return Reached(outcome, self.shipments, self.cash_flow() if earns else None, settled=placed(self.season))

    def without_search(self) -> Plan:
        """Return the plan without what a plan `like` it would begin with, which takes memory."""
        return replace(self, _solution=replace(self._solution, kept=None))

    def limits(self) -> pd.DataFrame:
        """Return how far each limit is used, and what one more unit of it would be worth.

        Returns
        -------
        DataFrame
            limit: the budget, each place, and the worst tenth if it has a minimum; week in which a place is used most;
            used and available [currency or m²], of a place the mean over the tenth of draws in which it is fullest;
            shadow_price: what one more unit [currency] or m² in all weeks would earn, at the margin, and error, its
            standard error [currency].
        """
        return self._limits.copy()

    @cached_property
    def _limits(self) -> pd.DataFrame:
        master, chosen = self._solution.master, self._solution.chosen
        rows: list[tuple[object, ...]] = []
        if math.isfinite(master.budget):
            rows.append(("budget", "", self.paid, self.season.budget))
        area = master.fullest(master.area(chosen))
        for place, name in enumerate(self.season.place_names):
            weeks = slice(place * self.season.weeks, (place + 1) * self.season.weeks)
            used, bench = area[weeks], master.benches[weeks]
            at = int(np.argmax(used / np.maximum(bench, 1e-9)))
            rows.append((name, str(self.season.first_week + at), used[at], bench[at]))
        if master.before.cash is not None:
            lowest = self.cash_flow().lowest_tenth()
            week = self.season.first_week + int(np.argmin(self.cash_flow().cash.mean(axis=1)))
            rows.append(("overdraft", str(week), max(-lowest, 0.0), self.season.overdraft))
        if master.floor is not None:
            rows.append(("worst tenth", "", master.worst_tenth(chosen), master.floor))
        found = pd.DataFrame(rows, columns=["limit", "week", "used", "available"])
        prices = shadow_prices(master, self._solution.duals)
        found["shadow_price"], found["error"] = prices, shadow_price_errors(master, prices) if any(prices) else 0.0
        return found.round({"used": 2, "available": 2, "shadow_price": 4, "error": 4})

    def alternatives(self, *, fitting: bool = False) -> pd.DataFrame:
        """Return what the nearest other plans would cost: each differs from this one in one order.

        Parameters
        ----------
        fitting
            Only those that keep all limits.

        Returns
        -------
        DataFrame
            variety, lab, week and quantity of the order; instead: what would take its place; loss: expected margin that
            would be lost (below 0: won) on the draws of the search, and error, its standard error [currency]: a loss of
            less than twice its error may be none; fits: whether it keeps all limits. The cheapest first.
        """
        found = self._alternatives
        return found[found["fits"]].reset_index(drop=True) if fitting else found.copy()

    @cached_property
    def _changes(self) -> list[tuple[Change, float, bool]]:
        """The nearest other plans, what each loses [currency], and whether it keeps all limits."""
        master, found = self._solution.master, []
        for change in neighbours(self._solution):
            chosen = change.applied(self._solution.chosen)
            loss = self._solution.value - master.worth(chosen)
            found.append((change, loss, change.kept and master.fits(chosen)))
        return found

    @cached_property
    def _alternatives(self) -> pd.DataFrame:
        changes, streams = [change for change, _, _ in self._changes], season_streams(self.draws, self.seed)
        lost = errors(self.season, self._solution, changes, streams).tolist()
        rows = []
        for (change, loss, fits), error in zip(self._changes, lost, strict=True):
            order = change.order.variety, change.order.lab, str(change.order.week), change.order.quantity
            instead = _instead(change.order, change.other)
            rows.append((*order, instead, round(loss, 2), round(error, 2), fits))
        columns = ["variety", "lab", "week", "quantity", "instead", "loss", "error", "fits"]
        return pd.DataFrame(rows, columns=columns).sort_values("loss", kind="stable", ignore_index=True)

    @cached_property
    def excess(self) -> tuple[Excess, ...]:
        """Orders that are large for what is asked, or lose: why, and by which week fewer plants are enough."""
        return tuple(found for one in self._solution.chosen if (found := self._excess_of(one)) is not None)

    def _excess_of(self, column: Column) -> Excess | None:
        season, streams = self.season, season_streams(self.draws, self.seed)
        largest = max(column.shipments, key=lambda one: one.quantity, default=None)
        if largest is None:
            return None
        total = replace(largest, quantity=sum(one.quantity for one in column.shipments))
        (row, *others) = season.targets_of(largest.variety)
        if self.aim == "cost" and not others and row.last == row.week:
            return excess(Case(season, streams, row, 1), total)
        return excess(hardest(season, streams, largest), total, sold=False)

    def left_out(self) -> dict[str, LeftOut]:
        """Return why nothing is ordered of varieties that have a target, by variety."""
        return dict(self._left_out)

    @cached_property
    def _left_out(self) -> dict[str, LeftOut]:
        ordered = {row.variety for row in self.orders}
        problems = {problem.ways.variety: problem for problem in self._solution.problems}
        there = {row.variety for row in self.season.on_hand} | {one.variety for one in placed(self.season)}
        return {
            row.variety: self._why(problems.get(row.variety))._replace(there=row.variety in there)
            for row in self.season.varieties
            if row.variety not in ordered and self.season.targets_of(row.variety)
        }

    def _why(self, problem: PricingProblem | None) -> LeftOut:
        if problem is None:
            return LeftOut("no lab")
        master = self._solution.master
        if not problem.ways.ways:
            return LeftOut("too late")
        found = problem.solve(master.zero_duals, master, room=master.room((), None, problem.ways.ways)).candidates
        columns = [problem.column(plants) for plants in [*(plants for _, plants in found), *problem.smallest()]]
        columns = [one for one in columns if master.fits([one])]
        if not columns:
            return LeftOut("too large")
        margins = [float(one.margin.mean()) - master.freight([one]) for one in columns]
        at = int(np.argmax(margins))
        deliveries = tuple((one.quantity, one.week) for one in columns[at].shipments)
        limits = tuple(row["limit"] for row in self.limits().to_dict("records") if row["shadow_price"] > 0)
        reason: Literal["loses", "earns less"] = "loses" if margins[at] <= 0 else "earns less"
        return LeftOut(reason, deliveries, margins[at], limits, self.season.currency)

    def measure_first(self) -> pd.DataFrame:
        """Return what it would be worth to know each survival that no source backs, before ordering.

        Returns
        -------
        DataFrame
            stage, applies_to, rests_on (no source, judgement, from memory or common practice),
            worth and its standard error [currency]: the greatest first; empty for the aim ``cost``. A worth of less
            than twice its error may be none.

        Notes
        -----
        Half of the variance of such a survival, or what lasts of it if that is more, is taken to be doubt about the
        number itself; who knows it orders another multiple of the plan. See `forecast.worth.knowing`.
        """
        return self._knowing.copy()

    @cached_property
    def _knowing(self) -> pd.DataFrame:
        ways = {problem.item: problem.ways for problem in self._solution.problems}
        planned = [(ways[one.item], {way.at: n for way, n in one.plants.items()}) for one in self._solution.chosen]
        found = worth_of_knowing(planned) if self.aim == "margin" else []
        return pd.DataFrame(found, columns=Knowing._fields)

    def out_of_sample(
        self, *, draws: int = DRAWS, seed: int | None = None, searches: int = 5, time_limit: float = 60.0
    ) -> OutOfSample:
        """Value the plan on draws that had no part in the search, and bound how much better the best plan could be.

        Parameters
        ----------
        draws, seed
            Number of new draws, and their seed: another than that of the search, the next one if not given.
        searches
            How often the search is repeated on draws of its own, 0 or from 2 on; never for the aim ``cost``.
        time_limit
            For each of these searches [seconds].

        Raises
        ------
        Refused
            If the seed is that of the search, or `searches` is no such number.
        """
        if seed == self.seed:
            raise refuse("seed", seed, "the plan was found with these draws", "Give another seed.")
        if whole("searches", searches, 0, 100) == 1:
            raise refuse("searches", searches, "one search has no standard deviation", "Give 0, or 2 and more.")
        seed, searches = self.seed + 1 if seed is None else seed, searches if self.aim == "margin" else 0
        return evaluate(
            self.season, self._every, self._solution, expected=self.margin, draws=draws, seed=seed,
            searches=searches, time_limit=time_limit,
        )  # fmt: skip

    @property
    def weighs_shortage(self) -> bool:
        """Whether it gives up margin for fewer missing plants."""
        return self.aim == "margin" and shortage_counts(self.season)

    def facts(self) -> dict[str, object]:
        """Return season, aim, draws, seed and the number of orders."""
        names = {"season": self.season.name, "aim": self.aim, "draws": self.draws, "seed": self.seed}
        return names | {"orders": len(self.orders)}

    def __str__(self) -> str:
        left = [words.not_ordered(variety, why, there=why.there) for variety, why in self.left_out().items()]
        if not self.orders:
            return "\n".join(filter(None, [words.NOTHING, self.in_any_case, *left]))
        currency = self.season.currency
        plants, varieties = sum(row.quantity for row in self.orders), len({row.variety for row in self.orders})
        ordered = words.ordered(plants=plants, varieties=varieties, deliveries=len(self.orders))
        spent = words.costs(purchase=self.paid, total=self.cost, currency=currency, budget=self.season.budget)
        found = words.least_cost(gap=self.gap)
        if self.aim == "margin":
            flow = self.cash_flow()  # in whole plants, as wherever a margin is printed
            found = words.expected_margin(
                margin=float(flow.margin.mean()), worst_tenth=flow.worst_tenth(), gap=self.gap, currency=currency,
                short=self.weighs_shortage,
            )  # fmt: skip
        first = [*map(str, self.surplus), f"{ordered} {spent}", *filter(None, [self.in_any_case])]
        first += map(str, self.excess)
        if (gain := self.season.split_gain) and len(self.orders) > varieties:
            first.append(words.one_delivery(gain=gain, currency=currency))
        return "\n".join([*first, found, *self._binding(), *left])

    def _binding(self) -> Iterator[str]:
        for row in self.limits().to_dict("records"):
            if row["shadow_price"] > 0 and row["limit"] != "worst tenth":
                yield words.binding(
                    limit=row["limit"], week=row["week"], worth=self._worth(row), earns=self.aim == "margin",
                    currency=self.season.currency,
                )  # fmt: skip

    def _worth(self, limit: Mapping[Hashable, Any]) -> str:
        return unit_worth(
            limit["shadow_price"], error=limit["error"], available=limit["available"], gap=self.bound - self.margin,
            currency=self.season.currency,
        )  # fmt: skip


def _instead(order: Shipment, other: Shipment | None) -> str:
    """Return what takes the place of an order."""
    if other is None:
        return words.instead(quantity=None)
    lab = None if other.prices == order.prices else other.lab
    return words.instead(quantity=other.quantity, week=None if other.week == order.week else other.week, lab=lab)
