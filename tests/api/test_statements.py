"""Ten rows or forty: a document, a page or a command asks the database as many questions."""

import gc
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from graphql import (
    GraphQLNonNull,
    GraphQLObjectType,
    GraphQLOutputType,
    GraphQLUnionType,
    build_schema,
    get_named_type,
)
from sqlalchemy import Engine, event
from sqlmodel import Session, select
from starlette.applications import Starlette
from typer.testing import CliRunner

from api.app import create_app
from api.ids import global_id
from api.pages.showing import COOKIE
from nursery.access import Role
from nursery.batch import Batch, Quarantine
from nursery.cli import app as commands
from nursery.crop import Crop
from nursery.database import Database, now, open_database, site
from nursery.growing_area import Bench, GrowingArea
from nursery.planned import PlannedStart
from nursery.planning.propagation_problem import build_problem
from nursery.promising.promise import promise_order
from nursery.settings import Settings
from nursery.shed.claims import ClaimKind, record_claim
from nursery.shed.handover import hand_over
from nursery.shed.picking import record_pick
from nursery.shed.suspect import suspect
from nursery.shed.trace import batch_called
from nursery.stock import Moved, Movement
from nursery.weeks import Week
from solver.propagation.backward import backward
from tests.api.asking import ask, get
from tests.api.server import tokens
from tests.api.shop import MONDAY, OPTIONS, RESERVE
from tests.builders import _crop as another_crop
from tests.builders import accepted_plan, crop_named, open_order, product_of, ready_lot, set_clock

FEW, MANY = 3, 12
TUESDAY, WEDNESDAY = MONDAY + timedelta(days=1), MONDAY + timedelta(days=2)
SDL = build_schema((Path(__file__).parents[2] / "api" / "schema.graphql").read_text())
HERE = {"country": "NL", "postcode": "1011AB"}
BASKET = [{"code": "CP-6", "quantity": 1}]
WEEK, SHIP_DAY, SENT = {"week": "2027-W09"}, {"shipDay": f"{WEDNESDAY}"}, {"shipDay": f"{TUESDAY}"}
MANY_A_PAGE = {"first": 100}
ASKED: dict[str, tuple[Role, dict[str, Any]]] = {
    "products": (Role.SHOP, MANY_A_PAGE),
    "promises": (Role.SHOP, MANY_A_PAGE),
    "promise": (Role.SHOP, {"id": global_id("Promise", 1)}),
    "pickSheet": (Role.PACKER, SHIP_DAY),
    "parcels": (Role.PACKER, SENT),
    "wateringList": (Role.PACKER, {"packDay": f"{WEDNESDAY}"}),
    "parcelWraps": (Role.PACKER, SHIP_DAY),
    "plantPassports": (Role.PACKER, {"batchCode": "SHARED"}),
    "plan": (Role.LEAD, {"version": 1}),
    "weekSheet": (Role.LEAD, WEEK),
    "benchMap": (Role.LEAD, WEEK),
    "rota": (Role.LEAD, WEEK),
    "rounds": (Role.LEAD, WEEK),
    "trace": (Role.LEAD, {"batchCode": "SHARED"}),
    "inspectorsList": (Role.LEAD, {"batchCode": "SHARED"}),
    "claims": (Role.LEAD, MANY_A_PAGE),
    "claimsLearned": (Role.LEAD, {}),
    "transitLearned": (Role.LEAD, {}),
    "warnings": (Role.LEAD, {}),
    "materials": (Role.LEAD, {}),
    "glut": (Role.LEAD, {}),
    "dayBook": (Role.LEAD, {}),
    "frostNights": (Role.LEAD, {}),
    "shadeCalendars": (Role.LEAD, {}),
    "receivers": (Role.LEAD, {}),
    "zones": (Role.LEAD, {}),
    "dispatchWhy": (Role.LEAD, {"reference": "Y-1"}),
    "daysAhead": (Role.LEAD, {}),
}
PAGES = (
    "/week/2027-W09",
    "/week/2027-W09/sheets",
    "/benches/2027-W09",
    "/days",
    "/warnings",
    "/shade",
    f"/picks/{WEDNESDAY}",
    f"/parcels/{TUESDAY}",
    f"/cards/{WEDNESDAY}",
)
COMMANDS = (
    "warnings",
    f"picks {WEDNESDAY}",
    "week",
    "week --sheets",
    "benches",
    "materials",
    f"parcels {TUESDAY}",
    "watering",
    f"wraps {WEDNESDAY}",
    "trace SHARED",
    "suspect SHARED",
    "dispatch --why Y-1",
    "days",
    "claims --list",
    "count --list",
    "check",
)


def _grown(session: Session, number: int, crop: Crop) -> None:
    """A bench with a growing batch of this crop on it."""
    area = session.exec(select(GrowingArea).where(GrowingArea.name == "Long house")).one()
    bench = Bench(name=f"L{number}", places=20, walk_order=50 + number, area_id=area.id or 0)
    session.add(bench)
    session.flush()
    protocol = crop.protocols[0]
    stage = protocol.stages[1]
    batch = Batch(
        code=f"G{number:03}",
        crop_id=crop.id or 0,
        protocol_id=protocol.id or 0,
        stage_id=stage.id or 0,
        tray_format_id=stage.tray_format_id or 0,
        bench_id=bench.id,
        trays=2,
        started_on=MONDAY - timedelta(weeks=4),
        stage_entered_on=MONDAY - timedelta(weeks=1),
        origin_country="NL",
        quarantine=Quarantine.CLEAR,
    )
    session.add(batch)
    session.flush()
    at = now(session)
    session.add(
        Movement(
            batch_id=batch.id or 0, sequence=1, kind=Moved.COUNTED, plugs=200, balance=200,
            actor="Ada", happened_at=at, recorded_at=at,
        )
    )  # fmt: skip


def _nursery(session: Session, many: int) -> None:
    """So many of everything: crops, lots, growing batches, starts, orders in four states."""
    set_clock(session, TUESDAY)
    site(session).packing_minutes_a_day = 100_000
    plan = accepted_plan(session, MONDAY)
    until = MONDAY + timedelta(days=40)
    first = crop_named(session, "Caltha palustris")
    shared = ready_lot(session, first, 60 * many, MONDAY, until, "SHARED")
    for number in range(many):
        crop = another_crop(
            session, f"{chr(65 + number // 26)}a {chr(65 + number % 26)}a Quaggy", ""
        )
        lot = ready_lot(session, crop, 60, MONDAY, until, f"R{number:03}")
        _grown(session, number, crop)
        session.add(
            PlannedStart(
                plan_id=plan.id or 0,
                protocol_id=crop.protocols[0].id or 0,
                week=str(Week.of(MONDAY)),
                trays=2,
            )
        )
        session.flush()
        product = product_of(session, crop)
        sent = _promised(session, f"W-{number}", product, TUESDAY)
        record_pick(session, sent.lines[0], lot, 6, "Bo")
        gone = hand_over(session, sent.id or 0, f"T-{number}", "Bo")
        record_claim(session, gone.id or 0, ClaimKind.DEAD, "brown", "shop", 4)
        _promised(session, f"X-{number}", product, WEDNESDAY)
        mine = _promised(session, f"Z-{number}", product_of(session, first), TUESDAY)
        record_pick(session, mine.lines[0], shared, 6, "Bo")
        open_order(session, f"Y-{number}", product)
    problem, _ = build_problem(session, 4)
    plan.problem, plan.plan = problem.to_json(), backward(problem).to_json()


def _promised(session: Session, reference: str, product: Any, day: Any) -> Any:
    order = open_order(session, reference, product)
    return promise_order(session, order.id or 0, day, "Van", "shop", judged=True)


@contextmanager
def _counted() -> Iterator[Counter[str]]:
    """Which statements are asked of any database meanwhile, and how often?

    Nothing is collected meanwhile: a session forgets rows that nobody holds any more, and asks for
    them again, so the count would depend on the moment at which Python's collector happens to run.
    """
    found: Counter[str] = Counter()

    def note(connection: Any, cursor: Any, statement: str, *more: Any) -> None:
        found[" ".join(statement.split("IN (")[0].split())] += 1

    event.listen(Engine, "before_cursor_execute", note)
    gc.collect()
    gc.disable()
    try:
        yield found
    finally:
        gc.enable()
        event.remove(Engine, "before_cursor_execute", note)


def _everything(
    kind: GraphQLOutputType, depth: int = 6, above: frozenset[str] = frozenset()
) -> str:
    """A selection of every field that needs no arguments, down to that depth."""
    kind = get_named_type(kind)
    if isinstance(kind, GraphQLUnionType):
        parts = (f"... on {each.name} {_everything(each, depth, above)}" for each in kind.types)
        return f"{{ __typename {' '.join(parts)} }}"
    if not isinstance(kind, GraphQLObjectType):
        return ""
    found = ["__typename"]
    for name, field in kind.fields.items():
        below = get_named_type(field.type)
        composite = isinstance(below, GraphQLObjectType | GraphQLUnionType)
        needs = any(isinstance(each.type, GraphQLNonNull) for each in field.args.values())
        if needs or (composite and (depth == 0 or below.name in above)):
            continue
        found.append(f"{name} {_everything(field.type, depth - 1, above | {kind.name})}")
    return f"{{ {' '.join(found)} }}"


def _document(root: str, given: dict[str, Any]) -> str:
    """The root with every field below it; what is given goes in as variables."""
    assert SDL.query_type is not None
    field = SDL.query_type.fields[root]
    wanted = ", ".join(f"${name}: {field.args[name].type}" for name in given)
    passed = ", ".join(f"{name}: ${name}" for name in given)
    head = f"query({wanted}) {{ {root}({passed})" if given else f"{{ {root}"
    return f"{head} {_everything(field.type)} }}"


class Asked:
    """A nursery of so many rows, and what each question asks its database."""

    def __init__(self, db: Database, many: int) -> None:
        self.db, self.secrets = db, tokens(db)
        with db.writing() as session:
            _nursery(session, many)
        wide = Settings(max_fields=10_000, max_tokens=100_000, max_depth=30)
        self.app: Starlette = create_app(db, settings=wide)

    def document(self, root: str) -> None:
        """One document, answered."""
        role, given = ASKED[root]
        answer = ask(self.app, _document(root, given), self.secrets[role], **given)
        assert "errors" not in answer, answer
        assert answer["data"][root]["__typename"] != "Refusal", answer

    def page(self, path: str) -> None:
        """One page, shown to the lead."""
        page = get(self.app, path, {COOKIE: self.secrets[Role.LEAD]})
        assert page.status_code == 200, page.text

    def command(self, line: str) -> None:
        """One command, run."""
        run = CliRunner().invoke(commands, line.split(), env={"NURSERY_DATABASE": self.db.address})
        assert run.exit_code == 0, run.output

    def shop(self, wanted: str) -> None:
        """The shop's look for days, or a reservation."""
        given: dict[str, Any] = {"basket": BASKET, "to": HERE, "until": "2027-03-20"}
        if wanted == RESERVE:
            given = {
                "key": "k", "reference": "R-1", "basket": BASKET, "to": HERE,
                "day": f"{WEDNESDAY}", "service": "Van",
            }  # fmt: skip
        answer = ask(self.app, wanted, self.secrets[Role.SHOP], **given)
        (said,) = answer["data"].values()
        assert said["__typename"] != "Refusal", said


@pytest.fixture(scope="module")
def both(_migrated: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[Asked]]:
    found = []
    for many in (FEW, MANY):
        path = tmp_path_factory.mktemp("rows") / "nursery.sqlite"
        path.write_bytes(_migrated.read_bytes())
        found.append(Asked(open_database(str(path)), many))
    yield found
    for each in found:
        each.db.close()


def _as_many(both: list[Asked], work: Callable[[Asked], None]) -> None:
    """Asked once, so that what a process keeps is there; then counted, and no row adds to it."""
    counted = []
    for each in both:
        work(each)
        with _counted() as statements:
            work(each)
        counted.append(statements)
    few, many = counted
    assert dict(many - few) == {}


@pytest.mark.parametrize("root", ASKED)
def test_a_document_asks_no_more_questions_for_more_rows(both: list[Asked], root: str) -> None:
    _as_many(both, lambda each: each.document(root))


@pytest.mark.parametrize("path", PAGES)
def test_a_page_asks_no_more_questions_for_more_rows(both: list[Asked], path: str) -> None:
    _as_many(both, lambda each: each.page(path))


@pytest.mark.parametrize("line", COMMANDS)
def test_a_command_asks_no_more_questions_for_more_rows(both: list[Asked], line: str) -> None:
    _as_many(both, lambda each: each.command(line))


@pytest.mark.parametrize("wanted", [OPTIONS, RESERVE], ids=["days", "reserve"])
def test_the_shop_asks_no_more_questions_of_a_larger_nursery(
    both: list[Asked], wanted: str
) -> None:
    _as_many(both, lambda each: each.shop(wanted))


class _TakenBack(Exception):
    """The nursery is as it was for the tests that come after."""


def test_a_suspected_pest_freezes_many_linked_batches_with_as_many_questions_as_few(
    both: list[Asked],
) -> None:
    frozen, asked = [], []
    for each in both:
        with pytest.raises(_TakenBack), each.db.writing() as session, _counted() as statements:
            found = suspect(session, batch_called(session, "SHARED"), "wilt", "Ada")
            frozen.append(sum(one.frozen for one in found.batches))
            asked.append(statements.copy())
            raise _TakenBack
    assert frozen[1] > frozen[0] > FEW and dict(asked[1] - asked[0]) == {}
