"""References, windows and deliveries as they come from people, not from the book."""

from datetime import date, timedelta

import pytest

from nursery.database import Database
from nursery.errors import Fault, Refused
from nursery.order import CustomerOrder, State
from nursery.promising.basket import Basket, BasketLine, Window
from nursery.promising.promise import amend, confirm, promise_order, reserve
from nursery.promising.quote import quote
from nursery.shed.picking import delivered, hand_over, record_pick
from nursery.stock import Lot
from tests.builders import crop_named, open_order, product_of, set_clock
from tests.shop import HERE, MONDAY, caltha, mild_nursery

TUESDAY, WEDNESDAY = MONDAY + timedelta(days=1), MONDAY + timedelta(days=2)
BACKWARDS = Window(MONDAY + timedelta(days=9), MONDAY + timedelta(days=5))


@pytest.mark.parametrize(
    "reference", ["erased-5", "W\n1", "W\t1", "W\x7f1"], ids=["erased", "line", "tab", "delete"]
)
def test_a_reference_that_could_not_be_printed_or_told_from_an_erased_one_is_refused(
    db: Database, reference: str
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        with pytest.raises(Refused) as refused:
            reserve(session, reference, caltha(1), HERE, TUESDAY, "Van", "shop")
    assert refused.value.refusal.code == "bad_reference" and refused.value.refusal.next


def test_a_reference_with_quotes_and_pictures_is_the_shops_own_business(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        kept = reserve(session, 'O\'Hara "7" 🌱', caltha(1), HERE, TUESDAY, "Van", "shop")
        assert session.get_one(CustomerOrder, kept.order_id).reference == 'O\'Hara "7" 🌱'


def test_days_of_arrival_in_the_wrong_order_are_refused_not_answered_with_no_day(
    db: Database,
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        made = confirm(
            session,
            reserve(session, "W-1", caltha(1), HERE, TUESDAY, "Van", "shop").id or 0,
            "shop",
        )
        for ask in (
            lambda: quote(session, caltha(1), HERE, window=BACKWARDS),
            lambda: reserve(session, "W-2", caltha(1), HERE, TUESDAY, "Van", "x", BACKWARDS),
            lambda: amend(session, made.id or 0, "shop", window=BACKWARDS),
        ):
            with pytest.raises(Refused) as refused:
                ask()
            assert refused.value.refusal.code == "bad_window"


def test_more_of_a_product_than_anybody_sends_is_a_slip_of_the_keyboard(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        with pytest.raises(Refused) as refused:
            quote(session, Basket((BasketLine("CP-6", 10**9),)), HERE)
    assert "at most 1000000" in refused.value.refusal.message


def test_a_parcel_that_left_before_its_ship_day_may_arrive_before_it_too(db: Database) -> None:
    """What a person did is recorded: the van took it on Monday."""
    with db.writing() as session:
        mild_nursery(session)
        product = product_of(session, crop_named(session, "Caltha palustris"))
        order = open_order(session, "W-1", product)
        promise = promise_order(session, order.id or 0, WEDNESDAY, "Van", "shop")
        record_pick(session, promise.lines[0], session.get_one(Lot, 1), 6, "Bo")
        hand_over(session, promise.id or 0, "TR-1", "Bo")
        set_clock(session, WEDNESDAY + timedelta(days=1))
        with pytest.raises(Fault):
            delivered(session, promise.id or 0, date(2027, 2, 28), "shop")
        found = delivered(session, promise.id or 0, TUESDAY, "shop")
    assert found.state is State.DELIVERED
