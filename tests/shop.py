"""What a shop needs for its tests: a nursery in mild weather, baskets, and a judge of promises."""

from datetime import date, timedelta

from ortools.graph.python import max_flow
from sqlalchemy import text
from sqlmodel import Session, select

from nursery.basket import Basket, BasketLine, Destination
from nursery.database import now, today
from nursery.growing_area import Site
from nursery.weather import MonthNormal
from tests.builders import crop_named, ready_lot, small_nursery

HERE = Destination("NL", "1011 AB")
THERE = Destination("DE", "50667")
MONDAY = date(2027, 3, 1)


def mild_nursery(session: Session, at: date = MONDAY, hour: int = 8, plugs: int = 100) -> Site:
    """The small nursery where no day is ever too hot or too cold, with one lot of Caltha."""
    site = small_nursery(session, at, hour)
    site.allowance = 0.0
    for month in session.exec(select(MonthNormal)):
        month.min_c, month.max_c, month.min_sd_c, month.max_sd_c = 8.0, 16.0, 0.5, 0.5
    if plugs:
        caltha = crop_named(session, "Caltha palustris")
        ready_lot(session, caltha, plugs, at, at + timedelta(days=120))
    session.flush()
    return site


def caltha(quantity: int) -> Basket:
    """So many times six plugs of Caltha."""
    return Basket((BasketLine("CP-6", quantity),))


def both(quantity: int = 1) -> Basket:
    """Caltha and Primula together."""
    return Basket((BasketLine("CP-6", quantity), BasketLine("PRG-6", quantity)))


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
