"""What a packer does over HTTP: sheet, picks, parcels, the van; and what the shop hears of it."""

import asyncio
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import pytest
from sqlmodel import select
from websockets.asyncio.client import ClientConnection, connect
from websockets.exceptions import ConnectionClosed
from websockets.typing import Subprotocol

from api.ids import global_id
from nursery.access import Role
from nursery.database import Database
from nursery.order import PromiseEvent
from nursery.settings import Settings
from nursery.stock import Lot
from tests.api.server import serving, tokens
from tests.api.shop import MONDAY, Shop
from tests.builders import crop_named, ready_lot

SHEET = """query ($day: Date!) { pickSheet(shipDay: $day) { __typename
  ... on PickSheet { shipDay number plugs
    picks { stop bench batchCode lotId productCode plugs trays passportCode
      parts { promiseLineId orderReference plugs } }
    slips { promiseId orderReference postcode lines { productCode plugs } }
    missing { orderReference plugs } }
  ... on Refusal { code message } } }"""
PICK = """mutation ($key: String!, $line: ID!, $lot: ID!, $plugs: Int!) {
  recordPick(key: $key, promiseLineId: $line, lotId: $lot, plugs: $plugs) { __typename
    ... on Picked { plugs balance found recount state }
    ... on Refusal { code message next } } }"""
SHORT = """mutation ($line: ID!, $lot: ID!, $found: Int!) {
  reportShort(key: "short", promiseLineId: $line, lotId: $lot, found: $found, reason: "slugs") {
    __typename ... on Short { counted expected missing takes { batchCode plugs }
      touched { plugs promiseIds } }
    ... on Refusal { code message } } }"""
PARCEL = "{ __typename ... on Promise { state tracking repackBy } ... on Refusal { code message } }"


@dataclass
class Shed:
    """The shop and the packing shed of one nursery."""

    address: str
    secrets: dict[Role, str]
    shop: Shop
    packer: Shop

    def promised(self, reference: str, quantity: int = 1) -> str:
        """The id of a confirmed promise for Wednesday."""
        id: str = self.shop.do("confirm", self.shop.reserve(reference, quantity)["id"])["id"]
        return id


@pytest.fixture
def shed(db: Database) -> Iterator[Shed]:
    secrets = tokens(db)
    with db.writing() as session:
        crop = crop_named(session, "Caltha palustris")
        for code, plugs, days in (("EARLY", 110, 20), ("LATE", 60, 40)):
            ready = MONDAY - timedelta(days=7)
            ready_lot(session, crop, plugs, ready, MONDAY + timedelta(days=days), code)
    with serving(db, Settings(poll_seconds=0.05)) as address:
        clients = [Shop(address, secrets[role]) for role in (Role.SHOP, Role.PACKER)]
        try:
            yield Shed(address, secrets, *clients)
        finally:
            for client in clients:
                client.close()


def parcel(shed: Shed, action: str, id: str, **more: str) -> Any:
    given = "".join(f', {name}: "{value}"' for name, value in more.items())
    key = f"{action}-{id}"
    return shed.packer.ask(
        f'mutation {{ {action}(key: "{key}", promiseId: "{id}"{given}) {PARCEL} }}'
    )


def test_an_order_is_picked_packed_and_handed_over(shed: Shed) -> None:
    id = shed.promised("W-1", 18)
    sheet = shed.packer.ask(SHEET, day="2027-03-03")
    (pick,) = sheet["picks"]
    # 108 plugs from the lot whose last sale date comes first, in trays of 104 cells.
    assert (pick["batchCode"], pick["plugs"], pick["trays"]) == ("EARLY", 108, "1 tray + 4")
    assert (pick["passportCode"], sheet["missing"]) == ("EARLY", [])
    assert [slip["orderReference"] for slip in sheet["slips"]] == ["W-1"]
    assert sheet["slips"][0]["promiseId"] == id
    line = pick["parts"][0]["promiseLineId"]
    wanted = {"line": line, "lot": pick["lotId"], "plugs": 108}
    picked = shed.packer.ask(PICK, key="pick-1", **wanted)
    assert picked["__typename"] == "Picked"
    assert (picked["state"], picked["balance"], picked["found"]) == ("PICKED", 2, 0)
    assert shed.packer.ask(PICK, key="pick-1", **wanted) == picked
    assert shed.packer.ask(PICK, key="pick-2", **wanted)["code"] == "WRONG_STATE"
    assert parcel(shed, "packParcel", id, checkedBy="Bo")["state"] == "PICKED"
    handed = parcel(shed, "handOver", id, tracking="NL00123")
    assert (handed["state"], handed["tracking"]) == ("HANDED_OVER", "NL00123")
    assert shed.packer.ask(SHEET, day="2027-03-03")["picks"] == []


def test_a_parcel_the_van_left_behind_waits_and_is_packed_again(shed: Shed, db: Database) -> None:
    id = shed.promised("W-2")
    (pick,) = shed.packer.ask(SHEET, day="2027-03-03")["picks"]
    line = pick["parts"][0]["promiseLineId"]
    shed.packer.ask(PICK, key="pick-1", line=line, lot=pick["lotId"], plugs=6)
    parcel(shed, "packParcel", id)
    left = parcel(shed, "notCollected", id, repackBy="2027-03-05")
    assert (left["state"], left["repackBy"]) == ("NOT_COLLECTED", "2027-03-05")
    assert parcel(shed, "handOver", id, tracking=" ")["code"] == "INVALID"


def test_a_short_says_where_else_the_plugs_are(shed: Shed, db: Database) -> None:
    shed.promised("W-3", 2)
    (pick,) = shed.packer.ask(SHEET, day="2027-03-03")["picks"]
    line = pick["parts"][0]["promiseLineId"]
    short = shed.packer.ask(SHORT, line=line, lot=pick["lotId"], found=5)
    assert (short["counted"], short["expected"], short["missing"]) == (5, 110, 0)
    assert {(take["batchCode"], take["plugs"]) for take in short["takes"]} == {
        ("EARLY", 5),
        ("LATE", 7),
    }
    assert short["touched"] == []


def test_a_lot_of_another_pool_is_refused_by_type(shed: Shed, db: Database) -> None:
    shed.promised("W-4")
    with db.writing() as session:
        other = crop_named(session, "Primula rosea")
        lot = ready_lot(session, other, 10, MONDAY - timedelta(days=7), MONDAY + timedelta(days=9))
    (pick,) = shed.packer.ask(SHEET, day="2027-03-03")["picks"]
    line = pick["parts"][0]["promiseLineId"]
    wrong = shed.packer.ask(PICK, key="pick", line=line, lot=global_id("Lot", lot.id), plugs=6)
    assert wrong["code"] == "WRONG_POOL"
    with db.reading() as session:
        assert sum(lot.plugs for lot in session.exec(select(Lot))) == 180


def test_the_shop_may_not_pick_and_the_packer_may_not_promise(shed: Shed) -> None:
    assert shed.shop.ask(SHEET, day="2027-03-03")["code"] == "FORBIDDEN"
    assert shed.packer.reserve("W-5")["code"] == "FORBIDDEN"


SUBSCRIPTION = """subscription ($after: ID) { promiseChanged(after: $after) { __typename
  ... on PromiseChange { id kind detail promise { reference state tracking } }
  ... on Refusal { code } } }"""


async def listen(socket: ClientConnection, secret: str, after: str | None = None) -> None:
    """Open a subscription to the news of promises."""
    payload = {"Authorization": f"Bearer {secret}"}
    await socket.send(json.dumps({"type": "connection_init", "payload": payload}))
    assert json.loads(await socket.recv())["type"] == "connection_ack"
    body = {"query": SUBSCRIPTION, "variables": {"after": after}}
    await socket.send(json.dumps({"id": "1", "type": "subscribe", "payload": body}))


async def heard(socket: ClientConnection) -> Any:
    """The next news: text frames, as clients of the protocol want them."""
    frame = await asyncio.wait_for(socket.recv(), 10)
    assert isinstance(frame, str)
    message = json.loads(frame)
    assert message["type"] == "next", message
    return message["payload"]["data"]["promiseChanged"]


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
