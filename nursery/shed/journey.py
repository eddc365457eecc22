"""How dry is the air on a parcel's way, hour by hour, in every weather year?

A fresh forecast where there is one, else the climate of the stations at both ends and on the way:
hour by hour the driest of them. Vehicles are warmer than the air outside by what the nursery
measured; the vapour in the air is that of the night outside (FAO-56 equation 48), since nobody
measures it in a van.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

import numpy as np
from sqlmodel import Session, col, select

from nursery.carrier import Zone
from nursery.climate import Floats
from nursery.database import site
from nursery.growing.air import station_outlook
from nursery.moisture import hourly, vapour_pressure_deficit
from nursery.order import Promise
from nursery.promising.packs import OPENED_AT, PACKED_AT
from nursery.weather import WayStation


class Journeys:
    """The ways of parcels: whose weather each meets, and how dry it is. Worked out once a way."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._home = site(session).station_id
        self._way: dict[int, set[int]] = {}
        for row in session.exec(select(WayStation).order_by(col(WayStation.id))).all():
            self._way.setdefault(row.zone_id, set()).add(row.station_id)
        self._dry: dict[tuple[frozenset[int], date, date, float], Floats | None] = {}

    def stations(self, zone: Zone) -> frozenset[int]:
        """Which stations tell the weather of a parcel to this zone: both ends, and on the way?"""
        ends = {one for one in (self._home, zone.station_id) if one is not None}
        return frozenset(ends | self._way.get(zone.id or 0, set()))

    def deficits(self, promise: Promise) -> Floats | None:
        """How dry is this promise's way? As `journey_deficits`."""
        stations = self.stations(promise.order.zone)
        warmer = promise.service.warmer_c
        key = (stations, promise.pack_on, promise.arrives_until, warmer)
        if key not in self._dry:
            self._dry[key] = journey_deficits(self._session, *key)
        return self._dry[key]


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
    days = (arrives_until - pack_on).days + 1
    found: list[Floats] = []
    for station in sorted(set(stations)):
        air = station_outlook(session, station, pack_on, days)
        if air is not None:
            found.append(_deficits(air.t_min, air.t_max, warmer_c))
    if not found:
        return None
    years = max(len(each) for each in found)
    # Stations with fewer weather years (observed ones) are gone round again.
    whole = [each[np.arange(years) % len(each)] for each in found]
    return np.asarray(np.max(whole, axis=0)[:, PACKED_AT : 24 * (days - 1) + OPENED_AT])


def _deficits(t_min: Floats, t_max: Floats, warmer_c: float) -> Floats:
    years, days = t_min.shape
    air = hourly(t_min.ravel() + warmer_c, t_max.ravel() + warmer_c).reshape(years, days * 24)
    return vapour_pressure_deficit(air, t_min=np.repeat(t_min, 24, axis=1))
