"""The counting round: where to walk, what to expect, and counts that cannot be right."""

from datetime import date, timedelta

import pytest
from sqlmodel import Session, select

from nursery.batch import Count
from nursery.database import Database, now
from nursery.errors import Refused
from nursery.growing_area import Bench
from nursery.shed.counting import as_expected, count, count_round
from nursery.shed.ledger import make_lot, move
from nursery.stock import Lot, Moved, Movement
from tests.builders import crop_named, ready_lot, small_nursery

MONDAY = date(2027, 3, 1)
LATER = MONDAY + timedelta(days=20)


@pytest.fixture
def shed(db: Database) -> Database:
    with db.writing() as session:
        small_nursery(session, MONDAY)
    return db


def lot_on(session: Session, walk_order: int, plugs: int, code: str) -> Lot:
    crop = crop_named(session, "Caltha palustris")
    lot = ready_lot(session, crop, plugs, MONDAY, LATER, code)
    lot.batch.bench = session.exec(select(Bench).where(Bench.walk_order == walk_order)).one()
    session.flush()
    return lot


def test_the_round_walks_the_benches_and_says_what_the_books_expect(shed: Database) -> None:
    with shed.writing() as session:
        lot_on(session, 4, 90, "A")
        lot_on(session, 2, 80, "B")
        lot_on(session, 3, 70, "C")
        stops = count_round(session)
    assert [(s.area, s.batch_code, s.expected, s.cells) for s in stops] == [
        ("Long house", "B", 80, 104),
        ("Frames", "C", 70, 104),
        ("Sales bench", "A", 90, 104),
    ]


def test_one_area_can_be_walked_alone(shed: Database) -> None:
    with shed.writing() as session:
        lot_on(session, 4, 90, "A")
        lot_on(session, 2, 80, "B")
        assert [stop.batch_code for stop in count_round(session, "Long house")] == ["B"]


def test_growing_plugs_and_each_lot_of_a_batch_are_counted_apart(shed: Database) -> None:
    with shed.writing() as session:
        lot = lot_on(session, 4, 60, "A")
        count(session, lot.batch, 40, "Ada")
        make_lot(session, lot.batch, lot.pool, 15, MONDAY + timedelta(days=7), LATER, "Ada")
        stops = [(s.lot_id, s.expected) for s in count_round(session)]
        second = session.exec(select(Lot.id).where(Lot.plugs == 15)).one()
    assert stops == [(None, 25), (lot.id, 60), (second, 15)]


def test_as_expected_is_one_answer_that_moves_nothing(shed: Database) -> None:
    with shed.writing() as session:
        lot = lot_on(session, 4, 90, "A")
        made = as_expected(session, lot.batch, "Ada", lot)
        assert (made.difference, made.recount, made.count.plugs) == (0, False, 90)
        assert len(session.exec(select(Movement)).all()) == 1
        assert count_round(session)[0].last_counted == made.count.counted_at


def test_an_implausible_count_is_refused_and_the_last_good_one_is_kept(shed: Database) -> None:
    with shed.writing() as session:
        lot = lot_on(session, 4, 90, "A")
        count(session, lot.batch, 88, "Ada", lot=lot)
        for plugs, code in ((-5, "count_negative"), (900, "count_over_capacity")):
            with pytest.raises(Refused) as refused:
                count(session, lot.batch, plugs, "Ada", lot=lot)
            assert refused.value.refusal.code == code
        assert lot.plugs == 88
        assert [row.plugs for row in session.exec(select(Count))] == [88]


def test_a_count_far_from_the_books_is_kept_and_asks_for_a_second_one(shed: Database) -> None:
    with shed.writing() as session:
        lot = lot_on(session, 4, 100, "A")
        assert count(session, lot.batch, 60, "Ada", lot=lot).recount
        assert lot.plugs == 60
        assert count_round(session)[0].recount
        assert not count(session, lot.batch, 61, "Bo", lot=lot).recount
        assert not count_round(session)[0].recount


def test_a_first_count_of_a_batch_is_not_far_from_anything(shed: Database) -> None:
    with shed.writing() as session:
        lot = lot_on(session, 4, 4, "A")
        assert not count(session, lot.batch, 100, "Ada").recount


def test_a_count_yesterday_keeps_what_was_sold_since(shed: Database) -> None:
    with shed.writing() as session:
        lot = lot_on(session, 4, 100, "A")
        at = now(session)
        sold_at = at + timedelta(minutes=2)
        move(session, lot.batch, Moved.SOLD_AT_GATE, -12, "Bo", "", sold_at, lot)
        made = count(session, lot.batch, 97, "Ada", at + timedelta(minutes=1), lot)
        assert (made.count.expected, made.difference, lot.plugs) == (100, -3, 85)
