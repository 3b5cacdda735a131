"""A panel of sliders in JupyterLab: estimates and orders move, and the answer follows at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from importlib.resources import files
from typing import Any

import altair as alt
import pandas as pd
import vl_convert

from forecast.charts.base import BLACK, ORANGE, WIDTH, capacity, fan, heading, offline, week_axis
from forecast.errors import ForecastError
from forecast.season.orders import Delivery
from forecast.season.season import Season
from forecast.show.panel_state import Answer, WhatIf
from forecast.streams import PLANNING_DRAWS
from forecast.words import charts as words

_HEIGHT, _LOW = 200, 130  # of the chart of plants, and of those of places [pixels]


class Panel:
    """The live panel: what JupyterLab shows of it is moved there, and can be read here.

    Parameters
    ----------
    asked
        What can be asked, and what is then shown.

    Raises
    ------
    ForecastError
        If the package that the panel needs is not installed.
    """

    def __init__(self, asked: WhatIf) -> None:
        self.asked = asked
        self._spec = _chart(asked)
        self._live = _live(asked, self._spec)

    @property
    def at(self) -> tuple[int, ...]:
        """Positions of the sliders, one number for each: 0 for the leftmost."""
        return tuple(self._live.at)

    @property
    def kept(self) -> tuple[tuple[int, ...], ...]:
        """Positions in the scenarios that were kept."""
        return tuple(map(tuple, self._live.kept))

    @property
    def answer(self) -> Answer:
        """What comes of the positions of the sliders."""
        return self.asked.answer(self.at)

    @property
    def season(self) -> Season:
        """The season as the sliders make it."""
        return self.answer.season

    @property
    def orders(self) -> tuple[Delivery, ...]:
        """Likewise, all its orders."""
        return self.answer.orders

    def table(self) -> pd.DataFrame:
        """Return the base plan, what is asked now and the scenarios that were kept, side by side."""
        return self.asked.side_by_side(self.at, self.kept)

    def __str__(self) -> str:
        return self.answer.sentence

    def __repr__(self) -> str:
        return f"Panel(variety={self.asked.variety}, at={list(self.at)}, kept={len(self.kept)})"

    def _repr_mimebundle_(self, **_: Any) -> tuple[dict[str, Any], dict[str, Any]]:
        """Return the live panel, and for viewers without a kernel the chart and the words."""
        shown = self._live.shown
        still, how = offline({**self._spec, "datasets": shown["data"], "description": shown["described"]})
        live, _metadata = self._live._repr_mimebundle_()
        return {**live, **still, "text/plain": str(self)}, how


def what_if(
    season: Season,
    variety: str | None = None,
    *,
    orders: Any = None,
    draws: int = PLANNING_DRAWS,
    seed: int | None = None,
) -> Panel:
    """Make a panel of sliders for one variety: what to order, or what comes of the orders, changes as they are moved.

    Parameters
    ----------
    season, variety
        The season, and which of its varieties; by default that with the largest target.
    orders
        Orders as for `simulate`. Without them, those of `plan_orders`.
    draws, seed
        Number of simulated seasons, and their seed; by default that of the season.

    Returns
    -------
    Panel
        As the last line of a cell it is shown in JupyterLab. Sliders: the survival in the stage where it is least
        certain, of each delivery the quantity and the week, the number of each target, and the sale price.

    Raises
    ------
    Refused
        If the variety has no target or is not ordered; if no price-list line covers an order; what `plan_orders`
        refuses.
    OutOfReach
        If no plan keeps what is asked.
    ForecastError
        If the package that the panel needs is not installed.

    Notes
    -----
    All positions use the same draws: differences come from what was moved, not from luck. The survival of a group moves
    for all its varieties; its standard deviation stays. Python computes every move; the browser only draws.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> panel = what_if(season, "Heuchera 'Pellowen'", draws=256)
    >>> print(panel)  # doctest: +ELLIPSIS
    Ordered of Heuchera 'Pellowen': ... from Birch Lab for ...
    """
    return Panel(WhatIf(season, variety, orders=orders, draws=draws, seed=seed))


def _live(asked: WhatIf, spec: Mapping[str, Any]) -> Any:
    """Make the widget: positions come from the browser, what is shown goes there."""
    try:
        import anywidget  # noqa: PLC0415  # only this panel needs it
        from traitlets import Dict, List, observe  # noqa: PLC0415  # comes with it
    except ImportError as error:
        raise ForecastError(
            "The live panel needs the package anywidget, which is not installed. Install it with "
            "pip install '.[notebooks]' and start JupyterLab again; size_order and simulate answer without it."
        ) from error

    class Live(anywidget.AnyWidget):
        _esm = _script()
        _css = _text("panel.css")
        spec: Any = Dict().tag(sync=True)
        sliders: Any = List().tag(sync=True)
        base: Any = List().tag(sync=True)
        at: Any = List().tag(sync=True)
        kept: Any = List().tag(sync=True)
        shown: Any = Dict().tag(sync=True)

        @observe("at", "kept")
        def _moved(self, _: object) -> None:
            self.shown = asked.shown(self.at, self.kept)

    base = list(asked.base)
    sliders = [{"label": slider.label, "texts": slider.texts} for slider in asked.sliders]
    return Live(spec=spec, sliders=sliders, base=base, shown=asked.shown(base), at=base)


@lru_cache(1)
def _script() -> str:
    """Return what runs in the browser, with all that draws charts, so that no network is needed."""
    bundle: str = vl_convert.javascript_bundle(_text("panel.js"))
    return bundle


def _text(name: str) -> str:
    return files("forecast.show").joinpath(name).read_text(encoding="utf-8")


def _chart(asked: WhatIf) -> dict[str, Any]:
    """Describe the chart once; its data are named, so that they can be replaced."""
    places, targets = list(asked.answer().fullest), asked.answer().season.targets_of(asked.variety)
    over = any(row.last != row.week for row in targets)
    reads = words.sold_over_weeks(words.PANEL_PLANTS) if over else words.PANEL_PLANTS
    plants = alt.layer(
        *_fan("saleable", "saleable plants on hand [number]"),
        alt.Chart(alt.NamedData("target"))
        .mark_rule(color=ORANGE, strokeWidth=3)
        .encode(x=week_axis(), x2="end:T", y="target:Q"),
        alt.Chart(alt.NamedData("target"))
        .mark_point(shape="diamond", size=140, filled=True, color=ORANGE, opacity=1)
        .encode(x=week_axis(), y="target:Q", tooltip=_tips("target")),
    ).properties(width=WIDTH, height=_HEIGHT, title=heading(asked.variety, reads))
    benches = [
        alt.layer(
            *_fan(f"bench {place}", "bench area [m²]"),
            capacity(alt.Chart(alt.NamedData(f"bench {place}")).encode(x=week_axis())),
        ).properties(width=WIDTH, height=_LOW, title=heading(place, words.PANEL_AREA))
        for place in places
    ]
    spec: dict[str, Any] = alt.vconcat(plants, *benches).to_dict()
    return spec


def _fan(data: str, title: str) -> Sequence[alt.Chart]:
    """Return the band from p5 to p95, the median, and the median of the base plan."""
    base = alt.Chart(alt.NamedData(data)).encode(x=week_axis())
    before = base.mark_line(color=BLACK, strokeDash=[2, 3], strokeWidth=1.5).encode(y="base:Q")
    return *fan(base.encode(tooltip=_tips("p5", "median", "p95", "base")), title), before


def _tips(*numbers: str) -> list[alt.Tooltip]:
    return [alt.Tooltip("week:N"), *(alt.Tooltip(f"{name}:Q", format=",.0f") for name in numbers)]
