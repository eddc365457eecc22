"""The day book, warnings, comparison, watering, claims and stored dispatches over the API."""

from datetime import date, timedelta
from typing import Any
from uuid import uuid4

import pytest
from sqlmodel import select
from starlette.applications import Starlette

from api.app import create_app
from api.ids import global_id
from nursery.access import Role
from nursery.database import Database
from nursery.dispatching.dispatch import plan_dispatch
from nursery.growing_area import Site
from nursery.order import Promise, PromiseLine
from nursery.planned import PlanVersion
from nursery.planning.propagation import accept_plan, plan_propagation
from nursery.promising.promise import confirm, reserve
from nursery.shed.handover import delivered, hand_over, pack_parcel
from nursery.shed.picking import record_pick, undo_pick
from nursery.stock import Lot
from nursery.week import day_book
from solver.run import Limits
from tests.api.asking import answered
from tests.api.server import tokens
from tests.api.shop import MONDAY
from tests.builders import crop_named, open_order, product_of, ready_lot, set_clock
from tests.shop import HERE, caltha

WEDNESDAY = date(2027, 3, 3)
CALTHA = "Caltha palustris"
ENTRY = "id action batchCode plugs trays line stage minutes note undoes undone"
REFUSAL = "... on Refusal { code message field next }"
DONE = f"... on DayDone {{ entries {{ {ENTRY} }} touched {{ plugs promiseIds }} }} {REFUSAL}"
BATCH = f"... on Batch {{ code plugs }} {REFUSAL}"
OLDER = ("discard", "moveBatch", "correctMovement")
"""Actions that answer with the batch."""


class Nursery:
    """The API of a small nursery, asked by its three people."""

    def __init__(self, db: Database) -> None:
        self.secrets = tokens(db)
        self.app: Starlette = create_app(db)

    def ask(self, document: str, role: Role = Role.LEAD, **variables: Any) -> Any:
        return answered(self.app, document, self.secrets[role], **variables)

    def do(
        self, action: str, arguments: str, role: Role = Role.LEAD, key: str | None = None
    ) -> Any:
        given = f'key: "{key or uuid4().hex}", {arguments}'
        answer = BATCH if action in OLDER else DONE
        return self.ask(f"mutation {{ {action}({given}) {{ {answer} }} }}", role)

    def book(self) -> list[dict[str, Any]]:
        document = f"{{ dayBook {{ ... on DayBook {{ entries {{ {ENTRY} }} }} }} }}"
        entries: list[dict[str, Any]] = self.ask(document)["entries"]
        return entries

    def lines(self, week: str = "2027-W09") -> dict[str, dict[str, Any]]:
        document = """query ($week: Week!) { weekSheet(week: $week) {
          ... on WeekSheet { tasks { key kind batchCode trays plugs } } } }"""
        return {task["key"]: task for task in self.ask(document, week=week)["tasks"]}


@pytest.fixture
def nursery(db: Database) -> Nursery:
    made = Nursery(db)
    with db.writing() as session:
        crop = crop_named(session, CALTHA)
        ready = MONDAY - timedelta(days=7)
        ready_lot(session, crop, 60, ready, MONDAY + timedelta(days=40), "OLD")
        batch = day_book.start(session, crop.protocols[0], 2, "Ada", code="NEW").result
        batch.started_on = batch.stage_entered_on = MONDAY - timedelta(days=22)
    return made


def test_a_line_of_the_week_sheet_is_done_by_its_key_and_taken_back(nursery: Nursery) -> None:
    (line,) = [key for key, task in nursery.lines().items() if task["kind"] == "MOVE"]
    done = nursery.do("doAsPlanned", f'lines: ["{line}"], otherwise: {{ minutes: 12 }}', key="a")
    (entry,) = done["entries"]
    assert (entry["action"], entry["batchCode"], entry["stage"]) == ("MOVED", "NEW", "grow on")
    assert (entry["line"], entry["minutes"], entry["undone"]) == (line, 12, False)
    again = nursery.do("doAsPlanned", f'lines: ["{line}"], otherwise: {{ minutes: 12 }}', key="a")
    assert again == done
    twice = nursery.do("doAsPlanned", f'lines: ["{line}"]')
    assert twice["code"] == "DONE_ALREADY"
    back = nursery.do("undo", f'id: "{entry["id"]}", reason: "another batch"')
    assert back["entries"][0]["undoes"] == entry["id"]
    assert line in nursery.lines()
    assert [(each["action"], each["undone"]) for each in nursery.book()] == [
        ("STARTED", False),
        ("MOVED", True),
        ("MOVED", False),
    ]


def test_of_several_lines_all_are_done_or_none(nursery: Nursery) -> None:
    (line,) = [key for key, task in nursery.lines().items() if task["kind"] == "MOVE"]
    refused = nursery.do("doAsPlanned", f'lines: ["{line}", "M99.1"]')
    assert (refused["code"], refused["field"]) == ("UNKNOWN_LINE", "line")
    assert line in nursery.lines()
    assert nursery.do("doAsPlanned", "lines: []")["code"] == "INVALID"
    both = f'lines: ["{line}", "M99.1"], otherwise: {{ minutes: 9 }}'
    assert nursery.do("doAsPlanned", both)["field"] == "otherwise"


def test_what_is_done_through_older_actions_is_in_the_day_book_too(nursery: Nursery) -> None:
    nursery.do("discard", 'batchCode: "NEW", plugs: 5, reason: "slugs"')
    nursery.do("discard", 'batchCode: "NEW", plugs: 6, reason: "pots", pottedOn: true')
    nursery.do("moveBatch", 'batchCode: "NEW"')
    found = [(each["action"], each["plugs"]) for each in nursery.book()[1:]]
    assert found == [("DISCARDED", 5), ("POTTED_ON", 6), ("MOVED", 0)]


def test_plugs_leave_by_every_way_and_say_whose_promises_they_touch(
    nursery: Nursery, db: Database
) -> None:
    with db.writing() as session:
        session.get_one(Site, 1).allowance = 0.0
        promise = reserve(session, "R-1", caltha(9), HERE, WEDNESDAY, "Van", "shop")
        confirm(session, promise.id or 0, "shop")
        lot = global_id("Lot", session.exec(select(Lot.id)).first())
    planted = nursery.do("plantOut", 'batchCode: "NEW", plugs: 8, where: "stream bed"')
    assert (planted["entries"][0]["action"], planted["touched"]) == ("PLANTED_OUT", [])
    potted = nursery.do("potOn", f'batchCode: "OLD", plugs: 4, lotId: "{lot}"')
    assert potted["touched"] == []
    sold = nursery.do("sellAtGate", f'lotId: "{lot}", plugs: 5')
    assert sold["touched"] == [{"plugs": 3, "promiseIds": [global_id("Promise", promise.id)]}]
    back = nursery.do("undo", f'id: "{sold["entries"][0]["id"]}", reason: "not sold"')
    assert back["touched"] == []
    assert nursery.do("regrade", f'lotId: "{lot}", plugs: 2, grade: B')["code"] == "NO_POOL"
    assert nursery.do("gapUp", 'batchCode: "NEW", donorCode: "OLD"')["code"] == "OTHER_LINEAGE"


def test_a_row_of_the_ledger_is_corrected_once(nursery: Nursery) -> None:
    wanted = 'batchCode: "OLD", sequence: 1, reason: "the wrong bench was counted"'
    corrected = nursery.do("correctMovement", wanted)
    assert (corrected["code"], corrected["plugs"]) == ("OLD", 0)
    assert nursery.do("correctMovement", wanted)["code"] == "ALREADY_CORRECTED"
    assert nursery.do("correctMovement", wanted.replace("1", "9"))["code"] == "NOT_FOUND"


def test_the_day_book_is_the_leads(nursery: Nursery) -> None:
    for role in (Role.SHOP, Role.PACKER):
        assert nursery.do("doAsPlanned", 'lines: ["M1.2"]', role)["code"] == "FORBIDDEN"
        for root in ("dayBook", "warnings", "comparePlans(a: 1, b: 2)", "dispatchPlan"):
            answer = nursery.ask(f"{{ {root} {{ ... on Refusal {{ code }} }} }}", role)
            assert answer == {"code": "FORBIDDEN"}


def test_warnings_say_what_to_do_and_by_when(nursery: Nursery) -> None:
    document = """{ warnings { ... on Warnings {
      warnings { kind thing text whatToDo latestDay urgency } } } }"""
    (forecast,) = nursery.ask(document)["warnings"]
    assert (forecast["kind"], forecast["thing"]) == ("FORECAST", "station Home")
    assert (forecast["latestDay"], forecast["urgency"]) == ("2027-03-01", "TODAY")
    assert "a person decides" in forecast["whatToDo"]


def test_two_plans_are_compared(nursery: Nursery, db: Database) -> None:
    for _ in range(2):
        plan_propagation(db, 12, Limits(seconds=0.3), "Lea")
    with db.writing() as session:
        accept_plan(session, 2, "Lea")
        assert len(session.exec(select(PlanVersion)).all()) == 2
    document = """query ($a: Int!, $b: Int!) { comparePlans(a: $a, b: $b) {
      ... on PlanComparison { sameData notes changes { kind protocol week }
        a { version cost acceptedBy unmetPlugs busiest { week minutes } }
        b { version cost acceptedBy shocks { shock told costsMore moreUnmet } } }
      ... on Refusal { code field } } }"""
    found = nursery.ask(document, a=1, b=2)
    assert (found["a"]["version"], found["b"]["acceptedBy"]) == (1, "Lea")
    assert (found["sameData"], found["changes"]) == (True, [])
    assert found["a"]["cost"] == found["b"]["cost"]
    assert {each["shock"] for each in found["b"]["shocks"]} >= {"FEWER_PLUGS", "PERSON_AWAY"}
    assert nursery.ask(document, a=1, b=9) == {"code": "UNKNOWN_PLAN", "field": "version"}


def promised(db: Database, reference: str, boxes: int) -> int:
    with db.writing() as session:
        promise = reserve(session, reference, caltha(boxes), HERE, WEDNESDAY, "Van", "shop")
        return confirm(session, promise.id or 0, "shop").id or 0


WATER = """query ($day: Date) { wateringList(packDay: $day) {
  ... on WateringList { packOn waterOn plugs missing stops { bench batchCode crop plugs } } } }"""


def test_what_is_packed_next_is_watered_the_evening_before(nursery: Nursery, db: Database) -> None:
    empty = {"packOn": None, "waterOn": None, "plugs": 0, "missing": 0, "stops": []}
    assert nursery.ask(WATER, Role.PACKER) == empty
    promised(db, "W-1", 2)
    promised(db, "W-2", 1)
    found = nursery.ask(WATER, Role.PACKER)
    assert (found["packOn"], found["waterOn"]) == ("2027-03-03", "2027-03-02")
    assert found["stops"] == [
        {"bench": "Sales bench 1", "batchCode": "OLD", "crop": CALTHA, "plugs": 18}
    ]
    other = nursery.ask(WATER, Role.PACKER, day="2027-03-04")
    assert (other["plugs"], other["stops"]) == (0, [])


def test_a_stored_dispatch_says_which_order_leaves_when(nursery: Nursery, db: Database) -> None:
    document = """query ($version: Int) { dispatchPlan(version: $version) {
      ... on StoredDispatch { version acceptedBy firstDay cost
        orders { reference promiseId shipOn keptOn moved lateDays } }
      ... on Refusal { code message } } }"""
    assert nursery.ask(document)["code"] == "UNKNOWN_PLAN"
    kept = promised(db, "D-1", 1)
    with db.writing() as session:
        product = product_of(session, crop_named(session, CALTHA))
        open_order(session, "D-2", product, 2)
        open_order(session, "D-3", product, 50)
    plan_dispatch(db, Limits(seconds=2), "Lea", accept_it=False)
    made = plan_dispatch(db, Limits(seconds=2), "Lea")
    found = nursery.ask(document)
    assert (found["version"], found["acceptedBy"]) == (made.version, "Lea")
    assert nursery.ask(document, version=1)["acceptedBy"] is None
    orders = {each["reference"]: each for each in found["orders"]}
    assert orders["D-1"]["promiseId"] == global_id("Promise", kept)
    assert (orders["D-1"]["shipOn"], orders["D-1"]["keptOn"]) == ("2027-03-03", "2027-03-03")
    assert not orders["D-1"]["moved"]
    days = {ship.reference: ship.ship_on.isoformat() for ship in made.ships}
    assert orders["D-2"]["shipOn"] == days["D-2"]
    assert orders["D-3"]["shipOn"] is None


CLAIM = """mutation ($key: String!, $id: ID!, $plugs: Int, $product: String! = "") {
  recordClaim(key: $key, promiseId: $id, kind: DEAD, text: "brown and soft", plugs: $plugs,
              product: $product) { __typename
    ... on Claim { reference kind plugs text lots { batchCode lotId plugs } }
    ... on Refusal { code field next } } }"""


def sent(db: Database, reference: str) -> int:
    """A parcel of twelve plugs from two lots, handed over; one pick was a mistake."""
    promise_id = promised(db, reference, 2)
    with db.writing() as session:
        crop = crop_named(session, CALTHA)
        day = MONDAY - timedelta(days=3)
        other = ready_lot(session, crop, 30, day, MONDAY + timedelta(days=30), "TWO")
        old = session.exec(select(Lot).where(Lot.id != other.id)).first()
        line = session.exec(select(PromiseLine).where(PromiseLine.promise_id == promise_id)).one()
        assert old is not None
        wrong = record_pick(session, line, old, 3, "Pat").movement
        undo_pick(session, wrong, "Pat", "the other tray")
        record_pick(session, line, old, 7, "Pat")
        record_pick(session, line, other, 5, "Pat")
        pack_parcel(session, promise_id, "Pat", "Mo")
    return promise_id


def test_a_claim_is_traced_to_the_lots_that_the_plants_came_from(
    nursery: Nursery, db: Database
) -> None:
    promise_id = sent(db, "C-1")
    id = global_id("Promise", promise_id)
    early = nursery.ask(CLAIM, Role.SHOP, key="early", id=id)
    assert early["code"] == "WRONG_STATE"
    with db.writing() as session:
        hand_over(session, promise_id, "3S1", "Pat")
        set_clock(session, date(2027, 3, 5))
        delivered(session, promise_id, date(2027, 3, 4), "carrier")
    found = nursery.ask(CLAIM, Role.SHOP, key="one", id=id, plugs=4)
    assert (found["reference"], found["kind"], found["plugs"]) == ("C-1", "DEAD", 4)
    assert [(lot["batchCode"], lot["plugs"]) for lot in found["lots"]] == [("OLD", 7), ("TWO", 5)]
    assert nursery.ask(CLAIM, Role.SHOP, key="one", id=id, plugs=4) == found
    assert nursery.ask(CLAIM, key="rest", id=id)["plugs"] == 8
    assert nursery.ask(CLAIM, key="more", id=id, plugs=1)["code"] == "CLAIMED_ALREADY"
    unknown = nursery.ask(CLAIM, key="what", id=id, product="XX-6")
    assert (unknown["code"], unknown["next"]) == ("UNKNOWN_PRODUCT", "it has: CP-6")
    assert nursery.ask(CLAIM, Role.PACKER, key="p", id=id)["code"] == "FORBIDDEN"
    story = nursery.ask(
        """{ trace(batchCode: "TWO") { ... on Trace { claims { reference kind plugs text } } } }"""
    )
    assert [(each["plugs"], each["text"]) for each in story["claims"]] == [
        (4, "brown and soft"),
        (8, "brown and soft"),
    ]
    with db.reading() as session:
        assert session.get_one(Promise, promise_id).state.value == "delivered"
