"""The calendar of a plan, read back with another library: right days, same bytes, harmless whatever files hold."""

import re
from datetime import date, timedelta
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pytest
import small_seasons as small
import vobject
from hypothesis import example, given, settings
from hypothesis import strategies as st
from labelled import plants_by_state
from southern_climate import HIGH, LOW, SPREAD

import forecast
from forecast import Refused, Week
from forecast.rates.distributions import Duration
from forecast.records.records import read_records
from forecast.show.calendar import write_calendar
from forecast.show.sheets import order_sheet
from forecast.words.numbers import dated, day, rounded
from forecast.words.partner import CAUTIONS

DEMO = Path(__file__).parents[2] / "demo_data"


@pytest.fixture(scope="module")
def file(demo_plan, tmp_path_factory):
    path = tmp_path_factory.mktemp("calendar") / "plan.ics"
    write_calendar(demo_plan, path)
    return path


def calendar_of(path):
    return vobject.readOne(path.read_bytes().decode())


def events(path, kind=None):
    found = calendar_of(path).contents.get("vevent", [])
    return [event for event in found if kind in (None, event.categories.value[0])]


def written(outcome, folder, **options):
    write_calendar(outcome, folder / "plan.ics", overwrite=True, **options)
    return folder / "plan.ics"


def grown(stages, orders, *, draws=64, **header):
    names = tuple(dict.fromkeys(variety for variety, *_ in orders))
    return forecast.simulate(small.season(stages, varieties=names, **header), orders, draws=draws, seed=1)


def monday(week):
    year, number = str(week).split("-W")
    return date.fromisocalendar(int(year), int(number), 1)


def test_deliveries_are_in_their_whole_week(demo_plan, file):
    found = [(one.dtstart.value, one.dtend.value, one.summary.value) for one in events(file, "delivery")]
    due = [
        (monday(row.week), monday(row.week) + timedelta(7), f"Delivery from {row.lab}: {row.quantity:,} {row.variety}")
        for row in demo_plan.orders
    ]
    assert sorted(found) == sorted(due)


def test_orders_are_placed_on_the_first_monday_and_hold_every_plantlet(demo_plan, file):
    found = events(file, "order")
    assert {one.dtstart.value for one in found} == {date.fromisocalendar(2026, 40, 1)}
    assert {one.dtend.value for one in found} == {date(2026, 9, 29)}
    lines = [line for one in found for line in one.description.value.splitlines()]
    assert sorted(lines) == sorted(f"{row.quantity:,} {row.variety} for {dated(row.week)}" for row in demo_plan.orders)
    for one in found:
        lab = one.summary.value.removeprefix("Order from ").split(":")[0]
        assert f": {sum(row.quantity for row in demo_plan.orders if row.lab == lab):,} plantlets" in one.summary.value


def test_payments_are_those_of_the_order_sheet(demo_plan, file):
    sheets = order_sheet(demo_plan)
    due = {(row.deposit_due, f"Pay {row.lab}, deposits"): row.deposit for row in sheets["labs"].iloc[:-1].itertuples()}
    for row in sheets["deliveries"].itertuples():
        due[row.monday, f"Pay {row.lab}, balance and freight"] = row.due_on_delivery
    found = {}
    for one in events(file, "payment"):
        said, amount = one.summary.value.split(": ")
        found[one.dtstart.value, said] = float(amount.removesuffix(" EUR").replace(",", ""))
    assert found == pytest.approx(due, abs=0.011)


def test_what_is_needed_is_on_its_monday_with_its_chance(demo_plan, file):
    found = {(one.dtstart.value, one.summary.value): one.description.value for one in events(file, "target")}
    targets = demo_plan.season.targets
    assert len(found) == len(targets) + sum(row.until is not None for row in targets)
    for row in targets:
        whom = f" for {row.channel}" if row.channel else ""
        entries = {"Sale begins": row.week, "Sale ends": row.until} if row.until else {"Target": row.week}
        for name, week in entries.items():
            said = found[monday(week), f"{name}: {row.median_demand:,} {row.variety}{whom}"]
            assert re.search(r"Met in (about \d+ of 20 simulated seasons|every simulated season)\.$", said)
            assert ("90 % range 260 to 500" in said) == (row.p5 is not None)


@pytest.mark.parametrize(
    ("first", "delivered", "potted", "ready"),
    [
        ("2026-W50", "2026-W51", (2026, 53), (2027, 1)),  # a year of 53 weeks
        ("2026-W50", "2026-W53", (2027, 2), (2027, 3)),
        ("2025-W50", "2025-W51", (2026, 1), (2026, 2)),  # a year of 52
        ("2032-W50", "2032-W52", (2033, 1), (2033, 2)),  # 53 again
    ],
)
def test_weeks_are_right_over_the_end_of_a_year(tmp_path, first, delivered, potted, ready):
    stages = [small.stage(typical=2), small.stage("growing on", typical=1)]
    offers = [small.offer(first_week=first, last_week=delivered)]
    out = grown(stages, [("A", delivered, 100)], first_week=first, price_list=offers, weeks=10)
    path = written(out, tmp_path)
    for kind, week in (("order", first), ("delivery", delivered)):
        assert [one.dtstart.value for one in events(path, kind)] == [monday(week)]
    for kind, (year, week) in (("move", potted), ("ready", ready)):
        (one,) = events(path, kind)
        assert one.dtstart.value == date.fromisocalendar(year, week, 1)
        assert one.dtend.value == date.fromisocalendar(year, week, 1) + timedelta(days=7)


@pytest.mark.parametrize("plants", [0.0, 0.25])
def test_half_of_a_batch_has_entered_when_its_middle_plant_has(tmp_path, plants):
    """The time of the middle plant is lognormal between batches, however plants differ: its quantiles are exact."""
    first = small.stage(typical=10.5, batches_cv=0.2, plants_cv=plants, survival=0.7)
    last = small.stage("growing on", typical=3, plants_cv=plants)
    path = written(grown([first, last], [("A", "2027-W05", 1000)], draws=4096, price_list=[small.offer()]), tmp_path)
    (one,) = events(path, "move")
    time = Duration(10.5, 0.2, 0, "batch", "weeks")
    low, middle, high = (Week.parse("2027-W05") + int(weeks) for weeks in time.quantile([0.05, 0.5, 0.95]).tolist())
    assert one.dtstart.value == monday(middle)
    assert f"between the weeks of {day(monday(low))} and {day(monday(high))} (90 % range)." in one.description.value
    assert one.description.value.startswith(f"About {rounded(700)} plants")
    assert one.location.value == "house"


def south(delivered):
    stages = [
        small.stage(
            runs_on="degree-days", typical=300, base_temperature=4, batches_cv=0.1, survival=1, upper_threshold=28
        ),
        small.stage("growing on", runs_on="degree-days", typical=400, base_temperature=4, plants_cv=0.1, survival=1),
    ]
    normals = zip(range(1, 13), LOW, HIGH, SPREAD, strict=True)
    climate = [dict(zip(("month", "t_min", "t_max", "year_sd"), row, strict=True)) for row in normals]
    offers = [small.offer(first_week="2027-W06", last_week="2028-W10")]
    header = {"first_week": "2027-W06", "weeks": 90, "price_list": offers, "climate": climate}
    return grown(stages, [("A", delivered, 100)], draws=128, **header)


@pytest.mark.parametrize("delivered", ["2027-W14", "2027-W36"])
def test_in_the_south_half_are_there_when_half_of_the_plants_are_there(tmp_path, delivered):
    """Without losses: the week after whose end the plants that stand in earlier stages are half of all, at most."""
    out = south(delivered)
    path = written(out, tmp_path)
    states = plants_by_state(out, "A")
    for kind, earlier in (("move", ["acclimatisation"]), ("ready", ["acclimatisation", "growing on"])):
        left = states.sel(state=earlier).sum("state").to_numpy()
        come = np.arange(90) >= Week.parse(delivered) - Week.parse("2027-W06")
        weeks = (~come[:, None] | (left > 50)).sum(axis=0) - 1
        (one,) = events(path, kind)
        middle = Week.parse("2027-W06") + int(np.quantile(weeks, 0.5, method="inverted_cdf"))
        assert one.dtstart.value == monday(middle)


def test_in_the_south_plants_of_september_are_ready_sooner_than_those_of_april(tmp_path):
    took = {}
    for delivered in ("2027-W14", "2027-W36"):
        (ready,) = events(written(south(delivered), tmp_path), "ready")
        took[delivered] = (ready.dtstart.value - monday(delivered)).days / 7
    assert took["2027-W36"] < took["2027-W14"]


def test_moves_that_half_of_the_draws_do_not_see_are_reported_in_the_delivery(tmp_path):
    stages = [small.stage(typical=20), small.stage("growing on", typical=40)]
    path = written(grown(stages, [("A", "2027-W01", 100)], weeks=30), tmp_path)
    assert len(events(path, "move")) == 1
    assert events(path, "ready") == []
    (one,) = events(path, "delivery")
    assert one.description.value.splitlines() == [
        "Stages that begin: acclimatisation.",
        "By the end of the season less than half is ready.",
    ]


def test_draws_that_come_too_late_are_counted(tmp_path):
    late = small.stage(typical=24, batches_cv=0.2)
    (one,) = events(written(grown([late], [("A", "2027-W01", 100)], weeks=28, draws=1024), tmp_path), "ready")
    assert one.description.value.endswith(
        "and 12 Jul 2027 (90 % range); in about 4 of 20 simulated seasons not before the season ends."
    )


def test_an_entry_keeps_its_identifier_when_its_day_changes(tmp_path):
    orders = [("A", "2027-W05", 100, "Lab"), ("A", "2027-W09", 100, "Lab"), ("B", "2027-W05", 80)]
    found = []
    for weeks in (4, 6):
        path = written(grown([small.stage(typical=weeks), small.stage("growing on")], orders), tmp_path)
        found.append({one.uid.value: (one.dtstart.value, one.summary.value) for one in events(path)})
        assert len(found[-1]) == len(events(path))
    assert found[0].keys() == found[1].keys()
    moved = {said for uid, (day, said) in found[0].items() if found[1][uid][0] != day}
    assert moved == {"A: half in growing on", "A: half are ready", "B: half in growing on", "B: half are ready"}


def test_the_same_plan_gives_the_same_bytes_and_a_stated_day_stamps_them(demo_plan, file, tmp_path):
    write_calendar(demo_plan.simulate(), tmp_path / "again.ics")
    assert (tmp_path / "again.ics").read_bytes() == file.read_bytes()
    assert {str(one.dtstamp.value) for one in events(file)} == {"2026-09-28 00:00:00+00:00"}
    later = written(demo_plan, tmp_path, on_date="2027-02-03").read_bytes()
    assert later.replace(b"DTSTAMP:20270203T000000Z", b"DTSTAMP:20260928T000000Z") == file.read_bytes()


def test_lines_end_as_the_standard_asks_and_none_is_too_long(file):
    data = file.read_bytes()
    assert data.count(b"\n") == data.count(b"\r\n") == data.count(b"\r")
    assert max(map(len, data.split(b"\r\n"))) <= 75


def test_the_calendar_says_how_it_was_made_and_every_caution(demo_plan, file):
    (said,) = calendar_of(file).contents["description"]
    lines = said.value.splitlines()
    assert lines == [f"forecast {version('forecast')}, 128 simulated seasons, seed 1", *CAUTIONS]
    assert calendar_of(file).contents["name"][0].value == demo_plan.season.name


def test_without_a_price_there_are_no_payments_and_it_is_said(tmp_path):
    out = grown(
        [small.stage(typical=4)], [("A", "2027-W05", 10)], targets=[{"variety": "A", "week": "2027-W20", "target": 5}]
    )
    path = written(out, tmp_path)
    assert events(path, "payment") == []
    (said,) = calendar_of(path).contents["description"]
    assert "No payments shown. varieties, row 2, column sale_price: " in said.value


def test_what_nobody_ordered_is_reported(tmp_path):
    season = small.season(
        [small.stage()], varieties=("A", "B"), targets=[{"variety": "B", "week": "2027-W20", "target": 5}]
    )
    (one,) = events(written(forecast.simulate(season, [("A", "2027-W05", 10)], draws=8, seed=1), tmp_path), "target")
    assert one.description.value == "Nothing is ordered for it."


NASTY = [
    "<script>alert(1)</script>",
    '=HYPERLINK("x")',
    "A;B,C\\nD\\",
    r"E\N\n\\N",
    "END:VEVENT",
    "Ünïcödé 🌱" * 12,
    '"',
    "A:B=C",
]

KINDS = ["delivery", "move", "order", "payment", "ready"]


@pytest.mark.parametrize("name", NASTY)
def test_names_come_back_as_they_were(tmp_path, name):
    offers = [small.offer(name, lab=name)]
    out = grown(
        [small.stage(name, typical=4), small.stage("b")], [(name, "2027-W05", 10, name)], price_list=offers, name=name
    )
    path = written(out, tmp_path)
    (delivery,) = events(path, "delivery")
    assert delivery.summary.value == f"Delivery from {name}: 10 {name}"
    assert delivery.description.value == f"Stages that begin: {name}."
    assert calendar_of(path).contents["name"][0].value == name
    assert sorted(kind for one in events(path) for kind in one.categories.value) == KINDS


@settings(max_examples=25, deadline=None)
@example(name=r"\N")
@given(
    name=st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=60).filter(
        lambda t: t[0] not in "#"
    )
)
def test_any_name_comes_back_as_it_was(name, tmp_path_factory):
    out = grown([small.stage(typical=4)], [("A", "2027-W05", 10, name)], price_list=[small.offer(lab=name)])
    (batch,) = out.batches
    (one,) = events(written(out, tmp_path_factory.mktemp("names")), "delivery")
    assert one.summary.value == f"Delivery from {batch.lab}: 10 A"


def test_a_running_season_is_refused(tmp_path):
    season = forecast.read_season(DEMO / "season_2026")
    now = forecast.reforecast(season, read_records(DEMO), on_date="2026-05-01", draws=16, seed=1)
    with pytest.raises(Refused, match="a running season, some of whose deliveries have arrived"):
        write_calendar(now.outcome, tmp_path / "plan.ics")


def test_a_target_that_is_sold_over_weeks_has_an_entry_where_its_sale_begins_and_where_it_ends(tmp_path):
    target = [
        {"variety": "A", "week": "2027-W10", "until": "2027-W13", "channel": "retail", "target": 20},
        {"variety": "A", "week": "2027-W12", "target": 10},
    ]
    out = grown([small.stage(typical=2)], [("A", "2027-W05", 100)], price_list=[small.offer()], targets=target)
    found = [(one.dtstart.value, one.summary.value) for one in events(written(out, tmp_path), "target")]
    assert found == [
        (monday("2027-W10"), "Sale begins: 20 A for retail"),
        (monday("2027-W12"), "Target: 10 A"),
        (monday("2027-W13"), "Sale ends: 20 A for retail"),
    ]
