"""The weather that a nursery measured: read, refused and written like its other records, and what it teaches."""

import math
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from openpyxl import Workbook
from refusals import refused
from scipy import stats
from simulated_records import Truth, simulated
from small_seasons import season, stage

import forecast
from forecast import Refused
from forecast.fitting.stage_times import learn_time
from forecast.records.batches import BatchRecord, CountRecord
from forecast.records.records import Records, read_records, write_records
from forecast.records.stage_counts import time_records
from forecast.records.thermal_time import ThermalTime
from forecast.records.weather_rows import WeatherRecord
from forecast.weather.heat_units import degree_days
from forecast.words import records as words

TEXTS = {
    "batches.csv": "batch,variety,lab,delivered,ordered,received\nB1,A,Lab,2027-03-01,110,100\n",
    "counts.csv": "batch,date,stage,alive,transferred,saleable,losses\nB1,2027-03-15,pots,95,0,0,5\n",
    "weather.csv": "date,t_min,t_max,note\n2027-03-02,1.5,9.25,\n# away\n2027-03-05,-2,7,thermometer moved\n"
    "2027-03-04,0,6,\n",
}
DAYS = [("2027-03-02", 1.5, 9.25, None), ("2027-03-04", 0.0, 6.0, None), ("2027-03-05", -2.0, 7.0, "thermometer moved")]
ROWS = tuple(WeatherRecord(date=day, t_min=low, t_max=high, note=note) for day, low, high, note in DAYS)


@pytest.fixture
def place(tmp_path: Path) -> Path:
    for name, text in TEXTS.items():
        (tmp_path / name).write_text(text, encoding="utf-8", newline="")
    return tmp_path


def damaged(place: Path, old: str, new: str, name: str = "weather.csv") -> list[str]:
    text = (place / name).read_text(encoding="utf-8")
    assert old in text
    (place / name).write_text(text.replace(old, new, 1), encoding="utf-8", newline="")
    return refused(read_records, place).splitlines()


def book(place: Path, name: str = "weather", rows: tuple[WeatherRecord, ...] = ROWS) -> Path:
    made = Workbook()
    made.remove(made.active)
    for table in ("batches", "counts"):
        sheet = made.create_sheet(table)
        for line in TEXTS[f"{table}.csv"].splitlines():
            sheet.append([int(cell) if cell.isdigit() else cell for cell in line.split(",")])
    if name:
        sheet = made.create_sheet(name)
        sheet.append(["date", "t_min", "t_max", "note"])
        for row in rows[::-1]:
            sheet.append([row.date, row.t_min, row.t_max, row.note])
    made.save(place / "records.xlsx")
    return place / "records.xlsx"


# --- read and written


def test_measured_days_are_read_in_any_order_with_gaps_and_kept_by_day(place: Path) -> None:
    found = read_records(place)
    assert found.weather == ROWS
    assert dict(found.measured) == {row.date: (row.t_min, row.t_max) for row in ROWS}
    days = {"first": "2027-03-01", "last": "2027-03-15"}
    assert str(found) == words.held(deliveries=1, counts=1, **days, days=3)
    assert Records(batches=found.batches, counts=found.counts, weather=ROWS[::-1]) == found


def test_without_weather_records_are_what_they_were(place: Path) -> None:
    (place / "weather.csv").unlink()
    found = read_records(place)
    assert found.weather == ()
    assert dict(found.measured) == {}
    assert str(found) == words.held(deliveries=1, counts=1, first="2027-03-01", last="2027-03-15", days=0)
    write_records(found, place / "new")
    assert sorted(file.name for file in (place / "new").iterdir()) == ["batches.csv", "counts.csv"]


@pytest.mark.filterwarnings("ignore:[0-9]+ entr")
def test_what_is_written_is_read_back_exactly_and_no_old_weather_stays(place: Path) -> None:
    rng = np.random.default_rng(1)
    lows = rng.normal(5, 8, 300).tolist()
    rows = [
        WeatherRecord(date=date(2027, 1, 1) + timedelta(i), t_min=low, t_max=low + above)
        for i, (low, above) in enumerate(zip(lows, rng.uniform(0, 12, 300).tolist(), strict=True))
    ]
    made = read_records(place).replace(weather=tuple(rows))
    write_records(made, place / "new")
    assert read_records(place / "new") == made
    write_records(made.replace(weather=()), place / "new", overwrite=True)
    assert read_records(place / "new").weather == ()


def test_what_was_known_on_a_day_is_the_weather_up_to_it(place: Path) -> None:
    found = read_records(place)
    assert found.until("2027-03-04").weather == ROWS[:2]
    assert found.until("2027-03-01").weather == ()
    assert found.until("2027-04-01") == found


def test_a_workbook_holds_the_same_and_may_do_without(place: Path) -> None:
    assert read_records(book(place)) == read_records(place)
    (place / "weather.csv").unlink()
    assert read_records(book(place, "")) == read_records(place)
    assert read_records(book(place, "prices")) == read_records(place)
    assert refused(lambda: read_records(book(place, "Weather"))) == (
        "records.xlsx: no sheet weather. Add it, or rename the right sheet. Did you mean 'Weather'?"
    )


def test_a_file_of_semicolons_and_decimal_commas_says_the_same(place: Path) -> None:
    before = read_records(place)
    text = "date;t_min;t_max;note\n2027-03-02;1,5;9,25;\n2027-03-05;-2;7;thermometer moved\n2027-03-04;0,0;6,0;\n"
    (place / "weather.csv").write_text(text, encoding="utf-8")
    assert read_records(place) == before


# --- refused


NO_AIR = "not an air temperature in °C. Give a temperature in °C; from °F it is (°F - 32) / 1.8."


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("2027-03-04", "4.3.2027",
         "row 5, column date, '4.3.2027': could be read in two ways. Write 2027-03-04 or 2027-04-03 (year-month-day), "
         "whichever is meant."),
        ("2027-03-04", "2027-03-05",
         "row 5, column date, '2027-03-05': the day is in row 4 already. Keep one row a day."),
        ("-2,7,", "8,7,", "row 4, column t_max, 7.0: the maximum is below the minimum of 8.0. Give the minimum first, "
                          "then the maximum."),
        ("0,6,", "41,68,", f"row 5, column t_max, '68': {NO_AIR}"),
        ("0,6,", "-91,6,", f"row 5, column t_min, '-91': {NO_AIR}"),
        ("0,6,", "0,,", "row 5, column t_max: this cell is empty but required. Fill it in."),
        ("0,6,", "0,warm,", "row 5, column t_max, 'warm': not a number. Write digits with a decimal point, without "
                            "unit or spaces, such as 12.5."),
        ("date,t_min", "date,t_mi", "row 1, column t_mi: no such column. Did you mean 't_min'?"),
        ("date,t_min,t_max,note\n2027-03-02,1.5,9.25,\n", "date;t_min;t_max;note\n2027-03-02;1.500;9,25;\n",
         "row 2, column t_min, '1.500': not an air temperature in °C. Give a temperature in °C; from °F it is "
         "(°F - 32) / 1.8."),
    ],
)  # fmt: skip
def test_a_fault_is_reported_with_place_value_and_remedy(place: Path, old: str, new: str, line: str) -> None:
    assert damaged(place, old, new)[0] == f"weather.csv, {line}"


def test_faults_of_weather_do_not_hide_those_of_plants(place: Path) -> None:
    (place / "weather.csv").write_text("t_min,t_max\n1,2\n", encoding="utf-8")
    told = damaged(place, "pots,95,0,0,5", "pots,99,0,0,5", "counts.csv")
    assert len(told) == 2
    assert told[0].startswith("weather.csv, row 1, column date: ")
    assert told[1].startswith("counts.csv, row 2, column alive, 99: with the losses, 4 more than the 100 ")


def test_a_file_that_is_nearly_called_so_is_not_passed_over(place: Path) -> None:
    (place / "weather.csv").rename(place / "wether.csv")
    assert refused(read_records, place) == "weather.csv: there is no such file. Did you mean wether.csv? Rename it."


def test_rows_made_in_python_are_refused_in_the_same_words() -> None:
    with pytest.raises(Refused, match=r"t_max, 70: not an air temperature in °C. .* from °F"):
        WeatherRecord(date="2027-03-01", t_min=50, t_max=70)
    with pytest.raises(Refused, match=r"^weather, row 3, column date, '2027-03-02': the day is in row 2 already"):
        Records(weather=[ROWS[0], ROWS[0]])


WINTER = [{"month": k, "t_min": 0, "t_max": 6, "year_sd": 2} for k in range(1, 13)]


def test_a_winter_in_degrees_fahrenheit_is_seen_by_the_climate() -> None:
    """At 31 to 44 degrees every one of them could be a temperature in Celsius, but of no such place."""
    plan = season([stage("pots", typical=4)], climate=WINTER)
    rows = [WeatherRecord(date=date(2027, 1, 4) + timedelta(k), t_min=31 + k, t_max=38 + k) for k in range(7)]
    assert refused(lambda: Records(weather=rows).against(plan)) == (
        "weather, date, '2027-01-04': more than 25 °C above the climate normals of 2027-W01, as are 6 more days. "
        "Write °C, (F - 32) / 1.8 from Fahrenheit, or check the climate."
    )
    mild = [WeatherRecord(date=row.date, t_min=20, t_max=35) for row in rows]
    Records(weather=mild).against(plan)  # 24.5 °C above it
    Records(weather=rows).against(season([stage("pots", typical=4)]))  # that has no climate


# --- thermal time so far


WARM = stage("pots", runs_on="degree-days", base_temperature=5, typical=300, survival=0.9)
STEADY = [{"week": k, "t_min": 8, "t_max": 16, "year_sd": 1} for k in range(1, 53)]


def test_the_clock_shows_degree_days_of_the_days_that_were_measured_and_of_usual_weather_on_others() -> None:
    """At 12 °C and a base of 5 a day gives 7; measured are Tuesday with 17, Thursday with 3."""
    plan = season([WARM], climate=STEADY, daily_course="mean")
    monday = date(2027, 3, 1)
    measured = {monday + timedelta(1): (14.0, 20.0), monday + timedelta(3): (0.0, 6.0)}
    warmth = ThermalTime(plan, measured)
    row, start = plan.stages[0], monday.toordinal()
    days = np.arange(8)
    assert warmth.since(row, np.full(8, start), days / 7) == pytest.approx([0, 7, 19, 26, 26, 33, 40, 47])
    assert warmth.since(row, [start - 7], [3]) == pytest.approx([49 + 47 + 49])
    assert warmth.since(row, [start + 1], [1]) == pytest.approx([47])
    plain = ThermalTime(plan, {}).since(row, [start - 21, start + 30], [1.3, 40])
    assert np.array_equal(warmth.since(row, [start - 21, start + 30], [1.3, 40]), plain)


def test_days_measured_pass_through_the_place_and_the_course_of_the_day() -> None:
    house = {"place": "house", "area": 100, "usable": 1, "warmer_by": 3, "held_above": 7, "shaded_by": 1}
    plan = season([WARM], climate=STEADY, places=[house])
    monday = date(2027, 3, 1)
    measured = {monday + timedelta(k): (-4.0 + k, 5.0 + 2 * k) for k in range(7)}
    lows, highs = np.array(list(measured.values())).T
    daily = degree_days(np.maximum(lows + 3, 7), np.maximum(highs + 2, 7), base=5, upper=None)
    found = ThermalTime(plan, measured).since(plan.stages[0], np.full(8, monday.toordinal()), np.arange(8) / 7)
    assert found == pytest.approx(np.concatenate([[0], np.cumsum(daily)]))


# --- learned


USUAL = [12 - 9 * math.cos(2 * math.pi * (week - 3) / 52) for week in range(1, 53)]
TIME = {"time_level": "batch", "batches_cv": 0.1, "plants_cv": 0.1}


@pytest.mark.parametrize(("warmer", "bias"), [(3.0, 0.56), (-2.5, 1.35)])
def test_degree_days_are_recovered_in_years_far_from_usual_if_their_weather_was_measured(
    warmer: float, bias: float
) -> None:
    """In years 3 °C warmer plants that need 500 seem to need 44 % less by usual weather; 2.5 colder, 35 % more.

    That is what the middle plant of each batch meets in usual weather until the day on which it has met 500.
    """
    rng, names = np.random.default_rng(5), [f"V{i}" for i in range(10)]
    climate = [{"week": week, "t_min": t - 4, "t_max": t + 4, "year_sd": 1.5} for week, t in enumerate(USUAL, start=1)]
    warm = stage("pots", runs_on="degree-days", base_temperature=4, typical=400, survival=0.9, **TIME)
    plan = season([warm], varieties=names, climate=climate, daily_course="mean")
    first, number = date(2024, 1, 1), 1000
    usual = np.array([USUAL[min((first + timedelta(k)).isocalendar().week, 52) - 1] for k in range(number)])
    mean = usual + warmer + 2.5 * rng.standard_normal(number)
    half = rng.uniform(2, 6, number)
    weather = tuple(
        WeatherRecord(date=first + timedelta(k), t_min=float(mean[k] - half[k]), t_max=float(mean[k] + half[k]))
        for k in range(number)
    )
    met, as_usual = (
        np.concatenate([[0.0], np.cumsum(np.maximum(one - 4, 0))]) + 1e-9 * np.arange(number + 1)
        for one in (mean, usual)
    )
    begun = [int(day) for _ in names for day in rng.integers(0, 400, 14)]
    deliveries = [(name, first + timedelta(day), 100) for name, day in zip(np.repeat(names, 14), begun, strict=True)]

    def clock(batch, _stage):
        return lambda days: np.interp(days + begun[batch], np.arange(number + 1), met)

    truth = Truth({(name, "pots"): 0.9 for name in names}, math.inf, {"pots": 500}, 0.12, 0.1)
    counted = simulated(plan, deliveries, truth, rng, clocks=clock, every=7)
    measured = counted.replace(weather=weather)

    def medians(records):
        rows = time_records(plan, records)["crop", "pots"]
        return [
            learn_time(part[["number", "after", "until", "batch"]].itertuples(index=False, name=None))
            for _, part in rows.groupby("variety")
        ]

    found = medians(measured)
    scores = np.array([math.log(one.median / 500) / (one.standard_errors["median"] / one.median) for one in found])
    assert abs(scores.mean()) < 3 / math.sqrt(len(names))
    assert (scores**2).sum() < stats.chi2.ppf(0.999, len(names))
    ends = [np.interp(met[day] + 500, met, np.arange(number + 1)) for day in begun]
    seeming = [
        np.interp(end, np.arange(number + 1), as_usual) - as_usual[day] for end, day in zip(ends, begun, strict=True)
    ]
    expected = math.exp(np.mean(np.log(np.array(seeming) / 500)))
    assert expected == pytest.approx(bias, abs=0.01)
    blind = math.exp(np.mean([math.log(one.median / 500) for one in medians(counted)]))
    assert blind == pytest.approx(expected, rel=0.04)
    learned = [
        forecast.learn(plan, records).table().query("what == 'time'")["learned"].iloc[0] for records in
        (measured, counted)
    ]  # fmt: skip
    assert learned == pytest.approx([500, 500 * bias], rel=0.05)


def test_weather_of_other_years_than_those_of_the_counts_teaches_nothing() -> None:
    plan = season([WARM | TIME], climate=STEADY)
    came = BatchRecord(batch="B1", variety="A", lab="Lab", delivered="2027-03-01", ordered=50, received=50)
    count = CountRecord(batch="B1", date="2027-05-01", stage="pots", alive=50, transferred=0, saleable=50, losses=0)
    plain = Records(batches=[came], counts=[count])
    rows = [WeatherRecord(date=date(2026, 3, 1) + timedelta(k), t_min=15, t_max=25) for k in range(200)]
    first, second = (time_records(plan, one)["crop", "pots"] for one in (plain, plain.replace(weather=tuple(rows))))
    assert first.equals(second)
