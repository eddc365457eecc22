"""Tracing a batch: the whole story, as an inspector would ask for it."""

from datetime import date, timedelta

import orjson
import pytest

from nursery.database import Database
from nursery.errors import Refused
from nursery.order import Product, State
from nursery.promising.promise import promise_order
from nursery.shed.counting import count
from nursery.shed.ledger import move
from nursery.shed.picking import hand_over, record_pick, undo_pick
from nursery.shed.trace import trace
from nursery.shed.veto import set_veto, sign_off_veto
from nursery.stock import Moved, VetoKind
from tests.builders import crop_named, open_order, product_of, ready_lot, small_nursery

MONDAY = date(2027, 10, 4)
TUESDAY = MONDAY + timedelta(days=1)
LATER = MONDAY + timedelta(days=20)


@pytest.fixture
def shed(db: Database) -> Database:
    with db.writing() as session:
        small_nursery(session, MONDAY)
        crop = crop_named(session, "Caltha palustris")
        product: Product = product_of(session, crop)
        product.heat_limit_c, product.frost_limit_c = 32.0, -8.0
        lot = ready_lot(session, crop, 60, MONDAY, LATER, "CP-27-40")
        other = ready_lot(session, crop, 60, MONDAY, LATER, "CP-27-41")
        lot.batch.lineage = other.batch.lineage = "stock bed 7"
        lines = []
        for name in ("A-1", "A-2", "A-3"):
            order = open_order(session, name, product)
            promise = promise_order(session, order.id or 0, TUESDAY, "Van", "shop")
            lines.append(promise.lines[0])
        record_pick(session, lines[0], lot, 6, "Bo")
        hand_over(session, lines[0].promise_id, "TR-9", "Bo")
        undone = record_pick(session, lines[1], lot, 6, "Bo")
        undo_pick(session, undone.movement, "Bo", "wrong batch")
        record_pick(session, lines[1], other, 6, "Bo")
        move(session, lot.batch, Moved.REJECTED, -3, "Bo", "yellow", lot=lot)
        count(session, lot.batch, 50, "Ada", lot=lot)
        veto = set_veto(session, lot.batch, VetoKind.INSPECTION, "spots", "Ada")
        sign_off_veto(session, veto, "Dr Vos", "clean")
    return db


def test_the_story_of_a_batch_holds_ledger_counts_vetoes_and_lineage(shed: Database) -> None:
    with shed.reading() as session:
        story = trace(session, "CP-27-40")
    assert [row.plugs for row in story.movements] == [60, -6, -6, 6, -3, -1]
    assert story.balance == story.movements[-1].balance == story.lots[0].plugs == 50
    assert [(row.plugs, row.expected) for row in story.counts] == [(50, 51)]
    assert [(row.set_by, row.signed_off_by) for row in story.vetoes] == [("Ada", "Dr Vos")]
    assert (story.lineage, story.linked) == ("stock bed 7", ("CP-27-41",))


def test_only_orders_that_really_had_its_plants_are_named_and_those_that_may_yet(
    shed: Database,
) -> None:
    with shed.reading() as session:
        story = trace(session, "CP-27-40")
        other = trace(session, "CP-27-41")
    assert [(o.reference, o.plugs, o.state, o.tracking) for o in story.orders] == [
        ("A-1", 6, State.HANDED_OVER, "TR-9")
    ]
    assert [o.reference for o in other.orders] == ["A-2"]
    assert [o.reference for o in story.waiting] == ["A-3"]


def test_the_story_can_be_handed_to_another_program(shed: Database) -> None:
    with shed.reading() as session:
        data = orjson.loads(trace(session, "CP-27-40").to_json())
    assert data["batch_code"] == "CP-27-40" and len(data["movements"]) == 6


def test_a_batch_code_that_does_not_exist_is_answered_with_those_that_come_near(
    shed: Database,
) -> None:
    with shed.reading() as session, pytest.raises(Refused) as refused:
        trace(session, "cp-27-4O")
    assert "CP-27-40" in (refused.value.refusal.next or "")


def test_the_story_is_told_in_the_order_in_which_it_happened(shed: Database) -> None:
    with shed.reading() as session:
        lines = trace(session, "CP-27-40").lines()
    moments = [line[:16] for line in lines if " UTC  " in line]
    assert moments == sorted(moments) and len(moments) == 9
    assert lines[0] == "Batch CP-27-40: Caltha palustris, started 2027-07-12"
    assert any("veto signed off by Dr Vos: clean" in line for line in lines)
    assert lines[-1] == "Orders that wait for its pools: A-3"
    assert any(line.startswith("Order A-1 (NL 1011AB) has 6 plugs, handed over") for line in lines)
