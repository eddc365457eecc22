"""Which wraps and boxes do parcels take, week by week?

Promised parcels take the wraps and boxes that are chosen for their journey (`shed.packing`), in the
week of their pack day. Order lines without a promise, and plugs that are only expected, take their
product's own wrap and the boxes that hold them: nobody knows yet how they will go. A parcel that
fits into no box that is listed counts as one of the largest.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

from sqlalchemy import func
from sqlmodel import Session, col, select

from nursery.database import now
from nursery.demand import Demand, DemandKind
from nursery.order import CustomerOrder, OrderLine, Product, Promise, PromiseLine, Wrap
from nursery.planning.wanted import ON_THE_WAY_DAYS
from nursery.promising.supply import holding
from nursery.shed.boxes import Boxes
from nursery.shed.packing import Packing, packings
from nursery.shed.wanted import Wanted
from nursery.travelling import ParcelBox
from nursery.weeks import Horizon, Week

BUNDLES_A_PARCEL = 2.0

_Weeks = list[float]


@dataclass(frozen=True)
class Posted:
    """Bundles by wrap (id), boxes by name, and parcels, in the week in which they are packed.

    Every kind of box that is listed has its weeks; none where none is. `packed` says how each
    promised parcel travels, by promise id.
    """

    weeks: int
    bundles: dict[int | None, _Weeks] = field(default_factory=dict)
    boxes: dict[str, _Weeks] = field(default_factory=dict)
    parcels: _Weeks = field(default_factory=list)
    packed: dict[int, Packing] = field(default_factory=dict)

    def add_bundles(self, wrap: int | None, week: int, many: float) -> None:
        self.bundles.setdefault(wrap, [0.0] * self.weeks)[week] += many

    def add_parcels(self, week: int, boxes: Iterable[str], many: float = 1) -> None:
        self.parcels[week] += many
        for name, number in Counter(boxes).items():
            self.boxes[name][week] += many * number

    def whole(self) -> Posted:
        """The same in whole bundles, boxes and parcels."""
        for used in (*self.bundles.values(), *self.boxes.values(), self.parcels):
            used[:] = [float(math.ceil(number - 1e-9)) for number in used]
        return self


def posted(session: Session, horizon: Horizon, day: date) -> Posted:
    """What do promises, open orders and expected sales take?"""
    kinds = session.exec(select(ParcelBox.name).order_by(col(ParcelBox.name))).all()
    found = Posted(
        horizon.weeks,
        boxes={name: [0.0] * horizon.weeks for name in kinds},
        parcels=[0.0] * horizon.weeks,
    )
    boxes = Boxes(session)
    rows = [
        Wanted(*row)
        for row in session.exec(
            select(PromiseLine, Promise, CustomerOrder, Product)
            .join(Promise, col(PromiseLine.promise_id) == col(Promise.id))
            .join(CustomerOrder, col(Promise.order_id) == col(CustomerOrder.id))
            .join(Product, col(PromiseLine.product_id) == col(Product.id))
            .order_by(col(PromiseLine.id))
        ).all()
    ]
    given: dict[tuple[int, int], int] = defaultdict(int)
    for each in rows:
        given[each.promise.order_id, each.product.id or 0] += each.line.quantity
    _add_promised(session, horizon, rows, boxes, found)
    _add_open(session, horizon, day, given, boxes, found)
    _add_expected(session, horizon, boxes, found)
    return found.whole()


def _held_by(names: Sequence[str], boxes: Boxes) -> Sequence[str]:
    return names or ([boxes.largest()] if boxes.largest() else [])


def _add_promised(
    session: Session, horizon: Horizon, rows: Sequence[Wanted], boxes: Boxes, found: Posted
) -> None:
    """As they are going to be packed: the wrap of each line, the boxes of each parcel."""
    holds = set(session.exec(select(Promise.id).where(holding(now(session)))).all())
    to_pack = [
        each
        for each in rows
        if each.promise.id in holds and horizon.index(each.promise.pack_on) < horizon.weeks
    ]
    wraps = {row.name: row.id for row in session.exec(select(Wrap))}
    packed = packings(session, to_pack)
    found.packed.update(packed)
    wrap_of = {wrap.promise_line_id: wrap.wrap for one in packed.values() for wrap in one.wraps}
    weeks: dict[int, int] = {}
    for each in to_pack:
        week = max(0, horizon.index(each.promise.pack_on))
        weeks[each.promise.id or 0] = week
        wrap = wraps.get(wrap_of[each.line.id or 0])
        found.add_bundles(wrap, week, each.line.quantity)
    for promise, week in weeks.items():
        names = [box.name for box in packed[promise].boxes]
        found.add_parcels(week, _held_by(names, boxes))


def _add_open(
    session: Session,
    horizon: Horizon,
    day: date,
    given: Mapping[tuple[int, int], int],
    boxes: Boxes,
    found: Posted,
) -> None:
    """Order lines without a promise: in the week the customer wants them, else this week."""
    rows = session.exec(
        select(CustomerOrder, OrderLine, Product)
        .join(OrderLine, col(OrderLine.order_id) == col(CustomerOrder.id))
        .join(Product, col(OrderLine.product_id) == col(Product.id))
        .order_by(col(OrderLine.id))
    ).all()
    holds: dict[int, list[tuple[Product, int]]] = defaultdict(list)
    weeks: dict[int, int] = {}
    for order, line, product in rows:
        left = line.quantity - given.get((order.id or 0, product.id or 0), 0)
        if left <= 0 or (order.not_after is not None and order.not_after < day):
            continue
        first = order.not_before or day
        week = max(0, horizon.index(first - timedelta(days=ON_THE_WAY_DAYS)))
        if week < horizon.weeks:
            found.add_bundles(product.wrap_id, week, left)
            holds[order.id or 0].append((product, left))
            weeks[order.id or 0] = week
    for order_id, wanted in holds.items():
        names = [box.name for box in boxes.of(wanted)]
        found.add_parcels(weeks[order_id], _held_by(names, boxes))


def _add_expected(session: Session, horizon: Horizon, boxes: Boxes, found: Posted) -> None:
    """Expected sales in bundles of the crop's smallest product, as many a parcel as orders have."""
    smallest: dict[int, Product] = {}
    for product in session.exec(select(Product).order_by(col(Product.plugs).desc())).all():
        smallest[product.crop_id] = product
    orders, lines = session.exec(
        select(func.count(func.distinct(OrderLine.order_id)), func.sum(OrderLine.quantity))
    ).one()
    a_parcel = float(lines or 0) / orders if orders else BUNDLES_A_PARCEL
    rows = session.exec(select(Demand).where(Demand.kind == DemandKind.EXPECTED_SALES)).all()
    for row in rows:
        week, of = horizon.index(Week.parse(row.week)), smallest.get(row.crop_id)
        if 0 <= week < horizon.weeks and of is not None:
            bundles = row.plugs / of.plugs
            found.add_bundles(of.wrap_id, week, bundles)
            names = [box.name for box in boxes.of([(of, math.ceil(a_parcel - 1e-9))])]
            found.add_parcels(week, _held_by(names, boxes), bundles / a_parcel)
