"""The worksheet of an order: every printed step is done again from the printed figures alone."""

import math
import re
from decimal import ROUND_HALF_UP, Decimal

import pytest
from small_folder import MULTIPLIED

import forecast
from forecast.__main__ import main
from forecast.ordering.by_hand import worked_out
from forecast.words.numbers import dated

DRAWS = ("--draws", "64")
FIGURE = r"\d[\d,]*(?:\.\d+)?"
EQUATION = re.compile(rf"({FIGURE}) ([-/x]) ({FIGURE}) = ({FIGURE})( %)?")
THERE = "less plants there or on order"
SUM = re.compile(rf"({FIGURE}(?: \+ {FIGURE})+) = ({FIGURE})")


def figure(text):
    return Decimal(text.replace(",", ""))


def as_printed(value, printed):
    """Round a value to the decimals that are printed; those that end in 0 may be left out."""
    places = max(len(printed.partition(".")[2]), 1)
    return value.quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)


def result(left, sign, right, percent):
    value = {"/": lambda: left / right, "x": lambda: left * right, "-": lambda: left - right}[sign]()
    return value * 100 if percent else value


def redone(text):
    """Do all steps of a text again; return how many there are."""
    found = EQUATION.findall(text)
    for left, sign, right, printed, percent in found:
        value = result(figure(left), sign, figure(right), percent)
        assert as_printed(value, printed) == figure(printed), (left, sign, right, printed)
    sums = SUM.findall(text)
    for numbers, printed in sums:
        assert sum(map(figure, numbers.split(" + "))) == figure(printed)
    return len(found) + len(sums)


def parts(text):
    """Return the parts of a worksheet by the first words of their first lines."""
    return {part.split()[0]: part.splitlines() for part in text.strip().split("\n\n")}


def follows(text, stages):
    """Check that each step begins with what the one before ended with; return plants wanted, and plants ordered."""
    found = parts(text)
    wanted = re.search(rf"({FIGURE})$", found["Plants"][-1])[1]
    *steps, last = found["Back"][1:]
    assert [step.split(":")[0].strip() for step in steps if "cold and heat" not in step] == stages
    now = figure(wanted)
    for step in steps:
        left, sign, _, printed, _ = EQUATION.search(step).groups()
        assert (figure(left), sign) == (now, "/")
        now = figure(printed)
    average = int(figure(re.search(rf"rounded up: ({FIGURE})$", last)[1]))
    assert average == math.ceil(now)
    rounded = int(figure(re.search(rf"({FIGURE})$", found["As"][-1])[1]))
    assert rounded >= average
    if "rounded up" in found["As"][1]:
        left, _, _, exact, _ = EQUATION.search(found["As"][1]).groups()
        multiples = re.search(rf"rounded up: ({FIGURE})$", found["As"][1])[1]
        assert (figure(left), math.ceil(figure(exact))) == (average, figure(multiples))
    safety = next((part for word, part in found.items() if word.startswith(("Safety", "Fewer"))))
    ordered = re.search(rf"({FIGURE})$", found["Order:"][0])[1]
    if "no more than that" in safety[1]:
        assert figure(ordered) == rounded
    else:
        left, _, right, *_ = EQUATION.search(safety[1]).groups()
        assert {figure(left), figure(right)} == {figure(ordered), Decimal(rounded)}
    return figure(wanted), figure(ordered)


def quantities(text, variety):
    """Return the plants of each delivery of a variety that `order` prints."""
    lines = [line for line in text.split("\n\n")[1].splitlines() if line.strip().startswith(variety)]
    return [figure(line.split()[-2]) for line in lines]


def unpriced(folder, more=()):
    """Write more tables into a folder, and take away its sale prices."""
    for name in more:
        (folder / name).write_text(MULTIPLIED[name], encoding="utf-8", newline="")
    season = forecast.read_season(folder)
    rows = tuple(row.replace(sale_price=None, markdown_price=None) for row in season.varieties)
    season = season.replace(varieties=rows)
    forecast.write_season(season, folder, overwrite=True)
    return season


def checked(folder, season, capsys):
    """Check the worksheet of every variety of a folder against its own figures and against `order`; return them."""
    assert main(["order", str(folder), *DRAWS]) == 0
    printed, sheets = capsys.readouterr().out, {}
    for variety in season.targeted:
        assert main(["order", str(folder), *DRAWS, "--by-hand", variety]) == 0
        text = sheets[variety] = capsys.readouterr().out
        assert redone(text) >= len(season.route(variety)) + 2
        stages = [row.stage for row in season.route(variety)][::-1]
        wanted, ordered = follows(text, stages)
        assert wanted <= sum(row.median_demand for row in season.targets_of(variety))
        assert ordered == sum(quantities(printed, variety)) > 0
        assert text.strip().splitlines()[-1].startswith("Order: ")
    return sheets


def test_every_step_of_the_demo_is_what_its_printed_figures_make(part, part_folder, capsys):
    sheets = checked(part_folder, part, capsys)
    assert any("cold and heat" in text for text in sheets.values())
    assert any(" + " in text for text in sheets.values())


def test_so_is_every_step_without_prices_with_plants_on_hand_and_several_deliveries(folder, change, capsys):
    change("varieties.csv", "8.50,26", "8.50,60")
    season = unpriced(folder, ["on_hand.csv", "profiles.csv"])
    sheets = checked(folder, season, capsys)
    assert THERE in sheets["Hosta 'Belwin'"]
    assert any(text.splitlines()[-1].count("+") for text in sheets.values())


def test_plants_on_hand_that_are_past_their_sale_window_are_not_counted(folder, capsys):
    """They are saleable before 2027, and for 26 weeks."""
    unpriced(folder, ["on_hand.csv", "profiles.csv"])
    assert main(["order", str(folder), *DRAWS, "--by-hand", "Hosta 'Belwin'"]) == 0
    assert THERE not in capsys.readouterr().out


def test_losses_of_the_original_number_multiply_to_what_is_left_of_it(folder, capsys):
    """Calla 'Corvane' loses 20, 11 and 9 of 100, so 60 are left: 150 / 0.6 = 250."""
    unpriced(folder)
    assert main(["order", str(folder), *DRAWS, "--by-hand", "Calla 'Corvane'"]) == 0
    assert "enough on average, rounded up: 250\n" in capsys.readouterr().out


def test_a_changed_figure_is_noticed():
    assert redone("  grading: 800 / 0.95 = 842.1\n  144 / 216 = 66.7 % more\n  1,008 + 360 = 1,368") == 3
    for wrong in ("800 / 0.95 = 842.2", "144 / 216 = 66.6 %", "1,008 + 360 = 1,369", "5 x 72 = 361", "9 - 4 = 6"):
        with pytest.raises(AssertionError):
            redone(wrong)


def test_the_average_survival_is_that_of_the_draws(part):
    """The product of the printed survivals is the mean share that survives in the simulated seasons."""
    plan = forecast.plan_orders(part, draws=512, seed=1)
    for variety in part.targeted:
        shipments = [one for one in plan.shipments if one.variety == variety]
        sheet = worked_out(part, variety, shipments, plan.simulate())
        kept = math.prod(float(step.survival) for step in sheet.steps)
        assert 100 * kept == pytest.approx(sheet.typical, rel=0.01)
        assert 0 < sheet.poor < sheet.typical < 100
        assert sheet.quantity == sum(one.quantity for one in shipments)
        assert [one.price for one in sheet.supplies] == [
            Decimal(str(one.line.unit_price)) * one.quantity for one in shipments
        ]


def test_half_are_ready_when_the_printed_week_says(part):
    plan = forecast.plan_orders(part, draws=64, seed=1)
    outcome, shipment = plan.simulate(), plan.shipments[0]
    (supply, *_) = worked_out(part, shipment.variety, [shipment], outcome).supplies
    (batch,) = (one for one in outcome.ordered if (one.variety, one.week) == (shipment.variety, shipment.week))
    fate = outcome.fate(batch)
    before, then = (fate.ready([float(supply.ready - shipment.week - late)]).mean() for late in (1, 0))
    assert before < fate.survival.mean() / 2 <= then
    assert dated(supply.ready) in str(worked_out(part, shipment.variety, [shipment], outcome))


def test_an_unknown_variety_is_refused_with_the_nearest_name(part_folder, capsys):
    assert main(["order", part_folder, "--by-hand", "Hosta 'Orinfall'"]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert "Did you mean \"Hosta 'Orrinfall'\"?" in told.err


@pytest.mark.parametrize("other", [("--mine",), ("--out", "orders")])
def test_it_is_asked_for_alone(part_folder, capsys, other):
    with pytest.raises(SystemExit):
        main(["order", part_folder, "--by-hand", "Hosta 'Orrinfall'", *other])
    assert "not allowed with" in capsys.readouterr().err


def test_a_variety_of_which_nothing_is_ordered_says_why(folder, change, capsys):
    change("varieties.csv", "9.80", "0.20")
    change("targets.csv", "Hosta 'Belwin',2027-W41,250,,,,0.8,\n", "")
    for variety, why in (("Calla 'Corvane'", "would lose"), ("Hosta 'Belwin'", "no row in targets")):
        assert main(["order", str(folder), *DRAWS, "--by-hand", variety]) == 0
        assert why in capsys.readouterr().out
