"""What parcels met on their way, in the weather that was, and what claims teach about limits."""

from datetime import UTC, date, datetime, time, timedelta

import pytest
from scipy.stats import beta
from sqlmodel import Session, select

from nursery.carrier import CarrierService, Zone
from nursery.database import Database
from nursery.promising.promise import promise_order
from nursery.shed.claims import ClaimKind, record_claim
from nursery.shed.claims_learned import ClaimsLearned, FeltLimit, claims_learned
from nursery.shed.handover import delivered
from nursery.shed.picking import hand_over, record_pick
from nursery.stock import Lot
from nursery.travelling import Against
from nursery.weather import Forecast, Station, WeatherDay
from tests.builders import (
    crop_named,
    open_order,
    product_of,
    ready_lot,
    set_clock,
    small_nursery,
)

MONDAY = date(2027, 10, 4)
TUESDAY, WEDNESDAY = MONDAY + timedelta(days=1), MONDAY + timedelta(days=2)
WAY = (TUESDAY, WEDNESDAY)


def _nursery(session: Session) -> Lot:
    """Vans are 4 °C warmer than the air; parcels to DE meet the hills, those to NL do not."""
    small_nursery(session, MONDAY).allowance = 0.0
    product = product_of(session, crop_named(session, "Caltha palustris"))
    product.heat_limit_c, product.frost_limit_c = 60.0, -40.0
    session.exec(select(CarrierService)).one().warmer_c = 4.0
    hills = Station(name="Hills", latitude=48.0)
    session.add(hills)
    session.flush()
    session.exec(select(Zone).where(Zone.country == "DE")).one().station_id = hills.id
    return ready_lot(
        session,
        crop_named(session, "Caltha palustris"),
        600,
        MONDAY,
        MONDAY + timedelta(days=20),
        "OLD",
    )


def _station(session: Session, name: str) -> int:
    return session.exec(select(Station).where(Station.name == name)).one().id or 0


def _seen(session: Session, station: str, day: date, low: float, high: float) -> None:
    row = WeatherDay(station_id=_station(session, station), day=day, min_c=low, max_c=high)
    session.add(row)


def _told(session: Session, day: date, issued: date, low: float, high: float) -> None:
    at = datetime.combine(issued, time(6), UTC)
    hills = _station(session, "Hills")
    session.add(Forecast(station_id=hills, day=day, issued_at=at, min_c=low, max_c=high))


def _sent(session: Session, lot: Lot, number: int, country: str) -> int:
    """A parcel that left on Tuesday: its promise (id)."""
    post = "1011AB" if country == "NL" else "80331"
    product = product_of(session, lot.batch.crop)
    order = open_order(session, f"{country}-{number}", product, 1, country, post)
    promise = promise_order(session, order.id or 0, TUESDAY, "Van", "shop", judged=True)
    record_pick(session, promise.lines[0], lot, 6, "Bo")
    return hand_over(session, promise.id or 0, f"T-{country}-{number}", "Bo").id or 0


def _learned(db: Database, parcels: dict[str, tuple[int, int]]) -> ClaimsLearned:
    """So many parcels by country came on Wednesday, so many of them were claimed as dead."""
    with db.writing() as session:
        lot = session.exec(select(Lot)).one()
        set_clock(session, TUESDAY)
        sent = {
            country: [_sent(session, lot, number, country) for number in range(many)]
            for country, (many, _) in parcels.items()
        }
        set_clock(session, WEDNESDAY, 18)
        for country, (_, dead) in parcels.items():
            for number, key in enumerate(sent[country]):
                delivered(session, key, WEDNESDAY, "shop")
                if number < dead:
                    record_claim(session, key, ClaimKind.DEAD, "brown", "shop", 6)
        return claims_learned(session)


def _hot_hills(session: Session) -> None:
    """23 °C and 31 °C in the hills; 14 and 15 °C at home, on the parcels' two days."""
    for day, home, hills in zip(WAY, (14.0, 15.0), (23.0, 31.0), strict=True):
        _seen(session, "Home", day, 6.0, home)
        _seen(session, "Hills", day, 3.0, hills)


def test_parcels_are_counted_by_the_hottest_and_coldest_that_they_met_vehicles_being_warmer(
    db: Database,
) -> None:
    """To the hills 31 + 4 °C, within the low land 15 + 4 °C; frost counts the air as it is."""
    with db.writing() as session:
        _nursery(session)
        _hot_hills(session)
    found = _learned(db, {"NL": (6, 1), "DE": (4, 3)})
    rates = {(one.by, one.value): one for one in found.rates if one.by.startswith("felt")}
    counted = {key: (one.parcels, one.claimed) for key, one in rates.items()}
    assert counted == {
        ("felt maximum", "15 to 20 °C"): (6, 1),
        ("felt maximum", "35 to 40 °C"): (4, 3),
        ("felt minimum", "0 to 5 °C"): (4, 3),
        ("felt minimum", "5 to 10 °C"): (6, 1),
    }
    hot = rates["felt maximum", "35 to 40 °C"]
    # Jeffreys interval, nine in ten (Brown, Cai & DasGupta, 2001), by scipy
    assert (hot.low, hot.high) == pytest.approx(beta.ppf([0.05, 0.95], 3.5, 1.5))
    assert (found.parcels, found.felt_known, found.felt_observed) == (10, 10, 10)


def test_another_limit_is_told_with_what_it_would_have_prevented_and_what_it_would_have_moved(
    db: Database,
) -> None:
    with db.writing() as session:
        _nursery(session)
        _hot_hills(session)
    found = _learned(db, {"NL": (6, 1), "DE": (4, 3)})
    assert found.felt_limits == (
        FeltLimit(Against.HEAT, 35, 4, 3),
        FeltLimit(Against.HEAT, 19, 10, 4),
        FeltLimit(Against.FROST, 3, 4, 3),
        FeltLimit(Against.FROST, 6, 10, 4),
    )


def test_where_nothing_was_observed_the_last_forecast_known_when_it_left_counts_and_no_later_one(
    db: Database,
) -> None:
    with db.writing() as session:
        _nursery(session)
        for day in WAY:
            _seen(session, "Home", day, 6.0, 15.0)
            _told(session, day, MONDAY - timedelta(days=1), 4.0, 20.0)
            _told(session, day, MONDAY, 4.0, 27.0)
            _told(session, day, WEDNESDAY, 4.0, 40.0)
    found = _learned(db, {"NL": (1, 0), "DE": (1, 1)})
    assert found.felt_limits[0] == FeltLimit(Against.HEAT, 31, 1, 1)
    assert (found.felt_known, found.felt_observed) == (2, 1)


def test_a_parcel_of_whose_way_one_day_is_not_known_is_left_out_and_counted(db: Database) -> None:
    with db.writing() as session:
        _nursery(session)
        for day in WAY:
            _seen(session, "Home", day, 6.0, 15.0)
        _seen(session, "Hills", TUESDAY, 3.0, 23.0)
    found = _learned(db, {"NL": (2, 0), "DE": (3, 3)})
    assert (found.parcels, found.felt_known) == (5, 2)
    assert found.felt_limits == ()
    assert {one.parcels for one in found.rates if one.by == "felt maximum"} == {2}
