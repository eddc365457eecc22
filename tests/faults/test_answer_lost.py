"""The network is cut after the commit and before its answer: what is the same request answered?"""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

import httpx
import pytest
from sqlalchemy import text
from sqlalchemy.exc import OperationalError

from nursery.access import Role, make_token
from nursery.checking import check_database
from nursery.database import Database, now, open_database
from nursery.promising.group_batch import confirming, reserving
from nursery.promising.group_books import Wish
from nursery.promising.group_commit import GroupCommit
from tests.api.server import serving
from tests.api.shop import RESERVE, Shop
from tests.faults.serving import Wire
from tests.shop import HERE, MONDAY, caltha, mild_nursery

WEDNESDAY = MONDAY + timedelta(days=2)


@contextmanager
def wire_to(port: int) -> Iterator[Wire]:
    """A way to this port that can lose an answer."""
    wire = Wire(port)
    try:
        yield wire
    finally:
        wire.close()


def stocked(db: Database) -> str:
    """60 plugs of Caltha; a shop's token."""
    with db.writing() as session:
        mild_nursery(session, plugs=60)
        return make_token(session, "web shop", Role.SHOP, now(session))


def promised(db: Database) -> list[tuple[str, int]]:
    """State and plugs of every line that the books hold, in plain SQL."""
    with db.reading() as session:
        rows = session.connection().execute(
            text(
                "SELECT promise.state, promise_line.plugs FROM promise"
                " JOIN promise_line ON promise_line.promise_id = promise.id ORDER BY promise.id"
            )
        )
        return [(str(state), int(plugs)) for state, plugs in rows]


def test_a_confirm_whose_answer_postgresql_could_not_give_is_answered_under_the_same_key(
    postgres_db: Database,
) -> None:
    stocked(postgres_db)
    port = postgres_db.writer.url.port
    assert port is not None
    wish = Wish("W-1", caltha(2), HERE, WEDNESDAY, "Van", "web shop")
    with wire_to(port) as wire:
        cut = open_database(postgres_db.address.replace(f":{port}/", f":{wire.port}/"))
        with GroupCommit(cut) as writer:
            reserve = reserving(1, "key 1", {"r": 1}, wish)
            wire.lose_the_answer_to(b"COMMIT")
            with pytest.raises(OperationalError):
                writer.answer(reserve)
            assert promised(postgres_db) == [("reserved", 12)]  # committed, and nobody was told
            kept = writer.answer(reserve)
            confirm = confirming(1, "key 2", {"c": 1}, kept["id"], "web shop")
            wire.lose_the_answer_to(b"COMMIT")
            with pytest.raises(OperationalError):
                writer.answer(confirm)
            assert promised(postgres_db) == [("confirmed", 12)]
            told = writer.answer(confirm)
            assert told["state"] == "confirmed" and told["id"] == kept["id"]
            assert writer.answer(confirm) == told and writer.answer(reserve) == kept
        cut.close()
        assert wire.lost == 2
    assert promised(postgres_db) == [("confirmed", 12)]
    assert check_database(postgres_db.address).faults == ()


def test_a_reservation_whose_answer_the_shop_never_heard_is_answered_under_the_same_key(
    either_db: Database,
) -> None:
    secret = stocked(either_db)
    asked: dict[str, Any] = {
        "key": "k",
        "reference": "W-1",
        "basket": [{"code": "CP-6", "quantity": 2}],
        "to": {"country": "NL", "postcode": "1011AB"},
        "day": WEDNESDAY.isoformat(),
        "service": "Van",
    }
    with serving(either_db) as address, wire_to(int(address.rpartition(":")[2])) as wire:
        shop = Shop(f"http://127.0.0.1:{wire.port}", secret)
        wire.lose_the_answer_to(b"W-1")
        with pytest.raises(httpx.RemoteProtocolError):
            shop.ask(RESERVE, **asked)
        assert promised(either_db) == [("reserved", 12)] and wire.lost == 1
        first = shop.ask(RESERVE, **asked)
        assert (first["reference"], first["state"]) == ("W-1", "RESERVED")
        assert shop.ask(RESERVE, **asked) == first
        shop.close()
    assert promised(either_db) == [("reserved", 12)]
    assert check_database(either_db.address).faults == ()
