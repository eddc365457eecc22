"""Who may change supply and commitments now? Whoever holds these locks, taken in this order."""

from collections.abc import Iterable
from datetime import date

from sqlalchemy.dialects import postgresql, sqlite
from sqlmodel import Session, col, select

from nursery.errors import Fault
from nursery.growing_area import Site
from nursery.order import ShipDay
from nursery.stock import Pool

# A row that this session read before it had the lock may be old: read it again under the lock.
FRESH = {"populate_existing": True}


def lock_site(session: Session) -> None:
    """Who alone may write now what has no row of its own to lock yet? Whoever has the site's.

    Plans, batches that are started, kept rotas, zones, transit: where "is it there already?" is
    asked and then written. Take it before pools and ship days, and before what is decided on is
    read. On SQLite BEGIN IMMEDIATE has seen to it already.
    """
    rows = select(Site).where(Site.id == 1).with_for_update(key_share=True)
    session.exec(rows, execution_options=FRESH).one_or_none()


def lock_pools(session: Session, pool_ids: Iterable[int]) -> list[Pool]:
    """Which pools may this transaction alone change until it ends? In id order, versions raised.

    Every writer of lots, vetoes, counts or promises takes all its pools in one call, before it
    reads what it decides on, and before `lock_ship_days`: one order for everybody, so that nobody
    waits in a ring. On SQLite BEGIN IMMEDIATE has already made the other writers wait.
    Raises Fault for a pool that does not exist.
    """
    wanted = sorted(set(pool_ids))
    if not wanted:
        return []
    rows = select(Pool).where(col(Pool.id).in_(wanted)).order_by(col(Pool.id))
    pools = list(session.exec(rows.with_for_update(), execution_options=FRESH))
    if len(pools) < len(wanted):
        missing = sorted(set(wanted) - {pool.id for pool in pools})
        raise Fault("Pool", "must exist before it is locked", missing, "load its crop first")
    for pool in pools:
        pool.version += 1
    session.flush()
    return pools


def lock_ship_days(session: Session, days: Iterable[date]) -> list[ShipDay]:
    """Whose packing minutes may this transaction alone give away? In date order, versions raised.

    A day without a row gets one, with the site's usual minutes. Take `lock_pools` first.
    """
    wanted = sorted(set(days))
    if not wanted:
        return []
    _make_missing(session, wanted)
    rows = select(ShipDay).where(col(ShipDay.day).in_(wanted)).order_by(col(ShipDay.day))
    locked = list(session.exec(rows.with_for_update(), execution_options=FRESH))
    for row in locked:
        row.version += 1
    session.flush()
    return locked


def _make_missing(session: Session, days: list[date]) -> None:
    dialect = session.get_bind().dialect.name
    insert = sqlite.insert if dialect == "sqlite" else postgresql.insert
    rows = [{"day": day, "minutes": None, "version": 0} for day in days]
    session.connection().execute(insert(ShipDay).on_conflict_do_nothing(), rows)
