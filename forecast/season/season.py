"""A season: what the nursery grows, where, from which labs, and the targets it is to meet."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import ArrayLike

from forecast.errors import FIRST_ROW, Fault, Refused, refuse
from forecast.rates.distributions import Share
from forecast.rounding import near_whole
from forecast.season.cells import Row, plain, suggestion
from forecast.season.consistency import Tables, contradictions, entering
from forecast.season.header import Header
from forecast.season.orders import Delivery, OnHand
from forecast.season.places import Normal, Place, climate_of
from forecast.season.price_list import PriceLine
from forecast.season.propagation_rows import Culture, Division
from forecast.season.stages import SURVIVALS, Stage, routes
from forecast.season.targets import Target, Weight, sold_by
from forecast.season.varieties import Variety
from forecast.streams import Array
from forecast.weather.climate import Climate
from forecast.weeks import Week
from forecast.words.numbers import counted
from forecast.words.results import styled
from forecast.words.seasons import NO_TIME, summary

if TYPE_CHECKING:
    import pandas as pd

_Row = TypeVar("_Row", Culture, Division)

TABLES: dict[str, type[Row]] = {
    "varieties": Variety,
    "stages": Stage,
    "places": Place,
    "price_list": PriceLine,
    "targets": Target,
    "profiles": Weight,
    "orders": Delivery,
    "on_hand": OnHand,
    "climate": Normal,
    "cultures": Culture,
    "divisions": Division,
}


_EXTRA = ("cold_below", "heat_above", "plants_per_m2", "cost", "minutes", "source")
"""Columns of `Season.stage_table` that are shown where any stage fills them."""


class Season(Header):
    """The tables of one season, checked against each other and never changed.

    Parameters
    ----------
    varieties, stages, places, price_list, targets, profiles, orders, on_hand, climate, cultures, divisions
        The rows of its tables. ``profiles`` say how sales are spread over weeks, ``orders`` are deliveries already
        ordered or considered, ``on_hand`` plants that are there when it begins, ``climate`` the climate normals
        outside, ``cultures`` and ``divisions`` how a variety is propagated from explants or stock plants; these six may
        be empty.

    Raises
    ------
    Refused
        If rows contradict each other; every problem is listed.
    """

    varieties: tuple[Variety, ...]
    stages: tuple[Stage, ...]
    places: tuple[Place, ...]
    price_list: tuple[PriceLine, ...]
    targets: tuple[Target, ...]
    profiles: tuple[Weight, ...] = ()
    orders: tuple[Delivery, ...] = ()
    on_hand: tuple[OnHand, ...] = ()
    climate: tuple[Normal, ...] = ()
    cultures: tuple[Culture, ...] = ()
    divisions: tuple[Division, ...] = ()

    def __init__(self, /, **cells: Any) -> None:
        super().__init__(**cells)
        rows = {name: tuple(enumerate(getattr(self, name), start=FIRST_ROW)) for name in TABLES}
        faults = contradictions(self, Tables(rows))
        if faults:
            raise Refused(faults)

    def _summary(self) -> dict[str, str]:
        counts = {table: len(getattr(self, table)) for table in TABLES}
        counts["groups"] = len({row.group for row in self.varieties})
        counts["labs"] = len({row.lab for row in self.price_list})
        counts["plants"] = sum(row.median_demand for row in self.targets)
        bench = sum(row.area * row.usable for row in map(self.place, self.place_names))
        cells = {name: getattr(self, name) for name in ("name", "currency", "first_week", "last_week")}
        return summary(**cells, counts=counts, bench=bench, service_level=self.service_level, money=self._money())

    def _money(self) -> dict[str, float]:
        known = {name: getattr(self, name) for name in ("budget", "overdraft", "opening_cash", "fixed_costs")}
        return {name: amount for name, amount in known.items() if amount is not None}

    def __str__(self) -> str:
        return "\n".join(f"{label}: {text}" for label, text in self._summary().items())

    def __repr__(self) -> str:
        number = counted(len(self.varieties), "variety", "varieties")
        return f"Season({self.name}, {self.first_week} to {self.last_week}, {number})"

    def _repr_html_(self) -> str:
        import pandas as pd  # noqa: PLC0415 (takes a fifth of a second, and reading a season needs none)

        return styled(pd.DataFrame(self._summary().items(), columns=["", self.name]).iloc[1:])

    @cached_property
    def _by_name(self) -> dict[str, Variety]:
        return {row.variety: row for row in self.varieties}

    @cached_property
    def _routes(self) -> dict[str, tuple[Stage, ...]]:
        return routes(self.stages)

    @cached_property
    def _price_lines(self) -> dict[str, tuple[PriceLine, ...]]:
        return _grouped(self.price_list, lambda row: row.variety)

    @cached_property
    def _targets(self) -> dict[str, tuple[Target, ...]]:
        return _grouped(sorted(self.targets, key=lambda row: row.week), lambda row: row.variety)

    @cached_property
    def normals(self) -> Climate:
        """The climate outside; `Refused` if the season has no table climate."""
        if not self.climate:
            raise refuse("climate", None, "this season has no climate", "Add climate.csv with 12 months or 52 weeks.")
        return climate_of(self.climate, self.persistence)

    def by_weather(self, variety: str) -> bool:
        """Say whether the weather matters to a variety: by degree-days, heat or cold."""
        return any(row.runs_on == "degree-days" or row.harmed for row in self.route(variety))

    @cached_property
    def _profiles(self) -> dict[str, tuple[float, ...]]:
        inorder = _grouped(sorted(self.profiles, key=lambda row: row.week), lambda row: row.profile)
        return {name: tuple(row.weight for row in rows) for name, rows in inorder.items()}

    @property
    def last_week(self) -> Week:
        """Last week of the season."""
        return self.first_week + (self.weeks - 1)

    def variety(self, name: str) -> Variety:
        """Return a variety by its name; `Refused` if the season has no such variety."""
        if name not in self._by_name:
            raise refuse("variety", name, "this season has no such variety", suggestion(name, self._by_name))
        return self._by_name[name]

    def route(self, variety: str) -> tuple[Stage, ...]:
        """Return the stages that a variety goes through: its own, else those of its group."""
        row = self.variety(variety)
        return self._routes.get(variety) or self._routes[row.group]

    def survivals(self, variety: str) -> tuple[Share, ...]:
        """Return the share surviving each stage of a variety's route, of those that enter it."""
        return entering(self.route(variety))

    @cached_property
    def place_names(self) -> tuple[str, ...]:
        """Names of the places, each once."""
        return tuple(dict.fromkeys(row.place for row in self.places))

    def place(self, name: str) -> Place:
        """Return a place by its name: its first row, if it is open several times.

        `Refused` if the season has no such place.
        """
        for row in self.places:
            if row.place == name:
                return row
        raise refuse("place", name, "this season has no such place", suggestion(name, self.place_names))

    def place_in(self, name: str, week: Week) -> Place:
        """Return the row of a place for a week: the one that is open then, else its first."""
        rows = [row for row in self.places if row.place == name and row.bench(week)]
        return rows[0] if rows else self.place(name)

    def bench(self, place: str, week: Week) -> float:
        """Return the area [m²] of a place on which plants can stand in a week."""
        return max(row.bench(week) for row in self.places if row.place == place)

    def price_lines(self, variety: str) -> tuple[PriceLine, ...]:
        """Return the rows of the price lists for a variety."""
        return self._price_lines.get(variety, ())

    def culture(self, variety: str) -> Culture:
        """Return how a variety is propagated in vitro; `Refused` if it has no row in cultures."""
        return self._only(self.cultures, "cultures", variety)

    def division(self, variety: str) -> Division:
        """Return how stock plants of a variety are divided; `Refused` if it has no row in divisions."""
        return self._only(self.divisions, "divisions", variety)

    def _only(self, rows: Sequence[_Row], table: str, variety: str) -> _Row:
        self.variety(variety)
        for row in rows:
            if row.variety == variety:
                return row
        known = ", ".join(row.variety for row in rows) or "none"
        raise refuse("variety", variety, f"not in {table}", f"Add a row for it. {table} has rows for: {known}.")

    def with_culture(self, variety: str, **changes: Any) -> Season:
        """Return a season in which cells of a variety's culture differ, such as ``multiplication_level="season"``.

        Raises
        ------
        Refused
            If the variety has no row in cultures, or the changed row is not accepted.
        """
        row = self.culture(variety)
        return self.replace(cultures=tuple(row.replace(**changes) if one is row else one for one in self.cultures))

    @cached_property
    def targeted(self) -> tuple[str, ...]:
        """Names of the varieties that have targets, in the order of the varieties."""
        return tuple(name for name in self._by_name if name in self._targets)

    def targets_of(self, variety: str) -> tuple[Target, ...]:
        """Return the targets of a variety, by week."""
        return self._targets.get(variety, ())

    def each_target(self) -> Iterator[tuple[int, Target]]:
        """Yield every target and its number among those of its variety, from 1: by variety, then by week."""
        for name in self.targeted:
            yield from enumerate(self.targets_of(name), start=1)

    def weeks_of(self, row: Target) -> range:
        """Return the weeks of a target, numbered from 0 for the first of the season."""
        return range(row.week - self.first_week, row.last - self.first_week + 1)

    def sold_by(self, row: Target) -> Array:
        """Return the share of a target that is wanted by the end of each of its weeks [0 to 1], shape (weeks,)."""
        weights = self._profiles[row.profile] if row.profile is not None else (1.0,)
        return sold_by(weights, len(self.weeks_of(row)))

    def priced(self, row: Target) -> bool:
        """Say whether the price of a target is known, from its row or its variety."""
        return row.price is not None or self.variety(row.variety).sale_price is not None

    def prices_of(self, row: Target) -> Array:
        """Return the price of a plant of a target in each of its weeks [currency], shape (weeks,).

        `Refused` if neither the row nor its variety has one.
        """
        own, weeks = self.variety(row.variety), self.weeks_of(row)
        if row.price_end is not None:
            first = own.price(weeks[0]) if row.price is None else row.price
            return np.linspace(first, row.price_end, len(weeks))
        return np.array([own.price(week) if row.price is None else row.price for week in weeks])

    def short_cost_of(self, row: Target) -> float:
        """Return the cost of a missing plant of a target beyond the lost sale [currency].

        Half the mean price of its weeks if it states none, 0 without prices.
        """
        if row.short_cost is not None:
            return row.short_cost
        return float(self.prices_of(row).mean()) / 2 if self.priced(row) else 0.0

    def needed(self, row: Target, demand: ArrayLike) -> Array:
        """Return how much of a demand must be met [plants], in its shape: its promised share, rounded up."""
        share = 1.0 if row.promised_share is None else row.promised_share
        return np.ceil(near_whole(share * np.asarray(demand, dtype=np.float64)))

    def last_sale(self, variety: str) -> Week | None:
        """Return the last week of the season in which a variety is sold, to waiting buyers too; None without targets.

        What is left then is marked down.
        """
        rows = self.targets_of(variety)
        ends = (min(row.last - self.first_week + row.waits, self.weeks - 1) for row in rows)
        return self.first_week + max(ends) if rows else None

    def outlet_of(self, variety: str) -> int:
        """Return how many plants of a variety sell at the markdown price at most: as many as its targets in all.

        Unless `outlet` of its row says how many. More buyers are not assumed (common practice, no source).
        """
        outlet = self.variety(variety).outlet
        return sum(row.median_demand for row in self.targets_of(variety)) if outlet is None else outlet

    def table(self, name: str, variety: str | None = None) -> pd.DataFrame:
        """Return one of the tables: the columns that are filled, with an empty text where a cell is empty.

        Parameters
        ----------
        name
            varieties, stages, places, price_list, targets, profiles, orders, on_hand, climate, cultures or
            divisions.
        variety
            Of which variety rows are shown, where they name one; of all if not given.

        Raises
        ------
        Refused
            If the season has no such table or variety.
        """
        import pandas as pd  # noqa: PLC0415 (takes a fifth of a second, and reading a season needs none)

        if name not in TABLES:
            raise refuse("name", name, "a season has no such table", f"It has {', '.join(TABLES)}.")
        if variety is not None:
            self.variety(variety)
        shown = [row for row in getattr(self, name) if variety is None or getattr(row, "variety", variety) == variety]
        rows = [{column: plain(cell) for column, cell in row.given().items()} for row in shown]
        columns = [column for column in TABLES[name].model_fields if any(column in row for row in rows)]
        cells = [[row.get(column, "") for column in columns] for row in rows]
        return pd.DataFrame(cells, columns=columns, dtype=object)

    def stage_table(self, variety: str) -> pd.DataFrame:
        """Return the stages that a variety goes through, as a grower reads them.

        Returns
        -------
        DataFrame
            stage and place; time and survival, in words; cold_below and heat_above [°C], plants_per_m2 [1/m²], cost
            [currency] and minutes per plant, and source, where any stage has one.
        """
        import pandas as pd  # noqa: PLC0415 (takes a fifth of a second, and reading a season needs none)

        rows = []
        for row, share in zip(self.route(variety), self.survivals(variety), strict=True):
            words = {"time": str(row.duration) if row.typical else NO_TIME, "survival": str(share)}
            rows.append(
                {"stage": row.stage, "place": row.place} | words | {name: getattr(row, name) for name in _EXTRA}
            )
        return pd.DataFrame(
            {name: ["" if row[name] is None else row[name] for row in rows] for name in rows[0] if _any(rows, name)}
        )

    def least_certain_stage(self, variety: str) -> Stage:
        """Return the stage of a variety whose survival matters most: it varies most for its mean.

        `Refused` if there is no such variety, or no survival of it is uncertain.

        Notes
        -----
        Plants survive all stages in a row, so the variance of the logarithm of the share saleable is about the sum of
        (spread / mean)^2 over the stages.
        """
        shares = zip(self.route(variety), self.survivals(variety), strict=True)
        weight, stage = max(((share.sd / share.mean, stage) for stage, share in shares), key=lambda one: one[0])
        if not weight:
            raise Refused([Fault(f"no survival of {variety} is uncertain", "Give one of them a range.", "stages.csv")])
        return stage

    def choose(self, variety: str = "", *, table: str = "targets") -> str:
        """Return a variety of the season: the one that is named, or if none is, that of the first row of a table.

        `Refused` if there is no such variety, or the table has no row.
        """
        if variety:
            return self.variety(variety).variety
        for row in getattr(self, table):
            return str(row.variety)
        raise Refused([Fault("the season has no rows in it", "Add one for each variety it concerns.", f"{table}.csv")])

    def first_asked(self, variety: str) -> dict[str, Any]:
        """Return the first week in which a variety is wanted and, if several buyers want it then, how many in all.

        They are the arguments `week` and `target` of calls such as `size_order`. `Refused` if it has no target.
        """
        rows = self.targets_of(self.variety(variety).variety)
        if not rows:
            raise Refused([Fault(f"{variety} has no target", "Add a row for it.", "targets.csv")])
        first = [row for row in rows if row.week == rows[0].week]
        together = {"target": sum(row.median_demand for row in first)} if len(first) > 1 else {}
        return {"week": first[0].week} | together

    def without_promises(self) -> Season:
        """Return the season in which no target is promised, all are hoped for; `Refused` if none is promised."""
        if all(row.promised is None for row in self.targets):
            raise Refused([Fault("no target is promised", "Fill the column promised of a target.", "targets.csv")])
        return self.replace(targets=tuple(row.replace(promised=None, promised_share=None) for row in self.targets))

    def only(self, varieties: Iterable[str]) -> Season:
        """Return the season of some varieties, in this order, and of all that concerns them but orders."""
        varieties = tuple(dict.fromkeys([varieties] if isinstance(varieties, str) else varieties))
        if not varieties:
            raise refuse("varieties", None, "none is named", f"Name some of {', '.join(self._by_name)}.")
        named = set(varieties)
        rows = [self.variety(name) for name in varieties]
        targets = tuple(row for name in varieties for row in self.targets_of(name))
        owners = dict.fromkeys(self.route(name)[0].applies_to for name in varieties)
        return self.replace(
            varieties=tuple(rows),
            stages=tuple(stage for owner in owners for stage in self._routes[owner]),
            price_list=tuple(row for name in varieties for row in self.price_lines(name)),
            targets=targets,
            profiles=tuple(row for row in self.profiles if row.profile in {target.profile for target in targets}),
            on_hand=tuple(row for row in self.on_hand if row.variety in named),
            cultures=tuple(row for row in self.cultures if row.variety in named),
            divisions=tuple(row for row in self.divisions if row.variety in named),
            orders=(),
        )

    def with_stage(self, applies_to: str, stage: str, **changes: Any) -> Season:
        """Return a season in which one stage of a group or variety differs.

        A variety that goes through its group's stages gets its own copy of them first.

        Parameters
        ----------
        applies_to
            Group or variety.
        stage
            Name of the stage.
        **changes
            Cells of the stage, such as ``survival=0.75``. A survival stated in one way replaces one stated in another;
            of a range or a count a new mean keeps the standard deviation.

        Raises
        ------
        Refused
            If there is no such stage, or the changed row or season is not accepted.
        """
        stages = list(self.stages)
        if applies_to not in self._routes:
            if applies_to not in self._by_name:
                remedy = suggestion(applies_to, [*self._by_name, *self._routes])
                raise refuse("applies_to", applies_to, "this season has no such group or variety", remedy)
            stages += [row.replace(applies_to=applies_to) for row in self.route(applies_to)]
        if changes.keys() & {cell for form in SURVIVALS for cell in form}:
            other = [cell for form in SURVIVALS for cell in form if not changes.keys() & set(form)]
            changes = dict.fromkeys(other) | changes
        for i, row in enumerate(stages):
            if (row.applies_to, row.stage) == (applies_to, stage):
                kept = {"survival_sd": row.stated.sd} if "survival" in changes and row.survival is None else {}
                stages[i] = row.replace(**kept | changes)
                return self.replace(stages=tuple(stages))
        names = [row.stage for row in stages if row.applies_to == applies_to]
        raise refuse("stage", stage, f"{applies_to} has no such stage", suggestion(stage, names))


def _any(rows: Sequence[dict[str, Any]], name: str) -> bool:
    return any(row[name] not in (None, 0, "") for row in rows)


def _grouped(rows: Sequence[Any], key: Callable[[Any], str]) -> dict[str, tuple[Any, ...]]:
    found: dict[str, list[Any]] = defaultdict(list)
    for row in rows:
        found[key(row)].append(row)
    return {name: tuple(group) for name, group in found.items()}
