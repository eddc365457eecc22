"""The ship days ahead: what is open to where, how full the shed is, which promises must move."""

from datetime import date, timedelta

import pytest
from sqlmodel import Session, select

from nursery.carrier import ClosedAt, Closure
from nursery.database import Database, now
from nursery.dispatching.days_ahead import DayAhead, days_ahead, shut_days
from nursery.dispatching.dispatch_why import Verdict, why_order
from nursery.errors import Fault
from nursery.order import Product, Promise, ShipDay, State
from nursery.promising.basket import Basket, BasketLine
from nursery.promising.promise import confirm, reserve
from nursery.promising.quote import quote
from nursery.shed.picking import record_pick
from nursery.stock import Lot
from nursery.weather import Forecast, Station
from tests.builders import crop_named, ready_lot
from tests.shop import HERE, MONDAY, THERE, mild_nursery

WEDNESDAY = MONDAY + timedelta(days=2)
NOT_OF_THE_DAY = {"packing_full", "no_plugs", "window"}
"""What closes a day to one basket only: other baskets, or fewer plugs, might leave."""


@pytest.fixture
def desk(db: Database) -> Database:
    """A mild spring with plenty of both plants, the tender one kept from frost above 0 °C."""
    with db.writing() as session:
        mild_nursery(session, plugs=600)
        ready_lot(session, crop_named(session, "Primula rosea"), 600, MONDAY, date(2027, 7, 1))
        tender = session.exec(select(Product).where(Product.code == "PRG-6")).one()
        tender.frost_limit_c = 0.0
    return db


def _cold(session: Session, day: date, low: float) -> None:
    for station in session.exec(select(Station)):
        session.add(
            Forecast(
                station_id=station.id or 0, day=day, issued_at=now(session), min_c=low, max_c=9
            )
        )


def _promised(session: Session, reference: str, code: str, day: date) -> Promise:
    made = reserve(session, reference, Basket((BasketLine(code, 2),)), HERE, day, "Van", "shop")
    return confirm(session, made.id or 0, "shop")


def _day(session: Session, day: date) -> DayAhead:
    return next(one for one in days_ahead(session) if one.day == day)


def test_every_zone_and_day_is_open_to_a_crop_where_a_quote_for_it_is(desk: Database) -> None:
    """Three weeks with a frost, a strike and a holiday, against the quotes of each product."""
    with desk.writing() as session:
        _cold(session, WEDNESDAY, -1.5)
        session.add(
            Closure(closed_at=ClosedAt.SERVICE, key="Van", first_day=date(2027, 3, 10),
                    last_day=date(2027, 3, 11), reason="strike")
        )  # fmt: skip
    with desk.reading() as session:
        ahead = days_ahead(session, 21)
        seen: set[bool] = set()
        for code, crop in (("CP-6", "Caltha palustris"), ("PRG-6", "Primula rosea 'Gigas'")):
            for country, address in (("NL", HERE), ("DE", THERE)):
                asked = quote(session, Basket((BasketLine(code, 1),)), address)
                shut = {
                    each.day
                    for each in asked.closed_days
                    if {why.code for why in each.reasons} - NOT_OF_THE_DAY
                }
                for one in ahead:
                    (zone,) = [each for each in one.zones if each.zone == asked.zone]
                    home = any(crop in each.crops for each in zone.shut)
                    assert home == (one.day in shut), (code, country, one.day, str(zone))
                    seen.add(home)
        assert seen == {True, False}


def test_a_frost_keeps_the_tender_crop_at_home_and_moves_its_promise_alone(desk: Database) -> None:
    with desk.writing() as session:
        _promised(session, "TENDER", "PRG-6", WEDNESDAY)
        _promised(session, "HARDY", "CP-6", WEDNESDAY)
        assert _day(session, WEDNESDAY).must_move == ()
        _cold(session, WEDNESDAY, -1.5)
        found = _day(session, WEDNESDAY)
        (moves,) = found.must_move
        assert (moves.reference, moves.ship_on, moves.reason) == ("TENDER", WEDNESDAY, "frost")
        assert "-1.5 °C forecast" in moves.text
        assert found.is_open and {str(zone) for zone in found.zones} >= {
            "open, but frost for 1 crop"
        }
        days = why_order(session, "TENDER")[0].days
        (told,) = [one for one in days if one.first <= WEDNESDAY <= one.last]
        assert told.verdict is Verdict.ITS_DAY
        assert told.text.startswith(f"by Van; closed to it now, {moves.text}")


def test_a_promise_that_is_reserved_or_picked_is_not_said_to_move(desk: Database) -> None:
    with desk.writing() as session:
        picked = _promised(session, "PICKED", "PRG-6", WEDNESDAY)
        line = picked.lines[0]
        lots = session.exec(select(Lot)).all()
        record_pick(
            session, line, next(lot for lot in lots if lot.pool_id == line.pool_id), 1, "Pat"
        )
        basket = Basket((BasketLine("PRG-6", 1),))
        held = reserve(session, "PAYS", basket, HERE, WEDNESDAY, "Van", "shop")
        assert held.state is State.RESERVED
        _cold(session, WEDNESDAY, -1.5)
        found = _day(session, WEDNESDAY)
        assert (found.must_move, found.parcels, found.plugs) == ((), 2, 18)


def test_the_shed_is_as_full_as_its_promises_and_the_days_own_minutes_say(desk: Database) -> None:
    with desk.writing() as session:
        made = [_promised(session, f"A-{i}", "CP-6", WEDNESDAY) for i in range(3)]
        session.get_one(ShipDay, WEDNESDAY).minutes = made[0].minutes * 2
        session.flush()
        found = _day(session, WEDNESDAY)
        assert (found.minutes_taken, found.minutes) == (made[0].minutes * 3, made[0].minutes * 2)
        assert (found.parcels, found.plugs, found.full) == (3, 36, 100)
        assert str(found.zones[0]) == "open"  # overbooked, not closed


def test_a_holiday_here_is_told_once_for_all_zones_and_days_in_a_row(desk: Database) -> None:
    """Easter 2027 is on 28 March; Good Friday is no holiday in the Netherlands."""
    with desk.reading() as session:
        ahead = days_ahead(session, 35)
    monday = next(one for one in ahead if one.day == date(2027, 3, 29))
    assert monday.closed_by == "Easter Monday (NL)" and not monday.is_open
    told = [one for one in shut_days(ahead) if one.shut.reason == "Easter Monday (NL)"]
    assert [(one.first, one.last, one.shut.plants) for one in told] == [
        (date(2027, 3, 29), date(2027, 3, 29), "all")
    ]
    assert set(told[0].zones) == {zone.zone for zone in monday.zones}


def test_days_apart_are_told_apart_and_days_in_a_row_together(desk: Database) -> None:
    with desk.writing() as session:
        for day in (date(2027, 3, 9), date(2027, 3, 10), date(2027, 3, 12)):
            session.add(
                Closure(closed_at=ClosedAt.ORIGIN, key="", first_day=day, last_day=day,
                        reason="the yard is paved")
            )  # fmt: skip
        session.flush()
        told = [one for one in shut_days(days_ahead(session)) if "paved" in one.shut.reason]
    assert [(one.first.day, one.last.day) for one in told] == [(9, 10), (12, 12)]


@pytest.mark.parametrize("many", [0, -1, 121])
def test_too_many_days_ahead_are_refused(desk: Database, many: int) -> None:
    with desk.reading() as session, pytest.raises(Fault, match="must be 1 to 120"):
        days_ahead(session, many)
