"""Where the money goes: what comes in and goes out, draw by draw and week by week."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import chain
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.errors import FIRST_ROW, Fault, Refused, real, refuse
from forecast.fates.fate import Batch
from forecast.growth.benches import grown, on_benches
from forecast.growth.outcome import Outcome
from forecast.growth.selling import Sold
from forecast.growth.stock import price_factor
from forecast.growth.summaries import RANGE, RANGE_NAMES, TENTH, worst_seasons
from forecast.ordering.shipments import Bill, Shipment, bill, shipment_of
from forecast.ordering.unit_costs import rents
from forecast.resources.labour import entering
from forecast.season.consistency import unpriced
from forecast.season.season import Season
from forecast.streams import Array
from forecast.weeks import Week
from forecast.words import resources
from forecast.words.results import Result

_COLUMNS = ["week", "variety", "lab", "what", "table", "row", "amount"]
_CENT = 0.005  # a smaller loss is one of rounding
_NOTHING = 1e-9  # likewise, a smaller amount


@dataclass(frozen=True)
class LowPoint:
    """The lowest cash since the season began: its percentiles [currency], and the week in which it most often falls."""

    p5: float
    median: float
    p95: float
    week: Week


@dataclass(frozen=True, eq=False, repr=False)
class CashFlow(Result):
    """What a season's orders bring in and cost, draw by draw and week by week.

    Parameters
    ----------
    cash
        All that has come in less all that has gone out by the end of each week [currency], shape (weeks, draws); with
        opening cash and fixed costs where the season states them.
    """

    cash: Array
    _entries: pd.DataFrame
    _outcome: Outcome

    def __str__(self) -> str:
        p5, _, p95 = np.quantile(self.margin, RANGE).tolist()
        margin = p5, float(self.margin.mean()), p95
        return resources.money(
            margin, self.chance_of_loss, self.worst_tenth(), self.low_point, self.currency,
            fixed_costs=self.fixed_costs, overdraft=self._outcome.season.overdraft, overdrawn=self.chance_overdrawn,
        )  # fmt: skip

    def facts(self) -> dict[str, object]:
        """Return what tells this result from others: those of the outcome."""
        return self._outcome.facts()

    @property
    def currency(self) -> str:
        """Currency of the season."""
        return self._outcome.season.currency

    @property
    def fixed_costs(self) -> float | None:
        """Fixed costs of the season [currency]; None if it states none."""
        return self._outcome.season.fixed_costs

    @property
    def opening_cash(self) -> float | None:
        """What is on the account when the season begins [currency]; None if it is not stated."""
        return self._outcome.season.opening_cash

    @property
    def margin(self) -> Array:
        """All that comes in less all that goes out by the end of the season [currency], shape (draws,).

        Neither opening cash nor fixed costs count: see `result`.
        """
        if self.opening_cash is None and self.fixed_costs is None:
            return np.asarray(self.cash[-1])
        found = self.cash[-1] - (self.opening_cash or 0.0) + (self.fixed_costs or 0.0)
        found.flags.writeable = False
        return np.asarray(found)

    @property
    def result(self) -> Array:
        """The margin less fixed costs, if the season states any [currency], shape (draws,)."""
        return self.margin - (self.fixed_costs or 0.0)

    def table(self) -> pd.DataFrame:
        """Return the cash of each week: week, and p5, median and p95 of `cash` by its end [currency]."""
        weeks = [str(week) for week in self._outcome.weeks]
        quantiles = np.quantile(self.cash, RANGE, axis=1).round(2)
        return pd.DataFrame({"week": weeks}).assign(**dict(zip(RANGE_NAMES, quantiles, strict=True)))

    @property
    def chance_of_loss(self) -> float:
        """Chance [0 to 1] that more goes out than comes in, fixed costs included."""
        return float((self.result < -_CENT).mean())

    @property
    def chance_overdrawn(self) -> float | None:
        """Chance [0 to 1] that cash falls below the overdraft in some week; None if the season states none."""
        most = self._outcome.season.overdraft
        return None if most is None else float((self.cash.min(axis=0) < -most - _CENT).mean())

    @cached_property
    def low_point(self) -> LowPoint:
        """The lowest cash, and the week in which it most often falls."""
        low, median, high = np.quantile(self.cash.min(axis=0), RANGE).tolist()
        week = int(np.bincount(self.cash.argmin(axis=0)).argmax())
        return LowPoint(low, median, high, self._outcome.weeks[week])

    def lowest_tenth(self) -> float:
        """Return the mean lowest cash of the tenth of seasons in which it falls lowest [currency]."""
        low = self.cash.min(axis=0)
        return float(worst_seasons(low) @ low)

    def worst_tenth(self, share: float = TENTH) -> float:
        """Return the mean margin of a share of the seasons, the worst [currency].

        Notes
        -----
        The expected shortfall: of the draws, in the order of their margins, the worst share x draws are taken, the
        last of them in part.

        References
        ----------
        Rockafellar, R. T. and Uryasev, S. (2000). Optimization of conditional value-at-risk. J. Risk 2(3), 21-41.
        doi:10.21314/JOR.2000.038
        """
        real("share", share, gt=0, le=1, problem="not a share of the seasons", such_as="0.1")
        return float(worst_seasons(self.margin, share) @ self.margin)

    def entries(self) -> pd.DataFrame:
        """Return what comes in and goes out, entry by entry; the amounts add up to the mean result.

        Returns
        -------
        DataFrame
            week, variety and lab (of what is bought); what: deposit, balance, freight, stages, materials, work,
            bench, sales, markdown or fixed costs; table and row of the season it comes from, the first one below the
            header being 2, and 0 of the season itself; expected amount [currency], in above and out below 0.
        """
        return self._entries.copy()

    def by_variety(self) -> pd.DataFrame:
        """Return the expected income, outlay and margin of each variety [currency]."""
        amount = self._entries["amount"]
        parts = self._entries.assign(income=amount.clip(lower=0), outlay=-amount.clip(upper=0), margin=amount)
        found = parts.groupby("variety")[["income", "outlay", "margin"]].sum()
        return found.reindex(pd.Index(self._outcome.varieties, name="variety"), fill_value=0.0).reset_index()


class Line(NamedTuple):
    """Amounts of one kind: in which weeks, and [currency], shape (weeks, draws) or (weeks, 1)."""

    what: str
    variety: str
    lab: str
    table: str
    row: int | NDArray[np.intp]  # or by week
    weeks: slice
    amounts: Array


def cash_flow(outcome: Outcome) -> CashFlow:
    """Return what a season's orders bring in and cost, draw by draw and week by week.

    Parameters
    ----------
    outcome
        What comes of the orders, from `simulate`.

    Returns
    -------
    CashFlow

    Raises
    ------
    Refused
        If no line of the price list covers one of the orders, or a variety with a target has no sale price; every
        fault is listed. If the outcome is that of a running season, whose plants are partly paid for already.

    Notes
    -----
    - Orders are placed, and deposits paid, in the first week; the balance and the freight in the week of delivery.
      An order falls under the cheapest line, freight included, of its lab (any, if it names none) that delivers in its
      week and accepts its number. Plants that one lab sends in one week share boxes of one size and price; those of one
      line of its price list are paid for as one number.
    - A stage's cost, materials and work are paid in the week in which plants enter it, the bench for each week in which
      plants stand on it on the Monday, as `bench_space` counts them. Both are expected, given the draw.
    - Targets are sold in their weeks, the oldest plants first, as far as they are on hand in one history a draw, at
      the price of the week (see `forecast.growth.selling.sell` for who is served first). What passes its sale window
      leaves; so does, after the last sale, all that is saleable, and later what becomes so. Of what leaves, as many
      plants as find a buyer (`Season.outlet_of`) are sold at the markdown price, those that leave first; the rest
      earns nothing. So does all that leaves of a variety without a markdown price, or without a target.
    - Plants that were on hand when the season began cost what they take from its first week on; what was paid before
      is not counted.
    - What is not saleable by the end of the season earns nothing.
    - Fixed costs of the season, if stated, are paid evenly by week; they lower cash and result, and not the margin.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> flow = cash_flow(forecast.simulate(season, draws=256, seed=1))
    >>> flow.worst_tenth(0.1) < float(flow.margin.mean())
    True
    """
    season = outcome.season
    if outcome.begun:
        remedy = "Give what simulate makes of the orders; only that can be accounted for."
        raise refuse("outcome", None, "the plants of a running season are partly paid for already", remedy)
    lines, factor = bought(outcome), price_factor(season, outcome.streams)
    for name in outcome.varieties:
        lines = chain(lines, growing(outcome, name), income(season, name, outcome.sold(name), factor))
    lines = chain(lines, _fixed(season))
    changes = np.zeros((season.weeks, outcome.draws))
    sums: dict[tuple[int, str, str, str, str, int], float] = defaultdict(float)
    for line in lines:
        changes[line.weeks] += line.amounts
        mean = line.amounts.mean(axis=1)
        rows = np.broadcast_to(line.row, mean.shape)
        for at in np.flatnonzero(np.abs(mean) > _NOTHING):
            key = (line.weeks.start + int(at), line.variety, line.lab, line.what, line.table, int(rows[at]))
            sums[key] += float(mean[at])
    inorder = sorted(sums.items(), key=lambda entry: entry[0][0])
    entries = [(str(outcome.weeks[week]), *rest, amount) for (week, *rest), amount in inorder]
    cash = np.cumsum(changes, axis=0)
    if season.opening_cash is not None:
        cash += season.opening_cash
    cash.flags.writeable = False
    return CashFlow(cash, pd.DataFrame(entries, columns=_COLUMNS), outcome)


def _fixed(season: Season) -> Iterator[Line]:
    """Return the fixed costs of the season, evenly by week."""
    if season.fixed_costs is not None:
        weekly = np.full((season.weeks, 1), -season.fixed_costs / season.weeks)
        yield Line("fixed costs", "", "", "season", 0, slice(0, season.weeks), weekly)


def ordered(outcome: Outcome) -> Bill:
    """Return what is paid to labs and carriers for the orders of an outcome; `Refused` as by `cash_flow`."""
    return bill(sorted(_shipments(outcome), key=lambda one: (one.week, one.lab, one.variety)))


def bought(outcome: Outcome) -> Iterator[Line]:
    """Return what the plants cost, and their freight."""
    season = outcome.season
    for one, _, deposit, balance, freight in ordered(outcome).charges:
        at, number = one.week - season.first_week, season.price_list.index(one.line) + FIRST_ROW
        for what, week, amount in (("deposit", 0, deposit), ("balance", at, balance), ("freight", at, freight)):
            yield Line(what, one.variety, one.lab, "price_list", number, slice(week, week + 1), np.array([[-amount]]))


def growing(outcome: Outcome, variety: str) -> Iterator[Line]:
    """Return what stages, materials, work and bench of a variety cost."""
    season, route = outcome.season, outcome.season.route(variety)
    own = outcome.drawn.batches_of(variety)
    every = slice(0, season.weeks)
    for stage, plants in zip(route, np.sum([entering(outcome, batch) for batch in own], axis=0), strict=True):
        number = season.stages.index(stage) + FIRST_ROW
        yield Line("stages", variety, "", "stages", number, every, -stage.cost * plants)
        if stage.materials:
            yield Line("materials", variety, "", "stages", number, every, -stage.materials * plants)
        yield Line("work", variety, "", "stages", number, every, -stage.minutes / 60 * season.hourly_wage * plants)
    costs = [rents(season, stage) for stage in route]
    if not np.any(costs):
        return
    batches = grown(outcome.drawn, variety)
    shares = on_benches(outcome.drawn, variety, batches)
    for k, (stage, cost) in enumerate(zip([*route, route[-1]], [*costs, costs[-1]], strict=True)):
        standing = sum(one.quantity * parts[k] for one, parts in zip(batches, shares, strict=True))
        rows = [season.places.index(season.place_in(stage.place, week)) + FIRST_ROW for week in outcome.weeks]
        yield Line("bench", variety, "", "places", np.array(rows, dtype=np.intp), every, -cost[:, None] * standing)


def income(season: Season, variety: str, sold: Sold, factor: Array) -> Iterator[Line]:
    """Return what the plants of a variety bring in; sale prices are multiplied by a factor, shape (draws,) or (1,)."""
    for at, row in enumerate(sold.buyers.rows):
        number, weeks = season.targets.index(row.target) + FIRST_ROW, slice(row.open[0], row.open[-1] + 1)
        yield Line("sales", variety, "", "targets", number, weeks, sold.takings(at) * factor)
    own = season.variety(variety)
    number, paid = season.varieties.index(own) + FIRST_ROW, sold.marked_down(season.outlet_of(variety))
    yield Line("markdown", variety, "", "varieties", number, slice(0, season.weeks), (own.markdown_price or 0) * paid)


def _shipments_of(season: Season, batch: Batch) -> list[Shipment]:
    """Return the shipments of a batch: of the lines it is ordered from, if the season has them, else the cheapest."""
    if batch.lines and all(prices.breaks[0] in season.price_list for prices, _ in batch.lines):
        return [Shipment(prices, batch.week, quantity) for prices, quantity in batch.lines if quantity]
    return [shipment_of(season, batch)] if batch.quantity else []


def _shipments(outcome: Outcome) -> list[Shipment]:
    """Return the orders of an outcome, priced by their labs."""
    season = outcome.season
    found: list[Shipment] = []
    faults: list[Fault] = []
    for batch in outcome.ordered:
        try:
            found += _shipments_of(season, batch)
        except Refused as error:
            faults += error.faults
    without = unpriced(season.varieties, season.targets)
    faults += [fault for variety, fault in without.items() if variety in outcome.varieties]
    if faults:
        raise Refused(faults)
    return found
