"""How a variety is multiplied: in culture from explants, or by dividing stock plants."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Annotated, Self

from pydantic import AfterValidator, Field, model_validator

from forecast.rates.cycles import ByCycle
from forecast.rates.distributions import Share
from forecast.rates.levels import Level
from forecast.season.cells import (
    LEAST,
    AboveZero,
    Counted,
    FromZero,
    LevelCell,
    Name,
    Note,
    Row,
    ShareCell,
    Text,
    WeekCell,
    Whole,
    parsed,
    wrong,
)


def _rates(by_cycle: ByCycle) -> ByCycle:
    for value in by_cycle.values:
        if not LEAST <= value <= 1000:
            raise wrong(f"{value:g} is not a rate", f"Give numbers from {LEAST:f} to 1,000.")
    return by_cycle


def _shares(by_cycle: ByCycle) -> ByCycle:
    for value in by_cycle.values:
        if value >= 1:
            told = f"For {value:g} % write {value / 100:g}." if 1 < value < 100 else "Give shares below 1."
            raise wrong(f"{value:g} would take everything", told)
    return by_cycle


RatesCell = Annotated[ByCycle, parsed(ByCycle.parse), AfterValidator(_rates)]
SharesCell = Annotated[ByCycle, parsed(ByCycle.parse), AfterValidator(_shares)]
Part = Annotated[ShareCell, Field(lt=1)]
Some = Annotated[ShareCell, Field(gt=0)]
Spread = Annotated[FromZero, Field(le=5)]
Weeks = Annotated[Whole, Field(le=520)]


class Culture(Row):
    """How a variety is multiplied from explants, on the own bench or in a contract lab.

    Parameters
    ----------
    variety, lab
        What, and for the record in which contract lab, if not on the own bench; what it asks goes into the costs.
    explants, lines
        Explants that can be had, and the lines (mother plants) that they are of.
    start
        Week in which that can be done at the earliest; without it, the season's first.
    start_weeks
        From putting in to the first cycle [weeks].
    start_contamination, start_contamination_sd
        Share of explants lost to contamination at the start, each in a vessel of its own, and its standard deviation.
    start_death
        Share of the clean ones that die.
    cycle_weeks
        A cycle, from cutting to cutting [weeks].
    multiplication
        Usable shoots per clean explant in a cycle: one number, or one for each cycle separated by spaces, of which
        the last holds for later cycles. Rates may fall, rise or do both.
    multiplication_cv
        How that rate differs, at its level, as a share of itself.
    multiplication_level
        Level at which it differs: ``cycle`` (each cycle for itself), ``batch`` (each line), ``season`` or
        ``belief`` (one value for all cycles of a draw), or shares of them (see `Level`).
    explants_cv
        How explants of one line and cycle differ in their shoots, as a share of their mean: 0 if they do not,
        else at least 1 / sqrt(rate), which is chance alone.
    contamination
        Share of vessels lost in a cycle, each with all it holds; likewise one number or one for each cycle. Rooting
        after a cycle counts as the next one.
    contamination_sd, contamination_level
        Its standard deviation in the first cycle, in proportion later, and the level at which it differs.
    explants_per_vessel
        Explants in a full vessel.
    most_cycles
        Cycles after which multiplying ends, because off-types become too many.
    off_types
        Share of plants not true to the variety after so many cycles; they are found at grading.
    rooting_weeks, rooting, rooting_sd, rooting_level
        Time to root [weeks], share of clean shoots that root, its standard deviation and level; in rooting vessels
        the lines are mixed.
    rooting_per_vessel
        Shoots in a full vessel for rooting.
    deflasking
        Share of rooted shoots that are usable when taken out.
    enters
        Stage of its route at which plantlets enter the nursery.
    hood_hours, shelf_places
        Hours a week at the hood [h] and places for vessels on the shelf that there are for this variety; without
        them, no limit.
    minutes_per_vessel, medium_per_vessel
        Work at the hood [min] and medium [ml] for a vessel, also for those that explants begin in.
    cost_start, cost_per_explant, cost_per_vessel
        Cost of beginning at all, such as a licence or a test for virus, of an explant, and of a vessel with its
        medium [currency].
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
    cycle_weeks: Annotated[Counted, Field(le=520)]
    multiplication: RatesCell
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
    minutes_per_vessel: FromZero = 0.0
    medium_per_vessel: FromZero = 0.0
    cost_start: FromZero = 0.0
    cost_per_explant: FromZero = 0.0
    cost_per_vessel: FromZero = 0.0
    source: Note = None
    note: Note = None

    @model_validator(mode="after")
    def _sound(self) -> Self:
        size_of(self.multiplication, self.explants_cv, "explants_cv")
        contaminations = {"start_contamination_sd": [self.start_contamination]}
        contaminations["contamination_sd"] = list(self.contamination.values)
        for column, means in contaminations.items():
            _possible(column, getattr(self, column), means, self.contamination_level)
        _possible("rooting_sd", self.rooting_sd, [self.rooting], self.rooting_level)
        _possible("multiplication_cv", self.multiplication_cv, [], self.multiplication_level)
        for most, noun in ((self.explants, "explants"), (self.shelf_places, "shelf places")):
            if most is not None and self.lines > most:
                raise wrong(f"more lines than {noun}", f"Give at most {most}.", "lines", self.lines)
        if self.shelf_places is not None and self.explants > self.shelf_places:
            raise wrong(
                f"each explant begins in a vessel of its own, and there are {self.shelf_places} places",
                f"Begin with {self.shelf_places} at most.",
                "explants",
                self.explants,
            )
        if self.hood_hours is not None and not self.minutes_per_vessel:
            raise wrong("hours are limited, but a vessel takes none", "Give its minutes.", "minutes_per_vessel")
        if self.vessels_in_hours is not None and self.vessels_in_hours < self.lines:
            problem = "not even one vessel of each line can be done in a cycle"
            raise wrong(problem, "Give more hours, or fewer lines.", "hood_hours", self.hood_hours)
        return self

    def start_clean(self) -> Share:
        """Return the share of explants that are clean at the start."""
        return _clean(self.start_contamination, self.start_contamination_sd, self.contamination_level)

    def clean(self, cycle: int) -> Share:
        """Return the share of vessels that stay clean in a cycle; the one after the last is that of rooting."""
        mean = self.contamination.at(cycle)
        part = mean / self.contamination.at(1) if self.contamination_sd else 0.0
        return _clean(mean, self.contamination_sd * part, self.contamination_level)

    def rooted(self) -> Share:
        """Return the share of clean shoots that root."""
        return Share(self.rooting, self.rooting_sd, self.rooting_level)

    @property
    def vessels_in_hours(self) -> int | None:
        """Vessels that can be done at the hood in a cycle; None if there is no limit."""
        if self.hood_hours is None:
            return None
        return math.floor(60 * self.hood_hours * self.cycle_weeks / self.minutes_per_vessel + 1e-9)

    @property
    def start_in_hours(self) -> int | None:
        """Explants that can be put in at the hood until the first cycle; None if there is no limit."""
        if self.hood_hours is None or not self.minutes_per_vessel:
            return None
        return math.floor(60 * self.hood_hours * max(self.start_weeks, 1) / self.minutes_per_vessel + 1e-9)

    @property
    def most_explants(self) -> int | None:
        """Most explants for which there are places and hours at the start; None if there is no limit."""
        return min((most for most in (self.shelf_places, self.start_in_hours) if most is not None), default=None)


class Division(Row):
    """How stock plants of a variety are divided.

    Parameters
    ----------
    variety
        Which variety.
    stock, price
        Stock plants at hand, which cost nothing here, and the price of one more [currency]; without a price, no
        more can be had.
    first_weeks, round_weeks
        From the season's first week to the first division, and from one division to the next [weeks].
    divisions
        Plants that come of one plant when it is divided, itself included: one number, or one for each round.
    divisions_cv, divisions_level
        How that number differs, at its level, as a share of itself; a round counts as a ``cycle``.
    plants_cv
        How plants of one round differ, as a share of their mean: 0, or at least 1 / sqrt(divisions).
    survival, survival_sd, survival_level
        Share of the divisions that live to be divided again, its standard deviation and level.
    most_rounds
        Rounds that are thought of at most.
    enters
        Stage of its route at which divisions enter the nursery.
    place, plants_per_m2
        Where stock stands, and how densely; without them, it costs no space.
    cost, minutes
        Cost [currency] and work [minutes] for each plant that comes of dividing.
    source
        Where the figures come from.
    """

    variety: Name
    stock: Counted
    price: FromZero | None = None
    first_weeks: Weeks = 0
    round_weeks: Annotated[Counted, Field(le=520)] = 52
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
    cost: FromZero = 0.0
    minutes: FromZero = 0.0
    source: Note = None
    note: Note = None

    @model_validator(mode="after")
    def _sound(self) -> Self:
        size_of(self.divisions, self.plants_cv, "plants_cv")
        _possible("survival_sd", self.survival_sd, [self.survival], self.survival_level)
        _possible("divisions_cv", self.divisions_cv, [], self.divisions_level)
        if (self.place is None) != (self.plants_per_m2 is None):
            column = "place" if self.place is None else "plants_per_m2"
            raise wrong("space for stock is only half stated", "Fill both place and plants_per_m2.", column)
        return self

    def lives(self) -> Share:
        """Return the share of divisions that live to be divided again."""
        return Share(self.survival, self.survival_sd, self.survival_level)


def size_of(rates: ByCycle, spread: float, column: str) -> float:
    """Return the size k of the negative binomial number of shoots, variance m + m^2 / k.

    Parameters
    ----------
    rates, spread
        Mean by cycle, and standard deviation of one explant's number as a share of the first mean.
    column
        Where the spread stands.

    Returns
    -------
    float
        Infinite for a Poisson number, and 0 where explants do not differ.
    """
    if spread == 0:
        return 0.0
    more = spread**2 - 1 / rates.at(1)
    if more < -1e-9:
        least = math.ceil(1000 / math.sqrt(rates.at(1))) / 1000
        noun = "explants" if column == "explants_cv" else "plants"
        problem = f"chance alone makes {noun} with a mean of {rates.at(1):g} differ by {least:g} of that"
        raise wrong(problem, f"Give 0, or at least {least:g}.", column, spread)
    return 1 / more if more > 1e-6 else math.inf


def _clean(contamination: float, spread: float, level: Level) -> Share:
    return Share(1 - contamination, spread, level)


def _possible(column: str, spread: float, means: Sequence[float], level: Level) -> None:
    """Refuse a spread, in proportion to the first mean, that no share can have, or that its level denies."""
    if spread and level.plant:
        remedy = "Set the spread to 0, or write who shares it: belief, season, variety, batch or cycle."
        raise wrong("there is a spread, but the level says that only single plants differ", remedy, column, spread)
    for mean in means if spread else ():
        if mean and spread * mean < LEAST * means[0]:
            remedy = f"Give a spread of 0, or of at least {LEAST:f}."
            raise wrong("a spread too small to be meant", remedy, column, spread)
    widest = [math.sqrt(m * (1 - m)) * means[0] / m if m else (math.inf if means[0] else 0.0) for m in means]
    for mean, most in zip(means, widest, strict=True):
        if spread and not spread < most * (1 - 1e-9):
            remedy = (
                f"Give a standard deviation from 0 to below {min(widest):.3g}." if min(widest) else "Leave it empty."
            )
            raise wrong(f"no share with a mean of {mean:g} has this spread", remedy, column, spread)
