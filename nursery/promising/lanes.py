"""By which carrier services does a parcel get to a zone, and which days do they keep?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass
from datetime import date, datetime
from typing import NamedTuple

from sqlmodel import Session, col, select

from nursery.calendars import (
    MONDAY_TO_FRIDAY,
    CutOff,
    WorkingDays,
    arrival,
    pack_day,
)
from nursery.calendars import Closure as ClosedDays
from nursery.carrier import CarrierService, ClosedAt, Closure, Transit, TransitTaken, Zone
from nursery.database import site
from nursery.growing_area import Site
from nursery.weather import WayStation


@dataclass(frozen=True)
class Lane:
    """One carrier service to one zone: its calendars at both ends, its transit, its cut-off.

    `origin` says when it collects, `shed` when the nursery packs, `destination` when it delivers;
    `transit` is (delivery days J+n, share of parcels), ascending. `stations` are the climate
    stations at both ends and on the way, `without_weather` names the ends that have none, and
    `region` is the zone's holiday region. On hot days the vehicles are `warmer_c` °C warmer inside.
    """

    service_id: int
    service: str
    price_cents: int
    zone_id: int
    zone: str
    origin: WorkingDays
    shed: WorkingDays
    destination: WorkingDays
    transit: tuple[tuple[int, float], ...]
    cut_off: CutOff
    pack_same_day: bool
    stations: frozenset[int]
    without_weather: tuple[str, ...] = ()
    region: str = ""
    warmer_c: float = 0.0

    def leg(self, day: date) -> Leg:
        """What would leaving on this day mean? Raises Fault where no calendar can tell."""
        packed = pack_day(day, self.shed, self.pack_same_day)
        return Leg(
            ship_on=day,
            pack_on=packed,
            order_by=self.cut_off.closes(packed, self.shed),
            chances=tuple(Chance(arrival(day, n, self.destination), p) for n, p in self.transit),
            closed=self.origin.closed(day),
        )


@dataclass(frozen=True, slots=True)
class Leg:
    """What leaving on a day by a lane means: when it is packed, and who gets it when.

    `chances` is (arrival day, share of parcels), ascending; `closed` why nothing is collected.
    """

    ship_on: date
    pack_on: date
    order_by: datetime
    chances: tuple[Chance, ...]
    closed: str | None


class Chance(NamedTuple):
    """The share of parcels that arrive on this day."""

    day: date
    share: float


def read_lanes(
    session: Session, zone_ids: Sequence[int], by_book: bool = False
) -> dict[int, tuple[Lane, ...]]:
    """Which lanes lead to each of these zones? A service without transit times does not go there.

    The transit is what was learned and taken into use, else the Transit sheet's; `by_book` asks for
    the sheet's alone. Raises Fault for a holiday region or a time zone that does not exist.
    """
    here = site(session)
    closures = session.exec(select(Closure)).all()
    services = session.exec(select(CarrierService).order_by(col(CarrierService.name))).all()
    zones = session.exec(select(Zone).where(col(Zone.id).in_(zone_ids))).all()
    transit = _transit(session, zone_ids)
    if not by_book:
        transit |= {
            key: tuple((int(days), share) for days, share in taken.shares)
            for key, taken in taken_transit(session, zone_ids).items()
            if key in transit
        }
    way = _way_stations(session, zone_ids)
    found: dict[int, tuple[Lane, ...]] = {}
    for zone in zones:
        assert zone.id is not None
        found[zone.id] = tuple(
            _lane(here, service, zone, closures, transit[service.id or 0, zone.id], way)
            for service in services
            if (service.id or 0, zone.id) in transit
        )
    return found


def taken_transit(session: Session, zone_ids: Sequence[int]) -> dict[tuple[int, int], TransitTaken]:
    """Which learned distribution is in use, by service and zone? The newest not put back."""
    rows = session.exec(
        select(TransitTaken)
        .where(col(TransitTaken.zone_id).in_(zone_ids), col(TransitTaken.put_back_at).is_(None))
        .order_by(col(TransitTaken.id))
    )
    return {(row.service_id, row.zone_id): row for row in rows}


def _transit(
    session: Session, zone_ids: Sequence[int]
) -> dict[tuple[int, int], tuple[tuple[int, float], ...]]:
    rows = session.exec(
        select(Transit)
        .where(col(Transit.zone_id).in_(zone_ids))
        .order_by(col(Transit.delivery_days))
    )
    found: dict[tuple[int, int], tuple[tuple[int, float], ...]] = {}
    for row in rows:
        key = (row.service_id, row.zone_id)
        found[key] = (*found.get(key, ()), (row.delivery_days, row.percent / 100))
    return found


def _way_stations(session: Session, zone_ids: Sequence[int]) -> dict[int, frozenset[int]]:
    """Whose weather do parcels to each zone meet on the way, beside that at both ends?"""
    found: dict[int, frozenset[int]] = {}
    for row in session.exec(select(WayStation).where(col(WayStation.zone_id).in_(zone_ids))):
        found[row.zone_id] = found.get(row.zone_id, frozenset()) | {row.station_id}
    return found


def _lane(
    here: Site,
    service: CarrierService,
    zone: Zone,
    closures: Sequence[Closure],
    transit: tuple[tuple[int, float], ...],
    way: Mapping[int, frozenset[int]],
) -> Lane:
    assert service.id is not None and zone.id is not None
    collects, delivers = _mask(service.collects), _mask(service.delivers)
    ours, carrier = (ClosedAt.ORIGIN, ""), (ClosedAt.SERVICE, service.name)
    theirs = (ClosedAt.ZONE, zone.name)
    packs = tuple(a or b for a, b in zip(collects, MONDAY_TO_FRIDAY, strict=True))
    stations = {here.name: here.station_id, zone.name: zone.station_id}
    return Lane(
        service_id=service.id,
        service=service.name,
        price_cents=service.price_cents,
        zone_id=zone.id,
        zone=zone.name,
        origin=WorkingDays(here.holiday_region, collects, _closed(closures, {ours, carrier})),
        shed=WorkingDays(here.holiday_region, packs, _closed(closures, {ours})),
        destination=WorkingDays(
            zone.holiday_region, delivers, _closed(closures, {carrier, theirs})
        ),
        transit=transit,
        cut_off=CutOff(service.cut_off, service.cut_off_days_before, here.time_zone),
        pack_same_day=service.pack_same_day,
        stations=frozenset(one for one in stations.values() if one is not None)
        | way.get(zone.id, frozenset()),
        without_weather=tuple(place for place, one in stations.items() if one is None),
        region=zone.holiday_region,
        warmer_c=service.warmer_c,
    )


def _mask(text: str) -> tuple[bool, ...]:
    return tuple(mark == "1" for mark in text)


def _closed(
    closures: Sequence[Closure], where: Set[tuple[ClosedAt, str]]
) -> tuple[ClosedDays, ...]:
    """The closures that hold at these places; a region's hold only for its calendar."""
    at_region = [
        ClosedDays(row.first_day, row.last_day, row.reason, row.key)
        for row in closures
        if row.closed_at == ClosedAt.REGION
    ]
    own = [
        ClosedDays(row.first_day, row.last_day, row.reason)
        for row in closures
        if (row.closed_at, row.key) in where
    ]
    return (*own, *at_region)
