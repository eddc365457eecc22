"""How hot and how cold was it for a parcel on its way?

From the day that it was handed over to the day that it came (or the last promised day, where
nobody has recorded that), at the stations of both ends and of the way between, the hottest and the
coldest of all. What was observed counts; where nothing is, the last forecast that was known on the
day it left. In the heat the vehicles' offset is added, as for a heat hold; against frost nothing
is. A parcel of whose way one day at one station is not known is not judged at all: its worst day
may be the very one.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from sqlmodel import Session, col, select

from nursery.carrier import CarrierService, Zone
from nursery.database import site
from nursery.promising.lanes import read_lanes
from nursery.weather import Forecast, WeatherDay


@dataclass(frozen=True, slots=True)
class Journey:
    """A parcel with a carrier service to a zone: both days are included."""

    promise_id: int
    service_id: int
    zone_id: int
    first: date
    last: date

    def days(self) -> list[date]:
        """Every day of it."""
        return [self.first + timedelta(days=n) for n in range((self.last - self.first).days + 1)]


@dataclass(frozen=True, slots=True)
class Felt:
    """The hottest and the coldest that a parcel met, °C; `observed` if no forecast is in it."""

    max_c: float
    min_c: float
    observed: bool


def felt_on_the_way(session: Session, journeys: Sequence[Journey]) -> dict[int, Felt]:
    """What did these parcels meet, by promise (id)? Those of which too little is known left out."""
    if not journeys:
        return {}
    stations = _stations(session, journeys)
    weather = _Weather(
        session,
        {one for each in stations.values() for one in each},
        min(each.first for each in journeys),
        max(each.last for each in journeys),
    )
    warmer = dict(session.exec(select(CarrierService.id, CarrierService.warmer_c)).all())
    found: dict[int, Felt] = {}
    for each in journeys:
        met = weather.met(stations[each.service_id, each.zone_id], each)
        if met is not None:
            hot = met.max_c + warmer.get(each.service_id, 0.0)
            found[each.promise_id] = Felt(hot, met.min_c, met.observed)
    return found


def _stations(
    session: Session, journeys: Iterable[Journey]
) -> dict[tuple[int, int], frozenset[int]]:
    """Whose weather counts for a service to a zone: as for its holds, else at both ends."""
    keys = {(each.service_id, each.zone_id) for each in journeys}
    zones = sorted({zone for _, zone in keys})
    lanes = {
        (lane.service_id, zone): lane.stations
        for zone, found in read_lanes(session, zones, by_book=True).items()
        for lane in found
    }
    home = site(session).station_id
    ends = {
        zone.id or 0: frozenset(one for one in (home, zone.station_id) if one is not None)
        for zone in session.exec(select(Zone).where(col(Zone.id).in_(zones)))
    }
    return {key: lanes.get(key, ends.get(key[1], frozenset())) for key in keys}


class _Weather:
    """Observed days and forecasts of some stations, between two days."""

    def __init__(self, session: Session, stations: set[int], first: date, last: date) -> None:
        zone = ZoneInfo(site(session).time_zone)
        seen = session.exec(
            select(WeatherDay)
            .where(col(WeatherDay.station_id).in_(stations))
            .where(col(WeatherDay.day).between(first, last))
        )
        self._seen = {(row.station_id, row.day): (row.min_c, row.max_c) for row in seen}
        told = session.exec(
            select(Forecast)
            .where(col(Forecast.station_id).in_(stations))
            .where(col(Forecast.day).between(first, last))
            .order_by(col(Forecast.issued_at))
        )
        self._told: dict[tuple[int, date], list[tuple[date, float, float]]] = {}
        for row in told:
            issued = row.issued_at.astimezone(zone).date()
            here = self._told.setdefault((row.station_id, row.day), [])
            here.append((issued, row.min_c, row.max_c))

    def met(self, stations: frozenset[int], journey: Journey) -> Felt | None:
        """The extremes of a journey; None where one day at one of the stations is not known."""
        places = [(station, day) for station in stations for day in journey.days()]
        days = [self._day(*place, journey.first) for place in places]
        known = [day for day in days if day is not None]
        if not known or len(known) < len(days):
            return None
        observed = all(place in self._seen for place in places)
        return Felt(max(high for _, high in known), min(low for low, _ in known), observed)

    def _day(self, station: int, day: date, known_on: date) -> tuple[float, float] | None:
        if (station, day) in self._seen:
            return self._seen[station, day]
        told = self._told.get((station, day), [])
        last = bisect_right(told, known_on, key=lambda each: each[0]) - 1
        return told[last][1:] if last >= 0 else None


def band(degrees: float, width: int = 5) -> int:
    """In which band of so many °C does this lie? Its lower end, which is in it."""
    return int(degrees // width) * width
