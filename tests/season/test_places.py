"""Rows of places."""

from forecast import Week
from forecast.season.places import Place


def test_a_place_can_be_used_from_its_first_to_its_last_week() -> None:
    place = Place(place="shade", area=200, usable=0.75, first_week="2027-W14", last_week="2027-W40")
    assert [place.bench(Week(2027, week)) for week in (13, 14, 40, 41)] == [0, 150, 150, 0]
    assert Place(place="house", area=200, usable=0.75).bench(Week(1999, 1)) == 150
