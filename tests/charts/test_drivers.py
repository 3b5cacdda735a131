"""What the charts of inputs and scenarios say, read from their descriptions."""

import pytest
from chart_specs import is_a_summary_in_few_colours, rows, titles

import forecast
from forecast import Refused
from forecast.charts.base import BLUE, ORANGE
from forecast.charts.drivers import comparison_chart, tornado_chart
from forecast.words.sensitivity import answer_value, input_value

DRAWS = 64


@pytest.fixture(scope="module")
def drivers(demo):
    known = {"draws": DRAWS, "seed": 1}
    return {
        "margin": forecast.what_drives(demo, "Calla 'Daviorne'", also={"sale price": 0.1}, **known),
        "chance": forecast.what_drives(demo, "Calla 'Daviorne'", answer="chance", **known),
        "saleable": forecast.what_drives(demo, "Calla 'Daviorne'", answer="saleable", **known),
    }


@pytest.fixture(scope="module")
def comparison(demo):
    other = demo.with_stage("hosta", "acclimatisation", survival=0.7)
    return forecast.compare(demo, other, draws=DRAWS, seed=1)


@pytest.fixture(scope="module")
def drawn(drivers, comparison):
    found = {name: tornado_chart(one, top=6).to_dict() for name, one in drivers.items()}
    for what in ("saleable", "margin"):
        found[f"other {what}"] = comparison_chart(comparison, what=what).to_dict()
    return found


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("margin", {"expected margin [EUR]", "input"}),
        ("chance", {"on-time chance [%]", "input"}),
        ("saleable", {"saleable plants [number]", "input"}),
        ("other saleable", {"difference in saleable plants [number]", "variety, target week"}),
        ("other margin", {"difference in margin [EUR]", "variety"}),
    ],
)
def test_axes_name_their_units(drawn, name, expected):
    assert titles(drawn[name]) == expected


@pytest.mark.parametrize("name", ["margin", "chance", "saleable", "other saleable", "other margin"])
def test_charts_hold_summaries_in_few_colours_and_can_be_drawn(drawn, name):
    is_a_summary_in_few_colours(drawn[name], DRAWS)


@pytest.mark.parametrize(("name", "scale"), [("margin", 1), ("chance", 100), ("saleable", 1)])
def test_bars_go_from_the_base_to_the_answers_of_the_table(drivers, drawn, name, scale):
    table = drivers[name].table().head(6).set_index("input")
    found = {(row["input"], row["end"]): row for row in rows(drawn[name], "end")}
    assert len(found) == 12
    for (given, end), row in found.items():
        assert row["answer"] == pytest.approx(scale * table.loc[given, f"at_{end}"], abs=0.051)
        assert row["base"] == pytest.approx(scale * drivers[name].base, abs=0.051)
        assert input_value(table.loc[given, end], table.loc[given, "unit"]).startswith(row["label"])
    assert drawn[name]["layer"][0]["encoding"]["y"]["sort"] == list(table.index)


def test_low_is_orange_and_high_blue_and_values_are_outside_their_bars(drawn):
    colour = drawn["margin"]["layer"][0]["encoding"]["color"]["scale"]
    assert dict(zip(colour["domain"], colour["range"], strict=True)) == {"p10": ORANGE, "p90": BLUE}
    layers = [layer for layer in drawn["margin"]["layer"] if layer["mark"]["type"] == "text"]
    assert {layer["mark"]["align"] for layer in layers} == {"left", "right"}
    for layer in layers:
        for row in drawn["margin"]["datasets"][layer["data"]["name"]]:
            assert (row["answer"] < row["base"]) == (layer["mark"]["align"] == "right")


@pytest.mark.parametrize("what", ["saleable", "margin"])
def test_differences_are_those_of_the_table_and_said_beside_it(comparison, drawn, what):
    spec = drawn[f"other {what}"]
    table = comparison.table() if what == "saleable" else comparison.money()
    found = rows(spec, "difference")
    for column in ("difference", "p5", "p95"):
        assert [row[column] for row in found] == pytest.approx(table[column].tolist(), abs=0.051)
    unit = "plants" if what == "saleable" else "EUR"
    for row in found:
        assert row["label"].endswith(unit)
        assert f"{row['row']}: {row['label']} (" in spec["description"]
    assert spec["layer"][1]["encoding"]["y"]["sort"] == [row["row"] for row in found]


def test_a_text_says_the_same(drivers, comparison, drawn):
    for name, one in drivers.items():
        text = drawn[name]["description"]
        assert text.startswith(" ".join(str(one).splitlines()))
        for row in one.table().head(6).to_dict("records"):
            low = answer_value(row["at_p10"], one.answer, "EUR")
            value = input_value(row["p10"], row["unit"])
            assert f"{row['input']}: {value} gives {low}" in text
    assert drawn["other margin"]["description"].startswith(" ".join(str(comparison).splitlines()))


def test_what_cannot_be_drawn_is_refused(drivers, comparison, demo):
    with pytest.raises(Refused, match=r"top, '0': not usable\. Give a whole number from 1 to 40\."):
        tornado_chart(drivers["margin"], top=0)
    with pytest.raises(Refused, match=r"what, 'cost': not what can be drawn\. Write saleable or margin\."):
        comparison_chart(comparison, what="cost")
    nothing = forecast.compare(demo.replace(targets=()), demo.replace(targets=()), draws=16, seed=1)
    with pytest.raises(Refused, match="neither has a target"):
        comparison_chart(nothing)
