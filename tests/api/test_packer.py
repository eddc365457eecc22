"""What a packer does over HTTP: sheet, picks, parcels, the van."""

from datetime import timedelta
from typing import Any

from sqlmodel import select

from api.ids import global_id
from nursery.database import Database
from nursery.order import EventKind, PromiseEvent, Wrap
from nursery.stock import Lot
from tests.api.shop import MONDAY, Shed
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


def parcel(shed: Shed, action: str, id: str, **more: str) -> Any:
    given = "".join(f', {name}: "{value}"' for name, value in more.items())
    key = f"{action}-{id}"
    return shed.packer.ask(
        f'mutation {{ {action}(key: "{key}", promiseId: "{id}"{given}) {PARCEL} }}'
    )


PARCELS = """query ($day: Date!) { parcels(shipDay: $day) { ... on DayParcels { shipDay parcels {
    next tracking checkedBy repackBy
    slip { lines { picked plugs batches { batchCode plugs } } } } }
    ... on Refusal { code message next } } }"""


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
    (gone,) = shed.packer.ask(PARCELS, day="2027-03-03")["parcels"]
    assert (gone["next"], gone["tracking"]) == ("GONE", "NL00123")
    assert gone["slip"]["lines"] == [
        {"picked": 108, "plugs": 108, "batches": [{"batchCode": "EARLY", "plugs": 108}]}
    ]


def test_a_parcel_the_van_left_behind_waits_and_is_packed_again(shed: Shed, db: Database) -> None:
    id = shed.promised("W-2")
    (pick,) = shed.packer.ask(SHEET, day="2027-03-03")["picks"]
    line = pick["parts"][0]["promiseLineId"]
    shed.packer.ask(PICK, key="pick-1", line=line, lot=pick["lotId"], plugs=6)
    parcel(shed, "packParcel", id)
    left = parcel(shed, "notCollected", id, repackBy="2027-03-05")
    assert (left["state"], left["repackBy"]) == ("NOT_COLLECTED", "2027-03-05")
    (waits,) = shed.packer.ask(PARCELS, day="2027-03-03")["parcels"]
    assert (waits["next"], waits["repackBy"]) == ("PACK_AGAIN", "2027-03-05")
    assert shed.shop.ask(PARCELS, day="2027-03-03")["code"] == "FORBIDDEN"
    assert parcel(shed, "handOver", id, tracking=" ")["code"] == "INVALID"


PACK = """mutation ($id: ID!, $key: String!, $wraps: [WrapTakenInput!]) {
  packParcel(key: $key, promiseId: $id, wraps: $wraps) { __typename
    ... on Promise { state } ... on Refusal { code field message next } } }"""


def test_the_packer_says_in_which_wrap_a_parcel_was_packed(shed: Shed, db: Database) -> None:
    with db.writing() as session:
        session.add(Wrap(name="foil", water_g=90, minimum_water_g=30, cost_cents=900))
    id = shed.promised("W-5")
    (pick,) = shed.packer.ask(SHEET, day="2027-03-03")["picks"]
    line = pick["parts"][0]["promiseLineId"]
    shed.packer.ask(PICK, key="pick-1", line=line, lot=pick["lotId"], plugs=6)

    def pack(key: str, *wraps: tuple[str, str]) -> Any:
        told = [{"productCode": code, "wrap": wrap} for code, wrap in wraps]
        return shed.packer.ask(PACK, id=id, key=key, wraps=told)

    unknown = pack("a", ("CP-6", "sacking"))
    assert (unknown["code"], unknown["field"]) == ("UNKNOWN_WRAP", "wraps")
    assert unknown["message"] == "there is no wrap 'sacking'"
    assert unknown["next"] == "known: foil, moss and paper"
    assert pack("b", ("CP-7", "foil"))["code"] == "UNKNOWN_PRODUCT"
    twice = pack("c", ("CP-6", "foil"), ("CP-6", "moss and paper"))
    assert twice["code"] == "INVALID" and "one wrap" in twice["message"]
    first, again = (pack("d", ("CP-6", "foil")) for _ in range(2))
    assert first == again == {"__typename": "Promise", "state": "PICKED"}
    with db.reading() as session:
        (event,) = session.exec(select(PromiseEvent).where(PromiseEvent.kind == EventKind.PACKED))
        assert event.detail["wraps"] == {"CP-6": "foil"}
    assert pack("d", ("CP-6", "moss and paper"))["code"] == "KEY_REUSED"


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
