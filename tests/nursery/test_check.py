"""The check of the books finds what is planted in them by plain SQL, and nothing in healthy ones.

Faults are planted in a copy whose constraints are taken off, as a broken disk or a stranger's
program would plant them. That no plug is sold twice is held against a maximum flow
(`scipy.sparse.csgraph`), a library that knows nothing of nurseries.
"""

import json
import re
import shutil
import sqlite3
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import maximum_flow
from sqlmodel import select

from nursery.access import Role, make_token
from nursery.checking import RULES, check_database
from nursery.checking.oversold import lacking
from nursery.database import Database, now
from nursery.order import PromiseLine
from nursery.promising.idempotent import once
from nursery.promising.promise import confirm, re_date, reserve
from nursery.shed.picking import record_pick
from nursery.stock import Lot
from tests.nursery.test_commands_day import Terminal
from tests.shop import HERE, caltha, mild_nursery

WEDNESDAY = date(2027, 3, 3)
FIRST = date(2027, 3, 1)


@pytest.fixture
def books(db: Database, tmp_path: Path) -> Path:
    """100 plugs; one promise picked, one confirmed by key, one moved to Thursday, one reserved."""
    with db.writing() as session:
        mild_nursery(session, FIRST)
        token = make_token(session, "web shop", Role.SHOP, now(session))
        for number, quantity in ((1, 2), (2, 3), (3, 1), (4, 1)):
            kept = reserve(session, f"W-{number}", caltha(quantity), HERE, WEDNESDAY, "Van", "shop")
            assert kept.id == number
        for number in (1, 3):
            confirm(session, number, "shop")
        re_date(session, 3, WEDNESDAY + timedelta(days=6), "Van", "lead", "heat")
        line = session.exec(select(PromiseLine).where(PromiseLine.promise_id == 1)).one()
        record_pick(session, line, session.exec(select(Lot)).one(), 12, "packer")
    assert token
    once(db, 1, "pay-2", {"id": 2}, lambda session: _answer(confirm(session, 2, "shop").id))
    db.close()
    path = tmp_path / "books.sqlite"
    shutil.copy(db.address.removeprefix("sqlite:///"), path)
    return path


def _answer(promise: int | None) -> dict[str, object]:
    return {"promise_id": promise}


def planted(path: Path, *statements: str) -> list[str]:
    """Which faults are found once these statements have been run, constraints or not?"""
    with sqlite3.connect(path) as raw:
        raw.execute("PRAGMA foreign_keys=OFF")
        raw.execute("PRAGMA ignore_check_constraints=ON")
        raw.execute("DROP TRIGGER IF EXISTS keep_movement")
        for statement in statements:
            raw.execute(statement)
    raw.close()
    return [f"{fault.rule}: {fault.line()}" for fault in check_database(str(path)).faults]


def test_healthy_books_have_no_fault(books: Path) -> None:
    found = check_database(str(books))
    assert found.faults == ()
    assert (found.oversold, found.ledger_difference) == (0, 0)
    assert (found.batches, found.lots, found.promises) == (1, 1, 4)


# (what is planted, the rule that finds it, words that its line must have)
PLANTED = [
    ("UPDATE lot SET plugs = plugs + 1", "ledger", "lot 1 says 89 plugs, its ledger's rows sum"),
    ("UPDATE movement SET plugs = plugs + 5 WHERE sequence = 1", "ledger", "row 1 has +105 plugs"),
    ("UPDATE movement SET balance = 99 WHERE sequence = 2", "ledger", "says 99"),
    ("DELETE FROM movement WHERE sequence = 1", "ledger", "a row is missing"),
    (
        "INSERT INTO movement (batch_id, sequence, kind, plugs, balance, actor, reason,"
        " happened_at, recorded_at) VALUES (1, 3, 'discarded', -5, 83, 'x', '',"
        " '2027-03-01 08:00:00', '2027-03-01 08:00:00')",
        "ledger",
        "growing plugs sum to -5",
    ),
    ("UPDATE movement SET lot_id = 77", "ledger", "no lot of this batch"),
    ("UPDATE lot SET pool_id = 2", "ledger", "pool of another crop"),
    ("UPDATE promise_line SET picked = 6 WHERE promise_id = 1", "ledger", "the ledger has 12"),
    ("UPDATE promise_line SET plugs = 90 WHERE id = 2", "oversold", "14 are promised twice"),
    ("UPDATE lot SET last_sale_on = '2027-03-03'", "oversold", "6 are promised twice"),
    ("UPDATE lot SET ready_on = '2027-03-08'", "oversold", "24 are promised twice"),
    ("DELETE FROM promise_line WHERE promise_id = 2", "promises", "has no lines"),
    ("UPDATE promise_line SET pool_id = 2 WHERE id = 2", "promises", "another crop's or grade's"),
    ("UPDATE promise_line SET picked = 13 WHERE id = 1", "promises", "13 of them picked"),
    ("UPDATE promise_line SET quantity = 4 WHERE id = 2", "promises", "4 x CP-6 are promised, 3"),
    ("DELETE FROM order_line WHERE order_id = 2", "promises", "3 x CP-6 are promised, 0"),
    (
        "INSERT INTO promise_line (promise_id, product_id, pool_id, quantity, plugs, picked,"
        " bought_in, instead_of_id) SELECT 2, 2, id, 1, 6, 0, 0, 1 FROM pool"
        " WHERE crop_id = 2 AND NOT bought_in",
        "promises",
        "4 x CP-6 are promised, 3",
    ),
    ("UPDATE promise SET pack_on = '2027-03-09' WHERE id = 2", "promises", "packed 2027-03-09"),
    ("UPDATE promise SET minutes = 5000 WHERE id = 2", "day capacity", "the day has 480"),
    (
        "INSERT INTO ship_day (day, minutes, version) VALUES ('2027-03-03', 3, 0)"
        " ON CONFLICT (day) DO UPDATE SET minutes = 3",
        "day capacity",
        "the day has 3",
    ),
    ("UPDATE idempotency_key SET answer = ''", "answers", "cannot be read"),
    ("DELETE FROM promise WHERE id = 2", "answers", "names promise 2, which is not there"),
    ("DELETE FROM promise_event WHERE kind = 'confirmed'", "outbox", "is confirmed, and no event"),
    ("DELETE FROM promise_event WHERE promise_id = 4", "outbox", "is reserved, and no event"),
    ("DELETE FROM promise_line WHERE id = 1", "storage", "names a row of 'promise_line'"),
]


@pytest.mark.parametrize(("statement", "rule", "words"), PLANTED, ids=[p[0][:60] for p in PLANTED])
def test_a_planted_fault_is_found_and_said_in_plain_words(
    books: Path, statement: str, rule: str, words: str
) -> None:
    lines = [line for line in planted(books, statement) if line.startswith(f"{rule}: ")]
    assert any(words in line for line in lines), lines
    assert all(re.search(r"\. [A-Z].+\.$", line) for line in lines), "each says what to do"


def test_every_rule_has_a_planted_fault() -> None:
    assert {rule for _, rule, _ in PLANTED} == set(RULES)


def test_a_day_that_changed_without_an_event_is_found(books: Path) -> None:
    lines = planted(books, "DELETE FROM promise_event WHERE promise_id = 3 AND kind <> 'confirmed'")
    assert lines == []  # a late confirm may give another day, and its event says so
    lines = planted(books, "UPDATE promise_event SET kind = 'reserved' WHERE promise_id = 3")
    assert any("its ship day went from 2027-03-03 to 2027-03-09" in line for line in lines)


def test_a_reservation_that_ran_out_holds_nothing(books: Path) -> None:
    reserved = "UPDATE promise_line SET plugs = 5000 WHERE promise_id = 4"
    assert any(line.startswith("oversold") for line in planted(books, reserved))
    assert not any(
        line.startswith("oversold")
        for line in planted(books, "UPDATE promise SET reserved_until = '2027-02-28 12:00:00.000'")
    )


def test_a_day_that_a_dispatch_plan_overloads_is_no_fault(books: Path) -> None:
    lines = planted(
        books,
        "UPDATE promise SET minutes = 5000, ship_on = '2027-03-09' WHERE id IN (2, 3)",
    )
    assert not any(line.startswith("day capacity") for line in lines)


def test_the_command_ends_with_1_where_there_is_a_fault(
    books: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    terminal = Terminal(books, monkeypatch, capsys)
    assert "No fault: 1 batches, 1 lots and 4 promises" in terminal.says("check")
    planted(books, "UPDATE lot SET plugs = plugs + 1")
    status, shown = terminal.types("check")
    assert status == 1
    assert "Batch 'B0001': lot 1 says 89 plugs, its ledger's rows sum to 88." in shown
    monkeypatch.undo()
    terminal = Terminal(books, monkeypatch, capsys)
    status, shown = terminal.types("check", "--json")
    assert (status, json.loads(shown)["ledger_difference"]) == (1, 1)


def test_a_file_with_a_torn_page_is_found(books: Path) -> None:
    whole = bytearray(books.read_bytes())
    with sqlite3.connect(books) as raw:
        pages = raw.execute(
            "SELECT rootpage FROM sqlite_master WHERE name IN ('movement', 'lot')"
        ).fetchall()
        (size,) = raw.execute("PRAGMA page_size").fetchone()
    raw.close()
    for (page,) in pages:
        whole[(page - 1) * size : page * size] = bytes(size)
    books.write_bytes(whole)
    assert any(fault.rule == "storage" for fault in check_database(str(books)).faults)


SPAN = st.tuples(st.integers(0, 6), st.integers(0, 6), st.integers(0, 6))


@settings(deadline=None, max_examples=300)
@given(st.lists(SPAN, max_size=5), st.lists(st.integers(0, 7), min_size=7, max_size=7))
def test_what_lacks_is_what_a_maximum_flow_leaves_unserved(
    spans: list[tuple[int, int, int]], asked: list[int]
) -> None:
    lots = [(min(a, b), max(a, b), plugs) for a, b, plugs in spans]
    days = [FIRST + timedelta(days=at) for at in range(7)]
    wanted = dict(zip(days, asked, strict=True))
    lack = lacking([(days[a], days[b], plugs) for a, b, plugs in lots], wanted)
    size = len(lots) + 9
    graph = np.zeros((size, size), dtype=np.int32)
    for lot, (ready, last, plugs) in enumerate(lots):
        graph[7, 9 + lot] = plugs
        graph[9 + lot, ready : last + 1] = plugs
    graph[range(7), 8] = asked
    served = int(maximum_flow(csr_matrix(graph), 7, 8).flow_value)
    assert (lack.plugs if lack else 0) == sum(asked) - served
    if lack is not None:
        reach = sum(p for a, b, p in lots if any(days[a] <= day <= days[b] for day in lack.days))
        assert lack.asked - reach == lack.plugs, "the days named prove it"


def test_the_days_on_both_sides_of_a_gap_prove_a_plug_sold_twice_together() -> None:
    # Worked by hand: 10 plugs last through days 1 to 3, 5 are for sale on day 2 alone. 8 and 7 are
    # promised for days 1 and 3: stock 15, orders 15, and yet 5 cannot be had.
    days = [FIRST + timedelta(days=at) for at in range(3)]
    lack = lacking([(days[0], days[2], 10), (days[1], days[1], 5)], {days[0]: 8, days[2]: 7})
    assert lack is not None
    assert (lack.plugs, lack.days, lack.asked) == (5, (days[0], days[2]), 15)
