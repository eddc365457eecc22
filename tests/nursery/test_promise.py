"""The life of a promise: reserved, confirmed, amended, cancelled, lapsed, re-dated."""

from collections.abc import Callable
from datetime import date, timedelta

import pytest
from sqlmodel import Session, select

from nursery.database import Database, now, site
from nursery.errors import Refusal, Refused
from nursery.order import CustomerOrder, EventKind, Promise, PromiseEvent, ShipDay, State
from nursery.promising.basket import Basket, BasketLine, Consent, Window
from nursery.promising.promise import (
    amend,
    cancel,
    confirm,
    lapse,
    orders_without_promise,
    promise_order,
    re_date,
    release,
    reserve,
)
from nursery.promising.promise_rows import NotThatDay
from nursery.promising.quote import OtherOptions, quote
from nursery.promising.supply import available, deficits
from nursery.stock import Lot, Pool
from tests.builders import crop_named, open_order, product_of, ready_lot
from tests.flow_judge import oversold
from tests.shop import HERE, MONDAY, THERE, both, caltha, mild_nursery

TUESDAY = date(2027, 3, 2)
THURSDAY = date(2027, 3, 4)


def _reserve(
    session: Session, reference: str = "S-1", quantity: int = 2, day: date = TUESDAY
) -> Promise:
    return reserve(session, reference, caltha(quantity), HERE, day, "Van", "shop")


def _id(promise: Promise) -> int:
    assert promise.id is not None
    return promise.id


def _later(session: Session, minutes: int) -> None:
    site(session).clock_shift_seconds += minutes * 60
    session.flush()


def _refused(act: Callable[[], object]) -> Refusal:
    with pytest.raises(Refused) as refused:
        act()
    return refused.value.refusal


def _instead(session: Session, act: Callable[[], object]) -> OtherOptions:
    """The refusal of this day, with what can be had instead."""
    with pytest.raises(NotThatDay) as refused:
        act()
    return refused.value.with_options(session)


def _events(session: Session, promise: Promise) -> list[EventKind]:
    rows = select(PromiseEvent).where(PromiseEvent.promise_id == promise.id)
    return [event.kind for event in session.exec(rows.order_by(PromiseEvent.id))]  # type: ignore[arg-type]


def _left(session: Session) -> int:
    caltha_crop = crop_named(session, "Caltha palustris")
    pool = session.exec(select(Pool).where(Pool.crop_id == caltha_crop.id)).one()
    assert pool.id is not None
    return int(available(session, [pool.id])[pool.id][7])


def test_a_reservation_keeps_plugs_and_packing_minutes_while_the_customer_pays(
    db: Database,
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        promise = _reserve(session)
        assert promise.state == State.RESERVED
        assert promise.reserved_until is not None
        wait = promise.reserved_until - now(session)
        assert timedelta(minutes=29) < wait <= timedelta(minutes=30)
        assert (promise.ship_on, promise.first_ship_on, promise.pack_on) == (TUESDAY,) * 3
        assert [(line.quantity, line.plugs) for line in promise.lines] == [(2, 12)]
        # 4 minutes a parcel and twice 1 + 0.5 for the product and its wrap.
        assert promise.minutes == 7
        assert _left(session) == 88
        order = session.exec(select(CustomerOrder)).one()
        assert (order.reference, order.country, order.postcode) == ("S-1", "NL", "1011 AB")
        assert _events(session, promise) == [EventKind.RESERVED]


def test_every_writer_raises_the_versions_of_the_pools_and_ship_days_it_touches(
    db: Database,
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        promise = _reserve(session)
        pool = session.get(Pool, promise.lines[0].pool_id)
        day = session.get(ShipDay, TUESDAY)
        assert pool is not None and day is not None
        assert (pool.version, day.version, day.minutes) == (1, 1, None)
        confirm(session, _id(promise), "shop")
        assert (pool.version, day.version) == (2, 2)


def test_a_confirmed_promise_stands_after_its_reservation_would_have_lapsed(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        promise = confirm(session, _id(_reserve(session)), "shop")
        _later(session, 31)
        assert lapse(session) == []
        assert promise.state == State.CONFIRMED
        assert _left(session) == 88
        assert confirm(session, _id(promise), "shop") is promise
        assert _events(session, promise) == [EventKind.RESERVED, EventKind.CONFIRMED]


def test_a_lapsed_reservation_frees_its_plugs_before_and_after_it_is_written_down(
    db: Database,
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        promise = _reserve(session)
        _later(session, 31)
        assert _left(session) == 100
        assert lapse(session) == [promise.id]
        assert lapse(session) == []
        assert promise.state == State.LAPSED
        assert _left(session) == 100
        assert _events(session, promise) == [EventKind.RESERVED, EventKind.LAPSED]


@pytest.mark.parametrize("written_down", [True, False])
def test_a_late_confirm_succeeds_if_plugs_and_day_are_still_there(
    db: Database, written_down: bool
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        promise = _reserve(session)
        _later(session, 31)
        if written_down:
            lapse(session)
        confirm(session, _id(promise), "shop")
        assert promise.state == State.CONFIRMED
        assert _left(session) == 88
        last = session.exec(select(PromiseEvent).order_by(PromiseEvent.id.desc())).first()  # type: ignore[union-attr]
        assert last is not None and last.detail["late"] is True


@pytest.mark.parametrize("written_down", [True, False])
def test_a_late_confirm_gets_new_options_when_the_plugs_are_gone(
    db: Database, written_down: bool
) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=15)
        late = MONDAY + timedelta(days=21)
        ready_lot(session, crop_named(session, "Caltha palustris"), 30, late, late)
        promise = _reserve(session)
        _later(session, 31)
        if written_down:
            lapse(session)
        confirm(session, _id(_reserve(session, "S-2")), "shop")
        refusal = _instead(session, lambda: confirm(session, _id(promise), "shop"))
        assert refusal.code == "lapsed"
        assert [option.ship_on for option in refusal.options] == [late]
        assert oversold(session) == 0


def test_a_late_confirm_gets_new_options_when_the_day_has_closed(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        promise = _reserve(session)
        _later(session, 5 * 60)  # past Monday noon, the cut-off for Tuesday
        refusal = _instead(session, lambda: confirm(session, _id(promise), "shop"))
        assert refusal.options[0].ship_on == date(2027, 3, 3)


def test_a_reservation_that_was_made_anew_cannot_be_confirmed_twice(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        first = _reserve(session)
        _later(session, 31)
        second = _reserve(session)
        assert first.order_id == second.order_id
        refusal = _refused(lambda: confirm(session, _id(first), "shop"))
        assert refusal.code == "not_changeable"
        confirm(session, _id(second), "shop")
        assert _left(session) == 88


def test_the_same_order_twice_is_refused(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        _reserve(session)
        refusal = _refused(lambda: _reserve(session))
        assert (refusal.code, refusal.field) == ("order_exists", "reference")
        assert _left(session) == 88


def test_more_plugs_than_there_are_cannot_be_reserved_and_other_days_are_offered(
    db: Database,
) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=17)
        _reserve(session)
        refusal = _refused(lambda: _reserve(session, "S-2", 1))
        assert (refusal.code, refusal.field) == ("no_plugs", "ship_on")
        assert "5 plugs left for that day, 6 wanted" in refusal.message


def test_a_closed_day_or_an_unknown_service_cannot_be_reserved(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        closed = _instead(session, lambda: _reserve(session, day=date(2027, 3, 6)))
        assert closed.code == "day_closed"
        assert "closed on Saturdays" in closed.message
        assert closed.options
        other = _refused(lambda: reserve(session, "S-1", caltha(1), HERE, TUESDAY, "Rail", "shop"))
        assert (other.code, other.next) == ("unknown_service", "there are: Van")


def test_packing_minutes_are_given_away_once(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session).packing_minutes_a_day = 15
        _reserve(session, "S-1")
        _reserve(session, "S-2")
        refusal = _refused(lambda: _reserve(session, "S-3"))
        assert "1 packing minute left, 7 needed" in refusal.message


def test_parts_of_an_order_are_reserved_one_after_another_with_consent(db: Database) -> None:
    consent = Consent(may_split=True)
    with db.writing() as session:
        mild_nursery(session)
        late = MONDAY + timedelta(days=14)
        ready_lot(session, crop_named(session, "Primula rosea"), 12, late, late)
        for part in quote(session, both(), HERE, consent=consent).parts:
            reserve(
                session,
                "S-1",
                Basket(part.lines),
                HERE,
                part.ship_on,
                part.service,
                "shop",
                consent=consent,
            )
        order = session.exec(select(CustomerOrder)).one()
        assert [promise.ship_on for promise in order.promises] == [TUESDAY, late]
        assert len(order.lines) == 2
        assert oversold(session) == 0
        refusal = _refused(
            lambda: amend(session, _id(order.promises[0]), "shop", destination=THERE)
        )
        assert refusal.code == "split_order"


def test_a_part_is_not_added_to_an_order_whose_customer_did_not_agree(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        ready_lot(session, crop_named(session, "Primula rosea"), 12, MONDAY, TUESDAY)
        _reserve(session)
        primula = Basket((BasketLine("PRG-6", 1),))
        refusal = _refused(
            lambda: reserve(
                session, "S-1", primula, HERE, TUESDAY, "Van", "shop", consent=Consent(True)
            )
        )
        assert refusal.code == "order_exists"


def test_fewer_plants_on_the_same_day_are_always_granted(db: Database) -> None:
    """Even when the day has closed since, and the pool can no longer keep all it owes."""
    with db.writing() as session:
        mild_nursery(session)
        promise = confirm(session, _id(_reserve(session, quantity=3)), "shop")
        session.exec(select(Lot)).one().plugs = 12
        _later(session, 6 * 60)
        assert deficits(session)
        amend(session, _id(promise), "shop", basket=caltha(2))
        assert [(line.quantity, line.plugs) for line in promise.lines] == [(2, 12)]
        assert [line.quantity for line in promise.order.lines] == [2]
        assert (promise.ship_on, promise.minutes) == (TUESDAY, 7)
        assert deficits(session) == []
        assert _events(session, promise)[-1] == EventKind.AMENDED


def test_more_plants_are_granted_only_if_they_are_there(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=20)
        promise = _reserve(session)
        amend(session, _id(promise), "shop", basket=caltha(3))
        assert _left(session) == 2
        assert _refused(lambda: amend(session, _id(promise), "shop", basket=caltha(4))).code == (
            "no_plugs"
        )


def test_another_day_and_another_address_are_one_operation(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=12)
        promise = confirm(session, _id(_reserve(session)), "shop")
        monday = date(2027, 3, 8)
        amend(session, _id(promise), "shop", destination=THERE, ship_on=monday)
        assert (promise.ship_on, promise.arrives_from) == (monday, date(2027, 3, 10))
        assert promise.first_ship_on == monday
        order = session.exec(select(CustomerOrder)).one()
        assert (order.country, order.postcode) == ("DE", "50667")
        assert promise.state == State.CONFIRMED
        assert oversold(session) == 0


def test_other_plants_take_the_place_of_the_first(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        primula = crop_named(session, "Primula rosea")
        ready_lot(session, primula, 12, MONDAY, MONDAY + timedelta(days=30))
        promise = _reserve(session)
        amend(session, _id(promise), "shop", basket=Basket((BasketLine("PRG-6", 1),)))
        assert [line.product_id for line in promise.lines] == [product_of(session, primula).id]
        assert [line.product_id for line in promise.order.lines] == [
            product_of(session, primula).id
        ]
        assert _left(session) == 100


def test_a_new_window_must_be_kept_too(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        promise = _reserve(session)
        early = Window(not_after=date(2027, 3, 3))
        assert _refused(lambda: amend(session, _id(promise), "shop", window=early)).code == (
            "day_closed"
        )


@pytest.mark.parametrize("act", [cancel, release])
def test_a_reservation_given_up_frees_its_plugs_at_once(
    db: Database, act: Callable[[Session, int, str], Promise]
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        promise = act(session, _id(_reserve(session)), "shop")
        assert promise.state == State.CANCELLED
        assert _left(session) == 100
        assert act(session, _id(promise), "shop").state == State.CANCELLED
        assert _events(session, promise) == [EventKind.RESERVED, EventKind.CANCELLED]
        assert _refused(lambda: confirm(session, _id(promise), "shop")).code == "not_changeable"


def test_a_confirmed_promise_is_cancelled_not_released(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        promise = confirm(session, _id(_reserve(session)), "shop")
        assert _refused(lambda: release(session, _id(promise), "shop")).code == "not_changeable"
        assert cancel(session, _id(promise), "shop").state == State.CANCELLED


def test_what_is_given_up_after_it_lapsed_has_lapsed(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        promise = _reserve(session)
        _later(session, 31)
        assert release(session, _id(promise), "shop").state == State.LAPSED
        assert cancel(session, _id(promise), "shop").state == State.LAPSED
        assert _refused(lambda: amend(session, _id(promise), "shop")).code == "lapsed"


@pytest.mark.parametrize("state", [State.PICKED, State.HANDED_OVER, State.DELIVERED])
def test_a_promise_that_is_picked_can_be_changed_no_more(db: Database, state: State) -> None:
    with db.writing() as session:
        mild_nursery(session)
        promise = confirm(session, _id(_reserve(session)), "shop")
        promise.state = state
        session.flush()
        for act in (cancel, release):
            assert _refused(lambda act=act: act(session, _id(promise), "shop")).code == (  # type: ignore[misc]
                "not_changeable"
            )
        refusal = _refused(lambda: amend(session, _id(promise), "shop", basket=caltha(1)))
        assert refusal.code == "not_changeable"
        assert confirm(session, _id(promise), "shop").state == state


def test_a_promise_of_which_some_plugs_are_picked_is_neither_amended_nor_cancelled(
    db: Database,
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        promise = confirm(session, _id(_reserve(session)), "shop")
        promise.lines[0].picked = 3
        session.flush()
        refusal = _refused(lambda: cancel(session, _id(promise), "shop"))
        assert "it is being picked" in refusal.message


def test_an_unknown_promise_is_refused(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        for act in (confirm, cancel, release, amend):
            assert _refused(lambda act=act: act(session, 99, "shop")).code == "unknown_promise"  # type: ignore[misc]


def test_orders_on_the_book_are_promised_once_and_a_lapsed_one_is_no_order(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        product = product_of(session, crop_named(session, "Caltha palustris"))
        order = open_order(session, "BOOK-1", product, 3)
        _reserve(session)
        _later(session, 31)
        lapse(session)
        assert orders_without_promise(session) == [order.id]
        promise = promise_order(session, order.id or 0, TUESDAY, "Van", "lead")
        assert promise.state == State.CONFIRMED
        assert orders_without_promise(session) == []
        refusal = _refused(lambda: promise_order(session, order.id or 0, TUESDAY, "Van", "lead"))
        assert refusal.code == "nothing_to_promise"
        assert _left(session) == 82


def test_a_re_dated_promise_keeps_the_first_day_it_was_given(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        promise = confirm(session, _id(_reserve(session)), "shop")
        re_date(session, _id(promise), THURSDAY, "Van", "lead", "heat")
        assert (promise.ship_on, promise.first_ship_on) == (THURSDAY, TUESDAY)
        event = session.exec(
            select(PromiseEvent).where(PromiseEvent.kind == EventKind.RE_DATED)
        ).one()
        assert event.detail["reason"] == "heat"
        assert event.detail["before"] == {
            "ship_on": "2027-03-02",
            "arrives_from": "2027-03-03",
            "arrives_until": "2027-03-04",
        }


def test_a_plan_that_was_judged_as_a_whole_may_swap_days_that_are_both_full(db: Database) -> None:
    with db.writing() as session:
        here = mild_nursery(session)
        here.packing_minutes_a_day = 7
        first = confirm(session, _id(_reserve(session, "S-1", day=TUESDAY)), "shop")
        second = confirm(session, _id(_reserve(session, "S-2", day=THURSDAY)), "shop")
        alone = _refused(lambda: re_date(session, _id(first), THURSDAY, "Van", "lead", "swap"))
        assert alone.code == "day_closed"
        re_date(session, _id(first), THURSDAY, "Van", "lead", "swap", judged=True)
        re_date(session, _id(second), TUESDAY, "Van", "lead", "swap", judged=True)
        assert (first.ship_on, second.ship_on) == (THURSDAY, TUESDAY)


def test_what_is_refused_leaves_no_trace(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=5)
    with pytest.raises(Refused), db.writing() as session:
        _reserve(session)
    with db.reading() as session:
        for table in (CustomerOrder, Promise, PromiseEvent, ShipDay):
            assert session.exec(select(table)).all() == []
