"""Which plants are watered in the evening, because they are packed the next day?

Plugs are watered the evening before they are packed and drain overnight: damp, never dripping, so
that the wrap holds what it should (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from sqlalchemy import func
from sqlalchemy.orm import joinedload
from sqlmodel import Session, col, select

from nursery.batch import Batch
from nursery.database import today
from nursery.order import Promise, State
from nursery.shed.pick_sheet import pick_sheet
from nursery.stock import Lot
from nursery.week.materials import cell_cm3

SHARE = 0.3
"""Of a cell's volume is taken up by a plug that is watered until it drains (an estimate)."""


@dataclass(frozen=True, slots=True)
class Watering:
    """One stop of the watering round: what will be picked there, in walking order.

    `litres` is about what its plugs take up (`SHARE` of their cells).
    """

    area: str
    bench: str
    batch_code: str
    crop: str
    plugs: int
    litres: float


@dataclass(frozen=True, slots=True)
class BenchWatering:
    """What is watered on one bench, of how many batches."""

    area: str
    bench: str
    batches: int
    plugs: int
    litres: float


@dataclass(frozen=True)
class WateringList:
    """What is watered in the evening of `water_on` for the pack day after it.

    `pack_on` is None where nothing is promised. `missing` are plugs that no lot in the books gives.
    """

    pack_on: date | None
    water_on: date | None
    stops: tuple[Watering, ...]
    missing: int

    @property
    def plugs(self) -> int:
        """How many plugs are watered in all?"""
        return sum(stop.plugs for stop in self.stops)

    @property
    def benches(self) -> tuple[BenchWatering, ...]:
        """How much is watered on each bench, in walking order?"""
        found = []
        for bench in dict.fromkeys((stop.area, stop.bench) for stop in self.stops):
            here = [stop for stop in self.stops if (stop.area, stop.bench) == bench]
            plugs, litres = sum(s.plugs for s in here), sum(s.litres for s in here)
            found.append(BenchWatering(*bench, len(here), plugs, round(litres, 1)))
        return tuple(found)


def watering_list(session: Session, pack_on: date | None = None) -> WateringList:
    """Which benches and batches get water the evening before this pack day? Reads only.

    Without a day: the next pack day after today of a confirmed promise. What is picked there
    follows from the pick sheets of the ship days that are packed then.
    """
    day = pack_on or _next_pack_day(session)
    if day is None:
        return WateringList(None, None, (), 0)
    ship_days = session.exec(
        select(col(Promise.ship_on))
        .where(Promise.pack_on == day, Promise.state == State.CONFIRMED)
        .distinct()
    ).all()
    stops: dict[tuple[str, str, str, str], int] = {}
    lots: dict[str, int] = {}
    missing = 0
    for ship_day in sorted(ship_days):
        sheet = pick_sheet(session, ship_day)
        here = {slip.order_reference for slip in sheet.slips if slip.pack_on == day}
        for pick in sheet.picks:
            plugs = sum(part.plugs for part in pick.parts if part.order_reference in here)
            key = (pick.area, pick.bench, pick.batch_code, pick.crop)
            if plugs:
                stops[key] = stops.get(key, 0) + plugs
                lots[pick.batch_code] = pick.lot_id
        missing += sum(line.plugs for line in sheet.missing if line.order_reference in here)
    of_lots = session.exec(
        select(Lot)
        .where(col(Lot.id).in_(lots.values()))
        .options(joinedload(Lot.batch).joinedload(Batch.tray_format))  # type: ignore[arg-type]
    )
    a_plug = {lot.batch.code: _litres(lot.batch) for lot in of_lots}
    return WateringList(
        pack_on=day,
        water_on=day - timedelta(days=1),
        stops=tuple(
            Watering(*key, plugs, round(plugs * a_plug[key[2]], 1)) for key, plugs in stops.items()
        ),
        missing=missing,
    )


def _litres(batch: Batch) -> float:
    """How much water does one plug of this batch take up?"""
    return SHARE * cell_cm3(batch.tray_format.cells) / 1000


def _next_pack_day(session: Session) -> date | None:
    query = select(func.min(Promise.pack_on)).where(
        Promise.state == State.CONFIRMED, col(Promise.pack_on) > today(session)
    )
    return session.exec(query).one()
