"""What is odd in the tables of a season is warned of, not refused; sound seasons are silent."""

import warnings
from collections.abc import Callable
from pathlib import Path

import pytest
from grower_seasons import SEASONS
from small_folder import MULTIPLIED

import forecast
from forecast.__main__ import main
from forecast.season.oddities import spelt_twice

DEMO = Path(__file__).parents[2] / "demo_data"
LEAVE = "or leave it if it is meant."
_WEANED = (
    "hosta,acclimatisation,house,weeks,4,0.15,0.1,batch,0.85,0.07,,,,,season 0.3 variety 0.2 batch 0.5,entering,478,"
)
SLIPS = [
    (
        "survival 0.09 for 0.9",
        "stages.csv",
        ",0.85,0.07,",
        ",0.09,0.01,",
        "stages.csv, row 2, column survival, 0.09: "
        f"fewer than half of the plants survive. Write 0.91 if 0.09 is the loss, 0.9 if a digit slipped, {LEAVE}",
    ),
    (
        "a loss for a survival",
        "stages.csv",
        ",0.85,0.07,",
        ",0.15,0.07,",
        "stages.csv, row 2, column survival, 0.15: "
        f"fewer than half of the plants survive. Write 0.85 if 0.15 is the loss, {LEAVE}",
    ),
    (
        "few of many counted",
        "stages.csv",
        ",95,100,belief",
        ",95,1000,belief",
        "stages.csv, row 4, column survived, 95: "
        f"fewer than half of the plants survive. Write 0.9046 if 0.0954 is the loss, 0.954 if a digit slipped, {LEAVE}",
    ),
    (
        "a price that rises",
        "price_list.csv",
        ",720,1.25,",
        ",720,1.75,",
        "price_list.csv, row 3, column unit_price, "
        "1.75: more than the 1.45 from 1 on. Check the two prices and their from_quantity.",
    ),
    (
        "a price of 160 for 1.60",
        "price_list.csv",
        ",1,1.55,",
        ",1,155,",
        f"price_list.csv, row 4, column unit_price, 155: far more than the other prices (1.25). Correct it, {LEAVE}",
    ),
    (
        "a sale price below the purchase",
        "varieties.csv",
        "9.50",
        "0.95",
        "varieties.csv, row 2, column sale_price, "
        "0.95: less than a plant costs, 1.25 at least (price_list, row 3). Correct the one that is wrong.",
    ),
    (
        "days for weeks in a stage",
        "stages.csv",
        "calla,acclimatisation,house,weeks,5",
        "calla,acclimatisation,house,weeks,35",
        "stages.csv, row 5, column typical, 35: more than is usual, 12 at most. Write weeks, not days.",
    ),
    (
        "days for weeks of lead",
        "price_list.csv",
        ",72,72,16,2027-W08",
        ",72,72,112,2027-W08",
        "price_list.csv, row 2, column last_week, '2027-W16': too late to order.",
    ),
    (
        "square metres per plant",
        "stages.csv",
        "entering,478,",
        "entering,.01,",
        "stages.csv, row 2, column plants_per_m2, 0.01: less than is usual, 2 at least. "
        "Write plants per square metre, such as 36, not square metres per plant.",
    ),
    (
        "a lab spelt two ways",
        "price_list.csv",
        "North Lab,Hosta 'Belwin'",
        "North Labs,Hosta 'Belwin'",
        "price_list.csv, row 4, column lab, "
        "'North Labs': spelt nearly as 'North Lab'. Spell it in one way, or leave it if the two differ.",
    ),
    (
        "an order pasted twice",
        "orders.csv",
        "Calla",
        "Hosta 'Ambrel',2027-W10,504,North Lab\nCalla",
        "orders.csv, row 3, column quantity, 504: the same order as row 2; together they are 1,008 plants. "
        "Delete one of the two, or leave both if both are meant.",
    ),
    (
        "an order before anything can be delivered",
        "orders.csv",
        "2027-W10,504",
        "2027-W04,504",
        "orders.csv, row 2, column week, '2027-W04': before the first week in which it can be delivered. "
        f"Write 2027-W08, {LEAVE}",
    ),
    (
        "an order after the last week of the price list",
        "orders.csv",
        "2027-W11,200",
        "2027-W21,200",
        f"orders.csv, row 3, column week, '2027-W21': after the last week in the price list. Write 2027-W18, {LEAVE}",
    ),
    (
        "an order below the smallest",
        "orders.csv",
        "2027-W11,200",
        "2027-W11,50",
        f"orders.csv, row 3, column quantity, 50: less than the smallest order, 100. Write 100, {LEAVE}",
    ),
    (
        "an order of no multiple",
        "orders.csv",
        "2027-W10,504",
        "2027-W10,500",
        f"orders.csv, row 2, column quantity, 500: no multiple of 72. Write 432 or 504, {LEAVE}",
    ),
    (
        "a delivery in two rows",
        "orders.csv",
        "Calla 'Corvane',2027-W11,200,South Lab",
        "Calla 'Corvane',2027-W11,50,South Lab\nCalla 'Corvane',2027-W11,60,South Lab",
        "orders.csv, row 4, column quantity, 60: with the other rows of this delivery 110, no multiple of 50. "
        f"Write 100 or 150 in all, {LEAVE}",
    ),
    (
        "ten times the plants",
        "orders.csv",
        ",504,",
        ",5040,",
        "orders.csv, row 2, column quantity, 5040: more than 5 "
        f"times all targets of Hosta 'Ambrel', 400. Correct it, {LEAVE}",
    ),
    (
        "a chance of failure",
        "season.toml",
        "0.9\n",
        "0.1\n",
        "season.toml, service_level, 0.1: less than is usual, 0.5 "
        "at least. Write the chance with which targets must be met, such as 0.9.",
    ),
    (
        "a place closed all season",
        "places.csv",
        "cost_per_m2_week\nhouse,80,0.6,3.20",
        "cost_per_m2_week,first_week\nhouse,80,0.6,3.20,2072-W14",
        "places.csv, row 2, column first_week, '2072-W14': "
        f"closed all season, 2026-W40 to 2028-W04. Correct it, {LEAVE}",
    ),
    (
        "materials of a tray",
        "stages.csv",
        "plants_per_m2,cost\n" + _WEANED + "0.08",
        "plants_per_m2,materials\n" + _WEANED + "8",
        f"stages.csv, row 2, column materials, 8: far more than this stage elsewhere (0.08). Correct it, {LEAVE}",
    ),
    (
        "wages by the month",
        "season.toml",
        "budget = 5000",
        "hourly_wage = 2800",
        "season.toml, hourly_wage, 2800: far from what plants bring, 9.5 each. Write the cost of one hour.",
    ),
]


def _odd(folder: Path) -> list[str]:
    """Return the lines of the warning with which a season is read."""
    with warnings.catch_warnings(record=True) as found:
        warnings.simplefilter("always")
        forecast.read_season(folder)
    return [line for one in found for line in str(one.message).splitlines()[1:]]


@pytest.mark.parametrize(("file", "old", "new", "said"), [one[1:] for one in SLIPS], ids=[one[0] for one in SLIPS])
def test_a_slip_is_warned_of_with_its_place_and_what_to_do(
    folder: Path, change: Callable[..., None], capsys: pytest.CaptureFixture[str], file: str, old: str, new: str,
    said: str,
) -> None:  # fmt: skip
    change(file, old, new)
    if "too late" in said:  # a lead of 112 weeks for 16 is refused already
        assert main(["check", str(folder)]) == 2
        assert said in capsys.readouterr().err
        return
    assert said in _odd(folder)
    assert main(["check", str(folder)]) == 0
    assert said in capsys.readouterr().out.splitlines()
    assert main(["order", str(folder), "--draws", "16"]) in (0, 1)
    assert capsys.readouterr().err.splitlines().count(said) == 1


@pytest.mark.parametrize("folder", [DEMO, DEMO / "season_2026"], ids=["demo", "2026"])
def test_sound_seasons_are_silent(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert _odd(folder) == []
    assert main(["check", str(folder)]) == 0
    assert "slip" not in capsys.readouterr().out


def test_rows_of_one_delivery_are_one_order(folder: Path, change: Callable[..., None]) -> None:
    one = "Calla 'Corvane',2027-W11,{},South Lab"
    change("orders.csv", one.format(200), f"{one.format(75)}\n{one.format(25)}")
    assert _odd(folder) == []


def test_a_season_to_start_with_is_silent(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["start", str(tmp_path)]) == 0
    for folder in (tmp_path, tmp_path / "running"):
        assert main(["check", str(folder)]) == 0
    assert "slip" not in capsys.readouterr().out


FAHRENHEIT = "Write °C: (F - 32) / 1.8 from Fahrenheit."


def test_crops_that_take_days_beside_those_that_take_months_are_no_slip_of_the_defaults(tmp_path: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        season = forecast.read_season(SEASONS["sixty"](tmp_path / "many"))
    times = [row.typical for row in season.stages if row.stage == "growing on"]
    assert max(times) > 5 * min(times)


def test_a_climate_in_fahrenheit_is_warned_of(multiplied: Path) -> None:
    rows = MULTIPLIED["climate.csv"].splitlines()
    cool = [f"{month},{1.8 * low + 32:g},{1.8 * (low + 5) + 32:g},1.5" for month, low in enumerate(range(-2, 10), 1)]
    (multiplied / "climate.csv").write_text("\n".join([rows[0], *cool]), encoding="utf-8")
    assert any(line.startswith("climate.csv, ") and line.endswith(FAHRENHEIT) for line in _odd(multiplied))
    mixed = [*rows[:6], "6,42.8,57.2,1.5", *rows[7:]]
    (multiplied / "climate.csv").write_text("\n".join(mixed), encoding="utf-8")
    assert {line.partition(":")[0] for line in _odd(multiplied)} >= {
        "climate.csv, row 7, column t_min, 42.8", "climate.csv, row 7, column t_max, 57.2",
    }  # fmt: skip


def test_a_climate_half_a_year_off_is_warned_of(tmp_path: Path) -> None:
    season = forecast.read_season(DEMO)
    shifted = [row.replace(month=(row.month + 5) % 12 + 1) for row in season.climate]
    forecast.write_season(season.replace(climate=shifted), tmp_path / "south")
    (said,) = _odd(tmp_path / "south")
    assert said == (
        "climate.csv, t_min: plants grow in the cooler half of this climate, at 7.8 °C on average. "
        "Check that it is the climate of your half of the Earth, or leave it if it is meant."
    )


@pytest.mark.parametrize(
    ("name", "remedy"),
    [
        ("orders.csv.csv", "Keep one of it and orders.csv."),
        ("Stages.csv", "Keep one of it and stages.csv."),
        ("climate.csv.csv", "Rename it climate.csv."),
        ("prices.csv.csv", "Rename it, such as prices.csv, if it is to be read."),
    ],
)
def test_a_file_that_is_not_read_for_its_name_is_warned_of(folder: Path, name: str, remedy: str) -> None:
    (folder / name).write_text("anything", encoding="utf-8")
    assert _odd(folder) == [f"{name}: not read, because of its name. {remedy}"]


def test_stages_of_unknown_names_from_a_to_z_are_warned_of(folder: Path) -> None:
    text = (folder / "stages.csv").read_text(encoding="utf-8")
    for old, new in (("acclimatisation", "Abhärtung"), ("growing on", "Kultur"), ("grading", "Sortierung")):
        text = text.replace(old, new)
    (folder / "stages.csv").write_text(text, encoding="utf-8")
    (said,) = _odd(folder)
    assert said.startswith("stages.csv, row 2, column stage, 'Abhärtung': stages are in the order of the alphabet.")


def test_two_ways_to_spell_a_name() -> None:
    def told(*names: str) -> list[str]:
        return [
            fault.value for fault in spelt_twice([("price_list", row, "lab", one) for row, one in enumerate(names)])
        ]

    for one in ("Alder Labs", "alder lab", "Alder-Lab", "Aldr Lab", "Adler Lab", "Alder Laboratory", "Alder Lab B.V.",
                "Alder Lab Ltd"):  # fmt: skip
        assert told("Alder Lab", "Alder Lab", one) == [one]
    for one in ("Birch Lab", "Alder Lab 2", "Alder Lab North", "Elder & Sons", "A", "Alder Farm"):
        assert told("Alder Lab", one) == []
    assert told("Lab 1", "Lab 2", "Lab A", "Lab B", "North Lab", "South Lab", "East Lab", "West Lab") == []


SOLD = "variety,week,until,target,channel,price,price_end,promised,promised_share,short_cost,waits\n"


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        (
            "Hosta 'Ambrel',2027-W41,2027-W43,400,retail,9.5,12,,,,",
            "targets.csv, row 2, column price_end, 12: above the price at the beginning, 9.5. Correct it, or leave it "
            "if "
            "it is meant.",
        ),
        (
            "Hosta 'Ambrel',2027-W41,2027-W43,400,,,12,,,,",
            "targets.csv, row 2, column price_end, 12: above the price at the beginning, 9.5. Correct it, or leave it "
            "if "
            "it is meant.",
        ),
        (
            "Hosta 'Ambrel',2027-W41,,400,,,,,,120,",
            "targets.csv, row 2, column short_cost, 120: more than 10 times the price, 9.5. Write what one missing "
            "plant "
            "costs beyond the lost sale.",
        ),
        (
            "Hosta 'Ambrel',2027-W41,,400,,,,,,,60",
            "targets.csv, row 2, column waits, 60: more than is usual, 26 at most. Write weeks, not days.",
        ),
        (
            "Hosta 'Ambrel',2027-W41,,400,,,,0.9,0.05,,",
            "targets.csv, row 2, column promised_share, 0.05: less than is usual, 0.5 at least. Write the share of the "
            "number that must be sold, such as 0.9.",
        ),
        (
            "Hosta 'Ambrel',2027-W10,2027-W20,400,,,,0.9,,,1",
            "targets.csv, row 2, column until, '2027-W20': promised, but half of the first possible delivery is ready "
            "in "
            "2027-W22 at the earliest. Move it later, let the buyers wait, find an earlier delivery, or clear "
            "promised.",
        ),
        (
            "Hosta 'Ambrel',2027-W41,,400,,0.95,,,,,\nHosta 'Ambrel',2027-W42,,400,,7.5,,,,,",
            "targets.csv, row 2, column price, 0.95: far less than the sale price, 9.5. Correct it, or leave it if it "
            "is meant.",
        ),
        (
            "Hosta 'Ambrel',2027-W41,,400,Garden centre,,,,,,\nHosta 'Ambrel',2027-W41,,400,garden-centre,,,,,,",
            "targets.csv, row 3, column channel, 'garden-centre': spelt nearly as 'Garden centre'. Spell it in one "
            "way, "
            "or leave it if the two differ.",
        ),
    ],
)
def test_what_is_odd_in_sales_is_reported(folder: Path, rows: str, told: str) -> None:
    (folder / "targets.csv").write_text(f"{SOLD}{rows}\n", encoding="utf-8")
    with pytest.warns(UserWarning, match="may be") as found:
        forecast.read_season(folder)
    assert str(found[0].message).splitlines()[1:] == [told]


@pytest.mark.parametrize(
    "rows",
    [
        "Hosta 'Ambrel',2027-W41,2027-W43,400,retail,9.5,7,0.9,0.8,40,3",
        "Hosta 'Ambrel',2027-W10,2027-W20,400,,,,,,,1",  # hoped for
        "Hosta 'Ambrel',2027-W10,2027-W20,400,,,,0.9,,,2",  # buyers who wait
        "Calla 'Corvane',2027-W41,,400,garden centre A,,,,,,\nCalla 'Corvane',2027-W41,,400,garden centre B,,,,,,",
    ],
)
def test_sales_that_are_meant_are_silent(folder: Path, rows: str) -> None:
    (folder / "targets.csv").write_text(f"{SOLD}{rows}\n", encoding="utf-8")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        forecast.read_season(folder)


def test_cells_that_nothing_is_made_of_are_reported(demo, tmp_path) -> None:
    rows = [row.replace(markdown_price=None, outlet=50) for row in demo.varieties[:1]]
    targets = [row.replace(profile="autumn") if at == 0 else row for at, row in enumerate(demo.targets)]
    stages = [row.replace(bad_one_in=10) if at == 0 else row for at, row in enumerate(demo.stages)]
    changed = demo.replace(varieties=(*rows, *demo.varieties[1:]), targets=targets, stages=stages)
    forecast.write_season(changed, tmp_path)
    with pytest.warns(UserWarning, match="not used") as warned:
        forecast.read_season(tmp_path)
    said = str(warned[0].message)
    assert "column profile, 'autumn': not used: all are sold in one week. Write the last week of sale in until" in said
    assert "column bad_one_in, 10: not used: no bad survival is stated. Write survival_bad and survival_good" in said
    assert "column outlet, 50: not used: no plant is marked down. Write what a plant brings then" in said


def test_a_short_lead_time_is_not_said_to_be_in_days_and_counts_once_for_all_its_rows(folder: Path) -> None:
    labs = [("North", "Hosta 'Ambrel'", 20), ("South", "Calla 'Corvane'", 20), ("East", "Hosta 'Belwin'", 25),
            ("East", "Hosta 'Ambrel'", 4), ("East", "Calla 'Corvane'", 4), ("West", "Hosta 'Ambrel'", 140)]  # fmt: skip
    lines = ["lab,variety,unit_price,lead_weeks", *(f"{lab} Lab,{variety},1.5,{weeks}" for lab, variety, weeks in labs)]
    (folder / "price_list.csv").write_text("\n".join(lines), encoding="utf-8")
    with pytest.warns(UserWarning, match="lead_weeks") as found:
        forecast.read_season(folder)
    said = [line for line in str(found[0].message).splitlines() if "lead_weeks" in line]
    assert said == [
        "price_list.csv, row 7, column lead_weeks, 140: more than is usual, 60 at most. Write weeks, not days.",
        "price_list.csv, rows 5 to 6, column lead_weeks, 4: far less than the other lead times (20). Correct it, "
        f"{LEAVE}",
    ]
    assert str(found[0].message).startswith(f"{len(str(found[0].message).splitlines()) - 1} entries may be slips")


def test_an_outlet_for_more_than_is_grown_for_sale_is_reported(folder: Path) -> None:
    file = folder / "varieties.csv"
    rows = file.read_text(encoding="utf-8").replace("saleable_weeks,note", "outlet,saleable_weeks,note")
    rows = (
        rows.replace(",9.50,26,", ",9.50,4000,26,").replace(",8.50,26,", ",8.50,250,26,").replace(",9.80,", ",9.80,,")
    )
    file.write_text(rows, encoding="utf-8")
    with pytest.warns(UserWarning, match="may be slips") as found:
        forecast.read_season(folder)
    assert str(found[0].message).splitlines()[1:] == [
        "varieties.csv, row 2, column outlet, 4000: more than all its targets, 400. Write how many buyers there are "
        "for "
        "plants marked down, or leave it if it is meant.",
        "varieties.csv, row 3, column outlet, 250: not used: no plant is marked down. Write what a plant brings then "
        "in markdown_price, or clear it.",
    ]
