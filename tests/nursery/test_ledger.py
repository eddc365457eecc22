"""The ledger: plugs only move by rows, and a count keeps its word whenever rows are recorded."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlmodel import Session, col, select

from nursery.batch import Batch, Count
from nursery.database import Database, now
from nursery.errors import Fault, Refused
from nursery.shed.ledger import balance, correct, held, make_lot, move, record_count
from nursery.stock import Lot, Moved, Movement, Pool
from tests.builders import crop_named, ready_lot, set_clock, small_nursery

MONDAY = date(2027, 3, 1)
LAST = date(2027, 3, 28)


@pytest.fixture
def shed(db: Database) -> Database:
    with db.writing() as session:
        small_nursery(session, MONDAY)
    return db


@contextmanager
def a_lot(db: Database, plugs: int = 100) -> Iterator[tuple[Session, Batch, Lot]]:
    with db.writing() as session:
        set_clock(session, MONDAY, 8)
        lot = ready_lot(session, crop_named(session, "Caltha palustris"), plugs, MONDAY, LAST)
        yield session, lot.batch, lot


def rows_of(session: Session, batch: Batch) -> list[Movement]:
    query = select(Movement).where(Movement.batch_id == batch.id)
    return list(session.exec(query.order_by(col(Movement.sequence))))


def refusal_code(refused: pytest.ExceptionInfo[Refused]) -> str:
    return refused.value.refusal.code


def test_a_pick_takes_its_plugs_out_of_the_lot_and_the_batch(shed: Database) -> None:
    with a_lot(shed) as (session, batch, lot):
        row = move(session, batch, Moved.PICKED, -30, "Ada", "for A-1", lot=lot)
        assert (row.sequence, row.balance) == (2, 70)
        assert lot.plugs == balance(session, batch) == 70


def test_more_than_the_books_have_cannot_be_picked_and_the_refusal_says_the_numbers(
    shed: Database,
) -> None:
    with a_lot(shed) as (session, batch, lot):
        with pytest.raises(Refused, match=rf"'{batch.code}'.* has 100 plugs.*101") as refused:
            move(session, batch, Moved.PICKED, -101, "Ada", "", lot=lot)
        assert refusal_code(refused) == "not_enough_plugs"
        assert lot.plugs == 100


def test_growing_plugs_cannot_be_taken_out_of_a_lot(shed: Database) -> None:
    with a_lot(shed) as (session, batch, _), pytest.raises(Refused, match="has 0 plugs"):
        move(session, batch, Moved.DISCARDED, -1, "Ada", "mould")


def test_a_count_writes_the_difference_and_not_a_new_number(shed: Database) -> None:
    with a_lot(shed) as (session, batch, lot):
        count = record_count(session, batch, 92, "Ada", now(session), lot)
        assert (count.expected, count.plugs, lot.plugs) == (100, 92, 92)
        assert [(r.kind, r.plugs) for r in rows_of(session, batch)][-1] == (Moved.COUNTED, -8)


def test_a_count_as_expected_leaves_no_row_in_the_ledger(shed: Database) -> None:
    with a_lot(shed) as (session, batch, lot):
        record_count(session, batch, 100, "Ada", now(session), lot)
        assert len(rows_of(session, batch)) == 1
        assert len(session.exec(select(Count)).all()) == 1


def test_a_pick_made_before_a_count_but_recorded_later_is_not_taken_twice(shed: Database) -> None:
    with a_lot(shed) as (session, batch, lot):
        picked_at = now(session)
        record_count(session, batch, 80, "Ada", picked_at + timedelta(minutes=2), lot)
        move(session, batch, Moved.PICKED, -20, "Bo", "on paper", picked_at, lot)
        assert lot.plugs == balance(session, batch) == 80
        assert [r.plugs for r in rows_of(session, batch)] == [100, -20, 20, -20]


def test_a_pick_made_after_a_count_that_is_recorded_later_stays_on_top(shed: Database) -> None:
    with a_lot(shed) as (session, batch, lot):
        counted_at = now(session)
        move(session, batch, Moved.PICKED, -20, "Bo", "", counted_at + timedelta(minutes=1), lot)
        record_count(session, batch, 95, "Ada", counted_at, lot)
        assert lot.plugs == 75


def test_an_older_count_that_is_recorded_later_does_not_undo_the_newer_one(shed: Database) -> None:
    with a_lot(shed) as (session, batch, lot):
        first = now(session)
        record_count(session, batch, 60, "Ada", first + timedelta(minutes=3), lot)
        record_count(session, batch, 90, "Bo", first, lot)
        assert lot.plugs == 60


def test_a_second_count_of_the_same_moment_rules(shed: Database) -> None:
    with a_lot(shed) as (session, batch, lot):
        moment = now(session)
        record_count(session, batch, 60, "Ada", moment, lot)
        record_count(session, batch, 61, "Ada", moment, lot)
        assert lot.plugs == 61


def test_a_count_below_what_was_taken_since_is_refused_and_the_last_good_one_is_kept(
    shed: Database,
) -> None:
    with a_lot(shed) as (session, batch, lot):
        moment = now(session)
        move(session, batch, Moved.PICKED, -20, "Bo", "", moment + timedelta(minutes=1), lot)
        with pytest.raises(Refused) as refused:
            record_count(session, batch, 19, "Ada", moment, lot)
        assert refusal_code(refused) == "count_too_low"
        assert lot.plugs == 80


def test_a_count_below_nothing_is_refused(shed: Database) -> None:
    with a_lot(shed) as (session, batch, lot), pytest.raises(Refused, match="must be >= 0"):
        record_count(session, batch, -1, "Ada", now(session), lot)


def test_a_count_over_the_cells_of_the_trays_is_refused(shed: Database) -> None:
    with a_lot(shed) as (session, batch, lot):
        assert batch.trays * batch.tray_format.cells == 104
        record_count(session, batch, 104, "Ada", now(session), lot)
        with pytest.raises(Refused, match="104 at most") as refused:
            record_count(session, batch, 105, "Ada", now(session), lot)
        assert refusal_code(refused) == "count_over_capacity"
        assert lot.plugs == 104


def test_a_count_made_tomorrow_is_a_mistake(shed: Database) -> None:
    with a_lot(shed) as (session, batch, lot), pytest.raises(Fault, match="after now"):
        record_count(session, batch, 9, "Ada", now(session) + timedelta(days=1), lot)


def test_a_correction_is_a_new_row_and_cannot_be_made_twice(shed: Database) -> None:
    with a_lot(shed) as (session, batch, lot):
        wrong = move(session, batch, Moved.REJECTED, -40, "Ada", "yellow", lot=lot)
        row = correct(session, wrong, "Ada", "it was 4, not 40")
        assert (wrong.plugs, row.plugs, row.corrects_id, lot.plugs) == (-40, 40, wrong.id, 100)
        with pytest.raises(Refused, match="corrected before"):
            correct(session, wrong, "Ada", "again")


def test_correcting_what_a_later_count_has_already_put_right_changes_nothing(
    shed: Database,
) -> None:
    with a_lot(shed) as (session, batch, lot):
        wrong = move(session, batch, Moved.REJECTED, -40, "Ada", "yellow", lot=lot)
        record_count(session, batch, 98, "Bo", now(session) + timedelta(minutes=1), lot)
        correct(session, wrong, "Ada", "none were rejected")
        assert lot.plugs == 98


def test_a_lot_is_made_of_growing_plugs_by_two_rows_that_leave_the_balance(
    shed: Database,
) -> None:
    with a_lot(shed, 200) as (session, batch, lot):
        move(session, batch, Moved.REGRADED, -150, "Ada", "not yet", lot=lot)
        move(session, batch, Moved.REGRADED, 150, "Ada", "not yet")
        new = make_lot(session, batch, lot.pool, 120, MONDAY + timedelta(days=7), LAST, "Ada")
        assert (new.plugs, held(session, batch), balance(session, batch)) == (120, 30, 200)


def test_a_lot_larger_than_what_was_growing_is_counted_first(shed: Database) -> None:
    with a_lot(shed, 90) as (session, batch, lot):
        new = make_lot(session, batch, lot.pool, 14, MONDAY + timedelta(days=7), LAST, "Ada")
        assert (new.plugs, held(session, batch), balance(session, batch)) == (14, 0, 104)
        assert [r.kind for r in rows_of(session, batch)][1:] == [
            Moved.COUNTED,
            Moved.REGRADED,
            Moved.REGRADED,
        ]


def test_a_lot_made_from_a_count_of_the_same_moment_takes_its_plugs_out_of_it(
    shed: Database,
) -> None:
    with a_lot(shed, 4) as (session, batch, lot):
        moment = now(session)
        record_count(session, batch, 90, "Ada", moment)
        ready = MONDAY + timedelta(days=7)
        new = make_lot(session, batch, lot.pool, 80, ready, LAST, "Ada", moment)
        assert (new.plugs, held(session, batch)) == (80, 10)
        record_count(session, batch, 79, "Ada", moment, new)
        assert new.plugs == 79


def test_a_count_of_a_lot_before_it_was_one_is_refused(shed: Database) -> None:
    with a_lot(shed) as (session, batch, lot), pytest.raises(Refused) as refused:
        record_count(session, batch, 90, "Ada", now(session) - timedelta(days=2), lot)
    assert refusal_code(refused) == "count_before_lot"


def test_every_movement_raises_the_version_of_the_pool(shed: Database) -> None:
    with a_lot(shed) as (session, batch, lot):
        before = session.get_one(Pool, lot.pool_id).version
        move(session, batch, Moved.SOLD_AT_GATE, -1, "Ada", "", lot=lot)
        assert session.get_one(Pool, lot.pool_id).version > before


@pytest.mark.parametrize(
    ("kind", "plugs", "rule"),
    [(Moved.PICKED, 5, "takes plugs out"), (Moved.FOUND, -5, "brings plugs in")],
)
def test_a_kind_of_movement_has_one_direction(
    shed: Database, kind: Moved, plugs: int, rule: str
) -> None:
    with a_lot(shed) as (session, batch, lot), pytest.raises(Fault, match=rule):
        move(session, batch, kind, plugs, "Ada", "", lot=lot)


@dataclass(frozen=True)
class Happening:
    """What a person did with the lot at a minute of the day, recorded in list order."""

    minute: int
    kind: Moved
    plugs: int


def _book(session: Session, batch: Batch, lot: Lot, start: datetime, what: Happening) -> bool:
    at = start + timedelta(minutes=what.minute)
    try:
        with session.begin_nested():
            if what.kind is Moved.COUNTED:
                record_count(session, batch, what.plugs, "Ada", at, lot)
            else:
                move(session, batch, what.kind, what.plugs, "Ada", "", at, lot)
    except Refused:
        session.refresh(lot)
        return False
    return True


_happenings = st.one_of(
    st.builds(Happening, st.integers(1, 300), st.just(Moved.COUNTED), st.integers(0, 104)),
    st.builds(Happening, st.integers(1, 300), st.just(Moved.PICKED), st.integers(-60, -1)),
    st.builds(Happening, st.integers(1, 300), st.just(Moved.FOUND), st.integers(1, 30)),
)


@given(st.lists(_happenings, max_size=8, unique_by=lambda each: each.minute))
@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_whatever_the_order_of_recording_the_books_say_the_last_count_and_what_came_after_it(
    shed: Database, happenings: list[Happening]
) -> None:
    with a_lot(shed) as (session, batch, lot):
        start = now(session)
        set_clock(session, MONDAY, 18)
        booked = [each for each in happenings if _book(session, batch, lot, start, each)]
        in_time = sorted(booked, key=lambda each: each.minute)
        counts = [i for i, each in enumerate(in_time) if each.kind is Moved.COUNTED]
        after = in_time[counts[-1] + 1 :] if counts else in_time
        base = in_time[counts[-1]].plugs if counts else 100
        rows = rows_of(session, batch)
        assert lot.plugs == base + sum(each.plugs for each in after)
        assert lot.plugs == sum(row.plugs for row in rows if row.lot_id == lot.id)
        assert [row.sequence for row in rows] == list(range(1, len(rows) + 1))
        running = 0
        for row in rows:
            running += row.plugs
            assert row.balance == running >= 0


def test_several_packers_at_once_leave_no_gap_and_no_plug_counted_twice(shed: Database) -> None:
    with a_lot(shed, 100) as (_, _, made):
        lot_id = made.id

    def pick_ten_times(name: str) -> int:
        taken = 0
        for _ in range(10):
            try:
                with shed.writing() as session:
                    lot = session.get_one(Lot, lot_id)
                    move(session, lot.batch, Moved.PICKED, -3, name, "", lot=lot)
                    taken += 3
            except Refused:
                pass
        return taken

    with ThreadPoolExecutor(4) as packers:
        taken = sum(packers.map(pick_ten_times, ("Ada", "Bo", "Cem", "Dee")))
    with shed.reading() as session:
        lot = session.get_one(Lot, lot_id)
        rows = rows_of(session, lot.batch)
    assert (taken, lot.plugs, rows[-1].balance) == (99, 1, 1)
    assert [row.sequence for row in rows] == list(range(1, 35))
