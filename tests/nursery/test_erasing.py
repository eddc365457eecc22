"""Personal data that are erased: no copy is left, and plant health records stay."""

import json
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError
from sqlmodel import Session, SQLModel, col, select
from typer.testing import CliRunner

from api.erasing import erase_now
from nursery.access import Role, Token, make_token
from nursery.cli import app
from nursery.database import Database, now, site
from nursery.errors import Refused
from nursery.order import CustomerOrder, Product, Promise, State
from nursery.planned import PlanKind, PlanVersion
from nursery.promising.basket import Basket, BasketLine, Destination
from nursery.promising.idempotent import once
from nursery.promising.promise import confirm, promise_order, reserve
from nursery.promising.told import told
from nursery.shed.claims import ClaimKind, record_claim
from nursery.shed.erasing import _texts, erasable, erase_order
from nursery.shed.picking import delivered, hand_over, record_pick
from nursery.shed.reshipping import reship
from nursery.shed.trace import trace
from nursery.stock import Lot, Movement
from tests.builders import (
    crop_named,
    open_order,
    product_of,
    ready_lot,
    set_clock,
    small_nursery,
)

MONDAY = date(2027, 10, 4)
TUESDAY = MONDAY + timedelta(days=1)
NAME, POST, LABEL, TRACK = "WEB-7Qü", "1099ZQ", "LBL-88a", "TRK-55z"
WORDS, PHOTO = "brown, says Mrs Q", "https://shop.example/photo-77"
SECRETS = (NAME, POST, LABEL, TRACK, WORDS, PHOTO)


def _sent(db: Database) -> int:
    """An order that went the whole way, by the shop's keys, with a claim and a reship."""
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, "Caltha palustris")
        product: Product = product_of(session, crop)
        product.heat_limit_c, product.frost_limit_c = 40.0, -20.0
        ready_lot(session, crop, 60, MONDAY, MONDAY + timedelta(days=20), "OLD")
        ready_lot(session, crop, 60, MONDAY, MONDAY + timedelta(days=20), "NEW")
        make_token(session, "shop", Role.SHOP, now(session))
        token = session.exec(select(Token.id)).one() or 0

    def act(session: Session) -> dict[str, object]:
        row = reserve(
            session,
            NAME,
            Basket((BasketLine("CP-6", 1),)),
            Destination("NL", POST),
            TUESDAY,
            "Van",
            "shop",
            label_reference=LABEL,
        )
        seen = told(row, now(session))
        return {"answer": {"id": seen.id, "reference": seen.reference, "postcode": seen.postcode,
                           "state": "reserved", "ship_on": str(seen.ship_on)}}  # fmt: skip

    once(db, token, f"reserve-{NAME}", {"reference": NAME, "postcode": POST}, act)
    with db.writing() as session:
        promise = session.exec(select(Promise)).one()
        key = promise.id or 0
        confirm(session, key, "shop")
        old = session.exec(select(Lot).order_by(col(Lot.id))).all()[0]
        record_pick(session, promise.lines[0], old, 6, "Bo")
        set_clock(session, TUESDAY, 9)
        hand_over(session, key, TRACK, "Bo")
    with db.writing() as session:
        claim = record_claim(session, key, ClaimKind.DEAD, WORDS, "shop", 4, "", PHOTO)
        again = reship(session, claim.event_id, "Lea", reason=f"photo of {NAME} seen")
        new = session.exec(select(Lot).order_by(col(Lot.id))).all()[1]
        record_pick(session, again.lines[0], new, 4, "Bo")
        other = open_order(session, f"{NAME}-2", again.lines[0].product)
        promise_order(session, other.id or 0, MONDAY + timedelta(days=8), "Van", "shop")
        session.add(_a_stored_dispatch(session, key))
    return key


def _a_stored_dispatch(session: Session, promise: int) -> PlanVersion:
    said = json.dumps({"orders": [f"{NAME}#{promise}"], "note": "ü"})
    return PlanVersion(
        kind=PlanKind.DISPATCH,
        version=1,
        made_at=now(session),
        first_day=MONDAY,
        periods=21,
        fingerprint="0",
        problem=said,
        plan=json.dumps({f"{NAME}#{promise}": 1}, ensure_ascii=False),
        cost=0,
        bound=0,
        rule_of_thumb_cost=0,
    )


def _all_delivered(db: Database) -> None:
    with db.writing() as session:
        for promise in session.exec(select(Promise).order_by(col(Promise.id))).all():
            if promise.state is State.PICKED:
                set_clock(session, promise.ship_on, 9)
                hand_over(session, promise.id or 0, TRACK, "Bo")
        set_clock(session, MONDAY + timedelta(days=15))
        for promise in session.exec(select(Promise)).all():
            if promise.state is State.HANDED_OVER:
                delivered(session, promise.id or 0, promise.ship_on + timedelta(days=1), "Bo")


def _cells(db: Database) -> Iterator[tuple[str, str]]:
    """Every text and JSON in every column of every table, by plain SQL."""
    with db.reading() as session:
        for table in SQLModel.metadata.sorted_tables:
            found = session.connection().execute(text(f'SELECT * FROM "{table.name}"'))
            names = list(found.keys())
            for row in found:
                for name, value in zip(names, row, strict=True):
                    yield (
                        f"{table.name}.{name}",
                        (value if isinstance(value, str) else json.dumps(value, default=str)),
                    )


def _copies(db: Database) -> set[str]:
    """Where does anything that was to be erased stand? The other order's own name is no copy."""
    found = set()
    for where, value in _cells(db):
        plain = value.encode().decode("unicode_escape", "ignore") if "\\u" in value else value
        for text_of in (value, plain):
            rest = text_of.replace(f"{NAME}-2", "")
            if any(secret in rest for secret in SECRETS):
                found.add(where)
    return found


def test_nothing_of_an_erased_order_is_left_in_any_column_and_the_trace_still_leads_to_it(
    either_db: Database,
) -> None:
    db = either_db
    _sent(db)
    _all_delivered(db)
    before = _copies(db)
    assert before >= {
        "customer_order.reference",
        "customer_order.postcode",
        "customer_order.label_reference",
        "promise.tracking",
        "promise_event.detail",
        "movement.reason",
        "reship.reason",
        "idempotency_key.answer",
        "idempotency_key.key",
        "plan_version.problem",
        "plan_version.plan",
    }
    with db.writing() as session:
        site(session).erase_after_days = 30
        set_clock(session, MONDAY + timedelta(days=60))
    assert erase_now(db).orders == 2  # the order and its reship
    assert _copies(db) == set()
    with db.reading() as session:
        old, new = trace(session, "OLD"), trace(session, "NEW")
        names = session.exec(select(CustomerOrder.reference).order_by(CustomerOrder.id)).all()  # type: ignore[arg-type]
    assert [(each.reference, each.country, each.plugs) for each in old.orders] == [
        ("erased-1", "NL", 6)
    ]
    assert [(each.reference, each.plugs, each.reship_of) for each in new.orders] == [
        ("erased-2", 4, "erased-1")
    ]
    assert names == ["erased-1", "erased-2", f"{NAME}-2"]
    assert erase_now(db).orders == 0


def test_an_order_that_is_still_on_its_way_is_not_erased_on_request_either(db: Database) -> None:
    _sent(db)
    with db.writing() as session, pytest.raises(Refused) as refused:
        erase_order(session, NAME)  # its reship is picked and not gone yet
    assert refused.value.refusal.code == "not_over"
    assert f"{NAME}-R1" in refused.value.refusal.message
    with db.writing() as session, pytest.raises(Refused) as refused:
        erase_order(session, f"{NAME}-2")
    assert refused.value.refusal.code == "not_over"
    with db.reading() as session:
        assert erasable(session, 1) == []


def test_at_the_command_line_it_is_shown_first_and_no_byte_of_it_is_left_in_the_file(
    db: Database, tmp_path: Path
) -> None:
    _sent(db)
    _all_delivered(db)
    path = Path(db.address.removeprefix("sqlite:///"))
    asked = ["erase", NAME, "--database", str(path)]
    shown = CliRunner().invoke(app, asked).output
    assert "Nothing is erased yet" in shown and _copies(db)
    assert "2 orders erased" in CliRunner().invoke(app, [*asked, "--yes"]).output
    whole = path.read_bytes() + b"".join(
        each.read_bytes() for each in path.parent.glob(f"{path.name}-*")
    )
    rest = whole.replace(f"{NAME}-2".encode(), b"")
    for secret in SECRETS:
        assert secret.encode() not in rest, secret


def test_a_refusal_that_named_a_postcode_is_emptied_after_the_days_that_are_set(
    db: Database,
) -> None:
    with db.writing() as session:
        small_nursery(session, MONDAY).erase_after_days = 30
        make_token(session, "shop", Role.SHOP, now(session))

    def act(session: Session) -> dict[str, object]:
        basket, there = Basket((BasketLine("CP-6", 1),)), Destination("FR", POST)
        reserve(session, "X-1", basket, there, TUESDAY, "Van", "shop")
        return {}

    first = once(db, 1, "k", {"a": 1}, act)
    assert first["refusal"]["code"] == "no_zone" or first["refusal"]["code"] == "no_plugs"
    with db.writing() as session:
        set_clock(session, MONDAY + timedelta(days=31))
    erase_now(db)
    again = once(db, 1, "k", {"a": 1}, act)
    assert (again["refusal"]["code"], again["refusal"]["message"]) == (
        first["refusal"]["code"],
        "erased",
    )


def test_rows_of_the_ledger_and_what_they_name_cannot_be_deleted_for_three_years(
    either_db: Database,
) -> None:
    """Regulation (EU) 2016/2031, article 69: passports' records are kept for at least three years.

    What a passport says is worked out of batch and crop, so those stay as long as their ledger.
    """
    _sent(either_db)
    for table in ("movement", "lot", "batch", "promise_line", "promise", "customer_order", "crop"):
        with pytest.raises(IntegrityError), either_db.writing() as session:
            session.connection().execute(text(f"DELETE FROM {table}"))
    with either_db.writing() as session:
        past = now(session) - timedelta(days=3 * 366 + 400)
        for row in session.exec(select(Movement)):
            row.recorded_at = past
        session.flush()
        kept = session.exec(select(Movement.id)).all()
        session.connection().execute(text("DELETE FROM movement"))
        assert kept and not session.exec(select(Movement.id)).all()


@pytest.mark.parametrize("reference", ["1011", "6", "moss"])
def test_a_reference_that_looks_like_something_else_takes_nothing_else_with_it(
    db: Database, reference: str
) -> None:
    """Shops number their orders: "1011" is a postcode as well, 6 a number of plugs in a plan."""
    with db.writing() as session:
        small_nursery(session, MONDAY).allowance = 0.0
        product = product_of(session, crop_named(session, "Caltha palustris"))
        product.heat_limit_c, product.frost_limit_c = 40.0, -20.0
        lot = ready_lot(session, product.crop, 60, MONDAY, MONDAY + timedelta(days=60), "6")
        product.code = "1011"
        mine = open_order(session, reference, product, postcode="2000")
        other = open_order(session, "W-77", product, postcode="1011")
        for order in (mine, other):
            made = promise_order(session, order.id or 0, TUESDAY, "Van", "shop")
            record_pick(session, made.lines[0], lot, 6, "Bo")
        plan = _a_stored_dispatch(session, 1)
        plan.problem = json.dumps({"plugs": 6, "orders": [f"{reference}#1", "W-77#2"]})
        plan.plan = json.dumps({f"{reference}#1": {"lots": ["6"], "plugs": 1011}})
        session.add(plan)
        session.flush()
        set_clock(session, TUESDAY, 9)
        hand_over(session, 1, TRACK, "Bo")
        set_clock(session, MONDAY + timedelta(days=30))
        delivered(session, 1, TUESDAY + timedelta(days=1), "Bo")
    before = dict(_own_words(db))
    with db.writing() as session:
        assert erase_order(session, reference).orders == 1
    assert dict(_own_words(db)) == before
    with db.reading() as session:
        left = session.exec(select(CustomerOrder).order_by(col(CustomerOrder.id))).all()
        assert [(each.reference, each.postcode) for each in left] == [
            ("erased-1", ""),
            ("W-77", "1011"),
        ]
        reasons = {row.reason for row in session.exec(select(Movement))}
        kept = session.exec(select(PlanVersion)).one()
        assert {"order erased-1", "order W-77"} <= reasons
        assert json.loads(kept.problem) == {"plugs": 6, "orders": ["erased-1#1", "W-77#2"]}
        assert json.loads(kept.plan) == {"erased-1#1": {"lots": ["6"], "plugs": 1011}}


def _own_words(db: Database) -> Iterator[tuple[tuple[str, int], str]]:
    """What the nursery calls its own things: names, codes, prefixes, postcodes."""
    with db.reading() as session:
        for table, column in (
            ("wrap", "name"),
            ("product", "code"),
            ("batch", "code"),
            ("bench", "name"),
            ("zone_prefix", "prefix"),
            ("carrier_service", "name"),
        ):
            for key, value in session.connection().execute(
                text(f'SELECT id, {column} FROM "{table}"')
            ):
                yield (f"{table}.{column}", key), value


def test_every_text_is_either_looked_through_for_references_or_a_name_of_the_nurserys() -> None:
    """A new column with words of people's belongs into `erasing._WORDS`, or here."""
    looked = {(table.name, column.name) for table, _, column in _texts()}
    words = {"reason", "note", "answer", "problem", "plan", "detail", "refusal", "arguments"}
    for table in SQLModel.metadata.sorted_tables:
        for column in table.columns:
            if any(column.name.endswith(word) for word in words):
                assert (table.name, column.name) in looked, f"{table.name}.{column.name}"
