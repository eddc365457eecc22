"""How dry is the air on a parcel's way, hour by hour, in every weather year?

A fresh forecast where there is one, else the climate of the stations at both ends and on the way:
hour by hour the driest of them. Vehicles are warmer than the air outside by what the nursery
measured; the vapour in the air is that of the night outside (FAO-56 equation 48), since nobody
measures it in a van.

The weather years of a way are those of the week in which it is packed, laid out once for all ways
of that week: the same parcel is judged alike by whoever asks, and a season's ways in a second.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from sqlmodel import Session, col, select

from nursery.carrier import Zone
from nursery.climate import Floats
from nursery.database import site
from nursery.growing.air import StationWeather, station_weather
from nursery.moisture import hourly, vapour_pressure_deficit
from nursery.order import Promise
from nursery.promising.packs import OPENED_AT, PACKED_AT
from nursery.promising.ship_days import Way
from nursery.weather import WayStation

_WEEK, _DAYS = 7, 21
"""Days that are laid out for the ways packed in a week; a longer way has its own."""


@dataclass(frozen=True, slots=True)
class Trip:
    """How does a parcel go: by which service to which zone, and when is it packed and opened?

    Its weather is that of `stations`; on hot days the vehicles are `warmer_c` °C warmer.
    """

    service_id: int
    zone_id: int
    stations: frozenset[int]
    warmer_c: float
    pack_on: date
    ship_on: date
    arrives_until: date


def trip_of(way: Way) -> Trip:
    """How does a parcel go that is sent this way?"""
    lane, leg = way.lane, way.leg
    return Trip(
        service_id=lane.service_id,
        zone_id=lane.zone_id,
        stations=lane.stations,
        warmer_c=lane.warmer_c,
        pack_on=leg.pack_on,
        ship_on=leg.ship_on,
        arrives_until=way.arrives_until,
    )


class Journeys:
    """The ways of parcels: whose weather each meets, and how dry it is. Worked out once a way."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._home = site(session).station_id
        self._way: dict[int, set[int]] = {}
        for row in session.exec(select(WayStation).order_by(col(WayStation.id))).all():
            self._way.setdefault(row.zone_id, set()).add(row.station_id)
        self._dry: dict[tuple[frozenset[int], float, date, date], Floats | None] = {}
        self._laid: dict[tuple[frozenset[int], float, date, int], Floats | None] = {}
        self._at: dict[tuple[int, float, date, int], Floats | None] = {}
        self._known: dict[int, StationWeather] = {}

    def trip(self, promise: Promise) -> Trip:
        """How does the parcel of this promise go?"""
        return Trip(
            service_id=promise.service_id,
            zone_id=promise.order.zone_id,
            stations=self._stations(promise.order.zone),
            warmer_c=promise.service.warmer_c,
            pack_on=promise.pack_on,
            ship_on=promise.ship_on,
            arrives_until=promise.arrives_until,
        )

    def deficits(self, trip: Trip) -> Floats | None:
        """How dry is this way? As `journey_deficits`."""
        return self.between(trip.stations, trip.pack_on, trip.arrives_until, trip.warmer_c)

    def between(
        self, stations: frozenset[int], pack_on: date, arrives_until: date, warmer_c: float
    ) -> Floats | None:
        """How dry is the way between these days? As `journey_deficits`."""
        key = (stations, warmer_c, pack_on, arrives_until)
        if key not in self._dry:
            monday = pack_on - timedelta(days=pack_on.weekday())
            long = (arrives_until - monday).days + 1
            laid = self._together(stations, warmer_c, monday, long if long > _DAYS else _DAYS)
            first = 24 * pack_on.weekday() + PACKED_AT
            last = 24 * (long - 1) + OPENED_AT
            self._dry[key] = None if laid is None else laid[:, first:last]
        return self._dry[key]

    def _stations(self, zone: Zone) -> frozenset[int]:
        """Which stations tell the weather of a parcel to this zone: both ends, and on the way?"""
        ends = {one for one in (self._home, zone.station_id) if one is not None}
        return frozenset(ends | self._way.get(zone.id or 0, set()))

    def _together(
        self, stations: frozenset[int], warmer_c: float, first: date, days: int
    ) -> Floats | None:
        """Hour by hour the driest of the stations. [weather years, hours]"""
        key = (stations, warmer_c, first, days)
        if key not in self._laid:
            asked = (self._station(one, warmer_c, first, days) for one in sorted(stations))
            found = [each for each in asked if each is not None]
            years = max((len(each) for each in found), default=0)
            # Stations with fewer weather years (observed ones) are gone round again.
            whole = [each[np.arange(years) % len(each)] for each in found]
            self._laid[key] = np.asarray(np.max(whole, axis=0)) if whole else None
        return self._laid[key]

    def _station(self, station: int, warmer_c: float, first: date, days: int) -> Floats | None:
        key = (station, warmer_c, first, days)
        if key not in self._at:
            if station not in self._known:
                self._known[station] = station_weather(self._session, station)
            air = self._known[station].outlook(first, days)
            self._at[key] = None if air is None else _deficits(air.t_min, air.t_max, warmer_c)
        return self._at[key]


def journey_deficits(
    session: Session,
    stations: Iterable[int],
    pack_on: date,
    arrives_until: date,
    warmer_c: float = 0.0,
) -> Floats | None:
    """What is the vapour pressure deficit, kPa, of each hour from packing to unwrapping?

    [weather years, hours]; None where none of the stations has any weather.
    """
    return Journeys(session).between(frozenset(stations), pack_on, arrives_until, warmer_c)


def _deficits(t_min: Floats, t_max: Floats, warmer_c: float) -> Floats:
    years, days = t_min.shape
    air = hourly(t_min.ravel() + warmer_c, t_max.ravel() + warmer_c).reshape(years, days * 24)
    return vapour_pressure_deficit(air, t_min=np.repeat(t_min, 24, axis=1))
