"""Charts of plants, benches, cultures and routes: a result in, one Altair chart out, with a text that says the same."""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from forecast.errors import refuse
from forecast.growth.outcome import Outcome
from forecast.growth.summaries import RANGE_NAMES
from forecast.ordering.order import Order
from forecast.propagation.cultures import Cultures
from forecast.propagation.sourcing import Routes
from forecast.resources.bench_use import BenchSpace
from forecast.weeks import Week
from forecast.words import charts as words
from forecast.words.resources import AMPLE
from forecast.words.results import records

# Colours that stay apart without colour vision: Okabe, M. and Ito, K. (2008), Color Universal Design.
BLUE, ORANGE, GREEN, BLACK = "#0072B2", "#D55E00", "#009E73", "#222222"
WIDTH, HEIGHT = 560, 260

WHOLE, TRIMMED = ",.0f", ",~f"
"""How numbers are written, thousands separated: whole ones, and those on an axis of powers of ten.

Other axes have no format: Vega separates thousands there by itself, and shows as many decimals as its steps need.
"""

Chart = alt.LayerChart | alt.FacetChart  # what altair.layer gives

_MIME = "application/vnd.vegalite.v5+json"
_SCHEMA = "https://vega.github.io/schema/vega-lite/v5.json"


def draw_offline() -> None:
    """Let notebooks draw charts with what JupyterLab brings along, without any network.

    Notes
    -----
    The chart is kept in the notebook as its Vega-Lite description, so it is drawn again when the notebook
    is opened, and is the same text on every machine.
    """
    alt.renderers.register("offline", offline)
    alt.renderers.enable("offline")


def offline(spec: dict[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return a chart's description as JupyterLab draws it without a network, and how it is to be drawn."""
    described = {**spec, "$schema": _SCHEMA}
    bundle = {_MIME: described, "text/plain": spec.get("description", "A chart.")}
    return bundle, {_MIME: {"embed_options": {"renderer": "svg", "actions": False}}}


def saleable(outcome: Outcome, variety: str) -> Chart:
    """Draw the saleable plants of a variety on hand by week, against its targets, sold in their weeks.

    Parameters
    ----------
    outcome
        What comes of the orders.
    variety
        Which variety.

    Returns
    -------
    LayerChart
        The 90 % range as a band, the median as a line, each target as a diamond, with a bar over all weeks of its sale.
    """
    if variety not in outcome.varieties:
        ordered = f"Ordered: {', '.join(outcome.varieties)}." if outcome.varieties else "Nothing is ordered yet."
        raise refuse("variety", variety, "not ordered", ordered)
    table = outcome.table(variety, sold=True)
    first = min(batch.week for batch in outcome.batches if batch.variety == variety)
    table = dated(table[table["week"] >= str(first)])
    target = outcome.targets(variety)
    text = words.saleable(variety, records(target))
    layers = fan(
        alt.Chart(table).encode(x=week_axis(), tooltip=number_tips("week", *RANGE_NAMES)),
        "saleable plants on hand [number]",
    )
    if len(target):
        point = alt.Chart(sold_in(target)).encode(x=week_axis(), y="target:Q")
        layers.append(point.mark_rule(color=ORANGE, strokeWidth=3).encode(x2="end:T"))
        diamonds = point.mark_point(shape="diamond", size=140, filled=True, color=ORANGE, opacity=1)
        layers.append(diamonds.encode(tooltip=[*number_tips("week", "target"), alt.Tooltip("chance", format=".0%")]))
        layers.append(
            point.mark_text(align="right", dx=-10, dy=-8, color=BLACK).encode(text=alt.Text("target:Q", format=WHOLE))
        )
    over = any(row.last != row.week for row in outcome.season.targets_of(variety))
    reads = words.sold_over_weeks(words.SALEABLE) if over else words.SALEABLE
    return layered(*layers, title=variety, reads=reads, text=text)


def order_curve(order: Order) -> Chart:
    """Draw the on-time chance against the quantity ordered.

    Parameters
    ----------
    order
        The order.

    Returns
    -------
    LayerChart
        The curve, the order as a filled circle, the order by average as a triangle, the service level as
        a dashed line.
    """
    curve = order.curve().round({"chance": 4, "cost": 0, "saleable": 0})
    names = words.ORDERED.format(quantity=order.quantity), words.BY_AVERAGE.format(quantity=order.by_average)
    chances = round(order.chance, 4), round(order.chance_by_average, 4)
    marks = pd.DataFrame({"quantity": (order.quantity, order.by_average), "chance": chances, "which": names})
    x = alt.X("quantity:Q", title="plantlets ordered [number]", scale=alt.Scale(zero=False, nice=False))
    axis, scale = alt.Axis(format="%"), alt.Scale(domain=[0, 1])
    y = alt.Y("chance:Q", title="on-time chance [%]", axis=axis, scale=scale)
    chance = alt.Tooltip("chance", format=".1%")
    cost = alt.Tooltip("cost", title=f"cost [{order.currency}]", format=WHOLE)
    tips = [alt.Tooltip("quantity", format=WHOLE), chance, cost]
    line = alt.Chart(curve).mark_line(color=BLUE, point=alt.OverlayMarkDef(size=14, color=BLUE))
    line = line.encode(x=x, y=y, tooltip=tips)
    level = pd.DataFrame({"chance": [order.service_level]})
    rule = alt.Chart(level).mark_rule(strokeDash=[5, 4], color=BLACK).encode(y=y)
    legend = alt.Legend(title=None, orient="bottom-right", symbolSize=120)
    shapes = alt.Scale(domain=list(names), range=["circle", "triangle-down"])
    shape = alt.Shape("which:N", scale=shapes, legend=legend)
    colour = alt.Color("which:N", scale=alt.Scale(domain=list(names), range=[BLUE, ORANGE]))
    points = alt.Chart(marks).mark_point(size=150, filled=True, opacity=1)
    points = points.encode(x=x, y=y, shape=shape, color=colour, tooltip=["which", chance])
    title = words.TARGET_TITLE.format(variety=order.variety, target=order.target, by=str(order.by))
    reads = f"{words.ORDER_CURVE.format(week=str(order.week), lab=order.lab)} {order.excess or ''}".rstrip()
    return layered(line, rule, points, title=title, reads=reads, text=str(order))


def bench(space: BenchSpace, place: str) -> Chart:
    """Draw the bench area in use in a growing area by week, against the area available.

    Parameters
    ----------
    space
        Bench space by place and week.
    place
        Which place.

    Returns
    -------
    LayerChart
        The 90 % range as a band, the median as a line, the area available as a stepped line, unless there is space for
        any number of plants.
    """
    weekly = space.table()[space.table()["place"] == place]
    used = weekly.index[(weekly["p95"] > 0)]
    if len(used):
        weekly = weekly.loc[used[0] : used[-1]]
    base = alt.Chart(dated(weekly)).encode(x=week_axis(), tooltip=area_tips())
    layers = fan(base, "bench area [m²]")
    if weekly["available"].max() <= AMPLE * weekly["p95"].max():  # else the area in use could not be seen
        layers.append(capacity(base))
    return layered(*layers, title=place, reads=words.BENCH, text=space.sentence(place))


def ready(cultures: Cultures) -> Chart:
    """Draw the saleable plants that come of cultures by week, if none is sold.

    Parameters
    ----------
    cultures
        What comes of explants.

    Returns
    -------
    LayerChart
        The 90 % range as a band, and the median as a line.
    """
    base = alt.Chart(dated(cultures.by_week())).encode(x=week_axis(), tooltip=number_tips("week", *RANGE_NAMES))
    layers = fan(base, "saleable plants [number]")
    return layered(*layers, title=cultures.variety, reads=words.READY, text=str(cultures))


def cycles(cultures: Cultures) -> Chart:
    """Draw the plants of cultures by subculture on a logarithmic scale, against what shelf and hood allow.

    Parameters
    ----------
    cultures
        What comes of explants.

    Returns
    -------
    LayerChart
        The 90 % range as a band, the median as a line with its numbers, the limit as a tick. None left is drawn as
        one.
    """
    table = cultures.by_step()
    table = table.assign(**{f"{word}_drawn": table[word].clip(lower=1) for word in ("p5", "median", "p95")})
    title = "explants at initiation and in each subculture, then plantlets [step]"
    x = alt.X("step:O", title=title, sort=list(table["step"]), axis=alt.Axis(labelAngle=0))
    scale, axis = alt.Scale(type="log", nice=True), alt.Axis(format=TRIMMED)
    tips = number_tips("step", *RANGE_NAMES, "most")
    base = alt.Chart(table).encode(x=x)
    band = base.mark_area(opacity=0.25, color=BLUE).encode(
        y=alt.Y("p5_drawn:Q", title="plants [number, logarithmic]", scale=scale, axis=axis),
        y2="p95_drawn:Q",
        tooltip=tips,
    )
    line = base.mark_line(color=BLUE, point=True).encode(y="median_drawn:Q", tooltip=tips)
    numbers = base.mark_text(dy=14, dx=6, align="left", color=BLACK)
    layers = [band, line, numbers.encode(y="median_drawn:Q", text=alt.Text("median:Q", format=WHOLE))]
    if table["most"].notna().any():
        cap = alt.Chart(table[table["most"].notna()]).encode(x=x, y="most:Q", tooltip=tips)
        layers.append(cap.mark_tick(color=ORANGE, thickness=3, size=46))
    title = words.cycles_title(variety=cultures.variety, explants=cultures.explants, start=str(cultures.start))
    return layered(*layers, title=title, reads=words.CYCLES, text=str(cultures))


def clean(cultures: Cultures) -> Chart:
    """Draw the share of vessels that stay clean in each subculture, and that of vessels clean so far.

    Parameters
    ----------
    cultures
        What comes of explants.

    Returns
    -------
    LayerChart
        A point for each subculture, and a falling line for all together, each with its name.
    """
    table = cultures.table()[["subculture", "clean", "clean_so_far"]]
    x = alt.X("subculture:O", title="subculture [number]", axis=alt.Axis(labelAngle=0))
    y = alt.Y("share:Q", title="clean vessels [%]", axis=alt.Axis(format="%"), scale=alt.Scale(zero=False))
    tips = [alt.Tooltip("subculture:O"), alt.Tooltip("share", format=".1%")]
    layers = []
    for (column, name), colour in zip(words.CLEAN_LINES.items(), (BLUE, ORANGE), strict=True):
        rows = table.rename(columns={column: "share"})[["subculture", "share"]].assign(which=name)
        base = alt.Chart(rows).encode(x=x, y=y, tooltip=tips)
        layers.append(base.mark_line(color=colour, point=alt.OverlayMarkDef(color=colour, size=50)))
        last = alt.Chart(rows.tail(1)).encode(x=x, y=y, text="which:N")
        layers.append(last.mark_text(align="left", dx=8, color=colour))
    left = float(table["clean_so_far"].iloc[-1])
    text = words.clean(variety=cultures.variety, cycles=cultures.subcultures, left=left)
    return layered(*layers, title=cultures.variety, reads=words.CLEAN, text=text, width=WIDTH - 60)


def routes(compared: Routes) -> Chart:
    """Draw the cost per plant by each supply route, against the target.

    Parameters
    ----------
    compared
        The routes.

    Returns
    -------
    LayerChart
        A line with its name for each route, and the target as a rule.
    """
    curve = compared.curve()
    names = [route.route for route in compared]
    colours = alt.Scale(domain=names, range=[BLUE, ORANGE, GREEN][: len(names)])
    scale, axis = alt.Scale(type="log", nice=False), alt.Axis(format=TRIMMED)
    x = alt.X("target:Q", title="target [plants, logarithmic]", scale=scale, axis=axis)
    title = f"cost per plant needed [{compared.season.currency}]"
    y = alt.Y("cost_per_plant:Q", title=title, scale=alt.Scale(zero=False))
    colour = alt.Color("route:N", scale=colours, legend=None)
    each = alt.Tooltip("cost_per_plant", title="cost per plant", format=",.2f")
    tips = [*number_tips("route", "target"), each, alt.Tooltip("cost", format=WHOLE)]
    lines = alt.Chart(curve).mark_line(point=True).encode(x=x, y=y, color=colour, tooltip=tips)
    last = curve.sort_values("target").groupby("route").tail(1)
    names_beside = alt.Chart(last).mark_text(align="left", dx=8).encode(x=x, y=y, color=colour, text="route:N")
    target = pd.DataFrame({"target": [compared.request.median_demand]})
    rule = alt.Chart(target).mark_rule(strokeDash=[5, 4], color=BLACK).encode(x=x)
    title = f"{compared.request.variety} by {compared.request.week}"
    reads = words.ROUTES.format(target=compared.request.median_demand)
    return layered(rule, lines, names_beside, title=title, reads=reads, text=str(compared), width=WIDTH - 60)


def layered(*layers: alt.Chart, title: str, reads: str, text: str, width: int = WIDTH, height: int = HEIGHT) -> Chart:
    """Return layers as a chart with its title, how it is to be read below that, and a text that says the same."""
    return alt.layer(*layers).properties(width=width, height=height, title=heading(title, reads), description=text)


def fan(base: alt.Chart, title: str) -> list[alt.Chart]:
    """Return the 90 % range as a band, and the median as a line."""
    band = base.mark_area(opacity=0.25, color=BLUE).encode(y=alt.Y("p5:Q", title=title), y2="p95:Q")
    return [band, base.mark_line(color=BLUE).encode(y="median:Q")]


def capacity(base: alt.Chart) -> alt.Chart:
    """Return the area available as a stepped line."""
    line = base.mark_line(color=ORANGE, strokeWidth=2.5, strokeDash=[7, 3], interpolate="step-after")
    limit: alt.Chart = line.encode(y="available:Q")
    return limit


def number_tips(first: str, *numbers: str) -> list[alt.Tooltip]:
    """Return what is shown where it is pointed at: a name or week, and whole numbers with thousands separated."""
    return [alt.Tooltip(first), *(alt.Tooltip(name, format=WHOLE) for name in numbers)]


def area_tips() -> list[alt.Tooltip]:
    """Return what is shown of the bench area in a week when it is pointed at."""
    return [
        *number_tips("week", *RANGE_NAMES),
        alt.Tooltip("available", title="available", format=WHOLE),
        alt.Tooltip("overrun", title="chance over capacity", format=".0%"),
    ]


def week_axis() -> alt.X:
    """Return an axis of time on which weeks lie by their Mondays."""
    return alt.X("monday:T", title="week [its Monday]", axis=alt.Axis(format="%d %b %Y", labelAngle=-35, tickCount=9))


def heading(text: str, subtitle: str) -> alt.TitleParams:
    """Return a chart its title, and below it how it is to be read."""
    return alt.TitleParams(text=text, subtitle=subtitle, anchor="start", subtitleColor="#555555")


def sold_in(targets: pd.DataFrame) -> pd.DataFrame:
    """Return the week, last week, number and chance of targets, with the Mondays of both weeks."""
    last = targets["week"]
    if "until" in targets:
        last = targets["until"].where(targets["until"].fillna("") != "", last)
    ends = [Week.parse(week).monday.isoformat() for week in last]
    return dated(targets[["week", "target", "chance"]]).assign(until=last, end=ends)


def dated(table: pd.DataFrame) -> pd.DataFrame:
    """Add the Mondays of weeks, and leave out what is the same in all rows."""
    mondays = [Week.parse(week).monday.isoformat() for week in table["week"]]
    return table.assign(monday=mondays).drop(columns=["variety", "place"], errors="ignore")
