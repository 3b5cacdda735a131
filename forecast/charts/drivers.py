"""Charts of sensitivity, and of two scenarios side by side."""

from __future__ import annotations

from typing import Any, Literal

import altair as alt
import pandas as pd

from forecast.charts.base import BLACK, BLUE, ORANGE, WHOLE, WIDTH, Chart, layered
from forecast.errors import refuse, whole
from forecast.sensitivity.comparing import ALL, Comparison
from forecast.sensitivity.drivers import Drivers
from forecast.words import charts as words
from forecast.words.sensitivity import answer_value, input_value

_ROW = 26  # height of a row [pixels]
_NARROW = WIDTH - 160  # what long names leave
_MOST = 40
_MARGIN = 0.35  # room for the words beside the widest bar, as a part of it


def tornado_chart(drivers: Drivers, *, top: int = 10) -> Chart:
    """Draw how far an answer swings with each of its inputs.

    Parameters
    ----------
    drivers
        The sensitivity of an answer.
    top
        How many inputs, 1 to 40, the largest swing first.

    Returns
    -------
    LayerChart
        A bar from the expected answer to that at the 10th percentile of an input, in orange, and at the 90th, in blue;
        the values of the input are written at their ends.

    Raises
    ------
    Refused
        If `top` is no such number.
    """
    table = drivers.table().head(whole("top", top, 1, _MOST))
    percent = drivers.answer == "chance"
    scale = 100 if percent else 1
    base, digits = scale * drivers.base, 2 if percent else 1
    rows = pd.DataFrame(
        [
            {
                "input": row["input"],
                "end": end,
                "answer": round(scale * row[f"at_{end}"], digits),
                "base": round(base, digits),
                "label": input_value(row[end], row["unit"]).split(" above ")[0],
            }
            for row in table.to_dict("records")
            for end in ("p10", "p90")
        ]
    )
    title = {
        "margin": f"expected margin [{drivers.currency}]",
        "chance": "on-time chance [%]",
        "saleable": "saleable plants [number]",
    }[drivers.answer]
    y = alt.Y("input:N", title="input", sort=list(table["input"]), axis=alt.Axis(labelLimit=260))
    x = alt.X("answer:Q", title=title, scale=_scale([*rows["answer"], base]), axis=alt.Axis(tickCount=6))
    tips = [alt.Tooltip("input"), alt.Tooltip("end"), alt.Tooltip("label", title="value")]
    tips.append(alt.Tooltip("answer", format=",.1f" if percent else WHOLE))
    colour = alt.Color("end:N", scale=alt.Scale(domain=["p10", "p90"], range=[ORANGE, BLUE]), legend=None)
    bars = alt.Chart(rows).mark_bar(opacity=0.75, height=0.6 * _ROW)
    bars = bars.encode(x=x, x2="base:Q", y=y, color=colour, tooltip=tips)
    middle = alt.Chart(pd.DataFrame({"base": [round(base, digits)]})).mark_rule(color=BLACK).encode(x="base:Q")
    values = [
        alt.Chart(some).mark_text(align="right" if left else "left", dx=-4 if left else 4, color=BLACK)
        for left, some in rows.groupby(rows["answer"] < rows["base"])
    ]
    text = " ".join([*str(drivers).splitlines(), *(_swing(row, drivers) for row in table.to_dict("records"))])
    layers = [bars, middle, *(one.encode(x="answer:Q", y=y, text="label:N") for one in values)]
    size = {"width": _NARROW, "height": max(_ROW * len(table), 60)}
    return layered(*layers, title=words.TORNADO_TITLE, reads=words.TORNADO, text=text, **size)


def comparison_chart(comparison: Comparison, *, what: Literal["saleable", "margin"] = "saleable") -> Chart:
    """Draw how another scenario differs from the first.

    Parameters
    ----------
    comparison
        The two scenarios.
    what
        The number ``saleable`` for each variety and target week, or the ``margin`` by variety and in all.

    Returns
    -------
    LayerChart
        A point at the mean difference, the 90 % range as a line, a rule at 0, and the mean in words.

    Raises
    ------
    Refused
        If `what` is neither, or there is no target. For the margin, as `cash_flow`.
    """
    if what not in ("saleable", "margin"):
        raise refuse("what", what, "not what can be drawn", "Write saleable or margin.")
    currency = comparison.outcome.season.currency
    if what == "saleable":
        table = comparison.table()
        table = table.assign(row=table["variety"] + ", " + table["week"])
        unit, name, rows = "plants", "variety, target week", "saleable plants [number]"
    else:
        table = comparison.money()
        table = table.assign(row=table["variety"].replace(ALL, words.ALL_VARIETIES))
        unit, name, rows = currency, "variety", f"margin [{currency}]"
    if table.empty:
        raise refuse("comparison", None, "neither has a target", "Fill the table of targets.")
    drawn = table[["row", "difference", "p5", "p95"]].round(1)
    drawn = drawn.assign(label=[words.more(amount, unit) for amount in drawn["difference"]])
    y = alt.Y("row:N", title=name, sort=list(drawn["row"]), axis=alt.Axis(labelLimit=260))
    scale = _scale([*drawn["p5"], *drawn["p95"], 0.0])
    title = f"difference in {rows}"
    x = alt.X("difference:Q", title=title, scale=scale, axis=alt.Axis(tickCount=6))
    tips = [alt.Tooltip("row", title=name), *(alt.Tooltip(one, format=WHOLE) for one in ("p5", "difference", "p95"))]
    zero = alt.Chart(pd.DataFrame({"zero": [0]})).mark_rule(color=BLACK).encode(x=alt.X("zero:Q", title=title))
    base = alt.Chart(drawn).encode(y=y, tooltip=tips)
    lines = base.mark_rule(color=BLUE, strokeWidth=3, opacity=0.5).encode(x=alt.X("p5:Q", title=title), x2="p95:Q")
    points = base.mark_point(color=BLUE, filled=True, size=70, opacity=1).encode(x=x)
    means = base.mark_text(align="left", dx=8, color=BLACK).encode(x=alt.X("p95:Q", title=title), text="label:N")
    labels = list(drawn[["row", "label", "p5", "p95"]].itertuples(index=False, name=None))
    text = words.differences(" ".join(str(comparison).splitlines()), rows, labels)
    size = {"width": _NARROW, "height": max(_ROW * len(drawn), 60)}
    layers = zero, lines, points, means
    return layered(*layers, title=words.COMPARISON_TITLE, reads=words.COMPARISON, text=text, **size)


def _scale(values: list[float]) -> alt.Scale:
    room = _MARGIN * (max(values) - min(values)) or 1.0
    return alt.Scale(domain=[round(min(values) - room, 2), round(max(values) + room, 2)], nice=False)


def _swing(row: dict[Any, Any], drivers: Drivers) -> str:
    ends = [
        (input_value(row[end], row["unit"]), answer_value(row[f"at_{end}"], drivers.answer, drivers.currency))
        for end in ("p10", "p90")
    ]
    return words.swing(row["input"], ends)
