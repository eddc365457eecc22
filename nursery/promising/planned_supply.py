"""Which plugs will starts that are only planned give? For pre-orders, where the lead allows them.

A planned start is no batch: its plugs may be promised only if the site says so
(`promise_planned_starts`), from the same safe dates and in the same safe quantities as those of a
growing batch. Once it is made, its batch takes its place.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import date

import numpy as np
from sqlmodel import Session, col, select

from nursery.clocks import NEVER, Whole, quantile_days
from nursery.crop import Protocol
from nursery.database import site
from nursery.growing.air import Air, air_of
from nursery.growing.growth import growing_stages, last_sale_day, parts, walk_stages
from nursery.growing.prospects import Prospect, Sold, flushes, living, ready_days
from nursery.growing.sowing import seed_book, survival_of
from nursery.planned import PlanKind, PlannedStart, PlanVersion
from nursery.pools import Kept, pools_by_kind
from nursery.stock import Grade, Pool
from nursery.weeks import Week
from nursery.yields import Survival, safe_plugs


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
    coming = _coming(session, today, crop_ids)
    if not coming:
        return []
    safe = site(session).safe_quantile
    pools = pools_by_kind(session, col(Pool.grade) == Grade.A)
    air = air_of(session, today)
    return [
        lot
        for one in _raised(session, coming, air)
        for pool in [pools.get(_kind(one.start.protocol))]
        if pool is not None
        for lot in _lots_of(one, air, safe, pool)
    ]


def _kind(protocol: Protocol) -> Kept:
    return protocol.crop_id, Grade.A, protocol.sold_as_bought_in


def planned_prospects(
    session: Session, today: date, crop_ids: Collection[int]
) -> dict[Sold, list[Prospect]]:
    """What might these starts give, draw by draw? By crop and way of sale, days from today."""
    coming = _coming(session, today, crop_ids)
    found: dict[Sold, list[Prospect]] = defaultdict(list)
    if not coming:
        return found
    air = air_of(session, today)
    for one in _raised(session, coming, air):
        days = ready_days(one.ends - air.day(today))
        # Other numbers than those of batches, whose luck is theirs.
        plugs = living(one.plugs, one.survival, -1 - (one.start.id or 0))
        shares = one.start.protocol.flush_shares
        waits = [one.start.extra_weeks + flush for flush in range(len(shares))]
        life = 7 * one.start.protocol.crop.life_weeks
        sold = one.start.protocol.crop_id, one.start.protocol.sold_as_bought_in
        found[sold] += flushes(days, plugs, waits, shares, life)
    return found


@dataclass(frozen=True)
class _Raised:
    """A planned start: on which day of the air its first flush is ready, by weather year."""

    start: PlannedStart
    ends: Whole
    plugs: int
    survival: Survival


def _coming(session: Session, today: date, crop_ids: Collection[int]) -> list[PlannedStart]:
    starts = [start for start in _starts(session) if start.protocol.crop_id in crop_ids]
    week = Week.of(today)
    return [start for start in starts if Week.parse(start.week) >= week]


def _raised(session: Session, coming: Collection[PlannedStart], air: Air) -> Iterator[_Raised]:
    seed = seed_book(session)
    for start in coming:
        stages = growing_stages(start.protocol)
        formats = [s.tray_format for s in start.protocol.stages if s.tray_format is not None]
        if not stages or not formats or start.id is None:
            continue
        sunday = Week.parse(start.week).sunday()
        ends = walk_stages(air, stages, np.array([air.entry(sunday)]))[-1]
        survival = survival_of(stages, seed.germination(start.protocol, sunday))
        yield _Raised(start, ends[:, 0], formats[0].cells * start.trays, survival)


def _starts(session: Session) -> list[PlannedStart]:
    followed = session.exec(
        select(PlanVersion.id)
        .where(PlanVersion.kind == PlanKind.PROPAGATION, col(PlanVersion.accepted_at).is_not(None))
        .order_by(col(PlanVersion.accepted_at).desc(), col(PlanVersion.version).desc())
    ).first()
    rows = select(PlannedStart).where(PlannedStart.plan_id == (followed or 0))
    return list(session.exec(rows.where(col(PlannedStart.batch_id).is_(None))))


def _lots_of(one: _Raised, air: Air, safe: float, pool_id: int) -> Iterator[PlannedLot]:
    start, protocol = one.start, one.start.protocol
    ends = one.ends[:, None]
    early, late = (int(quantile_days(ends, share)[0]) for share in (1 - safe, safe))
    if late >= NEVER or start.id is None:
        return
    plugs = safe_plugs(one.plugs, 1, one.survival, protocol.crop.service_level)
    for flush, many in enumerate(parts(plugs, protocol.flush_shares)):
        wait = 7 * (flush + start.extra_weeks)
        ready_on = air.date(late + wait)
        ends_on = last_sale_day(protocol.crop, air.date(early + wait))
        if many:
            yield PlannedLot(start.id, pool_id, ready_on, max(ends_on, ready_on), many)
