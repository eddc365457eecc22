"""On which delivery day parcels really arrive, learned from what was recorded."""

from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlmodel import Session, select

from nursery.database import Database
from nursery.errors import Fault, Refusal, Refused
from nursery.order import Promise, State
from nursery.promising.basket import Basket, BasketLine, Destination
from nursery.promising.promise import promise_order
from nursery.promising.quote import quote
from nursery.shed.deliveries import (
    BOOK_PARCELS,
    Sent,
    jeffreys,
    learned_transit,
    record_deliveries,
    shares,
)
from nursery.shed.picking import hand_over, record_pick
from nursery.shed.transit_use import put_back_transit, take_transit
from nursery.stock import Lot
from tests.builders import (
    crop_named,
    open_order,
    product_of,
    ready_lot,
    set_clock,
    small_nursery,
)

THURSDAY = date(2027, 3, 25)  # before Good Friday and Easter; the Netherlands work on Good Friday
BOOK = {1: 0.97, 2: 0.025, 3: 0.005}


@pytest.fixture
def shed(db: Database) -> Database:
    with db.writing() as session:
        small_nursery(session, date(2027, 3, 24))
        crop = crop_named(session, "Caltha palustris")
        product = product_of(session, crop)
        product.heat_limit_c, product.frost_limit_c, product.max_days_in_box = 40.0, -30.0, 9
        lot = ready_lot(session, crop, 60, date(2027, 3, 1), date(2027, 5, 1))
        for name in ("A-1", "A-2", "A-3"):
            order = open_order(session, name, product)
            promise = promise_order(session, order.id or 0, THURSDAY, "Van", "shop")
            record_pick(session, promise.lines[0], session.get_one(Lot, lot.id), 6, "Bo")
        set_clock(session, THURSDAY)
        for number in (1, 2, 3):
            hand_over(session, number, f"TR-{number}", "Bo")
    return db


def test_easter_monday_and_sundays_are_no_delivery_days(shed: Database) -> None:
    # Friday J+1, Saturday J+2, Tuesday after Easter Monday J+3: EN 13850 counts no closed day.
    with shed.writing() as session:
        set_clock(session, date(2027, 3, 30))
        record_deliveries(
            session,
            [
                ("A-1", date(2027, 3, 26)),
                ("A-2", date(2027, 3, 27)),
                ("A-3", date(2027, 3, 30)),
            ],
            "Bo",
        )
        (found,) = learned_transit(session)
    assert [(each.delivery_days, each.parcels) for each in found.days] == [(1, 1), (2, 1), (3, 1)]
    assert (found.service, found.zone, found.delivered) == ("Van", "Low land", 3)
    # Dirichlet prior of 50 parcels: (50 * share + 1) / 53.
    expected = [(BOOK_PARCELS * share + 1) / (BOOK_PARCELS + 3) for share in BOOK.values()]
    assert [each.used for each in found.days] == pytest.approx(expected)


def test_a_parcel_that_has_not_come_counts_for_the_days_after(shed: Database) -> None:
    with shed.writing() as session:
        set_clock(session, date(2027, 3, 27))  # Friday has passed; Saturday's round is not yet over
        record_deliveries(session, [("A-1", date(2027, 3, 26)), ("A-2", date(2027, 3, 26))], "Bo")
        (found,) = learned_transit(session)
    assert (found.delivered, found.on_the_way) == (2, 1)
    used = {each.delivery_days: each.used for each in found.days}
    # By hand: the waiting parcel is shared 5 to 1 between J+2 and J+3, as the book has them.
    assert used[1] == pytest.approx((48.5 + 2) / 53)
    assert used[2] == pytest.approx((1.25 + 5 / 6) / 53)
    assert used[3] == pytest.approx((0.25 + 1 / 6) / 53)


def test_dropping_late_parcels_would_flatter_the_carrier() -> None:
    sent = [Sent(1, True)] * 90 + [Sent(1, False)] * 10
    assert shares(BOOK, sent, BOOK_PARCELS)[1] < shares(BOOK, sent[:90], BOOK_PARCELS)[1]
    assert shares({}, sent, 0) == pytest.approx({1: 0.9, 2: 0.1})


def test_without_parcels_the_book_stands() -> None:
    assert shares(BOOK, [], BOOK_PARCELS) == pytest.approx(BOOK)


def test_many_deliveries_are_recorded_all_or_none(shed: Database) -> None:
    rows = [("A-1", date(2027, 3, 26)), ("A-9", date(2027, 3, 26))]
    fault = pytest.raises(Fault, match="needs one parcel with the carrier")
    with fault, shed.writing() as session:
        set_clock(session, date(2027, 3, 26))
        record_deliveries(session, rows, "Bo")
    with shed.reading() as session:
        assert {row.state for row in session.exec(select(Promise))} == {State.HANDED_OVER}


def test_the_interval_is_that_of_the_textbook() -> None:
    # Brown, Cai & DasGupta (2001), Table 5, n = 10, x = 2, 95 %: 0.044 to 0.503 (from memory).
    assert jeffreys(2, 10, 0.95) == pytest.approx((0.044, 0.503), abs=0.002)
    assert jeffreys(0, 10)[0] == 0.0 and jeffreys(10, 10)[1] == 1.0


PARCELS = st.lists(st.builds(Sent, st.integers(1, 6), st.booleans()), max_size=40)


@given(PARCELS)
@settings(deadline=None, max_examples=60)
def test_shares_are_a_whole_and_one_more_late_parcel_never_raises_the_first_day(
    sent: list[Sent],
) -> None:
    found = shares(BOOK, sent, BOOK_PARCELS)
    assert sum(found.values()) == pytest.approx(1.0)
    assert all(share >= 0 for share in found.values())
    later = shares(BOOK, [*sent, Sent(1, False)], BOOK_PARCELS)
    assert later[1] <= found[1] + 1e-9


def test_a_day_of_delivery_that_lies_ahead_is_refused(shed: Database) -> None:
    with pytest.raises(Fault, match="must lie between"), shed.writing() as session:
        record_deliveries(session, [("A-1", THURSDAY + timedelta(days=9))], "Bo")


def delivered_late(
    session: Session, first: int, late: int, in_time: int, ordered: date, ship_on: date
) -> None:
    """Parcels handed over on a Tuesday, some delivered on J+3 and some on J+1."""
    set_clock(session, ordered)
    crop = crop_named(session, "Caltha palustris")
    product = product_of(session, crop)
    product.heat_limit_c, product.frost_limit_c, product.max_days_in_box = 40.0, -30.0, 9
    lot = ready_lot(session, crop, 12 * (late + in_time), date(2027, 3, 1), date(2027, 5, 1))
    rows = []
    for number in range(first, first + late + in_time):
        order = open_order(session, f"B-{number}", product)
        promise = promise_order(session, order.id or 0, ship_on, "Van", "shop")
        record_pick(session, promise.lines[0], session.get_one(Lot, lot.id), 6, "Bo")
        days = 3 if number < first + late else 1
        rows.append((promise.id or 0, f"B-{number}", ship_on + timedelta(days=days)))
    set_clock(session, ship_on)
    for promise_id, reference, _ in rows:
        hand_over(session, promise_id, f"TR-{reference}", "Bo")
    set_clock(session, ship_on + timedelta(days=6))
    record_deliveries(session, [(reference, on) for _, reference, on in rows], "Bo")


def latest_arrival(db: Database) -> tuple[date, float]:
    """Of the quote for Tuesday 6 April, as a reader has it: by when, and how surely."""
    with db.reading() as session:
        found = quote(
            session,
            Basket((BasketLine("CP-6", 1),)),
            Destination("NL", "1011AB"),
            first_day=date(2027, 4, 6),
            last_day=date(2027, 4, 6),
        )
    (option,) = found.options
    return option.arrives_until, option.probability


@pytest.fixture
def delivered_by_then(db: Database) -> Database:
    with db.writing() as session:
        small_nursery(session, date(2027, 3, 25))
        delivered_late(session, 1, 10, 12, date(2027, 3, 25), date(2027, 3, 30))
        crop = crop_named(session, "Caltha palustris")
        ready_lot(session, crop, 60, date(2027, 3, 1), date(2027, 5, 1))
    return db


def test_learned_delivery_days_are_promised_on_once_a_person_took_them_into_use_until_put_back(
    delivered_by_then: Database,
) -> None:
    db = delivered_by_then
    by_book = latest_arrival(db)
    assert by_book[0] == date(2027, 4, 8)  # J+2: 99.5 % by the book
    with db.reading() as session:
        (shown,) = learned_transit(session)
    assert [each.promised for each in shown.days] == [each.book for each in shown.days]
    with db.writing() as session:
        taken = take_transit(session, "Van", "Low land", shown.data, "Lea", "a late spring")
        assert take_transit(session, "Van", "Low land", shown.data, "Lea", "again").id == taken.id
    # (50 * 0.005 + 10) / 72 arrive on J+3: only Friday 9 April is sure enough.
    assert latest_arrival(db) == (date(2027, 4, 9), pytest.approx(1.0))
    with db.reading() as session:
        (used,) = learned_transit(session)
    assert [each.promised for each in used.days] == [each.used for each in shown.days]
    assert used.in_use is not None
    assert (used.in_use.taken_by, used.in_use.parcels) == ("Lea", 22)
    # The Transit sheet stays the prior: what is learned does not feed on itself.
    assert (used.days[0].book, used.data) == (shown.days[0].book, shown.data)
    with db.writing() as session:
        put_back_transit(session, "Van", "Low land", "Lea", "the strike is over")
    assert latest_arrival(db) == by_book


def test_what_is_outdated_unknown_or_learned_from_too_few_parcels_is_not_taken_into_use(
    delivered_by_then: Database,
) -> None:
    db = delivered_by_then

    def refused(service: str, zone: str, data: str, who: str = "Lea") -> Refusal:
        with pytest.raises(Refused) as told, db.writing() as session:
            take_transit(session, service, zone, data, who, "a late spring")
        return told.value.refusal

    with db.reading() as session:
        (shown,) = learned_transit(session)
    unknown = refused("Van", "Atlantis", shown.data)
    assert (unknown.code, unknown.field) == ("unknown_lane", "zone")
    assert "Van to Low land" in (unknown.next or "")
    assert refused("Owl", "Low land", shown.data).field == "service"
    few = refused("Van", "Hill land", shown.data)
    assert few.code == "too_few_parcels" and "0 delivered parcels" in few.message
    with db.writing() as session:
        delivered_late(session, 100, 1, 0, date(2027, 4, 5), date(2027, 4, 6))
    assert refused("Van", "Low land", shown.data).code == "outdated"
    with pytest.raises(Fault, match="needs a name"):
        refused("Van", "Low land", shown.data, " ")
    with pytest.raises(Refused) as told, db.writing() as session:
        put_back_transit(session, "Van", "Low land", "Lea", "back to the book")
    assert told.value.refusal.code == "not_in_use"
