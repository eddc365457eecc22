"""What the lead does: batches, counts, vetoes, forecasts, closed days, the test clock."""

from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
from sqlmodel import select
from starlette.applications import Starlette

from api.app import create_app
from api.ids import global_id
from nursery.access import Role
from nursery.carrier import Closure
from nursery.database import Database
from nursery.settings import Settings
from nursery.weather import Forecast
from tests.api.asking import answered, ask
from tests.api.server import tokens
from tests.api.shop import MONDAY, RESERVE
from tests.builders import crop_named, ready_lot

BATCH = """{ __typename
  ... on Batch { code stage bench trays plugs growing quarantine closedOn }
  ... on Lot { batchCode plugs readyOn lastSaleOn grade }
  ... on Counted { plugs expected difference recount }
  ... on Veto { id batchCode kind reason signedOffBy }
  ... on Closed { firstDay lastDay promiseIds }
  ... on RecordedForecast { station firstDay lastDay days }
  ... on TestClock { now shiftSeconds }
  ... on Refusal { code message field next } }"""
MEMBERS = {
    "startBatch": "Batch",
    "moveBatch": "Batch",
    "discard": "Batch",
    "setReady": "Lot",
    "recordCount": "Counted",
    "setVeto": "Veto",
    "signOffVeto": "Veto",
    "correctVetoEnd": "Veto",
    "closeDay": "Closed",
    "recordForecast": "RecordedForecast",
    "advanceTestClock": "TestClock",
}


class Nursery:
    """The API of a small nursery, asked by its three people."""

    def __init__(self, db: Database, settings: Settings | None = None) -> None:
        self.secrets = tokens(db)
        self.app: Starlette = create_app(db, settings=settings)

    def ask(self, document: str, role: Role = Role.LEAD, **variables: Any) -> Any:
        return answered(self.app, document, self.secrets[role], **variables)

    def do(
        self, action: str, arguments: str, role: Role = Role.LEAD, key: str | None = None
    ) -> Any:
        """What does this action answer?"""
        wanted = next(
            line.strip() for line in BATCH.splitlines() if f"on {MEMBERS[action]} {{" in line
        )
        answer = f"{{ __typename {wanted} ... on Refusal {{ code message field next }} }}"
        document = f'mutation {{ {action}(key: "{key or uuid4().hex}", {arguments}) {answer} }}'
        return self.ask(document, role)


@pytest.fixture
def nursery(db: Database) -> Nursery:
    made = Nursery(db)
    with db.writing() as session:
        crop = crop_named(session, "Caltha palustris")
        ready = MONDAY - timedelta(days=7)
        ready_lot(session, crop, 60, ready, MONDAY + timedelta(days=40), "OLD")
    return made


START = (
    'start: { crop: "Caltha palustris", protocol: "division", trays: 3,'
    ' bench: "Mist house 1", code: "NEW" }'
)


def test_a_batch_is_started_moved_on_set_aside_as_ready_and_discarded(nursery: Nursery) -> None:
    started = nursery.do("startBatch", START, key="start")
    assert (started["code"], started["stage"], started["trays"]) == ("NEW", "STRIKE", 3)
    assert (started["plugs"], started["bench"]) == (312, "Mist house 1")
    assert nursery.do("startBatch", START, key="start") == started
    assert nursery.do("startBatch", START)["code"] == "CODE_TAKEN"
    moved = nursery.do("moveBatch", 'batchCode: "NEW", bench: "Long house 1"')
    assert (moved["stage"], moved["bench"]) == ("GROW_ON", "Long house 1")
    assert nursery.do("recordCount", 'batchCode: "NEW", plugs: 280')["difference"] == -32
    ready = nursery.do("setReady", 'batchCode: "NEW", plugs: 200, bench: "Sales bench 1"')
    assert (ready["batchCode"], ready["plugs"], ready["grade"]) == ("NEW", 200, "A")
    left = nursery.do("discard", 'batchCode: "NEW", plugs: 80, reason: "slugs"')
    assert (left["plugs"], left["growing"], left["closedOn"]) == (200, 0, None)


def test_a_count_as_expected_needs_no_number(nursery: Nursery, db: Database) -> None:
    lot = global_id("Lot", 1)
    counted = nursery.do("recordCount", f'batchCode: "OLD", lotId: "{lot}"', Role.PACKER)
    assert (counted["plugs"], counted["expected"], counted["difference"]) == (60, 60, 0)
    wrong = nursery.do("recordCount", f'batchCode: "OLD", lotId: "{lot}", plugs: 6000')
    assert wrong["code"] == "COUNT_OVER_CAPACITY"
    assert nursery.do("recordCount", 'batchCode: "ODL", plugs: 1')["code"] == "NOT_FOUND"


def reserve(nursery: Nursery, reference: str, quantity: int = 1) -> Any:
    return nursery.ask(
        RESERVE,
        Role.SHOP,
        key=reference,
        reference=reference,
        basket=[{"code": "CP-6", "quantity": quantity}],
        to={"country": "NL", "postcode": "1011AB"},
        day="2027-03-03",
        service="Van",
    )


WHY = """query ($reference: String!) { dispatchWhy(reference: $reference) { __typename
  ... on OrderWhy { parcels { promiseId state shipOn service moves
    days { first last verdict text } } }
  ... on Refusal { code message next } } }"""


def test_the_lead_asks_why_an_order_is_on_its_day(nursery: Nursery) -> None:
    promised = reserve(nursery, "W-1")
    (parcel,) = nursery.ask(WHY, reference="W-1")["parcels"]
    assert (parcel["promiseId"], parcel["shipOn"]) == (promised["id"], "2027-03-03")
    said = {day["first"]: day["verdict"] for day in parcel["days"]}
    assert (said["2027-03-01"], said["2027-03-03"]) == ("CLOSED", "ITS_DAY")
    assert nursery.ask(WHY, reference="W-7")["code"] == "UNKNOWN_ORDER"
    assert nursery.ask(WHY, Role.SHOP, reference="W-1")["code"] == "FORBIDDEN"


def test_plugs_under_a_veto_are_not_promised_until_somebody_signs_it_off(
    nursery: Nursery,
) -> None:
    wanted = 'batchCode: "OLD", kind: INSPECTION, reason: "spots", setBy: "Inspector Li"'
    veto = nursery.do("setVeto", f'{wanted}, earliestEnd: "2027-03-01"')
    assert (veto["kind"], veto["signedOffBy"]) == ("INSPECTION", None)
    assert reserve(nursery, "V-1")["code"] == "NO_PLUGS"
    signed = nursery.do(
        "signOffVeto", f'id: "{veto["id"]}", signedBy: "Inspector Li", note: "clear"'
    )
    assert signed["signedOffBy"] == "Inspector Li"
    assert reserve(nursery, "V-2")["__typename"] == "Promise"
    again = nursery.do("signOffVeto", f'id: "{veto["id"]}", signedBy: "Ada", note: "clear"')
    assert again["code"] == "VETO_SIGNED_OFF"


def test_an_earliest_end_that_was_typed_wrong_is_corrected_and_the_veto_holds_on(
    nursery: Nursery,
) -> None:
    wanted = 'batchCode: "OLD", kind: RE_ENTRY, reason: "label of X", setBy: "Inspector Li"'
    id = nursery.do("setVeto", f'{wanted}, earliestEnd: "2028-03-01"')["id"]
    signs = f'id: "{id}", signedBy: "Inspector Li", note: "interval over"'
    assert nursery.do("signOffVeto", signs)["code"] == "INTERVAL_RUNS"
    meant = f'id: "{id}", earliestEnd: "2027-03-01", correctedBy: "Inspector Li"'
    assert nursery.do("correctVetoEnd", f'{meant}, why: ""')["code"] == "INVALID"
    assert nursery.do("correctVetoEnd", f'{meant}, why: "{"x" * 200}"')["code"] == "INVALID"
    mended = nursery.do("correctVetoEnd", f'{meant}, why: "the wrong year"')
    assert mended["reason"].endswith(
        "earliest end was 2028-03-01, corrected by Inspector Li: the wrong year"
    )
    assert reserve(nursery, "V-1")["code"] == "NO_PLUGS"
    assert nursery.do("signOffVeto", signs)["signedOffBy"] == "Inspector Li"
    again = nursery.do("correctVetoEnd", f'{meant}, why: "once more"')
    assert again["code"] == "VETO_SIGNED_OFF"


def test_a_closed_day_is_quoted_no_more_and_touched_promises_are_named(
    nursery: Nursery, db: Database
) -> None:
    promise = reserve(nursery, "C-1")
    wanted = 'closedAt: ORIGIN, firstDay: "2027-03-03", reason: "Stocktaking"'
    closed = nursery.do("closeDay", wanted)
    assert closed["promiseIds"] == [promise["id"]]
    assert reserve(nursery, "C-2")["code"] == "DAY_CLOSED"
    assert nursery.do("closeDay", wanted)["__typename"] == "Closed"
    other = nursery.do("closeDay", wanted.replace("Stocktaking", "Fair"))
    assert other["code"] == "CLOSED_ALREADY"
    with db.reading() as session:
        assert len(session.exec(select(Closure)).all()) == 1


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        ('closedAt: ORIGIN, firstDay: "2027-03-03", reason: " "', "INVALID"),
        ('closedAt: ORIGIN, firstDay: "2027-02-03", reason: "past"', "INVALID"),
        (
            'closedAt: ORIGIN, firstDay: "2027-03-03", lastDay: "2028-03-03", reason: "long"',
            "INVALID",
        ),
        ('closedAt: SERVICE, place: "Vam", firstDay: "2027-03-03", reason: "x"', "UNKNOWN_PLACE"),
    ],
)
def test_a_closure_that_cannot_be_meant_is_refused(
    nursery: Nursery, arguments: str, code: str
) -> None:
    assert nursery.do("closeDay", arguments)["code"] == code


def test_a_closed_zone_or_region_touches_only_parcels_on_their_way_there(
    nursery: Nursery,
) -> None:
    promise = reserve(nursery, "Z-1")
    for where, expected in (
        ('ZONE, place: "Low land"', [promise["id"]]),
        ('ZONE, place: "Hill land"', []),
        ('REGION, place: "DE-NW"', []),
        ('REGION, place: "NL"', [promise["id"]]),
        ('SERVICE, place: "Van"', [promise["id"]]),
    ):
        arguments = f'closedAt: {where}, firstDay: "2027-03-04", reason: "strike"'
        assert nursery.do("closeDay", arguments)["promiseIds"] == expected, where


def forecast(day: str, low: float, high: float, issued: str = "2027-03-01T05:00:00Z") -> str:
    days = f'[{{ day: "{day}", minC: {low}, maxC: {high} }}]'
    return f'station: "Home", issuedAt: "{issued}", days: {days}'


def test_a_forecast_frost_closes_a_ship_day_with_its_reason(nursery: Nursery, db: Database) -> None:
    recorded = nursery.do("recordForecast", forecast("2027-03-03", -30, 2))
    assert (recorded["station"], recorded["days"]) == ("Home", 1)
    assert nursery.do("recordForecast", forecast("2027-03-03", -30, 2)) == recorded
    with db.reading() as session:
        assert len(session.exec(select(Forecast)).all()) == 1
    refused = reserve(nursery, "F-1")
    assert refused["code"] == "DAY_CLOSED"
    assert "-30 °C forecast at" in refused["message"]


@pytest.mark.parametrize(
    ("arguments", "code", "word"),
    [
        (forecast("2027-03-03", 50, 77), "INVALID", "Fahrenheit"),
        (forecast("2027-03-03", 9, 2), "INVALID", "minimum"),
        (forecast("2027-03-03", 1, 9, "2027-02-25T05:00:00Z"), "STALE_FORECAST", "hours ago"),
        (forecast("2027-03-03", 1, 9, "2027-03-02T05:00:00Z"), "NOT_ISSUED_YET", "issued"),
        (forecast("2027-05-03", 1, 9), "DAY_NOT_COVERED", "does not reach"),
        (forecast("2027-03-03", 1, 9).replace("Home", "Moon"), "UNKNOWN_STATION", "Moon"),
    ],
)
def test_a_forecast_that_is_stale_or_cannot_be_is_refused(
    nursery: Nursery, arguments: str, code: str, word: str
) -> None:
    refused = nursery.do("recordForecast", arguments)
    assert refused["code"] == code
    assert word in refused["message"]


def test_one_issue_of_a_forecast_says_one_thing(nursery: Nursery) -> None:
    assert nursery.do("recordForecast", forecast("2027-03-03", 1, 9))["days"] == 1
    refused = nursery.do("recordForecast", forecast("2027-03-03", 2, 9))
    assert refused["code"] == "FORECAST_EXISTS"
    later = nursery.do("recordForecast", forecast("2027-03-03", 2, 9, "2027-03-01T06:00:00Z"))
    assert later["days"] == 1


def test_a_moment_without_a_zone_is_told_to_be_no_moment(nursery: Nursery) -> None:
    arguments = 'key: "k", station: "Home", issuedAt: "2027-03-01T05:00", days: []'
    document = f"mutation {{ recordForecast({arguments}) {{ __typename }} }}"
    (error,) = ask(nursery.app, document, nursery.secrets[Role.LEAD])["errors"]
    assert "A moment is written with its zone" in error["message"]


def test_the_test_clock_moves_only_where_settings_allow_it(db: Database) -> None:
    nursery = Nursery(db, Settings(test_clock=True))
    with db.writing() as session:
        crop = crop_named(session, "Caltha palustris")
        ready_lot(session, crop, 60, MONDAY, MONDAY + timedelta(days=40))
    id = reserve(nursery, "T-1")["id"]
    moved = nursery.do("advanceTestClock", "seconds: 1860", Role.SHOP)
    assert moved["__typename"] == "TestClock"
    state = f'{{ promise(id: "{id}") {{ ... on Promise {{ state }} }} }}'
    assert nursery.ask(state, Role.SHOP) == {"state": "LAPSED"}
    assert nursery.do("advanceTestClock", "seconds: -5")["code"] == "INVALID"
    assert nursery.do("advanceTestClock", "seconds: 5", Role.PACKER)["code"] == "FORBIDDEN"
    plain = create_app(db)
    document = 'mutation { advanceTestClock(key: "x", seconds: 5) { ... on Refusal { code } } }'
    assert answered(plain, document, nursery.secrets[Role.SHOP]) == {"code": "OFF"}


def test_the_week_sheet_tells_what_ends_and_what_is_counted(nursery: Nursery) -> None:
    document = """query ($week: Week!) { weekSheet(week: $week) { __typename
      ... on WeekSheet { week planVersion tasks { kind batchCode latest minutes } }
      ... on Refusal { code message } } }"""
    sheet = nursery.ask(document, week="2027-W14")
    assert (sheet["week"], sheet["planVersion"]) == ("2027-W14", None)
    ends = {task["batchCode"] for task in sheet["tasks"] if task["kind"] == "DISCARD"}
    assert ends == {"OLD"}
    assert nursery.ask(document, Role.PACKER, week="2027-W14")["code"] == "FORBIDDEN"


def test_a_batch_tells_its_story_to_the_orders_that_wait_for_it(nursery: Nursery) -> None:
    promise = reserve(nursery, "S-1", 2)
    document = """query ($code: String!) { trace(batchCode: $code) {
      ... on Trace { crop balance movements { sequence kind plugs balance }
        lots { lotId plugs } waiting { reference promiseId state } }
      ... on Refusal { code next } } }"""
    story = nursery.ask(document, code="OLD")
    assert (story["crop"], story["balance"]) == ("Caltha palustris", 60)
    assert story["movements"] == [{"sequence": 1, "kind": "COUNTED", "plugs": 60, "balance": 60}]
    assert story["lots"] == [{"lotId": global_id("Lot", 1), "plugs": 60}]
    assert [(each["reference"], each["promiseId"]) for each in story["waiting"]] == [
        ("S-1", promise["id"])
    ]
    assert nursery.ask(document, code="ODL")["code"] == "UNKNOWN_BATCH"


@pytest.mark.parametrize("week", ["2027-W53", "2027-14", "W14-2027", ""])
def test_a_week_that_does_not_exist_is_no_week(nursery: Nursery, week: str) -> None:
    """2026 has 53 weeks and 2027 has not (checks: weeks of ISO 8601 years, a published list)."""
    document = "query ($week: Week!) { weekSheet(week: $week) { __typename } }"
    (error,) = ask(nursery.app, document, nursery.secrets[Role.LEAD], week=week)["errors"]
    assert "Week" in error["message"] or "week" in error["message"]
