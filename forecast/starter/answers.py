"""A first season from a few answers: crops, climate, labs; what was assumed beside it, with its grade."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

from forecast.defaults.climates import Station, find_climate, nearest
from forecast.defaults.crops import Crop, find_crop, stage_rows
from forecast.defaults.survivals import Plants
from forecast.errors import Fault, Refused, refuse
from forecast.season.places import Place
from forecast.season.price_list import PriceLine
from forecast.season.season import Season
from forecast.season.stages import Stage
from forecast.season.targets import Target
from forecast.season.varieties import Variety
from forecast.weeks import Week
from forecast.words import starting as words

HOUSE, SHADE = "covered house", "shade house"
NO_LIMIT = 10_000.0  # m² of a house whose space is no concern
LEAD_WEEKS = 16  # common practice, no source
LATER = 1.25  # times the usual time, after which most plants are ready; judgement
SERVICE_LEVEL, SPLIT_GAIN = 0.9, 25.0  # judgement
SPRING = {False: (4, 20), True: (10, 20)}  # day of the month around which spring sales begin, by hemisphere; judgement
WARMTH = {True: 5.0, False: 16.0}  # °C above which a house is held, by whether all its crops are hardy; judgement
BENCH_COST = {HOUSE: 1.0, SHADE: 0.5}  # of a m² and week, in any currency; judgement: a budget of bedding plants that
# counts all overhead and labour has 2.15 USD (Rutgers Cooperative Extension, 0.20 per square foot)
SALE_WEEKS = 10  # that a season goes on after its last target
WANTED, UNIT_PRICE, SALE_PRICE = 300, 1.5, 6.0  # examples, to be replaced
_MOST = 40  # crops
_FORMS = {
    "plantlets": Plants(),
    "unrooted plantlets": Plants(rooted=False),
    "hardened plantlets": Plants(hardened=True),
    "plugs": Plants(form="plug"),
}
FORMS = tuple(_FORMS)


class Assumed(NamedTuple):
    """One thing that was assumed: of what, and which."""

    what: str
    value: str


@dataclass(frozen=True)
class Answers:
    """What a first season is made of.

    Parameters
    ----------
    crops
        Names of crops as a grower types them; the groups of the season.
    climate
        A weather station, a city that has one, or a latitude such as -27.5, south below 0.
    currency
        Its three letters.
    labs
        Labs that plants are bought from.
    plants
        What labs send, one of `FORMS`.
    bench
        Bench under cover [m²]; None if space is no concern.
    """

    crops: Sequence[str]
    climate: str
    currency: str = "EUR"
    labs: Sequence[str] = ("Our lab",)
    plants: str = FORMS[0]
    bench: float | None = None

    def found(self) -> tuple[list[Crop], Station]:
        """Return the crops and the weather station that are meant; `Refused` if any is not known."""
        faults, crops = list[Fault](), list[Crop]()
        for name in self.crops:
            try:
                crops.append(find_crop(name))
            except Refused as error:
                faults += error.faults
        try:
            station = station_of(self.climate)
        except Refused as error:
            faults += error.faults
        if not 1 <= len(self.crops) <= _MOST:
            faults += refuse("crops", len(self.crops), "not a number of crops", f"Give 1 to {_MOST}.").faults
        if self.plants not in _FORMS:
            faults += refuse("plants", self.plants, "not what labs send", f"Give {words.any_of(FORMS)}.").faults
        if faults:
            raise Refused(faults)
        return list({crop.name: crop for crop in crops}.values()), station


def station_of(place: str) -> Station:
    """Return the weather station of a place, or the nearest one by latitude; `Refused` if none is meant."""
    try:
        latitude = float(place)
    except ValueError:
        return find_climate(place)
    return nearest(latitude)[0]


def first_season(answers: Answers, first_week: Week) -> tuple[Season, list[Assumed]]:
    """Return a season that forecasts at once, and what was assumed in it.

    Varieties, price list and targets hold an example for each crop, to be replaced; the rest follows from the crops.

    Raises
    ------
    Refused
        If a crop, a climate or another answer is not known.
    """
    crops, station = answers.found()
    plants = _FORMS[answers.plants]
    stages = tuple(row for crop in crops for row in stage_rows(crop, places=(HOUSE, SHADE), plants=plants))
    names = {crop.name: f"{crop.name} 'Example'" for crop in crops}
    sales = {crop.name: _spring(first_week + (LEAD_WEEKS + _weeks(crop)), station) for crop in crops}
    season = Season(
        name="Our nursery",
        currency=answers.currency,
        first_week=first_week,
        weeks=max(sales.values()) - first_week + SALE_WEEKS,
        service_level=SERVICE_LEVEL,
        split_gain=SPLIT_GAIN,
        location=f"{station.name}, {station.country}, 1991-2020",
        varieties=[Variety(variety=names[one.name], group=one.name, sale_price=SALE_PRICE) for one in crops],
        stages=stages,
        places=_places(crops, stages, answers.bench),
        price_list=[
            PriceLine(lab=lab, variety=name, unit_price=UNIT_PRICE, lead_weeks=LEAD_WEEKS)
            for lab in answers.labs
            for name in names.values()
        ],
        targets=[Target(variety=names[one.name], week=sales[one.name], target=WANTED) for one in crops],
        climate=station.normals,
    )
    return season, [*_assumed_of_crops(crops, plants), *_assumed(season, station, answers)]


def _weeks(crop: Crop) -> int:
    """Return after how many weeks most plants of a crop are ready."""
    return math.ceil(LATER * crop.figures["weeks"].typical)


def _spring(earliest: Week, station: Station) -> Week:
    """Return the first week of spring sales from a week on."""
    month, day = SPRING[station.southern]
    year = earliest.monday.year
    weeks = (Week.of(date(one, month, day)) for one in (year - 1, year, year + 1))
    return next(week for week in weeks if not week < earliest)


def _places(crops: Sequence[Crop], stages: Sequence[Stage], bench: float | None) -> list[Place]:
    """Return the house, and the shade house if a crop is hardened off there."""
    hardy = all(crop.hardy for crop in crops)
    area = NO_LIMIT if bench is None else bench
    house, shade = (
        Place(place=name, area=area, usable=1.0, cost_per_m2_week=BENCH_COST[name], note=words.PLACE_NOTE, **cells)
        for name, cells in ((HOUSE, {"held_above": WARMTH[hardy]}), (SHADE, {"shaded_by": 2.0}))
    )
    return [house, *([shade] if any(row.place == SHADE for row in stages) else [])]


def _assumed_of_crops(crops: Sequence[Crop], plants: Plants) -> list[Assumed]:
    found = []
    for crop in crops:
        alive, weeks = crop.survival("acclimatisation", plants).mean, crop.figures["weeks"]
        text = words.crop(
            survival=alive.typical, low=alive.low, high=alive.high, basis=alive.grade,
            weeks=weeks.typical, least=weeks.low, most=weeks.high, grade=weeks.grade,
        )  # fmt: skip
        found.append(Assumed(crop.name, text))
    return found


def _assumed(season: Season, station: Station, answers: Answers) -> list[Assumed]:
    """Return what was assumed beside crops."""
    house, cash = season.places[0], season.currency
    weeks = sorted({row.week for row in season.targets})
    return [
        Assumed("climate", words.climate(name=station.name, country=station.country, latitude=station.latitude)),
        Assumed(HOUSE, words.house(held_above=house.held_above, bench=answers.bench)),
        Assumed("labs", words.labs(plants=answers.plants, lead_weeks=LEAD_WEEKS)),
        Assumed("prices", words.prices(bought=UNIT_PRICE, sold=SALE_PRICE, currency=cash)),
        Assumed("sales", words.sales(number=WANTED, weeks=weeks)),
        Assumed("growing", words.growing(bench=house.cost_per_m2_week, currency=cash)),
        Assumed("certainty", words.certainty(level=SERVICE_LEVEL, gain=SPLIT_GAIN, currency=cash)),
    ]
