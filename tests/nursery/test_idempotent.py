"""A key names one request: the same answer for ever, whatever has happened since."""

from collections.abc import Callable
from datetime import date

import pytest
from sqlmodel import Session, select

from nursery.access import IdempotencyKey, Role, Token, make_token
from nursery.database import Database, now
from nursery.errors import Refused
from nursery.order import Promise
from nursery.promising.idempotent import once
from nursery.promising.promise import cancel, reserve
from tests.builders import crop_named, ready_lot
from tests.shop import HERE, MONDAY, caltha, mild_nursery

TUESDAY = date(2027, 3, 2)


def _token(db: Database) -> int:
    with db.writing() as session:
        mild_nursery(session, plugs=20)
        make_token(session, "web shop", Role.SHOP, now(session))
        token = session.exec(select(Token)).one()
        assert token.id is not None
        return token.id


def _reserve(session: Session, quantity: int) -> Promise:
    return reserve(session, f"S-{quantity}", caltha(quantity), HERE, TUESDAY, "Van", "shop")


def _act(quantity: int) -> Callable[[Session], dict[str, object]]:
    def act(session: Session) -> dict[str, object]:
        promise = _reserve(session, quantity)
        return {"promise": promise.id, "ship_on": promise.ship_on}

    return act


def test_the_same_key_and_body_get_the_same_answer_for_ever(db: Database) -> None:
    token = _token(db)
    first = once(db, token, "k1", {"quantity": 2}, _act(2))
    assert first == {"promise": 1, "ship_on": "2027-03-02"}
    with db.writing() as session:
        cancel(session, 1, "shop")
    assert once(db, token, "k1", {"quantity": 2}, _act(2)) == first
    with db.reading() as session:
        assert len(session.exec(select(Promise)).all()) == 1


def test_the_same_key_with_another_body_is_refused(db: Database) -> None:
    token = _token(db)
    once(db, token, "k1", {"quantity": 1}, _act(1))
    with pytest.raises(Refused) as refused:
        once(db, token, "k1", {"quantity": 2}, _act(2))
    assert (refused.value.refusal.code, refused.value.refusal.field) == ("key_reused", "key")
    with pytest.raises(Refused, match="1 to 120 characters"):
        once(db, token, "", {}, _act(2))


def test_a_refusal_is_an_answer_and_stays_one(db: Database) -> None:
    token = _token(db)
    answer = once(db, token, "k1", {"quantity": 9}, _act(9))
    assert answer["refusal"]["code"] == "no_plugs"
    with db.writing() as session:
        ready_lot(session, crop_named(session, "Caltha palustris"), 90, MONDAY, TUESDAY)
    assert once(db, token, "k1", {"quantity": 9}, _act(9)) == answer
    assert once(db, token, "k2", {"quantity": 9}, _act(9))["promise"] == 1


def test_a_request_that_broke_down_keeps_no_key(db: Database) -> None:
    token = _token(db)

    def breaks(session: Session) -> dict[str, object]:
        _reserve(session, 1)
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        once(db, token, "k1", {}, breaks)
    with db.reading() as session:
        assert session.exec(select(IdempotencyKey)).all() == []
        assert session.exec(select(Promise)).all() == []
