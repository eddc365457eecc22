"""What is done on the benches is a line of the day book, and a new line takes it back."""

from collections.abc import Callable
from datetime import date, timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as some
from sqlmodel import Session, col, select

from nursery.batch import Batch, Count, Quarantine
from nursery.bench_slot import BenchSlot
from nursery.crop import TrayFormat
from nursery.database import Database
from nursery.day_entry import DayAction, DayEntry
from nursery.errors import Fault, Refused
from nursery.growing.recording import TAKEN_BACK
from nursery.growing_area import Bench
from nursery.mother_plant import MotherBlock
from nursery.planned import PlannedStart
from nursery.records import FlushRecord, StageRecord
from nursery.shed.counting import count_round
from nursery.shed.ledger import balance, held, move
from nursery.shed.veto import saleable
from nursery.stock import Grade, Lot, Moved, Movement, Pool, VetoKind
from nursery.week import day_book
from nursery.week.as_planned import Otherwise, done
from nursery.week.day_book import Booked, Said, batch_lines, day_lines, state_of
from nursery.week.day_undo import last_entry, undo
from nursery.week.rota import keep_rota, rota
from nursery.week.week_sheet import Task, TaskKind, week_sheet
from nursery.weeks import Week
from solver.run import Limits
from tests.builders import accepted_plan, crop_named, ready_lot, small_nursery

MONDAY = date(2027, 3, 1)
WEEK = Week.of(MONDAY)
CALTHA = "Caltha palustris"
START_MINUTES = 190


def batch_of(session: Session, code: str, trays: int = 3, lineage: str = "L1") -> Batch:
    crop = crop_named(session, CALTHA)
    return day_book.start(
        session, crop.protocols[0], trays, "Ada", code=code, lineage=lineage
    ).result


def aged(session: Session, batch: Batch, days: int, position: int = 1) -> Batch:
    """The batch as if it had been started, and had come into this stage, so many days ago."""
    stage = batch.protocol.stages[position - 1]
    batch.started_on = batch.stage_entered_on = MONDAY - timedelta(days=days)
    batch.stage_id = stage.id or 0
    session.flush()
    session.refresh(batch)
    return batch


def planned(session: Session, trays: int = 5) -> PlannedStart:
    plan = accepted_plan(session, MONDAY)
    start = PlannedStart(
        plan_id=plan.id or 0,
        protocol_id=crop_named(session, CALTHA).protocols[0].id or 0,
        week=str(WEEK),
        trays=trays,
    )
    session.add(start)
    session.flush()
    return start


def the(session: Session, kind: TaskKind, week: Week = WEEK) -> Task:
    (task,) = week_sheet(session, week).of(kind)
    return task


def ledger(session: Session, batch: Batch) -> list[tuple[str, int, int]]:
    rows = session.exec(
        select(Movement).where(Movement.batch_id == batch.id).order_by(col(Movement.sequence))
    )
    return [(row.kind.value, row.plugs, row.balance) for row in rows]


def test_a_planned_start_is_made_by_its_line_alone(db: Database) -> None:
    """Five trays of 104 cells, in the only bench of the propagation house."""
    with db.writing() as session:
        small_nursery(session)
        start = planned(session)
        task = the(session, TaskKind.START)
        assert (task.key, task.minutes) == (f"S{start.id}", START_MINUTES)
        booked = done(session, task.key.lower(), "Ada", minutes=200)
        batch = booked.result
        assert (batch.trays, balance(session, batch)) == (5, 520)
        assert batch.bench is not None
        assert batch.bench.name == "Mist house 1"
        assert week_sheet(session, WEEK).of(TaskKind.START) == ()
        (line,) = day_lines(session, MONDAY)
    assert (line.action, line.line, line.minutes) == (DayAction.STARTED, task.key, 200)
    assert str(line) == "2027-W09-01 started 520 plugs, by Ada"


def test_a_line_that_was_done_cannot_be_done_twice(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        planned(session)
        key = the(session, TaskKind.START).key
        done(session, key, "Ada")
        with pytest.raises(Refused, match="was done on 2027-03-01 by Ada") as caught:
            done(session, key, "Bo")
        assert caught.value.refusal.code == "done_already"
        with pytest.raises(Refused, match="has no line 'Z9'"):
            done(session, "Z9", "Bo")


def test_a_start_that_was_taken_back_is_on_the_sheet_again(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        start = planned(session)
        booked = done(session, f"S{start.id}", "Ada")
        back = undo(session, booked.entry.id or 0, "Ada", "wrong crop")
        batch = booked.result
        assert (batch.closed_on, batch.trays, balance(session, batch)) == (MONDAY, 0, 0)
        assert ledger(session, batch) == [("counted", 520, 520), ("counted", -520, 0)]
        assert (back.undoes_id, back.note) == (booked.entry.id, "wrong crop")
        again = done(session, the(session, TaskKind.START).key, "Ada")
        assert again.result.code == "2027-W09-02"
        lines = day_lines(session, MONDAY)
    assert [(line.undone, line.undoes) for line in lines] == [
        (True, None),
        (False, booked.entry.id),
        (False, None),
    ]


def test_a_start_that_was_taken_back_leaves_the_mother_plants_their_quota(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        protocol = crop_named(session, CALTHA).protocols[0]
        block = MotherBlock(code="M1", crop_id=protocol.crop_id, plants=104, propagules_a_week=2)
        session.add(block)
        session.flush()
        protocol.mother_block_id = block.id
        session.flush()
        first = day_book.start(session, protocol, 2, "Ada")
        with pytest.raises(Refused, match="208 were taken"):
            day_book.start(session, protocol, 2, "Ada")
        undo(session, first.entry.id or 0, "Ada", "not enough cuttings")
        assert day_book.start(session, protocol, 2, "Ada").result.trays == 2


def test_a_move_by_its_line_and_back_again(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        batch = aged(session, batch_of(session, "G1"), 30)
        task = the(session, TaskKind.MOVE)
        before = state_of(batch)
        booked = done(session, task.key, "Ada")
        assert (batch.stage.position, batch.bench and batch.bench.name) == (2, "Long house 1")
        assert task.key == f"M{batch.id}.2"
        undo(session, booked.entry.id or 0, "Ada", "it was G2")
        assert state_of(batch) == before
        assert batch.stage.position == 1
        assert the(session, TaskKind.MOVE).key == task.key


def test_the_next_move_of_a_batch_has_another_key(db: Database) -> None:
    """So that a key pressed twice never moves a batch twice."""
    with db.writing() as session:
        small_nursery(session)
        batch = aged(session, batch_of(session, "G1"), 30)
        key = the(session, TaskKind.MOVE).key
        done(session, key, "Ada")
        batch.started_on = batch.stage_entered_on = MONDAY - timedelta(days=200)
        session.flush()
        assert the(session, TaskKind.HARDEN_OFF).key == f"H{batch.id}.3"
        with pytest.raises(Refused, match="was done"):
            done(session, key, "Ada")


def test_what_was_done_later_is_taken_back_first(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        batch = batch_of(session, "G1")
        first = day_book.move(session, batch, "Ada")
        second = day_book.move(session, batch, "Ada")
        with pytest.raises(Refused, match="has changed since") as caught:
            undo(session, first.entry.id or 0, "Ada", "x")
        assert caught.value.refusal.code == "changed_since"
        undo(session, second.entry.id or 0, "Ada", "x")
        undo(session, first.entry.id or 0, "Ada", "x")
        assert batch.stage.position == 1
        with pytest.raises(Refused, match="taken back before"):
            undo(session, first.entry.id or 0, "Ada", "x")


def test_only_the_share_that_flushes_now_is_set_aside(db: Database) -> None:
    """The protocol's flush is 70/30: of 312 plugs 218 now, and 94 a week later."""
    with db.writing() as session:
        small_nursery(session)
        batch = aged(session, batch_of(session, "G1"), 60, position=3)
        task = the(session, TaskKind.READY)
        assert (task.key, task.plugs) == (f"R{batch.id}.1", 218)
        booked = done(session, task.key, "Ada")
        assert booked.result.plugs == 218
        assert week_sheet(session, WEEK).of(TaskKind.READY) == ()
        rest = the(session, TaskKind.READY, WEEK + 1)
        assert (rest.key, rest.plugs) == (f"R{batch.id}.2", 94)
        undo(session, booked.entry.id or 0, "Ada", "not ready yet")
        assert (booked.result.plugs, held(session, batch), batch.ready_on) == (0, 312, None)
        assert the(session, TaskKind.READY).plugs == 218


def test_plugs_that_were_sold_meanwhile_are_not_taken_back(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        batch = batch_of(session, "G1")
        booked = day_book.set_ready(session, batch, 100, "Ada")
        sold = day_book.sell_at_gate(session, booked.result, 30, "Ada")
        with pytest.raises(Refused, match="has 70 plugs in the books, 100 cannot"):
            undo(session, booked.entry.id or 0, "Ada", "not ready")
    with db.writing() as session:
        undo(session, sold.entry.id or 0, "Ada", "not sold")
        undo(session, booked.entry.id or 0, "Ada", "not ready")
        assert held(session, session.get_one(Batch, batch.id)) == 312


def test_discard_or_pot_on_has_to_be_said(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        crop = crop_named(session, CALTHA)
        lot = ready_lot(session, crop, 150, date(2027, 2, 8), date(2027, 3, 4), "ENDS")
        key = the(session, TaskKind.DISCARD).key
        assert key == f"D{lot.id}"
        with pytest.raises(Refused, match="discarded or potted on") as caught:
            done(session, key, "Ada")
        assert caught.value.refusal.code == "say_which"
        booked = done(session, key, "Ada", Otherwise(potted_on=True))
        assert booked.entry.action is DayAction.POTTED_ON
        assert lot.batch.closed_on == MONDAY
        undo(session, booked.entry.id or 0, "Ada", "they stand there still")
        session.refresh(lot.batch)
        assert (lot.plugs, state_of(lot.batch)["closed_on"]) == (150, None)
        assert ledger(session, lot.batch)[1:] == [("potted on", -150, 0), ("potted on", 150, 150)]


def test_gapping_up_by_its_line_takes_the_plugs_of_the_sister_batch(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        batches = [aged(session, batch_of(session, code, 2), 15) for code in ("G1", "G2")]
        for batch in batches:
            day_book.count(session, batch, "Ada", 90)
        task = the(session, TaskKind.GAP_UP)
        booked = done(session, task.key, "Ada")
        assert booked.result == task.trays
        trays = sorted((each.trays, balance(session, each)) for each in batches)
        assert trays == [(0, 0), (2, 180)]
        undo(session, booked.entry.id or 0, "Ada", "another lineage after all")
        assert [(each.trays, balance(session, each)) for each in batches] == [(2, 90), (2, 90)]
        assert [each.closed_on for each in batches] == [None, None]


def test_a_wrong_count_is_withdrawn_with_what_it_changed(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        batch = batch_of(session, "G1")
        wrong = day_book.count(session, batch, "Ada", 30)
        assert (wrong.result.difference, wrong.result.recount) == (-282, True)
        day_book.discard(session, batch, 5, "Ada", "slugs")
        undo(session, wrong.entry.id or 0, "Ada", "a nought is missing")
        assert held(session, batch) == 307
        (count,) = session.exec(select(Count).where(Count.batch_id == batch.id)).all()
        assert count.withdrawn_at is not None
        (place,) = [place for place in count_round(session) if place.batch_id == batch.id]
        assert (place.expected, place.last_counted, place.recount) == (307, None, False)


def test_a_count_as_expected_that_nobody_made_leaves_the_count_due(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        batch_of(session, "G1")
        task = the(session, TaskKind.COUNT, WEEK + 4)
        booked = done(session, task.key, "Ada", week=WEEK + 4)
        assert week_sheet(session, WEEK + 4).of(TaskKind.COUNT)[:1] != (task,)
        undo(session, booked.entry.id or 0, "Ada", "it was not counted")
        assert the(session, TaskKind.COUNT, WEEK + 4).batch == "G1"


def test_a_count_that_late_rows_were_set_against_is_put_right_by_a_new_count(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        batch = batch_of(session, "G1")
        counted = day_book.count(session, batch, "Ada", 300)
        before = counted.result.count.counted_at - timedelta(microseconds=1)
        move(session, batch, Moved.DISCARDED, -4, "Bo", "typed in late", before)
        assert held(session, batch) == 300
        with pytest.raises(Refused, match="came late") as caught:
            undo(session, counted.entry.id or 0, "Ada", "x")
        assert caught.value.refusal.code == "count_again"


def test_a_veto_is_never_taken_back_and_a_sign_off_sets_it_anew(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        lot = ready_lot(session, crop_named(session, CALTHA), 50, MONDAY, MONDAY, "V1")
        booked = day_book.set_veto(
            session, lot.batch, VetoKind.INSPECTION, "spots", "Inspector Li", "Lea", lot=lot
        )
        with pytest.raises(Refused, match="authorised person signs it off"):
            undo(session, booked.entry.id or 0, "Lea", "typed wrong")
        signed = day_book.sign_off_veto(session, booked.result, "Inspector Li", "clear", "Lea")
        assert saleable(session, [lot.id or 0]) == {lot.id}
        undo(session, signed.entry.id or 0, "Lea", "it was another batch")
        assert saleable(session, [lot.id or 0]) == frozenset()
        assert booked.result.signed_off_by == "Inspector Li"


def test_plugs_leave_by_every_way_and_come_back(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        crop = crop_named(session, CALTHA)
        session.add(Pool(crop_id=crop.id or 0, grade=Grade.B))
        batch = batch_of(session, "R1", 1)
        lot = day_book.set_ready(session, batch, 90, "Ada").result
        booked: list[Booked[object]] = [
            day_book.plant_out(session, batch, 10, "Ada", "stream bed", lot),  # type: ignore[list-item]
            day_book.pot_on(session, batch, 10, "Ada", "for the market", lot),  # type: ignore[list-item]
            day_book.sell_at_gate(session, lot, 10, "Ada"),  # type: ignore[list-item]
            day_book.discard(session, batch, 10, "Ada", "slugs", lot),  # type: ignore[list-item]
            day_book.regrade(session, lot, 10, Grade.B, "Ada", "small"),  # type: ignore[list-item]
        ]
        assert (lot.plugs, balance(session, batch)) == (40, 64)
        for each in booked:
            undo(session, each.entry.id or 0, "Ada", "not so")
        assert (lot.plugs, balance(session, batch)) == (90, 104)
        lots = session.exec(select(Lot).where(Lot.batch_id == batch.id)).all()
        assert sorted(each.plugs for each in lots) == [0, 90]
        assert len(batch_lines(session, batch)) == 12


def test_the_last_entry_of_a_person_is_the_one_that_still_stands(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        batch = batch_of(session, "G1")
        day_book.discard(session, batch, 1, "Bo", "slugs")
        first = last_entry(session, "Ada")
        assert first.action is DayAction.STARTED
        second = day_book.discard(session, batch, 2, "Ada", "rot").entry
        assert last_entry(session, "Ada").id == second.id
        undo(session, second.id or 0, "Ada", "no rot")
        assert last_entry(session, "Ada").id == first.id
        with pytest.raises(Refused, match="Cy has written nothing"):
            last_entry(session, "Cy")


def test_an_undo_says_who_and_why_and_is_not_undone_itself(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        batch = batch_of(session, "G1")
        entry = day_book.discard(session, batch, 2, "Ada", "rot").entry
        for who, why in (("", "x"), ("Ada", " ")):
            with pytest.raises(Fault, match=r"needs (who|a reason)"):
                undo(session, entry.id or 0, who, why)
        back = undo(session, entry.id or 0, "Ada", "no rot")
        with pytest.raises(Refused, match="takes back entry"):
            undo(session, back.id or 0, "Ada", "x")
        with pytest.raises(Refused, match="no entry 99"):
            undo(session, 99, "Ada", "x")


def test_a_stopped_line_is_not_done(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        batch = aged(session, batch_of(session, "G1"), 30)
        day_book.set_veto(session, batch, VetoKind.RE_ENTRY, "label", "Sprayer", "Lea")
        with pytest.raises(Refused, match="under a veto"):
            done(session, the(session, TaskKind.MOVE).key, "Ada")
        session.rollback()


def test_other_trays_plugs_and_benches_than_planned_are_kept_as_they_were(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        start = planned(session)
        bench = session.exec(select(Bench).where(Bench.name == "Mist house 1")).one()
        booked = done(session, f"S{start.id}", "Ada", Otherwise(bench=bench, trays=4))
        assert (booked.result.trays, start.batch_id) == (4, booked.result.id)
        count = week_sheet(session, WEEK + 4).of(TaskKind.COUNT)[0]
        other = done(session, count.key, "Ada", Otherwise(plugs=400), week=WEEK + 4)
        assert other.result.count.plugs == 400


def test_where_several_benches_have_room_none_is_written_down(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        bench = session.exec(select(Bench).where(Bench.name == "Mist house 1")).one()
        session.add(Bench(area_id=bench.area_id, name="Mist house 2", places=4))
        session.flush()
        start = planned(session, 5)
        five = done(session, f"S{start.id}", "Ada")
        assert five.result.bench_id == bench.id
        undo(session, five.entry.id or 0, "Ada", "x")
        four = done(session, f"S{start.id}", "Ada", Otherwise(trays=4))
        assert four.result.bench_id is None


def test_the_bench_map_says_which_of_several_benches_it_is(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        first = session.exec(select(Bench).where(Bench.name == "Mist house 1")).one()
        second = Bench(area_id=first.area_id, name="Mist house 2", places=20)
        session.add(second)
        session.flush()
        start = planned(session, 5)
        session.add(
            BenchSlot(
                stand=f"{CALTHA} / division 2027-W09+0 stage 1",
                bench_id=second.id or 0,
                first_place=1,
                places=5,
                enters_on=MONDAY,
                leaves_on=MONDAY + timedelta(days=21),
            )
        )
        session.flush()
        assert done(session, f"S{start.id}", "Ada").result.bench_id == second.id


def test_a_line_that_was_handed_out_is_done_on_the_bench_of_its_sheet(db: Database) -> None:
    """Two benches have room and no map is kept: the sheet names one of them, and that counts."""
    with db.writing() as session:
        small_nursery(session)
        first = session.exec(select(Bench).where(Bench.name == "Mist house 1")).one()
        session.add(Bench(area_id=first.area_id, name="Mist house 2", places=20))
        start = planned(session, 5)
        week = Week.of(MONDAY)
    keep_rota(db, week, Limits(1.0, threads=1))
    with db.writing() as session:
        (line,) = [
            line.work
            for sheet in rota(session, week).sheets
            for line in sheet.lines
            if line.work.line == f"S{start.id}"
        ]
        made = done(session, f"S{start.id}", "Ada").result
        assert made.bench is not None and line.go_to.startswith(f"{made.bench.name}, place")


STEPS: dict[str, Callable[[Session, Batch], DayEntry | None]] = {
    "move": lambda s, b: day_book.move(s, b, "Ada").entry,
    "discard": lambda s, b: day_book.discard(s, b, 7, "Ada", "slugs").entry,
    "pot on": lambda s, b: day_book.pot_on(s, b, 9, "Ada", "pots").entry,
    "plant out": lambda s, b: day_book.plant_out(s, b, 11, "Ada", "bed").entry,
    "ready": lambda s, b: day_book.set_ready(s, b, 40, "Ada").entry,
    "count": lambda s, b: day_book.count(s, b, "Ada", held(s, b) - 3).entry,
}


@settings(
    deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(steps=some.lists(some.sampled_from(sorted(STEPS)), max_size=7))
def test_taking_everything_back_in_turn_leaves_the_batch_as_it_was(
    db: Database, steps: list[str]
) -> None:
    """Whatever was done: state, growing plugs and lots are the same, and no row has gone."""
    with db.writing() as session:
        if not session.exec(select(TrayFormat)).first():
            small_nursery(session)
        number = len(session.exec(select(Batch)).all())
        batch = batch_of(session, f"X{number}")
        before, plugs = state_of(batch), held(session, batch)
        entries = []
        for step in steps:
            try:
                with session.begin_nested():
                    entry = STEPS[step](session, batch)
            except Refused:
                continue
            entries.append(entry)
        rows = len(ledger(session, batch))
        for entry in reversed(entries):
            assert entry is not None
            undo(session, entry.id or 0, "Ada", "taken back")
        assert state_of(batch) == before
        assert held(session, batch) == plugs == balance(session, batch)
        assert len(ledger(session, batch)) >= rows
        lots = session.exec(select(Lot).where(Lot.batch_id == batch.id)).all()
        assert all(lot.plugs == 0 for lot in lots)
        assert {row[0] for row in ledger(session, batch)} <= {kind.value for kind in Moved}


def test_what_was_taken_back_is_not_learned_from(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        batch = batch_of(session, "G1")
        day_book.count(session, batch, "Ada", 300)
        moved = day_book.move(session, batch, "Ada")
        ready = day_book.set_ready(session, batch, 250, "Ada")
        undo(session, ready.entry.id or 0, "Ada", "not yet")
        undo(session, moved.entry.id or 0, "Ada", "another batch")
        rows = session.exec(select(StageRecord).order_by(col(StageRecord.id))).all()
        assert [(row.left_on, row.plugs_out, row.left_out) for row in rows] == [
            (None, None, ""),
            (None, None, TAKEN_BACK),
        ]
        assert [row.plugs for row in session.exec(select(FlushRecord))] == [0]
        day_book.move(session, batch, "Ada")
        assert [row.left_out for row in rows] == ["", ""]
        assert rows[0].left_on == MONDAY


def test_minutes_below_nothing_are_no_minutes(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        batch = batch_of(session, "G1")
        assert batch.quarantine is Quarantine.CLEAR
        with pytest.raises(Fault, match="Minutes of work"):
            day_book.discard(session, batch, 1, "Ada", "rot", said=Said(minutes=-1))
