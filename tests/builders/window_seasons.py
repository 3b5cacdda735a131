"""Seasons that sell over weeks, as the text of their tables, with invented varieties and labs."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from pathlib import Path

from forecast.io.seasons import read_season
from forecast.season.season import Season
from forecast.weeks import Week

OLD_DEMO = Path(__file__).parent / "old_demo"
"""The demo nursery as it was when every target was one number in one week."""

_STAGES = (
    "applies_to,stage,place,runs_on,typical,batches_cv,plants_cv,time_level,survival,survival_sd,survival_level,"
    "share_of,plants_per_m2,cost,minutes\n"
)
_LISTS = (
    "lab,variety,form,from_quantity,unit_price,minimum,multiple,lead_weeks,first_week,last_week,deposit,"
    "freight_per_box,plants_per_box\n"
)

MARKET = {  # retail by a profile beside wholesale that waits; a short shelf life, a small outlet, good and bad years
    "season.toml": """\
name = "Market stalls"
currency = "AUD"
first_week = "2027-W06"
weeks = 60
service_level = 0.9
hourly_wage = 30
demand_cv = 0.2
price_cv = 0.1
""",
    "varieties.csv": """\
variety,group,sale_price,markdown_price,saleable_weeks,outlet
Grevillea 'Tirrawind',shrub,14,4,5,15
Correa 'Lowbanks',shrub,11,3,,
""",
    "stages.csv": _STAGES
    + """\
shrub,arrival,tunnel,weeks,0,,,,0.96,0.03,batch,entering,600,0,0.1
shrub,acclimatisation,tunnel,weeks,5,0.15,0.12,season 0.4 batch 0.6,0.8,0.09,season 0.3 variety 0.2 batch 0.5,\
entering,400,0.1,0.5
shrub,growing on,tunnel,weeks,14,0.12,0.15,season 0.5 batch 0.5,0.92,0.04,batch,entering,60,0.4,0.6
shrub,hardening,yard,weeks,9,0.1,0.15,variety,0.95,0.03,belief 0.5 batch 0.5,entering,30,0.1,0.3
""",
    "places.csv": """\
place,area,usable,cost_per_m2_week,first_week,last_week
tunnel,100,0.7,2.5,,2027-W35
tunnel,100,0.7,1,2027-W36,
yard,200,0.8,0.5,,
""",
    "price_list.csv": _LISTS
    + """\
Lab Sedge,Grevillea 'Tirrawind',plug,1,2.1,40,20,4,2027-W12,2027-W24,0.5,30,200
Lab Sedge,Grevillea 'Tirrawind',plug,300,1.8,40,20,4,2027-W12,2027-W24,0.5,30,200
Lab Sedge,Correa 'Lowbanks',plug,1,1.7,40,20,4,2027-W12,2027-W24,0.5,30,200
""",
    "profiles.csv": """\
profile,week,weight
stall,1,2
stall,2,5
stall,3,0
stall,4,3
""",
    "targets.csv": """\
variety,week,until,target,p5,median,p95,channel,profile,price,price_end,promised,promised_share,short_cost,waits
Grevillea 'Tirrawind',2027-W44,2027-W51,,70,100,150,retail,stall,16,12,,,,
Grevillea 'Tirrawind',2027-W46,2027-W49,90,,,,wholesale,,10,,0.8,0.9,4,2
Grevillea 'Tirrawind',2027-W50,2028-W01,,10,20,40,garden centre,,13,,,,0,1
Correa 'Lowbanks',2027-W42,2027-W52,80,,,,,,,,,,,
""",
    "orders.csv": """\
variety,week,quantity,lab
Grevillea 'Tirrawind',2027-W13,180,Lab Sedge
Grevillea 'Tirrawind',2027-W18,120,Lab Sedge
Correa 'Lowbanks',2027-W14,120,Lab Sedge
""",
}

CONTRACT = {  # dear retail sales before two promises in later weeks, for which plants must be kept back
    "season.toml": """\
name = "Two contracts"
currency = "GBP"
first_week = "2027-W01"
weeks = 44
service_level = 0.8
hourly_wage = 16
""",
    "varieties.csv": """\
variety,group,sale_price,markdown_price,saleable_weeks,outlet
Fern 'Quillmoor',fern,8,2.5,9,40
""",
    "stages.csv": _STAGES
    + """\
fern,wean,mist,weeks,3,0.2,0.15,batch,0.82,0.08,batch,entering,500,0.1,0.4
fern,pot,bed,weeks,9,0.12,0.2,season 0.5 batch 0.5,0.93,0.04,season 0.4 batch 0.6,entering,40,0.5,1
fern,sort,bed,weeks,0,,,,0.96,0,plant,entering,40,0.05,0.2
""",
    "places.csv": """\
place,area,usable,cost_per_m2_week
mist,20,0.8,4
bed,60,0.9,1
""",
    "price_list.csv": _LISTS
    + """\
Lab One,Fern 'Quillmoor',cell,1,1.1,50,10,1,2027-W02,2027-W18,0,12,150
Lab Two,Fern 'Quillmoor',cell,1,1.3,25,5,1,2027-W02,2027-W18,0.3,9,100
Lab Two,Fern 'Quillmoor',cell,200,1.05,25,5,1,2027-W02,2027-W18,0.3,9,100
""",
    "targets.csv": """\
variety,week,until,target,channel,price,price_end,promised,promised_share,short_cost,waits
Fern 'Quillmoor',2027-W20,2027-W29,120,retail,12,9,,,,
Fern 'Quillmoor',2027-W23,2027-W27,40,landscaper,10,,,,0,2
Fern 'Quillmoor',2027-W26,,50,contract,6,,0.9,,5,
Fern 'Quillmoor',2027-W29,2027-W30,60,contract,6,,0.8,0.9,,1
""",
    "orders.csv": """\
variety,week,quantity,lab
Fern 'Quillmoor',2027-W06,110,Lab Two
Fern 'Quillmoor',2027-W11,90,Lab One
Fern 'Quillmoor',2027-W15,80,Lab One
""",
}

HANDFUL = {  # a dozen plants or two, buyers who wait, prices that rise
    "season.toml": """\
name = "A handful"
currency = "EUR"
first_week = "2027-W08"
weeks = 40
service_level = 0.7
hourly_wage = 12
""",
    "varieties.csv": """\
variety,group,sale_price,markdown_price,saleable_weeks
Orchid 'Veldane',orchid,38,15,4
Orchid 'Marrowby',orchid,45,10,
""",
    "stages.csv": _STAGES
    + """\
orchid,deflasking,house,weeks,2,0.3,0.3,batch,0.8,0.15,batch,entering,200,0.3,3
orchid,first pot,house,weeks,8,0.2,0.3,batch,0.85,0.12,season 0.5 batch 0.5,entering,50,0.8,4
orchid,second pot,house,weeks,6,0.2,0.4,batch,0.9,0.08,variety,entering,16,1.5,5
""",
    "places.csv": "place,area,usable,cost_per_m2_week\nhouse,6,0.8,6\n",
    "price_list.csv": _LISTS
    + """\
Lab Oriel,Orchid 'Veldane',flask,1,4,6,6,2,2027-W08,2027-W20,0,15,24
Lab Oriel,Orchid 'Marrowby',flask,1,5,6,6,2,2027-W08,2027-W20,0,15,24
""",
    "targets.csv": """\
variety,week,until,target,p5,median,p95,channel,price,price_end,promised,waits
Orchid 'Veldane',2027-W26,2027-W33,9,,,,shop,30,44,,1
Orchid 'Veldane',2027-W29,,4,,,,florist,28,,0.8,3
Orchid 'Marrowby',2027-W27,2027-W36,,3,5,9,,,,,2
""",
    "orders.csv": """\
variety,week,quantity,lab
Orchid 'Veldane',2027-W10,12,Lab Oriel
Orchid 'Veldane',2027-W13,12,Lab Oriel
Orchid 'Marrowby',2027-W12,12,Lab Oriel
""",
}

SELLING = {"market": MARKET, "contract": CONTRACT, "handful": HANDFUL}


def written(texts: Mapping[str, str], folder: Path) -> Path:
    """Write the tables of a season into a folder, and return it."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="")
    return folder


def hardening(varieties: int = 1, weeks: int = 20, plants: int = 5000, *, area: float = 170) -> dict[str, str]:
    """Return a nursery that weans plantlets and sells them as liners: bookings in each of some weeks, of so many plants
    over all varieties, two labs, and a tunnel that cannot hold more than a part of the season's plants."""
    names = [f"Liner {letter}" for letter in "ABCDEFGH"[:varieties]]
    first, each = Week.parse("2027-W16"), plants // varieties
    wanted = [(name, first + k, each) for name in names for k in range(weeks)]
    offers = []
    for at, name in enumerate(names):
        usual = name, "vessel"
        offers += [
            ("Lab Alder", *usual, 1, 0.36 + 0.02 * at, 1000, 500, 8, "2027-W02", "2027-W36", 0.3, 28, 4000),
            ("Lab Alder", *usual, 10000, 0.31 + 0.02 * at, 1000, 500, 8, "2027-W02", "2027-W36", 0.3, 28, 4000),
            ("Lab Birch", *usual, 1, 0.33 + 0.02 * at, 2000, 1000, 10, "2027-W04", "2027-W30", 0.5, 35, 6000),
        ]
    return {
        "season.toml": """\
name = "Hardening"
currency = "EUR"
first_week = "2026-W40"
weeks = 66
service_level = 0.9
hourly_wage = 17
""",
        "varieties.csv": _rows(
            "variety,group,sale_price,markdown_price,saleable_weeks,outlet",
            ((name, f"liner {name[-1]}", 0.95 + 0.05 * k, 0.2, 4, each) for k, name in enumerate(names)),
        ),
        "stages.csv": _STAGES
        + "".join(
            f"liner {name[-1]},weaning,tunnel,weeks,3,0.1,0.1,batch,{0.86 - 0.02 * k:.2f},0.06,"
            "season 0.3 variety 0.2 batch 0.5,entering,800,0.02,0.05\n"
            f"liner {name[-1]},hardening,tunnel,weeks,{5 + k % 2},0.1,0.12,season 0.4 batch 0.6,0.96,0.02,batch,"
            "entering,400,0.03,0.04\n"
            for k, name in enumerate(names)
        ),
        "places.csv": f"place,area,usable,cost_per_m2_week\ntunnel,{area},0.8,1.6\n",
        "price_list.csv": _LISTS + _rows("", offers),
        "targets.csv": _rows(
            "variety,week,target,short_cost,waits", ((name, week, number, 0.3, 1) for name, week, number in wanted)
        ),
    }


def _rows(header: str, rows: Iterable[Iterable[object]]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([[str(cell) for cell in row] for row in rows])
    return (f"{header}\n" if header else "") + text.getvalue()


def old_demo(weeks: int = 1, *, ending: bool = False, short: float | None = 0.0, promised: bool = False) -> Season:
    """Return the demo nursery as it was, its targets spread over weeks.

    Parameters
    ----------
    weeks
        Length of each target's window [weeks].
    ending
        Whether the window ends at the target's week; else that is its middle.
    short
        Price of a missing plant as a share of its sale price; None for what an empty cell means.
    promised
        Whether every row is promised at its service level; else none is.
    """
    season = read_season(OLD_DEMO)
    levels = {row.variety: row.promised for row in season.targets}
    rows = []
    for row in season.targets:
        before = weeks - 1 if ending else (weeks - 1) // 2
        first = row.week + -before
        cells = {"week": first, "until": first + (weeks - 1) if weeks > 1 else None}
        if short is not None:
            cells["short_cost"] = short * (season.variety(row.variety).sale_price or 0)
        level = levels[row.variety] or season.service_level
        rows.append(row.replace(**cells, promised=level if promised else None))
    return season.replace(targets=tuple(rows), orders=(), weeks=season.weeks + weeks // 2)
