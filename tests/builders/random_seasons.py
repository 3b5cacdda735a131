"""Random small seasons for Hypothesis."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st
from small_seasons import FIRST, MIXED, offer, season, stage

from forecast.season.season import Season
from forecast.weeks import Week

NAMES = ("arrival", "acclimatisation", "rooting in sand", "growing on", "hardening")
LEVELS = ("belief", "season", "variety", "batch", MIXED, "belief 0.25 batch 0.75")
WEEKS = 30


def week(number: int) -> str:
    """Return the week so many after the first."""
    return str(Week.parse(FIRST) + number)


@st.composite
def stages(draw: st.DrawFn, most: int = 4) -> list[dict[str, Any]]:
    """Draw the stages of a route, with and without time, spread and loss."""
    names = draw(
        st.lists(st.sampled_from(NAMES), min_size=1, max_size=most, unique=True).map(
            lambda some: sorted(some, key=NAMES.index)
        )
    )
    alike = draw(st.booleans())  # half of the routes have one pace for all stages
    pace = draw(st.sampled_from([0.0, 0.1, 0.3]))
    rows = []
    for name in names:
        typical = draw(st.sampled_from([0, 0, 0.5, 2, 4.5, 7]))
        survival = draw(st.sampled_from([0.3, 0.7, 0.9, 0.99, 1.0]))
        row = stage(
            name,
            typical=typical,
            survival=survival,
            survival_sd=(survival * (1 - survival)) ** 0.5 * draw(st.sampled_from([0, 0.1, 0.4])),
            survival_level=draw(st.sampled_from([*LEVELS, "plant"])),
            plants_per_m2=draw(st.sampled_from([20, 100, 450])),
            cost=draw(st.sampled_from([0, 0.5])),
        )
        if typical:
            row["time_level"] = draw(st.sampled_from(LEVELS))
            row["batches_cv"] = draw(st.sampled_from([0, 0.1, 0.3]))
            row["plants_cv"] = pace if alike else draw(st.sampled_from([0, 0.1, 0.3, 0.6]))
        rows.append(row)
    return rows


@st.composite
def seasons(draw: st.DrawFn, **header: Any) -> Season:
    """Draw a season of two varieties that share a route."""
    life = draw(st.sampled_from([None, None, 1, 6]))
    return season(draw(stages()), varieties=("A", "B"), saleable_weeks=life, weeks=WEEKS, **header)


@st.composite
def price_lists(draw: st.DrawFn, variety: str = "A", lab: str = "Lab") -> list[dict[str, Any]]:
    """Draw the rows of one price list: price breaks with minimum, multiple and boxes of their own."""
    starts = draw(st.lists(st.integers(2, 120), max_size=2, unique=True).map(sorted))
    first = draw(st.integers(0, 8))
    rows = []
    for start in [draw(st.sampled_from([1, 1, 5])), *[s for s in starts if s > 5]]:
        rows.append(
            offer(
                variety,
                lab=lab,
                from_quantity=start,
                unit_price=draw(st.sampled_from([0.5, 0.8, 1.0, 1.5, 3.0])),
                minimum=draw(st.sampled_from([1, 1, 10, 40])),
                multiple=draw(st.sampled_from([1, 1, 7, 25])),
                first_week=week(first),
                last_week=week(first + 4),
                plants_per_box=draw(st.sampled_from([None, 10, 60])),
            )
        )
        if rows[-1]["plants_per_box"]:
            rows[-1]["freight_per_box"] = draw(st.sampled_from([0, 5]))
    return rows


def tier(rows: list[dict[str, Any]], quantity: int) -> dict[str, Any] | None:
    """Return the row of a price list that a quantity falls under, if it reaches any."""
    reached = [row for row in rows if row["from_quantity"] <= quantity]
    return max(reached, key=lambda row: row["from_quantity"]) if reached else None


def orderable(rows: list[dict[str, Any]], quantity: int) -> bool:
    """Say whether a lab accepts a quantity."""
    row = tier(rows, quantity)
    return row is not None and quantity >= row["minimum"] and quantity % row["multiple"] == 0


deliveries = st.lists(
    st.tuples(st.sampled_from(["A", "B"]), st.integers(0, 12).map(week), st.integers(0, 60)), min_size=1, max_size=4
)
