"""What is possible in the tables of a season, but probably a slip: warned of, not refused."""

from __future__ import annotations

import statistics
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from math import factorial, prod
from typing import Any, NamedTuple

from forecast.errors import Fault
from forecast.season.cells import nearly_same, same_letters
from forecast.season.consistency import Tables, first_delivery
from forecast.season.header import Header
from forecast.season.orders import SALEABLE
from forecast.season.places import Normal
from forecast.season.price_list import PriceLine
from forecast.season.stages import DEFAULT, SURVIVALS, Stage, well_known
from forecast.weeks import Week
from forecast.words.numbers import figures

_MEANT = "Correct it, or leave it if it is meant."
_DAYS, _SHARE = "Write weeks, not days.", "Write it as a share, such as 0.15 for 15 %."
_CELSIUS = "Write °C: (F - 32) / 1.8 from Fahrenheit."
_DENSE = "Write plants per square metre, such as 36, not square metres per plant."


class _Usual(NamedTuple):
    """Numbers that are usual in columns of a table; all bounds are common practice, no source."""

    table: str
    columns: tuple[str, ...]
    least: float
    most: float
    remedy: str = _MEANT


_USUAL = (
    _Usual("stages", ("typical",), 0, 26, _DAYS),  # on weeks
    _Usual("stages", ("plants_per_m2",), 2, 3500, _DENSE),
    _Usual("divisions", ("plants_per_m2",), 1, 3500, _DENSE),
    _Usual("stages", ("minutes",), 0, 10, "Write minutes per plant, not per tray."),
    _Usual("divisions", ("minutes",), 0, 60, "Write minutes per plant."),
    _Usual("cultures", ("minutes_per_vessel",), 0, 60, "Write minutes per vessel."),
    _Usual("stages", ("batches_cv", "plants_cv"), 0, 0.8, _SHARE),
    _Usual("cultures", ("multiplication_cv",), 0, 1, _SHARE),
    _Usual("divisions", ("divisions_cv",), 0, 1, _SHARE),
    _Usual("cultures", ("explants_cv",), 0, 3, _SHARE),
    _Usual("divisions", ("plants_cv",), 0, 3, _SHARE),
    _Usual("stages", ("base_temperature", "cold_below"), -20, 18, _CELSIUS),
    _Usual("stages", ("upper_threshold", "heat_above"), 12, 42, _CELSIUS),
    _Usual("stages", ("cold_loss", "heat_loss"), 0, 2, "Write the loss in log-odds per °C, such as 0.2."),
    _Usual("places", ("held_above",), -10, 28, _CELSIUS),
    _Usual("places", ("warmer_by", "shaded_by"), 0, 15, "Write the difference to outside in °C."),
    _Usual("places", ("area",), 1, 200_000, "Write square metres."),
    _Usual("places", ("usable",), 0.25, 1, "Write the share of the area on which plants can stand, such as 0.6."),
    _Usual("climate", ("t_min", "t_max"), -60, 45, _CELSIUS),
    _Usual("climate", ("year_sd",), 0, 8, "Write the standard deviation in °C."),
    _Usual("price_list", ("lead_weeks",), 0, 60, _DAYS),
    _Usual("varieties", ("saleable_weeks",), 1, 104, _DAYS),
    _Usual("varieties", ("yearly_fall",), 0, 0.9, _SHARE),
    _Usual("cultures", ("start_weeks",), 0, 26, _DAYS),
    _Usual("cultures", ("cycle_weeks",), 1, 14, _DAYS),
    _Usual("cultures", ("rooting_weeks",), 0, 16, _DAYS),
    _Usual("divisions", ("first_weeks", "round_weeks"), 0, 160, _DAYS),
    _Usual("cultures", ("most_cycles",), 1, 30),
    _Usual("cultures", ("explants_per_vessel", "rooting_per_vessel"), 1, 200),
    _Usual("cultures", ("multiplication",), 1, 15, "Write usable shoots per clean explant and subculture."),
    _Usual("divisions", ("divisions",), 1, 30, "Write plants from one plant, itself included."),
    _Usual("targets", ("promised",), 0.5, 1, "Write the chance with which the target must be met, such as 0.9."),
    _Usual("targets", ("promised_share",), 0.5, 1, "Write the share of the number that must be sold, such as 0.9."),
    _Usual("targets", ("waits",), 0, 26, _DAYS),
    _Usual("season", ("demand_cv", "price_cv"), 0, 0.8, _SHARE),
    _Usual("season", ("service_level",), 0.5, 1, "Write the chance with which targets must be met, such as 0.9."),
    _Usual("season", ("weeks",), 4, 160, "Write the length of the season in weeks, not days."),
)
_QUICK = {"arrival", "acclimatisation", "acclimatization", "acclimation", "weaning", "rooting", "deflasking", "grading"}
_QUICK_WEEKS = 12  # longer than any of these stages takes
_LEAST_DEGREE_DAYS, _MOST_DEGREE_DAYS = 30, 6000
_KEPT = {"divisions": ("survival",), "cultures": ("rooting", "deflasking")}  # shares that are high
_LOST = {"cultures": ("start_contamination", "start_death", "contamination", "off_types")}  # and low
_HALF = 0.5
_COMPARED = 300  # names among which one that is nearly the same is sought
_MANY = 5  # times the targets
_LONG = 3  # times the usual time of a stage
_WIDE = 20  # times the 5th percentile
_FAR, _PENALTY = 5, 10  # times the price
_RANGE = 0.6  # between two percentiles of a survival
_LEAP, _DAY_AND_NIGHT = 8.0, 25.0  # °C from the mean of the months beside it, and between minimum and maximum
_NEARLY_A_YEAR = 45  # weeks, of which no half is cooler
_SEASONS = 8.0  # °C between months of a climate with a summer
_COOLER = 0.15  # of that, below the mean: plants grow in the cooler half of the year


class _Alike(NamedTuple):
    """Rows of a table whose numbers in a column are alike up to a factor, among those of one key."""

    table: str
    column: str
    factor: float
    others: int  # at least so many others are needed to tell
    key: Callable[[Any], object]
    noun: str
    remedy: str = _MEANT


_ALIKE = (
    _Alike("stages", "typical", 5, 1, lambda row: (row.stage, row.runs_on), "this stage elsewhere",
           "Write the unit that runs_on names: weeks, not days, or degree-days."),
    _Alike("stages", "plants_per_m2", 10, 1, lambda row: row.stage, "this stage elsewhere", _DENSE),
    _Alike("stages", "cost", 20, 1, lambda row: row.stage, "this stage elsewhere"),
    _Alike("stages", "materials", 20, 1, lambda row: row.stage, "this stage elsewhere"),
    _Alike("price_list", "unit_price", 5, 1, lambda row: row.variety, "its other prices"),
    _Alike("price_list", "unit_price", 20, 2, lambda _: "", "the other prices"),
    _Alike("price_list", "lead_weeks", 5, 2, lambda _: "", "the other lead times", _DAYS),
    _Alike("price_list", "freight_per_box", 20, 2, lambda _: "", "the other boxes"),
    _Alike("varieties", "sale_price", 20, 2, lambda _: "", "the other varieties"),
    _Alike("varieties", "saleable_weeks", 7, 2, lambda row: row.group, "others of its group", _DAYS),
    _Alike("price_list", "minimum", 50, 2, lambda _: "", "the other minima"),
    _Alike("price_list", "multiple", 50, 2, lambda _: "", "the other multiples"),
    _Alike("places", "cost_per_m2_week", 20, 2, lambda _: "", "the other places"),
)  # fmt: skip


def odd_rows(header: Header | None, tables: Tables) -> list[Fault]:
    """List what is odd in the rows of a season's tables, numbered as contradictions are."""
    found = [*_unusual(header, tables), *_few_survive(tables), *_much_lost(tables), *_rising(tables)]
    found += _unlike(tables, {(one.table, one.row, one.column) for one in found})
    found += [
        *_dear(header, tables, {one.row for one in found if one.column == "unit_price"}),
        *_numbers(tables),
        *_long_there(header, tables),
        *_sold(header, tables),
        *_unused(tables),
        *_undeliverable(header, tables),
        *_twice(tables),
        *_spellings(tables),
        *_sorted(tables),
    ]
    found += [*_leaping(tables), *_closed(header, tables), *_half_a_year_off(header, tables)]
    first = {(one.table, one.row, one.column): one for one in reversed(found)}
    return [replace(one, value=_whole(one.value)) for one in reversed(first.values())]


def _whole(value: Any) -> Any:
    return int(value) if isinstance(value, float) and value.is_integer() else value


def unusual(
    table: str, number: int | None, column: str, value: float, usual: tuple[float, float], remedy: str
) -> Fault:
    """Return that a number lies outside of what is usual."""
    low, high = usual
    problem = (
        f"more than is usual, {high:,.12g} at most" if value > high else f"less than is usual, {low:,.12g} at least"
    )
    return Fault(problem, remedy, table, number, column, value)


def _unusual(header: Header | None, tables: Tables) -> Iterator[Fault]:
    rows: dict[str, Sequence[tuple[int | None, Any]]] = {**tables.rows, "season": [(None, header)] if header else []}
    for usual in _USUAL:
        for number, row in rows.get(usual.table, ()):
            for column in () if _by_default(row) else usual.columns:
                for value in _values(getattr(row, column)):
                    most = _most(row, column, usual.most)
                    if not (_least(row, column, usual.least) <= value <= most):
                        bounds = _least(row, column, usual.least), most
                        yield unusual(usual.table, number, column, value, bounds, usual.remedy)
                        break


def _values(cell: Any) -> tuple[float, ...]:
    """Return the numbers of a cell: none, one, or one for each subculture."""
    return () if cell is None else tuple(getattr(cell, "values", (cell,)))


def _most(row: Any, column: str, most: float) -> float:
    if isinstance(row, Stage) and column == "typical":
        return _MOST_DEGREE_DAYS if row.runs_on != "weeks" else _QUICK_WEEKS if row.stage in _QUICK else most
    return most


def _least(row: Any, column: str, least: float) -> float:
    by_warmth = isinstance(row, Stage) and column == "typical" and row.runs_on != "weeks" and row.typical > 0
    return _LEAST_DEGREE_DAYS if by_warmth else least


def _few_survive(tables: Tables) -> Iterator[Fault]:
    """List stages that fewer than half of the plants survive, or that nobody knows how many do."""
    for number, row in tables.rows["stages"]:
        column = next(form[0] for form in SURVIVALS if getattr(row, form[0]) is not None)
        share = row.stated.mean
        if share < _HALF:
            yield _few("stages", number, column, getattr(row, column), share)
        elif row.survival_p5 is not None and row.survival_p95 - row.survival_p5 > _RANGE:
            remedy = "Correct the two percentiles, or leave them if they are meant."
            yield Fault("nearly everything is possible", remedy, "stages", number, "survival_p5", row.survival_p5)


def _much_lost(tables: Tables) -> Iterator[Fault]:
    """List cultures and divisions of which more than half are lost."""
    for table, columns in _KEPT.items():
        for number, row in tables.rows[table]:
            for column in columns:
                if getattr(row, column) < _HALF:
                    yield _few(table, number, column, getattr(row, column), getattr(row, column))
    for table, columns in _LOST.items():
        for number, row in tables.rows[table]:
            for column in columns:
                if (most := max(_values(getattr(row, column)), default=0)) > _HALF:
                    kept, share = figures(most, 4), figures(1 - most, 4)
                    remedy = f"Write {share} if {kept} is what is kept, or leave it if it is meant."
                    yield Fault("more than half are lost", remedy, table, number, column, str(getattr(row, column)))


def _by_default(row: object) -> bool:
    """Return whether the numbers of a row are published ones that nobody typed."""
    return (getattr(row, "source", None) or "").startswith(DEFAULT)


def _few(table: str, number: int, column: str, value: float, share: float) -> Fault:
    slips = [f"{figures(1 - share, 4)} if {figures(share, 4)} is the loss"]
    slips += [f"{figures(10 * share, 4)} if a digit slipped"] if 10 * share < 1 else []
    remedy = f"Write {', '.join(slips)}, or leave it if it is meant."
    return Fault("fewer than half of the plants survive", remedy, table, number, column, value)


def _unlike(tables: Tables, known: set[tuple[str, int | None, str]]) -> Iterator[Fault]:
    """List numbers far from those of the other rows, but for those `known` to be odd, and those that nobody typed."""
    for alike in _ALIKE:
        groups: dict[object, list[tuple[int, float]]] = defaultdict(list)
        for number, row in tables.rows[alike.table]:
            value = getattr(row, alike.column)
            if value and not _by_default(row) and (alike.table, number, alike.column) not in known:
                groups[alike.key(row)].append((number, value))
        for rows in groups.values():
            values = sorted(value for _, value in rows)
            if len(rows) <= alike.others or values[-1] < alike.factor * values[0]:
                continue
            for number, value in rows:
                others = _median_without(values, value)
                if not 1 / alike.factor < value / others < alike.factor:
                    more = "more" if value > others else "less"
                    problem = f"far {more} than {alike.noun} ({figures(others, 4)})"
                    remedy = _MEANT if alike.remedy == _DAYS and value < others else alike.remedy
                    yield Fault(problem, remedy, alike.table, number, alike.column, value)


def _median_without(values: Sequence[float], value: float) -> float:
    """Return the median of numbers in order, without one of them."""
    gone, rest = bisect_left(values, value), len(values) - 1
    low, high = (values[at + (at >= gone)] for at in ((rest - 1) // 2, rest // 2))
    return (low + high) / 2


def _lines(tables: Tables) -> dict[object, list[tuple[int, PriceLine]]]:
    """Return the numbered rows of each price with its breaks, by quantity."""
    found: dict[object, list[tuple[int, PriceLine]]] = defaultdict(list)
    for number, row in tables.rows["price_list"]:
        found[row.lab, row.variety, row.form, row.first_week].append((number, row))
    return {key: sorted(rows, key=lambda pair: pair[1].from_quantity) for key, rows in found.items()}


def _rising(tables: Tables) -> Iterator[Fault]:
    """List prices that rise at a break."""
    for rows in _lines(tables).values():
        for (_, low), (number, high) in pairwise(rows):
            if high.unit_price > low.unit_price:
                problem = f"more than the {figures(low.unit_price)} from {low.from_quantity:,} on"
                remedy = "Check the two prices and their from_quantity."
                yield Fault(problem, remedy, "price_list", number, "unit_price", high.unit_price)


def _dear(header: Header | None, tables: Tables, odd: set[int | None]) -> Iterator[Fault]:
    """List what costs more than it can bring; the prices of `odd` rows are known to be doubtful."""
    sold = {row.variety: row.sale_price for _, row in tables.rows["varieties"] if row.sale_price is not None}
    cheapest: dict[str, tuple[float, int]] = {}
    lines = [(number, row) for number, row in tables.rows["price_list"] if number not in odd]
    for number, row in lines:
        cheapest[row.variety] = min(cheapest.get(row.variety, (row.unit_price, number)), (row.unit_price, number))
        if row.plants_per_box and row.freight_per_box > row.unit_price * row.plants_per_box:
            remedy = "Check it, and plants_per_box."
            problem = "the freight of a box is more than the price of its plants"
            yield Fault(problem, remedy, "price_list", number, "freight_per_box", row.freight_per_box)
    for number, row in tables.rows["varieties"]:
        least, line = cheapest.get(row.variety, (0.0, 0))
        if row.variety in sold and sold[row.variety] < least:
            problem = f"less than a plant costs, {figures(least)} at least (price_list, row {line})"
            yield Fault(problem, "Correct the one that is wrong.", "varieties", number, "sale_price", row.sale_price)
    for number, row in lines:
        if cheapest[row.variety][0] <= sold.get(row.variety, row.unit_price) < row.unit_price:
            problem = f"more than its sale price, {figures(sold[row.variety])}"
            yield Fault(problem, _MEANT, "price_list", number, "unit_price", row.unit_price)
    yield from _dear_to_grow(header, tables, sold)
    yield from _dear_in_all(header, tables, sold, {name: price for name, (price, _) in cheapest.items()})


def _dear_to_grow(header: Header | None, tables: Tables, sold: dict[str, float]) -> Iterator[Fault]:
    best: dict[str, float] = defaultdict(float)  # sale price of a group or variety
    for _, row in tables.rows["varieties"]:
        for owner in (row.variety, row.group):
            best[owner] = max(best[owner], sold.get(row.variety, 0.0))
    wage = header.hourly_wage if header else 0.0
    for number, row in tables.rows["stages"]:
        price = best[row.applies_to]
        costs = ("cost", row.cost), ("materials", row.materials or 0.0), ("minutes", row.minutes / 60 * wage)
        for column, cost in costs:
            if price and cost > price:
                problem = f"costs more for one plant than its sale price, {figures(price)}"
                yield Fault(problem, "Write it for one plant.", "stages", number, column, getattr(row, column))


def _dear_in_all(
    header: Header | None, tables: Tables, sold: dict[str, float], cheapest: dict[str, float]
) -> Iterator[Fault]:
    if not sold:
        return
    price = statistics.median(sold.values())
    for number, row in tables.rows["places"]:
        if price and row.cost_per_m2_week > 5 * price:
            problem = f"one week on 1 m² costs as much as {row.cost_per_m2_week / price:.0f} plants bring"
            remedy = "Write the cost of one square metre and week."
            yield Fault(problem, remedy, "places", number, "cost_per_m2_week", row.cost_per_m2_week)
    if header is None:
        return
    if price and header.hourly_wage and not 0.02 < header.hourly_wage / price < 100:
        problem = f"far from what plants bring, {figures(price)} each"
        yield Fault(problem, "Write the cost of one hour.", "season", None, "hourly_wage", header.hourly_wage)
    least = sum(cheapest.get(row.variety, 0.0) * row.median_demand for _, row in tables.rows["targets"])
    if header.budget is not None and header.budget < 0.1 * least:
        problem = f"the plants of all targets cost {least:,.0f} at least"
        yield Fault(problem, _MEANT, "season", None, "budget", header.budget)


def _numbers(tables: Tables) -> Iterator[Fault]:
    """List demands that are nearly anything, and orders far beyond the targets."""
    wanted: dict[str, int] = defaultdict(int)
    for number, row in tables.rows["targets"]:
        wanted[row.variety] += row.median_demand
        if row.p5 is not None and row.p95 > _WIDE * row.p5:
            problem = f"more than {_WIDE} times the 5th percentile"
            yield Fault(problem, _MEANT, "targets", number, "p95", row.p95)
    for table in ("orders", "on_hand"):
        for number, row in tables.rows[table]:
            if row.variety in wanted and row.quantity > _MANY * wanted[row.variety]:
                problem = f"more than {_MANY} times all targets of {row.variety}, {wanted[row.variety]:,}"
                yield Fault(problem, _MEANT, table, number, "quantity", row.quantity)


def _long_there(header: Header | None, tables: Tables) -> Iterator[Fault]:
    """List plants on hand that have been in their stage, or saleable, for much longer than is usual."""
    groups = {row.variety: row for _, row in tables.rows["varieties"]}
    takes = {(row.applies_to, row.stage): row.typical for _, row in tables.rows["stages"] if row.runs_on == "weeks"}
    for number, row in tables.rows["on_hand"] if header else ():
        own, ago = groups.get(row.variety), header.first_week - row.since if header else 0
        if own is None:
            continue
        usual = takes.get((row.variety, row.stage)) or takes.get((own.group, row.stage))
        if row.stage == SALEABLE and own.saleable_weeks is not None and ago >= own.saleable_weeks:
            problem = f"past its sale window of {own.saleable_weeks} weeks when the season begins"
            yield Fault(problem, _MEANT, "on_hand", number, "since", str(row.since))
        elif usual and ago > _LONG * usual:
            problem = f"{ago} weeks before the season, and this stage takes {figures(usual)}: few would still be in it"
            yield Fault(problem, _MEANT, "on_hand", number, "since", str(row.since))


def _unused(tables: Tables) -> Iterator[Fault]:
    """List cells that nothing is made of, since another that they need is empty."""
    for number, row in tables.rows["targets"]:
        if row.profile is not None and row.last == row.week:
            remedy = "Write the last week of sale in until, or clear it."
            yield Fault("not used: all are sold in one week", remedy, "targets", number, "profile", row.profile)
    for number, row in tables.rows["stages"]:
        if row.bad_one_in is not None and row.survival_bad is None:
            remedy = "Write survival_bad and survival_good, or clear it."
            yield Fault("not used: no bad survival is stated", remedy, "stages", number, "bad_one_in", row.bad_one_in)
    for number, row in tables.rows["varieties"]:
        if row.outlet is not None and row.markdown_price is None:
            remedy = "Write what a plant brings then in markdown_price, or clear it."
            yield Fault("not used: no plant is marked down", remedy, "varieties", number, "outlet", row.outlet)


def _sold(header: Header | None, tables: Tables) -> Iterator[Fault]:
    """List prices that rise, that missing plants cost far more than, or that no plant can earn in time."""
    varieties = {row.variety: row for _, row in tables.rows["varieties"]}
    wanted: dict[str, int] = defaultdict(int)
    for number, row in tables.rows["targets"]:
        wanted[row.variety] += row.median_demand
        usual = varieties[row.variety].sale_price if row.variety in varieties else None
        price = usual if row.price is None else row.price
        if usual and row.price and not 1 / _FAR < row.price / usual < _FAR:
            problem = f"far {'more' if row.price > usual else 'less'} than the sale price, {figures(usual)}"
            yield Fault(problem, _MEANT, "targets", number, "price", row.price)
        if price is not None and row.price_end is not None and row.price_end > price:
            problem = f"above the price at the beginning, {figures(price)}"
            yield Fault(problem, _MEANT, "targets", number, "price_end", row.price_end)
        if price and row.short_cost is not None and row.short_cost > _PENALTY * price:
            problem = f"more than {_PENALTY} times the price, {figures(price)}"
            remedy = "Write what one missing plant costs beyond the lost sale."
            yield Fault(problem, remedy, "targets", number, "short_cost", row.short_cost)
    for number, row in tables.rows["varieties"]:
        if row.outlet is not None and row.outlet > wanted[row.variety] > 0:
            problem = f"more than all its targets, {wanted[row.variety]:,}"
            remedy = "Write how many buyers there are for plants marked down, or leave it if it is meant."
            yield Fault(problem, remedy, "varieties", number, "outlet", row.outlet)
    if header is not None:
        yield from _too_soon(header, tables)


def _too_soon(header: Header, tables: Tables) -> Iterator[Fault]:
    """List promises that end before half of the first delivery is ready: where all stages run on weeks."""
    groups = {row.variety: row.group for _, row in tables.rows["varieties"]}
    there = {row.variety for table in ("cultures", "divisions", "on_hand") for _, row in tables.rows[table]}
    stages: dict[str, list[Stage]] = defaultdict(list)
    for _, row in tables.rows["stages"]:
        stages[row.applies_to].append(row)
    earliest: dict[str, Week] = {}
    for _, line in tables.rows["price_list"]:
        possible = first_delivery(line, header.first_week)
        earliest[line.variety] = min(possible, earliest.get(line.variety, possible))
    for number, row in tables.rows["targets"]:
        route = stages.get(row.variety) or stages.get(groups.get(row.variety, ""), [])
        timed = all(stage.runs_on == "weeks" for stage in route)
        if row.promised is None or row.variety not in earliest or row.variety in there or not (route and timed):
            continue
        ready = earliest[row.variety] + int(sum(stage.typical for stage in route))
        if row.last + row.waits < ready:
            problem = f"promised, but half of the first possible delivery is ready in {ready} at the earliest"
            remedy = "Move it later, let the buyers wait, find an earlier delivery, or clear promised."
            column = "week" if row.until is None else "until"
            yield Fault(problem, remedy, "targets", number, column, str(row.last))


def _undeliverable(header: Header | None, tables: Tables) -> Iterator[Fault]:
    """List orders in weeks, or of numbers, in which no lab delivers."""
    if header is None:
        return
    orders = tables.rows["orders"]
    own = {row.variety for table in ("cultures", "divisions") for _, row in tables.rows[table]}  # propagated
    together: dict[tuple[Any, ...], int] = defaultdict(int)  # plants of a batch, which may be in several rows
    for _, row in orders:
        together[row.variety, row.lab, row.week] += row.quantity
    for number, row in orders:
        lines = [
            line for _, line in tables.rows["price_list"] if line.variety == row.variety and row.lab in (None, line.lab)
        ]
        grown = row.lab is None and row.variety in own
        if not lines or not row.quantity or grown or row.placed == "yes":
            continue
        weeks = [(first_delivery(line, header.first_week), line.closes) for line in lines]
        open_then = [line for line, (first, last) in zip(lines, weeks, strict=True) if first <= row.week <= last]
        if not open_then:
            yield Fault(*_no_week(row.week, weeks), "orders", number, "week", str(row.week))
        quantity = together[row.variety, row.lab, row.week]
        if odd := _no_number(quantity, open_then or lines):
            problem, remedy = odd
            if quantity != row.quantity:
                problem = f"with the other rows of this delivery {quantity:,}, {problem}"
                remedy = remedy.replace(",", " in all,", 1)
            yield Fault(problem, remedy, "orders", number, "quantity", row.quantity)


def _no_week(week: Week, weeks: Sequence[tuple[Week, Week]]) -> tuple[str, str]:
    """Return that nothing is delivered in a week, and the nearest in which something is: first and last weeks."""
    before, after = [last for _, last in weeks if last < week], [first for first, _ in weeks if first > week]
    if not before:
        return "before the first week in which it can be delivered", _could_be(min(after))
    if not after:
        return "after the last week in the price list", _could_be(max(before))
    return "no week in which it can be delivered", _could_be(max(before), min(after))


def _no_number(quantity: int, lines: Sequence[PriceLine]) -> tuple[str, str] | None:
    """Return why no price-list line is sold in a number of plants, and the nearest that could be; None if one is."""
    if any(quantity >= line.minimum and quantity % line.multiple == 0 for line in lines):
        return None
    above = min(line.multiple * -(-max(quantity, line.minimum) // line.multiple) for line in lines)
    rounded = [line.multiple * (quantity // line.multiple) for line in lines]
    below = max((number for number, line in zip(rounded, lines, strict=True) if number >= line.minimum), default=0)
    least = min(line.minimum for line in lines)
    if quantity < least:
        return f"less than the smallest order, {least:,}", _could_be(above)
    multiples = " or ".join(f"{number:,}" for number in sorted({line.multiple for line in lines}))
    return f"no multiple of {multiples}", _could_be(*filter(None, (below, above)))


def _could_be(*values: object) -> str:
    return f"Write {' or '.join(map(str, values))}, or leave it if it is meant."


def _twice(tables: Tables) -> Iterator[Fault]:
    """List orders that are there twice, cell by cell."""
    first: dict[tuple[Any, ...], int] = {}
    for number, row in tables.rows["orders"]:
        key = (row.variety, row.week, row.quantity, row.lab, row.order)
        if key in first:
            problem = f"the same order as row {first[key]}; together they are {2 * row.quantity:,} plants"
            remedy = "Delete one of the two, or leave both if both are meant."
            yield Fault(problem, remedy, "orders", number, "quantity", row.quantity)
        first.setdefault(key, number)


def _spellings(tables: Tables) -> Iterator[Fault]:
    """List names that are probably spelt in two ways."""
    labs = [(table, number, "lab", row.lab) for table in ("price_list", "orders", "cultures")
            for number, row in tables.rows[table] if row.lab is not None]  # fmt: skip
    yield from spelt_twice(labs)
    channels = [("targets", number, "channel", row.channel) for number, row in tables.rows["targets"] if row.channel]
    yield from spelt_twice(channels)
    for table, column in (("varieties", "variety"), ("varieties", "group"), ("places", "place"), ("stages", "stage")):
        names = [(table, number, column, getattr(row, column)) for number, row in tables.rows[table]]
        yield from spelt_twice(names, letters=column == "stage")


def spelt_twice(names: Iterable[tuple[str, int, str, str]], *, letters: bool = True) -> Iterator[Fault]:
    """Return names that are probably one name spelt in two ways, the rarer at its rows: table, row, column and name.

    Capitals, marks and spaces may differ; and if `letters` may, one letter of a word or a word cut short.
    """
    rows: dict[str, list[tuple[str, int, str]]] = defaultdict(list)
    for table, number, column, name in names:
        rows[name].append((table, number, column))
    usual = sorted(rows, key=lambda name: -len(rows[name]))
    first: dict[str, str] = {}
    for at, name in enumerate(usual):
        other = first.setdefault(same_letters(name), name)
        if other == name and letters and at < _COMPARED:
            other = next((one for one in usual[:at] if nearly_same(name, one)), name)
        if other != name:
            remedy = "Spell it in one way, or leave it if the two differ."
            for table, number, column in rows[name]:
                yield Fault(f"spelt nearly as {other!r}", remedy, table, number, column, name)


def _sorted(tables: Tables) -> Iterator[Fault]:
    """List a table of stages that seems to be sorted by the names of the stages."""
    rows = tables.rows["stages"]
    names: dict[str, list[str]] = defaultdict(list)
    for _, row in rows:
        names[row.applies_to].append(row.stage)
    if any(row.step is not None or well_known(row.stage) is not None for _, row in rows):
        return
    by_chance = prod(factorial(min(len(own), 5)) for own in names.values())  # orders, of which one is from A to Z
    if by_chance >= 24 and all(own == sorted(own, key=str.casefold) for own in names.values()):
        problem = "stages are in the order of the alphabet"
        remedy = "If plants go through them in another order, sort them, or number them in a column step."
        yield Fault(problem, remedy, "stages", rows[0][0], "stage", rows[0][1].stage)


def _year(tables: Tables) -> list[tuple[int, Normal]]:
    rows = sorted(tables.rows["climate"], key=lambda pair: pair[1].month or pair[1].week or 0)
    return rows if len(rows) in (12, 52) else []


def _leaping(tables: Tables) -> Iterator[Fault]:
    """List months or weeks that lie far from those beside them, and days far from their nights."""
    rows = _year(tables)
    for at, (number, row) in enumerate(rows):
        for column in ("t_min", "t_max"):
            beside = [getattr(rows[(at + step) % len(rows)][1], column) for step in (-1, 1)]
            if abs(getattr(row, column) - sum(beside) / 2) > _LEAP:
                before, after = map(figures, beside)
                problem = f"more than {figures(_LEAP)} °C from those before and after it, {before} and {after}"
                yield Fault(problem, _CELSIUS, "climate", number, column, getattr(row, column))
        if row.t_max - row.t_min > _DAY_AND_NIGHT:
            problem = f"more than {figures(_DAY_AND_NIGHT)} °C above t_min"
            yield Fault(problem, _CELSIUS, "climate", number, "t_max", row.t_max)


def _closed(header: Header | None, tables: Tables) -> Iterator[Fault]:
    """List places that are closed in all weeks of the season."""
    if header is None:
        return
    first, last = header.first_week, header.first_week + (header.weeks - 1)
    for number, row in tables.rows["places"]:
        late, early = row.first_week and row.first_week > last, row.last_week and row.last_week < first
        if late or early:
            column = "first_week" if late else "last_week"
            problem = f"closed all season, {first} to {last}"
            yield Fault(problem, _MEANT, "places", number, column, str(getattr(row, column)))


def _half_a_year_off(header: Header | None, tables: Tables) -> Iterator[Fault]:
    """List a climate by which plants that depend on the weather grow in the cooler half of the year."""
    rows = [row for _, row in _year(tables)]
    if header is None or not rows or not any(row.runs_on != "weeks" or row.harmed for _, row in tables.rows["stages"]):
        return
    means = [(row.t_min + row.t_max) / 2 for row in rows]
    weeks = [week for begin, end in _growing(header, tables) for week in range(begin, end)]
    growing = [means[_at(header.first_week + week, len(means))] for week in weeks]
    summer = max(means) - min(means)
    if growing and summer >= _SEASONS and statistics.mean(growing) < statistics.mean(means) - _COOLER * summer:
        problem = f"plants grow in the cooler half of this climate, at {statistics.mean(growing):.1f} °C on average"
        remedy = "Check that it is the climate of your half of the Earth, or leave it if it is meant."
        yield Fault(problem, remedy, "climate", None, "t_min")


def _growing(header: Header, tables: Tables) -> Iterator[tuple[int, int]]:
    """Return the weeks of the season from the first delivery of each variety to its last target, if under a year."""
    first, last = header.first_week, {row.variety: 0 for _, row in tables.rows["targets"]}
    for _, row in tables.rows["targets"]:
        last[row.variety] = max(last[row.variety], row.week - first)
    begins: dict[str, int] = {}
    for _, line in tables.rows["price_list"]:
        possible = first_delivery(line, first) - first
        begins[line.variety] = min(begins.get(line.variety, possible), possible)
    for variety, begin in begins.items():
        if begin < last.get(variety, 0) < begin + _NEARLY_A_YEAR:
            yield begin, last[variety]


def _at(week: Week, count: int) -> int:
    """Return which of 12 months or 52 weeks holds a week."""
    return week.monday.month - 1 if count == 12 else min(week.week, 52) - 1
