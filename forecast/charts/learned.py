"""Charts of what was learned from records: shrinkage, the next batch, and labs side by side."""

from __future__ import annotations

import altair as alt
import numpy as np
import pandas as pd

from forecast.charts.base import BLACK, BLUE, GREEN, ORANGE, WHOLE, Chart, layered
from forecast.records.learned_season import LearnedSeason
from forecast.words import charts as words

_ROW = 24  # height of a row [pixels]
_BINS = 40  # bars of a next batch, at most
_SHOWN = 1e-4  # chances of counts below it, at the ends, are not drawn


def shrinkage(learned: LearnedSeason, stage: str) -> Chart:
    """Draw how far records moved your estimate of the survival of each variety in a stage.

    Parameters
    ----------
    learned
        What was learned.
    stage
        Name of the stage.

    Returns
    -------
    LayerChart
        A row for each variety: a diamond at your estimate, a circle at the share of its own records, and a square at
        the survival learned, with the 90 % credible interval of the mean of its batches as a bar. No bar: your
        estimate only.
    """
    table = learned.shares(stage).sort_values(["group", "variety"], kind="stable").round(4)
    columns = dict(zip(("estimate", "counted", "learned"), words.KINDS, strict=True))
    points = table.melt(["variety", "batches", "based_on"], list(columns), var_name="kind", value_name="share")
    points = points.assign(kind=points["kind"].map(columns)).dropna(subset="share")
    names = table["variety"].tolist()
    y = alt.Y("variety:N", title="variety [name]", sort=names, axis=alt.Axis(labelLimit=220))
    scale = alt.Scale(zero=False, nice=True)
    x = alt.X("share:Q", title=f"survival of {stage} [%]", axis=alt.Axis(format="%"), scale=scale)
    tips = [
        alt.Tooltip("variety"),
        alt.Tooltip("kind"),
        alt.Tooltip("share", format=".1%"),
        alt.Tooltip("batches", title="own batches", format=WHOLE),
        alt.Tooltip("based_on", title="based on"),
    ]
    ranges = table.dropna(subset="p5")[["variety", "p5", "p95"]]
    bars = alt.Chart(ranges).mark_bar(height=7, color=BLUE, opacity=0.3).encode(x=alt.X("p5:Q"), x2="p95:Q", y=y)
    legend, kinds = alt.Legend(title=None, orient="bottom"), list(words.KINDS)
    colours = alt.Color("kind:N", scale=alt.Scale(domain=kinds, range=[ORANGE, GREEN, BLUE]), legend=legend)
    shapes = alt.Scale(domain=kinds, range=["diamond", "circle", "square"])
    marks = alt.Chart(points).mark_point(size=65, filled=True, opacity=0.9)
    marks = marks.encode(x=x, y=y, color=colours, shape=alt.Shape("kind:N", scale=shapes, legend=legend), tooltip=tips)
    moved = table.assign(by=(table["learned"] - table["estimate"]).abs()).sort_values("by", kind="stable").iloc[-1]
    estimated, alone = (int((table["based_on"] == one).sum()) for one in ("estimate", "group"))
    text = words.shrinkage(
        stage=stage, varieties=len(table), most=moved["variety"], estimate=moved["estimate"], learned=moved["learned"],
        group_only=alone, estimate_only=estimated,
    )  # fmt: skip
    title, height = words.RECORDS_TITLE.format(stage=stage.capitalize()), max(_ROW * len(names), 60)
    return layered(bars, marks, title=title, reads=words.SHRINKAGE, text=text, height=height)


def next_batch(learned: LearnedSeason, variety: str, stage: str, *, of: int = 100) -> Chart:
    """Draw how many plants of the next batch survive a stage, with their chances.

    Parameters
    ----------
    learned
        What was learned.
    variety, stage
        Names of the variety and the stage.
    of
        Plants that enter it, at most 20,000.

    Returns
    -------
    LayerChart
        A bar for each number of plants (or for as many as go into one of 40 bars): the chance of it. Two rules hold
        90 % of batches between them.
    """
    chances = learned.next_batch(variety, stage, of=of)
    total = np.cumsum(chances)
    low, middle, high = np.searchsorted(total, (0.05, 0.5, 0.95)).tolist()
    first, last = np.flatnonzero(chances > _SHOWN * chances.max())[[0, -1]]
    step = -(-(last - first + 1) // _BINS)
    starts = np.arange(first, last + 1, step)
    until = np.minimum(starts + step, last + 1)
    summed = np.add.reduceat(chances[: last + 1], starts).round(5)
    rows = pd.DataFrame({"plants": starts, "until": until, "chance": summed, "none": 0})
    each = "" if step == 1 else f", {step} to a bar"
    x = alt.X(
        "plants:Q", title=f"plants that survive {stage}, of {of:,} [number]", scale=alt.Scale(zero=False, nice=False)
    )
    y = alt.Y("chance:Q", title=f"chance{each} [%]", axis=alt.Axis(format="%"))
    tips = [alt.Tooltip("plants", format=WHOLE), alt.Tooltip("chance", format=".1%")]
    bars = alt.Chart(rows).mark_rect(color=BLUE, opacity=0.6, stroke="white", strokeWidth=0.5)
    bars = bars.encode(x=x, x2="until:Q", y=y, y2="none:Q", tooltip=tips)
    ends = pd.DataFrame({"at": [low, high + 1]})
    rules = alt.Chart(ends).mark_rule(color=ORANGE, strokeWidth=2, strokeDash=[6, 3]).encode(x=alt.X("at:Q"))
    sentence = learned.sentence(variety, stage)
    text = words.next_batch(variety=variety, stage=stage, of=of, p5=low, median=middle, p95=high, learned=sentence)
    title = words.NEXT_BATCH_TITLE.format(variety=variety, stage=stage)
    return layered(bars, rules, title=title, reads=words.NEXT_BATCH, text=text)


def labs(learned: LearnedSeason, stage: str) -> Chart:
    """Draw how far labs differ in the survival of their plants in a stage, and say how far they overlap.

    Parameters
    ----------
    learned
        What was learned.
    stage
        Name of the stage.

    Returns
    -------
    LayerChart
        A row for each two labs: by how much more of the plants of the first survive, with its 90 % credible
        interval as a bar, a rule at no difference, and in words whether they can be told apart.
    """
    table = learned.labs(stage).round(4)
    pairs = list(map(words.LAB_PAIR.format, table["lab"], table["batches"], table["other"], table["other_batches"]))
    short = table["sentence"].str.split(": ").str[-1].str.rstrip(".")
    rows = table.assign(pair=pairs, words=short)[["pair", "better_by", "p5", "p95", "chance", "words", "sentence"]]
    y = alt.Y("pair:N", title="labs [batches]", sort=pairs, axis=alt.Axis(labelLimit=240))
    x = alt.X("p5:Q", title=f"more survive {stage} [% of plants]", axis=alt.Axis(format="%"))
    tips = [alt.Tooltip("pair"), alt.Tooltip("better_by", format=".1%"), alt.Tooltip("sentence")]
    base = alt.Chart(rows).encode(y=y, tooltip=tips)
    bars = base.mark_bar(height=9, color=BLUE, opacity=0.35).encode(x=x, x2="p95:Q")
    ticks = base.mark_tick(color=BLUE, thickness=3, size=16).encode(x="better_by:Q")
    said = base.mark_text(align="left", dx=8, fontSize=10, color=BLACK).encode(x="p95:Q", text="words:N")
    none = alt.Chart(pd.DataFrame({"none": [0]})).mark_rule(color=ORANGE, strokeDash=[6, 3]).encode(x="none:Q")
    title, height = words.LABS_TITLE.format(stage=stage.capitalize()), max(2 * _ROW * len(rows), 60)
    text = words.LABS_TEXT.format(stage=stage, sentences=" ".join(table["sentence"]))
    return layered(bars, ticks, none, said, title=title, reads=words.LABS, text=text, height=height)
