"""Which parcels are there to dispatch, as the rows have them, before their days are judged?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date
from itertools import groupby
from typing import NamedTuple

from sqlalchemy import func
from sqlalchemy.orm import selectinload
from sqlmodel import Session, col, select

from nursery.database import now, site
from nursery.growing_area import Site
from nursery.order import CustomerOrder, OrderLine, Product, Promise, PromiseLine, State
from nursery.promising.basket import Item, Parcel, items_of, parcel_of
from nursery.promising.borders import is_shut
from nursery.promising.supply import holding
from nursery.shed.packer import Goods
from nursery.stock import Pool
from solver.dispatching.problem import Problem

_PART, _OF_PART = "/", "#0/"


class Raw(NamedTuple):
    """An order, or a part of it, as the rows have it, or (`stand_ins`) filled with other plants.

    `goods` are its products, line by line. `mark` tells several ways of filling one parcel from
    each other; `changed` ones are not as the books have them, and `worse_days` says how much what
    is not as ordered weighs, in days late.
    """

    order: CustomerOrder
    promise: Promise | None
    parcel: Parcel
    goods: Goods
    fixed: bool
    part: str = ""
    mark: str = ""
    changed: bool = False
    worse_days: int = 0

    @property
    def key(self) -> str:
        """What is it called in the problem?"""
        whole = f"{self.order.reference}#{self.promise.id if self.promise else 0}"
        return (f"{whole}{_PART}{self.part}" if self.part else whole) + self.mark


def parts_in(problem: Problem) -> frozenset[str]:
    """Which orders does a problem look at line by line? Their references."""
    return frozenset(key.rpartition(_OF_PART)[0] for key in problem.order_of if _OF_PART in key)


def read_rows(
    session: Session, parts: frozenset[str], first: date
) -> tuple[list[Raw], tuple[tuple[str, str], ...]]:
    """Which parcels are promised or wait, and which orders cannot even be asked about, and why?

    `parts` are the references of orders to be looked at line by line, `first` is today.
    """
    here, promises, orders = site(session), _promises(session), _unpromised(session)
    items = _items(session, promises, orders)
    raw = [_kept(here, promise, items) for promise in promises]
    never: list[tuple[str, str]] = []
    for order, lines in orders:
        shut = order.zone.blocked and is_shut(session, order.zone, first)
        why = _never(order, lines, items, bool(shut))
        if why:
            never.append((order.reference, why))
        there = [line for line in lines if line.product_id in items]
        if not why or (there and order.may_split and not shut):
            raw.extend(_unkept(here, order, there, items, order.reference in parts))
    return raw, tuple(never)


def _promises(session: Session) -> Sequence[Promise]:
    """Promises that hold plugs and a day, confirmed or reserved."""
    return session.exec(
        select(Promise)
        .where(holding(now(session)))
        .options(
            selectinload(Promise.order),  # type: ignore[arg-type]
            selectinload(Promise.service),  # type: ignore[arg-type]
            selectinload(Promise.lines)  # type: ignore[arg-type]
            .selectinload(PromiseLine.product)  # type: ignore[arg-type]
            .selectinload(Product.wrap),  # type: ignore[arg-type]
        )
        .order_by(col(Promise.id)),
        execution_options={"populate_existing": True},
    ).all()


def _unpromised(session: Session) -> list[tuple[CustomerOrder, list[OrderLine]]]:
    """Orders with lines that never had a promise, oldest first, and those lines.

    Where a promise was made already, only customers who agreed to parts wait for the rest.
    """
    promised = (
        select(PromiseLine.id)
        .join(Promise, col(PromiseLine.promise_id) == col(Promise.id))
        .where(
            col(Promise.order_id) == col(OrderLine.order_id),
            func.coalesce(PromiseLine.instead_of_id, PromiseLine.product_id)
            == col(OrderLine.product_id),
        )
    )
    rows = session.exec(
        select(OrderLine)
        .join(CustomerOrder)
        .where(
            ~promised.exists(),
            col(CustomerOrder.may_split) | ~col(CustomerOrder.promises).any(),
        )
        .options(
            selectinload(OrderLine.order).selectinload(CustomerOrder.zone),  # type: ignore[arg-type]
            selectinload(OrderLine.product).selectinload(Product.wrap),  # type: ignore[arg-type]
        )
        .order_by(col(CustomerOrder.placed_at), col(CustomerOrder.id), col(OrderLine.id))
    ).all()
    return [
        (lines[0].order, lines)
        for lines in (list(group) for _, group in groupby(rows, key=lambda line: line.order_id))
    ]


def _items(
    session: Session,
    promises: Sequence[Promise],
    orders: Sequence[tuple[CustomerOrder, Sequence[OrderLine]]],
) -> dict[int, Item]:
    """One of each product that is wanted, by product id; none for crops without stock."""
    wanted = {line.product_id: line.product for promise in promises for line in promise.lines}
    wanted |= {line.product_id: line.product for _, lines in orders for line in lines}
    stocked = set(session.exec(select(Pool.crop_id, Pool.grade).where(~col(Pool.bought_in))))
    there = [(p, 1) for p in wanted.values() if (p.crop_id, p.grade) in stocked]
    return {item.product_id: item for item in items_of(session, there)}


def _never(
    order: CustomerOrder, lines: Sequence[OrderLine], items: Mapping[int, Item], shut: bool
) -> str:
    """Why can nobody even look for a day for these lines? "" where one can."""
    if shut:
        return f"Nothing is sent to {order.zone.name}: {order.zone.blocked}"
    lacking = [line.product.code for line in lines if line.product_id not in items]
    return f"There is no stock of {', '.join(lacking)} yet" if lacking else ""


def _unkept(
    here: Site,
    order: CustomerOrder,
    lines: Sequence[OrderLine],
    items: Mapping[int, Item],
    in_parts: bool,
) -> Iterator[Raw]:
    """Lines that have no promise, as one parcel or as one each."""
    found = [
        (line, replace(item, quantity=line.quantity, plugs=line.quantity * item.plugs))
        for line in lines
        for item in [items[line.product_id]]
    ]
    if in_parts and len(found) > 1:
        for line, item in found:
            alone, code = ((line.product, line.quantity),), line.product.code
            yield Raw(order, None, parcel_of(here, [item]), alone, False, code)
    else:
        parcel = parcel_of(here, [item for _, item in found])
        goods = tuple((line.product, line.quantity) for line, _ in found)
        yield Raw(order, None, parcel, goods, False)


def _kept(here: Site, promise: Promise, items: Mapping[int, Item]) -> Raw:
    """A promise with what is left to pick of it; one that stays takes the minutes it was given."""
    left = [
        replace(
            items[line.product_id],
            quantity=line.quantity,
            plugs=line.plugs - line.picked,
            pool_id=line.pool_id,
            bought_in=line.bought_in,
            instead_of=line.instead_of_id,
            notes=line.notes,
        )
        for line in promise.lines
    ]
    fixed = promise.state == State.RESERVED or any(line.picked for line in promise.lines)
    parcel = parcel_of(here, left)
    parcel = replace(parcel, minutes=promise.minutes) if fixed else parcel
    goods = tuple((line.product, line.quantity) for line in promise.lines)
    return Raw(promise.order, promise, parcel, goods, fixed)
