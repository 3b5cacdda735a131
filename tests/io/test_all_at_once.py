"""Every fault is listed at once, also those behind another in the same row."""

from collections.abc import Callable
from pathlib import Path

import pytest

from forecast.errors import Refused
from forecast.records.records import read_records
from forecast.season.propagation_rows import Culture
from forecast.season.stages import Stage


def test_what_contradicts_in_a_row_is_listed_beside_what_cannot_be_read(
    change: Callable[..., None], refusal: Callable[[], list[str]]
) -> None:
    change("stages.csv", "calla,growing on,house,weeks,9,0.2,0.1,batch,0.89,0.03,,,,,batch,original,69,0.4",
           "calla,growing on,huose,weeks,9,0.2,0.1,,0.89,,,,,,cycle,original,-69,0.4")  # fmt: skip
    change("price_list.csv", "1,1.55,72,72,16,2027-W08,2027-W16", "1,dear,72,72,16,2027-W20,2027-W16")
    change("orders.csv", "Calla 'Corvane',2027-W11,200,South Lab", "Calla 'Corvane',2029-W11,many,East Lab")
    assert [line[: line.index(":")] for line in refusal()] == [
        "stages.csv, row 6, column plants_per_m2, '-69'",
        "stages.csv, row 6, column survival_level, 'cycle'",
        "stages.csv, row 6, column survival, 0.89",
        "stages.csv, row 6, column place, 'huose'",
        "price_list.csv, row 4, column unit_price, 'dear'",
        "price_list.csv, row 4, column last_week, '2027-W16'",
        "orders.csv, row 3, column quantity, 'many'",
        "orders.csv, row 3, column lab, 'East Lab'",
        "orders.csv, row 3, column week, '2029-W11'",
    ]  # fmt: skip


def test_the_contradictions_of_a_row_are_listed_together() -> None:
    with pytest.raises(Refused) as caught:
        Stage(applies_to="a", stage="b", place="c", runs_on="weeks", typical=0, plants_cv=0.1, base_temperature=4,
              upper_threshold=2, survival=0, survival_sd=0, survival_level="cycle", share_of="entering",
              plants_per_m2=1, cold_below=2, heat_loss=1)  # fmt: skip
    assert [fault.column for fault in caught.value.faults] == [
        "typical", "base_temperature", "upper_threshold", "upper_threshold", "cold_loss", "heat_above",
        "survival_level", "survival",
    ]  # fmt: skip


def test_the_contradictions_of_a_culture_are_listed_together() -> None:
    cells = {"variety": "A", "explants": 50, "lines": 60, "start_weeks": 4, "start_contamination": 0.1,
             "start_contamination_sd": 0.5, "cycle_weeks": 4, "multiplication": "2", "multiplication_level": "batch",
             "explants_cv": 0.1, "contamination": "0.1", "contamination_sd": 0.9, "contamination_level": "batch",
             "explants_per_vessel": 4, "most_cycles": 5, "rooting_weeks": 4, "rooting": 0.9, "rooting_sd": 0.8,
             "rooting_level": "batch", "rooting_per_vessel": 9, "shelf_places": 40, "hood_hours": 3}  # fmt: skip
    with pytest.raises(Refused) as caught:
        Culture(**cells)
    assert [fault.column for fault in caught.value.faults] == [
        "explants_cv", "start_contamination_sd", "contamination_sd", "rooting_sd", "lines", "explants",
        "minutes_per_vessel",
    ]  # fmt: skip


def test_faulty_rows_of_records_are_compared_with_the_others(tmp_path: Path) -> None:
    (tmp_path / "batches.csv").write_text(
        "batch,variety,delivered,ordered,received\nB1,A,2027-03-01,100,90\nB1,A,2027-03-01,many,90\n", encoding="utf-8"
    )
    (tmp_path / "counts.csv").write_text(
        "batch,date,stage,alive,transferred,saleable,losses\nB1,2027-02-01,pots,50,60,x,0\nB2,2027-04-01,pots,?,0,0,0\n",
        encoding="utf-8",
    )
    with pytest.raises(Refused) as caught:
        read_records(tmp_path)
    assert [(fault.table, fault.row, fault.column) for fault in caught.value.faults] == [
        ("batches.csv", 3, "ordered"), ("counts.csv", 2, "saleable"), ("counts.csv", 3, "alive"),
        ("batches.csv", 3, "batch"), ("counts.csv", 3, "batch"), ("counts.csv", 2, "date"),
    ]  # fmt: skip


def test_a_row_is_numbered_as_a_spreadsheet_shows_it(folder: Path, refusal: Callable[[], list[str]]) -> None:
    (folder / "orders.csv").write_bytes(
        b"variety,week,quantity,lab\n\n# a comment\nHosta 'Ambrel',2027-W10,x,North Lab\n\nCalla 'Corvane',2027-W11,"
        b'"9,South Lab\n'
    )
    assert [line[: line.index(":")] for line in refusal()] == [
        "orders.csv, row 6", "orders.csv, row 4, column quantity, 'x'",
    ]  # fmt: skip
