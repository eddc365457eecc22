"""How is an entry of the day book taken back? By a new one; what was written stays.

The ledger's rows are corrected by new rows, and the batch stands again as it did before, unless
something later built on it: then that is taken back first. A count is withdrawn together with what
it changed, and a decision to hold plugs cold together with the days it gave them. A veto ends by a
signature alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from sqlmodel import Session, col, select

from nursery.batch import Batch, Count
from nursery.database import now, today
from nursery.day_entry import DayAction, DayEntry
from nursery.errors import Fault, Refusal, Refused
from nursery.growing.cold import withdraw
from nursery.growing.recording import stands_again
from nursery.planned import PlannedStart
from nursery.shed.ledger import balance, lock_batches, reverse
from nursery.shed.veto import set_veto
from nursery.stock import ColdHold, Lot, Moved, Movement, Veto
from nursery.week.day_book import STATE, state_of, taken_back

_DAYS = frozenset({"stage_entered_on", "ready_on", "closed_on"})


def undo(session: Session, entry_id: int, actor: str, reason: str) -> DayEntry:
    """Which new entry takes this one back?

    Raises `Refused`: "unknown_entry", "undone_already", "is_an_undo" (do it again instead),
    "changed_since" (a later entry stands on it), "sign_it_off" (a veto), "count_again" (rows that
    came late were set against the count), and what the ledger refuses where plugs have gone
    meanwhile ("not_enough_plugs"). `Fault` without a reason or a name.
    """
    for what, given in (("who takes it back", actor), ("a reason", reason)):
        if not given.strip():
            raise Fault(f"Undoing entry {entry_id}", f"needs {what}", given, "give it")
    entry = _entry(session, entry_id)
    batches = _batches(session, entry)
    lock_batches(session, batches.values())
    _refuse_over(session, entry)
    if entry.action is DayAction.VETO_SET:
        raise _refused(
            "sign_it_off",
            f"Entry {entry_id} set a veto: it ends only when an authorised person signs it off",
            "sign the veto off, saying that it was set by mistake",
        )
    before = {str(key): state_of(batch) for key, batch in batches.items()}
    detail: dict[str, object] = {"undoes": entry.action.value}
    if entry.action is DayAction.COUNTED:
        detail["movements"] = _count_back(session, entry, actor, reason)
    elif entry.action is DayAction.VETO_SIGNED_OFF:
        detail["veto"] = _veto_again(session, entry, actor, reason)
    else:
        _refuse_changed(entry, batches)
        if entry.action is DayAction.HELD_COLD:
            withdraw(session, session.get_one(ColdHold, entry.detail["cold_hold"]))
        detail["movements"] = _take_back(session, entry, actor, reason)
        _put_back(session, entry, batches)
        _note(session, entry, batches)
    return _written(session, entry, actor, reason, {**detail, "before": before}, batches)


def last_entry(session: Session, actor: str) -> DayEntry:
    """Which entry did this person write last, of those that still stand?

    Raises `Refused` ("unknown_entry") where there is none.
    """
    query = select(DayEntry).where(DayEntry.actor == actor, col(DayEntry.undoes_id).is_(None))
    rows = session.exec(query.order_by(col(DayEntry.id).desc()).limit(50)).all()
    gone = taken_back(session, [row.id or 0 for row in rows])
    for row in rows:
        if row.id not in gone:
            return row
    raise _refused(
        "unknown_entry",
        f"{actor} has written nothing into the day book that still stands",
        "name the entry, or the person who wrote it (--by)",
    )


def _entry(session: Session, entry_id: int) -> DayEntry:
    entry = session.get(DayEntry, entry_id)
    if entry is None:
        raise _refused("unknown_entry", f"The day book has no entry {entry_id}", "look it up")
    if entry.undoes_id is not None:
        raise _refused(
            "is_an_undo",
            f"Entry {entry_id} takes back entry {entry.undoes_id}",
            "do the work again as a new entry",
        )
    return entry


def _refuse_over(session: Session, entry: DayEntry) -> None:
    if taken_back(session, [entry.id or 0]):
        raise _refused(
            "undone_already", f"Entry {entry.id} was taken back before", "nothing is left to do"
        )


def _batches(session: Session, entry: DayEntry) -> dict[int, Batch]:
    after: Any = entry.detail.get("after", {})
    keys = {entry.batch_id, *(int(key) for key in after)}
    return {key: session.get_one(Batch, key) for key in sorted(keys)}


def _changes(entry: DayEntry, key: int) -> Mapping[str, tuple[Any, Any]]:
    """What the entry changed of this batch: before and after, by field."""
    was: Any = entry.detail.get("before", {})
    then: Any = entry.detail.get("after", {})
    before, after = was.get(str(key)), then.get(str(key))
    if before is None or after is None:
        return {}
    return {name: (before[name], after[name]) for name in STATE if before[name] != after[name]}


def _refuse_changed(entry: DayEntry, batches: Mapping[int, Batch]) -> None:
    for key, batch in batches.items():
        stands = state_of(batch)
        then: Any = entry.detail.get("after", {})
        if entry.action is DayAction.STARTED and stands != then[str(key)]:
            raise _changed(entry, batch)
        for name, (_, after) in _changes(entry, key).items():
            if stands[name] != after:
                raise _changed(entry, batch)


def _changed(entry: DayEntry, batch: Batch) -> Refused:
    return _refused(
        "changed_since",
        f"Batch '{batch.code}' has changed since entry {entry.id} ({entry.action.value}): it is in "
        f"the stage '{batch.stage.kind.value}' with {batch.trays} trays now",
        "take the later entries of the batch back first",
    )


def _take_back(session: Session, entry: DayEntry, actor: str, reason: str) -> list[int]:
    """Corrects the entry's rows of the ledger, the last one first; what enters goes first."""
    keys: Any = entry.detail.get("movements", [])
    rows = [session.get_one(Movement, int(key)) for key in keys]
    if entry.action is DayAction.STARTED:
        batch = session.get_one(Batch, entry.batch_id)
        if balance(session, batch) != sum(row.plugs for row in rows):
            raise _changed(entry, batch)
    return [reverse(session, row, actor, reason).id or 0 for row in reversed(rows)]


def _put_back(session: Session, entry: DayEntry, batches: Mapping[int, Batch]) -> None:
    if entry.action is DayAction.STARTED:
        _never_started(session, entry, batches[entry.batch_id])
        return
    for key, batch in batches.items():
        for name, (before, _) in _changes(entry, key).items():
            is_day = name in _DAYS and isinstance(before, str)
            setattr(batch, name, date.fromisoformat(before) if is_day else before)
        session.add(batch)
    session.flush()
    for batch in batches.values():
        session.refresh(batch)


def _note(session: Session, entry: DayEntry, batches: Mapping[int, Batch]) -> None:
    """What is learned from must not hold what never was."""
    started = entry.action is DayAction.STARTED
    for key, batch in batches.items():
        moved = _changes(entry, key).get("stage_id")
        never_in = batch.stage_id if started else moved[1] if moved is not None else None
        stands_again(session, batch, never_in)


def _never_started(session: Session, entry: DayEntry, batch: Batch) -> None:
    """The batch stays as a closed one without trays; its planned start is open again."""
    batch.closed_on, batch.trays, batch.bench_id = today(session), 0, None
    planned = session.get(PlannedStart, entry.detail.get("planned") or 0)
    if planned is not None:
        planned.batch_id = None
        session.add(planned)
    session.add(batch)
    session.flush()


def _count_back(session: Session, entry: DayEntry, actor: str, reason: str) -> list[int]:
    """Withdraws the count, and what it changed in the ledger with it."""
    made = session.get_one(Count, entry.detail["count"])
    keys: Any = entry.detail.get("movements", [])
    others = select(Movement.id).where(
        Movement.batch_id == made.batch_id,
        col(Movement.lot_id) == made.lot_id,
        Movement.kind == Moved.COUNTED,
        Movement.happened_at == made.counted_at,
        col(Movement.id).not_in(keys),
    )
    if session.exec(others).first() is not None:
        raise _refused(
            "count_again",
            f"Rows that came late were set against the count of entry {entry.id}",
            "count it again: the new count puts the books right",
        )
    made.withdrawn_at = now(session)
    session.add(made)
    session.flush()
    rows = [session.get_one(Movement, int(key)) for key in keys]
    return [reverse(session, row, actor, reason).id or 0 for row in reversed(rows)]


def _veto_again(session: Session, entry: DayEntry, actor: str, reason: str) -> int:
    """The same veto as a new one: what was signed off stays signed off."""
    was = session.get_one(Veto, entry.detail["veto"])
    lot = session.get_one(Lot, was.lot_id) if was.lot_id is not None else None
    why = f"{was.reason}; the sign-off was taken back: {reason}"
    end = was.earliest_end if was.earliest_end and was.earliest_end >= today(session) else None
    return set_veto(session, was.batch, was.kind, why, actor, end, lot).id or 0


def _written(
    session: Session,
    entry: DayEntry,
    actor: str,
    reason: str,
    detail: dict[str, object],
    batches: Mapping[int, Batch],
) -> DayEntry:
    back = DayEntry(
        action=entry.action,
        batch_id=entry.batch_id,
        lot_id=entry.lot_id,
        plugs=entry.plugs,
        trays=entry.trays,
        actor=actor,
        done_on=today(session),
        recorded_at=now(session),
        line=entry.line,
        note=reason[:200],
        detail={**detail, "after": {str(key): state_of(each) for key, each in batches.items()}},
        undoes_id=entry.id,
    )
    session.add(back)
    session.flush()
    return back


def _refused(code: str, message: str, next: str) -> Refused:
    return Refused(Refusal(code, message, "entry", next))
