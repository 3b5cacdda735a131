"""ISO 8601 weeks against the calendar of the standard library."""

from datetime import date, timedelta

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from forecast import Refused, Week
from forecast.weeks import read_day

days = st.dates(date(1, 1, 1), date(9998, 12, 31))
inner_days = st.dates(date(1000, 1, 1), date(3000, 1, 1))
steps = st.integers(-5000, 5000)


@pytest.mark.parametrize(
    ("day", "week"),
    [
        ("2026-12-31", "2026-W53"),
        ("2027-01-01", "2026-W53"),
        ("2027-01-03", "2026-W53"),
        ("2027-01-04", "2027-W01"),
        ("2024-12-29", "2024-W52"),
        ("2024-12-30", "2025-W01"),
        ("2028-01-02", "2027-W52"),
        ("2028-01-03", "2028-W01"),
    ],
)
def test_days_around_new_year_lie_in_the_week_of_their_thursday(day: str, week: str) -> None:
    assert str(Week.of(date.fromisoformat(day))) == week


@pytest.mark.parametrize("year", [2004, 2009, 2015, 2020, 2026, 2032])
def test_a_year_of_53_weeks_ends_with_week_53(year: int) -> None:
    assert Week(year, 52) + 1 == Week(year, 53)
    assert Week(year, 53) + 1 == Week(year + 1, 1)
    assert Week(year + 1, 1) - Week(year, 1) == 53


@pytest.mark.parametrize("year", [2005, 2010, 2016, 2021, 2025, 2027])
def test_a_year_of_52_weeks_ends_with_week_52(year: int) -> None:
    assert Week(year, 52) + 1 == Week(year + 1, 1)
    with pytest.raises(Refused, match=f"there is no such week; {year} has weeks 01 to 52"):
        Week(year, 53)


@given(days)
@example(date(1, 1, 1))
@example(date(9998, 12, 31))
def test_a_day_lies_in_its_week_as_the_calendar_says(day: date) -> None:
    week = Week.of(day)
    assert (week.year, week.week) == day.isocalendar()[:2]
    assert week.monday <= day <= week.monday + timedelta(days=6)
    assert week.monday.isoweekday() == 1


@given(inner_days, steps)
def test_weeks_are_added_as_seven_days_each(day: date, step: int) -> None:
    assert Week.of(day) + step == Week.of(day + timedelta(weeks=step))


@given(inner_days, steps)
def test_what_is_added_is_the_difference(day: date, step: int) -> None:
    week = Week.of(day)
    assert (week + step) - week == step
    assert (week + step) + -step == week


@given(days, days)
def test_weeks_are_in_the_order_of_their_mondays(first: date, second: date) -> None:
    one, other = Week.of(first), Week.of(second)
    assert (one < other) == (one.monday < other.monday)
    assert (one >= other) == (one.monday >= other.monday)
    assert (one == other) == (one.monday == other.monday)


@given(days)
def test_a_week_is_read_back_as_it_was_written_and_texts_sort_like_weeks(day: date) -> None:
    week = Week.of(day)
    assert Week.parse(str(week)) == week
    assert Week.parse(f"  {week}\n") == week
    assert Week.parse(week) is week
    assert len(str(week)) == 8
    assert (str(week) < "2027-W14") == (week < Week(2027, 14))


@pytest.mark.parametrize(
    ("written", "remedy"),
    [
        ("14/2027", "Write it as year and week number, such as 2027-W14."),
        ("2027-14", "Write it as year and week number, such as 2027-W14."),
        ("W14", "Write it as year and week number, such as 2027-W14."),
        ("", "Write it as year and week number, such as 2027-W14."),
        ("2027-W140", "Write it as year and week number, such as 2027-W14."),
        ("2027-W9", "Write 2027-W09."),
        ("2027W09", "Write 2027-W09."),
        ("2027-w14", "Write 2027-W14."),
        ("2027 week 14", "Write 2027-W14."),
        ("2027-04-05", "That day lies in 2027-W14; write the week."),
        ("14/07/2025", "That day lies in 2025-W29; write the week."),
        ("03.04.2025", "That day lies in 2025-W14 or 2025-W10; write the week."),
        ("31/02/2025", "Write it as year and week number, such as 2027-W14."),
        (date(2027, 1, 1), "That day lies in 2026-W53; write the week."),
        (14, "Write it as year and week number, such as 2027-W14."),
        (None, "Write it as year and week number, such as 2027-W14."),
    ],
)
def test_what_is_no_week_is_refused_with_the_week_that_is_meant(written: object, remedy: str) -> None:
    with pytest.raises(Refused) as caught:
        Week.parse(written)  # type: ignore[arg-type]
    (fault,) = caught.value.faults
    assert (fault.problem, fault.remedy, fault.value) == ("not a week", remedy, written)


@pytest.mark.parametrize(
    ("year", "week"),
    [(2027, 0), (2027, 53), (2026, 54), (2027, 60), (0, 1), (9999, 1), (-1, 1), (2027, -1), (10**9, 1)],
)
def test_a_week_that_no_year_has_is_refused(year: int, week: int) -> None:
    with pytest.raises(Refused, match="there is no such week"):
        Week(year, week)


@pytest.mark.parametrize(("week", "step"), [(Week(1, 1), -1), (Week(9998, 53), 1), (Week(2027, 1), 10**12)])
def test_a_sum_beyond_the_calendar_is_refused(week: Week, step: int) -> None:
    with pytest.raises(Refused, match="no calendar goes that far"):
        week + step


def test_a_week_is_compared_with_weeks_only() -> None:
    with pytest.raises(TypeError):
        sorted([Week(2027, 14), "2027-W15"])  # type: ignore[list-item]
    with pytest.raises(TypeError):
        Week(2027, 14) - 1  # type: ignore[operator]
    assert Week(2027, 14) != "2027-W14"
    assert len({Week(2027, 14), Week.parse("2027-W14")}) == 1


# Days in other orders: none is guessed


@pytest.mark.parametrize(
    ("written", "day"),
    [
        ("2025-07-14", date(2025, 7, 14)),
        (" 2025-07-14 ", date(2025, 7, 14)),
        ("2025-7-4", date(2025, 7, 4)),
        ("2025/07/04", date(2025, 7, 4)),
        ("14/07/2025", date(2025, 7, 14)),
        ("07/14/2025", date(2025, 7, 14)),
        ("14.7.2025", date(2025, 7, 14)),
        ("14. 7. 2025", date(2025, 7, 14)),
        ("14-07-2025", date(2025, 7, 14)),
        ("05/05/2025", date(2025, 5, 5)),
        ("29/02/2024", date(2024, 2, 29)),
    ],
)
def test_a_day_is_read_if_it_can_be_one_alone(written: str, day: date) -> None:
    assert read_day(written) == day


@given(
    st.dates(date(1900, 1, 1), date(2199, 12, 31)), st.sampled_from("/.-"), st.booleans(), st.sampled_from(["", "0"])
)
def test_of_two_days_none_is_chosen_and_both_can_be_written(day: date, mark: str, first: bool, pad: str) -> None:
    """By the calendar: with a day of at most 12 that is not the month's number there are two, else there is one."""
    month, number = (f"{part:{pad}2}".strip() for part in (day.month, day.day))
    written = mark.join([number, month, str(day.year)] if first else [month, number, str(day.year)])
    if day.day > 12 or day.day == day.month:
        assert read_day(written) == day
        return
    with pytest.raises(Refused, match="could be read in two ways") as caught:
        read_day(written)
    remedy = caught.value.faults[0].remedy
    other = date(day.year, day.day, day.month)
    assert {read_day(text) for text in remedy.split()[1:4:2]} == {day, other}


@pytest.mark.parametrize(
    ("written", "problem"),
    [
        ("31/02/2025", "there is no such day"),
        ("2025-14-07", "there is no such day"),
        ("13/13/2025", "there is no such day"),
        ("2025-07-14T12:00", "not a date"),
        ("14/07/25", "not a date"),
        ("14/07-2025", "not a date"),
        ("14 July 2025", "not a date"),
        ("1425/07/2025", "not a date"),
        ("14/07/1825", "not a plausible year"),
        ("٠٣/٠٤/٢٠٢٥", "not a date"),
        (46082, "not a date"),
    ],
)
def test_what_is_no_day_is_refused(written: object, problem: str) -> None:
    with pytest.raises(Refused) as caught:
        read_day(written)
    assert caught.value.faults[0].problem == problem
