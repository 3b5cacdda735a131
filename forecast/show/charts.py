"""Charts for eyes: summaries in, one Altair chart out, with a text that says the same."""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from forecast.decisions.order import Order
from forecast.decisions.space import BenchSpace
from forecast.errors import refuse
from forecast.growth.outcome import Outcome
from forecast.weeks import Week
from forecast.words import seasons

# Colours that stay apart without colour vision: Okabe, M. and Ito, K. (2008), Color Universal Design.
BLUE, ORANGE, BLACK = "#0072B2", "#D55E00", "#222222"
WIDTH, HEIGHT = 560, 260

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

    def offline(spec: dict[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
        described = {**spec, "$schema": _SCHEMA}
        bundle = {_MIME: described, "text/plain": spec.get("description", "A chart.")}
        return bundle, {_MIME: {"embed_options": {"renderer": "svg", "actions": False}}}

    alt.renderers.register("offline", offline)
    alt.renderers.enable("offline")


def saleable(outcome: Outcome, variety: str) -> Chart:
    """Draw the saleable plants of a variety on hand by week, against what is wanted and then sold.

    Parameters
    ----------
    outcome
        What comes of the orders.
    variety
        Which variety.

    Returns
    -------
    LayerChart
        A band that holds nine draws in ten, the middle as a line, the wanted number as a diamond.
    """
    if variety not in outcome.varieties:
        raise refuse("variety", variety, "not ordered", f"Ordered are {', '.join(outcome.varieties)}.")
    table = outcome.table(variety, sold=True)
    first = min(batch.week for batch in outcome.batches if batch.variety == variety)
    table = _dated(table[table["week"] >= str(first)])
    wanted = outcome.wanted(variety)[["week", "wanted", "chance"]]
    words = [f"{row['wanted']:,} by {row['week']} in {seasons(row['chance'])}" for row in wanted.to_dict("records")]
    text = f"Saleable plants of {variety} on hand by week; what is wanted in a week is sold in it. "
    text += f"Wanted: {'; '.join(words) or 'nothing'}."
    base = alt.Chart(table).encode(x=_week_axis())
    tips = [alt.Tooltip("week"), alt.Tooltip("low"), alt.Tooltip("middle"), alt.Tooltip("high")]
    band = base.mark_area(opacity=0.25, color=BLUE).encode(
        y=alt.Y("low:Q", title="saleable plants on hand [number]"), y2="high:Q", tooltip=tips
    )
    line = base.mark_line(color=BLUE).encode(y="middle:Q", tooltip=tips)
    layers = [band, line]
    if len(wanted):
        point = alt.Chart(_dated(wanted)).encode(x=_week_axis(), y="wanted:Q")
        tips = [alt.Tooltip("week"), alt.Tooltip("wanted"), alt.Tooltip("chance", format=".0%")]
        layers.append(
            point.mark_point(shape="diamond", size=140, filled=True, color=ORANGE, opacity=1).encode(tooltip=tips)
        )
        layers.append(point.mark_text(align="right", dx=-10, dy=-8, color=BLACK).encode(text="wanted:Q"))
    title = _title(
        variety,
        "Saleable plants on hand: middle and nine draws in ten. Diamonds are wanted, and sold then.",
    )
    return alt.layer(*layers).properties(width=WIDTH, height=HEIGHT, title=title, description=text)


def order_curve(order: Order) -> Chart:
    """Draw the chance of the wanted number against the quantity ordered.

    Parameters
    ----------
    order
        The order.

    Returns
    -------
    LayerChart
        The curve, the order as a filled circle, the order from the mean as a triangle, the confidence as
        a dashed line.
    """
    curve = order.curve().round({"chance": 4, "cost": 0, "saleable": 0})
    marks = pd.DataFrame(
        [
            {"quantity": order.quantity, "chance": round(order.chance, 4), "which": f"order {order.quantity:,}"},
            {
                "quantity": order.from_mean,
                "chance": round(order.chance_from_mean, 4),
                "which": f"from the mean {order.from_mean:,}",
            },
        ]
    )
    axis = alt.Axis(format="%")
    x = alt.X("quantity:Q", title="plantlets ordered [number]", scale=alt.Scale(zero=False, nice=False))
    y = alt.Y("chance:Q", title="chance of the wanted number [%]", axis=axis, scale=alt.Scale(domain=[0, 1]))
    tips = [
        alt.Tooltip("quantity"),
        alt.Tooltip("chance", format=".1%"),
        alt.Tooltip("cost", title=f"cost [{order.currency}]"),
    ]
    line = (
        alt.Chart(curve)
        .mark_line(color=BLUE, point=alt.OverlayMarkDef(size=14, color=BLUE))
        .encode(x=x, y=y, tooltip=tips)
    )
    rule = alt.Chart(pd.DataFrame({"chance": [order.confidence]})).mark_rule(strokeDash=[5, 4], color=BLACK).encode(y=y)
    shapes = alt.Scale(domain=list(marks["which"]), range=["circle", "triangle-down"])
    colours = alt.Scale(domain=list(marks["which"]), range=[BLUE, ORANGE])
    points = (
        alt.Chart(marks)
        .mark_point(size=150, filled=True, opacity=1)
        .encode(
            x=x,
            y=y,
            shape=alt.Shape(
                "which:N", scale=shapes, legend=alt.Legend(title=None, orient="bottom-right", symbolSize=120)
            ),
            color=alt.Color("which:N", scale=colours),
            tooltip=[alt.Tooltip("which"), alt.Tooltip("chance", format=".1%")],
        )
    )
    title = _title(
        f"{order.variety}: {order.wanted:,} wanted by {order.by}",
        f"Delivered {order.week} by {order.lab}. The dashed line is the confidence asked for.",
    )
    return alt.layer(line, rule, points).properties(width=WIDTH, height=HEIGHT, title=title, description=str(order))


def bench(space: BenchSpace, place: str) -> Chart:
    """Draw the area that plants stand on in a place by week, against what there is.

    Parameters
    ----------
    space
        Bench space by place and week.
    place
        Which place.

    Returns
    -------
    LayerChart
        A band that holds nine draws in ten, the middle as a line, the area there is as a stepped line.
    """
    weekly = space.weekly[space.weekly["place"] == place]
    used = weekly.index[(weekly["high"] > 0)]
    if len(used):
        weekly = weekly.loc[used[0] : used[-1]]
    weekly = _dated(weekly)
    text = space.sentence(place)
    base = alt.Chart(weekly).encode(x=_week_axis())
    tips = [
        alt.Tooltip("week"),
        alt.Tooltip("low", format=".0f"),
        alt.Tooltip("middle", format=".0f"),
        alt.Tooltip("high", format=".0f"),
        alt.Tooltip("there_is", title="there is", format=".0f"),
        alt.Tooltip("overrun", title="chance of overrun", format=".0%"),
    ]
    band = base.mark_area(opacity=0.25, color=BLUE).encode(
        y=alt.Y("low:Q", title="bench area [m²]"), y2="high:Q", tooltip=tips
    )
    line = base.mark_line(color=BLUE).encode(y="middle:Q", tooltip=tips)
    limit = base.mark_line(color=ORANGE, strokeWidth=2.5, strokeDash=[7, 3], interpolate="step-after").encode(
        y="there_is:Q", tooltip=tips
    )
    title = _title(
        place, "Area that plants stand on: nine draws in ten lie in the band. The dashed line is what there is."
    )
    return alt.layer(band, line, limit).properties(width=WIDTH, height=HEIGHT, title=title, description=text)


def _week_axis() -> alt.X:
    return alt.X("monday:T", title="week [its Monday]", axis=alt.Axis(format="%d %b %Y", labelAngle=-35, tickCount=9))


def _title(text: str, subtitle: str) -> alt.TitleParams:
    return alt.TitleParams(text=text, subtitle=subtitle, anchor="start", subtitleColor="#555555")


def _dated(table: pd.DataFrame) -> pd.DataFrame:
    mondays = [Week.parse(week).monday.isoformat() for week in table["week"]]
    return table.assign(monday=mondays).drop(columns=["variety", "place"], errors="ignore")
