"""Which learned distribution of delivery days do promises reckon with, and who said so?

What `shed.deliveries` learned is only shown until a person takes it into use for one service to one
zone, with a name and a reason, having seen it. From then on quotes reckon with it: arrival range,
days in the box and chance. Promises that were given keep what they said. The Transit sheet stays
the prior of what is learned, and stands again once the learned one is put back.
"""

from __future__ import annotations

from sqlmodel import Session, col, select

from nursery.carrier import CarrierService, TransitTaken, Zone
from nursery.database import now
from nursery.errors import Fault, Refusal, Refused
from nursery.locks import lock_site
from nursery.promising.lanes import read_lanes
from nursery.shed.deliveries import TransitLearned, learned_transit

LEAST_PARCELS = 20
"""Delivered parcels below which nothing is taken into use (an estimate; no source)."""


def take_transit(
    session: Session, service: str, zone: str, data: str, taken_by: str, reason: str
) -> TransitTaken:
    """Which distribution do promises by this service to this zone reckon with from now on?

    `data` is that of the `TransitLearned` that the person has seen. The same once more changes
    nothing. Raises Refused: "unknown_lane", "too_few_parcels", "outdated" (learned from other data
    by now). Raises Fault without a name or a reason.
    """
    thing = f"Transit of {service} to {zone}"
    name, why = _said(thing, taken_by, reason)
    lock_site(session)
    service_id, zone_id = _lane(session, service, zone)
    learned = _learned(session, service, zone)
    if learned.data != data:
        message = f"{thing}: what is learned now is not what was shown (parcels or book changed)"
        raise Refused(Refusal("outdated", message, "data", "look at it again, then take it"))
    used = [[each.delivery_days, each.used] for each in learned.days if each.used > 0]
    standing = _standing(session, service_id, zone_id)
    if standing and standing[0].shares == used and standing[0].parcels == learned.delivered:
        return standing[0]
    row = TransitTaken(
        service_id=service_id,
        zone_id=zone_id,
        shares=used,
        parcels=learned.delivered,
        on_the_way=learned.on_the_way,
        taken_by=name,
        reason=why,
        taken_at=now(session),
    )
    session.add(row)
    session.flush()
    return row


def put_back_transit(
    session: Session, service: str, zone: str, put_back_by: str, reason: str
) -> TransitTaken:
    """Let the Transit sheet stand again for this service to this zone; which one is put back?

    Raises Refused: "unknown_lane", "not_in_use". Raises Fault without a name or a reason.
    """
    name, why = _said(f"Transit of {service} to {zone}", put_back_by, reason)
    lock_site(session)
    standing = _standing(session, *_lane(session, service, zone))
    if not standing:
        message = f"Nothing learned is in use for {service} to {zone}: the Transit sheet stands"
        raise Refused(Refusal("not_in_use", message, "zone", "nothing need be done"))
    at = now(session)
    for row in standing:
        row.put_back_at, row.put_back_by, row.put_back_reason = at, name, why
        session.add(row)
    session.flush()
    return standing[0]


def _learned(session: Session, service: str, zone: str) -> TransitLearned:
    found = learned_transit(session)
    one = next((each for each in found if (each.service, each.zone) == (service, zone)), None)
    delivered = one.delivered if one else 0
    if one is None or delivered < LEAST_PARCELS:
        message = f"{service} to {zone}: {delivered} delivered parcels are known"
        said = f"{LEAST_PARCELS} are needed: record more with `nursery delivered`"
        raise Refused(Refusal("too_few_parcels", message, "zone", said))
    return one


def _lane(session: Session, service: str, zone: str) -> tuple[int, int]:
    """Both ids. Raises Refused "unknown_lane" with what there is."""
    services = {row.name: row.id or 0 for row in session.exec(select(CarrierService))}
    zones = {row.name: row.id or 0 for row in session.exec(select(Zone))}
    lanes = read_lanes(session, list(zones.values()), by_book=True)
    there = sorted((lane.service, lane.zone) for found in lanes.values() for lane in found)
    if (service, zone) in there:
        return services[service], zones[zone]
    field = "zone" if service in services else "service"
    listed = ", ".join(f"{one} to {to}" for one, to in there) or "none: fill in the Transit sheet"
    message = f"No service {service!r} goes to a zone {zone!r}"
    raise Refused(Refusal("unknown_lane", message, field, f"there are: {listed}"))


def _standing(session: Session, service_id: int, zone_id: int) -> list[TransitTaken]:
    """What was taken and not put back, the newest first."""
    query = select(TransitTaken).where(
        TransitTaken.service_id == service_id,
        TransitTaken.zone_id == zone_id,
        col(TransitTaken.put_back_at).is_(None),
    )
    return list(session.exec(query.order_by(col(TransitTaken.id).desc())))


def _said(thing: str, name: str, reason: str) -> tuple[str, str]:
    if not name.strip():
        raise Fault(thing, "needs a name", name, "say who decides")
    if not reason.strip():
        raise Fault(thing, "needs a reason", reason, "say why")
    return name.strip(), reason.strip()
