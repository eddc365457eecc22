"""How many heat and cold packs do the parcels that are promised take, week by week?

Parcels within a forecast are judged by it, the later ones by the climate; those that nobody has
promised yet take none here, since nobody knows where they will go.
"""

from __future__ import annotations

from sqlmodel import Session, col, select

from nursery.order import State
from nursery.shed.packing import packings
from nursery.shed.wanted import whole_on
from nursery.travelling import TravelPack
from nursery.weeks import Horizon


def packs_used(session: Session, horizon: Horizon) -> list[tuple[TravelPack, list[float]]]:
    """Which packs are there, and how many of each go in, in the week in which they are packed?"""
    rows = session.exec(select(TravelPack).order_by(col(TravelPack.name))).all()
    used = {row.name: [0.0] * horizon.weeks for row in rows}
    if rows:
        _add(session, horizon, used)
    return [(row, used[row.name]) for row in rows]


def _add(session: Session, horizon: Horizon, used: dict[str, list[float]]) -> None:
    last = horizon.week(horizon.weeks - 1).monday().toordinal() + 6
    first = horizon.start.monday()
    wanted = whole_on(session, first, first.fromordinal(last), (State.CONFIRMED,))
    pack_on = {each.promise.id or 0: each.promise.pack_on for each in wanted}
    for promise, packing in packings(session, wanted).items():
        week = max(0, horizon.index(pack_on[promise]))
        for pack in packing.packs.packs:
            used[pack.name][week] += packing.packs.boxes
