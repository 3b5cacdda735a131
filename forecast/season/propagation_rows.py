"""The rows of cultures and divisions: how a variety is propagated in vitro, or by dividing stock plants."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Sequence
from typing import Annotated, Any

from pydantic import AfterValidator, Field, model_validator

from forecast.errors import refuse
from forecast.rates.by_cycle import ByCycle
from forecast.rates.distributions import Share
from forecast.rates.levels import Level
from forecast.rounding import round_down
from forecast.season.cells import (
    LEAST,
    AboveZero,
    Counted,
    FromZero,
    LevelCell,
    Minutes,
    Money,
    Name,
    Note,
    Row,
    ShareCell,
    SomeWeeks,
    Text,
    Unit,
    WeekCell,
    Weeks,
    parsed,
    wrong,
)
from forecast.words.numbers import figures

_AFTER = re.compile(r"(\d[\d,]*(?:\.\d+)?)\s+after\s+(\d{1,3})")
_MOST_SHOOTS, _MOST_CYCLES = 1e12, 100


def _rates(by_cycle: ByCycle) -> ByCycle:
    for value in by_cycle.values:
        if not LEAST <= value <= 1000:
            raise wrong(f"{figures(value, 6)} is not a rate", f"Write numbers from {LEAST:f} to 1,000.")
    return by_cycle


def _shares(by_cycle: ByCycle) -> ByCycle:
    for value in by_cycle.values:
        if value >= 1:
            meant = f"For {figures(value, 6)} % write {figures(value / 100, 6)}."
            remedy = meant if 1 < value < 100 else "Write shares below 1."
            raise wrong(f"{figures(value, 6)} would lose every vessel", remedy)
    return by_cycle


RatesCell = Annotated[ByCycle, parsed(ByCycle.parse), AfterValidator(_rates)]
SharesCell = Annotated[ByCycle, parsed(ByCycle.parse), AfterValidator(_shares), Unit(Unit.SHARE)]
Part = Annotated[ShareCell, Field(lt=1)]
Some = Annotated[ShareCell, Field(gt=0)]
Spread = Annotated[FromZero, Field(le=5)]


class Culture(Row):
    """How a variety is propagated in vitro, in your own lab or a contract lab.

    Parameters
    ----------
    variety, lab
        Variety, and the contract lab if it is not your own (a note only: its charges go into the costs below).
    explants, lines
        Explants available, and the clone lines (mother plants) they come from.
    start
        Earliest week of initiation. Empty: the first week of the season.
    start_weeks
        Time from initiation (Stage I) to the first subculture [weeks].
    start_contamination, start_contamination_sd
        Share of explants lost to contamination at initiation [0 to 1], one per vessel, and its standard deviation.
    start_death
        Share of the clean explants that die [0 to 1].
    cycle_weeks
        Time from one subculture to the next [weeks].
    multiplication
        Usable shoots per clean explant and subculture: one number, or one for each subculture separated by spaces;
        the last holds for all later ones.
    total
        Shoots of one explant after so many subcultures if no vessel is lost, such as ``189 after 6``. Without
        multiplication it states the rate; with it, the two must agree.
    multiplication_cv
        Coefficient of variation of that rate.
    multiplication_level
        What the rate varies by. ``cycle``: each subculture its own. ``batch``: each clone line. ``season``: one value
        in a simulated season. ``belief``: unknown true value, the same for all. ``variety``: each variety.
        ``plant``: only single explants, so its cv is 0. Or shares of them.
    explants_cv
        Coefficient of variation of the shoots of explants of one line and subculture: 0, or at least 1 / sqrt(rate),
        which is chance alone.
    contamination
        Share of vessels lost in a subculture, each with all its explants [0 to 1]: one number, or one for each
        subculture. Rooting counts as the next subculture.
    contamination_sd, contamination_level
        Standard deviation in the first subculture (in proportion later), and what it varies by.
    explants_per_vessel
        Explants in a full vessel.
    most_cycles
        Most subcultures, because off-types become too many after them.
    off_types
        Share of plants not true to type after each number of subcultures [0 to 1]; they are culled at grading.
    rooting_weeks, rooting, rooting_sd, rooting_level
        Time to root (Stage III) [weeks], share of clean shoots that root [0 to 1], its standard deviation, and what it
        varies by. Rooting vessels mix the lines.
    rooting_per_vessel
        Shoots in a full rooting vessel.
    deflasking
        Share of rooted shoots usable after deflasking [0 to 1].
    enters
        Stage of its route in which plantlets enter the nursery.
    hood_hours, shelf_places
        Hours per week at the laminar-flow hood [h], and growth-room shelf places [vessels], for this variety. Empty:
        no limit.
    minutes_per_vessel, medium_per_vessel
        Labour at the hood [minutes] and medium [ml] per vessel, also at initiation.
    cost_start, cost_per_explant, cost_per_vessel
        Fixed cost, such as a licence or a virus test, cost per explant, and cost per vessel with its medium [currency].
    source
        Where the figures come from.
    """

    variety: Name
    lab: Name | None = None
    explants: Counted
    lines: Annotated[Counted, Field(le=1000)] = 1
    start: WeekCell | None = None
    start_weeks: Weeks
    start_contamination: Part
    start_contamination_sd: FromZero = 0.0
    start_death: Part = 0.0
    cycle_weeks: SomeWeeks
    multiplication: RatesCell
    total: Text | None = None
    multiplication_cv: Spread = 0.0
    multiplication_level: LevelCell
    explants_cv: Spread
    contamination: SharesCell
    contamination_sd: FromZero = 0.0
    contamination_level: LevelCell
    explants_per_vessel: Counted
    most_cycles: Annotated[Counted, Field(le=100)]
    off_types: SharesCell | None = None
    rooting_weeks: Weeks
    rooting: Some
    rooting_sd: FromZero = 0.0
    rooting_level: LevelCell
    rooting_per_vessel: Counted
    deflasking: Some = 1.0
    enters: Text = "acclimatisation"
    hood_hours: AboveZero | None = None
    shelf_places: Counted | None = None
    minutes_per_vessel: Minutes = 0.0
    medium_per_vessel: FromZero = 0.0
    cost_start: Money = 0.0
    cost_per_explant: Money = 0.0
    cost_per_vessel: Money = 0.0
    source: Note = None
    note: Note = None

    @model_validator(mode="before")
    @classmethod
    def _implied(cls, cells: Any) -> Any:
        """Fill in the rate that a total implies, where none is stated."""
        read = _total(cells.get("total")) if isinstance(cells, dict) else None
        if read is None or cells.get("multiplication") not in (None, ""):
            return cells
        return cells | {"multiplication": read[0] ** (1 / read[1])}

    def checks(self) -> Iterable[Callable[[], object]]:
        """Return the checks of cells beside each other."""
        yield lambda: size_of(self.multiplication, self.explants_cv, "explants_cv")
        yield lambda: _agree(self.multiplication, self.total)
        yield lambda: _possible(
            "start_contamination_sd", self.start_contamination_sd, [self.start_contamination], self.contamination_level
        )
        yield lambda: _possible(
            "contamination_sd", self.contamination_sd, self.contamination.values, self.contamination_level
        )
        yield lambda: _possible("rooting_sd", self.rooting_sd, [self.rooting], self.rooting_level)
        yield lambda: _possible("multiplication_cv", self.multiplication_cv, [], self.multiplication_level)
        yield from (self._lines, self._shelved, self._at_the_hood)

    def _lines(self) -> None:
        for most, noun in ((self.explants, "explants"), (self.shelf_places, "shelf places")):
            if most is not None and self.lines > most:
                raise refuse("lines", self.lines, f"more lines than {noun}", f"Write at most {most}.")

    def _shelved(self) -> None:
        if self.shelf_places is not None and self.explants > self.shelf_places:
            problem = f"each explant starts in a vessel of its own, and there are {self.shelf_places} shelf places"
            raise refuse("explants", self.explants, problem, f"Write at most {self.shelf_places}.")

    def _at_the_hood(self) -> None:
        if self.hood_hours is not None and not self.minutes_per_vessel:
            problem, remedy = "required when hood_hours is filled", "Write the minutes per vessel."
            raise refuse("minutes_per_vessel", None, problem, remedy)
        if self.vessels_in_hours is not None and self.vessels_in_hours < self.lines:
            problem = "too few hours for one vessel of each line in a subculture"
            raise refuse("hood_hours", self.hood_hours, problem, "Write more hours, or fewer lines.")

    def start_clean(self) -> Share:
        """Return the share of explants that are clean at the start."""
        return Share(1 - self.start_contamination, self.start_contamination_sd, self.contamination_level)

    def clean(self, cycle: int) -> Share:
        """Return the share of vessels that stay clean in a subculture; the one after the last is rooting."""
        mean = self.contamination.at(cycle)
        part = mean / self.contamination.at(1) if self.contamination_sd else 0.0
        return Share(1 - mean, self.contamination_sd * part, self.contamination_level)

    def rooted(self) -> Share:
        """Return the share of clean shoots that root."""
        return Share(self.rooting, self.rooting_sd, self.rooting_level)

    @property
    def vessels_in_hours(self) -> int | None:
        """Vessels that the hours at the hood allow in a subculture; None if there is no limit."""
        return self._in_hours(self.cycle_weeks)

    def _in_hours(self, weeks: int) -> int | None:
        if self.hood_hours is None or not self.minutes_per_vessel:
            return None
        return round_down(60 * self.hood_hours * weeks / self.minutes_per_vessel)

    @property
    def most_explants(self) -> int | None:
        """Most explants that shelf places and hours allow at initiation; None if there is no limit."""
        limits = self.shelf_places, self._in_hours(max(self.start_weeks, 1))  # by the first subculture
        return min((most for most in limits if most is not None), default=None)


class Division(Row):
    """How stock plants of a variety are divided.

    Parameters
    ----------
    variety
        Variety that is divided.
    stock, price
        Stock (mother) plants in hand, at no cost, and the price of another [currency]. Price empty: none to be had.
    first_weeks, round_weeks
        Time from the season's first week to the first division, and from one division to the next [weeks].
    divisions
        Plants from one plant when it is divided, itself included: one number, or one for each round.
    divisions_cv, divisions_level
        Coefficient of variation of that number, and what it varies by: ``cycle`` (each round its own), ``season``,
        ``variety``, ``batch`` or ``belief`` (unknown true value, the same for all), ``plant`` (no variation between
        rounds), or shares of them.
    plants_cv
        Coefficient of variation between the plants of one round: 0, or at least 1 / sqrt(divisions).
    survival, survival_sd, survival_level
        Share of the divisions that survive to be divided again [0 to 1], its standard deviation, and what it varies by.
    most_rounds
        Most division rounds.
    enters
        Stage of its route in which divisions enter the nursery.
    place, plants_per_m2
        Growing area of the stock plants, and plants per square metre of bench [1/m²]. Empty: no bench cost.
    cost, minutes
        Cost [currency] and labour [minutes] per plant from a division.
    source
        Where the figures come from.
    """

    variety: Name
    stock: Counted
    price: Money | None = None
    first_weeks: Weeks = 0
    round_weeks: SomeWeeks = 52
    divisions: RatesCell
    divisions_cv: Spread = 0.0
    divisions_level: LevelCell
    plants_cv: Spread
    survival: Some
    survival_sd: FromZero = 0.0
    survival_level: LevelCell
    most_rounds: Annotated[Counted, Field(le=50)] = 8
    enters: Text = "growing on"
    place: Name | None = None
    plants_per_m2: AboveZero | None = None
    cost: Money = 0.0
    minutes: Minutes = 0.0
    source: Note = None
    note: Note = None

    def checks(self) -> Iterable[Callable[[], object]]:
        """Return the checks of cells beside each other."""
        yield lambda: size_of(self.divisions, self.plants_cv, "plants_cv")
        yield lambda: _possible("survival_sd", self.survival_sd, [self.survival], self.survival_level)
        yield lambda: _possible("divisions_cv", self.divisions_cv, [], self.divisions_level)
        yield self._placed

    def _placed(self) -> None:
        if (self.place is None) != (self.plants_per_m2 is None):
            column = "place" if self.place is None else "plants_per_m2"
            remedy = "Fill both place and plants_per_m2."
            raise refuse(column, None, "only half of the space for stock plants is stated", remedy)

    def lives(self) -> Share:
        """Return the share of divisions that survive to be divided again."""
        return Share(self.survival, self.survival_sd, self.survival_level)


def _total(cell: object) -> tuple[float, int] | None:
    """Read the shoots of one explant after so many subcultures; None if a cell does not say so."""
    found = _AFTER.fullmatch(str(cell).strip())
    shoots, cycles = (float(found[1].replace(",", "")), int(found[2])) if found else (0.0, 0)
    return (shoots, cycles) if 0 < shoots <= _MOST_SHOOTS and 0 < cycles <= _MOST_CYCLES else None


def _agree(rates: ByCycle, cell: str | None) -> None:
    """Refuse rates that do not make the total, where the last digit of each rate and of the total may be rounded."""
    if cell is None:
        return
    if (read := _total(cell)) is None:
        raise refuse("total", cell, "not shoots after subcultures", "Write, for example, 189 after 6.")
    shoots, cycles = read
    half = [0.5 * 10.0 ** -len(str(rate).partition(".")[2].rstrip("0")) for rate in rates.values]
    parts = [[max(rate + side * step, 0) for rate, step in zip(rates.values, half, strict=True)] for side in (-1, 0, 1)]
    low, made, high = (math.prod(ByCycle(tuple(part)).at(i + 1) for i in range(cycles)) for part in parts)
    if not low * (1 - 1e-9) <= shoots + 0.5 or not shoots - 0.5 <= high * (1 + 1e-9):
        each = figures(shoots ** (1 / cycles), 4)
        problem = f"multiplication {rates} makes {figures(made)} shoots of one explant in {cycles} subcultures"
        raise refuse("total", cell, problem, f"Correct one of the two: {cell} is {each} a subculture.")


def size_of(rates: ByCycle, spread: float, column: str) -> float:
    """Return the size k of the negative binomial number of shoots, variance m + m^2 / k.

    It is infinite for a Poisson number, and 0 where explants do not differ. `rates` are means by subculture, `spread`
    the coefficient of variation of one explant's number in the first, and `column` names its cell.
    """
    if spread == 0:
        return 0.0
    more = spread**2 - 1 / rates.at(1)
    if more < -1e-9:
        least = math.ceil(1000 / math.sqrt(rates.at(1))) / 1000
        noun = "explants" if column == "explants_cv" else "plants"
        problem = f"chance alone gives {noun} with a mean of {figures(rates.at(1), 6)} a cv of {figures(least, 6)}"
        raise refuse(column, spread, problem, f"Write 0, or at least {figures(least, 6)}.")
    return 1 / more if more > 1e-6 else math.inf


def _possible(column: str, spread: float, means: Sequence[float], level: Level) -> None:
    """Refuse a spread, in proportion to the first mean, that no share can have or that its level excludes."""
    if spread and level.plant:
        remedy = "Write 0, or say what it varies by: belief, season, variety, batch or cycle."
        raise refuse(column, spread, "above 0, but only single plants vary by this level", remedy)
    for mean in means if spread else ():
        if mean and spread * mean < LEAST * means[0]:
            remedy = f"Write 0, or at least {LEAST:f}."
            raise refuse(column, spread, "too small to be meant", remedy)
    widest = [math.sqrt(m * (1 - m)) * means[0] / m if m else (math.inf if means[0] else 0.0) for m in means]
    for mean, most in zip(means, widest, strict=True):
        if spread and not spread < most * (1 - 1e-9):
            remedy = f"Write a number from 0 to below {figures(min(widest))}." if min(widest) else "Clear it."
            problem = f"no share with a mean of {figures(mean, 6)} has this standard deviation"
            raise refuse(column, spread, problem, remedy)
