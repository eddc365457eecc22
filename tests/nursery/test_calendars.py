"""Ship days: what is closed, when a parcel arrives, when it is packed, when ordering closes."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nursery.calendars import (
    MONDAY_TO_SATURDAY,
    Closure,
    CutOff,
    Region,
    WorkingDays,
    arrival,
    days_in_the_box,
    local_date,
    pack_day,
    time_zone,
    weekday_mask,
)
from nursery.errors import Fault

NL = WorkingDays("NL")
DATES = st.dates(date(2024, 1, 1), date(2029, 12, 31))


def test_a_closed_day_says_why() -> None:
    stocktaking = Closure(date(2027, 2, 1), date(2027, 2, 3), "stocktaking")
    calendar = WorkingDays("BE", closures=(stocktaking,))
    assert calendar.closed(date(2027, 2, 3)) == "stocktaking"
    assert calendar.closed(date(2027, 2, 4)) is None
    assert calendar.closed(date(2027, 2, 6)) == "closed on Saturdays"
    assert calendar.closed(date(2027, 7, 21)) == "National Day (BE)"


def test_a_strike_in_one_region_closes_only_that_region() -> None:
    strike = Closure(date(2027, 3, 2), date(2027, 3, 2), "strike", region="DE")
    assert WorkingDays("DE-BY", closures=(strike,)).closed(date(2027, 3, 2)) == "strike"
    assert WorkingDays("NL", closures=(strike,)).is_open(date(2027, 3, 2))


def test_a_parcel_of_thursday_with_two_delivery_days_spends_the_weekend_in_the_box() -> None:
    thursday = date(2027, 4, 1)
    assert thursday.strftime("%A") == "Thursday"
    monday = arrival(thursday, 2, NL)
    assert monday == date(2027, 4, 5)
    assert days_in_the_box(thursday, monday) == 4
    saturday = arrival(thursday, 2, WorkingDays("NL", MONDAY_TO_SATURDAY))
    assert days_in_the_box(thursday, saturday) == 2


def test_closed_days_count_at_the_destination_and_not_at_the_origin() -> None:
    # 21 July 2027, a Wednesday, is the National Day of Belgium; the Netherlands work.
    assert arrival(date(2027, 7, 20), 1, WorkingDays("BE")) == date(2027, 7, 22)
    assert arrival(date(2027, 7, 20), 1, NL) == date(2027, 7, 21)


def test_packing_the_day_before_goes_back_over_closed_days() -> None:
    tuesday = date(2027, 3, 30)  # after Easter Monday
    assert pack_day(tuesday, NL, same_day=True) == tuesday
    assert pack_day(tuesday, NL, same_day=False) == date(2027, 3, 26)


def test_ordering_closes_at_noon_of_the_open_day_before_in_local_time() -> None:
    cut_off = CutOff(time(12), days_before=1, zone="Europe/Amsterdam")
    ship_day = date(2027, 3, 30)
    assert cut_off.closes(ship_day, NL).isoformat() == "2027-03-26T12:00:00+01:00"
    noon = datetime(2027, 3, 26, 11, tzinfo=UTC)
    assert not cut_off.passed(noon, ship_day, NL)
    assert cut_off.passed(noon + timedelta(seconds=1), ship_day, NL)


def test_the_cut_off_follows_summer_time() -> None:
    cut_off = CutOff(time(12), days_before=0, zone="Europe/Amsterdam")
    assert cut_off.closes(date(2027, 3, 26), NL).utcoffset() == timedelta(hours=1)
    assert cut_off.closes(date(2027, 3, 30), NL).utcoffset() == timedelta(hours=2)
    assert cut_off.passed(datetime(2027, 3, 30, 10, 0, 1, tzinfo=UTC), date(2027, 3, 30), NL)


def test_the_date_is_that_of_the_nurserys_own_time_zone() -> None:
    late = datetime(2027, 6, 1, 23, 30, tzinfo=UTC)
    assert local_date(late, "Europe/Brussels") == date(2027, 6, 2)
    assert local_date(late, "America/Vancouver") == date(2027, 6, 1)


@given(DATES, st.integers(1, 30))
@settings(deadline=None)
def test_the_nth_open_day_has_just_so_many_open_days_up_to_it(day: date, n: int) -> None:
    calendar = WorkingDays("DE-BY", MONDAY_TO_SATURDAY)
    found = calendar.nth_open_after(day, n)
    assert calendar.is_open(found)
    assert calendar.open_days_between(day, found) == n


@given(DATES, st.integers(1, 10))
@settings(deadline=None)
def test_a_parcel_sent_later_never_arrives_earlier(day: date, delivery_days: int) -> None:
    first = arrival(day, delivery_days, NL)
    assert first <= arrival(day + timedelta(days=1), delivery_days, NL)
    assert first < arrival(day, delivery_days + 1, NL)


@given(DATES)
@settings(deadline=None)
def test_the_last_open_day_before_is_found_again_from_both_sides(day: date) -> None:
    before = NL.last_open_before(day)
    assert before < day
    assert NL.nth_open_after(before, 1) >= day


@pytest.mark.parametrize("text", ["XX", "DE-ZZ", "", "Netherlands"])
def test_a_region_without_a_calendar_is_refused_with_ones_that_have(text: str) -> None:
    with pytest.raises(Fault, match="no holiday calendar for that region"):
        WorkingDays(text)


def test_a_country_whose_own_list_is_incomplete_asks_for_its_part() -> None:
    with pytest.raises(Fault, match="GB-ENG, GB-NIR, GB-SCT"):
        Region.parse("GB")


@pytest.mark.parametrize("year", [1901, 2150])
def test_a_year_without_a_calendar_is_refused_and_not_taken_as_open(year: int) -> None:
    with pytest.raises(Fault, match="no holiday calendar for NL outside"):
        NL.closed(date(year, 6, 1))


def test_a_calendar_that_never_opens_is_refused() -> None:
    with pytest.raises(Fault, match="open at least one day"):
        WorkingDays("NL", (False,) * 7)
    years = Closure(date(2026, 1, 1), date(2029, 12, 31), "closed for good")
    with pytest.raises(Fault, match="no open day within"):
        WorkingDays("NL", closures=(years,)).nth_open_after(date(2027, 1, 1), 1)


def test_impossible_closures_delivery_days_and_moments_are_refused() -> None:
    with pytest.raises(Fault, match="before the first"):
        Closure(date(2027, 1, 2), date(2027, 1, 1), "holiday")
    with pytest.raises(Fault, match="reason"):
        Closure(date(2027, 1, 1), date(2027, 1, 1), " ")
    with pytest.raises(Fault, match="must be >= 1"):
        arrival(date(2027, 1, 4), 0, NL)
    with pytest.raises(Fault, match="time zone"):
        CutOff(time(12)).passed(datetime(2027, 1, 4, 12), date(2027, 1, 5), NL)
    with pytest.raises(Fault, match="days before"):
        CutOff(time(12), days_before=-1)
    with pytest.raises(Fault, match="IANA"):
        time_zone("Europe/Nowhere")
    with pytest.raises(Fault, match="time zone"):
        local_date(datetime(2027, 1, 4, 12), "UTC")


def test_weekdays_are_read_from_seven_marks() -> None:
    assert weekday_mask("1111110") == MONDAY_TO_SATURDAY
    for wrong in ("111110", "1111102", "0000000", ""):
        with pytest.raises(Fault, match="1111100"):
            weekday_mask(wrong)
