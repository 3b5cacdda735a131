"""Charts of the whole order: what comes when, where the money goes, and which service level is right."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Literal

import altair as alt
import numpy as np
import pandas as pd

from forecast.charts.base import (
    BLACK,
    BLUE,
    ORANGE,
    TRIMMED,
    WHOLE,
    WIDTH,
    Chart,
    dated,
    fan,
    heading,
    layered,
    number_tips,
    week_axis,
)
from forecast.errors import refuse
from forecast.growth.summaries import RANGE, RANGE_NAMES
from forecast.planning.plan import Plan
from forecast.resources.money_flow import CashFlow
from forecast.resources.price_of_shortage import ShortPrices
from forecast.words import charts as words
from forecast.words.numbers import of_20, signed
from forecast.words.results import records

_LEVEL_ROW = 40  # height of a row of service levels [pixels]
_ROW = 26  # height of a row [pixels]
_DOTS = 20  # seasons that represent all, one dot each
_DOT = 15  # width and height of a dot [pixels]
_COLUMNS = WIDTH // _DOT  # of dots, at most
_MOST_PLANS = 5


def order_chart(plan: Plan, *, what: Literal["quantity", "price"] = "quantity") -> Chart:
    """Draw what is ordered for each week of delivery from each lab.

    Parameters
    ----------
    plan
        What to order.
    what
        ``quantity`` of plantlets, or their ``price``, without freight.

    Returns
    -------
    LayerChart
        A bar for each lab and week with its sum beside it, divided by variety.

    Raises
    ------
    Refused
        If `what` is neither, or nothing is ordered.
    """
    if what not in ("quantity", "price"):
        raise refuse("what", what, "not what can be drawn", "Write quantity or price.")
    if not plan.orders:
        raise refuse("plan", None, "nothing is ordered", "See why in the plan's text, and change the season.")
    currency = plan.season.currency
    unit = "plantlets" if what == "quantity" else currency
    table = plan.table()
    rows = table.assign(delivery=table["week"] + ", " + table["lab"])
    rows["until"] = rows.groupby("delivery")[what].cumsum().round(2)
    rows["since"] = (rows["until"] - rows[what]).round(2)
    sums = rows.groupby("delivery", as_index=False).agg(sum=(what, "sum"), varieties=("variety", ", ".join))
    sums = sums.assign(label=[f"{total:,.0f} {unit}" for total in sums["sum"]])
    y = alt.Y("delivery:N", title="delivery [week, lab]", sort=list(sums["delivery"]), axis=alt.Axis(labelLimit=240))
    most = float(sums["sum"].max())
    name = "plantlets ordered [number]" if what == "quantity" else f"price without freight [{currency}]"
    x = alt.X("since:Q", title=name, scale=alt.Scale(domain=[0, 1.3 * most], nice=False), axis=alt.Axis(tickCount=7))
    tips = [alt.Tooltip("delivery"), alt.Tooltip("variety"), alt.Tooltip("form"), alt.Tooltip("quantity", format=WHOLE)]
    tips += [alt.Tooltip(one, title=f"{one} [{currency}]", format=",.2f") for one in ("price", "deposit", "balance")]
    bars = alt.Chart(rows[["delivery", "variety", "form", "quantity", "price", "deposit", "balance", "since", "until"]])
    bars = bars.mark_bar(color=BLUE, opacity=0.75, stroke="white", strokeWidth=2)
    bars = bars.encode(x=x, x2="until:Q", y=y, tooltip=tips)
    totals = alt.Chart(sums).mark_text(align="left", dx=6, color=BLACK)
    totals = totals.encode(x="sum:Q", y=y, text="label:N", tooltip=[alt.Tooltip("varieties")])
    title, height = words.ORDERS_TITLE.format(season=plan.season.name), max(_ROW * len(sums), 60)
    text = words.orders(" ".join(str(plan).splitlines()), list(zip(sums["delivery"], sums["label"], strict=True)))
    return layered(bars, totals, title=title, reads=words.ORDERS, text=text, height=height)


def cash_chart(flow: CashFlow) -> Chart:
    """Draw the cash by week, and its lowest point.

    Parameters
    ----------
    flow
        Where the money goes.

    Returns
    -------
    LayerChart
        The 90 % range as a band, the median as a line, a rule at 0; a triangle with its amount at the median of the
        lowest cash, in the week in which it most often falls.
    """
    currency, point = flow.currency, flow.low_point
    base = alt.Chart(dated(flow.table())).encode(x=week_axis(), tooltip=number_tips("week", *RANGE_NAMES))
    zero = alt.Chart(pd.DataFrame({"cash": [0]})).mark_rule(color=BLACK).encode(y="cash:Q")
    labels = words.lowest_cash(amount=point.median, week=str(point.week), currency=currency)
    low = pd.DataFrame([{"week": str(point.week), "lowest": round(point.median, 2), "label": labels}])
    mark = alt.Chart(dated(low)).encode(x=week_axis(), y="lowest:Q")
    triangle = mark.mark_point(shape="triangle-up", size=120, filled=True, color=ORANGE, opacity=1)
    beside = mark.mark_text(align="right", dx=-10, dy=6, color=BLACK).encode(text="label:N")
    since = "cash since the season began" if flow.opening_cash is None else "cash"
    layers = [zero, *fan(base, f"{since} [{currency}]"), triangle, beside]
    return layered(*layers, title=words.CASH_TITLE, reads=words.CASH, text=" ".join(str(flow).splitlines()))


def margin_chart(flows: Mapping[str, CashFlow]) -> Chart:
    """Draw the margins of several plans below each other, as twenty seasons each.

    Parameters
    ----------
    flows
        One to five plans by name: where the money goes.

    Returns
    -------
    FacetChart
        For each plan twenty dots, each a season in twenty, heaped by their margin; a triangle at the mean.

    Raises
    ------
    Refused
        If there are not so many plans, or they are not in one currency.

    Notes
    -----
    The dots are at the quantiles 1/40, 3/40, ... 39/40 of the margin, rounded to a step of 1, 2 or 5 times a power
    of ten. So dots left of an amount, out of twenty, are about the chance to earn less than it.

    References
    ----------
    Kay, M., Kola, T., Hullman, J. R. and Munson, S. A. (2016). When (ish) is my bus? User-centered visualizations of
    uncertainty in everyday, mobile predictive systems. CHI 2016, 5092-5103. doi:10.1145/2858036.2858558
    """
    if not 1 <= len(flows) <= _MOST_PLANS:
        raise refuse("flows", len(flows), "not so many plans", f"Give one to {_MOST_PLANS}.")
    currencies = sorted({flow.currency for flow in flows.values()})
    if len(currencies) > 1:
        raise refuse("flows", ", ".join(currencies), "not in one currency", "Compare plans of one season.")
    quantiles = np.array([np.quantile(flow.margin, (np.arange(_DOTS) + 0.5) / _DOTS) for flow in flows.values()])
    step = _step(float(np.ptp(quantiles)) / _COLUMNS)
    rows = pd.DataFrame(
        {"plan": np.repeat(list(flows), _DOTS), "kind": "season", "margin": (quantiles / step).round().ravel() * step}
    )
    rows["heap"] = rows.groupby(["plan", "margin"]).cumcount() + 0.5
    means = [round(float(flow.margin.mean()), 2) for flow in flows.values()]
    labels = [f"about {signed(mean)}" for mean in means]
    means_at = pd.DataFrame({"plan": list(flows), "kind": "mean", "margin": means, "heap": 0.0, "label": labels})
    highest = math.ceil(float(rows["heap"].max()))
    scale = alt.Scale(domain=[0, highest], nice=False)
    x = alt.X("margin:Q", title=f"margin of the season [{currencies[0]}]", scale=alt.Scale(zero=False, padding=_DOT))
    tips = [alt.Tooltip("plan"), alt.Tooltip("kind"), alt.Tooltip("margin", format=WHOLE)]
    base = alt.Chart().encode(x=x, y=alt.Y("heap:Q", axis=None, scale=scale), tooltip=tips)
    dots = base.transform_filter("datum.kind == 'season'").mark_point(
        filled=True, size=0.6 * _DOT**2, color=BLUE, opacity=1
    )
    mean = base.transform_filter("datum.kind == 'mean'")
    triangle = mean.mark_point(shape="triangle-up", filled=True, size=110, color=ORANGE, opacity=1, yOffset=7)
    amounts = mean.mark_text(color=BLACK, dy=24).encode(text="label:N")
    layers = alt.layer(dots, triangle, amounts, data=pd.concat([rows, means_at], ignore_index=True))
    layers = layers.properties(width=WIDTH, height=highest * _DOT)
    header = alt.Header(labelAlign="left", labelOrient="top", labelAnchor="start", labelFontWeight="bold")
    plans = alt.Row("plan:N", sort=list(flows), title=None, header=header)
    title = heading(words.MARGIN_TITLE, words.MARGIN)
    return layers.facet(row=plans).properties(title=title, description=_margins_text(flows))


def service_level_chart(prices: ShortPrices) -> Chart:
    """Draw what a missing plant has to cost for service levels to be right, target by target.

    Parameters
    ----------
    prices
        As from `Plan.short_prices`.

    Returns
    -------
    LayerChart
        A row for each target, with a point for each service level at its price, and a triangle at the price that the
        plan counts, with what it reaches. What is out of reach or has no price is not drawn.

    Raises
    ------
    Refused
        If there is nothing to draw.
    """
    rows, counted = [], []
    for row in records(prices.table()):
        known = {"target": words.target(row)}
        rows += [{**known, "price": row[str(level)], "level": of_20(level)} for level in prices.levels]
        counted.append({**known, "price": row["short_cost"], "level": of_20(row["chance"])})
    shown = [pd.DataFrame([row for row in some if row["price"]]) for some in (rows, counted)]
    if any(table.empty for table in shown):
        raise refuse("prices", None, "no service level has a price", "See what is reached in Plan.targets().")
    scale, axis = alt.Scale(type="log", nice=False, padding=30), alt.Axis(format=TRIMMED)
    x = alt.X("price:Q", title=f"a missing plant, beyond its lost sale [{prices.currency}]", scale=scale, axis=axis)
    y = alt.Y("target:N", sort=[row["target"] for row in counted], title="target [plants]")
    tips = [alt.Tooltip("target"), alt.Tooltip("level"), alt.Tooltip("price", format=WHOLE)]
    levels, plan = (alt.Chart(table).encode(x=x, y=y, tooltip=tips) for table in shown)
    layers = (
        levels.mark_point(filled=True, size=50, color=BLUE, opacity=1),
        levels.mark_text(dy=-9, color=BLACK).encode(text="level:N"),
        plan.mark_point(shape="triangle-up", filled=True, size=80, color=ORANGE, opacity=1, yOffset=5),
        plan.mark_text(dy=17, color=ORANGE).encode(text="level:N"),
    )
    text = " ".join(str(prices).splitlines())
    chart = layered(*layers, title=words.LEVEL_TITLE, reads=words.LEVEL, text=text)
    return chart.properties(height=alt.Step(_LEVEL_ROW))


def _step(least: float) -> float:
    """Return the smallest of 1, 2 and 5 times a power of ten that is not below a number."""
    power = 10.0 ** math.floor(math.log10(max(least, 0.01)))
    return next(times * power for times in (1, 2, 5, 10) if times * power >= least * (1 - 1e-9))


def _margins_text(flows: Mapping[str, CashFlow]) -> str:
    """Return what each plan earns."""
    labels = []
    for name, flow in flows.items():
        p5, _, p95 = np.quantile(flow.margin, RANGE)
        known: dict[str, Any] = {
            "mean": float(flow.margin.mean()),
            "worst": flow.worst_tenth(0.1),
            "loss": flow.chance_of_loss,
        }
        known["fixed_costs"] = flow.fixed_costs
        labels.append(words.margin(name=name, p5=p5, p95=p95, currency=flow.currency, **known))
    return words.MARGINS.format(plans=". ".join(labels))
