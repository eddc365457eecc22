"""How many plugs of each crop are wanted in each week, and which are there already?

Only grade A is planned: plugs of grade B come by themselves and are sold as they come.

Wanted in a week are, each plug once:
- plugs promised and not yet picked, in the week of their ship day (a day gone by: this week);
- plugs of order lines that never had a promise, in the week in which they must leave to arrive on
  the customer's first day; without one, in the first week in which plugs can be had at all;
- expected sales, which are beyond the orders on the book, planting out and mother renewal; what
  was planted out since Monday is no longer wanted for either of these two;
- young plants for mother blocks whose use ends (`planning.renewal`).
A promise stands for its part of the order line; what was cancelled or lapsed is no longer wanted.

Of a crop that is raised here, what is sold as bought in has a book of its own (`by_consent`). In it
are the promises on such plugs, and of the order lines whose customers agreed those that own plugs
serve a week later, or not at all; expected sales have agreed to nothing.

There already are
- lots that stand ready, less the site's allowance. They have less life left than new ones, so they
  are given to the demand before the plan is made, the lot with the first last sale day first, and
  the plan sees only what is left over of the demand (and the places that they stand on);
- lots and flushes of growing batches that are ready later, in the week of their safe date.
A batch or lot that is not clear, or is under a veto that nobody has signed off, counts 0.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TypeAlias
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy import func
from sqlalchemy import select as sql_select
from sqlalchemy.orm import joinedload
from sqlmodel import Session, col, select

from nursery.availability import Days, allot, extra
from nursery.batch import Batch
from nursery.database import now, site
from nursery.demand import Demand, DemandKind
from nursery.growing.air import Air
from nursery.growing.growth import ExpectedLot, pooled_lots
from nursery.order import CustomerOrder, OrderLine, Product, Promise, PromiseLine
from nursery.planning.by_consent import split_crops
from nursery.planning.renewal import renewals
from nursery.promising.supply import holding, promisable
from nursery.shed.veto import saleable
from nursery.stock import Grade, Lot, Moved, Movement, Pool
from nursery.weeks import Horizon, Week

ON_THE_WAY_DAYS = 3
"""How many days before the customer's first day plugs are wanted: a usual time on the way."""


@dataclass(frozen=True, slots=True)
class Leftover:
    """Plugs of a ready lot that nothing on the book or expected will take before they are past."""

    crop_id: int
    batch_code: str
    last_sale_on: date
    plugs: int
    by_consent: bool = False


@dataclass(frozen=True, slots=True)
class CropBook:
    """What a plan has to know of one crop's demand and stock, by week of the horizon.

    `by_consent`: of what is bought in of a crop that is raised here as well, alone.
    `demand` is what ready lots do not meet, `from_stock` what they do; `ready` are the plugs
    that become ready later; `standing` the plugs of ready lots still on the bench.
    """

    crop_id: int
    demand: tuple[int, ...]
    from_stock: tuple[int, ...]
    ready: tuple[int, ...]
    standing: tuple[int, ...]
    leftover: tuple[Leftover, ...] = ()
    by_consent: bool = False


Kind: TypeAlias = tuple[int, bool]
"""A crop's id, and whether plugs are meant that are for who agreed alone."""


@dataclass(frozen=True, slots=True)
class _Supply:
    first: int
    last: int
    plugs: int
    stands: bool
    code: str
    last_sale_on: date


@dataclass(frozen=True, slots=True)
class _OpenLine:
    crop_id: int
    plugs: int
    not_before: date | None
    agreed: bool


@dataclass(frozen=True)
class Books:
    """The books of every crop that has demand or stock, and what the lead must know of them."""

    by_crop: Mapping[Kind, CropBook]
    notes: tuple[str, ...]

    def of(self, crop_id: int, weeks: int, by_consent: bool = False) -> CropBook:
        """The book of a crop; one full of nothing for a crop that nobody asks for."""
        none = (0,) * weeks
        empty = CropBook(crop_id, none, none, none, none, by_consent=by_consent)
        return self.by_crop.get((crop_id, by_consent), empty)


def crop_books(
    session: Session,
    horizon: Horizon,
    today: date,
    first_ready: Mapping[Kind, int],
    air: Air | None = None,
) -> Books:
    """What is wanted and what is there, by crop and week?

    `first_ready` says in which week a start of this plan could be ready at the earliest: open
    orders without a first day that no stock can serve are wanted then.
    """
    notes: list[str] = []
    split = split_crops(session)
    supplies, unsold = _supplies(session, horizon, today, notes, air, split)
    demand: dict[Kind, list[int]] = defaultdict(lambda: [0] * horizon.weeks)
    _add_promised(session, horizon, demand, split)
    orders = _open_lines(session, today, notes)
    for crop_id in {line.crop_id for line in orders}:
        lines = [line for line in orders if line.crop_id == crop_id]
        asked = [line for line in lines if line.agreed and crop_id in split]
        own, bought = (
            _Side(supplies.get(kind, []), demand, kind, horizon, first_ready.get(kind))
            for kind in ((crop_id, False), (crop_id, True))
        )
        _place([line for line in lines if line not in asked], own)
        _place_agreed(asked, own, bought)
    _add_expected(session, horizon, demand)
    for one in renewals(session, horizon, today):
        demand[one.crop_id, False][one.week] += one.plants
        notes.append(str(one))
    kinds = sorted(demand.keys() | supplies.keys() | unsold.keys())
    books = {k: _book(k, demand[k], supplies[k], unsold[k], horizon) for k in kinds}
    return Books(books, tuple(notes))


def _supplies(
    session: Session,
    horizon: Horizon,
    today: date,
    notes: list[str],
    air: Air | None,
    split: Set[int],
) -> tuple[dict[Kind, list[_Supply]], dict[Kind, list[int]]]:
    """What can be sold by crop, and how many plugs stand ready, by week, that cannot."""
    found: dict[Kind, list[_Supply]] = defaultdict(list)
    unsold: dict[Kind, list[int]] = defaultdict(lambda: [0] * horizon.weeks)
    allowance = site(session).allowance
    lots = session.exec(
        select(Lot).where(col(Lot.plugs) > 0).options(joinedload(Lot.pool), joinedload(Lot.batch))  # type: ignore[arg-type]
    ).all()
    clear = saleable(session, [lot.id for lot in lots if lot.id is not None])
    barred: dict[str, int] = defaultdict(int)
    for lot in lots:
        kind, plugs = kind_of(lot, split), promisable(lot.plugs, allowance)
        if lot.pool.grade is not Grade.A or lot.last_sale_on < today or lot.id not in clear:
            last = max(0, horizon.index(max(lot.last_sale_on, today)))
            for week in range(min(last + 1, horizon.weeks)):
                unsold[kind][week] += lot.plugs
            if lot.id not in clear:
                barred[lot.batch.code] += lot.plugs
            continue
        first = max(0, horizon.index(lot.ready_on))
        last = horizon.index(lot.last_sale_on)
        stands = lot.ready_on <= today
        found[kind].append(_Supply(first, last, plugs, stands, lot.batch.code, lot.last_sale_on))
    grown = {batch.id: batch for batch in session.exec(select(Batch))} if split else {}
    for one in pooled_lots(session, today, air):
        if one.may_be_promised:
            bought_in = one.crop_id in split and grown[one.batch_id].protocol.sold_as_bought_in
            found[one.crop_id, bought_in].append(_growing(one, horizon))
        else:
            barred[one.batch_code] += one.plugs
    notes.extend(
        f"Batch '{code}' is under a veto or not known to be clear: its {plugs} plugs are not "
        "counted on until an authorised person signs it off"
        for code, plugs in sorted(barred.items())
    )
    return found, unsold


def kind_of(lot: Lot, split: Set[int]) -> Kind:
    """In which book does this lot stand? `split` are the crops that have two."""
    return lot.pool.crop_id, lot.pool.bought_in and lot.pool.crop_id in split


def _growing(one: ExpectedLot, horizon: Horizon) -> _Supply:
    first, last = max(0, horizon.index(one.ready_on)), horizon.index(one.last_sale_on)
    return _Supply(first, last, one.plugs, False, one.batch_code, one.last_sale_on)


def _add_promised(
    session: Session, horizon: Horizon, demand: dict[Kind, list[int]], split: Set[int]
) -> None:
    rows = session.exec(
        select(
            col(Pool.crop_id),
            col(Pool.bought_in),
            col(Promise.ship_on),
            func.sum(PromiseLine.plugs - PromiseLine.picked),
        )
        .join(PromiseLine, col(PromiseLine.pool_id) == col(Pool.id))
        .join(Promise, col(PromiseLine.promise_id) == col(Promise.id))
        .where(holding(now(session)), Pool.grade == Grade.A)
        .where(col(PromiseLine.plugs) > col(PromiseLine.picked))
        .group_by(col(Pool.crop_id), col(Pool.bought_in), col(Promise.ship_on))
    ).all()
    for crop_id, bought_in, ship_on, plugs in rows:
        week = max(0, horizon.index(ship_on))
        if week < horizon.weeks:
            demand[crop_id, bought_in and crop_id in split][week] += int(plugs)


def _open_lines(session: Session, today: date, notes: list[str]) -> list[_OpenLine]:
    """Which order lines on the book never had a promise for all of their plugs?"""
    promised: dict[tuple[int, int], int] = {
        (order_id, product_id): int(plugs)
        for order_id, product_id, plugs in session.exec(
            select(Promise.order_id, PromiseLine.product_id, func.sum(PromiseLine.plugs))
            .join(Promise, col(PromiseLine.promise_id) == col(Promise.id))
            .group_by(col(Promise.order_id), col(PromiseLine.product_id))
        ).all()
    }
    rows = session.execute(
        sql_select(
            col(OrderLine.order_id),
            col(OrderLine.product_id),
            OrderLine.quantity * col(Product.plugs),
            col(Product.crop_id),
            col(CustomerOrder.reference),
            col(CustomerOrder.not_before),
            col(CustomerOrder.not_after),
            col(CustomerOrder.may_be_bought_in),
        )
        .join(Product, col(OrderLine.product_id) == col(Product.id))
        .join(CustomerOrder, col(OrderLine.order_id) == col(CustomerOrder.id))
        .where(col(Product.grade) == Grade.A)
        .order_by(col(CustomerOrder.placed_at), col(OrderLine.id))
    ).all()
    found: list[_OpenLine] = []
    past = set()
    for order_id, product_id, ordered, crop_id, reference, not_before, not_after, agreed in rows:
        plugs = ordered - promised.get((order_id, product_id), 0)
        if plugs <= 0:
            continue
        if not_after is not None and not_after < today:
            past.add(reference)
            continue
        found.append(_OpenLine(crop_id, plugs, not_before, agreed))
    if past:
        notes.append(
            f"{len(past)} open orders wanted their plants before today and are not planned for: "
            f"{', '.join(sorted(past)[:5])}{' ...' if len(past) > 5 else ''}"
        )
    return found


@dataclass(frozen=True)
class _Side:
    """What is there and wanted of own plugs, or of those for who agreed; the first week in which a
    start could be ready, None where nothing can be started."""

    supplies: Sequence[_Supply]
    demands: dict[Kind, list[int]]
    kind: Kind
    horizon: Horizon
    first_ready: int | None

    def add(self, week: int, plugs: int) -> None:
        """So many are wanted in this week; beyond the weeks planned, none."""
        if week < self.horizon.weeks:
            self.demands[self.kind][week] += plugs

    def free(self) -> Days:
        """How many more plugs are there in each week, beside what is wanted? [weeks]"""
        here = [s for s in self.supplies if s.first < self.horizon.weeks]
        ready, plugs = [s.first for s in here], [s.plugs for s in here]
        last = [min(s.last, self.horizon.weeks - 1) for s in here]
        return extra(ready, last, plugs, self.demands.get(self.kind, [0] * self.horizon.weeks))

    def first_week(self, plugs: int, wanted: int = 0) -> int | None:
        """In which week from `wanted` on can so many be had, from stock or else from a start?"""
        enough = np.flatnonzero(self.free()[wanted:] >= plugs)
        if enough.size:
            return wanted + int(enough[0])
        return None if self.first_ready is None else max(wanted, self.first_ready)


def _wanted_week(line: _OpenLine, horizon: Horizon) -> int | None:
    """In which week must it leave to arrive on the customer's first day? None without one."""
    if line.not_before is None:
        return None
    return max(0, horizon.index(line.not_before - timedelta(days=ON_THE_WAY_DAYS)))


def _place(lines: Sequence[_OpenLine], own: _Side) -> None:
    """Adds each open line to the week in which it is wanted: those with a day, then as ordered."""
    for line in lines:
        week = _wanted_week(line, own.horizon)
        if week is not None:
            own.add(week, line.plugs)
    for line in lines:
        if line.not_before is None:
            own.add(own.first_week(line.plugs) or 0, line.plugs)


def _place_agreed(lines: Sequence[_OpenLine], own: _Side, bought: _Side) -> None:
    """Adds lines that may be bought in where they can be had first, in the order of `_place`.

    Own plugs where both can be had in one week: they are what was ordered.
    """
    for line in sorted(lines, key=lambda line: line.not_before is None):
        wanted = _wanted_week(line, own.horizon)
        from_week = min(wanted or 0, own.horizon.weeks)
        one = own.first_week(line.plugs, from_week)
        other = bought.first_week(line.plugs, from_week)
        if other is not None and (one is None or other < one):
            side, week = bought, other
        else:
            side, week = own, one or from_week
        side.add(week if wanted is None else wanted, line.plugs)


def _add_expected(session: Session, horizon: Horizon, demand: dict[Kind, list[int]]) -> None:
    planted = _planted_out(session, horizon)
    for row in session.exec(select(Demand).order_by(col(Demand.id))).all():
        week = horizon.index(Week.parse(row.week))
        if not 0 <= week < horizon.weeks:
            continue
        done = 0
        if week == 0 and row.kind is not DemandKind.EXPECTED_SALES:
            done = min(row.plugs, planted.get(row.crop_id, 0))
            planted[row.crop_id] = planted.get(row.crop_id, 0) - done
        if row.plugs > done:
            demand[row.crop_id, False][week] += row.plugs - done


def _planted_out(session: Session, horizon: Horizon) -> dict[int, int]:
    """How many plugs of each crop were planted out since Monday, as this site has it?"""
    monday = datetime.combine(horizon.start.monday(), time(), ZoneInfo(site(session).time_zone))
    rows = session.exec(
        select(Batch.crop_id, func.sum(Movement.plugs))
        .join(Batch, col(Movement.batch_id) == col(Batch.id))
        .where(Movement.kind == Moved.PLANTED_OUT, col(Movement.happened_at) >= monday)
        .group_by(col(Batch.crop_id))
    ).all()
    return {crop_id: -int(plugs) for crop_id, plugs in rows}


def _book(
    kind: Kind,
    wanted: list[int],
    supplies: list[_Supply],
    unsold: list[int],
    horizon: Horizon,
) -> CropBook:
    weeks = horizon.weeks
    stock = [s for s in supplies if s.stands]
    ready = [0] * weeks
    for one in supplies:
        if not one.stands and one.first < weeks:
            ready[one.first] += one.plugs
    given = np.zeros((len(stock), weeks), dtype=np.int64)
    if stock:
        ends = [min(s.last, weeks - 1) for s in stock]
        given = np.asarray(allot([0] * len(stock), ends, [s.plugs for s in stock], wanted))
    standing = np.array(unsold, dtype=np.int64)
    leftover = []
    for one, row in zip(stock, given, strict=True):
        for week in range(min(one.last + 1, weeks)):
            standing[week] += one.plugs - int(row[: week + 1].sum())
        left = one.plugs - int(row.sum())
        if left > 0 and one.last < weeks:
            leftover.append(Leftover(kind[0], one.code, one.last_sale_on, left, kind[1]))
    met = given.sum(axis=0)
    return CropBook(
        crop_id=kind[0],
        by_consent=kind[1],
        demand=tuple(int(w) - int(m) for w, m in zip(wanted, met, strict=True)),
        from_stock=tuple(int(m) for m in met),
        ready=tuple(ready),
        standing=tuple(int(s) for s in standing),
        leftover=tuple(leftover),
    )
