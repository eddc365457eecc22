"""How do plugs move, and how many are there? The only writer of Movement and of Lot.plugs.

Every batch has one append-only ledger. A row belongs to the batch's growing plugs (no lot) or to
one of its lots: here, a *part* of the batch. The balance runs over the whole batch; no part and
no batch ever falls below nothing.

A count fixes what a part held at the moment it was made. What happened before that moment is in
it, whenever it is recorded: a late row is written together with a "counted" row that takes its
effect back. What happened after that moment stays on top.

A writer who moves plugs of several batches locks all their pools first (`lock_batches`), so that
pools are always locked in the order of their ids.
"""

from collections.abc import Collection, Iterable
from datetime import date, datetime, timedelta

from sqlalchemy import ColumnElement, func
from sqlmodel import Session, col, select

from nursery.batch import Batch, Count
from nursery.database import now
from nursery.errors import Fault, Refusal, Refused
from nursery.locks import FRESH, lock_pools
from nursery.order import PromiseLine
from nursery.stock import Lot, Moved, Movement, Pool

OUTWARD = frozenset(
    {
        Moved.PICKED,
        Moved.REJECTED,
        Moved.DISCARDED,
        Moved.POTTED_ON,
        Moved.PLANTED_OUT,
        Moved.SOLD_AT_GATE,
    }
)
"""Ways in which plugs only ever leave a batch."""

CLOCK_SLACK = timedelta(minutes=5)
"""How far ahead a counter's own clock may run before its time is refused."""

_TICK = timedelta(microseconds=1)
_MOMENT = timedelta(seconds=1)


def balance(session: Session, batch: Batch) -> int:
    """How many plugs does this batch hold, growing and in lots together?"""
    return _last(session, _id(batch))[1]


def held(session: Session, batch: Batch, lot: Lot | None = None) -> int:
    """How many plugs does this part hold: the lot, or without one the growing plugs?"""
    return _sum(session, _id(batch), lot)


def in_a_count(session: Session, batch: Batch, lot: Lot | None, moment: datetime) -> bool:
    """Does a count of this part already hold what happened at this moment?"""
    return _covering(session, batch, lot, moment, Moved.PICKED) is not None


def lock_batches(session: Session, batches: Iterable[Batch]) -> None:
    """Who may write the ledgers of these batches now? Locks every pool of their crops.

    A batch's growing plugs may still become any grade, so its ledger belongs to all pools of
    its crop. The batch rows are locked as well, for crops that have no pool yet, and read again
    with the lots that this session has read.
    """
    batches = list(batches)
    lock_crops(session, {batch.crop_id for batch in batches})
    ids = sorted(_id(batch) for batch in batches)
    rows = select(Batch).where(col(Batch.id).in_(ids)).order_by(col(Batch.id))
    # A batch or lot that was read before the locks were waited for is read again: it may have been
    # moved, closed or held cold since.
    session.exec(rows.with_for_update(), execution_options=FRESH).all()
    read = [row for row in session.identity_map.values() if isinstance(row, Lot)]
    lots = [lot.id for lot in read if lot.batch_id in ids]
    if lots:
        session.exec(select(Lot).where(col(Lot.id).in_(lots)), execution_options=FRESH).all()


def lock_crops(session: Session, crops: Collection[int]) -> None:
    """Who may write the ledgers of all batches of these crops (ids) now? Locks their pools."""
    pools = session.exec(select(Pool.id).where(col(Pool.crop_id).in_(crops))).all()
    lock_pools(session, [pool for pool in pools if pool is not None])


def move(
    session: Session,
    batch: Batch,
    kind: Moved,
    plugs: int,
    actor: str,
    reason: str,
    happened_at: datetime | None = None,
    lot: Lot | None = None,
    promise_line: PromiseLine | None = None,
    corrects: Movement | None = None,
) -> Movement:
    """Which row does this movement of plugs (in +, out -) write into the batch's ledger?

    Without `lot` the growing plugs move. `happened_at` defaults to now; an earlier moment that
    a count already covers changes no balance (see the module). Returns the movement's row.
    Raises `Refused` ("not_enough_plugs") for what would leave a part below nothing, and `Fault`
    for a sign that the kind cannot have, no actor, a moment to come, or another batch's lot.
    """
    _check_move(batch, kind, plugs, actor, lot, corrects)
    lock_batches(session, [batch])
    moment = _moment(session, batch, lot, happened_at)
    covering = _covering(session, batch, lot, moment, kind) if happened_at is not None else None
    row = Movement(
        batch_id=_id(batch),
        lot_id=lot.id if lot else None,
        sequence=0,
        kind=kind,
        plugs=plugs,
        balance=0,
        actor=actor,
        reason=reason[:200],
        happened_at=moment,
        recorded_at=now(session),
        promise_line_id=promise_line.id if promise_line else None,
        corrects_id=corrects.id if corrects else None,
    )
    if covering is None:
        _refuse_below_nothing(session, batch, lot, kind, plugs)
        return _append(session, row, lot)
    # What enters is written first, so that the balance never dips below nothing in between.
    offset = _offset(row, covering)
    for each in (offset, row) if plugs < 0 else (row, offset):
        _append(session, each, lot)
    return row


def record_count(
    session: Session,
    batch: Batch,
    plugs: int,
    counter: str,
    counted_at: datetime,
    lot: Lot | None = None,
) -> Count:
    """What was counted in this part at this moment, and what does it change in the ledger?

    The difference to what the ledger held at `counted_at` is written, never an overwrite; what
    happened later stays on top. Without `lot` the growing plugs were counted. Returns the count
    with what was `expected`. Raises `Refused` for a count below 0, over the cells of the
    batch's trays, below what has been taken since, or of a lot before it was made.
    """
    thing = _name(batch, lot)
    if plugs < 0:
        raise _refused("count_negative", f"{thing}: a count must be >= 0, got {plugs}")
    _check_move(batch, Moved.COUNTED, plugs, counter, lot, None)
    lock_batches(session, [batch])
    at = now(session)
    _refuse_future(thing, counted_at, at)
    if lot is not None:
        counted_at = _not_before_lot(session, thing, lot, counted_at)
    then = _sum(session, _id(batch), lot, until=counted_at)
    later = _sum(session, _id(batch), lot) - then
    difference = plugs - then
    covering = _covering(session, batch, lot, counted_at, Moved.COUNTED)
    if covering is None:
        _refuse_implausible(session, batch, lot, plugs, later, difference)
    count = Count(
        batch_id=_id(batch),
        lot_id=lot.id if lot else None,
        counted_at=counted_at,
        recorded_at=at,
        counter=counter,
        plugs=plugs,
        expected=then,
    )
    if difference:
        why = f"counted {plugs}, the books had {then}"
        move(session, batch, Moved.COUNTED, difference, counter, why, counted_at, lot)
    session.add(count)
    session.flush()
    return count


def make_lot(
    session: Session,
    batch: Batch,
    pool: Pool,
    plugs: int,
    ready_on: date,
    last_sale_on: date,
    actor: str,
    happened_at: datetime | None = None,
) -> Lot:
    """Which lot do these plugs of the batch become, saleable from `ready_on` to `last_sale_on`?

    Two "regraded" rows: out of the growing plugs, into the lot (an existing lot of the same
    pool and ready day grows). Where more are found than were growing, the growing plugs are
    counted first. Raises `Fault` for a pool of another crop or dates in the wrong order.
    """
    thing = f"Lot of batch '{batch.code}'"
    if pool.crop_id != batch.crop_id:
        raise Fault(thing, "must be in a pool of the batch's own crop", pool.id, "choose another")
    if last_sale_on < ready_on:
        raise Fault(thing, "the last sale date must not come before ready", last_sale_on, "mend it")
    if plugs < 1:
        raise Fault(thing, "must have at least 1 plug", plugs, "count the batch again")
    lock_batches(session, [batch])
    moment = happened_at or now(session)
    if plugs > held(session, batch):
        record_count(session, batch, _then(session, batch, moment, plugs), actor, moment)
    # A lot is set aside after the count that it is made from, even where both carry one moment.
    after = None if happened_at is None else moment + _TICK
    lot = _lot(session, batch, pool, ready_on, last_sale_on)
    reason = f"ready {ready_on}, last sale {last_sale_on}"
    move(session, batch, Moved.REGRADED, -plugs, actor, reason, after)
    move(session, batch, Moved.REGRADED, plugs, actor, reason, after, lot)
    return lot


def correct(session: Session, movement: Movement, actor: str, reason: str) -> Movement:
    """Which new row takes this one back? The old row stays as it is.

    The correction happened when the row says that it happened, so a count made since keeps
    its word. Raises `Refused` where the row was corrected before, or is a pick for a promise
    (`shed.picking.undo_pick` reopens the commitment as well).
    """
    if movement.kind is Moved.PICKED and movement.promise_line_id is not None:
        raise _refused(
            "pick_has_promise", "this pick closed a promise's line", "undo the pick instead"
        )
    return reverse(session, movement, actor, reason)


def reverse(session: Session, movement: Movement, actor: str, reason: str) -> Movement:
    """Which row undoes this one, whatever it was? For services that also undo what hangs on it."""
    if not reason.strip():
        raise Fault("Correction", "needs a reason", reason, "say why the row was wrong")
    earlier = select(Movement.id).where(Movement.corrects_id == movement.id)
    batch, lot = session.get_one(Batch, movement.batch_id), _lot_of(session, movement)
    lock_batches(session, [batch])
    if session.exec(earlier).first() is not None:
        raise _refused(
            "already_corrected", f"row {movement.sequence} of '{batch.code}' was corrected before"
        )
    line = movement.promise_line_id
    return move(
        session,
        batch,
        movement.kind,
        -movement.plugs,
        actor,
        reason,
        movement.happened_at,
        lot,
        session.get_one(PromiseLine, line) if line else None,
        movement,
    )


def _append(session: Session, row: Movement, lot: Lot | None) -> Movement:
    sequence, before = _last(session, row.batch_id)
    row.sequence, row.balance = sequence + 1, before + row.plugs
    session.add(row)
    session.flush()
    if lot is not None:
        lot.plugs = _sum(session, row.batch_id, lot)
        session.add(lot)
        session.flush()
    return row


def _offset(row: Movement, covering: Count) -> Movement:
    return Movement(
        batch_id=row.batch_id,
        lot_id=row.lot_id,
        sequence=0,
        kind=Moved.COUNTED,
        plugs=-row.plugs,
        balance=0,
        actor=row.actor,
        reason=f"already in the count of {covering.counted_at:%Y-%m-%d %H:%M} UTC",
        happened_at=covering.counted_at,
        recorded_at=row.recorded_at,
    )


def _check_move(
    batch: Batch, kind: Moved, plugs: int, actor: str, lot: Lot | None, corrects: Movement | None
) -> None:
    thing = _name(batch, lot)
    if not actor.strip():
        raise Fault(thing, "a movement needs an actor", actor, "say who did it")
    if lot is not None and lot.batch_id != batch.id:
        raise Fault(thing, "the lot must be one of the batch's own", lot.id, "choose its own lot")
    if corrects is None and kind in OUTWARD and plugs >= 0:
        raise Fault(thing, f"'{kind}' takes plugs out, below 0", plugs, "give a number below 0")
    if corrects is None and kind is Moved.FOUND and plugs <= 0:
        raise Fault(thing, "'found' brings plugs in, above 0", plugs, "give a number above 0")


def _moment(
    session: Session, batch: Batch, lot: Lot | None, happened_at: datetime | None
) -> datetime:
    at = now(session)
    if happened_at is not None:
        _refuse_future(_name(batch, lot), happened_at, at)
        return happened_at
    last = select(func.max(Count.counted_at)).where(*_part(Count, _id(batch), lot))
    counted: datetime | None = session.exec(last).one()
    # Now is after every count that is in the books, even one made in this very millisecond.
    return at if counted is None else max(at, counted + _TICK)


def _covering(
    session: Session, batch: Batch, lot: Lot | None, moment: datetime, kind: Moved
) -> Count | None:
    """Which is the first count that already holds what happened at this moment?"""
    since = (
        col(Count.counted_at) > moment if kind is Moved.COUNTED else col(Count.counted_at) >= moment
    )
    query = select(Count).where(*_part(Count, _id(batch), lot), since)
    query = query.where(col(Count.withdrawn_at).is_(None))
    return session.exec(query.order_by(col(Count.counted_at), col(Count.id).desc())).first()


def _refuse_below_nothing(
    session: Session, batch: Batch, lot: Lot | None, kind: Moved, plugs: int
) -> None:
    have = held(session, batch, lot)
    if have + plugs < 0:
        raise _refused(
            "not_enough_plugs",
            f"{_name(batch, lot)} has {have} plugs in the books, {-plugs} cannot be {kind}",
            "count it again, or record what was found",
        )


def _refuse_implausible(
    session: Session, batch: Batch, lot: Lot | None, plugs: int, later: int, difference: int
) -> None:
    thing = _name(batch, lot)
    if plugs + later < 0:
        raise _refused(
            "count_too_low", f"{thing}: counted {plugs}, but {-later} have been taken since"
        )
    cells = batch.trays * batch.tray_format.cells
    total = balance(session, batch) + difference
    if difference > 0 and total > cells:
        raise _refused(
            "count_over_capacity",
            f"{thing}: counted {plugs}, which makes {total} plugs in the batch's {batch.trays}"
            f" trays of {batch.tray_format.cells} cells ({cells} at most)",
        )


def _refused(code: str, message: str, next: str = "count it again") -> Refused:
    return Refused(Refusal(code, message, "plugs", next))


def _refuse_future(thing: str, moment: datetime, at: datetime) -> None:
    if moment.tzinfo is None:
        raise Fault(thing, "a moment must carry a time zone", moment, "add the zone's offset")
    if moment > at + CLOCK_SLACK:
        raise Fault(thing, "must not have happened after now", moment, "correct date and time")


def _lot(session: Session, batch: Batch, pool: Pool, ready_on: date, last_sale_on: date) -> Lot:
    query = select(Lot).where(
        Lot.batch_id == batch.id, Lot.pool_id == pool.id, Lot.ready_on == ready_on
    )
    lot = session.exec(query).first()
    if lot is None:
        lot = Lot(
            batch_id=_id(batch), pool_id=pool.id or 0, ready_on=ready_on, last_sale_on=last_sale_on
        )
        session.add(lot)
        session.flush()
    elif lot.last_sale_on != last_sale_on:
        raise Fault(
            f"Lot {ready_on} of batch '{batch.code}'",
            f"has last sale date {lot.last_sale_on} already",
            last_sale_on,
            "use its date, or another ready day",
        )
    return lot


def _lot_of(session: Session, movement: Movement) -> Lot | None:
    return None if movement.lot_id is None else session.get_one(Lot, movement.lot_id)


def _then(session: Session, batch: Batch, moment: datetime, wanted: int) -> int:
    """How many must have been growing at this moment for `wanted` to be growing now?"""
    later = held(session, batch) - _sum(session, _id(batch), None, until=moment)
    return wanted - min(later, 0)


def _not_before_lot(session: Session, thing: str, lot: Lot, counted_at: datetime) -> datetime:
    """The count's moment; a lot made at that very moment was made before it was counted."""
    first = select(func.min(Movement.happened_at)).where(Movement.lot_id == lot.id)
    made_at: datetime | None = session.exec(first).one()
    if made_at is None or counted_at >= made_at:
        return counted_at
    if made_at - counted_at > _MOMENT:
        when = f"{counted_at:%Y-%m-%d %H:%M} UTC"
        raise _refused("count_before_lot", f"{thing}: it was not yet a lot at {when}")
    return made_at


def _last(session: Session, batch_id: int) -> tuple[int, int]:
    """The batch's last sequence and balance; (0, 0) for a batch whose ledger is empty."""
    row = session.exec(
        select(Movement.sequence, Movement.balance)
        .where(Movement.batch_id == batch_id)
        .order_by(col(Movement.sequence).desc())
        .limit(1)
    ).first()
    return (0, 0) if row is None else (row[0], row[1])


def _sum(session: Session, batch_id: int, lot: Lot | None, until: datetime | None = None) -> int:
    query = select(func.sum(Movement.plugs)).where(*_part(Movement, batch_id, lot))
    if until is not None:
        query = query.where(col(Movement.happened_at) <= until)
    return int(session.exec(query).one() or 0)


def _part(
    rows: type[Movement] | type[Count], batch_id: int, lot: Lot | None
) -> tuple[ColumnElement[bool], ColumnElement[bool]]:
    """Which of these rows belong to this part of the batch?"""
    return col(rows.batch_id) == batch_id, col(rows.lot_id) == (lot.id if lot else None)


def _id(batch: Batch) -> int:
    if batch.id is None:
        raise Fault(f"Batch '{batch.code}'", "must be stored first", None, "flush the session")
    return batch.id


def _name(batch: Batch, lot: Lot | None) -> str:
    name = f"Batch '{batch.code}'"
    return name if lot is None else f"{name}, lot ready {lot.ready_on}"
