"""Charts of what happens when: delivery weeks, ready dates, benches and work by week, forecasts by day."""

from __future__ import annotations

from collections.abc import Mapping

import altair as alt
import numpy as np
import pandas as pd

from forecast.charts.base import BLACK, BLUE, GREEN, ORANGE, WHOLE, WIDTH, Chart, area_tips, dated, layered, number_tips
from forecast.errors import refuse
from forecast.growth.outcome import Outcome
from forecast.growth.summaries import RANGE_NAMES
from forecast.ordering.delivery_timing import DeliveryWeeks
from forecast.resources.bench_use import BenchSpace
from forecast.resources.labour import Hours
from forecast.weeks import Week
from forecast.words import charts as words

_ROW = 22  # height of a row [pixels]
_OFTEN = 0.1  # chance of an overrun from which it is marked
_CHANCES = np.array([0.999, 0.99, 0.97, *np.arange(0.95, 0.0, -0.05).round(2), 0.03, 0.01, 0.001])


def ready_dates(weeks: DeliveryWeeks) -> Chart:
    """Draw when plants are ready, for each week of delivery.

    Parameters
    ----------
    weeks
        The delivery weeks.

    Returns
    -------
    LayerChart
        For each week of delivery a bar from the Monday by which 5 of 100 plants that live are ready to that by which
        95 are, a tick where half are, and a rule at the target week. Of what is not ready within the season the bar
        ends with it, and there is no tick if it is not even half.
    """
    table = weeks.table().drop_duplicates("week").sort_values("week")
    end = str(weeks.cases[0].season.last_week)
    columns = {name: [_monday(week or end) for week in table[name]] for name in ("ready_first", "ready", "ready_last")}
    labels = {f"{name}_label": table[name].replace("", words.AFTER_SEASON) for name in columns}
    rows = pd.DataFrame({"week": table["week"], **columns, **labels})
    rows = rows.assign(half=table["ready"] != "", late=table["ready_last"] == "")
    y = alt.Y("week:O", title="week of delivery [ISO week]")
    said = zip(columns, ("5 of 100 ready", "half ready", "95 of 100 ready"), strict=True)
    tips = [
        alt.Tooltip("week", title="delivered"),
        *(alt.Tooltip(f"{name}_label:N", title=title) for name, title in said),
    ]
    axis = alt.Axis(format="%d %b %Y", labelAngle=-35, tickCount=9)
    base = alt.Chart(rows).encode(y=y, tooltip=tips)
    bars = base.mark_bar(height=9, color=BLUE, opacity=0.35).encode(
        x=alt.X("ready_first:T", title="ready [Monday]", axis=axis, scale=alt.Scale(zero=False)), x2="ready_last:T"
    )
    ticks = base.transform_filter("datum.half").mark_tick(color=BLUE, thickness=3, size=15).encode(x="ready:T")
    target = pd.DataFrame({"by": [_monday(str(weeks.order.by))]})
    rule = alt.Chart(target).mark_rule(color=ORANGE, strokeWidth=2, strokeDash=[6, 3]).encode(x="by:T")
    first, last = table.iloc[0], table.iloc[-1]
    ends = {"first": (first["week"], first["ready"]), "last": (last["week"], last["ready"])}
    text = words.ready_dates(variety=weeks.order.variety, by=str(weeks.order.by), **ends)
    title = words.READY_DATES_TITLE.format(variety=weeks.order.variety)
    height = max(_ROW * len(rows), 60)
    return layered(bars, ticks, rule, title=title, reads=words.READY_DATES, text=text, height=height)


def survival_by_week(weeks: DeliveryWeeks) -> Chart:
    """Draw the survival of the plants delivered, for each week of delivery, and the chance of enough.

    Parameters
    ----------
    weeks
        The delivery weeks.

    Returns
    -------
    LayerChart
        For each week of delivery the 90 % range of survival as a bar, a tick at the median, and a triangle at the
        chance that the same quantity meets the target.
    """
    table = weeks.table().drop_duplicates("week").sort_values("week")
    columns = ["week", "survival_p5", "survival", "survival_p95", "chance"]
    rows = table[columns].round(4)
    x = alt.X("week:O", title="week of delivery [ISO week]", axis=alt.Axis(labelAngle=-35))
    tips = [alt.Tooltip("week"), *(alt.Tooltip(name, format=".0%") for name in columns[1:])]
    base = alt.Chart(rows).encode(x=x, tooltip=tips)
    y = alt.Y("survival_p5:Q", title="survival, chance [%]", axis=alt.Axis(format="%"), scale=alt.Scale(domain=[0, 1]))
    bars = base.mark_bar(width=12, color=BLUE, opacity=0.35).encode(y=y, y2="survival_p95:Q")
    ticks = base.mark_tick(color=BLUE, thickness=3, size=18, orient="horizontal").encode(y="survival:Q")
    points = base.mark_point(shape="triangle-up", filled=True, size=90, color=ORANGE, opacity=1).encode(y="chance:Q")
    title = words.SURVIVAL_TITLE.format(variety=weeks.order.variety)
    reads = words.SURVIVAL.format(quantity=weeks.quantity, target=weeks.order.target, by=str(weeks.order.by))
    return layered(bars, ticks, points, title=title, reads=reads, text=" ".join(str(weeks).splitlines()))


def chances(plans: Mapping[str, Outcome], variety: str, week: Week | str) -> Chart:
    """Draw for several plans the chance of at least so many plants.

    Parameters
    ----------
    plans
        At most three outcomes by the name of the plan.
    variety, week
        Of which variety, on the Monday of which week.

    Returns
    -------
    LayerChart
        A falling line for each plan: the share of draws in which at least so many are saleable.

    Raises
    ------
    Refused
        If no plan is given, or more than three.
    """
    if not 1 <= len(plans) <= 3:
        raise refuse("plans", len(plans), "not so many plans", "Give one to three.")
    parts = []
    for name, outcome in plans.items():
        numbers = outcome.quantile(variety, week=week, q=1 - _CHANCES)
        parts.append(pd.DataFrame({"plan": name, "plants": numbers, "chance": _CHANCES}))
    rows = pd.concat(parts, ignore_index=True)
    colours = alt.Scale(domain=list(plans), range=[BLUE, ORANGE, GREEN][: len(plans)])
    dashes = alt.Scale(domain=list(plans), range=[[1, 0], [7, 3], [2, 2]][: len(plans)])
    axis, scale = alt.Axis(format="%"), alt.Scale(domain=[0, 1])
    line = (
        alt.Chart(rows)
        .mark_line(strokeWidth=2.5)
        .encode(
            x=alt.X("plants:Q", title="saleable plants, at least [number]", scale=alt.Scale(zero=False)),
            y=alt.Y("chance:Q", title="simulated seasons [%]", axis=axis, scale=scale),
            color=alt.Color("plan:N", scale=colours, sort=list(plans), legend=alt.Legend(title=None, orient="bottom")),
            strokeDash=alt.StrokeDash("plan:N", scale=dashes, sort=list(plans)),
            tooltip=[*number_tips("plan", "plants"), alt.Tooltip("chance", format=".0%")],
        )
    )
    low = {name: int(outcome.quantile(variety, week=week, q=0.1)) for name, outcome in plans.items()}
    title = words.CHANCES_TITLE.format(variety=variety, week=week)
    return layered(line, title=title, reads=words.CHANCES, text=words.chances(variety=variety, week=str(week), p10=low))


def space_map(space: BenchSpace) -> Chart:
    """Draw how full every growing area is, week by week.

    Parameters
    ----------
    space
        Bench space by place and week.

    Returns
    -------
    LayerChart
        A row for each growing area with its m², a cell for each week: the darker, the fuller in the median season. A
        cross marks a chance of 10 % or more of being over capacity, else a dot an area that is closed.
    """
    weekly = space.table()
    used = weekly[weekly["p95"] > 0]["week"]
    if len(used):
        weekly = weekly[(weekly["week"] >= used.min()) & (weekly["week"] <= used.max())]
    most = weekly.groupby("place", sort=False)["available"].max()
    named = {place: f"{place}, {area:,.0f} m²" for place, area in most.items()}
    full = (weekly["median"] / weekly["available"].where(weekly["available"] > 0)).fillna(0).round(3)
    rows = dated(weekly.assign(full=full, where=weekly["place"].map(named)))
    closed = np.where(rows["available"] == 0, words.CLOSED, "")
    rows = rows.assign(mark=np.where(rows["overrun"] >= _OFTEN, words.OVER, closed))
    y = alt.Y("where:N", title="growing area [m²]", sort=list(named.values()), axis=alt.Axis(labelLimit=220))
    tips = [alt.Tooltip("where", title="growing area"), *area_tips()]
    base = alt.Chart(rows).encode(x=_cells(), y=y, tooltip=tips)
    blues = alt.Scale(scheme="blues", domain=[0, 1], clamp=True)
    shade = alt.Color("full:Q", title="full [%]", scale=blues, legend=alt.Legend(format="%"))
    marks = base.transform_filter("datum.mark != ''").mark_point(filled=False, size=45, opacity=1)
    shapes = alt.Scale(domain=[words.OVER, words.CLOSED], range=["cross", "circle"])
    colours = alt.Scale(domain=[words.OVER, words.CLOSED], range=[ORANGE, "#999999"])
    legend = alt.Legend(title=None, orient="bottom")
    points = marks.encode(
        shape=alt.Shape("mark:N", scale=shapes, legend=legend), stroke=alt.Stroke("mark:N", scale=colours)
    )
    cells = base.mark_rect(stroke="white", strokeWidth=0.5).encode(color=shade)
    text, height = " ".join(str(space).splitlines()), max(2 * _ROW * len(named), 60)
    return layered(cells, points, title=words.MAP_TITLE, reads=words.MAP, text=text, height=height)


def work_calendar(work: Hours) -> Chart:
    """Draw the hours of work by week and stage.

    Parameters
    ----------
    work
        Hours of work.

    Returns
    -------
    LayerChart
        A row for each stage, a cell for each week: the darker, the more expected hours; the number is written in it.
    """
    rows = dated(work.by_stage[work.by_stage["hours"] >= 0.5])
    rows = rows.assign(label=rows["hours"].map(lambda hours: f"{hours:,.0f}"))
    stages = list(dict.fromkeys(work.by_stage["stage"]))
    y = alt.Y("stage:N", title="plants enter [stage]", sort=stages)
    tips = [alt.Tooltip("week"), alt.Tooltip("stage"), alt.Tooltip("hours", title="expected hours", format=",.1f")]
    tips += [alt.Tooltip(name, title=f"plants, {name}", format=WHOLE) for name in ("p5", "median", "p95")]
    base = alt.Chart(rows).encode(x=_cells(), y=y, tooltip=tips)
    shade = alt.Color("hours:Q", title="hours [h]", scale=alt.Scale(scheme="blues"))
    most = float(rows["hours"].max()) if len(rows) else 1.0
    dark = alt.condition(f"datum.hours > {0.55 * most:.2f}", alt.value("white"), alt.value(BLACK))
    numbers = base.mark_text(fontSize=9).encode(text="label:N", color=dark)
    size = {"width": WIDTH + 160, "height": max(_ROW * len(stages), 60)}
    cells = base.mark_rect().encode(color=shade)
    return layered(cells, numbers, title=words.WORK_TITLE, reads=words.WORK, text=str(work), **size)


def narrowing(table: pd.DataFrame, came: int | None = None) -> Chart:
    """Draw how a forecast narrows from day to day.

    Parameters
    ----------
    table
        day; p5, median and p95 of the number saleable, as from `forecast.tracking.reforecasting.narrowing`.
    came
        The final number, if that is known.

    Returns
    -------
    LayerChart
        The 90 % range as a band, the median as a line, the final number as a dashed rule.
    """
    if table.empty:
        raise refuse("table", None, "no day is given", "Give at least one day to forecast on.")
    rows = table[["day", *RANGE_NAMES]]
    axis = alt.Axis(format="%d %b %Y", labelAngle=-35)
    x = alt.X("day:T", title="forecast made on [day]", axis=axis)
    tips = [alt.Tooltip("day:T", format="%d %b %Y"), *(alt.Tooltip(name, format=WHOLE) for name in RANGE_NAMES)]
    base = alt.Chart(rows).encode(x=x, tooltip=tips)
    y = alt.Y("p5:Q", title="saleable plants [number]", scale=alt.Scale(zero=False))
    band = base.mark_area(color=BLUE, opacity=0.25).encode(y=y, y2="p95:Q")
    line = base.mark_line(color=BLUE, point=alt.OverlayMarkDef(size=20, color=BLUE)).encode(y="median:Q")
    layers: list[alt.Chart] = [band, line]
    if came is not None:
        dashed = alt.Chart(pd.DataFrame({"came": [came]})).mark_rule(color=ORANGE, strokeWidth=2, strokeDash=[6, 3])
        layers.append(dashed.encode(y="came:Q", tooltip=[alt.Tooltip("came", title="final number", format=WHOLE)]))
    ends = rows.iloc[[0, -1]].drop_duplicates().to_dict("records")
    text = words.narrowing([{str(name): cell for name, cell in row.items()} for row in ends], came)
    return layered(*layers, title=words.NARROWING_TITLE, reads=words.narrowing_note(came), text=text)


def _cells() -> alt.X:
    """Return an axis of weeks on which every week is a cell."""
    ticks = alt.Axis(format="%d %b %Y", labelAngle=-35, labelOverlap="greedy")
    return alt.X("yearmonthdate(monday):O", title="week [its Monday]", axis=ticks)


def _monday(week: str) -> str:
    return Week.parse(week).monday.isoformat()
