"""What is written is read back exactly, all of it or none, in whatever way a spreadsheet saves it."""

import os
import string
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st

from forecast import Refused, Season, Week, read_season, write_season
from forecast.files_out import write_texts
from forecast.io.files_in import OPTIONAL
from forecast.season.cells import LEAST, is_error
from forecast.season.season import TABLES
from forecast.season.varieties import Variety
from forecast.starter.starter import start

pytestmark = pytest.mark.filterwarnings("ignore:[0-9]+ entr")  # what is odd is read

Change = Callable[[str, str, str], None]

AWKWARD = ",;\"'#%= \t.-äßéÖ–中文№\u00a0\u200b"
LEVELS = ["belief", "season", "variety", "batch", "season 0.3 variety 0.2 batch 0.5", "belief 0.125 batch 0.875"]


def sound(names: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    return names.filter(lambda name: name.strip() and not name.strip().startswith("#"))


names = sound(
    st.text(st.sampled_from(string.ascii_letters + string.digits + AWKWARD), min_size=1, max_size=12)
) | sound(st.text(st.characters(exclude_categories=["Cc", "Cs"]), min_size=1, max_size=12))
letters = st.characters(exclude_categories=["Cc", "Cs"]) | st.sampled_from('\n\r\t,;"#')
notes = st.none() | st.text(letters, max_size=20).filter(lambda text: not is_error(text.strip()))
money = st.floats(0, 1e9)
numbers = st.floats(1e-6, 1e9)
counted = st.integers(1, 10**9)
shares = st.floats(0, 1)


def optional(strategy: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.none() | strategy


@st.composite
def survivals(draw: st.DrawFn) -> dict[str, Any]:
    kind = draw(st.sampled_from(["spread", "range", "count"]))
    if kind == "spread":
        mean = draw(st.floats(0.01, 1))
        spread = 0.0 if mean == 1 else draw(st.floats(0, 0.9)) * (mean * (1 - mean)) ** 0.5
        spread = 0.0 if spread < LEAST else spread
        return {"survival": mean, "survival_sd": spread}
    if kind == "range":
        low = draw(st.floats(0.2, 0.7))
        return {"survival_p5": low, "survival_p95": low + draw(st.floats(0.05, 0.25))}
    of = draw(st.integers(1, 5000))
    return {"survived": draw(st.integers(1, of)), "of": of}


@st.composite
def stages(draw: st.DrawFn, owner: str, places: list[str]) -> list[dict[str, Any]]:
    rows = []
    for name in draw(st.lists(names, min_size=1, max_size=3, unique_by=lambda name: " ".join(name.split()))):
        row = {
            "applies_to": owner,
            "stage": name,
            "place": draw(st.sampled_from(places)),
            "runs_on": "weeks",
            "typical": 0,
        }
        if draw(st.booleans()):
            spreads = {key: draw(st.floats(0, 2)) for key in ("batches_cv", "plants_cv")}
            row |= {"typical": draw(st.floats(0.1, 200)), "time_level": draw(st.sampled_from(LEVELS)), **spreads}
        row |= draw(survivals()) | {"survival_level": draw(st.sampled_from(LEVELS)), "share_of": "entering"}
        row |= {"plants_per_m2": draw(numbers), "cost": draw(money), "source": draw(notes)}
        row |= {"minutes": draw(st.just(0.0) | numbers)}
        rows.append(row)
    return rows


@st.composite
def seasons(draw: st.DrawFn) -> Season:
    """Any sound season with awkward names and notes."""
    spoken = draw(st.lists(names, min_size=5, max_size=9))
    places, group, varieties = spoken[:2], spoken[2], spoken[3:]
    first = Week(draw(st.integers(1900, 2100)), draw(st.integers(1, 52)))
    weeks = draw(st.integers(60, 520))
    header = {
        "name": draw(names),
        "currency": draw(st.sampled_from(["EUR", "KES", "USD"])),
        "first_week": first,
        "weeks": weeks,
        "service_level": draw(st.floats(0.01, 0.99)),
        "budget": draw(optional(numbers)),
        "overdraft": draw(optional(money)),
        "opening_cash": draw(optional(money)),
        "fixed_costs": draw(optional(numbers)),
        "hourly_wage": draw(money),
        "seed": draw(st.integers(0, 10**9)),
        "note": draw(notes),
    }
    price = {"sale_price": draw(optional(money))}
    if draw(st.booleans()):
        price |= {"yearly_fall": draw(shares), "lowest_price": draw(optional(st.floats(0, price["sale_price"] or 0)))}
    least = 1e9 if price["sale_price"] is None else Variety(variety="any", group="any", **price).price(55)
    price["markdown_price"] = draw(optional(st.floats(0, least)))
    life = draw(optional(counted))
    tables: dict[str, list[dict[str, Any]]] = {
        "varieties": [
            {"variety": name, "group": group, "pot": draw(optional(names)), "saleable_weeks": life, "note": draw(notes)}
            | price
            for name in varieties
        ],
        "stages": draw(stages(group, places)) + draw(stages(varieties[0], places)),
        "places": [
            {
                "place": name,
                "area": draw(numbers),
                "usable": draw(st.floats(0.01, 1)),
                "last_week": draw(optional(st.just(first))),
            }
            for name in places
        ],
        "price_list": [
            {
                "lab": draw(names),
                "variety": name,
                "form": draw(optional(names)),
                "from_quantity": draw(counted),
                "unit_price": draw(money),
                "minimum": draw(counted),
                "multiple": draw(counted),
                "lead_weeks": draw(st.integers(0, 20)),
                "first_week": first + draw(st.integers(0, 20)),
                "last_week": first + draw(st.integers(20, 50)),
                "deposit": draw(shares),
                "freight_per_box": draw(money),
                "plants_per_box": draw(counted),
                "note": draw(notes),
            }
            for name in varieties
        ],
        "targets": [{"variety": name, "week": first + 50, "target": draw(counted)} for name in varieties[:1]]
        + [
            {
                "variety": name,
                "week": first + 55,
                "p5": low,
                "median": low * 1.5,
                "p95": low * 1.7,
                "promised": 0.8,
            }
            for name in varieties[1:]
            for low in [draw(st.floats(0.1, 1e6))]
        ],
        "orders": [
            {"variety": name, "week": first + 3, "quantity": draw(st.integers(0, 10**9)), "note": draw(notes)}
            for name in draw(st.lists(st.sampled_from(varieties), max_size=3))
        ],
    }
    try:
        return Season(**header, **tables)
    except Refused as error:  # names that are the same once their spaces and letters are
        assume(
            not all(
                fault.problem.startswith("the same as") or "also the name" in fault.problem for fault in error.faults
            )
        )
        raise


@settings(max_examples=100, deadline=None, suppress_health_check=list(HealthCheck))
@given(season=seasons())
def test_a_season_is_read_back_as_it_was_written(tmp_path_factory: pytest.TempPathFactory, season: Season) -> None:
    folder = tmp_path_factory.mktemp("round") / "season"
    write_season(season, folder)
    assert read_season(folder) == season


@settings(max_examples=30, deadline=None, suppress_health_check=list(HealthCheck))
@given(season=seasons())
def test_what_is_written_twice_is_the_same(tmp_path_factory: pytest.TempPathFactory, season: Season) -> None:
    first, second = (tmp_path_factory.mktemp("twice") / name for name in ("first", "second"))
    write_season(season, first)
    write_season(read_season(first), second)
    assert {file.name: file.read_bytes() for file in first.iterdir()} == {
        file.name: file.read_bytes() for file in second.iterdir()
    }


@given(first=st.floats(0.001, 0.4), second=st.floats(0.001, 0.4))
@example(first=1 / 3, second=1 / 3)
@example(first=1e-7, second=0.1)
@settings(deadline=None, suppress_health_check=list(HealthCheck))
def test_levels_keep_every_digit(folder: Path, first: float, second: float) -> None:
    season = read_season(folder)
    level = type(season.stages[0].survival_level)(
        (("season", first), ("variety", second), ("batch", 1 - first - second))
    )
    changed = season.with_stage("hosta", "growing on", survival_level=level)
    write_season(changed, folder / "again", overwrite=True)
    assert read_season(folder / "again") == changed


@pytest.mark.parametrize("name", ["#1 Hosta", "  # Hosta", "#"])
def test_a_name_cannot_begin_like_a_remark_for_its_row_would_not_be_read(folder: Path, name: str) -> None:
    with pytest.raises(Refused, match=r"variety, '.*#.*': starts with #, as comment lines do"):
        read_season(folder).varieties[0].replace(variety=name)


def test_a_pot_may_begin_with_a_number_sign(folder: Path, change: Change) -> None:
    change("varieties.csv", "12 cm", "#1 container")
    season = read_season(folder)
    write_season(season, folder / "again")
    assert read_season(folder / "again").varieties[2].pot == "#1 container"


def test_lines_that_begin_with_a_number_sign_are_remarks(folder: Path, change: Change) -> None:
    season = read_season(folder)
    change("targets.csv", "variety,week", '# wanted in 2027\n"# a remark, in quotes"\n\nvariety,week')
    change("targets.csv", "Hosta 'Belwin'", "# Iris,2027-W41,400,,,,,\n  # more; later\n#\n#,,\nHosta 'Belwin'")
    assert read_season(folder) == season


def test_a_byte_order_mark_changes_nothing(folder: Path) -> None:
    season = read_season(folder)
    for file in folder.iterdir():
        file.write_bytes(b"\xef\xbb\xbf" + file.read_bytes())
    assert read_season(folder) == season


@pytest.mark.parametrize("end", ["\r\n", "\r"])
def test_other_line_ends_change_nothing(folder: Path, end: str) -> None:
    season = read_season(folder)
    for file in folder.glob("*.csv"):
        file.write_bytes(file.read_bytes().replace(b"\n", end.encode()))
    toml = folder / "season.toml"
    toml.write_bytes(toml.read_bytes().replace(b"\n", b"\r\n"))
    assert read_season(folder) == season


def test_a_semicolon_file_with_decimal_commas_says_the_same(folder: Path) -> None:
    season = read_season(folder)
    for file in folder.glob("*.csv"):
        text = file.read_text(encoding="utf-8").replace(",", ";")
        lines = [";".join(_european(cell) for cell in line.split(";")) for line in text.splitlines()]
        assert file.name not in {"varieties.csv", "stages.csv", "places.csv", "price_list.csv"} or "," in "".join(lines)
        file.write_text("\n".join(lines), encoding="utf-8")
    assert read_season(folder) == season


def _european(cell: str) -> str:
    try:
        float(cell)
    except ValueError:
        return cell
    return cell.replace(".", ",")


def test_blank_rows_blank_columns_and_spaces_around_cells_change_nothing(folder: Path) -> None:
    season = read_season(folder)
    for file in folder.glob("*.csv"):
        lines = [
            ",".join(f" {cell} " for cell in line.split(",")) for line in file.read_text(encoding="utf-8").splitlines()
        ]
        file.write_text("\n".join(f"{line},,\n,,," for line in lines).replace(",,,", ",,", 1), encoding="utf-8")
    assert read_season(folder) == season


def test_names_that_only_look_alike_are_the_same_name(folder: Path, change: Change) -> None:
    change("varieties.csv", "Hosta 'Belwin'", "Hosta  'Bélwin'")
    change("price_list.csv", "Hosta 'Belwin'", "Hosta\u00a0'Be\u0301lwin'")
    change("targets.csv", "Hosta 'Belwin'", "Hosta 'Bélwin'")
    assert read_season(folder).price_lines("Hosta 'Bélwin'")


def test_the_order_of_columns_and_unused_ones_do_not_matter(folder: Path) -> None:
    season = read_season(folder)
    rows = [line.split(",") for line in (folder / "places.csv").read_text(encoding="utf-8").splitlines()]
    (folder / "places.csv").write_text("\n".join(",".join([*reversed(row)]) for row in rows), encoding="utf-8")
    assert read_season(folder) == season


def test_nothing_there_is_replaced_unless_asked_for(folder: Path) -> None:
    season = read_season(folder)
    before = {file.name: file.read_bytes() for file in folder.iterdir()}
    with pytest.raises(Refused) as caught:
        write_season(season.replace(weeks=80), folder)
    remedy = f"{len(before) - 1} more are there, too. "  # one line, not one for each file
    remedy += "Choose another folder, or allow them to be replaced (overwrite=True, --overwrite)."
    assert str(caught.value) == f"{folder / 'season.toml'}: already exists; nothing was written. {remedy}"
    assert {file.name: file.read_bytes() for file in folder.iterdir()} == before
    write_season(season.replace(weeks=80), folder, overwrite=True)
    assert read_season(folder).weeks == 80


def test_one_file_that_is_there_stops_them_all(folder: Path) -> None:
    season = read_season(folder)
    other = folder / "other"
    other.mkdir()
    (other / "targets.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(Refused, match=r"targets\.csv: already exists; nothing was written"):
        write_season(season, other)
    assert [file.read_text(encoding="utf-8") for file in other.iterdir()] == ["mine"]


def test_old_orders_do_not_stay_when_a_season_without_any_is_written_over_them(folder: Path) -> None:
    season = read_season(folder).replace(orders=())
    write_season(season, folder, overwrite=True)
    assert read_season(folder) == season


def test_a_season_without_orders_needs_no_file_for_them(folder: Path) -> None:
    season = read_season(folder).replace(orders=())
    write_season(season, folder / "again")
    assert sorted(file.name for file in (folder / "again").iterdir()) == sorted(
        ["season.toml", *(f"{table}.csv" for table in TABLES if table not in OPTIONAL)]
    )
    assert read_season(folder / "again") == season


def test_a_writing_that_fails_leaves_nothing_behind(folder: Path) -> None:
    season = read_season(folder)
    with pytest.raises(UnicodeEncodeError):
        write_texts({"first.csv": "fine", "second.csv": "\ud800"}, folder / "new")
    assert not (folder / "new").exists()
    before = {file.name: file.read_bytes() for file in folder.iterdir()}
    with pytest.raises(UnicodeEncodeError):
        write_texts({"targets.csv": "fine", "places.csv": "\ud800"}, folder, overwrite=True)
    assert {file.name: file.read_bytes() for file in folder.iterdir()} == before
    assert read_season(folder) == season


@pytest.mark.parametrize("call", ["link", "replace"])
def test_files_are_written_aside_and_moved_into_place_whole(
    folder: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    move, moved = getattr(os, call), []

    def watched(source: Path, target: Path) -> None:
        moved.append((Path(source).read_text(encoding="utf-8"), Path(target).exists()))
        move(source, target)

    monkeypatch.setattr(os, call, watched)
    write_texts({"a.csv": "one", "b.csv": "two"}, folder / "new", overwrite=call == "replace")
    assert moved == [("one", False), ("two", False)]
    assert sorted(file.name for file in (folder / "new").iterdir()) == ["a.csv", "b.csv"]


def test_files_for_a_folder_that_is_there_are_written_within_it_for_it_may_be_another_disk(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    move, homes = os.link, []

    def watched(source: Path, target: Path) -> None:
        homes.append(Path(source).parents[2])
        move(source, target)

    monkeypatch.setattr(os, "link", watched)
    before = {file.name for file in folder.iterdir()}
    write_texts({"a.csv": "one"}, folder)
    assert homes == [folder]
    assert {file.name for file in folder.iterdir()} == before | {"a.csv"}


def test_a_folder_in_the_place_of_a_file_stops_all_writing(folder: Path) -> None:
    season = read_season(folder)
    (folder / "targets.csv").unlink()
    (folder / "targets.csv").mkdir()
    before = (folder / "season.toml").read_bytes()
    with pytest.raises(Refused, match=r"targets\.csv: this is a folder, not a file\. Rename or move it\."):
        write_season(season.replace(weeks=80), folder, overwrite=True)
    assert (folder / "season.toml").read_bytes() == before


def test_a_season_is_not_written_into_a_file(folder: Path) -> None:
    season = read_season(folder)
    with pytest.raises(Refused, match=r"this is a file\. Choose a folder\."):
        write_season(season, folder / "targets.csv", overwrite=True)


def test_the_season_to_begin_with_is_read_back_with_its_remarks(tmp_path: Path) -> None:
    start(tmp_path / "new", first_week=Week(2026, 40))
    season = read_season(tmp_path / "new")
    write_season(season, tmp_path / "again")
    assert read_season(tmp_path / "again") == season
    assert season.first_week == Week(2026, 40)


@pytest.mark.parametrize("week", [Week(2026, 1), Week(2026, 53), Week(2030, 52)])
def test_the_season_to_begin_with_is_sound_whenever_it_is_begun(tmp_path: Path, week: Week) -> None:
    start(tmp_path / "new", first_week=week)
    assert read_season(tmp_path / "new").first_week == week
