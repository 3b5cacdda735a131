"""Crops to start from: names, times, temperatures and densities, and the rows of stages that follow from them."""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import cast

import pandas as pd

from forecast.defaults.lookup import Figure, Grade, not_known, rows_of, same_name, sources
from forecast.defaults.survivals import Ease, Plants, Survival, assumed
from forecast.rates.distributions import Z90
from forecast.season.stages import DEFAULT, Stage
from forecast.words.numbers import figures

HARDENING = Figure(3, "practice", "common practice, no source", 2, 4)  # weeks
PLUG_AHEAD = 4  # weeks of growing on by which a plug is ahead of a weaned plantlet; judgement
HOUSE = 22.0  # °C at which weeks become degree-days: the middle of a house of 20 to 25 °C; judgement
_PLANTS_CV = 0.1  # of times; judgement
_TIME_LEVEL = "belief 0.5 batch 0.5"
_LEAST_WEEKS = 2.0
_NO_SOURCE = ("common practice", "from memory", "judgement")


@dataclass(frozen=True)
class Crop:
    """A crop, or a group of crops for those that are not in the list.

    `figures` are by name: acclimatisation_weeks; weeks (from the vessel to sale, cold not counted); base_temperature,
    upper_threshold, cold_below and heat_above [°C]; trays_per_m2 and pots_per_m2 [plants per m² of bench]; cold_weeks
    (that it needs before sale). What nobody states is absent.
    """

    name: str
    group: str
    latin: str
    also: tuple[str, ...]
    ease: Ease
    hardy: bool
    pot: str
    note: str
    figures: Mapping[str, Figure]

    def survival(self, stage: str = "acclimatisation", plants: Plants = Plants()) -> Survival:  # noqa: B008
        """Return what to assume of arrival, acclimatisation, growing on or hardening until batches are counted."""
        return assumed(self.name, self.ease, stage, plants)


@cache
def all_crops() -> tuple[Crop, ...]:
    """Return all crops, by group and name."""
    figures: dict[str, dict[str, Figure]] = defaultdict(dict)
    for row in rows_of("figures.csv"):
        low, high = (float(row[end]) if row[end] else None for end in ("low", "high"))
        grade, source = cast(Grade, row["grade"]), sources()[row["source"]].citation
        figures[row["crop"]][row["figure"]] = Figure(float(row["typical"]), grade, source, low, high, row["note"])
    return tuple(
        Crop(
            row["crop"], row["group"], row["latin"], tuple(filter(None, row["also"].split(";"))),
            cast(Ease, row["ease"]), row["hardy"] == "yes", row["pot"], row["note"], figures[row["crop"]],
        )
        for row in rows_of("crops.csv")
    )  # fmt: skip


@cache
def _names() -> Mapping[str, Crop]:
    return {same_name(name): one for one in all_crops() for name in (one.name, one.latin, *one.also) if name}


def find_crop(name: str) -> Crop:
    """Return the crop of a name as typed: common or Latin, singular or plural, with or without a cultivar behind it.

    Raises
    ------
    Refused
        If there is no such crop; the nearest names are offered.
    """
    words = same_name(re.sub(r"(^|\s)['\"‘“].*", "", name)).split()
    for count in range(len(words), 0, -1):
        if found := _names().get(" ".join(words[:count])):
            return found
    raise not_known("crop", name, "crop", [word for one in all_crops() for word in (one.name, one.latin, *one.also)])


def stage_rows(
    crop: Crop,
    *,
    applies_to: str = "",
    places: tuple[str, str] = ("covered house", "shade house"),
    plants: Plants = Plants(),  # noqa: B008
) -> tuple[Stage, ...]:
    """Return the rows of stages of a crop: arrival, acclimatisation (not of plugs), growing on, and hardening if hardy.

    Parameters
    ----------
    crop
        The crop.
    applies_to
        Group or variety; the name of the crop if empty.
    places
        Growing areas: where plants grow, and where those of a hardy crop are hardened off.
    plants
        How they come.

    Returns
    -------
    tuple of Stage
        Times are in weeks, or in degree-days where a base temperature of the crop is published. Sources begin with
        `DEFAULT`. Costs and minutes are left to the season.
    """
    figures, owner = crop.figures, applies_to or crop.name
    weaning, whole = figures["acclimatisation_weeks"], figures["weeks"]
    taken = weaning.typical + crop.hardy * HARDENING.typical + (plants.form == "plug") * PLUG_AHEAD
    growing = max(whole.typical - taken, _LEAST_WEEKS)
    trays, pots = figures["trays_per_m2"], figures["pots_per_m2"]
    route = [("arrival", 0.0, None, trays), ("acclimatisation", weaning.typical, weaning, trays)]
    route += [("growing on", growing, whole, pots), ("hardening", HARDENING.typical, HARDENING, pots)]
    left_out = {"acclimatisation"} if plants.form == "plug" else set()
    left_out |= set() if crop.hardy else {"hardening"}
    return tuple(
        _row(crop, owner, stage, weeks, figure, density, places[stage == "hardening"], plants)
        for stage, weeks, figure, density in route
        if stage not in left_out
    )


def _row(
    crop: Crop, owner: str, stage: str, weeks: float, figure: Figure | None, density: Figure, place: str, plants: Plants
) -> Stage:
    survival = crop.survival(stage, plants)
    cells: dict[str, object] = {"runs_on": "weeks", "typical": round(weeks, 1)}
    said = [f"survival: {_founded(survival.mean)}"]
    if figure is not None:
        cells |= {"batches_cv": _spread(figure), "plants_cv": _PLANTS_CV, "time_level": _TIME_LEVEL}
        said.append(f"time: {_founded(figure)}")
        base = crop.figures.get("base_temperature")
        if stage == "growing on" and base and base.grade == "published":
            upper = crop.figures.get("upper_threshold")
            cells |= {"runs_on": "degree-days", "typical": round(7 * weeks * (HOUSE - base.typical))}
            cells |= {"base_temperature": base.typical, "upper_threshold": upper and upper.typical}
            said.append(f"base temperature: {_founded(base)}")
    said.append(f"density: {_founded(density)}")
    share = survival.share
    return Stage(
        applies_to=owner, stage=stage, place=place, survival=share.mean, survival_sd=share.sd,
        survival_level=share.level, share_of="entering", plants_per_m2=density.typical,
        source=f"{DEFAULT}: {'; '.join(said)}", note=_remark(crop) if stage == "growing on" else None, **cells,
    )  # fmt: skip


def _founded(figure: Figure) -> str:
    """Return how well a figure is founded, in words."""
    note = f" ({figure.note})" if figure.note else ""
    return f"{figure.source if figure.source.startswith(_NO_SOURCE) else f'{figure.grade}, {figure.source}'}{note}"


def _spread(figure: Figure) -> float:
    """Return the coefficient of variation of times whose 90 % range a figure states."""
    if not figure.low or not figure.high:
        return 0.0
    return round(math.log(figure.high / figure.low) / (2 * Z90), 3)


def _remark(crop: Crop) -> str | None:
    """Return what to know of a crop: its limits of temperature, the cold it needs, and its note."""
    said = [f"In pots of {crop.pot}." if crop.pot[0].isdigit() else "Sold as a plug."]
    for name, words in (("cold_below", "Suffers below"), ("heat_above", "Suffers above")):
        if found := crop.figures.get(name):
            said.append(f"{words} {figures(found.typical)} °C ({_founded(found)}).")
    if cold := crop.figures.get("cold_weeks"):
        said.append(f"Needs {figures(cold.typical)} weeks of cold, which are not in its times ({_founded(cold)}).")
    return " ".join([*said, crop.note]).strip()


def list_crops() -> pd.DataFrame:
    """Return a table of the crops: a row for each, by group.

    ``survival`` is the mean share of plantlets that outlive acclimatisation, and the 90 % range of batches [%];
    ``weeks`` those from the vessel to sale, and their range; ``grade`` that of the weeks.
    """
    rows = []
    for one in all_crops():
        mean, weeks = one.survival().mean, one.figures["weeks"]
        share = f"{100 * mean.typical:.0f} ({100 * (mean.low or 0):.0f}-{100 * (mean.high or 0):.0f})"
        span = f"{figures(weeks.typical)} ({figures(weeks.low or 0)}-{figures(weeks.high or 0)})"
        rows.append((one.group, one.name, share, span, weeks.grade))
    return pd.DataFrame(rows, columns=["group", "crop", "survival", "weeks", "grade"])
