"""Two scenarios side by side, in the same draws."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from forecast.errors import Refused, refuse
from forecast.growth.outcome import Outcome
from forecast.growth.simulation import simulate
from forecast.growth.summaries import RANGE
from forecast.resources.money_flow import bought
from forecast.season.season import Season
from forecast.season.targets import Target
from forecast.sensitivity.diff import ABSENT, COLUMNS, THERE, differences
from forecast.sensitivity.expected import Expected, check_expected
from forecast.streams import DRAWS, Array
from forecast.weeks import Week
from forecast.words import sensitivity as words
from forecast.words.results import Result

_Key = tuple[Week, str]  # of a target: its week and channel
ALL = "all"
_ENDS = (RANGE[0], RANGE[-1])
_CENT = 0.005  # a smaller difference is one of rounding
_MOST_NAMED = 3  # changes named in the sentence


@dataclass(frozen=True, eq=False, repr=False)
class Comparison(Result):
    """Two scenarios side by side, and how they differ, draw by draw.

    Parameters
    ----------
    outcome, other
        Outcome of the orders in the first scenario (A), and in the other (B).
    """

    outcome: Outcome
    other: Outcome
    _parts: dict[tuple[Outcome, str], Expected] = field(default_factory=dict)

    def facts(self) -> dict[str, object]:
        """Return the two seasons, draws and seed."""
        season, other = self.outcome.season.name, self.other.season.name
        return {"season": season, "other": other, "draws": self.outcome.draws, "seed": self.outcome.seed}

    def table(self) -> pd.DataFrame:
        """Return, for each target of either, the number saleable, and the on-time chance.

        Returns
        -------
        DataFrame
            variety, week and, if any has one, channel; target and other_target, the median demand; saleable and
            other_saleable, the mean number on hand in that week after earlier targets are sold (see
            `Outcome.targets`); difference, the mean of the other less the first, and p5 and p95, its 90 % range;
            chance and other_chance that the target is met. Empty where a scenario has no such target.
        """
        return self._table.drop(columns="error")

    @cached_property
    def _table(self) -> pd.DataFrame:
        sides, rows = (self.outcome, self.other), []
        for name in self._varieties([row.variety for side in sides for row in side.season.targets]):
            weeks = {_key(row) for side in sides for row in side.season.targets_of(name)}
            for key in sorted(weeks):
                found = [self._target(side, name, key) for side in sides]
                numbers, (target, other_target), (chance, other_chance) = zip(*found, strict=True)
                means = [float(number.mean()) for number in numbers]
                change = numbers[1] - numbers[0]
                difference = (float(change.mean()), *np.quantile(change, _ENDS).tolist())
                cells = target, other_target, *means, *difference, chance, other_chance, _error(change)
                rows.append((name, str(key[0]), key[1], *cells))
        columns = ["variety", "week", "channel", "target", "other_target", "saleable", "other_saleable"]
        columns += ["difference", "p5", "p95", "chance", "other_chance", "error"]
        frame = pd.DataFrame(rows, columns=columns)
        frame = frame.astype(dict.fromkeys(["target", "other_target"], "Int64") | dict.fromkeys(columns[5:], float))
        return frame if frame["channel"].any() else frame.drop(columns="channel")

    def money(self) -> pd.DataFrame:
        """Return the expected margins of both scenarios, by variety and in all.

        Returns
        -------
        DataFrame
            variety, the first row being ``all``; margin and other_margin, their means [currency]; difference, the
            mean of the other less the first, and p5 and p95, its 90 % range; better, the share of draws in which the
            other earns more [0 to 1].

        Raises
        ------
        Refused
            If the two are not in one currency. As for `cash_flow`.
        """
        return self._money.copy()

    @cached_property
    def _money(self) -> pd.DataFrame:
        currencies = [side.season.currency for side in (self.outcome, self.other)]
        if currencies[0] != currencies[1]:
            remedy = f"The first is in {currencies[0]}; state the other in it, too."
            raise refuse("currency", currencies[1], "not the currency of the first", remedy)
        margins = self._earned
        names = self._varieties(self.outcome.varieties + self.other.varieties)
        nothing = np.zeros(self.outcome.draws)
        rows = []
        for name in [ALL, *names]:
            one, two = (
                sum(found.values(), start=nothing) if name == ALL else found.get(name, nothing) for found in margins
            )
            change = two - one
            difference = (float(change.mean()), *np.quantile(change, _ENDS).tolist())
            rows.append((name, float(one.mean()), float(two.mean()), *difference, float((change > _CENT).mean())))
        return pd.DataFrame(rows, columns=["variety", "margin", "other_margin", "difference", "p5", "p95", "better"])

    @cached_property
    def _earned(self) -> tuple[dict[str, Array], dict[str, Array]]:
        """What each variety earns in every draw, in the first and in the other scenario [currency]."""
        return self._margins(self.outcome), self._margins(self.other)

    def effects(self) -> pd.DataFrame:
        """Return the expected margin, and the chance of each target that both have, with the errors of differences.

        Returns
        -------
        DataFrame
            what: ``margin``, left out without prices, and ``chance`` in a row for each target; variety, week and
            channel of the target; first and other, the two scenarios; difference, the other less the first; error, the
            standard error of the difference in paired draws [currency, or 0 to 1].
        """
        rows: list[tuple[Any, ...]] = []
        with suppress(Refused):  # a season may be without prices
            one, two = (sum(found.values(), start=np.zeros(self.outcome.draws)) for found in self._earned)
            rows.append(("margin", "", "", "", *_paired(one, two)))
        for name in self._varieties(self.outcome.varieties):
            if name not in self.other.varieties:
                continue
            met = [self._part(side, name).met() for side in (self.outcome, self.other)]
            keys = [[_key(row) for row in side.season.targets_of(name)] for side in (self.outcome, self.other)]
            for at, key in enumerate(keys[0]):
                if key in keys[1]:
                    both = met[0][at], met[1][keys[1].index(key)]
                    rows.append(("chance", name, str(key[0]), key[1], *_paired(*both)))
        columns = ["what", "variety", "week", "channel", "first", "other", "difference", "error"]
        return pd.DataFrame(rows, columns=columns)

    def changes(self) -> pd.DataFrame:
        """Return every cell in which the scenarios differ.

        Returns
        -------
        DataFrame
            As `forecast.sensitivity.diff.differences` returns it; orders are those that were compared.
        """
        return self._changes.copy()

    @cached_property
    def _changes(self) -> pd.DataFrame:
        table = differences(self.outcome.season, self.other.season)
        sent = [
            {(batch.variety, str(batch.week), batch.lab or ""): batch.quantity for batch in side.ordered}
            for side in (self.outcome, self.other)
        ]
        rows: list[tuple[Any, ...]] = []
        for name in dict.fromkeys([*sent[0], *sent[1]]):
            row, (one, two) = ", ".join(part for part in name if part), (side.get(name) for side in sent)
            if one is None or two is None:
                states = [THERE if number is not None else ABSENT for number in (one, two)]
                rows.append(("orders", row, "", *states))
            elif one != two:
                rows.append(("orders", row, "quantity", one, two))
        orders = pd.DataFrame(rows, columns=COLUMNS, dtype=object)
        return pd.concat([table[table["table"] != "orders"], orders], ignore_index=True)

    def __str__(self) -> str:
        changes = self._changes
        if changes.empty:
            return words.SAME
        cells = [
            words.change(table=row["table"], row=row["row"], column=row["column"], old=row["from"], new=row["to"])
            for row in changes.head(_MOST_NAMED).to_dict("records")
        ]
        lines = [self._margin_words(), self._plant_words(), words.changes(cells, len(changes) - len(cells))]
        return "\n".join(line for line in lines if line)

    def _margin_words(self) -> str:
        try:
            row = self._money.iloc[0]
        except Refused:  # a season may be without prices
            return ""
        change = {name: float(row[name]) for name in ("difference", "p5", "p95")}
        if max(map(abs, change.values())) < _CENT:
            return words.SAME_MARGIN
        one, two = (sum(found.values(), start=np.zeros(self.outcome.draws)) for found in self._earned)
        error = _error(two - one)
        return words.margins(**change, error=error, better=row["better"], currency=self.outcome.season.currency)

    def _plant_words(self) -> str:
        """Return where the number saleable differs most."""
        size = self._table["difference"].abs()
        table = self._table[(size >= 0.5) & (size > 2 * self._table["error"])]
        if table.empty:
            return words.SAME_PLANTS if (size < 0.5).all() else words.NO_MORE_PLANTS
        row = table.iloc[int(table["difference"].abs().argmax())]
        chance, other = (None if pd.isna(row[name]) else float(row[name]) for name in ("chance", "other_chance"))
        change = {name: float(row[name]) for name in ("difference", "p5", "p95")}
        return words.plants(variety=row["variety"], week=row["week"], **change, chance=chance, other_chance=other)

    def _varieties(self, some: Iterable[str]) -> list[str]:
        """Return varieties once each, in the order of the seasons."""
        every = [row.variety for side in (self.outcome, self.other) for row in side.season.varieties]
        asked = set(some)
        return [name for name in dict.fromkeys(every) if name in asked]

    def _part(self, side: Outcome, variety: str) -> Expected:
        if (side, variety) not in self._parts:
            self._parts[side, variety] = Expected(side, variety)
        return self._parts[side, variety]

    def _hand(self, side: Outcome, variety: str) -> Array:
        if variety in side.varieties:
            return self._part(side, variety).on_hand()
        return np.zeros((side.season.weeks, side.draws))

    def _target(self, side: Outcome, variety: str, key: _Key) -> tuple[Array, int | None, float | None]:
        """Return the number saleable for a target, its demand and the chance that it is met; None if there is none."""
        rows = side.season.targets_of(variety)
        at = next((at for at, row in enumerate(rows) if _key(row) == key), None)
        if at is None:
            hand, week = self._hand(side, variety), key[0] - side.season.first_week
            return hand[week] if 0 <= week < len(hand) else np.zeros(side.draws), None, None
        if variety not in side.varieties:
            return np.zeros(side.draws), rows[at].median_demand, 0.0
        part = self._part(side, variety)
        return part.offered(at), rows[at].median_demand, float(part.met()[at].mean())

    def _margins(self, side: Outcome) -> dict[str, Array]:
        """Return what each variety earns in every draw [currency]."""
        spent = dict.fromkeys(side.varieties, 0.0)
        for line in bought(side):
            spent[line.variety] += float(line.amounts.sum())
        parts = {name: self._part(side, name) for name in side.varieties}
        return {name: part.income() - part.growing() + spent[name] for name, part in parts.items()}


def _key(row: Target) -> _Key:
    return row.week, row.channel or ""


def _paired(one: Array, other: Array) -> tuple[float, float, float, float]:
    """Return the means of two answers by draw, of the second less the first, and the standard error of that."""
    return float(one.mean()), float(other.mean()), float((other - one).mean()), _error(other - one)


def _error(change: Array) -> float:
    """Return the standard error of the mean of a change by draw."""
    return float(change.std()) / math.sqrt(change.size)


def compare(
    season: Season,
    other: Season,
    *,
    orders: Iterable[Any] | pd.DataFrame | None = None,
    other_orders: Iterable[Any] | pd.DataFrame | None = None,
    draws: int = DRAWS,
    seed: int | None = None,
) -> Comparison:
    """Compare two scenarios in the same draws: plants saleable, margin, and the cells that differ.

    Parameters
    ----------
    season, other
        The two seasons, such as one and a changed copy of it.
    orders
        Orders of the first season, as for `simulate`; without them, those that it holds.
    other_orders
        Orders of the other season; without them, `orders`, and without these, too, those that it holds.
    draws, seed
        Number of simulated seasons, and their seed (that of the first season if not given), for both.

    Returns
    -------
    Comparison

    Raises
    ------
    Refused
        If there are no orders, or any cannot be used.

    Notes
    -----
    All that a seed draws is the same in both, so a difference is that of what was changed, not of luck. The chance of
    single plants is averaged out (see `forecast.sensitivity.expected.Expected`): it does not belong to the change.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> poorer = season.with_stage("calla", "acclimatisation", survival_p5=0.5)
    >>> comparison = forecast.compare(season, poorer, draws=128, seed=1)
    >>> comparison.changes()[["column", "from", "to"]].to_numpy().tolist()
    [['survival_p5', 0.6, 0.5]]
    """
    orders, others = (list(some) if isinstance(some, Iterator) else some for some in (orders, other_orders))
    others = orders if others is None else others
    check_expected(draws, (season, orders), (other, others))
    first = simulate(season, orders, draws=draws, seed=seed)
    return Comparison(first, simulate(other, others, draws=draws, seed=first.seed))
