"""What does each pool hold, what is committed of it, and how much more may be promised?

Supply is read like this. A counted lot gives its plugs less the site's allowance for rejects and
wrong counts. A growing batch gives, by flush, its safe quantities (less that) from its safe dates
(`growing.growth`); how likely they are there on a day is asked of many draws of what it might
give (`promising.chances`). A batch or lot under a veto that nobody has signed off, or whose
quarantine is not "clear", gives nothing, nor does a closed batch or a lot past its last sale day.
Starts that are only planned give something where the site allows it (`promising.planned_supply`).
Plugs that are sold as bought in are in pools of their own (`nursery.pools`).
Commitments are the plugs not yet picked of promises that are confirmed, or reserved and not yet
lapsed by the database's clock; a promise whose ship day has passed unpicked claims its plugs today.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import cached_property
from threading import Lock

import numpy as np
import sqlalchemy as sa
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, and_, exists, or_
from sqlmodel import Session, col, select

from nursery.availability import Days, allot, deficit, extra, unkept
from nursery.batch import Batch, Quarantine
from nursery.growing.growth import ExpectedLot
from nursery.growing.prospects import DRAWS, Prospect, Sold, luck
from nursery.order import CustomerOrder, Promise, PromiseLine, State
from nursery.promising.chances import Chances, Draws, spread
from nursery.promising.facts import (
    SLACK,
    Facts,
    Grows,
    Moment,
    facts_of,
    growing,
    kept_of,
    reads_only,
)
from nursery.promising.kept_plugs import Chosen, KeptPlugs, chosen_lots, still_kept
from nursery.promising.planned_supply import PlannedLot, planned_lots, planned_prospects
from nursery.stock import Grade, Lot, Pool, Veto

_WRONG = 7_001_001
"""The draws of the share that is wrong: a number that is no batch's."""


@dataclass(frozen=True)
class PoolSupply:
    """What does one pool hold and owe, counted in days from `first_day` (today)?

    `ready`, `last_sale`, `plugs` and `counted` have one value a lot: day indices (both included),
    promisable plugs, and whether they have been counted as ready (else they are still growing).
    `committed` has the plugs promised on each day. Good for as long as the pool's `version` and
    the day stand and `next_lapse` has not passed. `lot_ids` has 0 for what still grows; `kept` are
    plugs of fresh lots that only one reship may have, left out of all the others.
    """

    pool_id: int
    version: int
    first_day: date
    ready: Days
    last_sale: Days
    plugs: Days
    counted: NDArray[np.bool_]
    committed: Days
    next_lapse: datetime | None = None
    prospects: tuple[Prospect, ...] = ()
    lot_ids: tuple[int, ...] = ()
    kept: tuple[KeptPlugs, ...] = ()

    @cached_property
    def available(self) -> Days:
        """How many more plugs may be promised on each day, every promise still kept? [days]"""
        return extra(self.ready, self.last_sale, self.plugs, self.committed)

    @cached_property
    def counted_available(self) -> Days:
        """How many of those are sure to be there, since they stand ready and counted? [days]

        What counted lots can give beside the commitments that counted lots serve already.
        """
        lots = (self.ready[self.counted], self.last_sale[self.counted], self.plugs[self.counted])
        served = allot(*lots, self.committed).sum(axis=0)
        return np.minimum(extra(*lots, served), self.available)

    @cached_property
    def chances(self) -> Chances:
        """How likely are so many plugs more there on a day, what was promised first kept first?

        Worked out when it is first asked: for plugs that counted lots alone cannot give.
        """
        counted = [
            spread(each[self.counted], DRAWS) for each in (self.ready, self.last_sale, self.plugs)
        ]
        ready = [one.ready for one in self.prospects]
        draws = Draws(
            ready=np.vstack([counted[0], *ready]).astype(np.int64),
            last_sale=np.vstack(
                [counted[1], *(one.ready + (one.life_days - 1) for one in self.prospects)]
            ).astype(np.int64),
            plugs=np.vstack([counted[2], *(one.plugs for one in self.prospects)]).astype(np.int64),
        )
        return Chances.of(draws, self.committed)

    def counted_left(self, pack: date, ship: date) -> int:
        """How many counted plugs more can leave on this day, if they must be there to be packed?"""
        return self._both(self.counted_available, pack, ship)

    def left(self, pack: date, ship: date) -> int:
        """The same with those that still grow."""
        return self._both(self.available, pack, ship)

    def chance(self, pack: date, ship: date, plugs: int) -> float:
        """How likely are so many plugs there when packed, and still saleable when they leave?

        1 where counted lots can give them: their allowance is what may be wrong with them.
        """
        if self.counted_left(pack, ship) >= plugs:
            return 1.0
        return self.chances.enough(self._within(pack), self._within(ship), plugs)

    def _both(self, by_day: Days, pack: date, ship: date) -> int:
        return min(int(by_day[self._within(pack)]), int(by_day[self._within(ship)]))

    def _within(self, day: date) -> int:
        return min(max(0, self.index(day)), self.committed.size - 1)

    def index(self, day: date) -> int:
        """Which place in the arrays has this day?"""
        return (day - self.first_day).days

    def less(self, lots: Sequence[Chosen]) -> PoolSupply:
        """What would the pool hold, were these plugs of its lots kept for somebody?"""
        plugs = self.plugs.copy()
        for lot_id, many in lots:
            plugs[self.lot_ids.index(lot_id)] -= many
        return replace(self, plugs=plugs)

    def only(self, kept: Sequence[KeptPlugs], pool_id: int) -> PoolSupply:
        """A pool of this number with nothing but these plugs, and nothing committed of it."""
        numbers = [[each.ready, each.last_sale, each.plugs] for each in kept]
        ready, last, plugs = np.array(numbers, dtype=np.int64).reshape(-1, 3).T
        return replace(
            self,
            pool_id=pool_id,
            ready=ready,
            last_sale=last,
            plugs=plugs,
            counted=np.ones(len(kept), dtype=np.bool_),
            committed=np.zeros_like(self.committed),
            prospects=(),
            lot_ids=tuple(each.lot_id for each in kept),
            kept=(),
        )

    def after(self, day: date, plugs: int) -> PoolSupply:
        """What would the pool owe, were so many plugs more promised on this day?"""
        committed = self.committed.copy()
        committed[self.index(day)] += plugs
        return replace(self, committed=committed)


@dataclass(frozen=True, slots=True)
class Deficit:
    """Which promises of a pool cannot all be kept any more?

    `days` has the plugs that cannot be had by ship day (as late as they can fall), `promises` the
    promises that lose plugs if what was promised first is kept first: (promise id, plugs).
    """

    pool_id: int
    days: tuple[tuple[date, int], ...]
    promises: tuple[tuple[int, int], ...]

    @property
    def plugs(self) -> int:
        """How many plugs are missing in all?"""
        return sum(plugs for _, plugs in self.days)


@dataclass(frozen=True, slots=True)
class _Commitment:
    pool_id: int
    promise_id: int
    line_id: int
    ship_on: date
    plugs: int
    until: datetime | None


@dataclass(frozen=True, slots=True)
class _Promisable:
    ready_on: date
    last_sale_on: date
    plugs: int
    counted: bool
    lot_id: int = 0


def available(session: Session, pool_ids: Iterable[int]) -> dict[int, Days]:
    """How many more plugs of each pool may be promised on each day from today? [days] a pool"""
    return {pool: held.available for pool, held in supply(session, pool_ids).items()}


def supply(
    session: Session, pool_ids: Iterable[int], without: int | None = None
) -> dict[int, PoolSupply]:
    """What do these pools hold and owe? `without` leaves one promise's commitments out.

    The arrays reach to the site's horizon and to the last commitment, whichever is later. A pool
    that does not exist is missing from the answer.
    """
    moment, facts = facts_of(session)
    return _supply(session, moment, facts, pool_ids, without)


def kept_supply(
    session: Session, moment: Moment, facts: Facts, pool_ids: Iterable[int]
) -> dict[int, PoolSupply]:
    """As `supply`, with the vectors that this process kept where they still hold.

    One question for the versions of these pools; a pool is read and worked out anew only when its
    version or the facts changed, or a reservation on it lapsed. Its arrays may be longer or shorter
    than those of `supply`, though never shorter than the site's horizon.
    """
    wanted = sorted(set(pool_ids))
    if not reads_only(session):
        return _supply(session, moment, facts, wanted, None)
    vectors: _Vectors = kept_of(session).setdefault("pools", _Vectors())
    rows = session.connection().execute(
        select(col(Pool.id), col(Pool.version)).where(col(Pool.id).in_(wanted))
    )
    found: dict[int, PoolSupply] = {}
    missing: list[int] = []
    for pool, version in rows:
        assert pool is not None
        vector = vectors.get(pool, version, moment, facts)
        if vector is None:
            missing.append(pool)
        else:
            found[pool] = vector
    if missing:
        fresh = _supply(session, moment, facts, missing, None)
        vectors.put(fresh, moment, facts)
        found |= fresh
    return found


class _Vectors:
    """The pools that one process has worked out, the least asked for forgotten first."""

    MOST = 10_000
    """Pools kept: about 6 kB each with 180 days, 60 MB in all."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._pools: OrderedDict[int, tuple[Facts, datetime, PoolSupply]] = OrderedDict()

    def get(self, pool: int, version: int, moment: Moment, facts: Facts) -> PoolSupply | None:
        """The pool as it was worked out, if that holds at this moment."""
        with self._lock:
            found = self._pools.get(pool)
            if found is None:
                return None
            self._pools.move_to_end(pool)
        its_facts, since, held = found
        if its_facts is not facts or held.version != version or moment.at < since - SLACK:
            return None
        lapsed = held.next_lapse is not None and moment.at > held.next_lapse
        return None if lapsed else held

    def put(self, pools: Mapping[int, PoolSupply], moment: Moment, facts: Facts) -> None:
        """Keep these, read at this moment."""
        with self._lock:
            for pool, held in pools.items():
                self._pools[pool] = (facts, moment.at, held)
                self._pools.move_to_end(pool)
            while len(self._pools) > self.MOST:
                self._pools.popitem(last=False)


def _supply(
    session: Session,
    moment: Moment,
    facts: Facts,
    pool_ids: Iterable[int],
    without: int | None,
) -> dict[int, PoolSupply]:
    wanted, first = sorted(set(pool_ids)), facts.today
    rows = session.exec(select(Pool).where(col(Pool.id).in_(wanted)).order_by(col(Pool.id)))
    pools = {pool.id: pool for pool in rows if pool.id is not None}
    crops = sorted({pool.crop_id for pool in pools.values()})
    grows = growing(session, facts, crops)
    lots = _lots(session, facts, pools, [lot for each in grows.values() for lot in each.lots])
    might = _prospects(session, facts, pools, grows)
    owed: dict[int, list[_Commitment]] = {pool: [] for pool in pools}
    for each in _commitments(session, moment.at, wanted, without):
        owed[each.pool_id].append(each)
    chosen = facts.part("kept plugs", lambda: chosen_lots(session))
    last = max((c.ship_on for each in owed.values() for c in each), default=first)
    days = max(facts.site.horizon_days, (last - first).days) + 1
    return {
        pool: _pool_supply(row, first, days, lots[pool], owed[pool], might.get(pool, ()), chosen)
        for pool, row in pools.items()
    }


def deficits(session: Session, pool_ids: Iterable[int] | None = None) -> list[Deficit]:
    """Which pools can no longer keep their promises, on which days, and whose promises are they?

    All pools where none are named. To be asked after a short, a veto, a count or a discard.
    """
    wanted = pool_ids if pool_ids is not None else _all_pools(session)
    moment, facts = facts_of(session)
    pools = _supply(session, moment, facts, wanted, None)
    ranked = _commitments(session, moment.at, sorted(pools), None)
    mine: dict[int, list[_Commitment]] = {pool: [] for pool in pools}
    for each_owed in ranked:
        kept = sum(k.plugs for k in pools[each_owed.pool_id].kept if k.line_id == each_owed.line_id)
        if kept < each_owed.plugs:
            mine[each_owed.pool_id].append(replace(each_owed, plugs=each_owed.plugs - kept))
    found = [_deficit(pool, mine[pool.pool_id]) for pool in pools.values()]
    return [each for each in found if each is not None]


def holding(at: datetime) -> ColumnElement[bool]:
    """Which promises hold plugs and a ship day at this moment? As a condition on Promise."""
    return or_(
        col(Promise.state) == State.CONFIRMED,
        and_(col(Promise.state) == State.RESERVED, col(Promise.reserved_until) >= at),
    )


def _all_pools(session: Session) -> list[int]:
    return [pool for pool in session.exec(select(Pool.id)) if pool is not None]


def _deficit(pool: PoolSupply, ranked: Sequence[_Commitment]) -> Deficit | None:
    lots = (pool.ready, pool.last_sale, pool.plugs)
    missing = deficit(*lots, pool.committed)
    if not missing.any():
        return None
    when = [max(0, pool.index(c.ship_on)) for c in ranked]
    lost = unkept(*lots, when, [c.plugs for c in ranked], pool.committed.size)
    touched: dict[int, int] = {}
    for commitment, plugs in zip(ranked, lost.tolist(), strict=True):
        if plugs:
            touched[commitment.promise_id] = touched.get(commitment.promise_id, 0) + plugs
    days = [
        (pool.first_day + timedelta(days=int(i)), int(missing[i])) for i in np.flatnonzero(missing)
    ]
    return Deficit(pool.pool_id, tuple(days), tuple(touched.items()))


def _pool_supply(
    pool: Pool,
    first: date,
    days: int,
    lots: Sequence[_Promisable],
    owed: Sequence[_Commitment],
    prospects: Sequence[Prospect],
    chosen: Mapping[int, Sequence[Chosen]],
) -> PoolSupply:
    committed = np.zeros(days, dtype=np.int64)
    for each in owed:
        committed[max(0, (each.ship_on - first).days)] += each.plugs
    plugs = np.array([lot.plugs for lot in lots], dtype=np.int64)
    kept = _set_aside(first, lots, owed, chosen, plugs, committed) if chosen else ()
    return PoolSupply(
        pool_id=pool.id or 0,
        version=pool.version,
        first_day=first,
        ready=np.array([(lot.ready_on - first).days for lot in lots], dtype=np.int64),
        last_sale=np.array([(lot.last_sale_on - first).days for lot in lots], dtype=np.int64),
        plugs=plugs,
        counted=np.array([lot.counted for lot in lots], dtype=np.bool_),
        committed=committed,
        next_lapse=min((c.until for c in owed if c.until is not None), default=None),
        prospects=tuple(prospects),
        lot_ids=tuple(lot.lot_id for lot in lots),
        kept=kept,
    )


def _set_aside(
    first: date,
    lots: Sequence[_Promisable],
    owed: Sequence[_Commitment],
    chosen: Mapping[int, Sequence[Chosen]],
    plugs: Days,
    committed: Days,
) -> tuple[KeptPlugs, ...]:
    """What is kept for reships, taken off both the lots' plugs and the plugs committed."""
    found: list[KeptPlugs] = []
    at = {lot.lot_id: i for i, lot in enumerate(lots) if lot.lot_id}
    for each in owed:
        day = max(each.ship_on, first)
        serves = {
            key: int(plugs[i])
            for key, i in at.items()
            if lots[i].ready_on <= day <= lots[i].last_sale_on
        }
        for lot_id, many in still_kept(chosen.get(each.line_id, ()), each.plugs, serves):
            plugs[at[lot_id]] -= many
            committed[(day - first).days] -= many
            ready, last = lots[at[lot_id]].ready_on, lots[at[lot_id]].last_sale_on
            days = (ready - first).days, (last - first).days
            found.append(KeptPlugs(each.promise_id, each.line_id, lot_id, *days, many))
    return tuple(found)


def _commitments(
    session: Session, at: datetime, pools: Sequence[int], without: int | None
) -> list[_Commitment]:
    """Plugs still to be picked, what was promised first first: confirmed before reserved.

    First promised, not first to leave: so the chance stated with a promise stays true, however much
    is promised after it for days before it.
    """
    rows = session.connection().execute(
        sa.select(
            col(PromiseLine.pool_id),
            col(PromiseLine.promise_id),
            col(PromiseLine.id),
            col(Promise.ship_on),
            col(PromiseLine.plugs) - col(PromiseLine.picked),
            col(Promise.reserved_until),
        )
        .join(Promise, col(PromiseLine.promise_id) == col(Promise.id))
        .join(CustomerOrder, col(Promise.order_id) == col(CustomerOrder.id))
        .where(col(PromiseLine.pool_id).in_(pools), holding(at))
        .where(col(PromiseLine.picked) < col(PromiseLine.plugs))
        .where(col(Promise.id) != (without or 0))
        .order_by(
            col(Promise.state),  # "confirmed" comes before "reserved"
            col(CustomerOrder.weight).desc(),
            col(Promise.id),  # whoever comes later takes nothing from who came first
        )
    )
    return [
        _Commitment(pool, promise, line or 0, day, plugs, until)
        for pool, promise, line, day, plugs, until in rows
    ]


def _lots(
    session: Session, facts: Facts, pools: Mapping[int, Pool], expected: Iterable[ExpectedLot]
) -> dict[int, list[_Promisable]]:
    """What may be promised of each pool's lots: counted ones, and those that still grow."""
    found: dict[int, list[_Promisable]] = {pool: [] for pool in pools}
    share, first = facts.site.allowance, facts.today
    counted = session.connection().execute(
        sa.select(
            col(Lot.pool_id),
            col(Lot.ready_on),
            col(Lot.last_sale_on),
            col(Lot.plugs),
            col(Lot.id),
        )
        .join(Batch, col(Lot.batch_id) == col(Batch.id))
        .where(col(Lot.pool_id).in_(pools), col(Lot.last_sale_on) >= first, col(Lot.plugs) > 0)
        .where(col(Batch.quarantine) == Quarantine.CLEAR, col(Batch.closed_on).is_(None))
        .where(~_vetoed())
    )
    for pool, ready, last, plugs, key in counted:
        found[pool].append(_Promisable(ready, last, promisable(plugs, share), True, key or 0))
    coming: list[ExpectedLot | PlannedLot] = [lot for lot in expected if lot.may_be_promised]
    if facts.site.promise_planned_starts:
        coming += planned_lots(session, first, {pool.crop_id for pool in pools.values()})
    for each in coming:
        if each.pool_id in found and each.last_sale_on >= first:
            plugs = promisable(each.plugs, share)
            lot = _Promisable(each.ready_on, each.last_sale_on, plugs, False)
            found[each.pool_id].append(lot)
    return found


def _prospects(
    session: Session, facts: Facts, pools: Mapping[int, Pool], grows: Mapping[int, Grows]
) -> dict[int, tuple[Prospect, ...]]:
    """What might still come into each pool? All that grows is taken as grade A.

    Less what is wrong: survival says how many live, not how many of those are counted wrongly or
    rejected when they are set aside. The allowance is what counted plugs are safe with, so that in
    the draws the share that is wrong lies anywhere up to it.
    """
    planned: Mapping[Sold, Sequence[Prospect]] = {}
    if facts.site.promise_planned_starts:
        planned = planned_prospects(session, facts.today, grows.keys())
    return {
        pool: tuple(
            _less(each, facts.site.allowance)
            for each in (
                *(grows[row.crop_id].bought_in if row.bought_in else grows[row.crop_id].prospects),
                *planned.get((row.crop_id, row.bought_in), ()),
            )
        )
        for pool, row in pools.items()
        if row.grade is Grade.A
    }


def _less(might: Prospect, allowance: float) -> Prospect:
    """The same draws less the share that is wrong, from none to the allowance, evenly spread.

    The same for all batches: who counts them, and what is called good, is the same as well.
    """
    wrong = np.rint(might.plugs * allowance * luck(_WRONG)).astype(np.int32)
    return replace(might, plugs=might.plugs - wrong)


def promisable(plugs: int, allowance: float) -> int:
    """How many of so many plugs may be promised? Less the allowance, rounded against us."""
    return plugs - math.ceil(plugs * allowance - 1e-9)


def _vetoed() -> ColumnElement[bool]:
    """Is the lot, or its whole batch, under a veto that nobody has signed off?"""
    here = or_(col(Veto.lot_id).is_(None), col(Veto.lot_id) == col(Lot.id))
    unsigned = col(Veto.signed_off_at).is_(None)
    return exists().where(col(Veto.batch_id) == col(Batch.id), unsigned, here)
