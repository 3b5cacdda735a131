"""What holds for the whole season."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Annotated

from pydantic import Field

from forecast.errors import Refused, refuse
from forecast.season.cells import (
    AboveZero,
    Currency,
    FromZero,
    Money,
    Note,
    Number,
    Row,
    ShareCell,
    SomeWeeks,
    Text,
    Unit,
    WeekCell,
    Whole,
)
from forecast.weather.climate import PERSISTENCE
from forecast.weather.heat_units import Method


class Header(Row):
    """What holds for the whole season.

    Parameters
    ----------
    name
        Name of the nursery or of the season.
    currency
        ISO 4217 code of the currency, such as EUR.
    first_week, weeks
        First week, in which orders are placed, and length of the season [weeks].
    service_level
        Chance [0 to 1] with which a target must be met, unless its row promises another.
    budget
        Most that is paid to labs and carriers, for plants and freight [currency]; growing them is not part of it. No
        plan exceeds it, and order --mine warns where your own orders do. Empty: no limit.
    split_gain
        Least that each further delivery of a variety must add to the margin, at most a tenth of the variety's sales; if
        none does, it is one delivery [currency]. Empty: anything that it adds is enough.
    overdraft
        How far below zero the account may go [currency]; 0: never. Empty: no limit.
    opening_cash
        What is on the account when the season begins, below 0 if it is overdrawn [currency]. Empty: 0.
    fixed_costs
        Costs of the season however much is grown, paid evenly week by week [currency]. Empty: they are not looked at.
    hourly_wage
        Cost of an hour of labour [currency].
    demand_cv, price_cv
        How all demand, and all sale prices, vary together from season to season: standard deviation as a share of the
        mean (0.15 for 15 %), beside the range of each target. Empty: not at all.
    location
        Where the temperatures of climate.csv were measured.
    persistence
        Correlation between the weather of one week and the next [0 to 0.95] (see `Climate`).
    daily_course
        Course of the temperature over a day, for degree-days: ``sine``, ``triangle``, ``mean`` or ``limited mean``.
    seed
        Seed of the simulated seasons if a call states none.
    """

    name: Text
    currency: Currency
    first_week: WeekCell
    weeks: SomeWeeks
    service_level: Annotated[ShareCell, Field(gt=0, lt=1)]
    budget: Annotated[AboveZero, Unit(Unit.MONEY)] | None = None
    split_gain: Money = 0.0
    overdraft: Money | None = None
    opening_cash: Annotated[Number, Field(ge=-(10**9), le=10**9), Unit(Unit.MONEY)] | None = None
    fixed_costs: Annotated[AboveZero, Unit(Unit.MONEY)] | None = None
    hourly_wage: Money = 0.0
    demand_cv: ShareCell | None = None
    price_cv: ShareCell | None = None
    location: Text | None = None
    persistence: Annotated[FromZero, Field(le=0.95)] = PERSISTENCE
    daily_course: Method = "sine"
    seed: Whole = 1
    note: Note = None

    def checks(self) -> Iterable[Callable[[], object]]:
        """Return the checks of its last week, and of cash and overdraft beside each other."""
        return [self._ends, self._begins]

    def _ends(self) -> None:
        try:
            _ = self.first_week + self.weeks
        except Refused as error:
            remedy = "Write an earlier week."
            raise refuse("first_week", str(self.first_week), error.faults[0].problem, remedy) from error

    def _begins(self) -> None:
        opening, overdraft = self.opening_cash, self.overdraft
        if opening is not None and overdraft is not None and opening < -overdraft:
            remedy = f"Write {-opening:.12g} or more, or correct opening_cash."
            raise refuse("overdraft", overdraft, "the account is further below zero when the season begins", remedy)
