"""The clock of the database's machine is set back: what was sold on stays sold."""

from collections.abc import Callable
from datetime import date

import pytest
from sqlalchemy import text
from sqlmodel import Session, select

from nursery.access import Role, make_token
from nursery.database import Database, now, site
from nursery.dispatching.dispatch import plan_dispatch
from nursery.errors import Refused
from nursery.order import Product, Promise, State
from nursery.promising.basket import Basket, BasketLine
from nursery.promising.group_batch import Request, reserving
from nursery.promising.group_books import Books, Wish
from nursery.promising.group_commit import answered
from nursery.promising.idempotent import once
from nursery.promising.promise import amend, confirm, reserve
from solver.run import Limits
from tests.builders import crop_named, open_order, ready_lot
from tests.flow_judge import oversold
from tests.shop import HERE, MONDAY, caltha, mild_nursery

TUESDAY, WEDNESDAY = date(2027, 3, 2), date(2027, 3, 3)
SOLD_OUT = 12


def _clock(db: Database, minutes: int) -> None:
    with db.writing() as session:
        site(session).clock_shift_seconds += minutes * 60


def _wish(reference: str, day: date = TUESDAY) -> Request:
    wish = Wish(reference, caltha(2), HERE, day, "Van", "web shop")
    return reserving(1, reference, {"wish": reference}, wish)


def _alone(db: Database, request: Request) -> int:
    def act(session: Session) -> dict[str, object]:
        return {"id": request.act(session).id}

    return int(once(db, request.token_id, request.key, request.body, act)["id"])


def _in_a_group(db: Database, request: Request) -> int:
    (answer,) = answered(db, Books(), [request])
    assert not isinstance(answer, Exception)
    return int(answer["id"])


BY = pytest.mark.parametrize("by", [_alone, _in_a_group], ids=["alone", "in a group"])
Way = Callable[[Database, Request], int]


@pytest.fixture
def sold_on(either_db: Database) -> Database:
    """A nursery with just the plugs of one reservation."""
    with either_db.writing() as session:
        mild_nursery(session, plugs=SOLD_OUT)
        make_token(session, "web shop", Role.SHOP, now(session))
    return either_db


def _state(session: Session, promise: int) -> State:
    return session.exec(select(Promise).where(Promise.id == promise)).one().state


@BY
def test_a_reservation_whose_plugs_were_sold_on_holds_no_more_when_the_clock_is_set_back(
    sold_on: Database, by: Way
) -> None:
    first = by(sold_on, _wish("S-1"))
    _clock(sold_on, 31)
    second = by(sold_on, _wish("S-2", WEDNESDAY))
    _clock(sold_on, -31)
    with sold_on.reading() as session:
        assert oversold(session) == 0
        assert (_state(session, first), _state(session, second)) == (State.LAPSED, State.RESERVED)
    with pytest.raises(Refused) as refused, sold_on.writing() as session:
        confirm(session, first, "web shop")
    assert refused.value.refusal.code == "lapsed"
    with sold_on.writing() as session:
        confirm(session, second, "web shop")
        assert oversold(session) == 0
        told = text("SELECT count(*) FROM promise_event WHERE kind = 'lapsed'")
        assert session.connection().execute(told).scalar_one() == 1


@BY
def test_packing_minutes_that_were_given_away_again_stay_given_when_the_clock_is_set_back(
    sold_on: Database, by: Way
) -> None:
    with sold_on.writing() as session:
        session.connection().execute(text("UPDATE lot SET plugs = 600"))
        site(session).packing_minutes_a_day = 8
    by(sold_on, _wish("S-1"))
    _clock(sold_on, 31)
    by(sold_on, _wish("S-2"))
    _clock(sold_on, -31)
    taken = text("SELECT sum(minutes) FROM promise WHERE state IN ('reserved', 'confirmed')")
    with sold_on.reading() as session:
        assert int(session.connection().execute(taken).scalar_one()) <= 8


def test_a_reservation_that_nobody_sold_on_holds_again_when_the_clock_is_set_back(
    sold_on: Database,
) -> None:
    first = _alone(sold_on, _wish("S-1"))
    _clock(sold_on, 31)
    _clock(sold_on, -31)
    with sold_on.writing() as session:
        assert confirm(session, first, "web shop").state == State.CONFIRMED
        assert oversold(session) == 0


def test_plugs_taken_over_by_an_amended_promise_stay_taken_when_the_clock_is_set_back(
    sold_on: Database,
) -> None:
    with sold_on.writing() as session:
        session.connection().execute(text("UPDATE lot SET plugs = 18"))
    first = _alone(sold_on, _wish("S-1"))
    with sold_on.writing() as session:
        small = reserve(session, "S-2", caltha(1), HERE, TUESDAY, "Van", "web shop")
        confirm(session, small.id or 0, "web shop")
    _clock(sold_on, 31)
    with sold_on.writing() as session:
        amend(session, small.id or 0, "web shop", caltha(3))
    _clock(sold_on, -31)
    with sold_on.reading() as session:
        assert oversold(session) == 0
        assert _state(session, first) == State.LAPSED


def test_an_order_reserved_anew_with_other_plants_has_one_promise_when_the_clock_is_set_back(
    either_db: Database,
) -> None:
    with either_db.writing() as session:
        mild_nursery(session)
        ready_lot(session, crop_named(session, "Primula rosea"), 12, MONDAY, WEDNESDAY)
        first = reserve(session, "S-1", caltha(1), HERE, TUESDAY, "Van", "web shop")
    _clock(either_db, 31)
    with either_db.writing() as session:
        other = Basket((BasketLine("PRG-6", 1),))
        reserve(session, "S-1", other, HERE, WEDNESDAY, "Van", "web shop")
    _clock(either_db, -31)
    with pytest.raises(Refused) as refused, either_db.writing() as session:
        confirm(session, first.id or 0, "web shop")
    assert refused.value.refusal.code == "not_changeable"


def test_plugs_that_a_dispatch_gave_to_others_stay_given_when_the_clock_is_set_back(
    sold_on: Database,
) -> None:
    first = _alone(sold_on, _wish("S-1"))
    with sold_on.writing() as session:
        product = session.exec(select(Product).where(Product.code == "CP-6")).one()
        open_order(session, "B-1", product, 2)
    _clock(sold_on, 31)
    report = plan_dispatch(sold_on, Limits(seconds=5, threads=1), "lead", accept_it=True)
    assert report.dispatched == 1
    _clock(sold_on, -31)
    with sold_on.reading() as session:
        assert oversold(session) == 0
        assert _state(session, first) == State.LAPSED
