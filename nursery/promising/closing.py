"""Which days are closed from now on, and which promises does that touch?"""

from dataclasses import dataclass
from datetime import date, timedelta

from sqlalchemy import ColumnElement
from sqlmodel import Session, col, or_, select

from nursery.carrier import CarrierService, ClosedAt, Closure, Zone
from nursery.database import site, today
from nursery.errors import Fault, Refusal, Refused
from nursery.locks import lock_ship_days, lock_site
from nursery.order import HOLDING, CustomerOrder, Promise

LONGEST_DAYS, FARTHEST_DAYS = 60, 1_100
"""A longer closure, or one later than in three years, is rather a wrong year."""


@dataclass(frozen=True, slots=True)
class Closed:
    """The closure as it stands, and the promises (ids) whose way it crosses: they want a look.

    They keep their day until the lead gives them a new one (`promising.promise.re_date`).
    """

    closure: Closure
    promise_ids: tuple[int, ...]


def close_day(
    session: Session,
    closed_at: ClosedAt,
    first_day: date,
    last_day: date,
    reason: str,
    key: str = "",
) -> Closed:
    """On which days is nothing collected or delivered, at the origin or where `key` says?

    `key` is a service's, a zone's or a holiday region's name, "" for the origin. From now on no
    quote offers these days. The same closure again changes nothing. Raises Refused:
    "unknown_place", "closed_already" (from that day until another, or for another reason).
    Raises Fault for no reason, days that have passed, the wrong order, or too many.
    """
    _check(session, closed_at, first_day, last_day, reason, key)
    lock_site(session)
    days = [first_day + timedelta(days=i) for i in range((last_day - first_day).days + 1)]
    lock_ship_days(session, days)
    query = select(Closure).where(
        Closure.closed_at == closed_at, Closure.key == key, Closure.first_day == first_day
    )
    closure = session.exec(query).first()
    if closure is None:
        closure = Closure(
            closed_at=closed_at, key=key, first_day=first_day, last_day=last_day, reason=reason
        )
        session.add(closure)
        session.flush()
    elif (closure.last_day, closure.reason) != (last_day, reason):
        message = f"closed from {first_day} to {closure.last_day} already: {closure.reason}"
        raise Refused(Refusal("closed_already", message, "first_day", "choose other days"))
    return Closed(closure, _touched(session, closure))


@dataclass(frozen=True, slots=True)
class ClosedDays:
    """Days that are closed, both included, and where: "the nursery", a service, zone or region."""

    where: str
    first_day: date
    last_day: date
    reason: str


def standing_closures(session: Session) -> list[ClosedDays]:
    """Which closures are not over? The next first."""
    rows = session.exec(
        select(Closure)
        .where(col(Closure.last_day) >= today(session))
        .order_by(col(Closure.first_day), col(Closure.id))
    )
    return [ClosedDays(_said(row), row.first_day, row.last_day, row.reason) for row in rows]


def reopen_days(
    session: Session, closed_at: ClosedAt, first_day: date, key: str = ""
) -> ClosedDays:
    """Which days of the closure that begins on `first_day` are open again? From today on, all.

    Days that have passed stay closed: parcels did wait on them. Raises Refused "no_closure".
    """
    lock_site(session)
    day = today(session)
    query = select(Closure).where(
        Closure.closed_at == closed_at, Closure.key == key, Closure.first_day == first_day
    )
    row = session.exec(query).first()
    if row is None or row.last_day < day:
        message = f"No closure that is not over begins on {first_day} at {key or 'the nursery'}"
        there = "; ".join(f"{one.first_day} at {one.where}" for one in standing_closures(session))
        raise Refused(Refusal("no_closure", message, "first_day", f"there are: {there or 'none'}"))
    from_day = max(day, row.first_day)
    opened = ClosedDays(_said(row), from_day, row.last_day, row.reason)
    lock_ship_days(
        session, [from_day + timedelta(days=i) for i in range((row.last_day - from_day).days + 1)]
    )
    if from_day == row.first_day:
        session.delete(row)
    else:
        row.last_day = from_day - timedelta(days=1)
        session.add(row)
    session.flush()
    return opened


def references_of(session: Session, promise_ids: tuple[int, ...]) -> tuple[str, ...]:
    """Of which orders are these promises? By reference."""
    query = (
        select(CustomerOrder.reference)
        .join(Promise, col(Promise.order_id) == col(CustomerOrder.id))
        .where(col(Promise.id).in_(promise_ids))
        .order_by(CustomerOrder.reference)
        .distinct()
    )
    return tuple(session.exec(query))


def _said(row: Closure) -> str:
    if row.closed_at is ClosedAt.ORIGIN:
        return "the nursery"
    return f"{row.closed_at.value} {row.key}"


def _check(
    session: Session, closed_at: ClosedAt, first_day: date, last_day: date, reason: str, key: str
) -> None:
    if not reason.strip():
        raise Fault("Closure", "needs a reason", reason, "say why it is closed")
    if last_day < first_day:
        rule = f"the last day must not be before the first ({first_day})"
        raise Fault("Closure", rule, last_day, "swap or correct the days")
    if last_day < today(session):
        raise Fault("Closure", "must not have passed", last_day, "correct the days")
    if (first_day - today(session)).days > FARTHEST_DAYS:
        raise Fault(
            "Closure", f"must begin within {FARTHEST_DAYS} days", first_day, "check the year"
        )
    if (last_day - first_day).days >= LONGEST_DAYS:
        rule = f"must be at most {LONGEST_DAYS} days long"
        raise Fault("Closure", rule, f"{first_day} to {last_day}", "correct the days")
    known = _places(session, closed_at)
    if key not in known:
        message = f"there is no {closed_at.value} {key!r}"
        named = ", ".join(sorted(known)) or "none"
        raise Refused(Refusal("unknown_place", message, "key", f"known are: {named}"))


def _places(session: Session, closed_at: ClosedAt) -> set[str]:
    if closed_at is ClosedAt.ORIGIN:
        return {""}
    if closed_at is ClosedAt.SERVICE:
        return set(session.exec(select(CarrierService.name)))
    if closed_at is ClosedAt.ZONE:
        return set(session.exec(select(Zone.name)))
    regions = {*session.exec(select(Zone.holiday_region)), site(session).holiday_region}
    return regions | {region.partition("-")[0] for region in regions}


def _touched(session: Session, closure: Closure) -> tuple[int, ...]:
    """The promises not yet picked whose days, packing to last arrival, the closure crosses."""
    first, last = closure.first_day, closure.last_day
    query = select(Promise.id).where(
        col(Promise.state).in_(HOLDING), col(Promise.pack_on) <= last, _crossed(session, closure)
    )
    if closure.closed_at is ClosedAt.ORIGIN:
        query = query.where(col(Promise.ship_on) >= first)
    else:
        query = query.where(col(Promise.arrives_until) >= first)
    found = session.exec(query.order_by(col(Promise.ship_on), col(Promise.id)))
    return tuple(id for id in found if id is not None)


def _crossed(session: Session, closure: Closure) -> ColumnElement[bool]:
    """Which promises go by this service, or through this zone or region?"""
    if closure.closed_at is ClosedAt.ORIGIN:
        return col(Promise.id).is_not(None)
    if closure.closed_at is ClosedAt.SERVICE:
        services = select(CarrierService.id).where(CarrierService.name == closure.key)
        return col(Promise.service_id).in_(services)
    inside = or_(
        col(Zone.holiday_region) == closure.key,
        col(Zone.holiday_region).startswith(f"{closure.key}-", autoescape=True),
    )
    if closure.closed_at is ClosedAt.ZONE:
        inside = col(Zone.name) == closure.key
    home = f"{site(session).holiday_region}-".startswith(f"{closure.key}-")
    if closure.closed_at is ClosedAt.REGION and home:
        return col(Promise.id).is_not(None)
    orders = select(CustomerOrder.id).join(Zone).where(inside)
    return col(Promise.order_id).in_(orders)
