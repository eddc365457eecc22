"""Who opens a blocked zone for which days, who blocks it again, and what does that touch?"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from sqlmodel import Session, col, select

from nursery.carrier import Zone, ZoneOpening
from nursery.database import now, today
from nursery.errors import Fault, Refusal, Refused
from nursery.locks import lock_ship_days, lock_site
from nursery.order import CustomerOrder, Promise, State
from nursery.promising.borders import Border, Opening, read_borders
from nursery.promising.closing import FARTHEST_DAYS

LONGEST_DAYS = 120
"""A permission is asked for anew after so long (an estimate; the authority's own term rules)."""
_NOT_GONE = (State.RESERVED, State.CONFIRMED, State.PICKED, State.NOT_COLLECTED)


@dataclass(frozen=True, slots=True)
class ZoneStanding:
    """A zone: why it is blocked ("": it is not), and its openings that are not over."""

    zone: str
    country: str
    blocked: str
    openings: tuple[Opening, ...]


@dataclass(frozen=True, slots=True)
class Shut:
    """Openings that were ended, and the orders (references) whose promises may not leave now.

    `nursery dispatch` takes their day from those that are not picked; what is picked stays here.
    """

    zone: str
    blocked: str
    openings: tuple[Opening, ...]
    orders: tuple[str, ...]


def open_zone(
    session: Session, zone: str, first_day: date, last_day: date, opened_by: str, reason: str
) -> ZoneOpening:
    """For which days may parcels go to a blocked zone, and which authorised person says so?

    They leave and arrive from `first_day` to `last_day`; then it is blocked again by itself. Show
    the person `borders.ASK_FIRST`. The same once more changes nothing. Raises Refused:
    "unknown_zone", "not_blocked". Raises Fault without a name or a reason, and for days that have
    passed, stand in the wrong order or are too many.
    """
    _named(zone, opened_by, reason, "the authorised person who opens it")
    thing = f"Zone '{zone}': opening"
    if last_day < first_day:
        rule = f"the last day must not be before the first ({first_day})"
        raise Fault(thing, rule, last_day, "swap or correct the days")
    if last_day < today(session):
        raise Fault(thing, "its days must not have passed", last_day, "correct them")
    if (first_day - today(session)).days > FARTHEST_DAYS:
        raise Fault(thing, f"must begin within {FARTHEST_DAYS} days", first_day, "check the year")
    if (last_day - first_day).days >= LONGEST_DAYS:
        rule = f"must be for at most {LONGEST_DAYS} days"
        raise Fault(thing, rule, f"{first_day} to {last_day}", "open it again when they are over")
    row = _blocked_zone(session, zone)
    by, why = opened_by.strip(), reason.strip()
    border = read_borders(session, [row.id or 0], today(session))[row.id or 0]
    for one in border.openings:
        if (one.first_day, one.last_day, one.opened_by, one.reason) == (
            first_day,
            last_day,
            by,
            why,
        ):
            return session.get_one(ZoneOpening, one.id)
    made = ZoneOpening(
        zone_id=row.id or 0,
        first_day=first_day,
        last_day=last_day,
        opened_by=by,
        reason=why,
        opened_at=now(session),
    )
    session.add(made)
    session.flush()
    return made


def shut_zone(session: Session, zone: str, shut_by: str, reason: str) -> Shut:
    """Who blocks an opened zone before its last day, and which promises may not leave now?

    Raises Refused: "unknown_zone", "not_blocked", "not_open". Raises Fault without a name or a
    reason.
    """
    _named(zone, shut_by, reason, "the person who blocks it")
    row = _blocked_zone(session, zone)
    day = today(session)
    border = read_borders(session, [row.id or 0], day)[row.id or 0]
    if not border.openings:
        message = f"Zone {zone} is not open: {row.blocked}"
        raise Refused(Refusal("not_open", message, "zone", "nothing need be done"))
    last = max(each.last_day for each in border.openings)
    lock_ship_days(session, [day + timedelta(days=i) for i in range((last - day).days + 1)])
    for each in border.openings:
        one = session.get_one(ZoneOpening, each.id)
        one.ended_at, one.ended_by, one.ended_reason = now(session), shut_by.strip(), reason.strip()
        session.add(one)
    session.flush()
    return Shut(zone, row.blocked, border.openings, _waiting(session, row.id or 0))


def zones_standing(session: Session) -> list[ZoneStanding]:
    """Which zones are there, which are blocked, and for which days were they opened? By name."""
    zones = session.exec(select(Zone).order_by(col(Zone.name))).all()
    borders = read_borders(session, [zone.id or 0 for zone in zones], today(session))
    none = Border("", "", ())
    return [
        ZoneStanding(
            zone.name, zone.country, zone.blocked, borders.get(zone.id or 0, none).openings
        )
        for zone in zones
    ]


def _blocked_zone(session: Session, zone: str) -> Zone:
    lock_site(session)  # whoever opens or blocks it meanwhile is waited for, then seen
    row = session.exec(select(Zone).where(Zone.name == zone)).first()
    if row is None:
        known = ", ".join(session.exec(select(Zone.name).order_by(Zone.name))) or "none"
        message = f"There is no zone {zone!r}"
        raise Refused(Refusal("unknown_zone", message, "zone", f"known are: {known}"))
    if not row.blocked:
        message = f"Zone {zone} is not blocked: parcels go there as to any other"
        said = "to block it, say why in column Blocked of the Zones sheet"
        raise Refused(Refusal("not_blocked", message, "zone", said))
    return row


def _waiting(session: Session, zone_id: int) -> tuple[str, ...]:
    """The orders to this zone with a promise that has not left, by reference."""
    query = (
        select(CustomerOrder.reference)
        .join(Promise, col(Promise.order_id) == col(CustomerOrder.id))
        .where(CustomerOrder.zone_id == zone_id, col(Promise.state).in_(_NOT_GONE))
        .order_by(CustomerOrder.reference)
        .distinct()
    )
    return tuple(session.exec(query))


def _named(zone: str, name: str, reason: str, who: str) -> None:
    if not name.strip():
        raise Fault(f"Zone '{zone}'", f"needs {who}", name, "give the name")
    if not reason.strip():
        raise Fault(f"Zone '{zone}'", "needs a reason", reason, "say on what ground")
