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

There already are
- lots that stand ready, less the site's allowance. They have less life left than new ones, so they
  are given to the demand before the plan is made, the lot with the first last sale day first, and
  the plan sees only what is left over of the demand (and the places that they stand on);
- lots and flushes of growing batches that are ready later, in the week of their safe date.
A batch or lot that is not clear, or is under a veto that nobody has signed off, counts 0.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy import func
from sqlmodel import Session, col, select

from nursery.availability import allot, extra
from nursery.batch import Batch
from nursery.database import now, site
from nursery.demand import Demand, DemandKind
from nursery.growing.air import Air
from nursery.growing.growth import ExpectedLot, pooled_lots
from nursery.order import CustomerOrder, OrderLine, Product, Promise, PromiseLine
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


@dataclass(frozen=True, slots=True)
class CropBook:
    """What a plan has to know of one crop's demand and stock, by week of the horizon.

    `demand` is what ready lots do not meet, `from_stock` what they do; `ready` are the plugs
    that become ready later; `standing` the plugs of ready lots still on the bench.
    """

    crop_id: int
    demand: tuple[int, ...]
    from_stock: tuple[int, ...]
    ready: tuple[int, ...]
    standing: tuple[int, ...]
    leftover: tuple[Leftover, ...] = ()


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


@dataclass(frozen=True)
class Books:
    """The books of every crop that has demand or stock, and what the lead must know of them."""

    by_crop: Mapping[int, CropBook]
    notes: tuple[str, ...]

    def of(self, crop_id: int, weeks: int) -> CropBook:
        """The book of a crop; one full of nothing for a crop that nobody asks for."""
        none = (0,) * weeks
        return self.by_crop.get(crop_id, CropBook(crop_id, none, none, none, none))


def crop_books(
    session: Session,
    horizon: Horizon,
    today: date,
    first_ready: Mapping[int, int],
    air: Air | None = None,
) -> Books:
    """What is wanted and what is there, by crop and week?

    `first_ready` says in which week a start of this plan could be ready at the earliest, by crop
    id: open orders without a first day that no stock can serve are wanted then.
    """
    notes: list[str] = []
    supplies, unsold = _supplies(session, horizon, today, notes, air)
    demand: dict[int, list[int]] = defaultdict(lambda: [0] * horizon.weeks)
    _add_promised(session, horizon, demand)
    orders = _open_lines(session, today, notes)
    for crop_id in {line.crop_id for line in orders}:
        lines = [line for line in orders if line.crop_id == crop_id]
        _place(lines, supplies[crop_id], demand[crop_id], horizon, first_ready.get(crop_id, 0))
    _add_expected(session, horizon, demand)
    for one in renewals(session, horizon, today):
        demand[one.crop_id][one.week] += one.plants
        notes.append(str(one))
    crops = sorted(demand.keys() | supplies.keys() | unsold.keys())
    books = {c: _book(c, demand[c], supplies[c], unsold[c], horizon) for c in crops}
    return Books(books, tuple(notes))


def _supplies(
    session: Session, horizon: Horizon, today: date, notes: list[str], air: Air | None
) -> tuple[dict[int, list[_Supply]], dict[int, list[int]]]:
    """What can be sold by crop, and how many plugs stand ready, by week, that cannot."""
    found: dict[int, list[_Supply]] = defaultdict(list)
    unsold: dict[int, list[int]] = defaultdict(lambda: [0] * horizon.weeks)
    allowance = site(session).allowance
    lots = session.exec(
        select(Lot).join(Pool, col(Lot.pool_id) == col(Pool.id)).where(col(Lot.plugs) > 0)
    ).all()
    clear = saleable(session, [lot.id for lot in lots if lot.id is not None])
    barred: dict[str, int] = defaultdict(int)
    for lot in lots:
        crop_id, plugs = lot.pool.crop_id, promisable(lot.plugs, allowance)
        if lot.pool.grade is not Grade.A or lot.last_sale_on < today or lot.id not in clear:
            last = max(0, horizon.index(max(lot.last_sale_on, today)))
            for week in range(min(last + 1, horizon.weeks)):
                unsold[crop_id][week] += lot.plugs
            if lot.id not in clear:
                barred[lot.batch.code] += lot.plugs
            continue
        first = max(0, horizon.index(lot.ready_on))
        last = horizon.index(lot.last_sale_on)
        stands = lot.ready_on <= today
        found[crop_id].append(_Supply(first, last, plugs, stands, lot.batch.code, lot.last_sale_on))
    for one in pooled_lots(session, today, air):
        if one.may_be_promised:
            found[one.crop_id].append(_growing(one, horizon))
        else:
            barred[one.batch_code] += one.plugs
    notes.extend(
        f"Batch '{code}' is under a veto or not known to be clear: its {plugs} plugs are not "
        "counted on until an authorised person signs it off"
        for code, plugs in sorted(barred.items())
    )
    return found, unsold


def _growing(one: ExpectedLot, horizon: Horizon) -> _Supply:
    first, last = max(0, horizon.index(one.ready_on)), horizon.index(one.last_sale_on)
    return _Supply(first, last, one.plugs, False, one.batch_code, one.last_sale_on)


def _add_promised(session: Session, horizon: Horizon, demand: dict[int, list[int]]) -> None:
    rows = session.exec(
        select(
            col(Pool.crop_id),
            col(Promise.ship_on),
            func.sum(PromiseLine.plugs - PromiseLine.picked),
        )
        .join(PromiseLine, col(PromiseLine.pool_id) == col(Pool.id))
        .join(Promise, col(PromiseLine.promise_id) == col(Promise.id))
        .where(holding(now(session)), Pool.grade == Grade.A)
        .where(col(PromiseLine.plugs) > col(PromiseLine.picked))
        .group_by(col(Pool.crop_id), col(Promise.ship_on))
    ).all()
    for crop_id, ship_on, plugs in rows:
        week = max(0, horizon.index(ship_on))
        if week < horizon.weeks:
            demand[crop_id][week] += int(plugs)


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
    rows = session.exec(
        select(OrderLine, Product, CustomerOrder)
        .join(Product, col(OrderLine.product_id) == col(Product.id))
        .join(CustomerOrder, col(OrderLine.order_id) == col(CustomerOrder.id))
        .where(Product.grade == Grade.A)
        .order_by(col(CustomerOrder.placed_at), col(OrderLine.id))
    ).all()
    found: list[_OpenLine] = []
    past = set()
    for line, product, order in rows:
        given = promised.get((line.order_id, line.product_id), 0)
        plugs = line.quantity * product.plugs - given
        if plugs <= 0:
            continue
        if order.not_after is not None and order.not_after < today:
            past.add(order.reference)
            continue
        found.append(_OpenLine(product.crop_id, plugs, order.not_before))
    if past:
        notes.append(
            f"{len(past)} open orders wanted their plants before today and are not planned for: "
            f"{', '.join(sorted(past)[:5])}{' ...' if len(past) > 5 else ''}"
        )
    return found


def _place(
    lines: Sequence[_OpenLine],
    supplies: list[_Supply],
    demand: list[int],
    horizon: Horizon,
    first_ready: int,
) -> None:
    """Adds each open line to the week in which it is wanted: those with a day, then as ordered."""
    for line in lines:
        if line.not_before is not None:
            week = max(0, horizon.index(line.not_before - timedelta(days=ON_THE_WAY_DAYS)))
            if week < horizon.weeks:
                demand[week] += line.plugs
    here = [s for s in supplies if s.first < horizon.weeks]
    ready, plugs = [s.first for s in here], [s.plugs for s in here]
    last = [min(s.last, horizon.weeks - 1) for s in here]
    for line in lines:
        if line.not_before is not None:
            continue
        free = extra(ready, last, plugs, demand)
        enough = np.flatnonzero(free >= line.plugs)
        week = int(enough[0]) if enough.size else first_ready
        if week < horizon.weeks:
            demand[week] += line.plugs


def _add_expected(session: Session, horizon: Horizon, demand: dict[int, list[int]]) -> None:
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
            demand[row.crop_id][week] += row.plugs - done


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
    crop_id: int,
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
            leftover.append(Leftover(crop_id, one.code, one.last_sale_on, left))
    met = given.sum(axis=0)
    return CropBook(
        crop_id=crop_id,
        demand=tuple(int(w) - int(m) for w, m in zip(wanted, met, strict=True)),
        from_stock=tuple(int(m) for m in met),
        ready=tuple(ready),
        standing=tuple(int(s) for s in standing),
        leftover=tuple(leftover),
    )
