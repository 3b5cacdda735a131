"""An answer on a season's orders as a function of their uncertain inputs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Literal

import numpy as np
import pandas as pd

from forecast.growth.draws import KeptDraws
from forecast.growth.outcome import Outcome
from forecast.growth.simulation import draw, repeats, season_streams
from forecast.resources.money_flow import bought
from forecast.sensitivity.expected import Expected
from forecast.sensitivity.inputs import (
    ALL_PRICES,
    PRICES,
    Input,
    Scores,
    inputs_of,
    other_streams,
    outcome_with,
    price_at,
)
from forecast.sensitivity.sobol import sobol_table
from forecast.streams import Array

Answer = Literal["margin", "chance", "saleable"]
Parts = Mapping[str, Array]
"""For each variety the parts that its answer is made of, shape (parts, draws)."""

ELSE = "all else"


class Response:
    """An answer (margin [currency], chance [0 to 1], saleable [plants]) as a function of the inputs of an outcome.

    Only `varieties` count; `ranges` are uncertain prices, and the part of each within which 90 % of its draws lie.
    """

    def __init__(self, outcome: Outcome, varieties: Sequence[str], answer: Answer, ranges: Mapping[str, float]) -> None:
        self.outcome, self.varieties, self.answer, self.ranges = outcome, varieties, answer, ranges
        self.season, self.streams = outcome.season, outcome.streams
        self._batches = {name: [one for one in outcome.batches if one.variety == name] for name in varieties}
        batches = [batch for some in self._batches.values() for batch in some]
        inputs = inputs_of(self.season, batches, self.streams, ranges)
        self.inputs: dict[str, Input] = {
            name: one for name, one in inputs.items() if answer == "margin" or name != ALL_PRICES
        }
        self._lab, self._freight = self._bought() if answer == "margin" else (0.0, 0.0)
        self._parts = self.parts({}, varieties)

    @property
    def base(self) -> float:
        """The expected answer with all inputs random."""
        return float(self._total(self._parts, {}, {}).mean())

    def repeated(self) -> Iterator[Response]:
        """Return the same answer in other draws, again and again: it differs between them by its error."""
        for streams in repeats(self.streams):
            outcome = Outcome(draw(self.season, self.outcome.batches, streams))
            yield Response(outcome, self.varieties, self.answer, self.ranges)

    def expected(self, sample: Scores, touched: Iterable[str], parts: Mapping[str, float] | None = None) -> float:
        """Return the expected answer with some inputs set, and prices at some parts of what is stated."""
        some = list(dict.fromkeys(name for one in touched for name in self.inputs[one].varieties))
        found = {**self._parts, **self.parts(sample, some)}
        return float(self._total(found, sample, parts or {}).mean())

    def parts(self, sample: Scores, varieties: Iterable[str]) -> dict[str, Array]:
        """Return what the answer is made of for some varieties, with some inputs set."""
        rates = {name: scores for name, scores in sample.items() if name not in PRICES}
        found = {}
        for name in varieties:
            own = {one: scores for one, scores in rates.items() if name in self.inputs[one].varieties}
            one = Expected(outcome_with(self.season, self._batches[name], self.streams, self.inputs, own), name)
            if self.answer == "margin":
                found[name] = np.array([one.income(), one.growing()])
            else:
                found[name] = one.met() if self.answer == "chance" else one.saleable()[None]
        return found

    def sobol(self, names: Sequence[str]) -> pd.DataFrame:
        """Return the Sobol indices of some inputs, and of all others together."""
        draws = 2 ** (self.streams.draws.bit_length() - 1)
        if draws < self.streams.draws:
            batches, streams = self.outcome.batches, season_streams(draws, self.streams.seed)
            fates = [self.outcome.fate(batch).take(slice(draws)) for batch in batches]
            outcome = Outcome(KeptDraws(self.season, batches, fates, streams))
            return Response(outcome, self.varieties, self.answer, self.ranges).sobol(names)
        one, other = (
            {name: row.redrawn(streams) for name, row in self.inputs.items()}
            for streams in (other_streams(self.streams, "one"), other_streams(self.streams, "other"))
        )
        parts = self.parts(one, self.varieties)
        mixed = []
        groups = [[name] for name in names]
        rest = [name for name in self.inputs if name not in names]
        for group in [*groups, rest] if rest else groups:
            sample = one | {name: other[name] for name in group}
            touched = list(dict.fromkeys(name for row in group for name in self.inputs[row].varieties))
            mixed.append(self._total({**parts, **self.parts(sample, touched)}, sample, {}))
        answers = self._total(parts, one, {}), self._total(self.parts(other, self.varieties), other, {})
        return sobol_table([*names, ELSE] if rest else names, *answers, mixed)

    def stated(self, name: str, currency: str) -> tuple[str, float]:
        """Return the unit of a price, and the stated price in it."""
        if len(self.varieties) > 1:
            return "of the stated prices", 1.0
        (only,) = self.varieties
        if name == "sale price":
            return f"{currency} per plant", self.season.variety(only).sale_price or 0.0
        return f"{currency} per plantlet", self._lab / max(sum(batch.quantity for batch in self._batches[only]), 1)

    def _total(self, parts: Parts, sample: Scores, prices: Mapping[str, float]) -> Array:
        """Put the parts of all varieties together, shape (draws,)."""
        rows = [parts[name] for name in self.varieties]
        if self.answer == "chance":
            return np.asarray(np.concatenate(rows).mean(axis=0))
        found = np.sum(rows, axis=0)
        if self.answer == "saleable":
            return np.asarray(found[0])
        sale, lab = (self._factor(name, sample, prices) for name in PRICES)
        return np.asarray(found[0] * sale - found[1] - self._lab * lab - self._freight)

    def _factor(self, name: str, sample: Scores, prices: Mapping[str, float]) -> Array | float:
        if name in prices:
            return prices[name]
        if name not in self.inputs:
            return 1.0
        return price_at(self.ranges[name], sample.get(name, self.inputs[name].drawn)[0])

    def _bought(self) -> tuple[float, float]:
        """Return what the plantlets cost, and their freight [currency]."""
        costs = {"freight": 0.0, "plantlets": 0.0}
        for line in bought(self.outcome):
            if line.variety in self.varieties:
                costs["freight" if line.what == "freight" else "plantlets"] -= float(line.amounts.sum())
        return costs["plantlets"], costs["freight"]
