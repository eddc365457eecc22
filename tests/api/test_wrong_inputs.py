"""What the lead may type wrongly at the benches: each is a refusal that says what to do next."""

from datetime import timedelta
from uuid import uuid4

import pytest
from starlette.applications import Starlette

from api.app import create_app
from api.ids import global_id
from nursery.access import Role
from nursery.database import Database
from nursery.shed.veto import set_veto
from nursery.stock import VetoKind
from nursery.week import day_book
from tests.api.asking import answered, ask
from tests.api.server import tokens
from tests.api.shop import MONDAY
from tests.builders import crop_named, ready_lot

CALTHA = "Caltha palustris"
NOWHERE = "Low Meadow 9"
START = f'crop: "{CALTHA}", protocol: "division"'

CASES = [
    # what, mutation, arguments, code, field
    ("an unknown batch", "moveBatch", 'batchCode: "NWE"', "NOT_FOUND", "batchCode"),
    ("a bench that is not there", "moveBatch", f'batchCode: "NEW", bench: "{NOWHERE}"',
     "NOT_FOUND", "bench"),
    ("a bench of the wrong kind", "moveBatch", 'batchCode: "NEW", bench: "Sales bench 1"',
     "WRONG_AREA", "bench"),
    ("a day to come", "moveBatch", 'batchCode: "NEW", movedOn: "2027-12-24"', "BAD_DATE",
     "movedOn"),
    ("a day before it came", "moveBatch", 'batchCode: "NEW", movedOn: "2026-12-24"', "BAD_DATE",
     "movedOn"),
    ("no trays", "moveBatch", 'batchCode: "NEW", trays: 0', "NO_TRAYS", "trays"),
    ("more trays than plugs", "moveBatch", 'batchCode: "NEW", trays: 209', "TOO_MANY_TRAYS",
     "trays"),
    ("plugs typed as trays", "startBatch", f"start: {{ {START}, trays: 520 }}", "TOO_MANY_TRAYS",
     "trays"),
    ("fewer than no trays", "startBatch", f"start: {{ {START}, trays: -1 }}", "NO_TRAYS", "trays"),
    ("more trays than a number holds", "startBatch", f"start: {{ {START}, trays: 2000000000 }}",
     "TOO_MANY_TRAYS", "trays"),
    ("a misspelt crop", "startBatch", 'start: { crop: "Caltha palustirs", trays: 1 }', "NOT_FOUND",
     "crop"),
    ("a protocol that is not there", "startBatch",
     f'start: {{ crop: "{CALTHA}", protocol: "graft", trays: 1 }}', "NOT_FOUND", "protocol"),
    ("a code that is taken", "startBatch", f'start: {{ {START}, trays: 1, code: "NEW" }}',
     "CODE_TAKEN", "code"),
    ("a code that fits no label", "startBatch",
     f'start: {{ {START}, trays: 1, code: "{"A" * 41}" }}', "BAD_CODE", "code"),
    ("a country of three letters", "startBatch",
     f'start: {{ {START}, trays: 1, originCountry: "NLD" }}', "BAD_ORIGIN", "originCountry"),
    ("a planned start that is gone", "startBatch",
     f'start: {{ plannedStartId: "{global_id("PlannedStart", 99)}" }}', "NOT_FOUND",
     "plannedStartId"),
    ("an id of another thing", "startBatch",
     f'start: {{ plannedStartId: "{global_id("Lot", 1)}" }}', "UNKNOWN_ID", "plannedStartId"),
    ("nothing set aside", "setReady", 'batchCode: "HARD", plugs: 0', "INVALID", None),
    ("ready next year", "setReady", 'batchCode: "HARD", plugs: 5, readyOn: "2028-03-01"',
     "BAD_DATE", "readyOn"),
    ("ready before it was started", "setReady",
     'batchCode: "HARD", plugs: 5, readyOn: "2019-03-01"', "BAD_DATE", "readyOn"),
    ("ready in the propagation house", "setReady",
     'batchCode: "HARD", plugs: 5, bench: "Mist house 1"', "WRONG_AREA", "bench"),
    ("a grade that is not sold", "setReady", 'batchCode: "HARD", plugs: 5, grade: B', "NO_POOL",
     "grade"),
    ("fewer than nothing discarded", "discard", 'batchCode: "NEW", plugs: -5, reason: "slugs"',
     "NO_PLUGS", "plugs"),
    ("more discarded than there are", "discard", 'batchCode: "NEW", plugs: 209, reason: "slugs"',
     "NOT_ENOUGH_PLUGS", "plugs"),
    ("discarded for no reason", "discard", 'batchCode: "NEW", plugs: 1, reason: " "', "NO_REASON",
     "reason"),
    ("a lot of another batch", "discard",
     f'batchCode: "NEW", plugs: 1, reason: "slugs", lotId: "{global_id("Lot", 1)}"', "INVALID",
     None),
    ("planted out nowhere", "plantOut", 'batchCode: "NEW", plugs: 1, where: ""', "NO_REASON",
     "where"),
    ("a count below nothing", "recordCount", 'batchCode: "NEW", plugs: -1', "COUNT_NEGATIVE",
     "plugs"),
    ("a count over the cells", "recordCount", 'batchCode: "NEW", plugs: 209',
     "COUNT_OVER_CAPACITY", "plugs"),
    ("a count made tomorrow", "recordCount",
     'batchCode: "NEW", plugs: 9, countedAt: "2027-03-02T10:00:00Z"', "INVALID", None),
    ("a count from before the batch", "recordCount",
     'batchCode: "NEW", plugs: 9, countedAt: "2020-03-02T10:00:00Z"', "BAD_DATE", "countedAt"),
    ("a veto for no reason", "setVeto",
     'batchCode: "NEW", kind: RE_ENTRY, reason: "", setBy: "Ada"', "INVALID", None),
    ("a veto set by nobody", "setVeto",
     'batchCode: "NEW", kind: RE_ENTRY, reason: "sprayed", setBy: " "', "INVALID", None),
    ("a veto that has ended", "setVeto",
     'batchCode: "NEW", kind: RE_ENTRY, reason: "sprayed", setBy: "Ada", earliestEnd: "2020-01-01"',
     "INVALID", None),
    ("a veto signed by nobody", "signOffVeto",
     f'id: "{global_id("Veto", 1)}", signedBy: "", note: "clear"', "INVALID", None),
    ("a veto that is not there", "signOffVeto",
     f'id: "{global_id("Veto", 9)}", signedBy: "Ada", note: "clear"', "NOT_FOUND", "id"),
    ("what is under a veto", "moveBatch", 'batchCode: "HELD"', "VETO", "batch"),
    ("a line that is not on the sheet", "doAsPlanned", 'lines: ["M99.1"]', "UNKNOWN_LINE", "line"),
    ("no lines", "doAsPlanned", "lines: []", "INVALID", "lines"),
    ("an entry that is not there", "undo", f'id: "{global_id("DayEntry", 99)}", reason: "x"',
     "UNKNOWN_ENTRY", "entry"),
    ("undone for no reason", "undo", f'id: "{global_id("DayEntry", 1)}", reason: ""', "INVALID",
     None),
    ("gaps that are none", "gapUp", 'batchCode: "NEW"', "NO_GAPS", "batch"),
    ("a donor of another stage", "gapUp", 'batchCode: "NEW", donorCode: "HARD"', "OTHER_LINEAGE",
     "batch"),
    ("less than no time", "potOn", 'batchCode: "NEW", plugs: 1, minutes: -1', "INVALID", None),
    ("a row that its ledger has not", "correctMovement",
     'batchCode: "NEW", sequence: 99, reason: "typo"', "NOT_FOUND", "sequence"),
    ("a frozen cold store", "holdCold", f'lotId: "{global_id("Lot", 1)}", days: 3, storeC: -2',
     "NOT_COLD", "storeC"),
    ("held for a year", "holdCold", f'lotId: "{global_id("Lot", 1)}", days: 365, storeC: 7',
     "HELD_LONG_ENOUGH", "days"),
    ("more sold than there are", "sellAtGate", f'lotId: "{global_id("Lot", 1)}", plugs: 61',
     "NOT_ENOUGH_PLUGS", "plugs"),
]  # fmt: skip
QUERIES = [
    ("a bench map of a week gone by", 'benchMap(week: "2026-W09")', "INVALID"),
    ("a bench map of five years on", 'benchMap(week: "2032-W10")', "INVALID"),
    ("a rota of a week gone by", 'rota(week: "2026-W09")', "INVALID"),
    ("the sheets of nobody", 'rota(week: "2027-W09", person: "Nobody")', "INVALID"),
    ("a day book from its end", 'dayBook(firstDay: "2027-03-01", lastDay: "2027-02-01")',
     "INVALID"),
    ("a plan that was never made", "comparePlans(a: 1, b: -1)", "UNKNOWN_PLAN"),
    ("no weeks of materials", "materials(weeks: 0)", "INVALID"),
    ("materials for ever", "materials(weeks: 2147483647)", "INVALID"),
    ("a batch without a story", 'trace(batchCode: "NOPE")', "UNKNOWN_BATCH"),
]  # fmt: skip
REFUSAL = "__typename ... on Refusal { code message field next }"


@pytest.fixture
def asked(db: Database) -> tuple[Starlette, str]:
    secret = tokens(db)[Role.LEAD]
    with db.writing() as session:
        crop = crop_named(session, CALTHA)
        ready = MONDAY - timedelta(days=7)
        ready_lot(session, crop, 60, ready, MONDAY + timedelta(days=40), "OLD")
        day_book.start(session, crop.protocols[0], 2, "Ada", code="NEW")
        hard = day_book.start(session, crop.protocols[0], 2, "Ada", code="HARD").result
        hard.stage_id = crop.protocols[0].stages[2].id or 0
        held = day_book.start(session, crop.protocols[0], 2, "Ada", code="HELD").result
        set_veto(session, held, VetoKind.INSPECTION, "spots", "Ada")
    return create_app(db), secret


def test_each_wrong_input_is_refused_with_what_to_do_next(asked: tuple[Starlette, str]) -> None:
    app, secret = asked
    for what, action, arguments, code, field in CASES:
        document = f'mutation {{ {action}(key: "{uuid4().hex}", {arguments}) {{ {REFUSAL} }} }}'
        found = answered(app, document, secret)
        assert found["__typename"] == "Refusal", (what, found)
        assert (found["code"], found["field"]) == (code, field), (what, found)
        assert found["message"] and found["next"], (what, found)
    for what, query, code in QUERIES:
        found = answered(app, f"{{ {query} {{ {REFUSAL} }} }}", secret)
        assert found["code"] == code and found["next"], (what, found)


def test_what_is_like_a_wrong_name_is_listed_and_never_guessed(
    asked: tuple[Starlette, str],
) -> None:
    app, secret = asked
    for action, arguments, listed in (
        ("moveBatch", 'batchCode: "new"', "NEW"),
        ("moveBatch", 'batchCode: "NEW", bench: "Mist hous 1"', "Mist house 1"),
        ("moveBatch", 'batchCode: "NEW", bench: "Sales bench 1"', "Long house 1"),
        ("startBatch", 'start: { crop: "Caltha palustirs", trays: 1 }', CALTHA),
        ("startBatch", f'start: {{ crop: "{CALTHA}", trays: 1 }}', "division"),
    ):
        document = f'mutation {{ {action}(key: "{uuid4().hex}", {arguments}) {{ {REFUSAL} }} }}'
        found = answered(app, document, secret)
        assert listed in found["next"], found


@pytest.mark.parametrize(
    ("query", "told"),
    [
        ('weekSheet(week: "2027-W54")', "2027 has weeks 1 to 52"),
        ('dayBook(firstDay: "2027-02-30")', "A date is written 2027-03-01"),
        ('wateringList(packDay: "0001-01-01")', "must lie between 1900 and 2199"),
        ('pickSheet(shipDay: "9999-12-31")', "must lie between 1900 and 2199"),
        ('weekSheet(week: "3000-W01")', "must lie between 1900 and 2199"),
    ],
)
def test_a_value_of_another_form_is_told_with_its_rule_and_never_masked(
    asked: tuple[Starlette, str], query: str, told: str
) -> None:
    app, secret = asked
    answer = ask(app, f"{{ {query} {{ __typename }} }}", secret)
    assert told in answer["errors"][0]["message"]
