"""What a shop hears of its promises, over a web socket (protocol: graphql-transport-ws)."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import date
from typing import Any

import pytest
from sqlmodel import select
from websockets.asyncio.client import ClientConnection, connect
from websockets.exceptions import ConnectionClosed
from websockets.typing import Subprotocol

from api.ids import cursor, global_id, key_of
from nursery.access import Role, Token
from nursery.database import Database, now
from nursery.order import PromiseEvent
from nursery.promising.promise import cancel, re_date
from nursery.settings import Settings
from tests.api.server import serving
from tests.api.shop import Shed

SUBSCRIPTION = """subscription ($after: ID) { promiseChanged(after: $after) { __typename
  ... on PromiseChange { id cursor kind detail promise { reference state tracking } }
  ... on Refusal { code } } }"""


async def listen(
    socket: ClientConnection,
    secret: str,
    after: str | None = None,
    document: str = SUBSCRIPTION,
    variables: dict[str, Any] | None = None,
) -> None:
    """Open a subscription: to the news of promises, where no other document is given."""
    payload = {"Authorization": f"Bearer {secret}"}
    await socket.send(json.dumps({"type": "connection_init", "payload": payload}))
    assert json.loads(await socket.recv())["type"] == "connection_ack"
    body = {"query": document, "variables": variables or {"after": after}}
    await socket.send(json.dumps({"id": "1", "type": "subscribe", "payload": body}))


async def heard(socket: ClientConnection, root: str = "promiseChanged") -> Any:
    """The next news: text frames, as clients of the protocol want them."""
    frame = await asyncio.wait_for(socket.recv(), 10)
    assert isinstance(frame, str)
    message = json.loads(frame)
    assert message["type"] == "next", message
    return message["payload"]["data"][root]


def socket_to(shed: Shed, protocol: str = "graphql-transport-ws") -> connect:
    return connect(
        shed.address.replace("http", "ws") + "/graphql", subprotocols=[Subprotocol(protocol)]
    )


def test_the_shop_hears_of_its_promises_in_order_and_from_where_it_left_off(shed: Shed) -> None:
    id = shed.promised("W-6")

    async def news() -> list[Any]:
        async with socket_to(shed) as socket:
            await listen(socket, shed.secrets[Role.SHOP], global_id("PromiseEvent", 0))
            first = [await heard(socket) for _ in range(2)]
            await asyncio.to_thread(shed.shop.do, "cancel", id, reason="moved house")
            return [*first, await heard(socket)]

    async def later(after: str) -> list[Any]:
        async with socket_to(shed) as socket:
            await listen(socket, shed.secrets[Role.SHOP], after)
            return [await heard(socket)]

    found = asyncio.run(news())
    assert [each["kind"] for each in found] == ["RESERVED", "CONFIRMED", "CANCELLED"]
    assert found[-1]["promise"]["state"] == "CANCELLED"
    assert found[-1]["detail"]["reason"] == "moved house"
    assert asyncio.run(later(found[1]["id"])) == found[2:]


def test_an_event_that_was_committed_late_is_still_told(shed: Shed, db: Database) -> None:
    """On PostgreSQL ids are given before the commit, so a lower one may appear after a higher."""
    shed.promised("W-7")
    with db.writing() as session:
        late = session.exec(select(PromiseEvent)).all()[0]
        row = PromiseEvent(
            id=9, promise_id=late.promise_id, kind=late.kind, at=late.at, detail={"n": 9}
        )
        session.add(row)

    async def news() -> list[Any]:
        async with socket_to(shed) as socket:
            await listen(socket, shed.secrets[Role.SHOP], global_id("PromiseEvent", 2))
            first = await heard(socket)
            await asyncio.to_thread(commit_late)
            return [first, await heard(socket)]

    def commit_late() -> None:
        with db.writing() as session:
            session.add(
                PromiseEvent(
                    id=5, promise_id=late.promise_id, kind=late.kind, at=late.at, detail={"n": 5}
                )
            )

    assert [each["detail"]["n"] for each in asyncio.run(news())] == [9, 5]


def test_a_shop_that_was_away_while_an_event_was_committed_late_is_told_it_once(
    shed: Shed, db: Database
) -> None:
    """Of two transactions with ids 5 and 9 that of 9 is committed first, 5 while nobody listens."""
    shed.promised("W-7")

    def commit(id: int) -> None:
        with db.writing() as session:
            late = session.exec(select(PromiseEvent)).all()[0]
            session.add(
                PromiseEvent(
                    id=id, promise_id=late.promise_id, kind=late.kind, at=late.at, detail={"n": id}
                )
            )

    async def news(after: str, many: int) -> list[Any]:
        async with socket_to(shed) as socket:
            await listen(socket, shed.secrets[Role.SHOP], after)
            return [await heard(socket) for _ in range(many)]

    commit(9)
    (nine,) = asyncio.run(news(global_id("PromiseEvent", 2), 1))
    for id in (5, 10):
        commit(id)
    five, ten = asyncio.run(news(nine["cursor"], 2))
    assert [each["detail"]["n"] for each in (nine, five, ten)] == [9, 5, 10]
    assert asyncio.run(news(five["cursor"], 1)) == [ten]


@pytest.mark.parametrize("after", ["x", cursor(""), cursor("5,"), cursor(",".join("9" * 200))])
def test_a_cursor_that_was_not_given_out_is_refused(shed: Shed, after: str) -> None:
    async def answer() -> Any:
        async with socket_to(shed) as socket:
            await listen(socket, shed.secrets[Role.SHOP], after)
            return await heard(socket)

    assert asyncio.run(answer())["code"] == "UNKNOWN_ID"


def test_a_web_socket_without_a_token_may_not_ask_anything(shed: Shed) -> None:
    async def code() -> int | None:
        async with socket_to(shed) as socket:
            await socket.send(json.dumps({"type": "connection_init", "payload": {}}))
            with pytest.raises(ConnectionClosed) as closed:
                await socket.recv()
            return closed.value.rcvd.code if closed.value.rcvd else None

    assert asyncio.run(code()) == 4403


def test_the_packer_hears_a_refusal_and_nothing_more(shed: Shed) -> None:
    async def news() -> list[Any]:
        async with socket_to(shed) as socket:
            await listen(socket, shed.secrets[Role.PACKER])
            return [await heard(socket), json.loads(await socket.recv())]

    refused, after = asyncio.run(news())
    assert refused == {"__typename": "Refusal", "code": "FORBIDDEN"}
    assert after["type"] == "complete"


def test_the_older_web_socket_protocol_is_not_spoken(shed: Shed) -> None:
    async def code() -> int | None:
        async with socket_to(shed, "graphql-ws") as socket:
            with pytest.raises(ConnectionClosed) as closed:
                await socket.recv()
            return closed.value.rcvd.code if closed.value.rcvd else None

    assert asyncio.run(code()) == 4406


def test_an_unexpected_error_in_a_subscription_is_masked_as_well(shed: Shed, db: Database) -> None:
    shed.promised("W-8")
    with db.writing() as session:
        session.connection().exec_driver_sql("ALTER TABLE promise_event RENAME TO event_gone")

    async def message() -> Any:
        async with socket_to(shed) as socket:
            await listen(socket, shed.secrets[Role.SHOP], global_id("PromiseEvent", 0))
            return json.loads(await asyncio.wait_for(socket.recv(), 10))

    found = asyncio.run(message())
    assert "event_gone" not in json.dumps(found) and "promise_event" not in json.dumps(found)
    assert "UNEXPECTED" in json.dumps(found)


def test_a_revoked_token_hears_no_more(shed: Shed, db: Database) -> None:
    shed.promised("W-9")

    async def news() -> list[Any]:
        async with socket_to(shed) as socket:
            await listen(socket, shed.secrets[Role.SHOP], global_id("PromiseEvent", 0))
            first = [await heard(socket) for _ in range(2)]
            await asyncio.to_thread(revoke)
            return [*first, await heard(socket)]

    def revoke() -> None:
        with db.writing() as session:
            row = session.exec(select(Token).where(Token.role == Role.SHOP)).one()
            row.revoked_at = now(session)

    assert asyncio.run(news())[-1] == {"__typename": "Refusal", "code": "UNAUTHENTICATED"}


AVAILABLE = """subscription ($codes: [String!]) { availabilityChanged(codes: $codes) { __typename
  ... on AvailabilityChange { code fromDay spans { fromDay untilDay quantity } }
  ... on Refusal { code field } } }"""


def test_the_shop_hears_on_which_days_another_quantity_can_be_had(shed: Shed) -> None:
    async def news(codes: list[str]) -> Any:
        async with socket_to(shed) as socket:
            await listen(socket, shed.secrets[Role.SHOP], None, AVAILABLE, {"codes": codes})
            if codes == ["CP-6"]:
                # So that the subscription has looked before anything is sold.
                await asyncio.sleep(0.5)
                await asyncio.to_thread(shed.promised, "W-1", 2)
            return await heard(socket, "availabilityChanged")

    changed = asyncio.run(news(["CP-6"]))
    assert changed["code"] == "CP-6" and changed["spans"][0]["fromDay"] == changed["fromDay"]
    refused = asyncio.run(news(["CP-6", "nothing"]))
    assert (refused["code"], refused["field"]) == ("UNKNOWN_PRODUCT", "codes")


def test_a_token_holds_so_many_subscriptions_and_one_that_ends_makes_room(
    db: Database, shed: Shed
) -> None:
    payload = {"Authorization": f"Bearer {shed.secrets[Role.SHOP]}"}

    async def subscribe(socket: ClientConnection, id: str, after: str | None) -> Any:
        """The first thing heard of a subscription that starts with what has happened."""
        body = {"query": SUBSCRIPTION, "variables": {"after": after}}
        await socket.send(json.dumps({"id": id, "type": "subscribe", "payload": body}))
        while True:
            message = json.loads(await asyncio.wait_for(socket.recv(), 10))
            if message["type"] == "next" and message["id"] == id:
                return message["payload"]["data"]["promiseChanged"]

    async def greeted(socket: ClientConnection) -> None:
        await socket.send(json.dumps({"type": "connection_init", "payload": payload}))
        assert json.loads(await socket.recv())["type"] == "connection_ack"

    async def held() -> tuple[list[Any], Any, Any]:
        start = global_id("PromiseEvent", 1)
        async with serving_two(db) as address, to(address) as one, to(address) as other:
            await greeted(one)
            await greeted(other)
            kept = [await subscribe(one, str(n), start) for n in range(2)]
            refused = await subscribe(other, "2", start)
            await one.send(json.dumps({"id": "0", "type": "complete"}))
            await asyncio.sleep(0.5)
            return kept, refused, await subscribe(other, "3", start)

    shed.promised("W-1")
    kept, refused, later = asyncio.run(held())
    assert [each["__typename"] for each in [*kept, later]] == ["PromiseChange"] * 3
    assert refused == {"__typename": "Refusal", "code": "TOO_MANY"}


def to(address: str) -> connect:
    return connect(
        address.replace("http", "ws") + "/graphql",
        subprotocols=[Subprotocol("graphql-transport-ws")],
    )


@asynccontextmanager
async def serving_two(db: Database) -> AsyncIterator[str]:
    """A server whose tokens may hold two subscriptions."""
    server = serving(db, Settings(poll_seconds=0.05, subscriptions_a_token=2))
    address = await asyncio.to_thread(server.__enter__)
    try:
        yield address
    finally:
        await asyncio.to_thread(server.__exit__, None, None, None)


def test_a_subscription_tells_once_what_was_moved_twice_before_it_looked(
    shed: Shed, db: Database
) -> None:
    id = shed.promised("W-1")
    with db.writing() as session:
        for day in (4, 8, 3):
            re_date(session, key_of("Promise", id), date(2027, 3, day), "Van", "Lea", f"to {day}")
        cancel(session, key_of("Promise", id), "Lea")

    async def news() -> list[Any]:
        async with socket_to(shed) as socket:
            await listen(socket, shed.secrets[Role.SHOP], global_id("PromiseEvent", 2))
            return [await heard(socket)]

    assert [each["kind"] for each in asyncio.run(news())] == ["CANCELLED"]
