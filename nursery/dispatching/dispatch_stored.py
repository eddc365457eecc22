"""What did a dispatch decide that was stored before? From the problem and the plan as kept.

The sentences for customers are not kept: they follow from the facts of that day. What was carried
out is in the events of each promise.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlmodel import Session, col, select

from nursery.dispatching.stand_ins import from_json
from nursery.errors import Refusal, Refused
from nursery.order import Product, line_notes
from nursery.planned import PlanKind, PlanVersion, newest_version
from solver.dispatching.problem import Plan, Problem


@dataclass(frozen=True, slots=True)
class StoredShip:
    """An order of a stored dispatch. `ship_on` is None where there was no day for it.

    `kept_on` was its ship day when the dispatch was made, None for an order without a promise;
    `late_days` counts from the day promised first, or from the first day that was open; `notes`
    say which of its plants it changed to others than ordered, or than it had.
    """

    reference: str
    promise_id: int | None
    ship_on: date | None
    kept_on: date | None
    late_days: int
    notes: tuple[str, ...] = ()

    @property
    def moved(self) -> bool:
        """Does the dispatch give it another day than it had?"""
        return None not in (self.ship_on, self.kept_on) and self.ship_on != self.kept_on


@dataclass(frozen=True)
class StoredDispatch:
    """A dispatch as it was stored. Costs in cents; a `bound` of 0 proves nothing."""

    version: int
    made_at: datetime
    accepted_at: datetime | None
    accepted_by: str | None
    first_day: date
    orders: tuple[StoredShip, ...]
    cost: int
    bound: int
    first_come_cost: int
    seconds: float

    @property
    def ships(self) -> tuple[StoredShip, ...]:
        """Which orders leave? By ship day, then reference."""
        return tuple(order for order in self.orders if order.ship_on is not None)


def stored_dispatch(session: Session, version: int | None = None) -> StoredDispatch:
    """What did this dispatch decide (the newest, where none is named)?

    Raises `Refused` ("unknown_plan").
    """
    last = newest_version(session, PlanKind.DISPATCH)
    wanted = version if version is not None else last
    row = session.exec(
        select(PlanVersion).where(
            PlanVersion.kind == PlanKind.DISPATCH, PlanVersion.version == wanted
        )
    ).first()
    if row is None:
        there = f"the last one is {last}" if last else "none has been made yet"
        raise Refused(
            Refusal(
                "unknown_plan",
                f"There is no dispatch {wanted}: {there}",
                "version",
                "make one with `nursery dispatch`, or name one that is there",
            )
        )
    problem, plan = Problem.from_json(row.problem), Plan.from_json(row.plan)
    orders = []
    notes = _notes(session, row)
    for order in problem.orders:
        reference, _, promise = order.key.rpartition("#")
        index = plan.ships.get(order.key)
        orders.append(
            StoredShip(
                reference=reference,
                promise_id=int(promise) or None,
                ship_on=_day(row, index),
                kept_on=_day(row, order.kept_day),
                late_days=max(0, index - order.first_day) if index is not None else 0,
                notes=notes.get(order.key, ()),
            )
        )
    last_day = date.max
    return StoredDispatch(
        version=row.version,
        made_at=row.made_at,
        accepted_at=row.accepted_at,
        accepted_by=row.accepted_by,
        first_day=row.first_day,
        orders=tuple(sorted(orders, key=lambda o: (o.ship_on or last_day, o.reference))),
        cost=row.cost,
        bound=row.bound,
        first_come_cost=row.rule_of_thumb_cost,
        seconds=row.seconds,
    )


def _notes(session: Session, row: PlanVersion) -> dict[str, tuple[str, ...]]:
    """What was changed in each order, by its key."""
    choices = from_json(row.stand_ins)
    products = {key for sends in choices.values() for s in sends for key in (s.ordered, s.sent)}
    rows = session.exec(select(Product).where(col(Product.id).in_(products)))
    known = {product.id: product for product in rows}
    return {
        key: tuple(
            f"{sent.code}: {', '.join(line_notes(sent, other, one.bought_in))}"
            for one in sends
            if (sent := known.get(one.sent)) is not None
            for other in [known.get(one.ordered) if one.sent != one.ordered else None]
        )
        or ("as ordered",)
        for key, sends in choices.items()
    }


def _day(row: PlanVersion, index: int | None) -> date | None:
    return None if index is None else row.first_day + timedelta(days=index)
