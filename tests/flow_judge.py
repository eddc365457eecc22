"""Can all promises in the books be kept? Judged apart from the code under test."""

from ortools.graph.python import max_flow
from sqlalchemy import text
from sqlmodel import Session

from nursery.database import now, today


def oversold(session: Session) -> int:
    """How many promised plugs can no assignment of lots to ship days serve, in all pools?

    Judged apart from the code under test: plain SQL, and a maximum flow of OR-Tools from lots to
    ship days. For a site with no allowance and no growing batches.
    """
    pools = session.connection().execute(text("SELECT id FROM pool")).scalars().all()
    return sum(_missing(session, pool) for pool in pools)


def _missing(session: Session, pool: int) -> int:
    lots = session.connection().execute(
        text(
            "SELECT lot.ready_on, lot.last_sale_on, lot.plugs FROM lot JOIN batch"
            " ON batch.id = lot.batch_id WHERE lot.pool_id = :pool AND batch.quarantine = 'clear'"
            " AND batch.closed_on IS NULL AND lot.last_sale_on >= :today AND NOT EXISTS"
            " (SELECT 1 FROM veto WHERE veto.batch_id = batch.id AND veto.signed_off_at IS NULL)"
        ),
        {"pool": pool, "today": today(session).isoformat()},
    )
    asked = session.connection().execute(
        text(
            "SELECT promise.ship_on, SUM(line.plugs - line.picked) FROM promise_line AS line"
            " JOIN promise ON promise.id = line.promise_id WHERE line.pool_id = :pool AND"
            " (promise.state = 'confirmed' OR"
            "  (promise.state = 'reserved' AND promise.reserved_until >= :now))"
            " GROUP BY promise.ship_on"
        ),
        {"pool": pool, "now": f"{now(session):%Y-%m-%d %H:%M:%S.%f}"},
    )
    return unserved(lots.all(), asked.all())


def unserved(lots: list, asked: list) -> int:  # type: ignore[type-arg]
    """How many of the plugs asked for (day, plugs) can these lots (first, last, plugs) not give?"""
    flow = max_flow.SimpleMaxFlow()
    for i, (first, last, plugs) in enumerate(lots):
        flow.add_arc_with_capacity(0, 2 + i, plugs)
        for j, (day, _) in enumerate(asked):
            if first <= day <= last:
                flow.add_arc_with_capacity(2 + i, 2 + len(lots) + j, plugs)
    for j, (_, plugs) in enumerate(asked):
        flow.add_arc_with_capacity(2 + len(lots) + j, 1, plugs)
    wanted = sum(plugs for _, plugs in asked)
    if not lots or not asked:
        return wanted
    flow.solve(0, 1)
    return wanted - flow.optimal_flow()
