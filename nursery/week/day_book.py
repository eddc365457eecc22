"""What was done today, to which batch, by whom? Everything a person does on the benches is a line.

Each function does the work by its own service and writes one entry of the day book in the same
transaction, with how the batches stood before and after, so that `week.day_undo` can take it
back by a new entry. Nothing in the book is ever changed or deleted.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Generic, TypeVar, Unpack

from sqlalchemy import func
from sqlmodel import Session, col, select

from nursery.batch import Batch
from nursery.calendars import time_zone
from nursery.crop import Protocol, Stage
from nursery.database import now, site, today
from nursery.day_entry import DayAction, DayEntry
from nursery.errors import Fault
from nursery.growing import batch_work, cold, gap_up, leaving
from nursery.growing.batch_checks import check_day
from nursery.growing_area import Bench
from nursery.planned import PlannedStart
from nursery.shed import counting, veto
from nursery.shed.counting import Counted
from nursery.shed.ledger import lock_batches
from nursery.stock import ColdHold, Grade, Lot, Movement, Veto, VetoKind

T = TypeVar("T")
STATE = (
    "stage_id",
    "stage_entered_on",
    "trays",
    "bench_id",
    "tray_format_id",
    "ready_on",
    "closed_on",
)
"""What an entry may change of a batch besides its ledger."""


@dataclass(frozen=True, slots=True)
class Said:
    """What a person says besides: which line of the week sheet it was, how long it took, a note."""

    line: str = ""
    minutes: int | None = None
    note: str = ""


NOTHING_SAID = Said()


@dataclass(frozen=True)
class Booked(Generic[T]):
    """What came of it, and the entry of the day book that says so."""

    result: T
    entry: DayEntry


@dataclass(frozen=True, slots=True)
class DayLine:
    """One entry of the day book as people read it. `undone` says that a later entry took it back.

    `stage` is the batch's stage after it, `undoes` the entry that this one takes back, if any.
    """

    entry_id: int
    done_on: date
    recorded_at: datetime
    action: DayAction
    batch_code: str
    crop: str
    stage: str
    plugs: int
    trays: int
    actor: str
    line: str
    minutes: int | None
    note: str
    undoes: int | None
    undone: bool

    def __str__(self) -> str:
        what = f"{self.plugs} plugs" if self.plugs else f"{self.trays} trays" if self.trays else ""
        took = f"takes back entry {self.undoes}: " if self.undoes else ""
        back = " (taken back)" if self.undone else ""
        why = f": {self.note}" if self.note else ""
        to = f" to '{self.stage}'" if self.action is DayAction.MOVED and not took else ""
        said = f"{self.batch_code} {self.action.value}{to} {what}".rstrip()
        return f"{took}{said}, by {self.actor}{why}{back}"


def start(
    session: Session,
    protocol: Protocol,
    trays: int,
    actor: str,
    bench: Bench | None = None,
    code: str | None = None,
    planned: PlannedStart | None = None,
    said: Said = NOTHING_SAID,
    **origin: Unpack[batch_work.Origin],
) -> Booked[Batch]:
    """Which batch do these trays become, started today? As `growing.batch_work.start_batch`."""
    batch = batch_work.start_batch(session, protocol, trays, actor, bench, code, planned, **origin)
    detail: dict[str, object] = {
        "before": {},
        "after": {str(batch.id): state_of(batch)},
        "movements": _movements(session, [batch], 0),
        "planned": planned.id if planned is not None else None,
    }
    plugs = trays * batch.tray_format.cells
    return Booked(
        batch, _entry(session, DayAction.STARTED, batch, actor, said, detail, plugs, batch.trays)
    )


def move(
    session: Session,
    batch: Batch,
    actor: str,
    bench: Bench | None = None,
    trays: int | None = None,
    moved_on: date | None = None,
    said: Said = NOTHING_SAID,
) -> Booked[Batch]:
    """Where does the batch stand in its next stage? As `growing.batch_work.move_batch`."""

    def work() -> Batch:
        return batch_work.move_batch(session, batch, actor, bench, trays, moved_on)

    booked = _do(session, DayAction.MOVED, [batch], actor, said, work)
    booked.entry.trays, booked.entry.done_on = batch.trays, moved_on or booked.entry.done_on
    session.flush()
    return booked


def set_gap_up(
    session: Session,
    batch: Batch,
    actor: str,
    donor: Batch | None = None,
    plugs: int | None = None,
    said: Said = NOTHING_SAID,
) -> Booked[int]:
    """How many trays come free by gapping up? As `growing.gap_up.gap_up`."""
    batches = [batch] if donor is None or donor.id == batch.id else [batch, donor]

    def work() -> int:
        return gap_up.gap_up(session, batch, actor, donor, plugs)

    booked = _do(session, DayAction.GAPPED_UP, batches, actor, said, work, plugs=plugs or 0)
    booked.entry.trays = booked.result
    session.flush()
    return booked


def set_ready(
    session: Session,
    batch: Batch,
    plugs: int,
    actor: str,
    bench: Bench | None = None,
    grade: Grade = Grade.A,
    ready_on: date | None = None,
    said: Said = NOTHING_SAID,
) -> Booked[Lot]:
    """Which lot do these plugs become? As `growing.batch_work.set_ready`."""

    def work() -> Lot:
        return batch_work.set_ready(session, batch, plugs, actor, bench, grade, ready_on)

    booked = _do(session, DayAction.READY, [batch], actor, said, work, plugs=plugs)
    booked.entry.lot_id = booked.result.id
    session.flush()
    return booked


def discard(
    session: Session,
    batch: Batch,
    plugs: int,
    actor: str,
    reason: str,
    lot: Lot | None = None,
    said: Said = NOTHING_SAID,
) -> Booked[Movement]:
    """Which plugs were thrown away, and why? As `growing.batch_work.discard`."""

    def work() -> Movement:
        return batch_work.discard(session, batch, plugs, actor, reason, lot)

    return _do(session, DayAction.DISCARDED, [batch], actor, said, work, lot, plugs, reason)


def pot_on(
    session: Session,
    batch: Batch,
    plugs: int,
    actor: str,
    reason: str = "",
    lot: Lot | None = None,
    said: Said = NOTHING_SAID,
) -> Booked[Movement]:
    """Which plugs went into pots? As `growing.leaving.pot_on`."""

    def work() -> Movement:
        return leaving.pot_on(session, batch, plugs, actor, reason, lot)

    return _do(session, DayAction.POTTED_ON, [batch], actor, said, work, lot, plugs, reason)


def plant_out(
    session: Session,
    batch: Batch,
    plugs: int,
    actor: str,
    where: str,
    lot: Lot | None = None,
    said: Said = NOTHING_SAID,
) -> Booked[Movement]:
    """Which plugs were planted out, and where? As `growing.leaving.plant_out`."""

    def work() -> Movement:
        return leaving.plant_out(session, batch, plugs, actor, where, lot)

    return _do(session, DayAction.PLANTED_OUT, [batch], actor, said, work, lot, plugs, where)


def sell_at_gate(
    session: Session, lot: Lot, plugs: int, actor: str, reason: str = "", said: Said = NOTHING_SAID
) -> Booked[Movement]:
    """Which plugs of a lot were sold at the gate? As `growing.leaving.sell_at_gate`."""

    def work() -> Movement:
        return leaving.sell_at_gate(session, lot, plugs, actor, reason)

    return _do(session, DayAction.SOLD_AT_GATE, [lot.batch], actor, said, work, lot, plugs, reason)


def regrade(
    session: Session,
    lot: Lot,
    plugs: int,
    grade: Grade,
    actor: str,
    reason: str,
    said: Said = NOTHING_SAID,
) -> Booked[Lot]:
    """Which lot do plugs of another grade belong to? As `growing.leaving.regrade`."""

    def work() -> Lot:
        return leaving.regrade(session, lot, plugs, grade, actor, reason)

    return _do(session, DayAction.REGRADED, [lot.batch], actor, said, work, lot, plugs, reason)


def hold_cold(
    session: Session,
    lot: Lot,
    days: int,
    store_c: float,
    actor: str,
    reason: str = "",
    bench: Bench | None = None,
    said: Said = NOTHING_SAID,
) -> Booked[ColdHold]:
    """Until when may this lot be sold, held at `store_c` °C? As `growing.cold.hold_cold`."""

    def work() -> ColdHold:
        return cold.hold_cold(session, lot, days, store_c, actor, reason, bench)

    booked = _do(
        session, DayAction.HELD_COLD, [lot.batch], actor, said, work, lot, lot.plugs, reason
    )
    booked.entry.detail = {**booked.entry.detail, "cold_hold": booked.result.id}
    session.flush()
    return booked


def count(
    session: Session,
    batch: Batch,
    actor: str,
    plugs: int | None = None,
    counted_at: datetime | None = None,
    lot: Lot | None = None,
    said: Said = NOTHING_SAID,
) -> Booked[Counted]:
    """What does a count change? Without `plugs`: as expected. As `shed.counting.count`.

    Raises `Refused` ("bad_date") for one made before the batch was started.
    """
    if counted_at is not None:
        zone = time_zone(site(session).time_zone)
        made_on = min(counted_at.astimezone(zone).date(), today(session))
        check_day(session, batch, made_on, batch.started_on, "countedAt")

    def work() -> Counted:
        if plugs is None:
            return counting.as_expected(session, batch, actor, lot)
        return counting.count(session, batch, plugs, actor, counted_at, lot)

    booked = _do(session, DayAction.COUNTED, [batch], actor, said, work, lot)
    made = booked.result.count
    booked.entry.plugs = made.plugs
    booked.entry.detail = {**booked.entry.detail, "count": made.id}
    session.flush()
    return booked


def set_veto(
    session: Session,
    batch: Batch,
    kind: VetoKind,
    reason: str,
    set_by: str,
    actor: str,
    earliest_end: date | None = None,
    lot: Lot | None = None,
    said: Said = NOTHING_SAID,
) -> Booked[Veto]:
    """Which veto holds from now on? As `shed.veto.set_veto`; `actor` is who wrote it down."""

    def work() -> Veto:
        return veto.set_veto(session, batch, kind, reason, set_by, earliest_end, lot)

    booked = _do(session, DayAction.VETO_SET, [batch], actor, said, work, lot, note=reason)
    booked.entry.detail = {**booked.entry.detail, "veto": booked.result.id}
    session.flush()
    return booked


def sign_off_veto(
    session: Session, held: Veto, signed_by: str, note: str, actor: str, said: Said = NOTHING_SAID
) -> Booked[Veto]:
    """Who says that this veto is over? As `shed.veto.sign_off_veto`: nothing else ends one."""

    def work() -> Veto:
        return veto.sign_off_veto(session, held, signed_by, note)

    booked = _do(session, DayAction.VETO_SIGNED_OFF, [held.batch], actor, said, work, note=note)
    booked.entry.lot_id = held.lot_id
    booked.entry.detail = {**booked.entry.detail, "veto": held.id}
    session.flush()
    return booked


def day_lines(session: Session, first: date, last: date | None = None) -> list[DayLine]:
    """What is in the day book from `first` to `last` (else that day alone), as it was written?

    Raises `Fault` where the last day comes before the first.
    """
    if last is not None and last < first:
        raise Fault("Day book", f"the last day must not be before {first}", last, "swap the two")
    rows = session.exec(
        select(DayEntry)
        .where(col(DayEntry.done_on) >= first, col(DayEntry.done_on) <= (last or first))
        .order_by(col(DayEntry.id))
    ).all()
    return _lines(session, rows)


def batch_lines(session: Session, batch: Batch) -> list[DayLine]:
    """What does the day book say of this batch, in the order it was written?"""
    query = select(DayEntry).where(DayEntry.batch_id == batch.id).order_by(col(DayEntry.id))
    return _lines(session, session.exec(query).all())


def entry_line(session: Session, entry: DayEntry) -> DayLine:
    """How does this one entry read?"""
    (line,) = _lines(session, [entry])
    return line


def taken_back(session: Session, entries: Sequence[int]) -> set[int]:
    """Which of these entries did a later one take back?"""
    query = select(DayEntry.undoes_id).where(col(DayEntry.undoes_id).in_(entries))
    return {key for key in session.exec(query) if key is not None}


def state_of(batch: Batch) -> dict[str, object]:
    """How does the batch stand, as the day book keeps it? Days in ISO 8601."""
    values = {name: getattr(batch, name) for name in STATE}
    return {name: v.isoformat() if isinstance(v, date) else v for name, v in values.items()}


def _lines(session: Session, rows: Sequence[DayEntry]) -> list[DayLine]:
    undone = taken_back(session, [row.id or 0 for row in rows])
    return [
        DayLine(
            entry_id=row.id or 0,
            done_on=row.done_on,
            recorded_at=row.recorded_at,
            action=row.action,
            batch_code=row.batch.code,
            crop=row.batch.crop.name,
            stage=_stage_after(session, row),
            plugs=row.plugs,
            trays=row.trays,
            actor=row.actor,
            line=row.line,
            minutes=row.minutes,
            note=row.note,
            undoes=row.undoes_id,
            undone=row.id in undone,
        )
        for row in rows
    ]


def _stage_after(session: Session, row: DayEntry) -> str:
    after: Any = row.detail.get("after", {})
    state = after.get(str(row.batch_id), {})
    stage = session.get(Stage, state.get("stage_id", 0))
    return stage.kind.value if stage is not None else ""


def _do(
    session: Session,
    action: DayAction,
    batches: Sequence[Batch],
    actor: str,
    said: Said,
    work: Callable[[], T],
    lot: Lot | None = None,
    plugs: int = 0,
    note: str = "",
) -> Booked[T]:
    """Does the work and writes what it changed of these batches; the first is the entry's own."""
    lock_batches(session, batches)
    before = {str(batch.id): state_of(batch) for batch in batches}
    last = session.exec(select(func.max(Movement.id))).one() or 0
    result = work()
    detail: dict[str, object] = {
        "before": before,
        "after": {str(batch.id): state_of(batch) for batch in batches},
        "movements": _movements(session, batches, last),
    }
    entry = _entry(session, action, batches[0], actor, said, detail, plugs, note=note)
    entry.lot_id = lot.id if lot is not None else None
    session.flush()
    return Booked(result, entry)


def _movements(session: Session, batches: Sequence[Batch], after: int) -> list[int]:
    ids = [batch.id for batch in batches]
    query = select(Movement.id).where(col(Movement.batch_id).in_(ids), col(Movement.id) > after)
    return [key for key in session.exec(query.order_by(col(Movement.id))) if key is not None]


def _entry(
    session: Session,
    action: DayAction,
    batch: Batch,
    actor: str,
    said: Said,
    detail: dict[str, object],
    plugs: int = 0,
    trays: int = 0,
    note: str = "",
) -> DayEntry:
    if not actor.strip():
        raise Fault("Day book", "an entry needs an actor", actor, "say who did it")
    if said.minutes is not None and said.minutes < 0:
        raise Fault("Minutes of work", "must be >= 0", said.minutes, "mend the number")
    entry = DayEntry(
        action=action,
        batch_id=batch.id or 0,
        plugs=plugs,
        trays=trays,
        actor=actor,
        done_on=today(session),
        recorded_at=now(session),
        line=said.line,
        minutes=said.minutes,
        note=(said.note or note)[:200],
        detail=detail,
    )
    session.add(entry)
    session.flush()
    return entry
