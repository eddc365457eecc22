"""ISO weeks: the calendar of the standard, and the integers of a plan."""

from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nursery.errors import Fault
from nursery.weeks import Horizon, Week, weeks_in

DATES = st.dates(date(1910, 1, 1), date(2190, 12, 31))
# ISO 8601: the years from 2000 to 2045 that have 53 weeks (list typed from memory of the standard's
# calendar, agrees with checks against the Gregorian rule "1 January or 31 December is a Thursday").
LONG_YEARS = [2004, 2009, 2015, 2020, 2026, 2032, 2037, 2043]


def test_the_years_with_53_weeks_are_those_of_iso_8601() -> None:
    assert [year for year in range(2000, 2046) if weeks_in(year) == 53] == LONG_YEARS


def test_a_year_has_53_weeks_when_its_first_or_last_day_is_a_thursday() -> None:
    for year in range(1901, 2190):
        thursday = date(year, 1, 1).weekday() == 3 or date(year, 12, 31).weekday() == 3
        assert (weeks_in(year) == 53) == thursday


def test_3_january_2027_is_the_sunday_of_week_53_of_2026() -> None:
    week = Week.of(date(2027, 1, 3))
    assert str(week) == "2026-W53"
    assert week.sunday() == date(2027, 1, 3)
    assert week + 1 == Week.parse("2027-W01")
    assert (week + 1).monday() == date(2027, 1, 4)


def test_week_53_of_a_year_without_one_is_refused_with_a_suggestion() -> None:
    with pytest.raises(Fault, match=r"2027-W53") as caught:
        Week.parse("2027-W53")
    assert "2027-W52 or 2028-W01" in str(caught.value)


@pytest.mark.parametrize(
    "text", ["2027-14", "W14", "week 14", "", "2027-W", "14/2027", "2027-W014"]
)
def test_a_week_in_another_form_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(Fault, match="2027-W14"):
        Week.parse(text)


@pytest.mark.parametrize("text", ["2027-W00", "2027-W54", "2027-W99", "0001-W01"])
def test_a_week_that_no_year_has_is_refused(text: str) -> None:
    with pytest.raises(Fault):
        Week.parse(text)


def test_a_week_typed_without_its_leading_zero_is_understood() -> None:
    assert Week.parse(" 2027-w4 ") == Week(2027, 4)


@given(DATES)
@settings(deadline=None)
def test_a_week_written_and_read_is_the_same_week(day: date) -> None:
    week = Week.of(day)
    assert Week.parse(str(week)) == week
    assert week.monday() <= day <= week.sunday()
    assert day in week.days()
    assert f"{day.strftime('%G-W%V')}" == str(week)


@given(DATES, st.integers(-300, 300))
@settings(deadline=None)
def test_counting_weeks_agrees_with_counting_days(day: date, steps: int) -> None:
    week = Week.of(day)
    assert week + steps == Week.of(day + timedelta(weeks=steps))
    assert (week + steps) - week == steps
    assert (week + steps) - steps == week


@given(DATES, DATES)
@settings(deadline=None)
def test_weeks_stand_in_the_order_of_their_days(a: date, b: date) -> None:
    if a <= b:
        assert Week.of(a) <= Week.of(b)


@given(DATES, st.integers(1, 104), st.integers(-30, 140))
@settings(deadline=None)
def test_an_index_of_a_plan_comes_back_as_the_same_week_and_day(
    day: date, weeks: int, index: int
) -> None:
    plan = Horizon(Week.of(day), weeks)
    assert plan.index(plan.week(index)) == index
    assert plan.day_index(plan.day(index)) == index
    assert plan.index(plan.day(index)) == index // 7
    assert plan.covers(plan.week(index)) == (0 <= index < weeks)


def test_a_plan_over_new_year_skips_no_week() -> None:
    plan = Horizon(Week.parse("2026-W52"), 3)
    assert [str(week) for week in plan.all_weeks()] == ["2026-W52", "2026-W53", "2027-W01"]


def test_a_plan_of_no_weeks_is_refused() -> None:
    with pytest.raises(Fault, match="at least one week"):
        Horizon(Week(2027, 1), 0)
