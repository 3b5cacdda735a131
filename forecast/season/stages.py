"""The rows of stages: how long plants take in each, and how many survive it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import cached_property, partial
from typing import Annotated, Literal, Self

from pydantic import Field

from forecast.errors import Fault, Refused, in_order, refuse
from forecast.rates.distributions import Duration, Share
from forecast.rates.levels import Level
from forecast.season.cells import (
    AboveZero,
    Celsius,
    Counted,
    FromZero,
    LevelCell,
    Minutes,
    Money,
    Name,
    Note,
    Plants,
    PlantsOrNone,
    Row,
    ShareCell,
    Text,
    Unit,
)
from forecast.words.numbers import figures

STAGES = ("arrival", "acclimatisation", "growing on", "spacing out", "hardening", "grading")

GROWING = "growing on"
DEFAULT = "default"
"""What the source of a row begins with that nobody typed."""
RARE = 20  # a bad or a good one is one in so many
BATCH = Level.parse("batch")

_LIVED = (
    {"multiplication"},
    {"arrival", "rooting", "deflasking"},
    {"acclimatisation", "acclimatization", "acclimation", "weaning"},
    {"potting", "growing on", "grow on", "bulking"},
    {"spacing", "spacing out"},
    {"hardening", "hardening off", "finishing"},
    {"grading", "culling"},
)  # names of stages in the order in which a plant lives through them; common practice, no source

MOST_WEEKS = 520
MOST_DEGREE_DAYS = 50_000

SURVIVALS = (
    ("survival", "survival_sd"),
    ("survival_p5", "survival_p95"),
    ("survived", "of"),
    ("survival_bad", "survival_good"),
)  # the four ways to state one


class Stage(Row):
    """One stage of a group or variety; its rows are in the order in which plants go through them, or have steps.

    Parameters
    ----------
    applies_to
        Group or variety. A variety with stages of its own goes through those only.
    stage
        Name of the stage: arrival, acclimatisation, growing on, spacing out, hardening or grading. Other names are
        allowed; their simulated seasons are slightly less evenly spread. Empty: growing on, which may be the only one.
    step
        Place of the stage in the route: 1, 2, 3, ... Empty: the rows are in the order of the route.
    place
        Growing area in which it takes place.
    runs_on
        ``weeks``, or ``degree-days`` of the air of its place. Empty: weeks.
    typical
        Median time of a plant in the stage [weeks or °C days]; 0 for a stage that only loses plants, such as grading.
    base_temperature, upper_threshold
        For degree-days: temperature [°C] up to which plants do not develop, and above which they develop no faster.
        Upper threshold empty: none.
    batches_cv, plants_cv
        Coefficient of variation of the time between batches, and between the plants of a batch (0.1 for 10 %).
    time_level, survival_level
        What times and survivals vary by. ``belief``: unknown true value, the same for all. ``season``: the same for
        all batches of a season. ``variety``: the same for all batches of a variety. ``batch``: each batch its own.
        ``cycle``: each subculture its own (cultures only). ``plant``: each plant its own. Or shares of them, such as
        ``season 0.3 variety 0.2 batch 0.5``. Empty: batch.
    survival, survival_sd
        Mean share of plants that survive the stage [0 to 1], and its standard deviation. Or:
    survival_p5, survival_p95
        5th and 95th percentile of the survival [0 to 1]. Or:
    survived, of
        A count from which survival is learned: how many of how many plants survived. Or:
    survival_bad, survival_good
        Survival in a bad one and in a good one [0 to 1, or 7 in 10], of years or of batches: say which of them in
        ``survival_level``, by season or batch.
    bad_one_in
        How rare one so bad is, and one so good: 20 for one in 20, or 10 for one in 10. Empty: 20.
    cold_below, cold_loss
        Only up to the first stage that takes time: weekly mean of the daily minimum below which plants suffer [°C],
        and how much each degree below it lowers the survival [log-odds per °C]. At 0.2, five degrees too cold turn
        97 % into 92 %, and 90 % into 77 %. On arrival the air outside counts, in the week of delivery; otherwise that
        of the place, in the first two weeks. ``survival`` is then that of harmless weeks.
    heat_above, heat_loss
        The same for heat: weekly mean of the daily maximum above which plants suffer [°C], and the loss per degree
        [log-odds per °C]. Weekly means count: one frosty night or hot day in a mild week does no harm.
    share_of
        ``entering``, also if empty: the survival is a share of the plants that enter the stage. ``original``: survival
        = 1 - (plants lost in this stage / plants delivered). Use it if your losses are percentages of the delivery.
    plants_per_m2
        Plants per square metre of bench [1/m²].
    cost, minutes
        Cost [currency] and labour [minutes] per plant that enters the stage.
    materials
        Of its pot, medium and label [currency per plant that enters the stage], if you want them apart from ``cost``.
    source
        Where the figures come from.
    """

    applies_to: Name
    stage: Text = GROWING
    step: Counted | None = None
    place: Name
    runs_on: Literal["weeks", "degree-days"] = "weeks"
    typical: Annotated[FromZero, Field(le=MOST_DEGREE_DAYS), Unit(Unit.WEEKS, ("runs_on", "weeks"))]
    base_temperature: Celsius | None = None
    upper_threshold: Celsius | None = None
    batches_cv: Annotated[FromZero, Field(le=2)] = 0.0
    plants_cv: Annotated[FromZero, Field(le=2)] = 0.0
    time_level: LevelCell | None = None
    survival: ShareCell | None = None
    survival_sd: FromZero | None = None
    survival_p5: ShareCell | None = None
    survival_p95: ShareCell | None = None
    survived: PlantsOrNone | None = None
    of: Plants | None = None
    survival_bad: ShareCell | None = None
    survival_good: ShareCell | None = None
    bad_one_in: Annotated[Counted, Field(ge=3, le=1000)] | None = None
    survival_level: LevelCell | None = None
    cold_below: Celsius | None = None
    cold_loss: FromZero | None = None
    heat_above: Celsius | None = None
    heat_loss: FromZero | None = None
    share_of: Literal["entering", "original"] = "entering"
    plants_per_m2: AboveZero
    cost: Money = 0.0
    minutes: Minutes = 0.0
    materials: Money | None = None
    source: Note = None
    note: Note = None

    def checks(self) -> Iterable[Callable[[], object]]:
        """Return the checks of cells beside each other."""
        yield from (self._timed, self._spread, self._limited)
        yield from (partial(self._threshold, column) for column in ("base_temperature", "upper_threshold"))
        yield lambda: in_order(vars(self), "base_temperature", "upper_threshold", strictly=True)
        yield from (
            partial(self._harmful, *pair) for pair in (("cold_below", "cold_loss"), ("heat_above", "heat_loss"))
        )
        yield from (partial(self._level, column) for column in ("time_level", "survival_level"))
        yield self._survives

    def _timed(self) -> None:
        if self.typical == 0 and (self.batches_cv or self.plants_cv):
            remedy = "Clear batches_cv and plants_cv."
            raise refuse("typical", 0, "times cannot vary in a stage that takes none", remedy)

    def _spread(self) -> None:
        if self.time_level is not None and self.time_level.plant and self.batches_cv:
            remedy = "Set batches_cv to 0, or time_level to batch."
            raise refuse("time_level", "plant", "batches_cv is above 0, but only plants vary by this level", remedy)

    def _limited(self) -> None:
        if self.runs_on == "weeks" and self.typical > MOST_WEEKS:
            raise refuse("typical", self.typical, f"above {MOST_WEEKS}", f"Write at most {MOST_WEEKS}.")

    def _threshold(self, column: str) -> None:
        """Refuse degree-days without a base temperature, and weeks with a threshold."""
        value = getattr(self, column)
        if self.runs_on == "weeks" and value is not None:
            remedy = "Clear it, or set runs_on to degree-days."
            raise refuse(column, value, "not used by a stage that runs on weeks", remedy)
        if self.runs_on != "weeks" and value is None and column == "base_temperature":
            raise refuse(column, None, "required when runs_on is degree-days", "Write it in °C.")

    def _harmful(self, limit: str, loss: str) -> None:
        if (getattr(self, limit) is None) != (getattr(self, loss) is None):
            column = limit if getattr(self, limit) is None else loss
            raise refuse(column, None, "this cell is empty", f"Fill both {limit} and {loss}, or neither.")

    def _level(self, column: str) -> None:
        level = getattr(self, column)
        if level is not None and "cycle" in dict(level.shares):
            remedy = "Write belief, season, variety, batch or plant."
            raise refuse(column, str(level), "only cultures have subcultures (cycle)", remedy)

    def _survives(self) -> None:
        forms = [[getattr(self, cell) for cell in form] for form in SURVIVALS]
        begun = [form for form in forms if any(cell is not None for cell in form)]
        if len(begun) != 1 or None in begun[0]:
            problem = "only half of the survival is stated" if begun else "survival is empty"
            problem = "survival is stated in more than one way" if len(begun) > 1 else problem
            remedy = f"Fill {', or '.join(' and '.join(form) for form in SURVIVALS)}."
            raise refuse("survival", self.survival, problem, remedy)
        for column in ("survival", "survived"):
            if getattr(self, column) == 0:
                raise refuse(column, 0, "no plant survives, so no target can be met", "Write a number above 0.")
        in_order(vars(self), "survival_p5", "survival_p95", strictly=True)
        in_order(vars(self), "survival_bad", "survival_good", strictly=True)
        try:
            _ = self.stated
        except Refused as error:
            fault = error.faults[0]
            ends = {"p5": "survival_bad", "p95": "survival_good"}
            range_end = f"survival_{fault.column}" if self.survival_p5 is not None else "survival_sd"
            range_end = range_end if self.survival_bad is None else ends.get(fault.column, "survival_bad")
            column = "survived" if self.of else range_end
            raise refuse(column, fault.value, fault.problem, fault.remedy) from error

    @property
    def harmed(self) -> bool:
        """Whether the weather of the first weeks can lower the survival."""
        return self.cold_below is not None or self.heat_above is not None

    @property
    def varies_by(self) -> Level:
        """What the survival varies by."""
        return self.survival_level or BATCH

    @cached_property
    def stated(self) -> Share:
        """The survival as stated: of which plants it is a share, see `share_of`."""
        if self.survived is not None and self.of is not None:
            return Share.from_counts(self.survived, self.of, level=self.varies_by)
        if self.survival_p5 is not None and self.survival_p95 is not None:
            return Share.from_range(self.survival_p5, self.survival_p95, level=self.varies_by)
        if self.survival_bad is not None and self.survival_good is not None:
            rare = 1 / (self.bad_one_in or RARE)
            return Share.from_range(self.survival_bad, self.survival_good, level=self.varies_by, outside=rare)
        return Share(self.survival or 0.0, self.survival_sd or 0.0, self.varies_by)

    def surviving(self, share: Share) -> Self:
        """Return the row with a survival stated by mean and standard deviation, of the plants that enter the stage."""
        cells = dict.fromkeys(cell for form in SURVIVALS for cell in form)
        return self.replace(**cells | {"survival": share.mean, "survival_sd": share.sd, "share_of": "entering"})

    def paid(self, hourly_wage: float) -> float:
        """Return what is paid for a plant that enters the stage [currency]: its cost, materials and labour."""
        return self.cost + (self.materials or 0.0) + self.minutes / 60 * hourly_wage

    @property
    def duration(self) -> Duration:
        """The time the stage takes."""
        unit = (
            "weeks" if self.runs_on == "weeks" else f"degree-days above {figures(self.base_temperature or 0.0, 6)} °C"
        )
        return Duration(
            self.typical,
            self.batches_cv,
            self.plants_cv,
            self.time_level or (BATCH if self.batches_cv else "plant"),
            unit,
        )


def routes(stages: Iterable[Stage]) -> dict[str, tuple[Stage, ...]]:
    """Return the stages of each group or variety in the order of its route: by step, or as they come."""
    found: dict[str, list[Stage]] = defaultdict(list)
    for row in stages:
        found[row.applies_to].append(row)
    return {owner: tuple(sorted(rows, key=lambda row: row.step or 0)) for owner, rows in found.items()}


def untold_order(rows: Sequence[tuple[int, Stage]]) -> Iterator[Fault]:
    """Return why numbered rows of one group or variety do not tell the order of its route, if they do not.

    Either each has a step of its own, or none has one and no two of well-known names are out of their order.
    """
    first: dict[int, int] = {}
    steps = any(row.step is not None for _, row in rows)
    lived, known = -1, ""
    for number, row in rows:
        if steps and row.step is None:
            yield Fault("other stages of this route have a step", "Fill step in all of them.", "stages", number, "step")
        elif row.step is not None and row.step in first:
            problem, remedy = f"the same step as row {first[row.step]}", "Number the stages in their order."
            yield Fault(problem, remedy, "stages", number, "step", row.step)
        elif row.step is not None:
            first[row.step] = number
        elif (at := well_known(row.stage)) is not None:
            if at < lived:
                problem = f"{known} comes before it, so the rows are not in the order of the route"
                remedy = "Sort them in the order in which plants go through them, or number them in a column step."
                yield Fault(problem, remedy, "stages", number, "stage", row.stage)
                return
            lived, known = at, row.stage


def well_known(stage: str) -> int | None:
    """Return when in the life of a plant a stage of a well-known name comes; None for other names."""
    name = " ".join(stage.casefold().replace("-", " ").replace("_", " ").split())
    return next((at for at, names in enumerate(_LIVED) if name in names), None)
