"""The rows of a season's tables: each a value that is checked when made and cannot be changed."""

from __future__ import annotations

from functools import cached_property
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from forecast.errors import Refused
from forecast.rates.distributions import Duration, Share
from forecast.season.cells import (
    AboveZero,
    Celsius,
    Counted,
    Currency,
    FromZero,
    LevelCell,
    Name,
    Note,
    Row,
    ShareCell,
    Text,
    WeekCell,
    Whole,
    wrong,
)
from forecast.weather.climate import PERSISTENCE
from forecast.weather.degree_days import Method

STAGES = ("arrival", "acclimatisation", "growing on", "spacing out", "hardening", "grading")

MOST_WEEKS = 520
MOST_DEGREE_DAYS = 50_000

SURVIVALS = (
    ("survival", "survival_sd"),
    ("survival_p5", "survival_p95"),
    ("survived", "of"),
)  # ways to state one


class Stage(Row):
    """One stage of a group or variety, in the order in which plants go through them.

    Parameters
    ----------
    applies_to
        Group or variety. A variety that has any stages of its own goes through those alone.
    stage
        Its name. The names of the trade are arrival, acclimatisation, growing on, spacing out,
        hardening, grading; others are allowed, and their draws are a little less even.
    place
        Growing space it stands in.
    runs_on
        What the stage runs on: ``weeks``, or ``degree-days`` of the air of its place.
    typical
        Time half of the plants need [weeks or °C days]; 0 for a stage that is only a loss, such as grading.
    base_temperature, upper_threshold
        For degree-days: temperature at and below which nothing develops, and above which it goes no faster
        [°C]; no upper threshold if it is empty.
    batches_cv, plants_cv
        How batches, and the plants of a batch, differ in time, as shares of the typical time.
    time_level, survival_level
        Level at which the time and the survival of batches vary (see `Level`).
    survival, survival_sd
        Mean and standard deviation of the share that survives the stage.
    survival_p5, survival_p95
        Or the range in which it lies nine times in ten.
    survived, of
        Or a count from which it is learned.
    cold_below, cold_loss
        For stages that plants are in when they come: mean daily minimum of a week below which they suffer
        [°C], and how much each degree below it lowers the survival [logits a °C]: at 0.2, five degrees make
        92 % of 97 %, and 77 % of 90 %. On arrival (a first stage without time) the air outside counts, in the week of
        delivery; else that of the place, in the first two weeks. `survival` is then that of weeks that do no harm.
    heat_above, heat_loss
        Likewise, mean daily maximum above which they suffer, and how much each degree above it lowers the survival.
        Means of weeks count: one frosty night or hot day in a mild week does no harm here.
    share_of
        ``entering``: the survival is a share of the plants that enter the stage. ``original``: it is
        one less the loss in points of the original number, as supply-chain losses are quoted.
    plants_per_m2
        Plants to the square metre of bench.
    cost, minutes
        Cost [currency] and work [minutes] for a plant that enters the stage.
    source
        Where the figures come from.
    """

    applies_to: Name
    stage: Text
    place: Name
    runs_on: Literal["weeks", "degree-days"]
    typical: Annotated[FromZero, Field(le=MOST_DEGREE_DAYS)]
    base_temperature: Celsius | None = None
    upper_threshold: Celsius | None = None
    batches_cv: Annotated[FromZero, Field(le=2)] = 0.0
    plants_cv: Annotated[FromZero, Field(le=2)] = 0.0
    time_level: LevelCell | None = None
    survival: ShareCell | None = None
    survival_sd: FromZero | None = None
    survival_p5: ShareCell | None = None
    survival_p95: ShareCell | None = None
    survived: Whole | None = None
    of: Counted | None = None
    survival_level: LevelCell
    cold_below: Celsius | None = None
    cold_loss: FromZero | None = None
    heat_above: Celsius | None = None
    heat_loss: FromZero | None = None
    share_of: Literal["entering", "original"]
    plants_per_m2: AboveZero
    cost: FromZero = 0.0
    minutes: FromZero = 0.0
    source: Note = None
    note: Note = None

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.typical > 0 and self.time_level is None:
            raise wrong(
                "nothing stands here, so it is not said who shares the spread in time",
                "Write belief, season, variety, batch or plant.",
                "time_level",
            )
        if self.typical == 0 and (self.batches_cv or self.plants_cv):
            raise wrong("a stage that takes no time cannot have a spread", "Leave both spreads empty.", "typical", 0)
        if self.time_level is not None and self.time_level.plant and self.batches_cv:
            raise wrong(
                "batches differ in time, but the level says that only plants do",
                "Set batches_cv to 0, or the level to batch.",
                "time_level",
                "plant",
            )
        self._warm()
        for column in ("time_level", "survival_level"):
            level = getattr(self, column)
            if level is not None and "cycle" in dict(level.shares):
                raise wrong(
                    "only cultures have cycles", "Write belief, season, variety, batch or plant.", column, str(level)
                )
        forms = [[getattr(self, cell) for cell in form] for form in SURVIVALS]
        begun = [form for form in forms if any(cell is not None for cell in form)]
        if len(begun) != 1 or None in begun[0]:
            problem = {0: "no survival is stated", 1: "only half of the survival is stated"}.get(
                len(begun), "the survival is stated in more than one way"
            )
            raise wrong(
                problem,
                "Fill survival and survival_sd, or survival_p5 and survival_p95, or survived and of.",
                "survival",
                self.survival,
            )
        for column in ("survival", "survived"):
            if getattr(self, column) == 0:
                raise wrong("no plant survives, so no order can be met", "Give a number above 0.", column, 0)
        try:
            _ = self.stated
        except Refused as error:
            fault = error.faults[0]
            column = "survived" if self.of else "survival_p5" if self.survival_p5 is not None else "survival_sd"
            raise wrong(fault.problem, fault.remedy, column, fault.value) from error
        return self

    def _warm(self) -> None:
        """Refuse a clock without its thresholds, and thresholds without their loss."""
        if self.runs_on == "weeks":
            if self.typical > MOST_WEEKS:
                raise wrong(f"above {MOST_WEEKS}", f"Give a number up to {MOST_WEEKS}.", "typical", self.typical)
            for column in ("base_temperature", "upper_threshold"):
                if getattr(self, column) is not None:
                    remedy = "Leave it empty, or set runs_on to degree-days."
                    raise wrong("a stage that runs on weeks has no such limit", remedy, column, getattr(self, column))
        elif self.base_temperature is None:
            raise wrong(
                "nothing stands here, so its degree-days cannot be counted",
                "Write the base in °C.",
                "base_temperature",
            )
        elif self.upper_threshold is not None and self.upper_threshold <= self.base_temperature:
            raise wrong(
                "not above the base", "Give a higher one, or leave it empty.", "upper_threshold", self.upper_threshold
            )
        for limit, loss in (("cold_below", "cold_loss"), ("heat_above", "heat_loss")):
            if (getattr(self, limit) is None) != (getattr(self, loss) is None):
                column = limit if getattr(self, limit) is None else loss
                raise wrong("nothing stands here", f"Fill both {limit} and {loss}, or neither.", column)

    @property
    def harmed(self) -> bool:
        """Whether the weather of the first weeks can lower the survival."""
        return self.cold_below is not None or self.heat_above is not None

    @cached_property
    def stated(self) -> Share:
        """The survival as it is stated; whose share it is, `share_of` tells."""
        if self.survived is not None and self.of is not None:
            return Share.from_counts(self.survived, self.of, level=self.survival_level)
        if self.survival_p5 is not None and self.survival_p95 is not None:
            return Share.from_range(self.survival_p5, self.survival_p95, level=self.survival_level)
        return Share(self.survival or 0.0, self.survival_sd or 0.0, self.survival_level)

    @property
    def duration(self) -> Duration:
        """The time the stage takes."""
        unit = "weeks" if self.runs_on == "weeks" else f"degree-days above {self.base_temperature:g} °C"
        return Duration(self.typical, self.batches_cv, self.plants_cv, self.time_level or "plant", unit)


class PriceLine(Row):
    """One line of a lab's price list.

    Parameters
    ----------
    lab, variety
        Who offers what.
    form
        What is delivered: plantlets in vessels, plugs, liners.
    from_quantity, unit_price
        Price a plant [currency] for an order of at least this quantity: a lab has a row for each break.
    minimum, multiple
        Smallest order, and the number that every order is a multiple of [plants].
    lead_weeks
        Time from order to delivery [weeks].
    first_week, last_week
        First and last week of delivery.
    deposit
        Share of the price paid when ordering.
    freight_per_box, plants_per_box
        Freight a box [currency], and plants to a box.
    """

    lab: Name
    variety: Name
    form: Text | None = None
    from_quantity: Counted = 1
    unit_price: FromZero
    minimum: Counted = 1
    multiple: Counted = 1
    lead_weeks: Annotated[Whole, Field(le=520)] = 0
    first_week: WeekCell
    last_week: WeekCell
    deposit: ShareCell = 0.0
    freight_per_box: FromZero = 0.0
    plants_per_box: Counted | None = None
    note: Note = None

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.last_week < self.first_week:
            raise wrong(
                "the last week of delivery comes before the first", "Swap the two.", "last_week", str(self.last_week)
            )
        if self.freight_per_box and self.plants_per_box is None:
            raise wrong("freight by the box needs the size of a box", "Give plants_per_box.", "plants_per_box")
        return self


class Delivery(Row):
    """One delivery that is ordered: the plants of one batch.

    Parameters
    ----------
    variety, week
        What, delivered on the Monday of which week.
    quantity
        Plants ordered.
    lab
        From which lab; deliveries of one variety from one lab in one week are one batch.
    """

    variety: Name
    week: WeekCell
    quantity: Whole
    lab: Name | None = None
    note: Note = None


class Header(Row):
    """What holds for the whole season.

    Parameters
    ----------
    name
        Name of the nursery or the plan.
    currency
        Its ISO 4217 code.
    first_week, weeks
        First week of the plan, when orders are placed, and its length [weeks].
    service_level
        Share of draws in which a wanted number is to be met, unless its row says otherwise.
    budget
        Most that the orders may cost, growing included [currency]; it is said when they cost more.
    hourly_wage
        Cost of an hour of work [currency].
    location
        Where the temperatures of climate.csv were measured.
    persistence
        Correlation between the weather of a week and of the week before (see `Climate`).
    daily_course
        How the temperature of a day runs for degree-days: ``sine``, ``triangle``, ``mean`` or ``limited mean``.
    seed
        Seed of the draws when none is given.
    """

    name: Text
    currency: Currency
    first_week: WeekCell
    weeks: Annotated[Counted, Field(le=520)]
    service_level: Annotated[ShareCell, Field(gt=0, lt=1)]
    budget: AboveZero | None = None
    hourly_wage: FromZero = 0.0
    location: Text | None = None
    persistence: Annotated[FromZero, Field(le=0.95)] = PERSISTENCE
    daily_course: Method = "sine"
    seed: Whole = 1
    note: Note = None
