"""The page for a partner: its numbers, its words, its form, and that nothing in a file can harm it."""

import math
import re
from datetime import date
from html import unescape
from itertools import pairwise

import html5lib
import numpy as np
import pytest
from scipy import stats
from small_seasons import offer, stage
from southern_climate import HIGH, LOW, SPREAD
from whole_orders import large

import forecast
from forecast.show.partner_summary import Summary
from forecast.words.numbers import of_20, span
from forecast.words.partner import NOTHING_ORDERED

DRAWS = 256
HOSTILE = ("<script>alert(1)</script>", '=HYPERLINK("x")', "\"quoted\" & 'so' <b>bold</b>")
XHTML = "{http://www.w3.org/1999/xhtml}"
IN_MARCH = {"first_week": "2027-W12", "last_week": "2027-W12"}
LATER = [{"variety": "A", "week": "2027-W38", "target": 2000}]
PRICED = {"group": "crop", "sale_price": 5, "markdown_price": 1}


def small(*names, priced=True, **tables):
    """A season of varieties that take four weeks and lose one in five; 100 of each are wanted."""
    usual = {
        "stages": [stage(typical=4, survival=0.8, plants_per_m2=50)],
        "varieties": [{"variety": name, **(PRICED if priced else {"group": "crop"})} for name in names],
        "price_list": [offer(name, **IN_MARCH) for name in names],
        "targets": [{"variety": name, "week": "2027-W20", "target": 100} for name in names],
        "places": [{"place": "house", "area": 100, "usable": 1}],
    }
    header = {"name": "Test Nursery", "currency": "EUR", "first_week": "2027-W01", "weeks": 40, "service_level": 0.9}
    return forecast.Season(**header | usual | tables)


def page_of(of, folder, **changes):
    """The text of a page, and it as a tree that a strict parser took."""
    keywords = {"draws": DRAWS, "seed": 1, "on_date": "2027-01-04"} | changes
    forecast.report(of, folder / "page.html", overwrite=True, **keywords)
    text = (folder / "page.html").read_text(encoding="utf-8")
    return text, html5lib.HTMLParser(strict=True).parse(text)


def words(tree, tag):
    return ["".join(found.itertext()) for found in tree.iter(f"{XHTML}{tag}")]


def cells(tree, number):
    """The rows of one of the tables, header first."""
    table = list(tree.iter(f"{XHTML}table"))[number]
    return [["".join(cell.itertext()) for cell in row] for row in table.iter(f"{XHTML}tr")]


@pytest.fixture(scope="module")
def plan(demo):
    return forecast.plan_orders(demo, draws=DRAWS, seed=1)


@pytest.fixture(scope="module")
def whole(demo, plan, tmp_path_factory):
    """The page of the demo: its text, its tree, and the steps that were told."""
    steps = []
    text, tree = page_of(
        demo, tmp_path_factory.mktemp("page"), plan=plan, progress=lambda done, total: steps.append((done, total))
    )
    return text, tree, steps


# Numbers


def test_every_order_of_the_plan_is_in_the_first_table_and_nothing_else(whole, plan):
    rows = cells(whole[1], 0)[1:]
    found = []
    for delivery, lab, what, total, _ in rows:
        parts = [part.split(" ", 1) for part in what.split("; ")]
        numbers = [int(number.replace(",", "")) for number, _ in parts]
        assert sum(numbers) == int(total.replace(",", ""))
        found += [
            (re.search(r"\((.*)\)", delivery)[1], lab, name, n) for n, (_, name) in zip(numbers, parts, strict=True)
        ]
    assert sorted(found) == sorted((str(row.week), row.lab, row.variety, row.quantity) for row in plan.orders)
    assert sum(float(row[4].replace(",", "")) for row in rows) == pytest.approx(
        plan.table()["price"].sum(), abs=len(rows)
    )


def test_every_target_is_in_the_second_table_with_what_is_reached_and_what_more_takes(whole, plan):
    header, *rows = cells(whole[1], 1)
    assert header[:3] == ["variety", "channel", "needed"]
    expected = plan.targets().fillna({"channel": "", "until": ""})
    at = {name: header.index(name) for name in ("on sale", "on time in", "missing", "more certainty")}
    assert [row[0] for row in rows] == expected["variety"].tolist()
    assert [row[1] for row in rows] == expected["channel"].tolist()
    spans = zip(expected["week"], expected["until"], strict=True)
    assert [row[at["on sale"]] for row in rows] == [span(week, until or None) for week, until in spans]
    assert [row[at["on time in"]] for row in rows] == [of_20(chance) for chance in expected["chance"]]
    assert [int(row[at["missing"]]) for row in rows] == expected["short"].round().tolist()
    for row, more in zip(rows, expected["more_plants"], strict=True):
        assert not row[at["more certainty"]] or f" {more:,} more for " in row[at["more certainty"]]


def test_the_page_says_of_the_money_what_the_draws_say(whole, plan):
    said = " ".join(words(whole[1], "dd"))
    low, high = np.quantile(plan.cash_flow().margin, (0.05, 0.95))
    number = r"(-?[\d,]+)"
    found = re.search(rf"The season earns about {number} EUR on average \(90 % range {number} to {number}\)", said)
    for text, exact in zip(found.groups(), (plan.cash_flow().margin.mean(), low, high), strict=True):
        assert float(text.replace(",", "")) == pytest.approx(exact, abs=251)  # rounded to 500
    lowest = re.search(rf"cash falls to about {number} EUR .* most often lowest in the week of [^(]*\((\S+)\)\.", said)
    assert float(lowest[1].replace(",", "")) == pytest.approx(np.median(plan.cash_flow().cash.min(axis=0)), abs=501)
    weeks = plan.cash_flow().cash.argmin(axis=0)
    assert lowest[2] == str(plan.season.first_week + int(np.bincount(weeks).argmax()))


def test_plants_there_of_those_needed_are_those_of_the_binomial():
    """Of n plants each lives with 0.8, ten points lower with 0.7; min(100, Binomial) of 100 is there."""
    summary = Summary(forecast.plan_orders(small("A"), draws=1024, seed=1))
    (order,) = summary.plan.orders
    for outcome, share in ((summary.plan.simulate(), 0.8), (summary.poorer, 0.7)):
        numbers = np.arange(order.quantity + 1)
        there = np.minimum(numbers, 100)
        chances = stats.binom.pmf(numbers, order.quantity, share)
        mean = float(there @ chances)
        error = math.sqrt(float(there**2 @ chances) - mean**2) / 100 / math.sqrt(1024)
        assert summary.fill_rate(outcome) == pytest.approx(mean / 100, abs=5 * error + 1e-9)
    assert summary.fill_rate(summary.poorer) < summary.fill_rate(summary.plan.simulate()) - 0.02


def test_what_ten_points_cost_is_the_difference_in_the_same_draws(whole, plan):
    summary = Summary(plan)
    less = float((plan.cash_flow().margin - forecast.cash_flow(summary.poorer).margin).mean())
    found = re.search(r"That is about ([\d,]+) EUR less", " ".join(words(whole[1], "dd")))
    assert less > 0
    assert float(found[1].replace(",", "")) == pytest.approx(less, abs=51)


def test_plants_that_take_four_weeks_are_ready_four_weeks_after_delivery():
    summary = Summary(forecast.plan_orders(small("A"), draws=64, seed=1))
    (order,) = summary.plan.orders
    row = summary.targets().iloc[0]
    assert row["ready"] == row["late"] == str(order.week + 4)
    assert "in time for its last target" in summary.answers()[3][1][0]


def test_they_are_ready_when_nine_in_ten_of_them_are():
    """Times are lognormal about 9.5 weeks: nine in ten by 9.5 exp(1.2816 s) = 12.2 weeks, so on the 13th Monday."""
    slow = [stage(typical=9.5, plants_cv=0.2, survival=0.8)]
    summary = Summary(forecast.plan_orders(small("A", stages=slow, targets=LATER), draws=DRAWS, seed=1))
    (order,) = summary.plan.orders
    assert 12 < 9.5 * math.exp(math.sqrt(math.log(1 + 0.2**2)) * stats.norm.ppf(0.9)) < 13
    assert summary.targets().iloc[0]["ready"] == str(order.week + 13)


def test_plants_that_come_too_late_in_one_season_of_twenty_are_said_to():
    late = small("A", stages=[stage(typical=7, batches_cv=0.2, plants_cv=0.05)])
    summary = Summary(forecast.plan_orders(late, draws=DRAWS, seed=1))
    week = forecast.Week.parse(summary.targets().iloc[0]["late"])
    assert week > forecast.Week.parse("2027-W20")
    weeks = week - forecast.Week.parse("2027-W20")
    assert f"({week}), {weeks} week{'s' if weeks > 1 else ''} after its last target" in summary.answers()[3][1][0]


# Words and form


def test_five_questions_come_first_and_cautions_last(whole):
    text, tree, _ = whole
    assert words(tree, "dt") == ["How many?", "How much?", "How sure?", "By when?", "What could go wrong?"]
    assert text.index("</dl>") < text.index("<table")
    for word in ("phytosanitary", "breeder", "estimates, not accounts", "licensed"):
        assert word in text[text.index("Please note") :]
    assert f"on 2027-01-04: {DRAWS} simulated seasons, seed 1, aim margin" in words(tree, "footer")[0]


def test_every_source_of_a_stage_that_is_gone_through_is_given(whole, demo):
    said = " ".join(words(whole[1], "li"))
    gone = {row.source for variety in demo.varieties for row in demo.route(variety.variety) if row.source}
    assert len(gone) > 10
    assert all(source in said for source in gone)
    assert "Based on: your estimate" in said


def test_what_was_learned_is_distinguished_from_what_was_stated(demo, tmp_path):
    learned = forecast.learn(demo, forecast.read_records("demo_data"))
    text, _ = page_of(learned, tmp_path, draws=64)
    assert "Based on: learned from its own records" in text
    assert "Based on: your estimate" in text


def test_the_page_asks_for_nothing_and_runs_nothing(whole):
    text, tree, _ = whole
    tags = {found.tag.split("}")[1] for found in tree.iter() if isinstance(found.tag, str)}
    assert not tags & {"script", "link", "img", "iframe", "object", "a", "use", "image", "foreignObject"}
    assert re.findall(r"url\(|@import|javascript:", text) == []
    assert len(text.encode()) < 5e6


def test_its_form_can_be_read_aloud(whole, plan):
    _, tree, _ = whole
    assert tree.get("lang") == "en"
    levels = [int(found.tag[-1]) for found in tree.iter() if re.fullmatch(rf"{re.escape(XHTML)}h\d", str(found.tag))]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    assert {found.get("scope") for found in tree.iter(f"{XHTML}th")} == {"col", "row"}
    drawings = list(tree.iter("{http://www.w3.org/2000/svg}svg"))
    assert len(drawings) == 3 + len(plan.simulate().varieties) + len(plan.season.place_names)
    for drawing in drawings:
        assert drawing.get("role") == "img"
        assert len(drawing.get("aria-label")) > 30
    assert len(words(tree, "figcaption")) == len(drawings)
    assert all(text.endswith(".") for text in words(tree, "figcaption"))


def test_steps_are_reported_one_by_one_to_their_total(whole):
    steps = whole[2]
    assert steps == [(number, len(steps)) for number in range(1, len(steps) + 1)]


def test_the_same_plan_and_day_give_the_same_page_and_today_is_the_day_if_none_is_given(tmp_path):
    one, _ = page_of(small("A"), tmp_path)
    again, _ = page_of(small("A"), tmp_path)
    today, _ = page_of(small("A"), tmp_path, on_date=None)
    assert one == again
    assert f"on {date.today().isoformat()}" in today
    assert today.replace(date.today().isoformat(), "2027-01-04") == one


# Nothing in a file does harm


def test_what_is_in_files_is_text_and_never_markup(tmp_path):
    bad = small(*HOSTILE)
    bad = bad.replace(
        name=HOSTILE[0],
        price_list=tuple(row.replace(lab=HOSTILE[1], form=HOSTILE[0], note=HOSTILE[2]) for row in bad.price_list),
        stages=tuple(row.replace(source=HOSTILE[2], note=HOSTILE[0]) for row in bad.stages),
        location=HOSTILE[0],
    )
    text, tree = page_of(bad, tmp_path)
    tags = {found.tag.split("}")[1] for found in tree.iter() if isinstance(found.tag, str)}
    assert not tags & {"script", "b"}
    assert words(tree, "title") == words(tree, "h1") == [f"{HOSTILE[0]}: what to order"]
    assert all(name in unescape(text) for name in HOSTILE)
    assert {row[1] for row in cells(tree, 0)[1:]} == {HOSTILE[1]}
    handlers = [name for found in tree.iter() for name in found.attrib if str(name).lower().startswith("on")]
    assert handlers == []


# Seasons of all kinds


def test_without_prices_every_number_is_met_for_the_least_cost_and_no_margin_is_named(tmp_path):
    unsold = small("A", "B", priced=False)
    text, tree = page_of(unsold, tmp_path)
    said = " ".join(words(tree, "dd"))
    assert "A, B have no sale price" in said
    assert "earns" not in said
    assert "Every target is met at its service level" in said
    assert "aim cost" in text
    plan = forecast.plan_orders(unsold, draws=DRAWS, seed=1, aim="cost")
    paid = re.search(r"Plants and freight cost about ([\d,]+) EUR", said)
    assert float(paid[1].replace(",", "")) == pytest.approx(plan.table()["price"].sum(), abs=5)


def test_where_nothing_is_worth_ordering_the_page_says_why(tmp_path):
    dear = small("A", price_list=[offer("A", unit_price=50, **IN_MARCH)])
    text, tree = page_of(dear, tmp_path)
    assert NOTHING_ORDERED in words(tree, "p")
    assert "<svg" not in text


def test_where_no_plan_is_possible_nothing_is_written_and_it_is_said_why(tmp_path):
    hurried = small("A", priced=False, targets=[{"variety": "A", "week": "2027-W13", "target": 100}])
    with pytest.raises(forecast.OutOfReach, match="A"):
        page_of(hurried, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_what_is_needed_and_not_ordered_counts_as_missing(tmp_path):
    two = small("A", "B", price_list=[offer("A", **IN_MARCH), offer("B", unit_price=50, **IN_MARCH)])
    text, tree = page_of(two, tmp_path)
    assert "B: none this year, because " in text
    assert cells(tree, 1)[-1][:5] == ["B", "100", "17 May 2027 (2027-W20)", "none", "100"]
    summary = Summary(forecast.plan_orders(two, draws=DRAWS, seed=1))
    assert 0.4 < summary.fill_rate(summary.plan.simulate()) < 0.5


def test_in_the_south_and_by_degree_days_the_page_says_that_weather_is_drawn(tmp_path):
    climate = [
        {"month": month, "t_min": low, "t_max": high, "year_sd": spread}
        for month, (low, high, spread) in enumerate(zip(LOW, HIGH, SPREAD, strict=True), start=1)
    ]
    stages = [stage(runs_on="degree-days", typical=300, base_temperature=4, plants_cv=0.1, survival=0.8)]
    text, tree = page_of(small("A", stages=stages, climate=climate), tmp_path)
    assert "Weather is simulated from climate normals" in text
    summary = Summary(forecast.plan_orders(small("A", stages=stages, climate=climate), draws=DRAWS, seed=1))
    assert cells(tree, 1)[1][-2] == summary.targets().iloc[0]["ready"]
    assert "No climate is entered" in page_of(small("A"), tmp_path)[0]


def test_of_forty_varieties_the_least_sure_are_drawn_and_all_are_reported(tmp_path):
    many = large(40, 2)
    text, tree = page_of(many, tmp_path, draws=64)
    assert len(cells(tree, 1)) - 1 == 40
    assert text.count("<svg") == 3 + 12 + 1
    assert "The 12 least certain of 40 varieties" in text
    assert len(text.encode()) < 5e6


# Refusals


def test_a_plan_of_another_season_or_other_draws_is_refused_for_all_its_faults(plan, tmp_path):
    with pytest.raises(forecast.Refused) as refused:
        forecast.report(small("A"), tmp_path / "page.html", draws=128, seed=2, plan=plan)
    assert str(refused.value).splitlines() == [
        "plan: found for another season. Give the season of the plan.",
        "draws, 128: not that of the plan. Give 256.",
        "seed, 2: not that of the plan. Give 1.",
    ]


def test_a_file_that_is_there_is_kept_unless_asked(tmp_path):
    (tmp_path / "page.html").write_text("mine", encoding="utf-8")
    with pytest.raises(forecast.Refused, match="already exists; nothing was written"):
        forecast.report(small("A"), tmp_path / "page.html", draws=64, seed=1)
    assert (tmp_path / "page.html").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"path": "page.txt"}, "not the name of a page. Let it end in .html."),
        ({"on_date": "4 January"}, "2027-04-13"),
        ({"draws": 0}, "draws"),
    ],
)
def test_what_cannot_be_used_is_refused(changes, said, tmp_path):
    path = tmp_path / changes.pop("path", "page.html")
    with pytest.raises(forecast.Refused, match=re.escape(said)):
        forecast.report(small("A"), path, **{"draws": 64, "seed": 1} | changes)
    assert list(tmp_path.iterdir()) == []


def test_without_chromium_a_pdf_is_refused_before_any_work(tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(forecast.Refused, match=r"is installed\. Install Chromium, or open the page in any browser"):
        forecast.report(small("A"), tmp_path / "page.html", draws=64, seed=1, pdf=True)
    assert list(tmp_path.iterdir()) == []


def test_a_chromium_that_prints_nothing_is_refused_and_nothing_is_written(tmp_path, monkeypatch):
    broken = tmp_path / "bin" / "chromium"
    broken.parent.mkdir()
    broken.write_text("#!/bin/sh\nexit 1\n", encoding="utf-8")
    broken.chmod(0o755)
    monkeypatch.setenv("PATH", str(broken.parent))
    with pytest.raises(forecast.Refused, match="could not print the page"):
        forecast.report(small("A"), tmp_path / "out" / "page.html", draws=64, seed=1, pdf=True)
    assert not (tmp_path / "out").exists()
