"""Claims, what is sent again for them, passports and the inspector's list over the API."""

from datetime import timedelta
from typing import Any

from starlette.applications import Starlette

from api.app import create_app
from api.ids import global_id
from nursery.access import Role
from nursery.database import Database
from nursery.promising.promise import promise_order
from nursery.shed.picking import hand_over, record_pick
from tests.api.asking import answered
from tests.api.server import tokens
from tests.api.shop import MONDAY
from tests.builders import crop_named, open_order, product_of, ready_lot, set_clock

TUESDAY = MONDAY + timedelta(days=1)
REFUSED = "... on Refusal { code message field next }"
RECORD = f"""mutation($key: String!, $promise: ID!, $plugs: Int!) {{
  recordClaim(key: $key, promiseId: $promise, kind: DEAD, text: "all brown", plugs: $plugs,
              photo: "photo 7", wantsReship: true) {{
    __typename ... on Claim {{ id reference plugs photo wantsReship lots {{ batchCode }} }}
    {REFUSED} }} }}"""
CLAIMS = f"""query($first: Int! = 50, $after: String, $promise: ID) {{
  claims(first: $first, after: $after, promiseId: $promise) {{
  __typename ... on ClaimConnection {{ pageInfo {{ hasNextPage endCursor hasPreviousPage }}
    edges {{ cursor node {{ reference kind actor reships {{ reference plugs state }} }} }} }}
  {REFUSED} }} }}"""
LEARNED = f"""{{ claimsLearned {{ __typename ... on ClaimsLearned {{
  parcels feltKnown rates {{ by value kind parcels claimed high }} }} {REFUSED} }} }}"""
OFFER = f"""query($claim: ID!) {{ reshipOffer(claimId: $claim) {{
  __typename ... on ReshipOffer {{ plugs {{ code plugs }} options {{ shipOn }} }} {REFUSED} }} }}"""
RESHIP = f"""mutation($key: String!, $claim: ID!, $plugs: Int) {{
  reship(key: $key, claimId: $claim, plugs: $plugs, reason: "came dead") {{
    __typename ... on Promise {{ reference state }} {REFUSED} }} }}"""
PASSPORTS = f"""query($promise: ID, $batch: String! = "") {{
  plantPassports(promiseId: $promise, batchCode: $batch) {{ __typename
    ... on PlantPassports {{ passports {{ title entries {{ letter value }} }} page caution }}
    {REFUSED} }} }}"""
LIST = f"""query($batch: String!) {{ inspectorsList(batchCode: $batch) {{ __typename
  ... on InspectorsList {{ batches {{ batchCode orders {{ reference }} }} }} {REFUSED} }} }}"""


class Desk:
    """The API asked with a role's token. Six plugs of OLD went out for W-1; NEW has fresh ones."""

    def __init__(self, db: Database) -> None:
        self.secrets = tokens(db)
        self.app: Starlette = create_app(db)
        with db.writing() as session:
            set_clock(session, TUESDAY)
            crop = crop_named(session, "Caltha palustris")
            until = MONDAY + timedelta(days=40)
            old = ready_lot(session, crop, 30, MONDAY, until, "OLD")
            ready_lot(session, crop, 30, MONDAY, until, "NEW")
            order = open_order(session, "W-1", product_of(session, crop))
            promise = promise_order(session, order.id or 0, TUESDAY, "Van", "shop", judged=True)
            record_pick(session, promise.lines[0], old, 6, "Bo")
            gone = hand_over(session, promise.id or 0, "T-1", "Bo")
            self.sent = global_id("Promise", gone.id or 0)

    def ask(self, role: Role, document: str, **more: Any) -> Any:
        return answered(self.app, document, self.secrets[role], **more)


def test_a_claim_of_the_shop_is_sent_again_once_by_the_packer_and_seen_by_the_lead(
    db: Database,
) -> None:
    desk = Desk(db)
    claim = desk.ask(Role.SHOP, RECORD, key="c1", promise=desk.sent, plugs=4)
    assert (claim["reference"], claim["plugs"], claim["photo"]) == ("W-1", 4, "photo 7")
    assert claim["wantsReship"] and [each["batchCode"] for each in claim["lots"]] == ["OLD"]
    offer = desk.ask(Role.PACKER, OFFER, claim=claim["id"])
    assert offer["plugs"] == [{"code": "CP-6", "plugs": 4}] and offer["options"]
    asked = {"key": "r1", "claim": claim["id"]}
    assert desk.ask(Role.SHOP, RESHIP, **asked)["code"] == "FORBIDDEN"
    made = desk.ask(Role.PACKER, RESHIP, **asked)
    assert made == {"__typename": "Promise", "reference": "W-1-R1", "state": "CONFIRMED"}
    assert desk.ask(Role.PACKER, RESHIP, **asked) == made  # the same key once more
    more = desk.ask(Role.PACKER, RESHIP, key="r2", claim=claim["id"], plugs=1)
    assert more["__typename"] == "Refusal" and "all that was claimed" in more["message"]
    (edge,) = desk.ask(Role.LEAD, CLAIMS)["edges"]
    seen = edge["node"]
    assert seen["actor"] == "the shop"
    assert seen["reships"] == [{"reference": "W-1-R1", "plugs": 4, "state": "CONFIRMED"}]


def test_claims_come_page_by_page_and_those_that_come_meanwhile_at_the_end(db: Database) -> None:
    """Relay's cursor connections: `after` the end cursor of one page comes the next."""
    desk = Desk(db)
    for number in range(3):
        desk.ask(Role.SHOP, RECORD, key=f"c{number}", promise=desk.sent, plugs=number)
    first = desk.ask(Role.LEAD, CLAIMS, first=2)
    assert len(first["edges"]) == 2 and first["pageInfo"]["hasNextPage"]
    desk.ask(Role.SHOP, RECORD, key="c3", promise=desk.sent, plugs=3)
    then = {"first": 2, "after": first["pageInfo"]["endCursor"]}
    second = desk.ask(Role.PACKER, CLAIMS, **then)
    assert len(second["edges"]) == 2 and second["pageInfo"]["hasPreviousPage"]
    assert not second["pageInfo"]["hasNextPage"]
    cursors = [edge["cursor"] for page in (first, second) for edge in page["edges"]]
    assert len(set(cursors)) == 4
    assert len(desk.ask(Role.SHOP, CLAIMS, promise=desk.sent)["edges"]) == 4
    other = global_id("Promise", 999)
    assert desk.ask(Role.SHOP, CLAIMS, promise=other)["edges"] == []
    for wrong in ({"first": 0}, {"first": 101}):
        assert desk.ask(Role.LEAD, CLAIMS, **wrong)["code"] == "BAD_PAGE"
    assert desk.ask(Role.LEAD, CLAIMS, after="nonsense")["code"] == "UNKNOWN_CURSOR"


def test_what_claims_teach_is_for_the_lead_alone(db: Database) -> None:
    desk = Desk(db)
    desk.ask(Role.SHOP, RECORD, key="c1", promise=desk.sent, plugs=4)
    found = desk.ask(Role.LEAD, LEARNED)
    van = {"by": "service", "value": "Van", "kind": "DEAD", "parcels": 1, "claimed": 1}
    assert {**van, "high": 1.0} in found["rates"]
    assert (found["parcels"], found["feltKnown"]) == (1, 0)
    for role in (Role.SHOP, Role.PACKER):
        assert desk.ask(role, LEARNED)["code"] == "FORBIDDEN"


def test_passports_of_a_parcel_and_the_inspectors_list_are_for_the_shed_not_for_the_shop(
    db: Database,
) -> None:
    desk = Desk(db)
    found = desk.ask(Role.PACKER, PASSPORTS, promise=desk.sent)
    (passport,) = found["passports"]
    values = {each["letter"]: each["value"] for each in passport["entries"]}
    assert (values["A"], values["C"]) == ("Caltha palustris", "OLD")
    assert "OLD" in found["page"] and found["caution"]
    assert desk.ask(Role.PACKER, PASSPORTS, batch="NONE")["__typename"] == "Refusal"
    (first, *_) = desk.ask(Role.LEAD, LIST, batch="OLD")["batches"]
    assert first == {"batchCode": "OLD", "orders": [{"reference": "W-1"}]}
    for document, asked in ((PASSPORTS, {"promise": desk.sent}), (LIST, {"batch": "OLD"})):
        assert desk.ask(Role.SHOP, document, **asked)["code"] == "FORBIDDEN"
