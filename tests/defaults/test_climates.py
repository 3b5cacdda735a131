"""Climates to start from: normals as published, names as typed, and degree-days that follow the published mean."""

from collections import Counter

import numpy as np
import pytest

from forecast import Refused
from forecast.defaults.climates import find_climate, list_climates, nearest, stations
from forecast.defaults.lookup import rows_of
from forecast.season.places import climate_of
from forecast.streams import Streams

STATIONS = pytest.mark.parametrize("station", stations(), ids=lambda station: station.name)
PUBLISHED = {
    # Mean temperature, January to December: World Meteorological Organization, Climatological Standard Normals for
    # 1991-2020, NCEI accession 0253808.
    "Curitiba": (21.3, 21.4, 20.3, 18.5, 15.5, 14.3, 13.8, 14.9, 16.0, 17.7, 18.9, 20.7),
    "Bangkok": (27.4, 28.6, 29.7, 30.7, 30.3, 29.7, 29.2, 29.0, 28.6, 28.4, 28.4, 27.3),
    "Singapore": (26.8, 27.3, 27.8, 28.2, 28.6, 28.5, 28.2, 28.1, 28.0, 27.9, 27.2, 26.8),
    "Kunming": (9.3, 11.5, 14.8, 17.8, 19.6, 20.7, 20.5, 20.2, 18.8, 16.2, 12.5, 9.5),
    "Brisbane": (25.3, 25.1, 23.8, 21.2, 18.4, 16.0, 15.2, 15.9, 18.5, 20.6, 22.6, 24.2),
}  # fmt: skip


def test_there_are_thirty_stations_or_more_on_five_continents():
    assert len(stations()) >= 30
    assert set(Counter(one.continent for one in stations())) == {
        "Africa", "Asia", "Europe", "North America", "Oceania", "South America",
    }  # fmt: skip
    assert sum(one.southern for one in stations()) >= 10


@STATIONS
def test_every_station_has_a_year_a_place_a_source_and_a_licence(station):
    assert [row.month for row in station.normals] == list(range(1, 13))
    assert -60 < station.latitude < 70
    assert -180 <= station.longitude <= 180
    assert 0 <= station.elevation < 4000
    assert "0253808" in station.source
    assert station.licence == "none stated; cite the accession"
    assert all(0.3 < row.year_sd < 3 for row in station.normals)
    assert station.measured_sd != ("judgement" in station.source)
    climate_of(station.normals, 0.3)


@STATIONS
def test_seasons_are_those_of_its_side_of_the_equator(station):
    if abs(station.latitude) > 25:
        means = [sum(row.about_mean) / 2 for row in station.normals]
        assert (np.mean(means[4:9]) < np.mean([*means[:3], *means[10:]])) == station.southern


@pytest.mark.parametrize("typed", PUBLISHED)
def test_degree_days_follow_the_published_mean(typed):
    """The mean of simulated weather over many years is that of the published normals, month by month."""
    climate = climate_of([row.replace(year_sd=0) for row in find_climate(typed).normals], 0.3)
    low, high = climate.draw("2027-W01", 52 * 4, Streams(1, 64))
    middle = ((low + high) / 2)[:, 0]
    assert middle.mean() == pytest.approx(np.mean(PUBLISHED[typed]), abs=0.06)
    july = middle[26:30].mean()
    assert july == pytest.approx(PUBLISHED[typed][6], abs=0.25)


def test_where_the_mean_is_that_of_minimum_and_maximum_it_is_left_out():
    left_out = {one.name for one in stations() if all(row.t_mean is None for row in one.normals)}
    told = {one.name for one in stations() if any(row.t_mean is not None for row in one.normals)}
    assert {"Brisbane Aero", "Sydney Observatory Hill", "Dublin Airport"} <= left_out
    assert {"Curitiba", "Bangkok Metropolis", "Singapore Changi", "Kunming"} <= told


@pytest.mark.parametrize(
    ("typed", "name"),
    [
        ("brisbane", "Brisbane Aero"), ("Brisbane Aero", "Brisbane Aero"), ("BRISBANE airport", "Brisbane Aero"),
        ("brisbane, australia", "Brisbane Aero"), ("London", "London Heathrow"), ("East London", "East London"),
        ("Bogota", "Bogotá El Dorado"), ("hong kong", "Hong Kong Observatory"), ("Kew", "London Heathrow"),
        ("São Paulo", "Curitiba"), ("Hamburg", "Hamburg-Fuhlsbüttel"), ("Japan", "Tokyo"),
        ("los angeles", "Los Angeles Intl Airport"),
        ("Cape Town International Airport", "Cape Town"), ("Heathrow", "London Heathrow"),
    ],
)  # fmt: skip
def test_a_climate_is_found_by_what_is_typed(typed, name):
    assert find_climate(typed).name == name


@STATIONS
def test_a_climate_is_found_by_each_of_its_names(station):
    assert all(find_climate(name) is station for name in (station.name, *station.also))


@pytest.mark.parametrize(
    ("typed", "line"),
    [
        ("sidney", "climate, 'sidney': not a climate of the list. Did you mean 'Sydney'?"),
        ("Germany", "climate, 'Germany': more than one climate has this name. Did you mean 'Hannover' or "
                    "'Hamburg-Fuhlsbüttel'?"),
        ("qqqq", "climate, 'qqqq': not a climate of the list. python -m forecast start --list shows all climates."),
        ("", "climate, '': not a climate of the list. python -m forecast start --list shows all climates."),
    ],
)  # fmt: skip
def test_what_is_not_one_climate_is_refused(typed, line):
    with pytest.raises(Refused) as refused:
        find_climate(typed)
    assert str(refused.value) == line


def test_the_nearest_lie_on_the_same_side_of_the_equator():
    assert nearest(-27.5, 153)[0].name == "Brisbane Aero"
    assert nearest(51.9, 4.5)[0].name == "De Bilt"
    assert [one.southern for one in nearest(-1, number=5)] == [True] * 5
    assert nearest(64, number=1)[0].name == "Hamburg-Fuhlsbüttel"
    assert len({one.name for one in nearest(-33.9, number=4)}) == 4
    with pytest.raises(Refused, match="latitude, 91"):
        nearest(91)
    with pytest.raises(Refused, match="longitude, 200"):
        nearest(10, 200)


def test_great_circles_are_as_long_as_they_are():
    """A quarter of the Earth from the pole to the equator, and half of it to the other side."""
    far = nearest(40, 180, number=len(stations()))
    assert far[0].name == "Tokyo"
    assert [one.name for one in far].index("Paris Montsouris") > [one.name for one in far].index(
        "Los Angeles Intl Airport"
    )


def test_standard_deviations_between_years_are_measured_or_said_to_be_judged():
    measured = {one.name for one in stations() if one.measured_sd}
    assert {"Brisbane Aero", "London Heathrow", "De Bilt", "Hong Kong Observatory"} <= measured
    judged = {row["zone"] for row in rows_of("stations.csv") if row["year_sd_source"] == "judgement"}
    assert judged == {"tropics", "subtropics", "mid-latitudes", "continental"}


def test_the_list_of_climates_fits_a_terminal():
    table = list_climates()
    assert len(table) == len(stations())
    assert max(map(len, table.to_string(index=False).splitlines())) <= 80
