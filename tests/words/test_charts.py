"""Captions and texts of charts."""

from forecast.words import charts as words


def test_the_text_of_saleable_plants_names_every_target():
    rows = [{"target": 800, "week": "2027-W41", "chance": 0.91}, {"target": 50, "week": "2027-W43", "chance": 1}]
    text = words.saleable("A", rows)
    assert text == (
        "Saleable plants of A on hand by week; the plants of a target are sold in its week. Targets: 800 by 11 Oct "
        "2027 (2027-W41) in about 18 of 20 simulated seasons; 50 by 25 Oct 2027 (2027-W43) in every simulated season."
    )
    assert words.saleable("A", []).endswith("Targets: none.")
    sold = rows[0] | {"until": "2027-W45", "channel": "retail"}
    assert words.saleable("A", [sold]).endswith(
        "sold in its weeks. Targets: 800 for retail, from 11 Oct to 8 Nov 2027 (W41 to W45) in about 18 of 20 "
        "simulated seasons."
    )


def test_bars_are_named_where_there_are_any():
    assert words.sold_over_weeks(words.SALEABLE) == (
        "Saleable plants on hand: median and 90 % range. Diamonds are targets, bars the weeks of their sale."
    )


def test_ready_dates_name_weeks_that_are_not_in_the_season():
    text = words.ready_dates(variety="A", by="2027-W41", first=("2027-W08", "2027-W30"), last=("2027-W20", ""))
    assert text == (
        "Ready dates of A by week of delivery: half are ready by 2027-W30 if delivered in 2027-W08, by no week of the "
        "season if in 2027-W20. Target week 2027-W41."
    )


def test_forecasts_by_day_with_and_without_the_final_number():
    days = [{"day": "2027-03-01", "p5": 220, "median": 304, "p95": 371}]
    text = "Saleable plants expected, by the day of the forecast: on 2027-03-01 about 305 (220 to 370)."
    assert words.narrowing(days, None) == text
    assert words.narrowing(days, 1327) == f"{text} The final number was 1,327."
    assert words.narrowing_note(None) == "Median and 90 % range."
    assert words.narrowing_note(3) == "Median and 90 % range. The dashed line is the final number."


def test_a_target_is_named_by_its_plants_its_buyers_and_its_week():
    row = {"target": 1_200, "variety": "A", "week": "2027-W41"}
    assert words.target(row) == "1,200 A, 2027-W41"
    assert words.target(row | {"channel": "retail"}) == "1,200 A, retail, 2027-W41"


def test_margins_and_differences():
    one = words.margin(name="this plan", mean=1234, p5=-100, p95=2000, worst=-300, loss=0.07, currency="EUR")
    assert one == (
        "this plan: on average 1,250 EUR (90 % range -100 to 2,000), in the worst 10 % of seasons -300, a loss in "
        "about 1 of 20 simulated seasons"
    )
    assert [words.more(amount, "plants") for amount in (110, -110, 0.2)] == ["+110 plants", "-110 plants", "0 plants"]
    assert words.differences("B.", "plants", [("A", "+110 plants", 91, 125)]) == (
        "B. Differences in plants: A: +110 plants (91 to 125)."
    )


def test_what_records_changed():
    known = {"stage": "potting", "varieties": 10, "most": "A", "estimate": 0.85, "learned": 0.8}
    assert words.shrinkage(**known, group_only=1, estimate_only=0) == (
        "Survival of potting: your estimate, counted and learned, for 10 varieties. Largest change: A, 85 to 80 %. "
        "1 variety relies on its group's records only; none on your estimate alone."
    )
    assert words.shrinkage(**known, group_only=2, estimate_only=3).endswith(
        "2 varieties rely on their group's records only; 3 on your estimate alone."
    )


def test_the_calibration_histogram():
    known = {"forecasts": 42, "batches": 14, "shares": [0.12, 0.88], "low": 0.01, "high": 0.19}
    assert words.calibration(**known, outside=0) == (
        "42 forecasts of 14 batches. Share of outcomes in each tenth of the forecast (calibration histogram): 12, 88 "
        "%. "
        "Between 1 and 19 % is consistent with chance; all 2 bars are."
    )
    assert words.calibration(**known, outside=1).endswith("; 1 of 2 bars are.")


def test_clean_vessels():
    assert words.clean(variety="A", cycles=1, left=0.5) == (
        "Of vessels of A followed through 1 subculture, 50% stay clean."
    )
