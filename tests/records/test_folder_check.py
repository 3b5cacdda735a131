"""Check reads everything in a folder, records too: what is wrong in them, and what is odd."""

import warnings
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import pytest

import forecast
from forecast.__main__ import main
from forecast.records.folder_check import check_folder
from forecast.words import records as words

DEMO = Path(__file__).parents[2] / "demo_data"
BATCHES = "batch,variety,lab,delivered,ordered,received\nB1,Hosta 'Ambrel',North Lab,2027-03-08,100,100\n"
COUNTS = "batch,date,stage,alive,transferred,saleable,losses\nB1,2027-03-22,acclimatisation,95,0,0,5\n"


@pytest.fixture
def kept(folder: Path) -> Path:
    """A folder with a season and records."""
    (folder / "batches.csv").write_text(BATCHES, encoding="utf-8")
    (folder / "counts.csv").write_text(COUNTS, encoding="utf-8")
    return folder


def _odd(folder: Path) -> list[str]:
    """Return the lines of the warning with which records are read."""
    with warnings.catch_warnings(record=True) as found:
        warnings.simplefilter("always")
        forecast.read_records(folder)
    return [line for one in found for line in str(one.message).splitlines()[1:]]


def test_thirteen_bad_rows_of_records_are_found(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [
        "B1,2027-03-29,acclimatisation,-1,0,0,0", "B1,2027-02-29,acclimatisation,90,0,0,5",
        "B1,2027-03-29,acclimatisation,90,95,0,5", "B1,2027-03-22,acclimatisation,95,0,0,5",
        "B2,2027-03-29,acclimatisation,90,0,0,5", "B1,2027-03-01,acclimatisation,90,0,0,5",
        "B1,2027-03-30,acclimatisation,ninety,0,0,5", "B1,2027-03-31,acclimatisation,90,0,0",
        ",2027-03-31,acclimatisation,90,0,0,5", "B1,2027-04-01,,90,0,0,5",
    ]  # fmt: skip
    (kept / "counts.csv").write_text(COUNTS + "\n".join(rows), encoding="utf-8")
    more = ["B1,Hosta 'Ambrel',North Lab,2027-03-08,100,100", "B3,Hosta 'Ambrel',North Lab,8 March,100,100",
            "B4,Iris,North Lab,2027-03-08,100,100,9"]  # fmt: skip
    (kept / "batches.csv").write_text(BATCHES + "\n".join(more), encoding="utf-8")
    assert main(["check", str(kept)]) == 2
    told = capsys.readouterr().err
    assert told.splitlines()[-1] == "14 problems found."  # one of the rows has two
    found = {(fault.table, fault.row) for fault in check_folder(kept).faults}
    assert found == {("counts.csv", row) for row in range(3, 13)} | {("batches.csv", row) for row in range(3, 6)}


def test_what_a_season_does_not_know_of_records_is_found_in_its_row(kept: Path) -> None:
    (kept / "batches.csv").write_text(
        BATCHES + "B2,Iris,Nord Lab,2027-03-08,10,10\nB3,Hosta 'Belwin',,2027-03-08,10,10\n", encoding="utf-8"
    )
    (kept / "counts.csv").write_text(COUNTS + "B3,2027-03-22,weaning,10,0,0,0\n", encoding="utf-8")
    assert [(one.table, one.row, one.column) for one in check_folder(kept).faults] == [
        ("batches.csv", 3, "lab"), ("batches.csv", 3, "variety"), ("counts.csv", 3, "stage"),
    ]  # fmt: skip


def test_faults_of_season_and_records_come_at_once_and_what_is_odd_after_them(
    kept: Path, change: Callable[..., None], capsys: pytest.CaptureFixture[str]
) -> None:
    change("places.csv", ",120,", ",-120,")
    change("stages.csv", ",0.85,0.07,", ",0.09,0.01,")
    change("counts.csv", "95,0,0,5", "95,0,0,4")
    assert main(["check", str(kept)]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert [line.partition(":")[0] for line in told.err.splitlines()] == [
        "places.csv, row 3, column area, '-120'", "counts.csv, row 2, column alive, 95", "2 problems found.", "",
        "1 entry may be a slip; check it", "stages.csv, row 2, column survival, 0.09",
    ]  # fmt: skip


def test_records_without_a_slip_are_silent(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert _odd(DEMO) == _odd(kept) == []
    assert main(["check", str(kept)]) == 0
    assert "Records: 1 batch, 1 count, 2027-03-08 to 2027-03-22." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("batches", "counts", "said"),
    [
        ("B2,Hosta 'Ambrel',North Lab,2027-03-15,100,1000", "",
         "batches.csv, row 3, column received, 1000: 1,000 received of 100 ordered."),
        ("B2,Hosta 'Ambrel',North Lab,2027-03-08,100,100", "",
         "batches.csv, row 3, column batch, 'B2': but for its name the same as 'B1' in row 2."),
        ("b-1,Hosta 'Belwin',North Lab,2027-03-15,90,90", "",
         "batches.csv, row 3, column batch, 'b-1': spelt nearly as 'B1'."),
        ("B2,Hosta 'Belwin',North Labs,2027-03-15,90,90", "",
         "batches.csv, row 3, column lab, 'North Labs': spelt nearly as 'North Lab'."),
        ("", "B1,2027-04-05,acclimatisation,20,0,0,75",
         "counts.csv, row 3, column losses, 75: more than half of 95 plants."),
        ("", "B1,2072-04-05,acclimatisation,90,0,0,5",
         "counts.csv, row 3, column date, '2072-04-05': years after the delivery on 2027-03-08."),
    ],
)  # fmt: skip
def test_a_slip_in_records_is_warned_of(kept: Path, batches: str, counts: str, said: str) -> None:
    (kept / "batches.csv").write_text(BATCHES + batches, encoding="utf-8")
    (kept / "counts.csv").write_text(COUNTS + counts, encoding="utf-8")
    assert [line for line in _odd(kept) if line.startswith(said)]


ORDER = {"variety": "Hosta 'Ambrel'", "lab": "North Lab", "week": "2027-W10", "quantity": 1008}
ORDERED = "variety,week,quantity,lab\nHosta 'Ambrel',2027-W10,1008,North Lab\n"


def _unlike(folder: Path, batches: str, orders: str = ORDERED) -> list[str]:
    """Return what is odd in a folder with these orders, and these batches in place of its own."""
    (folder / "orders.csv").write_text(orders, encoding="utf-8")
    (folder / "batches.csv").write_text(BATCHES.partition("\n")[0] + f"\n{batches}\n", encoding="utf-8")
    (folder / "counts.csv").write_text(COUNTS.partition("\n")[0] + "\n", encoding="utf-8")
    checked = check_folder(folder)
    assert not checked.faults
    return [str(one) for one in checked.odd]


def test_batches_unlike_their_orders_are_warned_of_as_in_the_running_season(kept: Path) -> None:
    """A batch without an order, one five weeks late, and orders that came short."""
    came = "N1,Hosta 'Ambrel',North Lab,2027-03-08,1008"
    assert _unlike(kept, f"{came},1008") == []
    assert _unlike(kept, f"{came},1058") == []
    short = words.came_short(**ORDER, received=950)
    assert _unlike(kept, f"{came},950") == [f"batches.csv: {short}"]
    few = words.other_number(**ORDER, batches=["N1"], received=600, surplus=-408)
    assert _unlike(kept, f"{came},600") == [f"batches.csv: {few}"]
    late = words.far_from_order(**ORDER, batch="N1", late=5)
    assert _unlike(kept, came.replace("03-08", "04-12") + ",1008") == [f"batches.csv: {late}"]
    other = {"variety": "Hosta 'Belwin'", "lab": "North Lab", "received": 90, "delivered": date(2027, 3, 15)}
    extra = words.unordered(**other, batch="N2", order=None)
    found = _unlike(kept, f"{came},1008\nN2,Hosta 'Belwin',North Lab,2027-03-15,90,90")
    assert found == [f"batches.csv: {extra}"]


def test_an_order_is_overdue_once_the_records_go_on_after_its_week(kept: Path) -> None:
    said = words.overdue(**ORDER, to_come=1008).removesuffix(".")
    (kept / "weather.csv").write_text("date,t_min,t_max\n2027-03-14,2,9\n", encoding="utf-8")
    assert _unlike(kept, "") == []  # a Sunday, the last day of the week in which it is due
    (kept / "weather.csv").write_text("date,t_min,t_max\n2027-03-15,2,9\n", encoding="utf-8")
    assert _unlike(kept, "") == [f"orders.csv: {said}. {words.not_recorded(date(2027, 3, 15))}"]
    (kept / "weather.csv").unlink()
    assert _unlike(kept, "") == []
    before = "N1,Hosta 'Ambrel',North Lab,2026-03-08,1008,1008"  # of the season before
    assert _unlike(kept, before) == []
    orders = f"{ORDERED}Hosta 'Ambrel',2027-W13,504,North Lab\n"
    assert _unlike(kept, "N1,Hosta 'Ambrel',North Lab,2027-03-29,504,504", orders) == [
        f"orders.csv: {said}. {words.not_recorded(date(2027, 3, 29))}"
    ]


def test_orders_of_a_nursery_that_keeps_no_batches_are_not_overdue(kept: Path) -> None:
    (kept / "orders.csv").write_text(ORDERED, encoding="utf-8")
    (kept / "batches.csv").unlink()
    (kept / "counts.csv").unlink()
    (kept / "weather.csv").write_text("date,t_min,t_max\n2027-06-14,12,25\n", encoding="utf-8")
    assert check_folder(kept).odd == ()


def _weather(folder: Path, *, of: forecast.Season, degrees: Callable[[float], float] = float) -> None:
    rows = ["date,t_min,t_max"]
    for day in range(90):
        now = date(2027, 1, 4) + timedelta(day)
        low, high = of.normals.normal(str(forecast.Week.of(now)))
        rows.append(f"{now},{degrees(low):.1f},{degrees(high):.1f}")
    (folder / "weather.csv").write_text("\n".join(rows), encoding="utf-8")


def test_weather_beside_a_climate_of_the_other_half_of_the_earth_is_warned_of(tmp_path: Path) -> None:
    season = forecast.read_season(DEMO)
    forecast.write_season(season, tmp_path / "north")
    _weather(tmp_path / "north", of=season)
    assert check_folder(tmp_path / "north").odd == ()
    south = season.replace(climate=[row.replace(month=(row.month + 5) % 12 + 1) for row in season.climate])
    _weather(tmp_path / "north", of=south)
    checked = check_folder(tmp_path / "north")
    assert [one.table for one in (*checked.faults, *checked.odd)] == ["weather.csv"]
    assert "the other half of the Earth" in checked.odd[0].remedy


def test_one_day_in_fahrenheit_is_warned_of_and_many_are_refused(tmp_path: Path) -> None:
    season = forecast.read_season(DEMO)
    forecast.write_season(season, tmp_path / "north")
    _weather(tmp_path / "north", of=season)
    file = tmp_path / "north" / "weather.csv"
    lines = file.read_text(encoding="utf-8").splitlines()
    lines[40] = f"{lines[40].partition(',')[0]},33.3,44.6"
    file.write_text("\n".join(lines), encoding="utf-8")
    checked = check_folder(tmp_path / "north")
    assert {(one.row, one.column) for one in (*checked.faults, *checked.odd)} >= {(41, "t_min"), (41, "t_max")}
    _weather(tmp_path / "north", of=season, degrees=lambda celsius: 1.8 * celsius + 32)
    assert [(one.table, one.row) for one in check_folder(tmp_path / "north").faults] == [("weather.csv", 2)]
