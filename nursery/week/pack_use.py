"""How many heat and cold packs do the parcels that are promised take, week by week?

Parcels within a forecast are judged by it, the later ones by the climate; those that nobody has
promised yet take none here, since nobody knows where they will go.
"""

from __future__ import annotations

from collections.abc import Mapping

from sqlmodel import Session, col, select

from nursery.order import Promise, State
from nursery.shed.packing import Packing
from nursery.travelling import TravelPack
from nursery.weeks import Horizon


def packs_used(
    session: Session, horizon: Horizon, packed: Mapping[int, Packing]
) -> list[tuple[TravelPack, list[float]]]:
    """Which packs are there, and how many of each go in, in the week in which they are packed?

    `packed` says how parcels travel, by promise id, as `week.posted` has worked it out.
    """
    rows = session.exec(select(TravelPack).order_by(col(TravelPack.name))).all()
    used = {row.name: [0.0] * horizon.weeks for row in rows}
    last = horizon.week(horizon.weeks - 1).sunday()
    confirmed = select(col(Promise.id), col(Promise.pack_on)).where(
        Promise.state == State.CONFIRMED,
        col(Promise.ship_on).between(horizon.start.monday(), last),
    )
    for promise, pack_on in session.exec(confirmed) if rows else ():
        packing = packed.get(promise or 0)
        if packing is not None:
            week = max(0, horizon.index(pack_on))
            for pack in packing.packs.packs:
                used[pack.name][week] += packing.packs.boxes
    return [(row, used[row.name]) for row in rows]
