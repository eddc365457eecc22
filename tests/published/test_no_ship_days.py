"""Every day of 2026 and 2027 on which nothing leaves, against tables worked out by hand.

The tables hold the closed days beside Sundays (Germany's Laender, Japan, Brisbane; the carrier
collects from Monday to Saturday) or beside weekends (the United States; Monday to Friday). The
nations of the United Kingdom, Ireland, the Netherlands, Belgium and France are in `test_holidays`.

Sources. Germany: the Laender's laws on Sundays and holidays, by the list "Gesetzliche Feiertage im
Kalender 2026" (kalender-online.com), the dates of 2027 worked out by hand from the same list, with
Easter on 28 March 2027. Japan: the Cabinet Office's lists of national holidays of 2026 and 2027
(as announced in the press, 2025-02 and 2026-02), substitute days by article 3 of the law. Brisbane:
Holidays Act 1983 (2026 by the list on australia.com, with the Royal Queensland Show, which is for
Brisbane alone; 2027 from memory, the show on the second Wednesday of August). United States: 5
U.S.C. 6103 with its rule for Saturdays and Sundays, worked out by hand.
"""

from datetime import date, timedelta

import pytest
from sqlmodel import select

from nursery.carrier import CarrierService, Transit, Zone
from nursery.database import Database, site
from nursery.promising.lanes import Lane, read_lanes
from tests.builders import small_nursery

FIRST, LAST = date(2026, 1, 1), date(2027, 12, 31)

# Closed in every Land: New Year, Good Friday, Easter Monday, 1 May, Ascension, Whit Monday,
# 3 October, 25 and 26 December, where they are no Sundays.
EVERY_LAND = """
    2026-01-01 2026-04-03 2026-04-06 2026-05-01 2026-05-14 2026-05-25 2026-10-03 2026-12-25
    2026-12-26 2027-01-01 2027-03-26 2027-03-29 2027-05-01 2027-05-06 2027-05-17 2027-12-25
"""
EPIPHANY = ["2026-01-06", "2027-01-06"]
WOMENS_DAY = ["2027-03-08"]  # a Sunday in 2026
CORPUS_CHRISTI = ["2026-06-04", "2027-05-27"]
ASSUMPTION = ["2026-08-15"]  # a Sunday in 2027
CHILDRENS_DAY = ["2027-09-20"]  # a Sunday in 2026
REFORMATION = ["2026-10-31"]  # a Sunday in 2027
ALL_SAINTS = ["2027-11-01"]  # a Sunday in 2026
REPENTANCE = ["2026-11-18", "2027-11-17"]
LAENDER = {
    "DE-BW": [*EPIPHANY, *CORPUS_CHRISTI, *ALL_SAINTS],
    "DE-BY": [*EPIPHANY, *CORPUS_CHRISTI, *ASSUMPTION, *ALL_SAINTS],
    "DE-BE": WOMENS_DAY,
    "DE-BB": REFORMATION,
    "DE-HB": REFORMATION,
    "DE-HH": REFORMATION,
    "DE-HE": CORPUS_CHRISTI,
    "DE-MV": [*WOMENS_DAY, *REFORMATION],
    "DE-NI": REFORMATION,
    "DE-NW": [*CORPUS_CHRISTI, *ALL_SAINTS],
    "DE-RP": [*CORPUS_CHRISTI, *ALL_SAINTS],
    "DE-SL": [*CORPUS_CHRISTI, *ASSUMPTION, *ALL_SAINTS],
    "DE-SN": [*REFORMATION, *REPENTANCE],
    "DE-ST": [*EPIPHANY, *REFORMATION],
    "DE-SH": REFORMATION,
    "DE-TH": [*CHILDRENS_DAY, *REFORMATION],
}
JAPAN = """
    2026-01-01 2026-01-12 2026-02-11 2026-02-23 2026-03-20 2026-04-29 2026-05-04 2026-05-05
    2026-05-06 2026-07-20 2026-08-11 2026-09-21 2026-09-22 2026-09-23 2026-10-12 2026-11-03
    2026-11-23
    2027-01-01 2027-01-11 2027-02-11 2027-02-23 2027-03-22 2027-04-29 2027-05-03 2027-05-04
    2027-05-05 2027-07-19 2027-08-11 2027-09-20 2027-09-23 2027-10-11 2027-11-03 2027-11-23
"""
BRISBANE = """
    2026-01-01 2026-01-26 2026-04-03 2026-04-04 2026-04-06 2026-04-25 2026-05-04 2026-08-12
    2026-10-05 2026-12-25 2026-12-26 2026-12-28
    2027-01-01 2027-01-26 2027-03-26 2027-03-27 2027-03-29 2027-04-26 2027-05-03 2027-08-11
    2027-10-04 2027-12-25 2027-12-27 2027-12-28
"""
UNITED_STATES = """
    2026-01-01 2026-01-19 2026-02-16 2026-05-25 2026-06-19 2026-07-03 2026-09-07 2026-10-12
    2026-11-11 2026-11-26 2026-12-25
    2027-01-01 2027-01-18 2027-02-15 2027-05-31 2027-06-18 2027-07-05 2027-09-06 2027-10-11
    2027-11-11 2027-11-25 2027-12-24 2027-12-31
"""
TO_SATURDAY, TO_FRIDAY = "1111110", "1111100"
TABLES = {
    **{land: (TO_SATURDAY, sorted([*EVERY_LAND.split(), *own])) for land, own in LAENDER.items()},
    "JP": (TO_SATURDAY, JAPAN.split()),
    "AU-QLD": (TO_SATURDAY, BRISBANE.split()),
    "US": (TO_FRIDAY, UNITED_STATES.split()),
}


def route(db: Database, region: str, collects: str, to_country: str) -> Lane:
    """The nursery's own lane to a zone, read from the database, all parcels on the day after."""
    with db.writing() as session:
        small_nursery(session)
        site(session).holiday_region = region
        service = session.exec(select(CarrierService)).one()
        service.collects, service.delivers = collects, "1111100"
        zone = session.exec(select(Zone).where(Zone.country == to_country)).one()
        zone.holiday_region = "DE-BY" if to_country == "DE" else zone.holiday_region
        for row in session.exec(select(Transit)).all():
            session.delete(row)
        session.flush()
        assert service.id and zone.id
        session.add(Transit(service_id=service.id, zone_id=zone.id, delivery_days=1, percent=100))
        session.flush()
        return read_lanes(session, [zone.id])[zone.id][0]


def days() -> list[date]:
    return [FIRST + timedelta(days=i) for i in range((LAST - FIRST).days + 1)]


@pytest.mark.parametrize("region", TABLES)
def test_nothing_is_collected_on_the_days_of_the_official_list_and_on_no_others(
    db: Database, region: str
) -> None:
    collects, expected = TABLES[region]
    lane = route(db, region, collects, "NL")
    closed = [
        day.isoformat()
        for day in days()
        if collects[day.weekday()] == "1" and lane.leg(day).closed is not None
    ]
    assert closed == expected
    assert all(lane.leg(day).closed for day in days() if collects[day.weekday()] == "0")


# From the Netherlands to Bavaria, J+1, plants that stand two days in the box: no Friday (Monday
# would be the third day), no Dutch holiday, no Thursday before a Friday that is closed in Bavaria
# (Good Friday, 1 May, Christmas, New Year). A closed day in mid-week costs one day, which they
# stand. Worked out by hand; Mondays to Thursdays only.
NETHERLANDS_TO_BAVARIA = """
    2026-01-01 2026-04-02 2026-04-06 2026-04-27 2026-04-30 2026-05-14 2026-05-25 2026-12-24
    2026-12-31
    2027-03-25 2027-03-29 2027-04-27 2027-05-06 2027-05-17
"""


def test_no_ship_days_from_the_netherlands_to_bavaria_for_plants_that_stand_two_days(
    db: Database,
) -> None:
    lane = route(db, "NL", TO_FRIDAY, "DE")
    refused = []
    for day in days():
        leg = lane.leg(day)
        too_long = any((chance.day - leg.pack_on).days > 2 for chance in leg.chances)
        if leg.closed or too_long:
            refused.append(day)
    assert all(day in refused for day in days() if day.weekday() >= 4)
    middle = [day.isoformat() for day in refused if day.weekday() < 4]
    assert middle == NETHERLANDS_TO_BAVARIA.split()


def easter(year: int) -> date:
    """Anonymous Gregorian algorithm (Nature, 1876; Meeus, Astronomical Algorithms, chapter 8)."""
    a, (b, c) = year % 19, divmod(year, 100)
    d, e = divmod(b, 4)
    h = (19 * a + b - d - (b - (b + 8) // 25 + 1) // 3 + 15) % 30
    i, k = divmod(c, 4)
    m = (32 + 2 * e + 2 * i - h - k) % 7
    n = (a + 11 * h + 22 * m) // 451
    month, day = divmod(h + m - 7 * n + 114, 31)
    return date(year, month, day + 1)


def test_the_easter_of_the_tables_is_that_of_the_gregorian_computus() -> None:
    assert (easter(2026), easter(2027)) == (date(2026, 4, 5), date(2027, 3, 28))
    assert {"2026-04-03", "2026-04-06", "2027-03-26", "2027-03-29"} <= set(EVERY_LAND.split())
