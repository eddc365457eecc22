"""Which lines are still to be picked, for whom?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlmodel import Session, col, select
from sqlmodel.sql.expression import Select

from nursery.order import CustomerOrder, Product, Promise, PromiseLine, State, Wrap


@dataclass(frozen=True, slots=True)
class Wanted:
    """A line that still wants plugs, with all that the sheet says of it."""

    line: PromiseLine
    promise: Promise
    order: CustomerOrder
    product: Product

    @property
    def wrap(self) -> Wrap | None:
        """In what does its product travel, as listed?"""
        return self.product.wrap

    @property
    def plugs(self) -> int:
        """How many are still to be picked?"""
        return self.line.plugs - self.line.picked


def wanted_on(session: Session, first: date, last: date) -> list[Wanted]:
    """Which lines of confirmed promises want plugs on these ship days? Who goes first, first."""
    query = _lines(first, last, State.CONFIRMED)
    return [
        Wanted(*row)
        for row in session.exec(query.where(col(PromiseLine.picked) < col(PromiseLine.plugs)))
    ]


ON_THE_TABLE = (State.CONFIRMED, State.PICKED, State.NOT_COLLECTED)
"""States of parcels that the carrier has not taken."""


def whole_on(
    session: Session, first: date, last: date, states: Sequence[State] = ON_THE_TABLE
) -> list[Wanted]:
    """All lines, picked ones too, of the parcels of these ship days that are in these states?

    In the order of `wanted_on`: whatever travels is chosen for the whole parcel.
    """
    return [Wanted(*row) for row in session.exec(_lines(first, last, *states))]


def _lines(
    first: date, last: date, *states: State
) -> Select[PromiseLine, Promise, CustomerOrder, Product]:
    return (
        select(PromiseLine, Promise, CustomerOrder, Product)
        .join(Promise, col(PromiseLine.promise_id) == col(Promise.id))
        .join(CustomerOrder, col(Promise.order_id) == col(CustomerOrder.id))
        .join(Product, col(PromiseLine.product_id) == col(Product.id))
        .where(col(Promise.state).in_(states))
        .where(col(Promise.ship_on).between(first, last))
        .order_by(
            col(Promise.ship_on),
            col(CustomerOrder.weight).desc(),
            col(Promise.first_ship_on),
            CustomerOrder.reference,
            col(Promise.id),
            Product.code,
        )
    )


def parcels(wanted: list[Wanted]) -> list[list[Wanted]]:
    """Which lines travel together? One list a promise, in the order of the lines."""
    found: dict[int, list[Wanted]] = {}
    for each in wanted:
        found.setdefault(each.promise.id or 0, []).append(each)
    return list(found.values())
