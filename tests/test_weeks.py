"""ISO 8601 weeks against the calendar of the standard library."""

from datetime import date, timedelta

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from forecast import Refused, Week

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
