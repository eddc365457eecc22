"""Which reservations have run out on what is about to be sold? They are written down as lapsed.

A reservation that ran out counts for nothing, written down or not. But the clock of the database's
machine may be set back, and then one that nobody has written down would hold again. So whoever may
sell on its plugs or its minutes writes that it lapsed, in the same transaction and under the same
locks: one lock of the reservation's pools, or that of its ship day, keeps everybody else off it.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime

from sqlalchemy import union, update
from sqlmodel import Session, col, select

from nursery.order import EventKind, Promise, PromiseLine, State
from nursery.promising.bulk_rows import Event, table, write_events


def write_lapsed(
    session: Session, pool_ids: Iterable[int], days: Iterable[date], at: datetime
) -> list[int]:
    """Which reservations on these pools and ship days ran out before `at`? Now written: their ids.

    To be called under the locks of the pools and days, once it has been read what they have left.
    """
    out = (col(Promise.state) == State.RESERVED, col(Promise.reserved_until) < at)
    on_pools = (
        select(col(Promise.id))
        .join(PromiseLine, col(PromiseLine.promise_id) == col(Promise.id))
        .where(col(PromiseLine.pool_id).in_(sorted(set(pool_ids))), *out)
    )
    on_days = select(col(Promise.id)).where(col(Promise.ship_on).in_(sorted(set(days))), *out)
    session.flush()
    connection = session.connection()
    ids = sorted(key for (key,) in connection.execute(union(on_pools, on_days)) if key)
    if not ids:
        return []
    promises = table("promise")
    connection.execute(update(promises).where(promises.c.id.in_(ids)).values(state=State.LAPSED))
    write_events(session, [Event(key, EventKind.LAPSED, "clock", {}) for key in ids], at)
    for row in list(session.identity_map.values()):
        if isinstance(row, Promise) and row.id in ids:
            session.refresh(row, ["state"])
    return ids
