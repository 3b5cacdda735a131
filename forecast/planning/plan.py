"""The plan of a whole order, and what can be asked of it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np
import pandas as pd

from forecast.errors import refuse, whole
from forecast.growth.outcome import Outcome
from forecast.growth.simulation import simulate
from forecast.ordering.shipments import Bill, bill
from forecast.planning.alternatives import alternatives
from forecast.planning.column_generation import Solved
from forecast.planning.out_of_sample import Certificate, certify
from forecast.resources.money_flow import CashFlow, cash_flow
from forecast.season.rows import Delivery
from forecast.season.season import Season
from forecast.words.numbers import counted, money

Aim = Literal["margin", "cost"]


@dataclass(frozen=True, eq=False)
class Plan:
    """What to order of everything, what it earns, and how much better another plan could be at most.

    Parameters
    ----------
    season, aim
        The season, and what was aimed at: ``margin`` or ``cost``.
    margin
        Expected margin on the draws it was found with [currency]; for the aim ``cost``, what is spent, below 0.
    bound
        What no plan earns more than on the same draws [currency].
    seconds
        Time the search took.
    draws, seed
        Those of the search.
    """

    season: Season
    aim: Aim
    margin: float
    bound: float
    seconds: float
    draws: int
    seed: int
    _deliveries: int = field(repr=False)
    _found: Solved = field(repr=False)

    @property
    def gap(self) -> float:
        """How much better another plan could be on these draws at most, as a share of the margin or cost."""
        return self._found.gap

    def __getstate__(self) -> dict[str, Any]:
        """Return what a worker sends: the answers, without the tables they were found with."""
        made = {name: value for name, value in self.__dict__.items() if name not in ("outcome", "cash")}
        answers = {"_alternatives": self._alternatives, "_left_out": self._left_out}
        return made | answers | {"_found": replace(self._found, bidders=())}

    @cached_property
    def orders(self) -> tuple[Delivery, ...]:
        """The orders, by week, lab and variety."""
        return tuple(charge.shipment.delivery for charge in self.bill.charges)

    @cached_property
    def bill(self) -> Bill:
        """What the orders cost together, by week, lab and variety."""
        every = (shipment for bundle in self._found.chosen for shipment in bundle.shipments)
        return bill(sorted(every, key=lambda one: (one.week, one.lab, one.variety)))

    @cached_property
    def outcome(self) -> Outcome:
        """What comes of the orders in the draws they were found with."""
        return simulate(self.season, self.orders, draws=self.draws, seed=self.seed)

    @cached_property
    def cash(self) -> CashFlow:
        """What they bring in and cost week by week in these draws, in whole plants."""
        return cash_flow(self.outcome)

    @property
    def cost(self) -> float:
        """What the orders are expected to cost, freight and growing included [currency]."""
        return self._found.sharing.cost(self._found.chosen)

    def table(self) -> pd.DataFrame:
        """Return a row for each order.

        Returns
        -------
        DataFrame
            lab, week, variety, form, quantity, unit_price, price, deposit (due when ordering) and balance (due in the
            week of delivery, with the freight) [currency].
        """
        rows = []
        for one, price, deposit, balance, _ in self.bill.in_cents():
            what = one.lab, str(one.week), one.variety, one.line.form or "", one.quantity
            rows.append((*what, one.line.unit_price, price, deposit, balance))
        columns = ["lab", "week", "variety", "form", "quantity", "unit_price", "price", "deposit", "balance"]
        return pd.DataFrame(rows, columns=columns)

    def limits(self) -> pd.DataFrame:
        """Say how far each limit is used, and what one more of it would be worth.

        Returns
        -------
        DataFrame
            limit: the budget, each place, and the floor on bad years if there is one; week in which a place is used
            most; used and available [currency or m²], of a place the mean over the tenth of draws in which it is
            fullest; shadow_price: what one more unit [currency] or m² in all weeks would earn, at the margin [currency].
        """
        sharing, prices = self._found.sharing, self._found.prices
        rows: list[tuple[object, ...]] = []
        if math.isfinite(sharing.budget):
            rows.append(("budget", "", self.cost, sharing.budget, prices.spent))
        area = sharing.fullest(sharing.area(self._found.chosen))
        for place, name in enumerate(self.season.place_names):
            weeks = slice(place * self.season.weeks, (place + 1) * self.season.weeks)
            used, bench = area[weeks], sharing.benches[weeks]
            at = int(np.argmax(used / np.maximum(bench, 1e-9)))
            priced = zip(prices.areas, sharing.cuts, strict=False)
            worth = sum(price for price, cut in priced if cut.row // self.season.weeks == place)
            rows.append((name, str(self.season.first_week + at), used[at], bench[at], worth))
        if sharing.floor is not None:
            rows.append(
                ("bad years", "", sharing.worst_tenth(self._found.chosen), sharing.floor, float(prices.tails.sum()))
            )
        columns = ["limit", "week", "used", "available", "shadow_price"]
        return pd.DataFrame(rows, columns=columns).round({"used": 2, "available": 2, "shadow_price": 4})

    def alternatives(self) -> pd.DataFrame:
        """Say what the nearest other plans would cost: each differs from this one in one order.

        Returns
        -------
        DataFrame
            variety, lab, week and quantity of the order; instead: what would take its place; loss: expected margin that
            would be lost (below 0: won) on the draws of the search [currency]; fits: whether it keeps all limits. The
            cheapest first.
        """
        return self._alternatives.copy()

    @cached_property
    def _alternatives(self) -> pd.DataFrame:
        rows = []
        sharing, chosen = self._found.sharing, self._found.chosen
        for one, shipment, instead, said in alternatives(self._found):
            others = [instead if other is one else other for other in chosen]
            kept = [other for other in others if other is not None]
            loss = self.margin - float(sharing.margin(kept).mean())
            order = (shipment.variety, shipment.lab, str(shipment.week), shipment.quantity)
            rows.append((*order, said, round(loss, 2), sharing.fits(kept)))
        columns = ["variety", "lab", "week", "quantity", "instead", "loss", "fits"]
        return pd.DataFrame(rows, columns=columns).sort_values("loss", kind="stable", ignore_index=True)

    def left_out(self) -> dict[str, str]:
        """Say why nothing is ordered of varieties that are wanted."""
        return dict(self._left_out)

    @cached_property
    def _left_out(self) -> dict[str, str]:
        found: dict[str, str] = {}
        ordered = {row.variety for row in self.orders}
        bidders = {bidder.ways.variety: bidder for bidder in self._found.bidders}
        sharing = self._found.sharing
        for row in self.season.varieties:
            if row.variety in ordered or not self.season.targets_of(row.variety):
                continue
            if row.variety not in bidders:
                found[row.variety] = "no lab offers it"
                continue
            bids = bidders[row.variety].answer(sharing.free, sharing).bids
            if not bids:
                ways = bidders[row.variety].ways.slots[0]
                late = "no delivery can come before it is wanted"
                found[row.variety] = "not even its smallest order keeps the limits" if ways else late
                continue
            best = max(
                (bidders[row.variety].bundle(bid.plants) for bid in bids),
                key=lambda one: one.margin.mean() - sharing.freight([one]),
            )
            alone = float(best.margin.mean()) - sharing.freight([best])
            quantity = " and ".join(f"{one.quantity:,} for {one.week}" for one in best.shipments)
            if alone <= 0:
                found[row.variety] = f"its best order, {quantity}, would lose {money(-alone, self.season.currency)}"
            else:
                scarce = [f"the {row['limit']}" for row in self.limits().to_dict("records") if row["shadow_price"] > 0]
                found[row.variety] = (
                    f"alone it would earn {money(alone, self.season.currency)} ({quantity}), "
                    f"but more is earned with {' and '.join(scarce) or 'its place'} by other varieties"
                )
        return found

    def certificate(self, *, draws: int, seed: int, searches: int = 5, time_limit: float = 60.0) -> Certificate:
        """Value the plan on fresh draws, and bound how much better the best of all plans could be.

        Parameters
        ----------
        draws, seed
            Number of fresh draws, and their seed: another than that of the search.
        searches
            How often the search is repeated on draws of its own, 0 or from 2 on; not at all for the aim ``cost``.
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
            raise refuse("searches", searches, "one search has no spread", "Give 0, or 2 and more.")
        searches = searches if self.aim == "margin" else 0
        return certify(
            self.season,
            self.orders,
            self._found,
            draws=draws,
            seed=seed,
            searches=searches,
            deliveries=self._deliveries,
            time_limit=time_limit,
        )

    def __str__(self) -> str:
        currency, season = self.season.currency, self.season
        plants = sum(row.quantity for row in self.orders)
        varieties = len({row.variety for row in self.orders})
        if not self.orders:
            return "\n".join(["Nothing is worth ordering.", *self._left()])
        bought = float(self.table()["price"].sum()) + self._found.sharing.freight(self._found.chosen)
        lines = [
            f"Order {plants:,} plantlets of {varieties} {'variety' if varieties == 1 else 'varieties'} in "
            f"{counted(len(self.orders), 'order')}, for {money(bought, currency)} with freight; grown on they cost "
            f"{money(self.cost, currency)}{f' of the {season.budget:,.0f}' if season.budget else ''}."
        ]
        if self.aim == "margin":
            bad = self._found.sharing.worst_tenth(self._found.chosen)
            lines.append(
                f"They earn about {money(self.margin, currency)}, in the worst tenth of seasons about "
                f"{money(bad, currency)}. No plan earns {_more_than(self.gap)}more on these draws."
            )
        else:
            lines.append(
                f"All that is wanted is met as surely as asked; no plan does it for {_more_than(self.gap)}less."
            )
        lines += self._scarce()
        return "\n".join([*lines, *self._left()])

    # How it is told

    def _scarce(self) -> Iterator[str]:
        for row in self.limits().to_dict("records"):
            if row["shadow_price"] > 0 and row["limit"] != "bad years":
                unit = self.season.currency if row["limit"] == "budget" else "m2"
                when = f" in {row['week']}" if row["week"] else ""
                verb = "earn" if self.aim == "margin" else "save"
                worth = f"{row['shadow_price']:.2f} {self.season.currency}"
                yield f"The {row['limit']} is scarce{when}: one more {unit} would {verb} about {worth}."

    def _left(self) -> list[str]:
        return [f"Nothing of {variety}: {why}." for variety, why in self.left_out().items()]


def _more_than(gap: float) -> str:
    """Say how much better another plan could be, rounded up."""
    return f"more than {math.ceil(1000 * gap - 1e-6) / 10:g} % " if gap > 1e-6 else ""
