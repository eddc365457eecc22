"""Orders that go in parts, what is wished beside what is promised, and why a day is the day."""

from datetime import date, timedelta

import pytest
from sqlmodel import Session, select

from nursery.carrier import CarrierService, ClosedAt, Closure, Transit, Zone
from nursery.database import Database, now
from nursery.dispatching.days_ahead import days_ahead
from nursery.dispatching.dispatch import accept
from nursery.dispatching.dispatch_facts import read_facts
from nursery.dispatching.dispatch_why import Verdict, why_order
from nursery.errors import Refused
from nursery.order import (
    CustomerOrder,
    OrderLine,
    Product,
    Promise,
    ShipDay,
)
from nursery.shed.picking import record_pick
from nursery.weather import Forecast, Station
from tests.builders import (
    crop_named,
    open_order,
    product_of,
    ready_lot,
    set_clock,
)
from tests.dispatches import (
    DAYS,
    LAST,
    MONDAY,
    THURSDAY,
    TUESDAY,
    WEDNESDAY,
    dispatch,
    promise_on,
    promises,
    stock,
    sturdy_nursery,
    the_product,
)


@pytest.fixture
def shed(db: Database) -> Database:
    return sturdy_nursery(db)


def two_lines(session: Session, reference: str, quantity: int = 2) -> CustomerOrder:
    """An order for marsh marigolds and for as many boxes of primroses."""
    order = open_order(session, reference, the_product(session), quantity)
    rosea = product_of(session, crop_named(session, "Primula rosea"))
    order.lines.append(OrderLine(product_id=rosea.id or 0, quantity=quantity))
    return order


def test_an_order_goes_in_parts_only_where_its_customer_agreed_to_that(shed: Database) -> None:
    with shed.writing() as session:
        stock(session, 40)
        rosea = crop_named(session, "Primula rosea")
        ready_lot(session, rosea, 40, MONDAY + timedelta(days=40), LAST + timedelta(days=30))
        two_lines(session, "WHOLE")
        two_lines(session, "PARTS").may_split = True
    report = dispatch(shed)
    assert [(ship.reference, ship.part) for ship in report.ships] == [("PARTS", "CP-6")]
    assert {(none.reference, none.part) for none in report.unshipped} == {
        ("WHOLE", ""),
        ("PARTS", "PRG-6"),
    }
    with shed.reading() as session:
        (promise,) = promises(session)
        assert (promise.id, promise.lines[0].plugs) == (report.ships[0].promise_id, 12)


def test_the_rest_of_an_order_in_parts_is_dispatched_once_its_plants_are_there(
    shed: Database,
) -> None:
    with shed.writing() as session:
        stock(session, 40)
        two_lines(session, "PARTS").may_split = True
        rosea = crop_named(session, "Primula rosea")
        ready_lot(session, rosea, 5, MONDAY, LAST)
    assert dispatch(shed).dispatched == 1
    with shed.writing() as session:
        ready_lot(session, crop_named(session, "Primula rosea"), 40, MONDAY, LAST)
    assert [ship.reference for ship in dispatch(shed).ships] == ["PARTS", "PARTS"]
    with shed.reading() as session:
        assert [promise.lines[0].product.code for promise in promises(session)] == ["CP-6", "PRG-6"]
    assert [ship.late_days for ship in dispatch(shed).ships] == [0, 0]


def test_parts_that_leave_together_are_one_parcel(shed: Database) -> None:
    """Three products, of which one has no plugs: the other two go in one box."""
    with shed.writing() as session:
        stock(session, 40)
        ready_lot(session, crop_named(session, "Primula rosea"), 40, MONDAY, LAST)
        order = two_lines(session, "PARTS")
        order.may_split = True
        many = the_product(session)
        tray = Product(code="CP-90", name="A tray", crop_id=many.crop_id, plugs=90)
        session.add(tray)
        session.flush()
        order.lines.append(OrderLine(product_id=tray.id or 0, quantity=1))
    report = dispatch(shed)
    assert [ship.part for ship in report.ships] == ["CP-6", "PRG-6"]
    with shed.reading() as session:
        (promise,) = promises(session)
        assert [line.plugs for line in promise.lines] == [12, 12]
    assert {ship.promise_id for ship in report.ships} == {promise.id}


def test_a_plan_in_parts_is_accepted_later_as_it_was_made(shed: Database) -> None:
    with shed.writing() as session:
        stock(session, 40)
        ready_lot(session, crop_named(session, "Primula rosea"), 5, MONDAY, LAST)
        two_lines(session, "PARTS").may_split = True
    planned = dispatch(shed, accept_it=False)
    with shed.writing() as session:
        report = accept(session, planned.version, "Ada")
    assert [(ship.reference, ship.part) for ship in report.ships] == [("PARTS", "CP-6")]


def test_what_is_promised_keeps_a_full_day_before_what_is_only_wished(shed: Database) -> None:
    """Although the wish weighs more: a day later costs it less than another day for a promise."""
    with shed.writing() as session:
        stock(session, 100)
        promise_on(session, "A-1", TUESDAY)
        minutes = session.exec(select(Promise)).one().minutes
        for day in range(10):
            session.merge(ShipDay(day=MONDAY + timedelta(days=day), minutes=minutes))
        open_order(session, "B-1", the_product(session)).weight = 4
    days = {ship.reference: ship.ship_on for ship in dispatch(shed).ships}
    assert days == {"A-1": TUESDAY, "B-1": WEDNESDAY}


def test_orders_held_back_by_a_week_of_heat_are_released_over_several_days(
    shed: Database,
) -> None:
    """Ten parcels, four days of heat, three parcels a day: no day is overrun, none waits long."""
    with shed.writing() as session:
        stock(session, 100)
        session.add(
            Closure(
                closed_at=ClosedAt.ORIGIN, first_day=MONDAY, last_day=THURSDAY, reason="too hot"
            )
        )
        for i in range(10):
            open_order(session, f"B-{i}", the_product(session))
        facts = read_facts(session, DAYS)
        a_parcel = facts.problem.orders[0].minutes
        for day in range(DAYS):
            session.add(ShipDay(day=MONDAY + timedelta(days=day), minutes=3 * a_parcel))
    parcels: dict[date, int] = {}
    for ship in dispatch(shed).ships:
        parcels[ship.ship_on] = parcels.get(ship.ship_on, 0) + 1
    assert min(parcels) > THURSDAY
    assert sorted(parcels.values()) == [1, 3, 3, 3]


def test_why_an_order_is_on_its_day_is_told_day_by_day(shed: Database) -> None:
    with shed.writing() as session:
        stock(session, 13)
        promise_on(session, "A-1", WEDNESDAY)
        promise_on(session, "A-2", TUESDAY)
        open_order(session, "B-1", the_product(session))
        (waits,) = why_order(session, "B-1")
        (kept,) = why_order(session, "A-1")
    assert (waits.ship_on, waits.state) == (None, "waits for a day")
    open_days = [day for day in waits.days if day.verdict is not Verdict.CLOSED]
    assert {day.verdict for day in open_days} == {Verdict.NO_PLUGS}
    assert open_days[0].text.startswith("6 plugs of CP-6 too few: they are promised to A-2 (2027-0")
    said = {day.first: day.verdict for day in kept.days}
    assert said[WEDNESDAY] is Verdict.ITS_DAY
    assert said[TUESDAY] is Verdict.POSSIBLE
    weekend = [day for day in kept.days if day.verdict is Verdict.CLOSED]
    assert weekend and all(day.text for day in weekend)


def test_why_a_promise_was_moved_is_told_in_the_words_of_its_customer(shed: Database) -> None:
    with shed.writing() as session:
        stock(session, 40)
        promise_on(session, "A-1", WEDNESDAY)
        set_clock(session, THURSDAY)
    dispatch(shed)
    with shed.reading() as session:
        (found,) = why_order(session, "A-1")
        with pytest.raises(Refused, match="no order 'A-7'"):
            why_order(session, "A-7")
    assert found.first_ship_on == WEDNESDAY and found.ship_on is not None
    (move,) = found.moves
    assert f"from {WEDNESDAY} to {found.ship_on}. We could not send your parcel" in move


def test_a_parcel_that_is_picked_has_no_other_day(shed: Database) -> None:
    with shed.writing() as session:
        lot = stock(session, 40)
        promise = promise_on(session, "A-1", TUESDAY)
        set_clock(session, TUESDAY)
        record_pick(session, promise.lines[0], lot, 6, "Ada")
        (found,) = why_order(session, "A-1")
    assert (found.state, found.ship_on, found.days) == ("picked", TUESDAY, ())


def _express(session: Session) -> None:
    """A second service, first by name, that collects from Monday to Thursday."""
    express = CarrierService(name="Early Express", price_cents=1500, collects="1111000")
    session.add(express)
    session.flush()
    for zone in session.exec(select(Zone)):
        session.add(
            Transit(service_id=express.id or 0, zone_id=zone.id or 0, delivery_days=1, percent=100)
        )
    session.flush()


def test_a_customer_is_told_what_closed_the_service_that_was_promised_not_another_one(
    shed: Database,
) -> None:
    """Friday is closed to the express anyway; the van's Friday is too hot for the plants."""
    friday = THURSDAY + timedelta(days=1)
    with shed.writing() as session:
        stock(session, 100)
        _express(session)
        for product in session.exec(select(Product)):  # no two kinds stand the same
            product.heat_limit_c = 31.0 + (product.id or 0)
        made = promise_on(session, "A-1", friday)
        assert made.service.name == "Van"
        for station in session.exec(select(Station)):
            for day in (friday, friday + timedelta(days=1)):
                at = now(session)
                session.add(
                    Forecast(station_id=station.id or 0, day=day, issued_at=at, min_c=18, max_c=39)
                )
        ahead = next(one for one in days_ahead(session, 7) if one.day == friday)
        assert {shut.reason for zone in ahead.zones for shut in zone.shut} == {"heat"}
        assert [one.reason for one in ahead.must_move] == ["heat"]
    report = dispatch(shed)
    (moved,) = report.moved
    assert moved.reason == "It would be too hot for the plants on the way."


def test_an_order_without_a_day_is_told_what_closes_the_days_that_were_wanted(
    shed: Database,
) -> None:
    """Wanted in a hot week: that is said, not that the parcels of earlier weeks are too early."""
    first = MONDAY + timedelta(days=7)
    with shed.writing() as session:
        stock(session, 100)
        order = open_order(session, "A-1", the_product(session), 1)
        order.not_before, order.not_after = first + timedelta(days=1), first + timedelta(days=4)
        station, at = session.exec(select(Station)).one(), now(session)
        for day in (first + timedelta(days=i) for i in range(7)):
            session.add(
                Forecast(station_id=station.id or 0, day=day, issued_at=at, min_c=20, max_c=39)
            )
    (left,) = dispatch(shed).unshipped
    assert "most days for this: 39 °C forecast at Home" in left.reason
