"""The nursery's own records: every plant accounted for, in whatever order and file the rows come."""

import random
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError
from refusals import refused

from forecast import Refused, read_season
from forecast.fitting.stage_times import learn_time
from forecast.records.batches import BatchRecord, CountRecord
from forecast.records.records import Records, read_records, write_records
from forecast.words import records as words

DEMO = Path(__file__).parents[2] / "demo_data"
TEXTS = {
    "batches.csv": """\
batch,variety,lab,delivered,ordered,received,dead_on_arrival,note
B1,Hosta 'Ambrel',North Lab,2027-03-01,110,100,2,
B2,Calla 'Corvane',,2027-03-08,50,50,,lab not written down
""",
    "counts.csv": """\
batch,date,stage,alive,transferred,saleable,losses,why
B1,2027-03-15,acclimatisation,95,40,0,3,dried out
B1,2027-03-29,acclimatisation,54,54,0,1,
B1,2027-03-29,growing on,40,0,0,0,
B1,2027-04-12,growing on,92,60,0,2,root rot
B1,2027-04-12,grading,57,0,57,3,below grade
B1,2027-04-26,growing on,32,0,0,0,
""",
}
Change = Callable[[str, str, str], None]


@pytest.fixture
def records_folder(tmp_path: Path) -> Path:
    for name, text in TEXTS.items():
        (tmp_path / name).write_text(text, encoding="utf-8", newline="")
    return tmp_path


@pytest.fixture(scope="module")
def demo() -> Records:
    return read_records(DEMO)


def frame(name: str) -> pd.DataFrame:
    return pd.read_csv(DEMO / name)


def count(day: str, stage: str, alive: int, transferred: int = 0, saleable: int = 0, losses: int = 0) -> CountRecord:
    cells = {"alive": alive, "transferred": transferred, "saleable": saleable, "losses": losses}
    return CountRecord(batch="B1", date=day, stage=stage, **cells)


def came(received: int = 100) -> BatchRecord:
    return BatchRecord(batch="B1", variety="Nova", delivered="2027-03-01", ordered=received, received=received)


ALL = "Count all plants alive before any are transferred or sold."
SLIP = "Correct this count, the one before, or the transfers."
MISSING = "Write missing plants under losses, or correct this count."
DATE = "Write year, month and day, such as 2027-04-13."
CASES = {
    "a count of an unknown batch": (
        "B1,2027-04-26", "B1x,2027-04-26",
        "counts.csv, row 7, column batch, 'B1x': there is no batch of this name in batches. Correct the spelling, "
        "or add it to batches. Did you mean 'B1'?",
    ),
    "a batch twice": (
        "B2,", "B1,",
        "batches.csv, row 3, column batch, 'B1': the same batch as row 2. Keep one of the two rows, or change its "
        "batch.",
    ),
    "a count before the delivery": (
        "2027-03-15", "2027-02-15",
        "counts.csv, row 2, column date, '2027-02-15': before the delivery of B1 on 2027-03-01. Correct this day, "
        "or that in batches.",
    ),
    "a count twice": (
        "B1,2027-04-26,growing on,32,0,0,0,\n",
        "B1,2027-04-26,growing on,32,0,0,0,\nB1,2027-04-26,growing on,32,0,0,0,\n",
        "counts.csv, row 8, column date, '2027-04-26': the same batch, day and stage as row 7. Keep one of the two "
        "rows.",
    ),
    "two numbers for one count": (
        "B1,2027-04-26,growing on,32,0,0,0,\n",
        "B1,2027-04-26,growing on,32,0,0,0,\nB1,2027-04-26,growing on,31,0,0,1,\n",
        "counts.csv, row 8, column date, '2027-04-26': the same batch, day and stage as row 7. Keep one of the two "
        "rows.",
    ),
    "more transferred than alive": (
        "95,40,0,3", "95,90,10,3",
        "counts.csv, row 2, column transferred, 90: 90 transferred and 10 saleable are more than the 95 alive. "
        f"{ALL}",
    ),
    "more sold than alive": (
        "57,0,57,3", "57,0,58,3",
        f"counts.csv, row 6, column saleable, 58: 0 transferred and 58 saleable are more than the 57 alive. {ALL}",
    ),
    "more dead than received": (
        "100,2,", "100,102,",
        "batches.csv, row 2, column dead_on_arrival, 102: more dead on arrival than the 100 received. Count the "
        "dead ones among those received, or correct one of the two.",
    ),
    "a first count above what was received": (
        "100,2,", "100,5,",
        "counts.csv, row 2, column alive, 95: with the losses, 3 more than the 95 received alive. Correct this count, "
        "or what was received and dead on arrival.",
    ),
    "a first count below what was received": (
        "100,2,", "1200,,",
        "counts.csv, row 2, column alive, 95: of the 1,200 received alive, 1,102 are neither alive nor among the "
        f"losses. {MISSING}",
    ),
    "a count that rises": (
        "growing on,32,0,0,0", "growing on,39,0,0,0",
        "counts.csv, row 7, column alive, 39: 7 more than the 32 that remained at the count before. "
        f"{SLIP}",
    ),
    "a loss that is not losses": (
        "growing on,92,60,0,2", "growing on,92,60,0,0",
        "counts.csv, row 5, column alive, 92: of the 40 that remained at the count before and the 54 transferred "
        f"in since, 2 are neither alive nor among the losses. {MISSING}",
    ),
    "a slip in transfers is reported where it shows": (
        "acclimatisation,95,40", "acclimatisation,95,41",
        "counts.csv, row 3, column alive, 54: with the losses, 1 more than the 54 that remained at the count before. "
        f"{SLIP}",
        "counts.csv, row 4, column alive, 40: of the 41 transferred in since the count before, 1 is neither "
        f"alive nor among the losses. {MISSING}",
    ),
    "some of those transferred in that day": (
        "grading,57,0,57,3", "grading,57,0,57,0",
        "counts.csv, row 6, column alive, 57: 57 of the 60 transferred in that day are counted, the others are not. "
        "Count all of them that day, or none: plants transferred in are first counted at the next count.",
    ),
    "a date in another order": (
        "2027-04-26", "26.04.27",
        f"counts.csv, row 7, column date, '26.04.27': not a date. {DATE}",
    ),
    "a day that is not": (
        "2027-03-01", "2027-02-29",
        f"batches.csv, row 2, column delivered, '2027-02-29': there is no such day. {DATE}",
    ),
    "a year that is not plausible": (
        "2027-03-01", "0227-03-01",
        f"batches.csv, row 2, column delivered, '0227-03-01': not a plausible year. {DATE}",
    ),
    "half a plant": (
        "95,40,0,3", "94.5,40,0,3",
        "counts.csv, row 2, column alive, '94.5': not a whole number. Write 94 or 95.",
    ),
    "an empty cell is not taken for nought": (
        "95,40,0,3", "95,40,,3",
        "counts.csv, row 2, column saleable: this cell is empty but required. Fill it in.",
    ),
    "a missing column": (
        "losses,why", "thrown,why",
        "counts.csv, row 1, column thrown: no such column. Known names: losses, note.",
        "counts.csv, row 1, column losses: the column is missing. Add it to the header.",
    ),
    "faults of both files, and of a row that hides its batch": (
        "B2,Calla 'Corvane',,2027-03-08,50,50", "B2,,,2027-03-08,fifty,50",
        "batches.csv, row 3, column variety: this cell is empty but required. Fill it in.",
        "batches.csv, row 3, column ordered, 'fifty': not a number. Write digits with a decimal point, without unit "
        "or spaces, such as 12.5.",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("old", "new", "lines"), [(old, new, rest) for old, new, *rest in CASES.values()], ids=CASES)
def test_a_fault_is_reported_with_place_value_and_remedy(
    records_folder: Path, old: str, new: str, lines: list[str]
) -> None:
    ((file, text),) = ((file, text) for file, text in TEXTS.items() if old in text)
    (records_folder / file).write_text(text.replace(old, new, 1), encoding="utf-8", newline="")
    assert refused(read_records, records_folder).splitlines() == lines


def test_faults_of_all_rows_are_reported_at_once(records_folder: Path) -> None:
    batches = TEXTS["batches.csv"].replace("B2,", "B1,")
    counts = TEXTS["counts.csv"].replace("B1,2027-04-26", "C7,2027-04-26").replace("03-15", "01-15")
    (records_folder / "batches.csv").write_text(batches, encoding="utf-8")
    (records_folder / "counts.csv").write_text(counts, encoding="utf-8")
    with pytest.raises(Refused) as caught:
        read_records(records_folder)
    places = [(fault.table, fault.row, fault.column) for fault in caught.value.faults]
    assert places == [("batches.csv", 3, "batch"), ("counts.csv", 7, "batch"), ("counts.csv", 2, "date")]


@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("batches.csv", "batches.csv: there is no such file. Add batches.csv."),
        ("counts.csv", "counts.csv: there is no such file. Add counts.csv."),
    ],
)
def test_a_missing_file_is_named(records_folder: Path, name: str, line: str) -> None:
    (records_folder / name).unlink()
    assert refused(read_records, records_folder) == line


def test_the_records_of_the_demonstration_hold_no_fault_and_suit_its_season(demo: Records) -> None:
    days = {"first": date(2025, 2, 19), "last": date(2026, 9, 25), "days": 271}
    assert str(demo) == words.held(deliveries=26, counts=775, **days)
    demo.against(read_season(DEMO))


def test_every_plant_of_the_demonstration_is_accounted_for(demo: Records) -> None:
    batches, counts, stages = frame("batches.csv").set_index("batch"), frame("counts.csv"), demo.stages()
    assert (stages.entered == stages.left + stages.losses + stages.remaining).all()
    alive = batches.received - batches.dead_on_arrival
    lost_and_sold = counts.groupby("batch")[["losses", "saleable"]].sum().sum(axis=1)
    assert (alive - lost_and_sold).to_dict() == stages.groupby("batch").remaining.sum().to_dict()
    by_stage = counts.groupby(["batch", "stage"])[["transferred", "saleable", "losses"]].sum()
    for batch, rows in stages.groupby("batch", sort=False):
        came_in = [alive[batch], *(by_stage.transferred.get((batch, stage), 0) for stage in rows.stage[:-1])]
        assert rows.entered.tolist() == came_in
        counted = rows[rows.stage != ""]
        assert counted.losses.tolist() == [by_stage.losses[batch, stage] for stage in counted.stage]
    last = counts.sort_values("date").groupby(["batch", "stage"]).tail(1).set_index(["batch", "stage"])
    found = stages[stages.last_date.notna()].set_index(["batch", "stage"])
    assert found.last_date.dt.strftime("%Y-%m-%d").to_dict() == last.date.to_dict()
    not_finished = found.index[~found.finished]
    assert (last.alive - last.transferred - last.saleable)[not_finished].sum() > 0


def test_the_tidy_view_of_a_small_batch_is_as_by_hand(records_folder: Path) -> None:
    stages = read_records(records_folder).stages()
    numbers = stages[["batch", "stage", "entered", "left", "losses", "remaining", "finished"]]
    assert numbers.values.tolist() == [
        ["B1", "acclimatisation", 98, 94, 4, 0, True],
        ["B1", "growing on", 94, 60, 2, 32, False],
        ["B1", "grading", 60, 57, 3, 0, True],
        ["B2", "", 50, 0, 0, 50, False],
    ]
    assert stages.lab.isna().tolist() == [False, False, False, True]
    assert stages.first_date.dt.strftime("%Y-%m-%d").tolist()[:3] == ["2027-03-15", "2027-03-29", "2027-04-12"]
    assert stages.first_date.isna().tolist() == [False, False, False, True]


def test_the_order_of_rows_never_matters(demo: Records) -> None:
    chosen = {row.batch for row in demo.batches[::5]}
    batches = [row for row in demo.batches if row.batch in chosen]
    counts = [row for row in demo.counts if row.batch in chosen]
    whole = Records(batches=batches, counts=counts)

    @settings(max_examples=20, deadline=None)
    @given(st.randoms(use_true_random=False))
    def any_order(order: random.Random) -> None:
        order.shuffle(batches)
        order.shuffle(counts)
        mixed = Records(batches=batches, counts=counts)
        assert mixed == whole
        assert mixed.stages().equals(whole.stages())
        assert mixed.times().equals(whole.times())

    any_order()


def test_faults_do_not_depend_on_the_order_of_rows() -> None:
    rows = [count("2027-03-15", "weaning", 90, 40), count("2027-03-29", "weaning", 50), count("2027-03-29", "pots", 41)]
    told = set()
    for order in (rows, rows[::-1], [rows[1], rows[2], rows[0]]):
        with pytest.raises(Refused) as caught:
            Records(batches=[came()], counts=order)
        told.add(frozenset((order[fault.row - 2].stage, fault.problem) for fault in caught.value.faults))
    assert told == {
        frozenset(
            {
                ("weaning", "of the 100 received alive, 10 are neither alive nor among the losses"),
                ("pots", "1 more than the 40 transferred in since the count before"),
            }
        )
    }


def test_a_file_in_two_halves_put_together_again_is_the_same(tmp_path: Path, demo: Records) -> None:
    header, *rows = (DEMO / "counts.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    for name in ("batches.csv", "weather.csv"):
        (tmp_path / name).write_bytes((DEMO / name).read_bytes())
    (tmp_path / "counts.csv").write_text("".join([header, *rows[400:], *rows[:400]]), encoding="utf-8")
    assert read_records(tmp_path) == demo


def test_what_was_known_on_a_day_is_what_reading_the_rows_until_then_gives(tmp_path: Path, demo: Records) -> None:
    batches, counts, weather = (frame(f"{name}.csv") for name in ("batches", "counts", "weather"))
    for day in ["2025-01-01", "2025-02-19", "2025-03-24", "2025-07-23", "2026-01-14", "2026-05-02", "2026-09-25"]:
        batches[batches.delivered <= day].to_csv(tmp_path / "batches.csv", index=False)
        counts[counts.date <= day].to_csv(tmp_path / "counts.csv", index=False)
        weather[weather.date <= day].to_csv(tmp_path / "weather.csv", index=False)
        assert demo.until(day) == read_records(tmp_path)
    assert demo.until(date(2026, 9, 25)) == demo
    assert demo.until("2025-01-01").batches == ()
    assert demo.until("2025-01-01").stages().empty
    assert demo.until("2025-01-01").times().empty


def test_what_was_known_on_any_day_holds_no_fault(demo: Records) -> None:
    first = date(2025, 2, 10)
    for days in range(0, 600, 19):
        seen = demo.until(first + timedelta(days=days)).stages()
        assert (seen.remaining >= 0).all()
        assert seen.groupby("batch").stage.nunique().equals(seen.groupby("batch").size())


def test_until_takes_days_alone(demo: Records) -> None:
    with pytest.raises(Refused, match="date, '2025-W10': not a date"):
        demo.until("2025-W10")
    with pytest.raises(Refused, match="date, '2025-03-24 14:30:00': a time of day, too"):
        demo.until(pd.Timestamp("2025-03-24 14:30"))


def test_times_are_as_by_hand() -> None:
    rows = [
        count("2027-03-15", "weaning", 95, transferred=40, losses=5),
        count("2027-03-29", "weaning", 55, transferred=55),
        count("2027-03-29", "pots", 40),
        count("2027-04-12", "pots", 89, transferred=50, losses=6),  # 6 of 95: 2 of the 40, 4 of the 55
        count("2027-04-19", "pots", 39, saleable=20),
    ]
    times = Records(batches=[came()], counts=rows).times()
    assert times[["stage", "after", "until", "number"]].values.tolist() == [
        ["weaning", 0.0, 2.0, 40],
        ["weaning", 2.0, 4.0, 55],
        ["pots", 0.0, 2.0, 12],  # came on 29 March, 50 - 38
        ["pots", 2.0, 3.0, 20],
        ["pots", 2.0, 4.0, 38],  # all that are left of those of 15 March
        ["pots", 3.0, float("inf"), 19],
    ]


def test_times_name_the_day_on_which_plants_entered_a_stage() -> None:
    rows = [
        count("2027-03-15", "weaning", 95, transferred=40, losses=5),
        count("2027-03-29", "weaning", 55, transferred=55),
        count("2027-03-29", "pots", 40),
        count("2027-04-12", "pots", 95, transferred=50),
        count("2027-04-26", "pots", 45, transferred=45),
    ]
    times = Records(batches=[came()], counts=rows).times()
    assert times[["stage", "entered", "after", "until", "number"]].values.tolist() == [
        ["weaning", date(2027, 3, 1), 0.0, 2.0, 40],
        ["weaning", date(2027, 3, 1), 2.0, 4.0, 55],
        ["pots", date(2027, 3, 29), 0.0, 2.0, 10],  # 50 less the 40 that came before them
        ["pots", date(2027, 3, 15), 2.0, 4.0, 40],
        ["pots", date(2027, 3, 29), 2.0, 4.0, 45],  # the same weeks, another day
    ]


def test_times_leave_out_losses_and_what_took_no_time(demo: Records) -> None:
    stages, times = demo.stages(), demo.times()
    told = times.groupby(["batch", "stage"]).number.sum()
    for row in stages.itertuples():
        grading = row.stage in ("grading", "")
        assert told.get((row.batch, row.stage), 0) == (0 if grading else row.entered - row.losses)
    growing = times[times.until == float("inf")].number.sum()
    assert growing == stages.remaining[stages.stage != ""].sum() > 0


@pytest.mark.parametrize(
    ("group", "stage", "weeks"),
    [
        ("gerbera", "acclimatisation", 4),
        ("gerbera", "growing on", 5),
        ("gerbera", "spacing out", 6),
        ("gerbera", "hardening", 6),
        ("hosta", "acclimatisation", 4),
        ("hosta", "growing on", 5),
        ("hosta", "spacing out", 5),
        ("hosta", "hardening", 9),
    ],
)
def test_times_learned_from_the_demonstration_are_those_it_was_simulated_from(
    demo: Records, group: str, stage: str, weeks: float
) -> None:
    varieties, times = frame("varieties.csv"), demo.times()
    slow = "Hosta 'Quenvara'"  # has times of its own
    names = varieties.variety[(varieties.group == group) & (varieties.variety != slow)]
    rows = times[(times.stage == stage) & times.variety.isin(names)]
    learned = learn_time(rows[["number", "after", "until", "batch"]].itertuples(index=False, name=None))
    assert learned.ready == rows.number[rows.until < float("inf")].sum()
    assert learned.groups == rows.batch.nunique()
    assert abs(learned.median - weeks) < 3 * learned.standard_errors["median"]


@pytest.mark.parametrize("alive", [10, 0])
def test_plants_transferred_in_are_counted_that_day_or_at_the_next_count(alive: int) -> None:
    rows = [
        count("2027-03-15", "weaning", 100, transferred=20),
        count("2027-03-22", "weaning", 80, transferred=10),
        count("2027-03-22", "pots", 20 + alive),
        count("2027-04-05", "pots", 30),
    ]
    pots = Records(batches=[came()], counts=rows).stages().iloc[1]
    assert (pots.entered, pots.remaining) == (30, 30)


def test_stages_first_counted_on_one_day_are_put_in_the_order_in_which_plants_pass() -> None:
    rows = [
        count("2027-03-15", "zinc trays", 100, transferred=60),
        count("2027-03-29", "pots", 60, transferred=60),
        count("2027-03-29", "assorting", 60, transferred=60),
        count("2027-03-29", "benches", 60, saleable=5),
        count("2027-04-12", "zinc trays", 40, transferred=40),
        count("2027-04-12", "pots", 0),
        count("2027-04-19", "pots", 40, transferred=30),
        count("2027-04-19", "assorting", 30),
    ]
    records = Records(batches=[came()], counts=rows[::-1])
    assert records.stages().stage.tolist() == ["zinc trays", "pots", "assorting", "benches"]
    known = [row for row in rows if row.date <= date(2027, 3, 29)]
    assert records.until("2027-03-29") == Records(batches=[came()], counts=known)


@st.composite
def sound(draw: st.DrawFn) -> tuple[BatchRecord, list[CountRecord], dict[str, list[int]]]:
    """A batch whose plants are transferred at random, and by stage what entered, was losses, left and remains."""
    stages = ["d", "c", "b", "a"][: draw(st.integers(1, 4))]
    at_once = [draw(st.booleans()) for _ in stages]
    stand, arriving = [draw(st.integers(1, 60)), *[0] * (len(stages) - 1)], [0] * len(stages)
    batch = came(stand[0])
    truth = {stage: [0, 0, 0, 0] for stage in stages}
    truth[stages[0]][0] = stand[0]
    rows, day = [], batch.delivered
    for _ in range(draw(st.integers(1, 6))):
        day += timedelta(days=draw(st.integers(1, 20)))
        moved_to = [0] * (len(stages) + 1)
        for i, stage in enumerate(stages):
            stand[i] += arriving[i] + (moved_to[i] if at_once[i] else 0)
            arriving[i] = 0 if at_once[i] else moved_to[i]
            if not stand[i] and not truth[stage][0]:
                continue
            losses = draw(st.integers(0, stand[i]))
            alive = stand[i] - losses
            left = draw(st.integers(0, alive))
            last = i == len(stages) - 1
            rows.append(count(str(day), stage, alive, 0 if last else left, left if last else 0, losses))
            moved_to[i + 1] = left
            stand[i] = alive - left
            truth[stage][1] += losses
            truth[stage][2] += left
            if not last:
                truth[stages[i + 1]][0] += left
    for i, stage in enumerate(stages):
        truth[stage][3] = stand[i] + arriving[i]
    return batch, rows, truth


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(sound())
def test_plants_transferred_at_random_are_all_accounted_for(made: tuple) -> None:
    batch, rows, truth = made
    records = Records(batches=[batch], counts=rows)
    stages = records.stages().query("stage != ''")
    numbers = stages[["entered", "losses", "left", "remaining"]].values.tolist()
    counted = {row.stage for row in rows}
    assert sorted(numbers) == sorted(numbers for stage, numbers in truth.items() if stage in counted)
    for row in rows:
        records.until(row.date)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(sound(), st.integers(1, 9), st.data())
def test_no_slip_in_the_first_stage_goes_unseen(made: tuple, slip: int, data: st.DataObject) -> None:
    batch, rows, _ = made
    at = data.draw(st.sampled_from([i for i, row in enumerate(rows) if row.stage == "d"]))
    rows = [row.replace(losses=row.losses + slip) if i == at else row for i, row in enumerate(rows)]
    with pytest.raises(Refused, match=f"{slip} more than the"):
        Records(batches=[batch], counts=rows)


def test_records_are_never_altered(demo: Records) -> None:
    with pytest.raises(ValidationError):
        demo.batches = ()  # type: ignore[misc]
    with pytest.raises(ValidationError):
        demo.counts[0].alive = 1  # type: ignore[misc]
    table = demo.stages()
    table["entered"] = 0
    assert demo.stages().entered.sum() > 0


def test_a_contradiction_in_rows_given_in_python_is_reported_by_row() -> None:
    assert refused(
        lambda: Records(batches=[came(), came()], counts=[count("2027-03-01", "weaning", 100).replace(batch="Z9")])
    ).splitlines() == [
        "batches, row 3, column batch, 'B1': the same batch as row 2. Keep one of the two rows, or change its batch.",
        "counts, row 2, column batch, 'Z9': there is no batch of this name in batches. Correct the spelling, or add "
        "it to batches.",
    ]


def test_what_is_written_is_read_back(tmp_path: Path, demo: Records) -> None:
    write_records(demo, tmp_path / "new")
    assert read_records(tmp_path / "new") == demo
    with pytest.raises(Refused, match="already exists; nothing was written"):
        write_records(demo, tmp_path / "new")
    early = demo.until("2025-02-20").replace(counts=())
    write_records(early, tmp_path / "new", overwrite=True)
    assert read_records(tmp_path / "new") == early


def test_a_batch_dead_on_arrival_has_no_stage() -> None:
    dead = came().replace(dead_on_arrival=100)
    assert Records(batches=[dead]).stages().empty


def test_what_a_season_does_not_know_is_reported_by_batch() -> None:
    season = read_season(DEMO)
    batches = [
        came().replace(variety="Hosta 'Orrinfal'", lab="Alder Lab"),
        came().replace(batch="B2", variety="Hosta 'Orrinfall'", lab="Aldr Lab"),
    ]
    rows = [
        count("2027-03-15", "growing on", 100, transferred=10),
        count("2027-03-29", "acclimatisation", 10, transferred=10),
        count("2027-04-05", "standing down", 10),
    ]
    assert refused(
        lambda: Records(batches=batches, counts=[row.replace(batch="B2") for row in rows]).against(season)
    ).splitlines() == [
        "batches, variety, \"Hosta 'Orrinfal'\": batch B1: this season has no such variety. Did you mean "
        "\"Hosta 'Orrinfall'\"?",
        "batches, lab, 'Aldr Lab': batch B2: this season has no price-list line of such a lab. "
        "Did you mean 'Alder Lab'?",
        "counts, stage, 'acclimatisation': batch B2: first counted after growing on, which follows it. The stages of "
        "Hosta 'Orrinfall' are: arrival, acclimatisation, growing on, spacing out, hardening, grading.",
        "counts, stage, 'standing down': batch B2: Hosta 'Orrinfall' has no such stage. Known names: arrival, "
        "acclimatisation, growing on, spacing out, hardening, grading.",
    ]


def test_the_order_of_day_and_month_is_read_where_other_days_of_the_file_settle_it(tmp_path: Path) -> None:
    rows = ["B1,Nova,,25/04/2025,10,10,", "B2,Nova,,03/04/2025,10,10,", "B3,Nova,,04/04/2025,10,10,"]
    header = "batch,variety,lab,delivered,ordered,received,dead_on_arrival"
    (tmp_path / "batches.csv").write_text("\n".join([header, *rows]), encoding="utf-8")
    (tmp_path / "counts.csv").write_text("batch,date,stage,alive,transferred,saleable,losses\n", encoding="utf-8")
    assert [str(row.delivered) for row in read_records(tmp_path).batches] == ["2025-04-25", "2025-04-03", "2025-04-04"]
    (tmp_path / "batches.csv").write_text("\n".join([header, *rows[1:]]), encoding="utf-8")
    assert refused(read_records, tmp_path) == (
        "batches.csv, row 2, column delivered, '03/04/2025': could be read in two ways. Write 2025-04-03 or 2025-03-04 "
        "(year-month-day), whichever is meant."
    )
    (tmp_path / "batches.csv").write_text("\n".join([header, rows[0], rows[2]]), encoding="utf-8")
    assert [str(row.delivered) for row in read_records(tmp_path).batches] == ["2025-04-25", "2025-04-04"]
