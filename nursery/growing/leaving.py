"""How do plugs leave the benches other than to customers by post, and how do they change grade?

All through the ledger: planted out into the nursery's own beds (or mother blocks), sold at the
gate, potted on, graded down or up. A batch that has nothing left is closed.
"""

from __future__ import annotations

from sqlmodel import Session, select

from nursery.batch import Batch
from nursery.database import today
from nursery.errors import Refusal, Refused
from nursery.growing.batch_checks import check_reason
from nursery.growing.recording import all_gone
from nursery.pools import find_pool, pool_of
from nursery.shed.ledger import balance, lock_batches, move
from nursery.stock import Grade, Lot, Moved, Movement


def plant_out(
    session: Session, batch: Batch, plugs: int, actor: str, where: str, lot: Lot | None = None
) -> Movement:
    """Which row of the ledger says that these plugs were planted out, and `where`?

    Of the growing plugs, or of one lot. They meet this week's demand for planting out or mother
    renewal. Raises `Refused` ("no_plugs", "no_reason", "not_enough_plugs").
    """
    check_reason(where, f"Planting out plugs of batch '{batch.code}'", "where")
    return leave(session, batch, Moved.PLANTED_OUT, plugs, actor, f"planted out: {where}", lot)


def pot_on(
    session: Session, batch: Batch, plugs: int, actor: str, reason: str, lot: Lot | None = None
) -> Movement:
    """Which row of the ledger says that these plugs went into pots? Raises as `plant_out`."""
    return leave(session, batch, Moved.POTTED_ON, plugs, actor, reason, lot)


def sell_at_gate(session: Session, lot: Lot, plugs: int, actor: str, reason: str = "") -> Movement:
    """Which row of the ledger says that these plugs of a lot were sold at the gate?

    Raises as `plant_out`, and `Refused` ("past_last_sale") for a lot that may not be sold any more.
    Plugs that are promised may be sold from under a promise: ask `promising.supply.deficits` next.
    """
    if lot.last_sale_on < today(session):
        raise _refused("past_last_sale", f"This lot was for sale until {lot.last_sale_on}")
    why = reason or "sold at the gate"
    return leave(session, lot.batch, Moved.SOLD_AT_GATE, plugs, actor, why, lot)


def regrade(session: Session, lot: Lot, plugs: int, grade: Grade, actor: str, reason: str) -> Lot:
    """Which lot do these plugs of a lot belong to, now that they are of another grade?

    Two "regraded" rows in the batch's ledger; the other lot keeps ready day and last sale date.
    Raises `Refused`: "no_plugs", "same_grade", "no_pool", "not_enough_plugs".
    """
    if plugs < 1:
        raise _refused("no_plugs", f"At least 1 plug must be regraded, got {plugs}")
    if lot.pool.grade is grade:
        raise _refused("same_grade", f"These plugs are of grade {grade} already")
    lock_batches(session, [lot.batch])
    own = find_pool(session, lot.pool.crop_id, grade)
    if own is None:
        raise _refused("no_pool", f"{lot.batch.crop.name} has no product of grade {grade}")
    bought_in = lot.pool.bought_in
    pool = pool_of(session, own.crop_id, grade, bought_in) if bought_in else own
    query = select(Lot).where(
        Lot.batch_id == lot.batch_id, Lot.pool_id == pool.id, Lot.ready_on == lot.ready_on
    )
    other = session.exec(query).first()
    if other is None:
        other = Lot(
            batch_id=lot.batch_id,
            pool_id=pool.id or 0,
            ready_on=lot.ready_on,
            last_sale_on=lot.last_sale_on,
        )
        session.add(other)
        session.flush()
    move(session, lot.batch, Moved.REGRADED, -plugs, actor, reason, lot=lot)
    move(session, lot.batch, Moved.REGRADED, plugs, actor, reason, lot=other)
    return other


def leave(
    session: Session,
    batch: Batch,
    kind: Moved,
    plugs: int,
    actor: str,
    reason: str,
    lot: Lot | None = None,
) -> Movement:
    """Which row of the ledger says that these plugs left the batch in this way?"""
    if plugs < 1:
        raise _refused("no_plugs", f"At least 1 plug must be {kind}, got {plugs}")
    row = move(session, batch, kind, -plugs, actor, reason, lot=lot)
    if balance(session, batch) == 0:
        batch.closed_on = today(session)
        session.add(batch)
        session.flush()
    all_gone(session, batch)
    return row


_NEXT = {
    "no_plugs": ("plugs", "give the number of plugs"),
    "same_grade": ("grade", "name the other grade"),
    "no_pool": ("grade", "add a product of this crop and grade to Products"),
    "past_last_sale": ("lot", "pot them on or discard them"),
}


def _refused(code: str, message: str) -> Refused:
    return Refused(Refusal(code, message, *_NEXT[code]))
