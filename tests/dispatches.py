"""A small nursery whose open orders are dispatched, for tests."""

from collections.abc import Sequence
from datetime import date, timedelta

from sqlmodel import Session, col, select

from nursery.database import Database
from nursery.dispatching.dispatch import DispatchReport, plan_dispatch
from nursery.order import (
    Product,
    Promise,
)
from nursery.promising.promise import promise_order
from nursery.stock import Lot
from solver.run import Limits
from tests.builders import (
    crop_named,
    open_order,
    product_of,
    ready_lot,
    small_nursery,
)

MONDAY = date(2027, 5, 24)
TUESDAY, WEDNESDAY, THURSDAY = (MONDAY + timedelta(days=i) for i in (1, 2, 3))
LAST = MONDAY + timedelta(days=25)
QUICK = Limits(seconds=10, threads=1)
DAYS = 21


def sturdy_nursery(db: Database) -> Database:
    """A small nursery of sturdy plants: only the weather that a test brings closes a day."""
    with db.writing() as session:
        small_nursery(session, MONDAY)
        for product in session.exec(select(Product)):
            product.heat_limit_c, product.frost_limit_c = 32.0, -8.0
    return db


def stock(session: Session, plugs: int, last: date = LAST) -> Lot:
    """A lot of marsh marigolds that stands ready."""
    return ready_lot(session, crop_named(session, "Caltha palustris"), plugs, MONDAY, last)


def the_product(session: Session) -> Product:
    """Six marsh marigolds."""
    return product_of(session, crop_named(session, "Caltha palustris"))


def promise_on(session: Session, reference: str, day: date, quantity: int = 1) -> Promise:
    """An order and its promise for this day."""
    order = open_order(session, reference, the_product(session), quantity)
    return promise_order(session, order.id or 0, day, "Van", "shop")


def dispatch(db: Database, accept_it: bool = True) -> DispatchReport:
    """The dispatch as the lead makes it."""
    return plan_dispatch(db, QUICK, "Ada", accept_it, DAYS)


def promises(session: Session) -> Sequence[Promise]:
    """All promises, in the order in which they were made."""
    return session.exec(select(Promise).order_by(col(Promise.id))).all()
