"""What is refused comes with other days, looked for with no lock held, and stays the answer."""

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import event, text
from sqlalchemy.exc import OperationalError
from sqlmodel import Session, create_engine, select

from nursery.access import Role, make_token
from nursery.database import Database, now
from nursery.order import Promise
from nursery.promising.group_batch import Request, answer_all, reserving
from nursery.promising.group_books import Books, Wish
from nursery.promising.group_commit import answered
from nursery.promising.idempotent import once
from nursery.promising.promise_rows import NotThatDay
from tests.builders import crop_named, ready_lot
from tests.shop import HERE, MONDAY, caltha, mild_nursery

TUESDAY = date(2027, 3, 2)
LATER = MONDAY + timedelta(days=21)


@pytest.fixture
def sold_out(either_db: Database) -> Database:
    """A nursery with six plugs now, and sixty in three weeks."""
    with either_db.writing() as session:
        mild_nursery(session, plugs=6)
        ready_lot(session, crop_named(session, "Caltha palustris"), 60, LATER, LATER)
        make_token(session, "web shop", Role.SHOP, now(session))
    return either_db


def _request(key: str = "key") -> Request:
    wish = Wish(f"S-{key}", caltha(2), HERE, TUESDAY, "Van", "web shop")
    return reserving(1, key, {"wish": key}, wish)


def _more_plugs(db: Database) -> None:
    with db.writing() as session:
        ready_lot(session, crop_named(session, "Caltha palustris"), 60, MONDAY, LATER)


def _answer(db: Database, request: Request) -> Any:
    (answer,) = answered(db, Books(), [request])
    assert not isinstance(answer, Exception)
    return answer


def _first_half(db: Database, request: Request) -> NotThatDay:
    """All that a process had done before it looked for other days."""
    with db.writing() as session:
        (outcome,) = answer_all(session, Books(), [request])
    assert isinstance(outcome, NotThatDay)
    return outcome


def _promises(db: Database) -> int:
    with db.reading() as session:
        return len(session.exec(select(Promise)).all())


def test_a_refusal_names_the_days_that_can_be_had_and_stays_the_same_when_plugs_come(
    sold_out: Database,
) -> None:
    first = _answer(sold_out, _request())["refusal"]
    assert first["code"] == "no_plugs"
    assert [option["ship_on"] for option in first["options"]] == [LATER.isoformat()]
    assert first["next"] == f"the best day now is {LATER}"
    _more_plugs(sold_out)
    assert _answer(sold_out, _request())["refusal"] == first
    assert once(sold_out, 1, "key", _request().body, lambda _: {})["refusal"] == first
    assert _promises(sold_out) == 0


def test_a_server_that_dies_while_it_looks_for_other_days_has_answered_nothing(
    sold_out: Database,
) -> None:
    """The retry is done anew, whatever there is by then, and is the one answer from then on."""
    _first_half(sold_out, _request())
    _more_plugs(sold_out)
    answer = _answer(sold_out, _request())
    assert answer["reference"] == "S-key"
    assert _answer(sold_out, _request()) == answer
    assert _promises(sold_out) == 1


def test_a_refusal_that_comes_after_the_retry_was_granted_elsewhere_gives_that_answer(
    sold_out: Database,
) -> None:
    slow = _first_half(sold_out, _request())
    _more_plugs(sold_out)
    granted = _answer(sold_out, _request())
    with sold_out.reading() as session:
        late = replace(_request(), refusal=slow.with_options(session))
    assert _answer(sold_out, late) == granted
    assert _answer(sold_out, _request()) == granted


def test_other_days_are_looked_for_while_others_may_write(sold_out: Database) -> None:
    other = create_engine(
        sold_out.address, **({"connect_args": {"timeout": 0}} if sold_out.is_sqlite else {})
    )
    lock = "UPDATE pool SET version = version" if sold_out.is_sqlite else _LOCK_NOW
    free: list[bool] = []

    def look(connection: Any) -> None:
        try:
            with Session(other) as session:
                session.connection().execute(text(lock))
            free.append(True)
        except OperationalError:
            free.append(False)

    event.listen(sold_out.reader, "begin", look)
    by_group = _answer(sold_out, _request("one"))

    def act(session: Session) -> dict[str, object]:
        return {"id": _request("two").act(session).id}

    alone = once(sold_out, 1, "two", {}, act)
    assert by_group["refusal"]["options"] == alone["refusal"]["options"]
    assert free and all(free)
    with sold_out.writing() as session:
        session.connection().execute(text("UPDATE pool SET version = version"))
        look(None)
    assert not free[-1]  # it would have been told
    other.dispose()


_LOCK_NOW = "SELECT id FROM pool FOR UPDATE NOWAIT"
