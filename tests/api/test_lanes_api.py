"""Blocked zones, closures and learned transit over the API, as the lead decides them."""

from datetime import timedelta
from typing import Any

from sqlmodel import select

from api.app import create_app
from nursery.access import Role
from nursery.carrier import TransitTaken, Zone
from nursery.database import Database, now
from tests.api.asking import answered
from tests.api.server import tokens
from tests.api.shop import MONDAY
from tests.builders import crop_named, ready_lot

REFUSED = "... on Refusal { code message field next }"
ZONES = """{ zones { __typename ... on Zones {
  zones { zone blocked openings { openedBy lastDay caution } } closures { where lastDay } } } }"""
OPEN = f"""mutation($key: String!, $zone: String!, $first: Date!, $last: Date!, $by: String!) {{
  openZone(key: $key, zone: $zone, firstDay: $first, lastDay: $last, openedBy: $by,
           reason: "certificate 17") {{
    __typename ... on ZoneOpening {{ zone firstDay openedBy caution }} {REFUSED} }} }}"""
SHUT = f"""mutation($key: String!) {{
  shutZone(key: $key, zone: "Hill land", shutBy: "Lea", reason: "withdrawn") {{
    __typename ... on ZoneShut {{ blocked orders }} {REFUSED} }} }}"""
OPTIONS = f"""query($from: Date, $until: Date) {{
  shipOptions(basket: [{{code: "CP-6", quantity: 1}}], from: $from, until: $until,
              destination: {{country: "DE", postcode: "80331"}}) {{
    __typename ... on ShipOptions {{ options {{ shipOn }} closedDays {{ reasons {{ code }} }} }}
    {REFUSED} }} }}"""
CLOSE = f"""mutation($key: String!, $day: Date!) {{
  closeDay(key: $key, closedAt: SERVICE, firstDay: $day, reason: "strike", place: "Van") {{
    __typename ... on Closed {{ key }} {REFUSED} }} }}"""
REOPEN = f"""mutation($key: String!, $day: Date!) {{
  reopenDays(key: $key, closedAt: SERVICE, firstDay: $day, place: "Van") {{
    __typename ... on ClosedDays {{ where firstDay }} {REFUSED} }} }}"""
LEARNED = """{ transitLearned { __typename ... on TransitLearned { lanes { service data } } } }"""
TAKE = f"""mutation($key: String!, $zone: String!) {{
  takeTransit(key: $key, service: "Van", zone: $zone, data: "0", takenBy: "Lea", reason: "a season")
  {{ __typename ... on TakenTransit {{ parcels }} {REFUSED} }} }}"""
PUT_BACK = f"""mutation($key: String!) {{
  putBackTransit(key: $key, service: "Van", zone: "Low land", putBackBy: "Lea", reason: "a strike")
  {{ __typename ... on TakenTransit {{ putBack parcels days {{ deliveryDays share }} }} {REFUSED} }}
}}"""


def test_a_lead_opens_a_blocked_zone_with_the_caution_and_the_shop_is_told_which_days_are_closed(
    db: Database,
) -> None:
    secrets = tokens(db)
    with db.writing() as session:
        session.exec(select(Zone).where(Zone.country == "DE")).one().blocked = "no papers yet"
        ready_lot(session, crop_named(session, "Caltha palustris"), 60, MONDAY,
                  MONDAY + timedelta(days=90))  # fmt: skip
    app = create_app(db)

    def lead(document: str, **more: Any) -> Any:
        return answered(app, document, secrets[Role.LEAD], **more)

    def shop(**more: Any) -> Any:
        return answered(app, OPTIONS, secrets[Role.SHOP], **more)

    assert shop()["code"] == "ZONE_BLOCKED"
    wanted = {
        "key": "o1",
        "zone": "Hill land",
        "first": str(MONDAY + timedelta(days=7)),
        "last": str(MONDAY + timedelta(days=11)),
        "by": "Lea Vos",
    }
    assert answered(app, OPEN, secrets[Role.SHOP], **wanted)["code"] == "FORBIDDEN"
    made = lead(OPEN, **wanted)
    assert (made["openedBy"], lead(OPEN, **wanted)) == ("Lea Vos", made)
    assert "plant health authority" in made["caution"]
    options = shop()
    assert options["options"]
    codes = {why["code"] for day in options["closedDays"] for why in day["reasons"]}
    assert "zone_blocked" in codes
    assert lead(OPEN, **{**wanted, "key": "o2", "zone": "Low land"})["code"] == "NOT_BLOCKED"
    assert lead(OPEN, **{**wanted, "key": "o3", "by": " "})["code"] == "INVALID"
    (standing,) = [one for one in lead(ZONES)["zones"] if one["blocked"]]
    assert [one["openedBy"] for one in standing["openings"]] == ["Lea Vos"]
    assert lead(SHUT, key="s1") == {
        "__typename": "ZoneShut", "blocked": "no papers yet", "orders": []
    }  # fmt: skip
    assert shop()["code"] == "ZONE_BLOCKED"
    assert lead(SHUT, key="s2")["code"] == "NOT_OPEN"


def test_a_closure_is_taken_back_and_days_asked_for_in_the_wrong_order_name_the_argument(
    db: Database,
) -> None:
    secrets = tokens(db)
    app, day = create_app(db), str(MONDAY + timedelta(days=8))
    assert answered(app, CLOSE, secrets[Role.LEAD], key="c1", day=day)["key"] == "Van"
    (closed,) = answered(app, ZONES, secrets[Role.LEAD])["closures"]
    assert closed == {"where": "service Van", "lastDay": day}
    gone = answered(app, REOPEN, secrets[Role.LEAD], key="r1", day=day)
    assert gone == {"__typename": "ClosedDays", "where": "service Van", "firstDay": day}
    assert answered(app, REOPEN, secrets[Role.LEAD], key="r2", day=day)["code"] == "NO_CLOSURE"
    swapped = {"from": day, "until": str(MONDAY)}
    told = answered(app, OPTIONS, secrets[Role.SHOP], **swapped)
    assert (told["code"], told["field"]) == ("BAD_DAYS", "from")
    assert "is after the last" in told["message"]


def test_learned_transit_is_taken_and_put_back_by_the_lead_alone(db: Database) -> None:
    secrets = tokens(db)
    app = create_app(db)
    assert answered(app, TAKE, secrets[Role.SHOP], key="t0", zone="Low land")["code"] == "FORBIDDEN"
    assert answered(app, LEARNED, secrets[Role.LEAD])["lanes"] == []
    few = answered(app, TAKE, secrets[Role.LEAD], key="t1", zone="Low land")
    assert few["code"] == "TOO_FEW_PARCELS" and "20 are needed" in few["next"]
    unknown = answered(app, TAKE, secrets[Role.LEAD], key="t2", zone="Atlantis")
    assert (unknown["code"], unknown["field"]) == ("UNKNOWN_LANE", "zone")
    with db.writing() as session:
        row = session.exec(select(Zone).where(Zone.name == "Low land")).one()
        session.add(
            TransitTaken(
                service_id=1,
                zone_id=row.id or 0,
                shares=[[1, 0.75], [2, 0.25]],
                parcels=40,
                on_the_way=0,
                taken_by="Lea",
                reason="a season",
                taken_at=now(session),
            )
        )
    back = answered(app, PUT_BACK, secrets[Role.LEAD], key="p1")
    assert (back["putBack"], back["parcels"]) == (True, 40)
    assert back["days"] == [
        {"deliveryDays": 1, "share": 0.75},
        {"deliveryDays": 2, "share": 0.25},
    ]
    assert answered(app, PUT_BACK, secrets[Role.LEAD], key="p2")["code"] == "NOT_IN_USE"
