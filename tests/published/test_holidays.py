"""Working days against the official lists of public holidays.

Lists: the United Kingdom's bank holidays 2022 to 2027 (gov.uk; Banking and Financial Dealings Act
1971 and proclamations) were typed from memory and agree with two counts; the other countries'
lists were worked out by hand from their statutes, from memory, Easter 2026 being 5 April and Easter
2027 28 March (tables of the Gregorian computus). Weekdays only: Sundays are never working days.
"""

from __future__ import annotations

import threading
from datetime import date, timedelta

import pytest

from nursery.calendars import MONDAY_TO_FRIDAY, WorkingDays, public_holidays

UNITED_KINGDOM = {
    "GB-ENG": """
        2022-01-03 2022-04-15 2022-04-18 2022-05-02 2022-06-02 2022-06-03 2022-08-29 2022-09-19
        2022-12-26 2022-12-27 2023-01-02 2023-04-07 2023-04-10 2023-05-01 2023-05-08 2023-05-29
        2023-08-28 2023-12-25 2023-12-26 2024-01-01 2024-03-29 2024-04-01 2024-05-06 2024-05-27
        2024-08-26 2024-12-25 2024-12-26 2025-01-01 2025-04-18 2025-04-21 2025-05-05 2025-05-26
        2025-08-25 2025-12-25 2025-12-26 2026-01-01 2026-04-03 2026-04-06 2026-05-04 2026-05-25
        2026-08-31 2026-12-25 2026-12-28 2027-01-01 2027-03-26 2027-03-29 2027-05-03 2027-05-31
        2027-08-30 2027-12-27 2027-12-28
    """,
    "GB-SCT": """
        2022-01-03 2022-01-04 2022-04-15 2022-05-02 2022-06-02 2022-06-03 2022-08-01 2022-09-19
        2022-11-30 2022-12-26 2022-12-27 2023-01-02 2023-01-03 2023-04-07 2023-05-01 2023-05-08
        2023-05-29 2023-08-07 2023-11-30 2023-12-25 2023-12-26 2024-01-01 2024-01-02 2024-03-29
        2024-05-06 2024-05-27 2024-08-05 2024-12-02 2024-12-25 2024-12-26 2025-01-01 2025-01-02
        2025-04-18 2025-05-05 2025-05-26 2025-08-04 2025-12-01 2025-12-25 2025-12-26 2026-01-01
        2026-01-02 2026-04-03 2026-05-04 2026-05-25 2026-06-15 2026-08-03 2026-11-30 2026-12-25
        2026-12-28 2027-01-01 2027-01-04 2027-03-26 2027-05-03 2027-05-31 2027-08-02 2027-11-30
        2027-12-27 2027-12-28
    """,
    "GB-NIR": """
        2022-01-03 2022-03-17 2022-04-15 2022-04-18 2022-05-02 2022-06-02 2022-06-03 2022-07-12
        2022-08-29 2022-09-19 2022-12-26 2022-12-27 2023-01-02 2023-03-17 2023-04-07 2023-04-10
        2023-05-01 2023-05-08 2023-05-29 2023-07-12 2023-08-28 2023-12-25 2023-12-26 2024-01-01
        2024-03-18 2024-03-29 2024-04-01 2024-05-06 2024-05-27 2024-07-12 2024-08-26 2024-12-25
        2024-12-26 2025-01-01 2025-03-17 2025-04-18 2025-04-21 2025-05-05 2025-05-26 2025-07-14
        2025-08-25 2025-12-25 2025-12-26 2026-01-01 2026-03-17 2026-04-03 2026-04-06 2026-05-04
        2026-05-25 2026-07-13 2026-08-31 2026-12-25 2026-12-28 2027-01-01 2027-03-17 2027-03-26
        2027-03-29 2027-05-03 2027-05-31 2027-07-12 2027-08-30 2027-12-27 2027-12-28
    """,
}

# Koninklijke, Nationale en christelijke feestdagen (Algemene termijnenwet art. 3, without Good
# Friday, on which post and carriers work in the Netherlands).
# Gesetz ueber die Feiertage (Bavaria, with 15 August in communes with a Catholic majority).
# The other Laender by their own acts. What falls on a Saturday or Sunday (the Assumption, German
# Unity Day and Reformation Day in both years) is not in a list of weekdays.
# Japan: Act on National Holidays 1948 with its substitute and in-between days (Cabinet Office).
# United States: 5 U.S.C. 6103, a Saturday's holiday kept on the Friday before.
# Organisation of Working Time Act 1997, second schedule, with St Brigid's Day since 2023 (Ireland).
# Loi du 4 janvier 1974 (Belgium). Code du travail L3133-1; L3134-13 for Alsace-Moselle (France).
BY_HAND = {
    "NL": """
        2026-01-01 2026-04-06 2026-04-27 2026-05-14 2026-05-25 2026-12-25
        2027-01-01 2027-03-29 2027-04-27 2027-05-06 2027-05-17
    """,
    "DE-BY": """
        2026-01-01 2026-01-06 2026-04-03 2026-04-06 2026-05-01 2026-05-14 2026-05-25 2026-06-04
        2026-12-25
        2027-01-01 2027-01-06 2027-03-26 2027-03-29 2027-05-06 2027-05-17 2027-05-27 2027-11-01
    """,
    "DE-BE": """
        2026-01-01 2026-04-03 2026-04-06 2026-05-01 2026-05-14 2026-05-25 2026-12-25
        2027-01-01 2027-03-08 2027-03-26 2027-03-29 2027-05-06 2027-05-17
    """,
    "IE": """
        2026-01-01 2026-02-02 2026-03-17 2026-04-06 2026-05-04 2026-06-01 2026-08-03 2026-10-26
        2026-12-25
        2027-01-01 2027-02-01 2027-03-17 2027-03-29 2027-05-03 2027-06-07 2027-08-02 2027-10-25
    """,
    "BE": """
        2026-01-01 2026-04-06 2026-05-01 2026-05-14 2026-05-25 2026-07-21 2026-11-11 2026-12-25
        2027-01-01 2027-03-29 2027-05-06 2027-05-17 2027-07-21 2027-11-01 2027-11-11
    """,
    "FR": """
        2026-01-01 2026-04-06 2026-05-01 2026-05-08 2026-05-14 2026-05-25 2026-07-14 2026-11-11
        2026-12-25
        2027-01-01 2027-03-29 2027-05-06 2027-05-17 2027-07-14 2027-11-01 2027-11-11
    """,
    "FR-57": """
        2026-01-01 2026-04-03 2026-04-06 2026-05-01 2026-05-08 2026-05-14 2026-05-25 2026-07-14
        2026-11-11 2026-12-25
        2027-01-01 2027-03-26 2027-03-29 2027-05-06 2027-05-17 2027-07-14 2027-11-01 2027-11-11
    """,
}

COMMON = """
    2026-01-01 2026-04-03 2026-04-06 2026-05-01 2026-05-14 2026-05-25 2026-12-25
    2027-01-01 2027-03-26 2027-03-29 2027-05-06 2027-05-17
"""
EPIPHANY, WOMENS_DAY = "2026-01-06 2027-01-06", "2027-03-08"
CORPUS_CHRISTI, ALL_SAINTS = "2026-06-04 2027-05-27", "2027-11-01"
REPENTANCE, CHILDRENS_DAY = "2026-11-18 2027-11-17", "2027-09-20"
LAENDER = {
    "DE-BB": "",
    "DE-BW": f"{EPIPHANY} {CORPUS_CHRISTI} {ALL_SAINTS}",
    "DE-HB": "",
    "DE-HE": CORPUS_CHRISTI,
    "DE-HH": "",
    "DE-MV": WOMENS_DAY,
    "DE-NI": "",
    "DE-NW": f"{CORPUS_CHRISTI} {ALL_SAINTS}",
    "DE-RP": f"{CORPUS_CHRISTI} {ALL_SAINTS}",
    "DE-SH": "",
    "DE-SL": f"{CORPUS_CHRISTI} {ALL_SAINTS}",
    "DE-SN": REPENTANCE,
    "DE-ST": EPIPHANY,
    "DE-TH": CHILDRENS_DAY,
}
OVERSEAS = {
    "JP": """
        2026-01-01 2026-01-12 2026-02-11 2026-02-23 2026-03-20 2026-04-29 2026-05-04 2026-05-05
        2026-05-06 2026-07-20 2026-08-11 2026-09-21 2026-09-22 2026-09-23 2026-10-12 2026-11-03
        2026-11-23
        2027-01-01 2027-01-11 2027-02-11 2027-02-23 2027-03-22 2027-04-29 2027-05-03 2027-05-04
        2027-05-05 2027-07-19 2027-08-11 2027-09-20 2027-09-23 2027-10-11 2027-11-03 2027-11-23
    """,
    "US": """
        2026-01-01 2026-01-19 2026-02-16 2026-05-25 2026-06-19 2026-07-03 2026-09-07 2026-10-12
        2026-11-11 2026-11-26 2026-12-25
        2027-01-01 2027-01-18 2027-02-15 2027-05-31 2027-06-18 2027-07-05 2027-09-06 2027-10-11
        2027-11-11 2027-11-25 2027-12-24 2027-12-31
    """,
}


def closed_weekdays(region: str, first: int, last: int) -> list[str]:
    calendar = WorkingDays(region, MONDAY_TO_FRIDAY)
    day, closed = date(first, 1, 1), []
    while day.year <= last:
        if day.weekday() < 5 and not calendar.is_open(day):
            closed.append(day.isoformat())
        day += timedelta(days=1)
    return closed


@pytest.mark.parametrize("nation", UNITED_KINGDOM)
def test_the_united_kingdoms_closed_weekdays_are_its_bank_holidays(nation: str) -> None:
    assert closed_weekdays(nation, 2022, 2027) == UNITED_KINGDOM[nation].split()


def test_wales_has_the_bank_holidays_of_england() -> None:
    assert closed_weekdays("GB-WLS", 2022, 2027) == UNITED_KINGDOM["GB-ENG"].split()


@pytest.mark.parametrize("region", BY_HAND)
def test_closed_weekdays_of_2026_and_2027_are_those_of_the_statutes(region: str) -> None:
    assert closed_weekdays(region, 2026, 2027) == BY_HAND[region].split()


@pytest.mark.parametrize("region", LAENDER)
def test_closed_weekdays_of_the_other_laender_are_those_of_their_acts(region: str) -> None:
    expected = sorted(f"{COMMON} {LAENDER[region]}".split())
    assert closed_weekdays(region, 2026, 2027) == expected


@pytest.mark.parametrize("country", OVERSEAS)
def test_closed_weekdays_overseas_are_those_of_the_acts(country: str) -> None:
    assert closed_weekdays(country, 2026, 2027) == OVERSEAS[country].split()


def test_scotlands_single_holiday_of_june_2026_is_known() -> None:
    # Royal Proclamation of 3 February 2026.
    assert not WorkingDays("GB-SCT").is_open(date(2026, 6, 15))
    assert WorkingDays("GB-ENG").is_open(date(2026, 6, 15))


def test_good_friday_is_a_working_day_in_the_netherlands_and_none_in_bavaria() -> None:
    assert WorkingDays("NL").is_open(date(2026, 4, 3))
    assert WorkingDays("DE-BY").closed(date(2026, 4, 3)) == "Good Friday (DE-BY)"


def test_bavaria_keeps_15_august() -> None:
    assert date(2028, 8, 15) in public_holidays("DE-BY", 2028)  # a Tuesday
    assert date(2028, 8, 15) not in public_holidays("DE-BE", 2028)


def test_a_holiday_on_a_sunday_closes_its_substitute_day() -> None:
    assert "2027-12-27" in closed_weekdays("GB-ENG", 2027, 2027)  # for Saturday 25 December


def test_threads_that_share_a_calendar_all_find_christmas_closed() -> None:
    calendar = WorkingDays("GB-ENG")
    open_at_christmas: list[date] = []

    def look() -> None:
        for year in range(1990, 2090):
            if calendar.is_open(date(year, 12, 25)):
                open_at_christmas.append(date(year, 12, 25))

    for _ in range(5):
        public_holidays.cache_clear()
        threads = [threading.Thread(target=look) for _ in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert open_at_christmas == []
