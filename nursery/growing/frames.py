"""Which trays in the hardening frames will feel frost or heat tonight and tomorrow?

From a fresh forecast of the site's own station, as the air of each frame feels it. Without one
nothing is said here: a person decides (`week.warnings` asks for a forecast).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

from sqlmodel import Session, col, select

from nursery.batch import Batch, with_ways
from nursery.climate import felt
from nursery.crop import AreaKind
from nursery.database import now, site
from nursery.growing.air import area_air
from nursery.growing.hardening import FROST_C
from nursery.growing.shade_layers import kept_changes, layers_now
from nursery.growing_area import GrowingArea
from nursery.promising.holds import read_outlook

HEAT_C = 25.0
"""Trays that feel this or more are shaded (caution from 25 °C, from memory)."""
LOOK_AHEAD_DAYS = 2
"""Today and tomorrow: the lowest temperature of a day falls in the night before it."""


@dataclass(frozen=True, slots=True)
class FrameAlarm:
    """A frame that is going to be too cold (`frost`) or too hot on a day, and what stands in it.

    `felt_c` is the lowest or highest temperature that its trays will feel, °C.
    """

    area: str
    day: date
    frost: bool
    felt_c: float
    trays: int
    batches: tuple[str, ...]


def frame_alarms(session: Session, today: date) -> list[FrameAlarm]:
    """Which frames with trays in them feel frost or heat today or tomorrow? By day, then area."""
    here = site(session)
    if here.station_id is None:
        return []
    shelf = timedelta(hours=here.forecast_shelf_hours)
    known = read_outlook(session, [here.station_id], today, LOOK_AHEAD_DAYS, now(session), shelf)
    areas = [
        area
        for area in session.exec(select(GrowingArea).order_by(col(GrowingArea.name))).all()
        if area.kind is AreaKind.FRAME
    ]
    held = list(standing(session, areas))
    kept = kept_changes(session)
    found = []
    for ahead in range(LOOK_AHEAD_DAYS):
        day = today + timedelta(days=ahead)
        for _, low, high in known.said([here.station_id], day):
            for area, batches in held:
                air = area_air(area, layers_now(area, kept, day))
                coldest, hottest = (float(one) for one in felt(air, low, high))
                trays = sum(batch.trays for batch in batches)
                codes = tuple(sorted(batch.code for batch in batches))
                if coldest <= FROST_C:
                    found.append(FrameAlarm(area.name, day, True, coldest, trays, codes))
                if hottest >= HEAT_C:
                    found.append(FrameAlarm(area.name, day, False, hottest, trays, codes))
    return found


def standing(
    session: Session, areas: list[GrowingArea]
) -> Iterator[tuple[GrowingArea, list[Batch]]]:
    """Which of these frames have batches in them? One on no bench may stand in any."""
    there = select(Batch).where(col(Batch.closed_on).is_(None)).options(*with_ways())
    batches = session.exec(there).all()
    for area in areas:
        here = [
            batch
            for batch in batches
            if (batch.bench.area_id == area.id if batch.bench is not None else _in_frames(batch))
        ]
        if here:
            yield area, here


def _in_frames(batch: Batch) -> bool:
    return batch.stage.area_kind is AreaKind.FRAME and batch.ready_on is None
