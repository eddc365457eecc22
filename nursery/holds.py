"""How likely is a day in transit too hot or too cold for the plants in the box?

A fresh forecast decides: at or above the heat limit, or at or below the frost limit, is a hold.
Where there is none, the chance comes from the station's normals. Days and stations are taken as
independent, which states a chance that is rather too high: warm days come together.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

import numpy as np
from sqlmodel import Session, col, select

from nursery.basket import Limits
from nursery.climate import Floats, Normals, chance_colder, chance_hotter, day_range
from nursery.weather import Forecast, MonthNormal, Station


@dataclass(frozen=True, slots=True)
class StationOutlook:
    """What is known of a station: its normals, and the fresh forecast by day (min, max °C)."""

    name: str
    normals: Normals | None
    forecast: Mapping[date, tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Chances:
    """How likely is a hold on each day, at any of the stations asked for? Shares [days]."""

    heat: Floats
    frost: Floats


@dataclass(frozen=True)
class Outlook:
    """What may the weather do at these stations, on `days` days from `start`?"""

    start: date
    days: int
    stations: Mapping[int, StationOutlook]
    _known: dict[tuple[frozenset[int], float, float], Chances] = field(
        default_factory=dict, compare=False, repr=False
    )

    def chances(self, stations: Iterable[int], limits: Limits) -> Chances:
        """How likely is a heat or a frost hold on each day, at one or more of these stations?"""
        key = (frozenset(stations), limits.heat_c, limits.frost_c)
        if key not in self._known:
            each = [self._at(self.stations[station], limits) for station in sorted(key[0])]
            self._known[key] = Chances(
                heat=1 - _product([1 - one.heat for one in each], self.days),
                frost=1 - _product([1 - one.frost for one in each], self.days),
            )
        return self._known[key]

    def said(self, stations: Iterable[int], day: date) -> list[tuple[str, float, float]]:
        """What do fresh forecasts say of this day? (station, minimum, maximum)."""
        asked = [self.stations[station] for station in sorted(set(stations))]
        return [(one.name, *one.forecast[day]) for one in asked if day in one.forecast]

    def place(self, day: date) -> int:
        """Which place in the arrays has this day? Days past the end take the last."""
        return min(max(0, (day - self.start).days), self.days - 1)

    def _at(self, station: StationOutlook, limits: Limits) -> Chances:
        heat, frost = np.zeros(self.days), np.zeros(self.days)
        if station.normals is not None:
            dates = day_range(self.start, self.days)
            heat = chance_hotter(station.normals, dates, limits.heat_c)
            frost = chance_colder(station.normals, dates, limits.frost_c)
        for day, (low, high) in station.forecast.items():
            at = (day - self.start).days
            if 0 <= at < self.days:
                heat[at] = float(high >= limits.heat_c)
                frost[at] = float(low <= limits.frost_c)
        return Chances(heat, frost)


def _product(shares: Sequence[Floats], days: int) -> Floats:
    return np.asarray(np.prod(shares, axis=0) if shares else np.ones(days))


def read_outlook(
    session: Session,
    stations: Iterable[int],
    start: date,
    days: int,
    at: datetime,
    shelf: timedelta,
) -> Outlook:
    """What is known now of the weather at these stations?

    Of the forecasts issued within `shelf` before `at`, the latest counts for each day; an older
    one is no forecast. A station without twelve normals has only its forecast.
    """
    wanted = sorted(set(stations))
    names = {
        station.id: station.name
        for station in session.exec(select(Station).where(col(Station.id).in_(wanted)))
    }
    normals = _normals(session, wanted)
    forecasts = _forecasts(session, wanted, start, at - shelf, at)
    return Outlook(
        start,
        days,
        {
            one: StationOutlook(names[one], normals.get(one), forecasts.get(one, {}))
            for one in wanted
        },
    )


def _normals(session: Session, stations: Sequence[int]) -> dict[int, Normals]:
    rows = session.exec(
        select(MonthNormal)
        .where(col(MonthNormal.station_id).in_(stations))
        .order_by(col(MonthNormal.station_id), col(MonthNormal.month))
    ).all()
    found: dict[int, Normals] = {}
    for station in stations:
        mine = [row for row in rows if row.station_id == station]
        if len(mine) == 12:
            found[station] = Normals(
                tuple(row.min_c for row in mine),
                tuple(row.max_c for row in mine),
                tuple(row.min_sd_c for row in mine),
                tuple(row.max_sd_c for row in mine),
            )
    return found


def _forecasts(
    session: Session, stations: Sequence[int], start: date, oldest: datetime, at: datetime
) -> dict[int, dict[date, tuple[float, float]]]:
    rows = session.exec(
        select(Forecast)
        .where(col(Forecast.station_id).in_(stations), col(Forecast.day) >= start)
        .where(col(Forecast.issued_at) >= oldest, col(Forecast.issued_at) <= at)
        .order_by(col(Forecast.issued_at))
    )
    found: dict[int, dict[date, tuple[float, float]]] = {}
    for row in rows:
        found.setdefault(row.station_id, {})[row.day] = (row.min_c, row.max_c)
    return found
