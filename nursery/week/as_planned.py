"""Which line of the week sheet was done, just as it stands there? One key, one entry.

A line's key is on the sheet. What was different is said besides: another bench, fewer trays, other
plugs. What the sheet leaves open (discard, or pot on?) has to be said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlmodel import Session, col, select

from nursery.batch import Batch
from nursery.bench_slot import BenchSlot
from nursery.crop import AreaKind, Stage
from nursery.database import today
from nursery.day_entry import DayEntry
from nursery.errors import Refusal, Refused
from nursery.growing.growth import growing_stages
from nursery.growing_area import Bench, GrowingArea
from nursery.kept_rota import KeptRota
from nursery.locks import lock_site
from nursery.planned import PlannedStart
from nursery.planning.bench_map import bench_map
from nursery.planning.bench_stays import stand_name, start_name
from nursery.shed.ledger import lock_batches
from nursery.stock import Lot
from nursery.week import day_book
from nursery.week.day_book import Booked, Said, taken_back
from nursery.week.week_sheet import Task, TaskKind, week_sheet
from nursery.weeks import Week


@dataclass(frozen=True, slots=True)
class Otherwise:
    """What was done otherwise than the line says; None where it was as planned.

    `potted_on` chooses for a line "discard or pot on". Without a bench, that of
    the kept bench map is taken (where the batch stands on one), else the one on the sheet that was
    handed out, else the only one of the right kind of area with room for all trays; where there are
    several, none is written down.
    """

    bench: Bench | None = None
    trays: int | None = None
    plugs: int | None = None
    potted_on: bool | None = None


AS_PLANNED = Otherwise()


def done(
    session: Session,
    key: str,
    actor: str,
    otherwise: Otherwise = AS_PLANNED,
    minutes: int | None = None,
    week: Week | None = None,
) -> Booked[Any]:
    """What does doing this line of the week sheet change? Written into the day book.

    Of this week's sheet, or of `week`'s where work is done before its week. Raises `Refused`:
    "done_already", "unknown_line" (with the lines that are there), "stopped" (a veto, say),
    "say_which" (discard or pot on?), and what the work itself refuses.
    """
    lock_site(session)  # before the sheet is read: of two who tick one line the second is told so
    of_week = week or Week.of(today(session))
    task = _task(session, key.strip().upper(), of_week)
    if task.batch_id is not None and _changed_meanwhile(session, task.batch_id):
        task = _task(session, key.strip().upper(), of_week)
    if task.stopped:
        raise _refused(
            "stopped", f"Line {task.key} ({_name(task)}) may not be done: {task.stopped}"
        )
    said = Said(task.key, minutes)
    if task.kind is TaskKind.START:
        return _start(session, task, actor, otherwise, said, of_week)
    batch = session.get_one(Batch, task.batch_id)
    plugs = otherwise.plugs if otherwise.plugs is not None else task.plugs
    if task.kind in (TaskKind.MOVE, TaskKind.HARDEN_OFF):
        trays = otherwise.trays
        bench = otherwise.bench or _mapped(
            session, _later(batch), trays or task.trays, _names(session, batch), batch, of_week
        )
        return day_book.move(session, batch, actor, bench, trays, said=said)
    if task.kind is TaskKind.READY:
        return day_book.set_ready(session, batch, plugs, actor, otherwise.bench, said=said)
    if task.kind is TaskKind.GAP_UP:
        donor = session.get(Batch, task.donor_id or 0)
        return day_book.set_gap_up(session, batch, actor, donor, otherwise.plugs, said)
    if task.kind is TaskKind.COUNT:
        return day_book.count(session, batch, actor, otherwise.plugs, said=said)
    return _out(session, task, batch, plugs, actor, otherwise, said)


def _changed_meanwhile(session: Session, batch_id: int) -> bool:
    """Was the batch moved or closed by hand since the sheet was read? Now nobody else can."""
    batch = session.get_one(Batch, batch_id)
    stood = day_book.state_of(batch)
    lock_batches(session, [batch])
    if day_book.state_of(batch) == stood:
        return False
    session.flush()
    session.expire_all()
    return True


def _task(session: Session, key: str, week: Week) -> Task:
    tasks = week_sheet(session, week).tasks
    for task in tasks:
        if task.key == key:
            return task
    rows = session.exec(
        select(DayEntry)
        .where(DayEntry.line == key, col(DayEntry.undoes_id).is_(None))
        .order_by(col(DayEntry.id).desc())
    ).all()
    undone = taken_back(session, [row.id or 0 for row in rows])
    for row in rows:
        if row.id not in undone:
            raise _refused(
                "done_already",
                f"Line {key} was done on {row.done_on} by {row.actor} (entry {row.id})",
                "look at the week sheet again, or take that entry back",
            )
    known = ", ".join(task.key for task in tasks[:20]) or "none"
    raise _refused(
        "unknown_line", f"The sheet of {week} has no line {key!r}", f"its lines are: {known}"
    )


def _start(
    session: Session, task: Task, actor: str, otherwise: Otherwise, said: Said, week: Week
) -> Booked[Batch]:
    planned = session.get_one(PlannedStart, task.planned_start_id)
    trays = otherwise.trays if otherwise.trays is not None else task.trays
    bench = otherwise.bench or _mapped(
        session, growing_stages(planned.protocol), trays, [start_name(planned)], None, week
    )
    return day_book.start(
        session, planned.protocol, trays, actor, bench, planned=planned, said=said
    )


def _out(
    session: Session,
    task: Task,
    batch: Batch,
    plugs: int,
    actor: str,
    otherwise: Otherwise,
    said: Said,
) -> Booked[Any]:
    if otherwise.potted_on is None:
        raise _refused(
            "say_which",
            f"Line {task.key} ({_name(task)}) leaves open whether they were discarded or potted on",
            "say which of the two was done",
        )
    lot = session.get_one(Lot, task.lot_id)
    why = f"last sale date {lot.last_sale_on}"
    act = day_book.pot_on if otherwise.potted_on else day_book.discard
    return act(session, batch, plugs, actor, why, lot, said)


def _mapped(
    session: Session,
    stages: tuple[Stage, ...],
    trays: int,
    names: list[str],
    batch: Batch | None,
    week: Week,
) -> Bench | None:
    """The bench that the kept map or a handed-out sheet gives, else the only one with room."""
    if not stages or stages[0].area_kind is AreaKind.NONE:
        return None
    stands = [stand_name(name, stages[0].position) for name in names]
    slots = session.exec(
        select(BenchSlot.bench_id).where(col(BenchSlot.stand).in_(stands)).distinct()
    ).all() or _handed_out(session, week, stands)
    free = _free_benches(session, stages[0], trays, batch)
    mapped = [bench for bench in free if bench.id in slots]
    if len(slots) == 1 and mapped:
        return mapped[0]
    return free[0] if len(free) == 1 else None


def _handed_out(session: Session, week: Week, stands: Sequence[str]) -> Sequence[int]:
    """On which benches do these stand by the sheets of the week, if they were handed out?"""
    if session.get(KeptRota, str(week)) is None:
        return ()
    slots = bench_map(session, week).all_slots
    names = {slot.bench for slot in slots if slot.what.key in stands}
    rows = session.exec(select(Bench).where(col(Bench.name).in_(names)))
    return [bench.id or 0 for bench in rows]


def _free_benches(session: Session, stage: Stage, trays: int, batch: Batch | None) -> list[Bench]:
    form = stage.tray_format or (batch.tray_format if batch is not None else None)
    wanted = trays * (form.places if form is not None else 1)
    benches = session.exec(
        select(Bench)
        .join(GrowingArea, col(Bench.area_id) == col(GrowingArea.id))
        .where(GrowingArea.kind == stage.area_kind)
    ).all()
    taken: dict[int, int] = {}
    for other in session.exec(select(Batch).where(col(Batch.closed_on).is_(None))):
        if other.bench_id is not None and (batch is None or other.id != batch.id):
            places = other.trays * other.tray_format.places
            taken[other.bench_id] = taken.get(other.bench_id, 0) + places
    return [b for b in benches if b.places - taken.get(b.id or 0, 0) >= wanted]


def _names(session: Session, batch: Batch) -> list[str]:
    """What the batch may be called on the map: by its code, or by the start that it was."""
    start = session.exec(select(PlannedStart).where(PlannedStart.batch_id == batch.id)).first()
    return [batch.code, *([start_name(start)] if start is not None else [])]


def _later(batch: Batch) -> tuple[Stage, ...]:
    stages = growing_stages(batch.protocol)
    return tuple(stage for stage in stages if stage.position > batch.stage.position)


def _name(task: Task) -> str:
    return f"{task.kind.value} {task.batch or task.crop}".strip()


def _refused(code: str, message: str, next: str = "ask whoever stopped it") -> Refused:
    return Refused(Refusal(code, message, "line", next))
