"""Which plugs will starts that are only planned give? For pre-orders, where the lead allows them.

A planned start is no batch: its plugs may be promised only if the site says so
(`promise_planned_starts`), from the same safe dates and in the same safe quantities as those of a
growing batch. Once it is made, its batch takes its place.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import date

import numpy as np
from sqlmodel import Session, col, select

from nursery.clocks import NEVER, quantile_days
from nursery.database import site
from nursery.growing.air import Air, air_of
from nursery.growing.growth import growing_stages, last_sale_day, parts, walk_stages
from nursery.growing.sowing import seed_book, survival_of
from nursery.planned import PlanKind, PlannedStart, PlanVersion
from nursery.stock import Grade, Pool
from nursery.weeks import Week
from nursery.yields import safe_plugs


@dataclass(frozen=True, slots=True)
class PlannedLot:
    """Plugs that a planned start would give in one week of its flush, on safe dates."""

    start_id: int
    pool_id: int
    ready_on: date
    last_sale_on: date
    plugs: int


def planned_lots(session: Session, today: date, crop_ids: Collection[int]) -> list[PlannedLot]:
    """Which plugs would the accepted plan's starts still to be made give, for these crops?

    Started on the Sunday of their week, and only from this week on: one that was missed gives
    nothing. All are taken as grade A. Nothing where no plan has been accepted.
    """
    starts = [start for start in _starts(session) if start.protocol.crop_id in crop_ids]
    week = Week.of(today)
    coming = [start for start in starts if Week.parse(start.week) >= week]
    if not coming:
        return []
    air, safe = air_of(session, today), site(session).safe_quantile
    seed = seed_book(session)
    pools = {
        pool.crop_id: pool.id
        for pool in session.exec(select(Pool).where(Pool.grade == Grade.A))
        if pool.id is not None
    }
    return [
        lot
        for start in coming
        if start.protocol.crop_id in pools
        for lot in _lots_of(
            start,
            air,
            safe,
            pools[start.protocol.crop_id],
            seed.germination(start.protocol, Week.parse(start.week).sunday()),
        )
    ]


def _starts(session: Session) -> list[PlannedStart]:
    followed = session.exec(
        select(PlanVersion.id)
        .where(PlanVersion.kind == PlanKind.PROPAGATION, col(PlanVersion.accepted_at).is_not(None))
        .order_by(col(PlanVersion.accepted_at).desc(), col(PlanVersion.version).desc())
    ).first()
    rows = select(PlannedStart).where(PlannedStart.plan_id == (followed or 0))
    return list(session.exec(rows.where(col(PlannedStart.batch_id).is_(None))))


def _lots_of(
    start: PlannedStart, air: Air, safe: float, pool_id: int, germination: float | None
) -> Iterator[PlannedLot]:
    protocol = start.protocol
    stages = growing_stages(protocol)
    formats = [stage.tray_format for stage in protocol.stages if stage.tray_format is not None]
    if not stages or not formats or start.id is None:
        return
    entry = np.array([air.entry(Week.parse(start.week).sunday())])
    ends = walk_stages(air, stages, entry)[-1]
    early, late = (int(quantile_days(ends, share)[0]) for share in (1 - safe, safe))
    if late >= NEVER:
        return
    level = protocol.crop.service_level
    plugs = safe_plugs(formats[0].cells, start.trays, survival_of(stages, germination), level)
    for flush, many in enumerate(parts(plugs, protocol.flush_shares)):
        wait = 7 * (flush + start.extra_weeks)
        ready_on = air.date(late + wait)
        ends_on = last_sale_day(protocol.crop, air.date(early + wait))
        if many:
            yield PlannedLot(start.id, pool_id, ready_on, max(ends_on, ready_on), many)
