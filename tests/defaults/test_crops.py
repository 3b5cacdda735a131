"""Crops to start from: every figure with its source, names as growers type them, and rows that forecast anywhere."""

import math
import re
from collections import Counter

import pytest
from small_seasons import offer, season

from forecast import Refused, simulate
from forecast.defaults.crops import DEFAULT, all_crops, find_crop, list_crops, stage_rows
from forecast.defaults.lookup import rows_of, same_name, sources
from forecast.defaults.survivals import Plants

GRADES = {"published", "extension", "practice", "judgement"}
UNFOUNDED = ("common practice, no source", "from memory", "judgement")
NEEDED = {"acclimatisation_weeks", "weeks", "trays_per_m2", "pots_per_m2"}
SANE = {
    "acclimatisation_weeks": (2, 14), "weeks": (5, 210), "base_temperature": (2, 15), "upper_threshold": (20, 35),
    "cold_below": (-5, 20), "heat_above": (20, 50), "trays_per_m2": (80, 900), "pots_per_m2": (10, 500),
    "cold_weeks": (4, 20),
}  # fmt: skip
GROUPS = {
    "foliage", "succulents", "orchids", "ferns", "perennials", "grasses", "pot flowers", "bulbs", "fruit",
    "carnivorous", "palms", "bromeliads", "woody", "trees", "field crops",
}  # fmt: skip
CROPS = pytest.mark.parametrize("crop", all_crops(), ids=lambda crop: crop.name)


def test_there_are_sixty_crops_or_more_in_many_groups():
    groups = Counter(crop.group for crop in all_crops())
    assert len(all_crops()) >= 60
    assert set(groups) == GROUPS


def test_every_source_is_used_and_cited_once():
    used = {row["source"] for name in ("figures.csv", "survivals.csv", "stations.csv") for row in rows_of(name)}
    used |= {row["year_sd_source"] for row in rows_of("stations.csv")}
    used |= {
        word for row in rows_of("crops.csv") for word in re.findall(r"\((\w+-[\w-]*\d{4}|easter-lily)\)", row["note"])
    }
    assert used <= set(sources())
    assert set(sources()) - used <= {"rutgers"}  # of a pool
    assert max(Counter(source.citation for source in sources().values()).values()) == 1


@CROPS
def test_every_figure_has_a_grade_and_a_source_and_lies_where_it_can(crop):
    assert set(crop.figures) >= NEEDED
    assert set(crop.figures) <= set(SANE)
    for name, figure in crop.figures.items():
        assert figure.grade in GRADES
        assert figure.source
        assert (figure.grade == "judgement") == (figure.source == "judgement")
        assert figure.grade in ("practice", "judgement") or figure.source not in UNFOUNDED
        low, high = SANE[name]
        ends = [end for end in (figure.low, figure.typical, figure.high) if end is not None]
        assert ends == sorted(ends)
        assert low <= ends[0] <= ends[-1] <= high, name


def test_a_base_temperature_counts_as_published_only_where_a_trial_measured_it():
    """Karlsson and others (1991), hibiscus, 9.8 °C; a thermal unit model of two miniature roses, 8.1 and 9.5 °C."""
    found = {
        crop.name: (base.low, base.typical, base.high)
        for crop in all_crops()
        if (base := crop.figures.get("base_temperature")) and base.grade == "published"
    }
    assert found == {"Hibiscus": (None, 9.8, None), "Miniature rose": (8.1, 8.8, 9.5)}


@pytest.mark.parametrize(
    ("crop", "figure", "ends"),
    [
        ("strawberry", "acclimatisation_weeks", (3, 5)),  # Jofre-Garfias and others 2006, 3 to 5 weeks
        ("banana", "acclimatisation_weeks", (6, 9)),  # Scaranari, Leal and Mazzafera 2009, 6 or 9 weeks
        ("lily", "cold_weeks", (10, 20)),  # 70 to 140 days at 5 °C
        ("kalmia", "acclimatisation_weeks", (4, 6)),  # Lloyd and McCown 1980, 4 to 6 weeks
        ("azalea", "weeks", (52, 120)),  # Bojarczuk 1989: 18 months, 78 weeks, typical
    ],
)
def test_published_figures_are_those_of_the_papers(crop, figure, ends):
    found = find_crop(crop).figures[figure]
    assert (found.low, found.high) == ends
    assert found.grade == "published"


def test_no_two_crops_share_a_name():
    names = [{same_name(name) for name in (one.name, one.latin, *one.also) if name} for one in all_crops()]
    shared = {name: count for name, count in Counter(name for one in names for name in one).items() if count > 1}
    assert shared == {}


@pytest.mark.parametrize(
    ("typed", "name"),
    [
        ("aroids", "Aroid"), ("echeverias", "Echeveria"), ("hostas", "Hosta"), ("HOSTA", "Hosta"), ("ferns", "Fern"),
        ("Hosta 'Blue Ambrel'", "Hosta"),
        ("Phalaenopsis orchids", "Moth orchid"), ("african violets", "African violet"),
        ("Mother-in-law's tongue", "Snake plant"), ("Ficus elastica 'Ombra'", "Rubber plant"), ("Musa", "Banana"),
        ("grasses", "Ornamental grass"), ("berries", "Fruit plant"), ("Succulents", "Succulent"),
        ("ti plants", "Ti plant"),
        ("peace lilies", "Peace lily"), ("cacti and succulents", "Succulent"), ("strawberries", "Strawberry"),
    ],
)  # fmt: skip
def test_a_crop_is_found_by_the_names_growers_type(typed, name):
    assert find_crop(typed).name == name


def _plural(name):
    if name.endswith("s"):
        return name if not name.endswith("ss") else f"{name}es"
    if name.endswith("y"):
        return f"{name[:-1]}ies"
    return f"{name}es" if name.endswith(("x", "ch", "sh")) else f"{name}s"


@CROPS
def test_a_crop_is_found_by_each_of_its_names_and_their_plurals(crop):
    names = [name for name in (crop.name, crop.latin, *crop.also) if name]
    assert all(find_crop(typed) is crop for name in names for typed in (name, name.upper()))
    assert all(find_crop(_plural(name)) is crop for name in names if name[-1].isalpha())


@pytest.mark.parametrize(
    ("typed", "line"),
    [
        ("hsota", "crop, 'hsota': not a crop of the list. Did you mean 'Hosta'?"),
        ("qqqq", "crop, 'qqqq': not a crop of the list. python -m forecast start --list shows all crops."),
        ("toetoe", "crop, 'toetoe': not a crop of the list. python -m forecast start --list shows all crops."),
        ("", "crop, '': not a crop of the list. python -m forecast start --list shows all crops."),
    ],
)
def test_an_unknown_crop_is_refused_with_the_nearest_names(typed, line):
    with pytest.raises(Refused) as refused:
        find_crop(typed)
    assert str(refused.value) == line


_WARM = (4, 5, 8, 12, 16, 20, 22, 21, 18, 13, 8, 5)  # monthly means [°C]


def _season(rows, south):
    weeks = sum(row.typical if row.runs_on == "weeks" else 30 for row in rows)
    means = (*_WARM[6:], *_WARM[:6]) if south else _WARM
    climate = [
        {"month": month, "t_min": mean - 4, "t_max": mean + 4, "year_sd": 1.2} for month, mean in enumerate(means, 1)
    ]
    places = [
        {"place": row.place, "area": 900, "usable": 0.7, "warmer_by": 6, "held_above": 18}
        for row in {row.place: row for row in rows}.values()
    ]
    first = "2027-W36" if south else "2027-W10"
    return season(
        rows, first_week=first, weeks=round(10 + 2 * weeks), places=places, climate=climate,
        orders=[{"variety": "A", "week": first, "quantity": 720}],
        price_list=[offer(first_week=first, last_week=first)],
    )  # fmt: skip


@CROPS
@pytest.mark.parametrize("south", [False, True], ids=["north", "south"])
def test_rows_of_every_crop_forecast_in_both_hemispheres(crop, south):
    rows = stage_rows(crop, applies_to="crop", places=("house", "yard"))
    names = ["arrival", "acclimatisation", "growing on", "hardening"][: 3 + crop.hardy]
    assert [row.stage for row in rows] == names
    assert [row.place for row in rows] == ["house"] * 3 + ["yard"] * crop.hardy
    assert all(row.source.startswith(f"{DEFAULT}: survival: ") for row in rows)
    outcome = simulate(_season(rows, south), draws=128)
    expected = 720 * math.prod(row.survival for row in rows)
    assert 0.85 * expected < outcome.table()["median"].max() < 1.25 * expected


def test_plugs_skip_acclimatisation_and_are_ahead():
    hosta = find_crop("hosta")
    plantlet, plug = stage_rows(hosta), stage_rows(hosta, plants=Plants(form="plug"))
    assert [row.stage for row in plug] == ["arrival", "growing on", "hardening"]
    assert plug[1].typical < plantlet[2].typical
    assert sum(row.typical for row in plantlet) == hosta.figures["weeks"].typical


def test_degree_days_are_those_of_the_weeks_in_a_house_of_22_degrees():
    row = stage_rows(find_crop("hibiscus"))[2]
    assert (row.runs_on, row.base_temperature, row.upper_threshold) == ("degree-days", 9.8, 30)
    weeks = find_crop("hibiscus").figures["weeks"].typical - 6  # of acclimatisation
    assert row.typical == round(7 * weeks * (22 - 9.8))


def test_the_list_of_crops_fits_a_terminal():
    table = list_crops()
    assert len(table) == len(all_crops())
    assert max(map(len, table.to_string(index=False).splitlines())) <= 80
