"""How many heat and cold packs do the parcels that are promised take, week by week?

Parcels within a forecast are judged by it, the later ones by the climate; those that nobody has
promised yet take none here, since nobody knows where they will go.
"""

from __future__ import annotations

from sqlmodel import Session, col, select

from nursery.shed.boxes import Boxes
from nursery.shed.journey import Journeys
from nursery.shed.parcel_packs import PackChoice
from nursery.shed.wanted import parcels, wanted_on
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
    grouped = parcels(wanted_on(session, first, first.fromordinal(last)))
    choice, boxes = PackChoice(session, grouped, Journeys(session)), Boxes(session)
    for lines in grouped:
        found = choice.of(lines)
        if not found.packs:
            continue
        wanted = [(each.product, each.line.quantity) for each in lines]
        way = (lines[0].promise.service_id, lines[0].order.zone_id)
        many = max(1, len(boxes.of(wanted, found.each_g, way=way)))
        week = max(0, horizon.index(lines[0].promise.pack_on))
        for pack in found.packs:
            used[pack.name][week] += many
