"""How fast do batches grow, and which plugs will be ready when?

Dwell of stages by week of entry, the stage in which a batch should be by now, and the plugs that
growing batches will give. Where several areas of one kind could take a stage, the slowest is taken
(in a cold spring the coldest, in a hot summer it may be another): expected and safe dates alike
err on the late side. A batch that stands on a bench feels the air of that bench's own area.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
from sqlalchemy import ColumnElement, func
from sqlmodel import Session, col, select

from nursery.batch import Batch, Count, Quarantine, with_ways
from nursery.climate import Weather
from nursery.clocks import EXPECTED, NEVER, StageClock, Whole, quantile_days
from nursery.crop import Crop, Protocol, Stage, StageKind
from nursery.database import site
from nursery.errors import Fault
from nursery.growing.air import Air, air_of, week_starts
from nursery.growing.sowing import survivals
from nursery.pools import pools_by_kind
from nursery.stock import Grade, Moved, Movement, Pool, Veto
from nursery.weeks import Horizon
from nursery.yields import Survival, chain, safe_plugs, safe_together

LATE_AGAIN_DAYS = 7
"""A batch that is not ready although even its safe date has passed: looked for a week from now."""


def stage_weeks(
    air: Air, protocol: Protocol, horizon: Horizon, quantile: float = EXPECTED
) -> tuple[tuple[int, ...], ...]:
    """How many whole weeks does each stage take, by week of entry of the horizon?

    One row for each stage before ready, `horizon.weeks` values each; entered on the week's Monday,
    rounded up, enough in the share `quantile` of the weather years. A stage that does not end
    within the weather looked at has `NEVER` (100,000). Raises `Fault` where a clock needs
    temperatures and the site has none.
    """
    entries = week_starts(air, horizon.start.monday(), horizon.weeks)
    rows = []
    for stage in growing_stages(protocol):
        choice = air.of(stage.area_kind, stage.clock)
        days = np.max(
            [quantile_days(_dwell(air, stage, one, entries[None, :]), quantile) for one in choice],
            axis=0,
        )
        weeks = np.where(days >= NEVER, NEVER, -(-days // 7))
        rows.append(tuple(int(week) for week in weeks))
    return tuple(rows)


def growing_stages(protocol: Protocol) -> tuple[Stage, ...]:
    """Which stages come before ready? Raises `Fault` where the protocol has no stage at all."""
    if not protocol.stages:
        rule = "needs at least one stage"
        raise Fault(f"Protocol '{protocol.name}'", rule, 0, "add its stages to the Stages sheet")
    return tuple(stage for stage in protocol.stages if stage.kind is not StageKind.READY)


def stage_clock(stage: Stage) -> StageClock:
    """What does this stage wait for? The row as `nursery.clocks` has it."""
    return StageClock(stage.clock.value, stage.clock_amount, stage.base_c, stage.upper_c)


def last_sale_day(crop: Crop, ready_on: date) -> date:
    """What is the last day on which plugs of this crop that are ready on a day may be sold?

    The crop's life in whole weeks, the ready day counted: 4 weeks from a Monday end on a Sunday.
    """
    return ready_on + timedelta(days=7 * crop.life_weeks - 1)


@dataclass(frozen=True, slots=True)
class ExpectedLot:
    """Plugs that a growing batch is going to give in one week of its flush.

    `ready_on` and `plugs` are safe: in the site's `safe_quantile` of the weather years they are
    ready by then, and with the crop's service level there are so many. `last_sale_on` is safe as
    well: counted from the early side of the ready date (the same share of weather years), though
    never before `ready_on`. `expected_...` are the medians. All are taken as grade A; `pool_id` is
    None where the crop has no such pool. A batch that is `vetoed` or not `clear` is listed with
    what it would give: it may not be promised until somebody has signed it off.
    """

    batch_id: int
    batch_code: str
    crop_id: int
    pool_id: int | None
    flush: int
    ready_on: date
    last_sale_on: date
    plugs: int
    expected_plugs: int
    expected_ready_on: date
    vetoed: bool
    clear: bool

    @property
    def may_be_promised(self) -> bool:
        """Is the batch known to be clear and under no veto?"""
        return self.clear and not self.vetoed


@dataclass(frozen=True, slots=True)
class StageProgress:
    """In which stage is a batch, in which should it be by now, and when will it move on?

    Positions are those of the protocol's stages. `done` is the share of the stage's days that has
    passed by its expected end; `days_behind` how long ago that end was (0 where it is to come).
    Dates are None where the stage does not end within the weather looked at.
    """

    batch_id: int
    batch_code: str
    position: int
    stage: StageKind
    expected_position: int
    expected_stage: StageKind
    done: float
    ends_on: date | None
    safe_ends_on: date | None
    days_behind: int


@dataclass(frozen=True)
class Growing:
    """A batch that still has growing plugs, with what the books say of it.

    `plugs` are growing by the ledger, `made` have become lots already, `counted_on` is the day of
    the last count of its growing plugs.
    """

    batch: Batch
    plugs: int
    made: int
    counted_on: date | None
    vetoed: bool

    @property
    def stages_left(self) -> tuple[Stage, ...]:
        """Which stages before ready are not over, the present one first?"""
        if self.batch.ready_on is not None or self.batch.stage.kind is StageKind.READY:
            return ()
        now_at = self.batch.stage.position
        return tuple(s for s in growing_stages(self.batch.protocol) if s.position >= now_at)


@dataclass(frozen=True)
class Passage:
    """When does a batch leave each stage that is left: day of the air [stages, years]?

    A stage that ought to be over by today ends today at the earliest: the batch still stands in it.
    """

    entered: int
    ends: Whole

    def ready(self, quantile: float) -> int:
        """On which day of the air is it ready in this share of the weather years, or NEVER?"""
        last = self.ends[-1] if len(self.ends) else np.array([self.entered])
        return int(quantile_days(last[:, None], quantile)[0])

    def leaves(self, quantile: float, place: int = 0) -> int:
        """On which day of the air does it leave the `place`-th stage left, or NEVER?"""
        ends = self.ends[place] if len(self.ends) else np.array([self.entered])
        return int(quantile_days(ends[:, None], quantile)[0])


def expected_lots(
    session: Session,
    today: date,
    crop_ids: Sequence[int] | None = None,
    air: Air | None = None,
) -> list[ExpectedLot]:
    """Which plugs will growing batches give, by flush, with safe dates and safe quantities?

    From the growing plugs in each open batch's ledger, through the survival of the stages left
    (of the present one only the share of its time that is left since the last count) to ready.
    Flush shares that already became lots are not expected again. Only batches of `crop_ids` where
    given. Ordered by ready date; batches that are not ready within three years are left out.
    """
    batches = growing_batches(session, crop_ids)
    if not batches:
        return []
    air = air if air is not None else air_of(session, today)
    walked = list(zip(batches, passages(air, batches, today), strict=True))
    return expected_of(session, today, walked, air)


def expected_of(
    session: Session, today: date, walked: Sequence[tuple[Growing, Passage]], air: Air
) -> list[ExpectedLot]:
    """As `expected_lots`, for batches whose passages are known already."""
    found = _lots_by_batch(session, today, walked, air)
    return sorted((lot for _, lots in found for lot in lots), key=_in_order)


def pooled_lots(session: Session, today: date, air: Air | None = None) -> list[ExpectedLot]:
    """Which plugs will growing batches give, if they stand in for one another?

    As `expected_lots`, for a plan: batches of a crop that are ready within one life of the first
    of them serve the same demand, so what is safe is safe of all of them together. They live and
    die independently, hence it is more than the sum of what is safe of each. A promise rests on
    its own lots and takes `expected_lots`.
    """
    batches = growing_batches(session)
    if not batches:
        return []
    air = air if air is not None else air_of(session, today)
    walked = list(zip(batches, passages(air, batches, today), strict=True))
    rows = [row for row in _lots_by_batch(session, today, walked, air) if row[1]]
    groups: list[list[_Lots]] = []
    for row in sorted(rows, key=lambda row: (row[1][0].crop_id, row[1][0].ready_on)):
        if not groups or not _serve_together(groups[-1][0], row):
            groups.append([])
        groups[-1].append(row)
    return sorted((lot for group in groups for lot in _pooled(group)), key=_in_order)


_Lots = tuple[tuple[Growing, Survival], list[ExpectedLot]]
"""A batch, the survival that it has before it, and what it will give."""


def _in_order(lot: ExpectedLot) -> tuple[date, int, int]:
    return lot.ready_on, lot.batch_id, lot.flush


def _lots_by_batch(
    session: Session, today: date, walked: Sequence[tuple[Growing, Passage]], air: Air
) -> list[_Lots]:
    pools = _pools(session)
    safe = site(session).safe_quantile
    return [
        (
            (one, survival_left(one, way)),
            _lots_of(one, way, air, today, safe, pools.get(_kind(one.batch))),
        )
        for one, way in walked
    ]


def _serve_together(first: _Lots, row: _Lots) -> bool:
    one, other = first[1][0], row[1][0]
    life = timedelta(weeks=first[0][0].batch.crop.life_weeks)
    same = (one.crop_id, one.pool_id, one.may_be_promised) == (
        other.crop_id,
        other.pool_id,
        other.may_be_promised,
    )
    return same and other.ready_on - one.ready_on < life


def _pooled(group: Sequence[_Lots]) -> Iterator[ExpectedLot]:
    lots = [lot for _, lots in group for lot in lots]
    alone = sum(lot.plugs for lot in lots)
    if len(group) == 1 or alone == 0:
        yield from lots
        return
    level = group[0][0][0].batch.crop.service_level
    together = safe_together([(one.plugs, left) for (one, left), _ in group], level)
    for lot in lots:
        more = lot.plugs * max(together, alone) // alone
        yield replace(lot, plugs=min(more, max(lot.plugs, lot.expected_plugs)))


def stage_progress(session: Session, today: date) -> list[StageProgress]:
    """How far is every growing batch, beside how far it ought to be by today?

    The expected stage follows from the start day through the weather since then, in the median of
    the weather years. Ordered by batch code.
    """
    batches = growing_batches(session)
    if not batches:
        return []
    air = air_of(session, today)
    safe = site(session).safe_quantile
    found = [
        _progress(one, way, air, today, safe)
        for one, way in zip(batches, passages(air, batches, today), strict=True)
    ]
    return sorted(found, key=lambda one: one.batch_code)


def growing_batches(session: Session, crop_ids: Sequence[int] | None = None) -> list[Growing]:
    """Which open batches have growing plugs, by the ledger? Ordered by id."""
    query = select(Batch).where(col(Batch.closed_on).is_(None)).order_by(col(Batch.id))
    if crop_ids is not None:
        query = query.where(col(Batch.crop_id).in_(list(crop_ids)))
    plugs = _plugs(session, col(Movement.lot_id).is_(None))
    made = _plugs(session, col(Movement.lot_id).is_not(None), Movement.kind == Moved.REGRADED)
    counted = dict(
        session.exec(
            select(Count.batch_id, func.max(Count.counted_at))
            .where(col(Count.lot_id).is_(None), col(Count.withdrawn_at).is_(None))
            .group_by(col(Count.batch_id))
        ).all()
    )
    vetoed = set(
        session.exec(
            select(Veto.batch_id).where(
                col(Veto.signed_off_at).is_(None), col(Veto.lot_id).is_(None)
            )
        ).all()
    )
    found = []
    for batch in session.exec(query.options(*with_ways())).all():
        if batch.id is None or plugs.get(batch.id, 0) <= 0:
            continue
        at = counted.get(batch.id)
        counted_on = at.date() if at is not None else None
        found.append(
            Growing(batch, plugs[batch.id], made.get(batch.id, 0), counted_on, batch.id in vetoed)
        )
    return found


def passages(air: Air, batches: Sequence[Growing], today: date) -> list[Passage]:
    """When does each batch leave the stages that it still has before it, year by year?

    Batches of one protocol, stage and area go together through the arithmetic.
    """
    groups: dict[tuple[int, int, int | None], list[int]] = {}
    for at, one in enumerate(batches):
        key = (one.batch.protocol_id, one.batch.stage_id if one.stages_left else 0, _area(one))
        groups.setdefault(key, []).append(at)
    found: dict[int, Passage] = {}
    for (_, _, area_id), members in groups.items():
        entries = np.array([air.entry(batches[at].batch.stage_entered_on) for at in members])
        stages = batches[members[0]].stages_left
        ends = walk_stages(air, stages, entries, area_id, air.day(today))
        for place, at in enumerate(members):
            if stages:
                found[at] = Passage(int(entries[place]), ends[:, :, place])
            else:
                ready = batches[at].batch.ready_on or batches[at].batch.stage_entered_on
                found[at] = Passage(air.day(ready), ends)
    return [found[at] for at in range(len(batches))]


def walk_stages(
    air: Air,
    stages: Sequence[Stage],
    entries: Whole,
    area_id: int | None = None,
    not_before: int | None = None,
) -> Whole:
    """On which day of the air is each stage left, if the first is entered on these days?

    Array [stages, years, entries], NEVER from the first stage that does not end. `area_id` is
    where the first stage stands, if that is known; `not_before` bounds the end of the first.
    """
    at = entries[None, :]
    ends: list[Whole] = []
    for place, stage in enumerate(stages):
        choice = air.of(stage.area_kind, stage.clock, area_id if place == 0 else None)
        dwell = np.max([_dwell(air, stage, one, at) for one in choice], axis=0)
        over = (dwell >= NEVER) | (at >= NEVER)
        at = np.where(over, NEVER, at + np.minimum(dwell, NEVER))
        if place == 0 and not_before is not None:
            at = np.maximum(at, not_before)
        ends.append(at)
    if not ends:
        return np.zeros((0, 1, entries.size), dtype=np.int64)
    years = max(end.shape[0] for end in ends)
    return np.stack([np.broadcast_to(end, (years, entries.size)) for end in ends])


def _dwell(air: Air, stage: Stage, felt: Weather, at: Whole) -> Whole:
    """What the clock says, and the days beside it that the nursery's own batches have shown."""
    days = air.dwell(stage_clock(stage), felt, np.broadcast_to(at, (felt.years, at.shape[1])))
    return np.where(days >= NEVER, NEVER, np.maximum(days + stage.days_beside, 0))


def _lots_of(
    one: Growing, way: Passage, air: Air, today: date, safe: float, pool_id: int | None
) -> list[ExpectedLot]:
    ready, early, late = (way.ready(q) for q in (EXPECTED, 1 - safe, safe))
    if late >= NEVER or one.batch.id is None:
        return []
    shares = flush_left(one.batch.protocol.flush_shares, one.plugs, one.made)
    safe_plugs_all, expected_all = usable_plugs(one, way)
    found: list[ExpectedLot] = []
    for place, (flush, plugs, expected) in enumerate(
        zip(
            range(len(one.batch.protocol.flush_shares) - len(shares), 10**6),
            parts(safe_plugs_all, shares),
            parts(expected_all, shares),
            strict=False,
        )
    ):
        if not plugs and not expected:
            continue
        # A day that has passed without the plugs being set aside as a lot was no ready day.
        ready_on = _not_past(air.date(late + 7 * flush), today, LATE_AGAIN_DAYS + 7 * place)
        expected_on = _not_past(air.date(ready + 7 * flush), today, 7 * place)
        ends = last_sale_day(one.batch.crop, air.date(early + 7 * flush))
        found.append(
            ExpectedLot(
                batch_id=one.batch.id,
                batch_code=one.batch.code,
                crop_id=one.batch.crop_id,
                pool_id=pool_id,
                flush=flush,
                ready_on=ready_on,
                last_sale_on=max(ends, ready_on),
                plugs=plugs,
                expected_plugs=expected,
                expected_ready_on=min(expected_on, ready_on),
                vetoed=one.vetoed,
                clear=one.batch.quarantine is Quarantine.CLEAR,
            )
        )
    return found


def _not_past(day: date, today: date, days_on: int) -> date:
    return day if day > today else today + timedelta(days=days_on)


def usable_plugs(one: Growing, way: Passage) -> tuple[int, int]:
    """How many of a batch's growing plugs will be usable at ready: safe, and expected?

    Safe is the number reached with the crop's service level. The stages left are chained; of the
    present one only the share of its time after the last count (else after its entry) counts.
    """
    together = survival_left(one, way)
    safe = safe_plugs(one.plugs, 1, together, one.batch.crop.service_level)
    return safe, int(one.plugs * together.mean)


def survival_left(one: Growing, way: Passage) -> Survival:
    """Which share of the growing plugs lives to ready? See `usable_plugs`."""
    seed = one.batch.seed_lot
    stages = survivals(one.stages_left, seed.germination if seed is not None else None)
    if stages:
        share = _share_left(one, way)
        stages[0] = Survival(stages[0].mean ** share, stages[0].overdispersion)
    return chain(stages)


def _share_left(one: Growing, way: Passage) -> float:
    end = way.leaves(EXPECTED)
    if one.counted_on is None or one.counted_on <= one.batch.stage_entered_on or end >= NEVER:
        return 1.0
    counted = way.entered + (one.counted_on - one.batch.stage_entered_on).days
    return min(1.0, max(0.0, (end - counted) / max(1, end - way.entered)))


def flush_left(shares: Sequence[float], growing: int, made: int) -> tuple[float, ...]:
    """Which shares of the flush are still to come, if `made` plugs have become lots already?

    The shares are used up from the first week on; what is left is scaled to sum to 1. The last
    week is never used up while plugs are growing.
    """
    left = list(shares)
    used = made / (growing + made)
    while len(left) > 1 and used >= left[0] - 1e-9:
        used -= left.pop(0)
    left[0] = max(left[0] - max(used, 0.0), 1e-9)
    return tuple(share / sum(left) for share in left)


def parts(plugs: int, shares: Sequence[float]) -> list[int]:
    """How many whole plugs fall in each share, so that together they are exactly `plugs`?"""
    ends = [int(plugs * total + 1e-9) for total in np.cumsum(shares)]
    ends[-1] = plugs
    return [end - start for start, end in zip([0, *ends], ends, strict=False)]


def _progress(one: Growing, way: Passage, air: Air, today: date, safe: float) -> StageProgress:
    batch = one.batch
    stages = growing_stages(batch.protocol)
    position, stage = _expected_stage(air, batch, stages, today)
    expected, late = way.leaves(EXPECTED), way.leaves(safe)
    due = walk_stages(air, one.stages_left[:1], np.array([way.entered]), _area(one))
    median = int(quantile_days(due[0], EXPECTED)[0]) if len(due) else way.entered
    passed = air.day(today) - way.entered
    return StageProgress(
        batch_id=batch.id or 0,
        batch_code=batch.code,
        position=batch.stage.position,
        stage=batch.stage.kind,
        expected_position=position,
        expected_stage=stage,
        done=min(1.0, max(0.0, passed / max(1, median - way.entered))),
        ends_on=None if expected >= NEVER else air.date(expected),
        safe_ends_on=None if late >= NEVER else air.date(late),
        days_behind=max(0, air.day(today) - median),
    )


def _expected_stage(
    air: Air, batch: Batch, stages: Sequence[Stage], today: date
) -> tuple[int, StageKind]:
    ends = walk_stages(air, stages, np.array([air.entry(batch.started_on)]))
    for place, stage in enumerate(stages):
        if int(quantile_days(ends[place], EXPECTED)[0]) > air.day(today):
            return stage.position, stage.kind
    return (stages[-1].position + 1 if stages else 1), StageKind.READY


def _area(one: Growing) -> int | None:
    return one.batch.bench.area_id if one.batch.bench is not None else None


def _plugs(session: Session, *where: ColumnElement[bool] | bool) -> dict[int, int]:
    rows = session.exec(
        select(Movement.batch_id, func.sum(Movement.plugs))
        .where(*where)
        .group_by(col(Movement.batch_id))
    ).all()
    return {batch_id: int(plugs) for batch_id, plugs in rows}


def _pools(session: Session) -> dict[tuple[int, bool], int]:
    """The pools of grade A by crop, those for plugs sold as bought in beside the others."""
    pools = pools_by_kind(session, col(Pool.grade) == Grade.A)
    return {(crop_id, bought_in): pool for (crop_id, _, bought_in), pool in pools.items()}


def _kind(batch: Batch) -> tuple[int, bool]:
    return batch.crop_id, batch.protocol.sold_as_bought_in
