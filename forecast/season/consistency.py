"""Contradictions between the tables of a season."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from operator import itemgetter
from typing import Any

from forecast.errors import FIRST_ROW, Fault, Refused, refuse
from forecast.rates.distributions import Share
from forecast.rounding import TOLERANCE
from forecast.season.cells import suggestion
from forecast.season.header import Header
from forecast.season.orders import SALEABLE
from forecast.season.places import climate_of
from forecast.season.price_list import PriceLine
from forecast.season.stages import MOST_WEEKS, Stage, untold_order
from forecast.season.targets import Target, Weight, incomplete
from forecast.season.varieties import Variety
from forecast.weather.climate import PERSISTENCE
from forecast.weeks import Week
from forecast.words.numbers import figures

KEYS = {
    "varieties": ("variety",),
    "places": ("place", "first_week"),
    "stages": ("applies_to", "stage"),
    "price_list": ("lab", "variety", "form", "from_quantity", "first_week"),
    "targets": ("variety", "week", "channel"),
    "profiles": ("profile", "week"),
    "on_hand": ("variety", "stage", "since"),
    "climate": ("month", "week"),
    "cultures": ("variety",),
    "divisions": ("variety",),
}  # columns that name a row of a table
_SUGGESTED = 20  # unknown names for which the nearest known one is sought


def unpriced(varieties: Sequence[Variety], targets: Iterable[Target]) -> dict[str, Fault]:
    """Return what is wrong with the varieties that have a target without a price and no sale price, by variety."""
    remedy = "Fill in the price at which it is sold."
    targeted = {row.variety for row in targets if row.price is None}
    return {
        row.variety: Fault("a target needs it", remedy, "varieties", number, "sale_price")
        for number, row in enumerate(varieties, start=FIRST_ROW)
        if row.sale_price is None and row.variety in targeted
    }


def entering(route: Sequence[Stage]) -> tuple[Share, ...]:
    """Return the share surviving each stage of a route, of those that enter it.

    `Refused`, naming the stage, if losses leave no plants, or for a standard deviation that no share can have.

    Notes
    -----
    Losses quoted in points of the original number are divided by what is left of it: 20, 11 and
    9 points leave 60 of 100, so the second stage keeps 1 - 0.11 / 0.80 of those that enter it.
    """
    shares, left = [], 1.0
    for row in route:
        share = row.stated
        if row.share_of == "original":
            lost = 1 - share.mean
            if lost >= left - TOLERANCE:
                enter = f"{figures(left)} of the original plants enter this stage"
                problem = f"{enter}, but it loses {figures(lost)} of the original"
                remedy = "Lower the losses, or use share_of 'entering' if each is a share of the plants that enter."
                raise refuse(row.stage, None, problem, remedy)
            try:
                share = Share(1 - lost / left, share.sd / left, share.level)
            except Refused as error:
                problem = f"as a share of the plants that enter: {error.faults[0].problem}"
                raise refuse(row.stage, None, problem, "Lower survival_sd.") from error
            left -= lost
        shares.append(share)
    return tuple(shares)


@dataclass(frozen=True)
class Tables:
    """Numbered rows of each table, names in faulty rows, tables not read to their end, and readable parts of rows."""

    rows: Mapping[str, Sequence[tuple[int, Any]]]
    spoken: Mapping[str, frozenset[str]] = field(default_factory=dict)
    unread: frozenset[str] = frozenset()
    parts: Mapping[str, Sequence[tuple[int, Any]]] = field(default_factory=dict)

    def having(self, table: str, *columns: str) -> list[tuple[int, Any]]:
        """Return the rows of a table, and those of its faulty ones of which these columns can be read, by number."""
        parts = [(number, row) for number, row in self.parts.get(table, ()) if vars(row).keys() >= {*columns}]
        return sorted([*self.rows[table], *parts], key=itemgetter(0)) if parts else list(self.rows[table])

    def names(self, table: str, column: str) -> set[str]:
        """Return all names in a column."""
        return {getattr(row, column) for _, row in self.rows[table]} | self.spoken.get(f"{table}.{column}", frozenset())


def contradictions(header: Header | None, tables: Tables) -> list[Fault]:
    """List the contradictions between the rows of a season's tables, numbered as faults are to name them."""
    faults = [*_repeated(tables), *_unknown(tables), *_routes(tables), *_entries(tables), *_unsupplied(tables)]
    faults += [*_weather_stages(tables), *_whole_year(header, tables), *_profiles(tables), *_good_and_bad(tables)]
    if header is not None:
        faults += [*_untimely(header, tables), *_there(header, tables), *_dear(header, tables)]
    return faults


def _repeated(tables: Tables) -> Iterator[Fault]:
    for table, columns in KEYS.items():
        first: dict[tuple[Any, ...], int] = {}
        for number, row in tables.having(table, *columns):
            key = tuple(getattr(row, column) for column in columns)
            if key in first:
                shown = ", ".join(str(part) for part in key if part is not None)
                *names, last = columns
                change = f"{', '.join(names)} or {last}" if names else last
                remedy = f"Keep one of the two rows, or change its {change}."
                yield Fault(f"the same as row {first[key]}", remedy, table, number, columns[0], shown)
            first.setdefault(key, number)
    groups = tables.names("varieties", "group")
    for number, row in tables.having("varieties", "variety"):
        if row.variety in groups:
            remedy = "Rename the group, so that stages.csv is unambiguous."
            yield Fault("also the name of a group", remedy, "varieties", number, "variety", row.variety)


def _unknown(tables: Tables) -> Iterator[Fault]:
    varieties = tables.names("varieties", "variety")
    owners = varieties | tables.names("varieties", "group")
    places = tables.names("places", "place")
    checks = [
        ("stages", "applies_to", owners, "group or variety", "varieties"),
        ("stages", "place", places, "place", "places"),
        ("price_list", "variety", varieties, "variety", "varieties"),
        ("targets", "variety", varieties, "variety", "varieties"),
        ("targets", "profile", tables.names("profiles", "profile"), "profile", "profiles"),
        ("orders", "variety", varieties, "variety", "varieties"),
        ("on_hand", "variety", varieties, "variety", "varieties"),
        ("cultures", "variety", varieties, "variety", "varieties"),
        ("divisions", "variety", varieties, "variety", "varieties"),
        ("divisions", "place", places, "place", "places"),
    ]
    for table, column, known, noun, source in checks:
        if source in tables.unread:
            continue
        remedies: dict[str, str] = {}
        for number, row in tables.having(table, column):
            name = getattr(row, column)
            if name is None or name in known:
                continue
            if name not in remedies:
                near = suggestion(name, sorted(known)) if known and len(remedies) < _SUGGESTED else ""
                remedies[name] = f"Correct the spelling, or add it to {source}. {near}".rstrip()
            yield Fault(f"no {noun} of this name in {source}", remedies[name], table, number, column, name)


def _routes(tables: Tables) -> Iterator[Fault]:
    owners = tables.names("stages", "applies_to")
    for number, row in tables.having("varieties", "variety", "group"):
        if row.variety not in owners and row.group not in owners and "stages" not in tables.unread:
            remedy = f"Add rows for {row.group!r} or {row.variety!r} to stages."
            yield Fault("no stages for this group or variety", remedy, "varieties", number, "group", row.group)
    by_owner: dict[str, list[tuple[int, Stage]]] = defaultdict(list)
    for number, row in tables.rows["stages"]:
        by_owner[row.applies_to].append((number, row))
    for owner, rows in by_owner.items():
        yield from untold_order(rows)
        rows.sort(key=lambda pair: pair[1].step or 0)
        meaning = rows[0][1].share_of
        other = [(number, row) for number, row in rows if row.share_of != meaning]
        if other:
            number, row = other[0]
            problem = f"{owner} mixes both meanings of survival: row {rows[0][0]} says {meaning}"
            remedy = "Use one share_of for all stages of a group or variety."
            yield Fault(problem, remedy, "stages", number, "share_of", row.share_of)
            continue
        try:
            entering([row for _, row in rows])
        except Refused as error:
            fault = error.faults[0]
            number = next(number for number, row in rows if row.stage == fault.column)
            yield Fault(f"{owner}: {fault.problem}", fault.remedy, "stages", number, "share_of", "original")


def _good_and_bad(tables: Tables) -> Iterator[Fault]:
    """Ask, once, what good and bad survivals differ by."""
    rows = [(number, row) for number, row in tables.having("stages", "survival_bad", "survival_level")
            if row.survival_bad is not None and row.survival_level is None]  # fmt: skip
    if rows:
        also = ", ".join(f"row {number}" for number, _ in rows[1:])
        problem = "good and bad may be years or deliveries"
        remedy = "Write season if a bad year is bad for all, batch if each delivery has its own luck."
        remedy += f" Likewise in {also}." if also else ""
        yield Fault(problem, remedy, "stages", rows[0][0], "survival_level")


def _weather_stages(tables: Tables) -> Iterator[Fault]:
    """List stages with heat or cold after the first that takes time, and the first that lacks a climate."""
    begun: set[str] = set()  # owners that already had a stage that takes time
    lacking = "climate" not in tables.unread and not tables.rows["climate"] and "climate.month" not in tables.spoken
    for number, row in sorted(tables.rows["stages"], key=lambda pair: pair[1].step or 0):
        if row.harmed and row.applies_to in begun:
            problem = "heat and cold limits work only in the arrival stage and the first stage that takes time"
            column = _limit(row)
            yield Fault(problem, "Clear them here.", "stages", number, column, getattr(row, column))
        if row.typical:
            begun.add(row.applies_to)
        if lacking and (row.runs_on == "degree-days" or row.harmed):
            lacking = False  # said once
            column = "runs_on" if row.runs_on == "degree-days" else _limit(row)
            remedy = "Add climate.csv with 12 months or 52 weeks, or set runs_on to weeks and clear heat and cold."
            problem = "depends on the weather, but the season has no climate"
            yield Fault(problem, remedy, "stages", number, column, getattr(row, column))


def _whole_year(header: Header | None, tables: Tables) -> Iterator[Fault]:
    """List what keeps the rows of the climate from being one whole year."""
    rows = [row for _, row in tables.rows["climate"]]
    if not rows or "climate" in tables.unread:
        return
    word, count = ("month", 12) if rows[0].month is not None else ("week", 52)
    for number, row in tables.rows["climate"]:
        if getattr(row, word) is None:
            yield Fault("months and weeks are mixed", f"Fill {word} in all rows.", "climate", number, word)
    if "climate.month" in tables.spoken:
        return
    known = {getattr(row, word) for row in rows}
    if absent := [str(i) for i in range(1, count + 1) if i not in known]:
        problem = f"not a whole year: {word} {', '.join(absent)} missing"
        yield Fault(problem, f"Write {count} rows, one for each {word}.", "climate", None, word)
    elif len(rows) == count:
        try:
            climate_of(rows, header.persistence if header else PERSISTENCE)
        except Refused as error:
            yield from (fault.placed("climate", None) for fault in error.faults)


def _limit(row: Stage) -> str:
    return "cold_below" if row.heat_above is None else "heat_above"


def _entries(tables: Tables) -> Iterator[Fault]:
    """List cultures, divisions and plants on hand that enter or are in a stage that their variety does not have."""
    if "stages" in tables.unread or "stages.applies_to" in tables.spoken:
        return
    groups = {row.variety: row.group for _, row in tables.rows["varieties"]}
    stages: dict[str, dict[str, float]] = defaultdict(dict)
    for _, stage in tables.rows["stages"]:
        stages[stage.applies_to][stage.stage] = stage.typical
    for table, column in (("cultures", "enters"), ("divisions", "enters"), ("on_hand", "stage")):
        for number, row in tables.having(table, "variety", column):
            known, name = stages.get(row.variety) or stages.get(groups.get(row.variety, "")), getattr(row, column)
            if not known or (table == "on_hand" and name == SALEABLE):
                continue
            if name not in known:
                names = [*known, SALEABLE] if table == "on_hand" else list(known)
                yield Fault(f"{row.variety} has no such stage", suggestion(name, names), table, number, column, name)
            elif table == "on_hand" and not known[name]:
                remedy = f"Write the stage before it, or the one after it ({SALEABLE} after the last)."
                yield Fault("a stage that takes no time: no plants are in it", remedy, table, number, column, name)


def _unsupplied(tables: Tables) -> Iterator[Fault]:
    if "price_list" in tables.unread:
        return
    varieties, sold = tables.names("varieties", "variety"), tables.names("price_list", "variety")
    possible = sold | _multiplied(tables) | tables.names("on_hand", "variety")
    for number, row in tables.having("targets", "variety"):
        if row.variety in varieties and row.variety not in possible:
            remedy = "Add a row for it to price_list, cultures, divisions or on_hand, or remove the target."
            yield Fault("no lab sells this variety", remedy, "targets", number, "variety", row.variety)
    pairs = {(row.lab, row.variety) for _, row in tables.rows["price_list"]}
    doubtful = tables.spoken.get("price_list.lab", frozenset())
    for number, row in tables.having("orders", "variety", "lab"):
        if row.lab is None or row.lab in doubtful or row.variety not in varieties:
            continue
        if (row.lab, row.variety) not in pairs:
            remedy = "Correct the lab, clear it, or add it to price_list."
            yield Fault(f"this lab does not sell {row.variety}", remedy, "orders", number, "lab", row.lab)


def _profiles(tables: Tables) -> Iterator[Fault]:
    """List profiles with a gap in their weeks, or without any sale."""
    if "profiles" in tables.unread:
        return
    by_name: dict[str, list[tuple[int, Weight]]] = defaultdict(list)
    for number, row in tables.rows["profiles"]:
        by_name[row.profile].append((number, row))
    doubtful = tables.spoken.get("profiles.profile", frozenset())
    for name, rows in by_name.items():
        if name not in doubtful and (fault := incomplete(rows)):
            number, column, problem, remedy = fault
            yield Fault(problem, remedy, "profiles", number, column, name)


def _multiplied(tables: Tables) -> set[str]:
    """Return the varieties that can be propagated without a lab."""
    return {row.variety for table in ("cultures", "divisions") for _, row in tables.rows[table]}


def _untimely(header: Header, tables: Tables) -> Iterator[Fault]:
    first, last = header.first_week, header.first_week + (header.weeks - 1)
    earliest: dict[str, Week] = dict.fromkeys(tables.spoken.get("price_list.variety", ()), first)
    for number, row in tables.having("price_list", "variety", "lead_weeks", "first_week", "last_week"):
        possible = first_delivery(row, first)
        if possible > row.closes:
            remedy = f"Ordered in {first}, it would arrive in {possible}: change lead_weeks, last_week or season.toml."
            yield Fault("too late to order", remedy, "price_list", number, "last_week", str(row.last_week))
        elif row.variety not in earliest or possible < earliest[row.variety]:
            earliest[row.variety] = possible
    for number, row in tables.having("cultures", "start"):
        if row.start is not None and not first <= row.start <= last:
            remedy = f"Write a week from {first} to {last}, or clear it."
            yield Fault("outside the season", remedy, "cultures", number, "start", str(row.start))
    for table in ("targets", "orders"):
        for number, row in tables.having(table, "variety", "week"):
            until = getattr(row, "until", None)
            outside = [("week", row.week), ("until", until)] if until is not None else [("week", row.week)]
            for column, week in outside:
                if not first <= week <= last:
                    remedy = f"Write a week from {first} to {last}, or change first_week or weeks in season.toml."
                    yield Fault("outside the season", remedy, table, number, column, str(week))
                    break
    yield from _too_early(header, tables, earliest)


def _there(header: Header, tables: Tables) -> Iterator[Fault]:
    """List plants on hand that are there only later, or have been for longer than can be meant."""
    first = header.first_week
    for number, row in tables.having("on_hand", "since"):
        if row.since > first:
            problem = "after the first week of the season, so these plants are not there yet"
            remedy = f"Write {first} or an earlier week, or put plants that are still to come into orders."
            yield Fault(problem, remedy, "on_hand", number, "since", str(row.since))
        elif first - row.since > MOST_WEEKS:
            problem, remedy = f"more than {MOST_WEEKS} weeks ago", "Write the week in which they entered this stage."
            yield Fault(problem, remedy, "on_hand", number, "since", str(row.since))


def _too_early(header: Header, tables: Tables, earliest: Mapping[str, Week]) -> Iterator[Fault]:
    """List targets of which the last buyer has gone before any delivery is possible."""
    first, last = header.first_week, header.first_week + (header.weeks - 1)
    there = _multiplied(tables) | tables.names("on_hand", "variety")
    there |= {row.variety for _, row in tables.rows["orders"] if row.placed == "yes"}
    for number, row in tables.having("targets", "variety", "week", "until", "waits"):
        possible = earliest.get(row.variety, first)
        if first <= row.week <= row.last <= last and row.last + row.waits < possible and row.variety not in there:
            column = "week" if row.until is None else "until"
            remedy = (
                f"The first possible delivery is in {possible}: move the target later, or find an earlier delivery."
            )
            yield Fault("before any delivery is possible", remedy, "targets", number, column, str(row.last))


def _dear(header: Header, tables: Tables) -> Iterator[Fault]:
    """List markdown prices above the price of the variety, or of a target, in one of the weeks of its sale."""
    last: dict[str, int] = {}
    varieties = {row.variety: row for _, row in tables.rows["varieties"]}
    for number, one in tables.rows["targets"]:
        week = one.last - header.first_week
        if one.price is None and one.price_end is None and 0 <= week < header.weeks:
            last[one.variety] = max(week, last.get(one.variety, 0))
        own = varieties.get(one.variety)
        if own is not None and own.markdown_price is not None:
            yield from _below_markdown(number, one, own.markdown_price)
    for number, row in tables.rows["varieties"]:
        if row.variety in last and row.sale_price is not None:
            try:
                row.marked_down(last[row.variety])  # a price never rises
            except Refused as error:
                yield error.faults[0].placed("varieties", number)


def _below_markdown(number: int, row: Target, markdown: float) -> Iterator[Fault]:
    """List the prices of a target that are below the markdown price of its variety."""
    for column in ("price", "price_end"):
        price = getattr(row, column)
        if price is not None and price < markdown:
            problem = f"below the markdown price of {row.variety}, {figures(markdown, 6)}"
            remedy = "Raise it, or lower markdown_price in varieties."
            yield Fault(problem, remedy, "targets", number, column, price)


def first_delivery(line: PriceLine, ordered: Week) -> Week:
    """Return the first week in which a price-list line can be delivered if it is ordered in a week."""
    return max(line.opens, ordered + line.lead_weeks)
