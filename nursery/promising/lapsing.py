"""Which reservations have run out on what is about to be sold? They are written down as lapsed.

A reservation that ran out counts for nothing, written down or not. But the clock of the database's
machine may be set back, and then one that nobody has written down would hold again. So whoever may
sell on its plugs or its minutes writes that it lapsed, in the same transaction and under the same
locks: one lock of the reservation's pools, or that of its ship day, keeps everybody else off it.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime

from sqlalchemy import select as sql_select
from sqlalchemy import union, update
from sqlmodel import Session, col, select

from nursery.order import EventKind, Promise, PromiseLine, State
from nursery.promising.bulk_rows import Event, table, write_events


def write_lapsed(
    session: Session,
    pool_ids: Iterable[int],
    days: Iterable[date],
    at: datetime,
    order_id: int = 0,
) -> list[int]:
    """Which reservations on these pools, ship days or order ran out before `at`? Now written.

    To be called under the locks of the pools and days, once it has been read what they have left.
    Returns the ids of the promises.
    """
    out = (col(Promise.state) == State.RESERVED, col(Promise.reserved_until) < at)
    on_pools = (
        select(col(Promise.id))
        .join(PromiseLine, col(PromiseLine.promise_id) == col(Promise.id))
        .where(col(PromiseLine.pool_id).in_(sorted(set(pool_ids))), *out)
    )
    on_days = select(col(Promise.id)).where(col(Promise.ship_on).in_(sorted(set(days))), *out)
    of_order = select(col(Promise.id)).where(col(Promise.order_id) == order_id, *out)
    session.flush()
    found = session.connection().execute(union(on_pools, on_days, of_order)).scalars().all()
    return _write(session, sorted(key for key in found if key), at) if found else []


def _write(session: Session, ids: list[int], at: datetime) -> list[int]:
    promises = table("promise")
    # Of an order no lock is held: what was confirmed just now stays confirmed.
    still = (promises.c.state == State.RESERVED, promises.c.reserved_until < at)
    # In order: others, with other pools of the same promises, may be writing it down as well.
    rows = sql_select(promises.c.id).where(promises.c.id.in_(ids), *still)
    locked = rows.order_by(promises.c.id).with_for_update()
    written = list(session.connection().execute(locked).scalars())
    lapses = update(promises).where(promises.c.id.in_(written)).values(state=State.LAPSED)
    session.connection().execute(lapses)
    write_events(session, [Event(key, EventKind.LAPSED, "clock", {}) for key in written], at)
    for row in list(session.identity_map.values()):
        if isinstance(row, Promise) and row.id in written:
            session.refresh(row, ["state"])
    return written
