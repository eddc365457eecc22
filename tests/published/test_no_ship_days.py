"""Every day of 2026 and 2027 on which nothing may leave, as a shop is told, against official lists.

What is judged is the answer of `nursery.promising.quote.quote`: the days that it offers and those
that it closes, at an example route within each country (and one across a border). The tables were
worked out by hand and hold the closed days beside Sundays (Germany's Laender, Japan, Brisbane; the
carrier collects from Monday to Saturday) or beside weekends (the others; Monday to Friday).

The official source of each table; where nothing else is said, worked out from the statute, from
memory, and not read live:

- United Kingdom: gov.uk, "UK bank holidays" (England and Wales, Scotland, Northern Ireland), typed
  from memory; it agrees with two counts of the published lists.
- Ireland: gov.ie, "Public holidays in Ireland"; Organisation of Working Time Act 1997, schedule 2.
- Netherlands: rijksoverheid.nl, "officiele feestdagen"; Algemene termijnenwet, article 3.
- Belgium: Loi du 4 janvier 1974 (werk.belgie.be, "feestdagen"). France: Code du travail L3133-1.
- Germany: the Laender's laws on Sundays and holidays, by the list "Gesetzliche Feiertage im
  Kalender 2026" (kalender-online.com), the dates of 2027 worked out by hand from the same list.
- Japan: the Cabinet Office's lists of national holidays of 2026 and 2027 (as announced in the
  press, 2025-02 and 2026-02), substitute days by article 3 of the law.
- Brisbane: Holidays Act 1983 (2026 by the list on australia.com, with the Royal Queensland Show,
  which is for Brisbane alone; 2027 from memory, the show on the second Wednesday of August).
- United States: 5 U.S.C. 6103 with its rule for Saturdays and Sundays (opm.gov, "Federal
  Holidays"), worked out by hand.
- Easter: 5 April 2026 and 28 March 2027, by the Gregorian computus and by python-dateutil.
"""

from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest
from dateutil.easter import easter as easter_of_dateutil
from sqlmodel import select

from nursery.carrier import CarrierService, Transit, Zone
from nursery.database import Database, migrate, open_database, site
from nursery.order import Product
from nursery.promising.basket import Destination
from nursery.promising.quote import Quote, quote
from nursery.stock import Lot
from tests.builders import set_clock
from tests.published.test_holidays import BY_HAND, UNITED_KINGDOM
from tests.shop import caltha, mild_nursery

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
WEEKDAYS = {
    **UNITED_KINGDOM,
    "GB-WLS": UNITED_KINGDOM["GB-ENG"],
    **{country: BY_HAND[country] for country in ("IE", "NL", "BE", "FR")},
}
TABLES = {
    **{
        region: (TO_FRIDAY, [day for day in days.split() if day >= "2026"])
        for region, days in WEEKDAYS.items()
    },
    **{land: (TO_SATURDAY, sorted([*EVERY_LAND.split(), *own])) for land, own in LAENDER.items()},
    "JP": (TO_SATURDAY, JAPAN.split()),
    "AU-QLD": (TO_SATURDAY, BRISBANE.split()),
    "US": (TO_FRIDAY, UNITED_STATES.split()),
}


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    """A nursery where no day is too hot or cold and plugs are there all the time, asked in 2025."""
    folder: Path = tmp_path_factory.mktemp("no ship days")
    opened = open_database(str(folder / "nursery.sqlite"))
    migrate(opened)
    with opened.writing() as session:
        here = mild_nursery(session, date(2025, 12, 30))
        here.horizon_days = 800
        session.exec(select(Lot)).one().last_sale_on = LAST
    yield opened
    opened.close()


def told(
    db: Database, origin: str, destination: str, collects: str, days_in_box: int, asked: int = 2026
) -> Quote:
    """What a shop is told of two years: all parcels arrive on the delivery day after the ship day.

    The days of January 1 of `asked` to December 31 of the year after it.
    """
    there = Destination("NL", "1075")
    with db.writing() as session:
        site(session).holiday_region = origin
        set_clock(session, date(asked - 1, 12, 30))
        session.exec(select(Lot)).one().last_sale_on = date(asked + 2, 1, 31)
        for product in session.exec(select(Product)):
            product.max_days_in_box = days_in_box
        service = session.exec(select(CarrierService)).one()
        service.collects = service.delivers = collects
        zone = session.exec(select(Zone).where(Zone.country == there.country)).one()
        zone.holiday_region = destination
        for row in session.exec(select(Transit)).all():
            session.delete(row)
        session.flush()
        assert service.id and zone.id
        session.add(Transit(service_id=service.id, zone_id=zone.id, delivery_days=1, percent=100))
    with db.reading() as session:
        first, last = date(asked, 1, 1), date(asked + 1, 12, 31)
        return quote(session, caltha(1), there, first, last)


def refused(found: Quote, weekdays: str) -> list[str]:
    """The days of the week that the carrier works on which nothing may leave."""
    many = (found.last_day - found.first_day).days + 1
    days = [found.first_day + timedelta(days=i) for i in range(many)]
    offered = {option.ship_on for option in found.options}
    assert offered.isdisjoint(each.day for each in found.closed_days)
    return [
        day.isoformat() for day in days if weekdays[day.weekday()] == "1" and day not in offered
    ]


@pytest.mark.parametrize("region", TABLES)
def test_a_shop_is_offered_every_day_but_those_of_the_official_list(
    shop: Database, region: str
) -> None:
    """Plants that stand two weeks, so that no closed day makes the way too long for them."""
    collects, expected = TABLES[region]
    found = told(shop, region, region, collects, days_in_box=14)
    assert (found.first_day, found.last_day) == (FIRST, LAST)
    assert refused(found, collects) == expected
    assert all(collects[option.ship_on.weekday()] == "1" for option in found.options)
    reasons = {day.day.isoformat(): {why.code for why in day.reasons} for day in found.closed_days}
    assert all(reasons[day] == {"origin_closed"} for day in expected)


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
    shop: Database,
) -> None:
    found = told(shop, "NL", "DE-BY", TO_FRIDAY, days_in_box=2)
    assert refused(found, "1111000") == NETHERLANDS_TO_BAVARIA.split()
    assert all(option.ship_on.weekday() < 4 for option in found.options)
    reasons = {day.day.isoformat(): {why.code for why in day.reasons} for day in found.closed_days}
    assert reasons["2026-04-02"] == {"days_in_box"}  # Good Friday is closed in Bavaria alone
    assert reasons["2026-04-27"] == {"origin_closed"}  # King's Day


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


@pytest.mark.parametrize("asked", [2026, 2028, 2031, 2034])
def test_nothing_leaves_bavaria_on_the_feasts_that_easter_moves(shop: Database, asked: int) -> None:
    """By the Gregorian computus, -2, 1, 39, 50 and 60 days from Easter; and on the
    days before or after them something does, but for 1 May."""
    found = told(shop, "DE-BY", "DE-BY", TO_SATURDAY, days_in_box=14, asked=asked)
    offered = {option.ship_on for option in found.options}
    for year in (asked, asked + 1):
        sunday = easter(year)
        assert sunday == easter_of_dateutil(year)
        feasts = {sunday + timedelta(days=away) for away in (-2, 1, 39, 50, 60)}
        assert not feasts & offered
        assert {sunday + timedelta(days=away) for away in (-3, 2, 38, 51, 59)} <= offered | {
            date(year, 5, 1)
        }
