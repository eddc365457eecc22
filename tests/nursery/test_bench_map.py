"""The bench map of a nursery: what stands where, what comes next, and what does not fit."""

from __future__ import annotations

import itertools
from datetime import date, timedelta

import pytest
from sqlmodel import Session, select

from nursery.batch import Batch
from nursery.bench_slot import BenchSlot
from nursery.crop import TrayFormat
from nursery.database import Database, today
from nursery.errors import Fault
from nursery.growing_area import Bench, GrowingArea
from nursery.planning.bench_map import (
    BenchMap,
    Limits,
    Slot,
    bench_map,
    drawn,
    keep_bench_map,
    plan_benches,
    set_apart,
    set_together,
)
from nursery.planning.bench_problem import bench_book
from nursery.week.week_sheet import move_batch, start_batch
from nursery.weeks import Week
from tests.builders import crop_named, ready_lot, set_clock, small_nursery
from tests.nursery.test_week_sheet import CALTHA, MONDAY, THIS_WEEK, accepted, growing

PRIMULA = "Primula rosea"
SOON = Limits(2.0, threads=1)


def bench(session: Session, name: str) -> Bench:
    return session.exec(select(Bench).where(Bench.name == name)).one()


def on_bench(session: Session, code: str, trays: int, name: str, entered: date = MONDAY) -> Batch:
    """A struck batch of so many trays on a bench."""
    batch = growing(session, 1, entered, code, plugs=104 * trays)
    batch.trays, batch.bench_id = trays, bench(session, name).id
    session.flush()
    session.refresh(batch)
    return batch


def only(found: BenchMap, batch: Batch, position: int) -> Slot:
    (slot,) = found.of(batch.id or 0, position)
    return slot


def problems(found: BenchMap) -> list[tuple[Slot, Slot]]:
    """Pairs of slots on the same places without the cleaning days between them, counted anew."""
    cleaning = {row.bench: timedelta(days=row.cleaning_days) for row in found.benches}
    return [
        (a, b)
        for a, b in itertools.combinations(found.all_slots, 2)
        if a.bench == b.bench
        and a.first_place <= b.last_place
        and b.first_place <= a.last_place
        and a.enters_on < b.leaves_on + cleaning[b.bench]
        and b.enters_on < a.leaves_on + cleaning[a.bench]
    ]


def test_batches_on_a_bench_stand_side_by_side_in_one_block_each(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        on_bench(session, "G1", 6, "Mist house 1")
        on_bench(session, "G2", 9, "Mist house 1")
        found = bench_map(session, THIS_WEEK)
    slots = [slot for slot in found.slots if slot.bench == "Mist house 1"]
    assert sorted(slot.places for slot in slots) == [6, 9]
    assert {slot.what.batch for slot in slots} == {"G1", "G2"}
    assert all(slot.fixed and slot.blocks == 1 for slot in slots)
    assert problems(found) == [] and found.short == ()


def test_a_batch_goes_on_to_the_next_area_when_its_stage_ends(db: Database) -> None:
    """Struck for 21 days from 1 March it leaves in the week of 22 March, and is not moved before.

    It goes to the growing house on the Wednesday, on which that house is filled.
    """
    with db.writing() as session:
        small_nursery(session)
        batch = on_bench(session, "G1", 6, "Mist house 1")
        found = bench_map(session, THIS_WEEK)
    struck, grown = only(found, batch, 1), only(found, batch, 2)
    assert (struck.bench, struck.leaves_on) == ("Mist house 1", date(2027, 3, 24))
    assert (grown.bench, grown.enters_on) == ("Long house 1", date(2027, 3, 24))
    assert only(found, batch, 3).enters_on == grown.leaves_on


def test_a_planned_start_has_its_places_before_it_is_made_and_keeps_them(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        start = accepted(session, crop_named(session, CALTHA), THIS_WEEK + 1, 5)
        on_bench(session, "G1", 6, "Mist house 1")
    kept = plan_benches(db, SOON)
    (planned,) = kept.of_start(start.id or 0)
    assert (planned.places, planned.enters_on) == (5, date(2027, 3, 11))
    with db.writing() as session:
        set_clock(session, date(2027, 3, 11))
        row = session.merge(start)
        batch = start_batch(
            session, row.protocol, 5, "Ada", planned=row, bench=bench(session, planned.bench)
        )
        session.flush()
        now_there = only(bench_map(session, THIS_WEEK + 1), batch, 1)
    assert (now_there.label, now_there.fixed) == (planned.label, True)


def test_the_kept_map_is_read_back_with_the_same_places(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        for week, crop in enumerate((CALTHA, PRIMULA)):
            on_bench(session, f"G{week}", 4 + week, "Mist house 1")
            accepted_start = crop_named(session, crop)
        accepted(session, accepted_start, THIS_WEEK + 2, 7)
    kept = plan_benches(db, SOON)
    with db.reading() as session:
        again = bench_map(session, THIS_WEEK)
        rows = session.exec(select(BenchSlot)).all()
    assert len(rows) == len(kept.all_slots)
    assert {(s.what.key, s.label) for s in again.all_slots} == {
        (s.what.key, s.label) for s in kept.all_slots
    }


def test_a_batch_that_stands_there_keeps_its_places_when_its_neighbour_has_left(
    db: Database,
) -> None:
    with db.writing() as session:
        small_nursery(session)
        first = on_bench(session, "G1", 6, "Mist house 1", date(2027, 2, 8))
        second = on_bench(session, "G2", 9, "Mist house 1")
        keep_bench_map(session, bench_map(session, THIS_WEEK))
        before = only(bench_map(session, THIS_WEEK), second, 1)
        to = only(bench_map(session, THIS_WEEK), first, 2)
        move_batch(session, first, "Ada", bench=bench(session, to.bench))
        found = bench_map(session, THIS_WEEK)
    assert only(found, second, 1).label == before.label
    moved = only(found, first, 2)
    assert (moved.label, moved.fixed) == (to.label, True)


def test_more_trays_than_a_bench_has_places_are_told_and_not_drawn(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        on_bench(session, "G1", 30, "Mist house 1")
        batch = on_bench(session, "G2", 15, "Mist house 1")
        found = bench_map(session, THIS_WEEK)
    assert [(what.batch, places) for what, places in found.without_place] == [("G2", 5)]
    assert found.short[0].places == 5 and found.short[0].area == "propagation house"
    assert sum(slot.places for slot in found.of(batch.id or 0, 1)) == 10


def test_a_place_is_left_cleaned_and_filled_in_that_order(db: Database) -> None:
    """The mist house has 40 places: 30 leave on Wednesday 10 March, 30 others come the day after.

    With three cleaning days there is no room for 20 of them.
    """
    with db.writing() as session:
        small_nursery(session)
        house = session.exec(select(GrowingArea).where(GrowingArea.name == "Mist house")).one()
        house.cleaning_days = 1
        on_bench(session, "G1", 30, "Mist house 1", date(2027, 2, 15))
        accepted(session, crop_named(session, CALTHA), THIS_WEEK + 1, 30)
        at_once = bench_map(session, THIS_WEEK + 1)
        house.cleaning_days = 3
        session.flush()
        slow = bench_map(session, THIS_WEEK + 1)
    assert problems(at_once) == [] and at_once.short == ()
    assert problems(slow) == [] and slow.short[0].places == 20
    (mist,) = [one for one in drawn(at_once) if one.row.bench == "Mist house 1"]
    days = {f"{day:%a}": line for day, line in mist.lines}
    assert days["Mon"].count("A") == 30 and days["Mon"].count(".") == 10
    assert days["Wed"].count("-") == 30
    assert days["Thu"].count("B") == 30 and "A" not in days["Thu"]


def test_a_bench_out_of_use_is_drawn_so_and_takes_nothing_planned(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        house = bench(session, "Mist house 1").area
        house.benches.append(Bench(name="Mist house 2", places=8, walk_order=9))
        closed = bench(session, "Mist house 1")
        closed.out_from, closed.out_until = date(2027, 3, 8), date(2027, 4, 30)
        start = accepted(session, crop_named(session, CALTHA), THIS_WEEK + 1, 8)
        session.flush()
        found = bench_map(session, THIS_WEEK + 1)
    assert {slot.bench for slot in found.of_start(start.id or 0)} == {"Mist house 2"}
    (line,) = [one for one in drawn(found) if one.row.bench == "Mist house 1"]
    assert line.lines == ((date(2027, 3, 8), "x" * 40),)


def test_crops_of_a_group_that_is_told_so_stand_on_two_benches(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        house = bench(session, "Mist house 1").area
        house.benches.append(Bench(name="Mist house 2", places=40, walk_order=9))
        session.flush()
        accepted(session, crop_named(session, CALTHA), THIS_WEEK, 5)
        batch = on_bench(session, "G1", 6, "Mist house 1")
        batch.crop_id = crop_named(session, PRIMULA).id or 0
        session.flush()
        session.expire(batch)
        side_by_side = bench_map(session, THIS_WEEK)
        with pytest.raises(Fault, match="marsh"):
            set_apart(session, "cress", None)
        set_apart(session, "marsh", None)
        on_two = bench_map(session, THIS_WEEK)
        set_apart(session, "marsh", 4)
        far = bench_map(session, THIS_WEEK)
        set_together(session, "marsh")
        assert bench_map(session, THIS_WEEK) == side_by_side

    def struck(found: BenchMap) -> list[Slot]:
        return [slot for slot in found.slots if slot.what.position == 1]

    assert len({slot.bench for slot in struck(side_by_side)}) == 1
    assert len({slot.bench for slot in struck(on_two)}) == 2
    one, other = sorted(struck(far), key=lambda s: (s.bench, s.first_place))
    assert one.bench != other.bench or other.first_place - one.last_place > 4


def test_ready_lots_take_as_many_places_as_the_site_says(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        crop = crop_named(session, CALTHA)
        ready_lot(session, crop, 480, date(2027, 2, 20), date(2027, 3, 20), code="L1")
        found = bench_map(session, THIS_WEEK)
    (slot,) = [slot for slot in found.slots if slot.what.batch == "L1"]
    assert (slot.bench, slot.places, slot.fixed) == ("Sales bench 1", 5, True)
    assert slot.leaves_on == date(2027, 3, 21)


def test_trays_that_take_two_places_are_counted_so(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        wide = session.exec(select(TrayFormat)).one()
        wide.places = 2
        session.flush()
        batch = on_bench(session, "G1", 6, "Mist house 1")
        found = bench_map(session, THIS_WEEK)
    assert only(found, batch, 1).places == 12


def test_a_kind_of_area_without_a_bench_is_named_and_left_out(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        growing(session, 1, MONDAY, "G1")
        frames = session.exec(select(GrowingArea).where(GrowingArea.name == "Frames")).one()
        session.delete(frames.benches[0])
        session.delete(frames)
        session.flush()
        found = bench_map(session, THIS_WEEK)
    assert found.notes == (
        "No bench is listed for the hardening frame: its batches are not on the map",
    )


def test_a_week_that_has_gone_by_is_not_drawn(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        with pytest.raises(Fault, match="2027-W08"):
            bench_map(session, Week.of(today(session)) - 1)
        assert bench_map(session, THIS_WEEK + 40).slots == ()


def test_the_problem_of_the_benches_is_the_same_each_time(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        on_bench(session, "G1", 6, "Mist house 1")
        accepted(session, crop_named(session, CALTHA), THIS_WEEK + 1, 5)
        assert bench_book(session, 12).problem == bench_book(session, 12).problem
