"""Whatever is written of a plan: refused where it must be, the old file stays whole, nothing is left behind."""

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest
import small_seasons as small
from disks import SPACE, fill, full_after, held, mounted

from forecast import Refused, plan_orders, report
from forecast.planning.whole_order import Plan
from forecast.show.calendar import write_calendar
from forecast.show.plan_workbook import write_plan_workbook
from forecast.show.sheets import write_order_sheet

SHEET = "neither a CSV file nor a workbook. Let it end in .csv or .xlsx."
ENDINGS = [
    *((write_order_sheet, name, SHEET) for name in ("order.xls", "order", "order.txt", ".csv")),
    (write_plan_workbook, "plan.csv", "not the name of a workbook. Let it end in .xlsx."),
    (write_calendar, "plan.ical", "not the name of a calendar. Let it end in .ics."),
]
WRITERS: dict[str, Callable[..., None]] = {
    "order.csv": write_order_sheet,
    "order.xlsx": write_order_sheet,
    "plan.xlsx": write_plan_workbook,
    "plan.ics": write_calendar,
    "order.html": lambda plan, path, **more: report(plan.season, path, draws=64, seed=1, plan=plan, **more),
}


@pytest.fixture(scope="module")
def plan() -> Plan:
    target = [{"variety": "A", "week": "2027-W20", "target": 30}]
    season = small.season([small.stage(survival=0.95)], price_list=[small.offer("A")], targets=target)
    priced = tuple(row.replace(sale_price=9) for row in season.varieties)
    return plan_orders(season.replace(varieties=priced), draws=64, seed=1)


def refusal(call: Callable[[], object]) -> str:
    with pytest.raises(Refused) as caught:
        call()
    return str(caught.value)


@pytest.mark.parametrize(("write", "name", "told"), ENDINGS)
def test_another_ending_is_refused(
    plan: Plan, tmp_path: Path, write: Callable[..., None], name: str, told: str
) -> None:
    assert refusal(lambda: write(plan, tmp_path / name)).endswith(told)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", [*WRITERS, "order.XLSX"])
def test_nothing_is_replaced_unasked_and_nothing_else_is_left_behind(plan: Plan, tmp_path: Path, name: str) -> None:
    file, write = tmp_path / "deep" / name, WRITERS.get(name, write_order_sheet)
    write(plan, file)
    made = file.read_bytes()[:4]
    file.write_text("mine", encoding="utf-8")
    assert "already exists; nothing was written" in refusal(lambda: write(plan, file))
    assert file.read_text(encoding="utf-8") == "mine"
    write(plan, file, overwrite=True)
    assert file.read_bytes()[:4] == made
    assert list(tmp_path.rglob("*")) == [tmp_path / "deep", file]


@pytest.mark.parametrize("name", ["order.csv", "plan.xlsx", "plan.ics"])
def test_a_plan_without_orders_is_refused(tmp_path: Path, name: str) -> None:
    season = small.season([small.stage()], targets=[{"variety": "A", "week": "2027-W20", "target": 5}])
    poor = season.replace(varieties=tuple(row.replace(sale_price=0.1) for row in season.varieties))
    empty = plan_orders(poor, draws=16, seed=1)
    assert "plan: nothing is ordered" in refusal(lambda: WRITERS[name](empty, tmp_path / name))


ROOM = f"cannot be written: {SPACE}; everything is as it was. Free some space, or choose another folder."


@pytest.mark.parametrize("name", WRITERS)
def test_a_full_disk_is_reported_and_the_old_file_stays(plan: Plan, tmp_path: Path, name: str) -> None:
    with mounted(tmp_path / "disk", "size=1m") as disk:
        (disk / name).write_text("mine", encoding="utf-8")
        fill(disk, 0)
        before = held(disk)
        said = refusal(lambda: WRITERS[name](plan, disk / name, overwrite=True))
        assert said == f"folder, '{disk}': {ROOM}"
        assert held(disk) == before


@pytest.mark.parametrize("name", WRITERS)
def test_a_disk_that_fills_up_while_it_is_written_leaves_no_trace(
    plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    (tmp_path / name).write_text("mine", encoding="utf-8")
    full_after(monkeypatch, 0)
    for path in (tmp_path / name, tmp_path / "new" / name):
        said = refusal(lambda path=path: WRITERS[name](plan, path, overwrite=True))
        assert said == f"folder, '{path.parent}': {ROOM}"
        assert held(tmp_path) == {name: b"mine"}


@pytest.mark.parametrize("name", WRITERS)
def test_a_file_that_is_held_open_elsewhere_is_reported(
    plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    (tmp_path / name).write_text("mine", encoding="utf-8")

    def held_open(*_: Path) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(os, "replace", held_open)
    told = refusal(lambda: WRITERS[name](plan, tmp_path / name, overwrite=True))
    remedy = "Close it in other programs, ask for permission to write there, or choose another folder."
    assert told == f"folder, '{tmp_path}': cannot be written: Permission denied; everything is as it was. {remedy}"
    assert held(tmp_path) == {name: b"mine"}


@pytest.mark.parametrize("name", WRITERS)
def test_through_a_link_nothing_outside_is_written(plan: Plan, tmp_path: Path, name: str) -> None:
    home = tmp_path / "home"
    home.mkdir()
    (tmp_path / "other").write_text("theirs", encoding="utf-8")
    (home / name).symlink_to(tmp_path / "other")
    assert "already exists; nothing was written" in refusal(lambda: WRITERS[name](plan, home / name))
    WRITERS[name](plan, home / name, overwrite=True)
    assert (tmp_path / "other").read_text(encoding="utf-8") == "theirs"
    assert not (home / name).is_symlink()
    assert set(held(tmp_path)) == {"home", "other", f"home/{name}"}


@pytest.mark.parametrize("name", WRITERS)
def test_a_name_that_no_file_can_have_is_refused_by_its_name(plan: Plan, tmp_path: Path, name: str) -> None:
    for home in (tmp_path, tmp_path / "new"):
        said = refusal(lambda home=home: WRITERS[name](plan, home / f"a\0{name}"))
        assert said == f"file, 'a\\x00{name}': no file can have this name. Choose another name."
        said = refusal(lambda home=home: WRITERS[name](plan, home / f"{'a' * 300}{name}"))
        assert said.startswith("file, 'aaa")
        assert said.endswith("...: too long for the name of a file. Choose a shorter name.")
    assert list(tmp_path.iterdir()) == []
