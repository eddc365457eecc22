"""Web sockets misused: told why, and nothing is held for them afterwards.

Close codes: 4400 to 4409 are those of graphql-transport-ws (enisdenjo/graphql-ws, PROTOCOL.md).
"""

import asyncio
import base64
import json
import os
import socket
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlmodel import Session
from websockets.asyncio.client import ClientConnection
from websockets.exceptions import ConnectionClosed

import api.sockets
from api.ids import global_id
from nursery.access import Role
from nursery.database import Database
from nursery.order import EventKind, PromiseEvent
from nursery.promising.promise import reserve
from nursery.settings import Settings
from tests.api.server import serving, tokens
from tests.api.shop import Shed
from tests.api.test_news import SUBSCRIPTION, to
from tests.builders import crop_named, ready_lot
from tests.shop import HERE, MONDAY, caltha

START = global_id("PromiseEvent", 0)


def _subscribe(id: str, after: str = START) -> str:
    payload = {"query": SUBSCRIPTION, "variables": {"after": after}}
    return json.dumps({"id": id, "type": "subscribe", "payload": payload})


def _init(secret: str) -> str:
    payload = {"Authorization": f"Bearer {secret}"}
    return json.dumps({"type": "connection_init", "payload": payload})


async def _greeted(socket: ClientConnection, secret: str) -> None:
    await socket.send(_init(secret))
    assert json.loads(await socket.recv())["type"] == "connection_ack"


def _until(true: Callable[[], bool]) -> None:
    for _ in range(500):
        if true():
            return
        time.sleep(0.02)
    raise AssertionError("it did not come true in ten seconds")


def _idle(db: Database) -> bool:
    """Is no connection to the database in use by a question?"""
    return db.reader.pool.checkedout() == 0  # type: ignore[attr-defined]


def test_the_same_subscription_a_thousand_times_is_held_as_often_as_it_may_and_no_more(
    shed: Shed, db: Database
) -> None:
    shed.promised("W-1")
    threads = threading.active_count()

    async def heard() -> Counter[str]:
        found: Counter[str] = Counter()
        async with to(shed.address) as socket:
            await _greeted(socket, shed.secrets[Role.SHOP])
            for number in range(1000):
                await socket.send(_subscribe(str(number)))
            while found.total() < 1020:  # two pieces of news for each that is held
                message = json.loads(await asyncio.wait_for(socket.recv(), 20))
                if message["type"] == "error":
                    found[message["payload"][0]["extensions"]["code"]] += 1
                elif message["type"] == "next":
                    given = message["payload"]["data"]["promiseChanged"]
                    found[given.get("code", given["__typename"])] += 1
        return found

    assert asyncio.run(heard()) == {"PromiseChange": 40, "TOO_MANY": 980}
    assert shed.shop.ask("{ products { __typename } }")["__typename"] == "ProductConnection"
    _until(lambda: _idle(db))
    assert threading.active_count() - threads <= Settings().threads


def test_a_thousand_subscriptions_that_are_ended_at_once_leave_nothing_behind(
    shed: Shed, db: Database
) -> None:
    shed.promised("W-1")
    threads = threading.active_count()

    async def again_and_again() -> Any:
        async with to(shed.address) as socket:
            await _greeted(socket, shed.secrets[Role.SHOP])
            for number in range(1000):
                await socket.send(_subscribe(str(number)))
                await socket.send(json.dumps({"id": str(number), "type": "complete"}))
            await socket.send(_subscribe("last"))
            while True:
                message = json.loads(await asyncio.wait_for(socket.recv(), 20))
                if message["id"] == "last":
                    return message["payload"]["data"]["promiseChanged"]["__typename"]

    assert asyncio.run(again_and_again()) == "PromiseChange"
    _until(lambda: _idle(db))
    assert threading.active_count() - threads <= Settings().threads


WRONG = {
    "[]": 4400,
    '"x"': 4400,
    "7": 4400,
    "nonsense": 4400,
    '{"type": 1}': 4400,
    '{"type": "teapot"}': 4400,
    '{"type": "subscribe", "id": "1"}': 4400,
    '{"type": "subscribe", "id": {}, "payload": {"query": "{ a }"}}': 4400,
    '{"type": "subscribe", "id": "1", "payload": 7}': 4400,
    '{"type": "subscribe", "id": "1", "payload": {"query": 7}}': 4400,
    '{"type": "subscribe", "id": "1", "payload": {"query": "{ a }", "variables": 3}}': 4400,
    '{"type": "complete", "id": []}': 4400,
    '{"type": "connection_init"}': 4429,
}


def test_a_message_of_a_wrong_shape_closes_its_web_socket_with_a_code_and_no_error_of_ours(
    shed: Shed, caplog: pytest.LogCaptureFixture
) -> None:
    async def code(message: str) -> int | None:
        async with to(shed.address) as socket:
            await _greeted(socket, shed.secrets[Role.SHOP])
            await socket.send(message)
            with pytest.raises(ConnectionClosed) as closed:
                await asyncio.wait_for(socket.recv(), 10)
            return closed.value.rcvd.code if closed.value.rcvd else None

    assert {message: asyncio.run(code(message)) for message in WRONG} == WRONG
    assert caplog.records == []


def test_a_document_that_cannot_be_read_is_answered_with_an_error_over_a_web_socket_too(
    shed: Shed,
) -> None:
    async def answer(query: str) -> Any:
        async with to(shed.address) as socket:
            await _greeted(socket, shed.secrets[Role.SHOP])
            payload = {"query": query}
            await socket.send(json.dumps({"id": "1", "type": "subscribe", "payload": payload}))
            return json.loads(await asyncio.wait_for(socket.recv(), 10))

    for query, said in (
        ("subscription {", "Syntax Error"),
        ("subscription { nothing }", "nothing"),
        ("subscription { promiseChanged { " + "__typename " * 2000 + "} }", "tokens"),
    ):
        found = asyncio.run(answer(query))
        assert (found["id"], found["type"]) == ("1", "error")
        assert said in found["payload"][0]["message"]


def test_clients_that_break_off_in_the_middle_make_room_again(shed: Shed, db: Database) -> None:
    """Without a closing handshake, as where a shop's program is killed."""
    shed.promised("W-1")
    most = 2 * Settings().subscriptions_a_token

    async def broken_off() -> list[int | None]:
        sockets = [await to(shed.address).__aenter__() for _ in range(most + 2)]
        for each in sockets:
            await _greeted(each, shed.secrets[Role.SHOP])
        for each in sockets[:most]:
            await each.send(_subscribe("1"))
            await asyncio.wait_for(each.recv(), 20)
        codes = []
        for each in sockets[most:]:
            with pytest.raises(ConnectionClosed) as closed:
                await asyncio.wait_for(each.recv(), 10)
            codes.append(closed.value.rcvd.code if closed.value.rcvd else None)
        for each in sockets:
            each.transport.abort()
        return codes

    assert asyncio.run(broken_off()) == [4429, 4429]
    _until(lambda: _idle(db))
    assert set(asyncio.run(_first_of_many(shed, Settings().subscriptions_a_token))) == {
        "PromiseChange"
    }


async def _first_of_many(shed: Shed, many: int) -> list[str]:
    async with to(shed.address) as socket:
        await _greeted(socket, shed.secrets[Role.SHOP])
        for number in range(many):
            await socket.send(_subscribe(str(number)))
        found: dict[str, str] = {}
        while len(found) < many:
            message = json.loads(await asyncio.wait_for(socket.recv(), 20))
            found.setdefault(
                message["id"], message["payload"]["data"]["promiseChanged"]["__typename"]
            )
        return list(found.values())


@pytest.fixture
def one_subscription(db: Database, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[str, str]]:
    """A server whose tokens hold one subscription; a client that takes nothing for a second."""
    monkeypatch.setattr(api.sockets, "SLOWEST_SECONDS", 1.0)
    secret = tokens(db)[Role.SHOP]
    with serving(db, Settings(poll_seconds=0.05, subscriptions_a_token=1)) as address:
        yield address, secret


def test_a_client_that_never_reads_loses_its_web_socket_and_its_place(
    db: Database, one_subscription: tuple[str, str]
) -> None:
    address, secret = one_subscription
    with db.writing() as session:
        promise = _promised(session)
        for _ in range(250):
            row = PromiseEvent(promise_id=promise, kind=EventKind.SHORT, at=datetime.now(UTC))
            row.detail = {"words": "x" * 20_000}
            session.add(row)

    async def first() -> Any:
        async with to(address) as socket:
            await _greeted(socket, secret)
            await socket.send(_subscribe("1", global_id("PromiseEvent", 250)))
            message = json.loads(await asyncio.wait_for(socket.recv(), 20))
            return message["payload"]["data"]["promiseChanged"]["__typename"]

    with closing(_deaf(address, secret)):
        time.sleep(0.5)
        assert asyncio.run(first()) == "Refusal"  # its place is taken
        _until(lambda: asyncio.run(first()) == "PromiseChange")
        assert _idle(db)


def _promised(session: Session) -> int:
    ready_lot(session, crop_named(session, "Caltha palustris"), 60, MONDAY, MONDAY + timedelta(30))
    wednesday = MONDAY + timedelta(days=2)
    return reserve(session, "W-1", caltha(1), HERE, wednesday, "Van", "shop").id or 0


def _deaf(address: str, secret: str) -> socket.socket:
    """A web socket that subscribes and takes nothing from then on."""
    host, _, port = address.removeprefix("http://").partition(":")
    raw = socket.socket()
    raw.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    raw.connect((host, int(port)))
    key = base64.b64encode(os.urandom(16)).decode()
    raw.sendall(
        f"GET /graphql HTTP/1.1\r\nHost: {host}:{port}\r\nUpgrade: websocket\r\n"
        f"Connection: Upgrade\r\nSec-WebSocket-Key: {key}\r\nSec-WebSocket-Version: 13\r\n"
        "Sec-WebSocket-Protocol: graphql-transport-ws\r\n\r\n".encode()
    )
    raw.recv(1024)
    raw.sendall(_frame(_init(secret)))
    raw.recv(1024)
    raw.sendall(_frame(_subscribe("1")))
    return raw


def _frame(text: str) -> bytes:
    """A text frame of a client (RFC 6455, 5.2), masked with zeros; 126 to 65,535 bytes long."""
    body = text.encode()
    size = bytes([0x80 | len(body)]) if len(body) < 126 else b"\xfe" + len(body).to_bytes(2, "big")
    return b"\x81" + size + bytes(4) + body
