"""The dispatch sends other plants than ordered only where customers agreed to them.

Common practice, no source: one who agreed to plants bought in, or to another cultivar, would rather
have those than wait for weeks; one who did not waits, and nobody's plants are changed for another.
"""

import itertools
from collections.abc import Mapping
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlmodel import Session, col, select

from nursery.checking import check_database
from nursery.database import Database
from nursery.dispatching.dispatch import accept
from nursery.dispatching.dispatch_stored import stored_dispatch
from nursery.dispatching.dispatch_why import why_order
from nursery.dispatching.stand_ins import fewest_first
from nursery.errors import Refused
from nursery.order import CustomerOrder, EventKind, Promise, PromiseEvent
from nursery.promising.basket import Basket, BasketLine, Consent, Destination
from nursery.promising.promise import confirm, reserve
from nursery.promising.told import told_once
from nursery.shed.pick_sheet import pick_sheet
from nursery.shed.picking import record_pick, report_short
from nursery.stock import Lot, Pool
from tests.bought_in import bought_lot, substitutes
from tests.builders import crop_named, open_order, ready_lot, set_clock
from tests.dispatches import (
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

HERE = Destination("NL", "1011AB")


@pytest.fixture
def shed(either_db: Database) -> Database:
    return sturdy_nursery(either_db)


@pytest.fixture
def small(db: Database) -> Database:
    return sturdy_nursery(db)


def agrees(session: Session, reference: str, *, bought_in: bool, other: bool) -> CustomerOrder:
    """The customer of this order agreed to that."""
    query = select(CustomerOrder).where(CustomerOrder.reference == reference)
    order = session.exec(query).one()
    order.may_be_bought_in, order.may_substitute = bought_in, other
    return order


def primulas(session: Session, plugs: int) -> None:
    ready_lot(session, crop_named(session, "Primula rosea"), plugs, MONDAY, LAST)


def held(session: Session) -> dict[str, tuple[str, ...]]:
    """What is not as ordered in each order's promise?"""
    return {
        promise.order.reference: tuple(note for line in promise.lines for note in line.notes)
        for promise in promises(session)
    }


def pool_versions(session: Session) -> Mapping[bool, int]:
    """By whether the pool is that of marsh marigolds bought in."""
    caltha = crop_named(session, "Caltha palustris").id
    pools = session.exec(select(Pool).where(Pool.crop_id == caltha))
    return {pool.bought_in: pool.version for pool in pools}


def told(session: Session) -> list[tuple[str, str]]:
    """What the shop is told of other days and plants, each thing once."""
    events = session.exec(select(PromiseEvent).order_by(col(PromiseEvent.id))).all()
    return [
        (event.promise.order.reference, str(detail.get("reason", "")))
        for event, detail in told_once(events)
        if event.kind is EventKind.RE_DATED
    ]


def test_plants_bought_in_stand_in_from_the_short_to_the_pick_sheet(shed: Database) -> None:
    """The whole way: promised, found short, dispatched, accepted later, told, picked."""
    with shed.writing() as session:
        lot = stock(session, 7)
        promise_on(session, "A-1", TUESDAY)
        agrees(session, "A-1", bought_in=True, other=False)
        bought_lot(session, 60)
        set_clock(session, TUESDAY)
        (line,) = session.exec(select(Promise)).one().lines
        assert report_short(session, line, lot, 0, "Pim", "eaten by slugs").missing == 6
        before = pool_versions(session)
    planned = dispatch(shed, accept_it=False)
    (change,) = planned.changed
    assert (change.reference, change.ship_on) == ("A-1", TUESDAY) and not planned.moved
    with shed.reading() as session:
        assert held(session) == {"A-1": ()}  # only planned
        (stored,) = stored_dispatch(session, planned.version).orders
        assert stored.notes == ("CP-6: bought in",)
    with shed.writing() as session:
        report = accept(session, planned.version, "Lea")
        assert report.ships[0].notes == ("CP-6: bought in",)
    with shed.reading() as session:
        assert held(session) == {"A-1": ("bought in",)}
        assert all(version > before[pool] for pool, version in pool_versions(session).items())
        words = "'Caltha palustris, 6 plugs' that we bought in instead of our own, as you agreed."
        assert told(session) == [("A-1", words)] and change.words == words
        (found,) = why_order(session, "A-1")
        assert found.notes == ("CP-6: bought in",) and words in found.moves[0]
        (own_day,) = (day.text for day in found.days if day.verdict == "its day")
        assert "not all is as ordered weighs like 5 days late" in own_day
        sheet = pick_sheet(session, TUESDAY)
        assert [pick.notes for pick in sheet.picks] == [("bought in",)]
    assert not check_database(shed.address).faults


def test_another_plant_stands_in_where_its_customer_agreed_to_that_alone(shed: Database) -> None:
    with shed.writing() as session:
        primulas(session, 60)
        substitutes(session, "Caltha palustris", "Primula rosea")
        for reference in ("WAITS", "AGREED"):
            open_order(session, reference, the_product(session))
        agrees(session, "AGREED", bought_in=False, other=True)
    report = dispatch(shed)
    assert [ship.reference for ship in report.ships] == ["AGREED"]
    assert [order.reference for order in report.unshipped] == ["WAITS"]
    assert report.changed[0].promise_id == report.ships[0].promise_id is not None
    with shed.reading() as session:
        assert held(session) == {"AGREED": ("other plant instead of CP-6",)}
        (event,) = session.exec(select(PromiseEvent)).all()
        assert event.kind is EventKind.CONFIRMED
        said = "'Primula rosea 'Gigas', 6 plugs' instead of 'Caltha palustris, 6 plugs', as you"
        said += " agreed."
        assert event.detail["reason"] == said
    assert not check_database(shed.address).faults


def test_own_plants_that_are_there_again_go_back_to_who_ordered_them_and_it_is_told_once(
    small: Database,
) -> None:
    """What was not told yet is never told: with other plants, and back again."""
    with small.writing() as session:
        lot = stock(session, 7)
        promise_on(session, "A-1", WEDNESDAY)
        agrees(session, "A-1", bought_in=True, other=False)
        bought_lot(session, 60)
        lot.plugs = 0
    assert dispatch(small).changed
    assert not dispatch(small).changed  # the second morning changes nothing
    with small.reading() as session:
        assert len(told(session)) == 1
    with small.writing() as session:
        stock(session, 30)
    (back,) = dispatch(small).changed
    assert (
        back.words == "'Caltha palustris, 6 plugs' that we raised ourselves, instead of bought in."
    )
    with small.reading() as session:
        assert held(session) == {"A-1": ()}
        events = session.exec(select(PromiseEvent).order_by(col(PromiseEvent.id))).all()
        moves = [event for event in events if event.kind is EventKind.RE_DATED]
        assert len(moves) == 2 and told_once(moves) == []
        assert [detail["reason"] for _, detail in told_once(moves[1:])] == [back.words]
    assert not dispatch(small).changed


def test_a_customer_waits_some_days_for_own_plants_before_others_stand_in(small: Database) -> None:
    """Standing in weighs like five days late: who waits four keeps to what was ordered."""
    with small.writing() as session:
        lot = stock(session, 30)
        for reference, day in (("LATE", TUESDAY), ("SOON", THURSDAY)):
            promise_on(session, reference, day, 2)
            agrees(session, reference, bought_in=True, other=False)
        bought_lot(session, 100)
        lot.ready_on = MONDAY + timedelta(days=7)  # six days after Tuesday, four after Thursday
    report = dispatch(small)
    assert {ship.reference: (ship.ship_on, ship.notes) for ship in report.ships} == {
        "LATE": (TUESDAY, ("CP-6: bought in",)),
        "SOON": (lot.ready_on, ()),
    }


def test_nobody_who_has_a_day_gets_other_plants_for_the_sake_of_somebody_else(
    small: Database,
) -> None:
    """Only who has no promise yet, and agreed, leaves the plugs to one who did not agree."""
    with small.writing() as session:
        stock(session, 14)
        bought_lot(session, 60)
        promise_on(session, "KEEPS", TUESDAY)
        agrees(session, "KEEPS", bought_in=True, other=False)
        open_order(session, "GIVES", the_product(session)).weight = 3
        agrees(session, "GIVES", bought_in=True, other=False)
        open_order(session, "ALONE", the_product(session))
    report = dispatch(small)
    assert {ship.reference: ship.notes for ship in report.ships} == {
        "KEEPS": (),
        "GIVES": ("CP-6: bought in",),
        "ALONE": (),
    }
    with small.reading() as session:
        assert told(session) == []


def test_a_plan_with_other_plants_is_refused_once_its_customer_takes_that_back(
    small: Database,
) -> None:
    with small.writing() as session:
        bought_lot(session, 60)
        open_order(session, "A-1", the_product(session))
        agrees(session, "A-1", bought_in=True, other=False)
        said = why_order(session, "A-1")[0].days[1].text
        assert "agreed to CP-6: bought in, which is there and weighs like 5 days late" in said
    planned = dispatch(small, accept_it=False)
    with small.writing() as session:
        agrees(session, "A-1", bought_in=False, other=False)
    refused = pytest.raises(Refused, match="order A-1: its plants may not be changed so")
    with refused, small.writing() as session:
        accept(session, planned.version, "Lea")


def test_a_parcel_that_is_being_picked_never_changes(small: Database) -> None:
    with small.writing() as session:
        lot = stock(session, 14)
        promise_on(session, "A-1", TUESDAY, 2)
        agrees(session, "A-1", bought_in=True, other=True)
        bought_lot(session, 60)
        primulas(session, 60)
        substitutes(session, "Caltha palustris", "Primula rosea")
        set_clock(session, TUESDAY)
        (line,) = session.exec(select(Promise)).one().lines
        record_pick(session, line, lot, 6, "Pim")
        report_short(session, line, lot, 0, "Pim", "eaten by slugs")
    report = dispatch(small)
    assert not report.changed and not report.moved
    with small.reading() as session:
        assert held(session) == {"A-1": ()}


def test_what_was_bought_as_bought_in_stays_so_though_own_plants_are_there_again(
    small: Database,
) -> None:
    """Its customer was told so in the shop: nobody needs to hear anything else."""
    with small.writing() as session:
        bought_lot(session, 60)
        basket = Basket((BasketLine("CP-6", 1),))
        agreed = Consent(bought_in=True)
        made = reserve(session, "A-1", basket, HERE, TUESDAY, "Van", "shop", consent=agreed)
        confirm(session, made.id or 0, "shop")
        stock(session, 60)
    assert not dispatch(small).changed
    with small.reading() as session:
        assert held(session) == {"A-1": ("bought in",)}


def test_why_an_order_waits_is_told_where_no_lot_of_its_plants_is_there(small: Database) -> None:
    with small.writing() as session:
        open_order(session, "A-1", the_product(session))
        (found,) = why_order(session, "A-1")
    assert "6 plugs of CP-6 too few" in {day.text for day in found.days}


def take_back(session: Session, reference: str) -> None:
    """The customer wants neither plants bought in nor others any more."""
    agrees(session, reference, bought_in=False, other=False)


def test_who_takes_consent_back_gets_what_was_ordered_at_the_next_dispatch(small: Database) -> None:
    """Whether a dispatch put them in or they were bought so; till then nothing is picked."""
    with small.writing() as session:
        lot = stock(session, 7)
        promise_on(session, "A-1", WEDNESDAY)
        agrees(session, "A-1", bought_in=True, other=False)
        bought = bought_lot(session, 60)
        lot.plugs = 0
    assert dispatch(small).changed
    with small.writing() as session:
        take_back(session, "A-1")
        stock(session, 30)
        (line,) = promises(session)[0].lines
        with pytest.raises(Refused, match="does not agree to that now"):
            record_pick(session, line, session.get_one(Lot, bought.id), 6, "Pim")
        (found,) = why_order(session, "A-1")
        assert "`nursery dispatch` gives it what was ordered" in found.notes[0]
    assert any("A-1" in str(fault) for fault in check_database(small.address).faults)
    (back,) = dispatch(small).changed
    assert "that we raised ourselves" in back.words
    assert not dispatch(small).changed
    with small.reading() as session:
        assert held(session) == {"A-1": ()}
    assert not any("A-1" in str(fault) for fault in check_database(small.address).faults)


def test_who_takes_consent_back_leaves_the_plants_to_others_though_own_ones_are_not_there(
    small: Database,
) -> None:
    """It waits without a day, its plugs are free at once, and nobody is promised them twice."""
    with small.writing() as session:
        lot = stock(session, 7)
        promise_on(session, "A-1", WEDNESDAY)
        agrees(session, "A-1", bought_in=True, other=False)
        bought_lot(session, 6)
        lot.plugs = 0
    assert dispatch(small).changed
    with small.writing() as session:
        take_back(session, "A-1")
        open_order(session, "B-1", the_product(session))
        agrees(session, "B-1", bought_in=True, other=False)
    report = dispatch(small)
    assert [ship.reference for ship in report.ships] == ["B-1"]
    assert [each.reference for each in report.unshipped] == ["A-1"]
    with small.reading() as session:
        assert held(session) == {"A-1": (), "B-1": ("bought in",)}
        assert promises(session)[0].state == "confirmed"
        ((who, words),) = told(session)  # of the day and the plants together, once
        assert who == "A-1" and "that we raised ourselves" in words
    assert not dispatch(small).ships[1:]


@given(st.lists(st.integers(1, 4), max_size=5))
def test_of_all_ways_to_fill_a_parcel_those_with_the_fewest_changes_come_first(
    options: list[int],
) -> None:
    every = itertools.product(*(range(many) for many in options))
    listed = sorted(every, key=lambda way: (sum(at > 0 for at in way), sum(way), way))
    assert list(fewest_first(options)) == listed


def test_an_order_of_forty_products_has_its_first_ways_at_once() -> None:
    """Four to the power of forty of them could not be listed."""
    first = list(itertools.islice(fewest_first([4] * 40), 32))
    assert first[0] == (0,) * 40 and all(sum(way) == 1 for way in first[1:])
