"""How likely is a day in transit too hot or too cold for the plants in the box?

A fresh forecast decides: at or above the heat limit, or at or below the frost limit, is a hold.
Where there is none, the chance comes from the station's normals. Days and stations are taken as
independent, which states a chance that is rather too high: warm days come together.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from math import prod

import numpy as np
from sqlmodel import Session, col, select

from nursery.climate import Floats, Normals, chance_colder, chance_hotter, day_range
from nursery.promising.basket import Limits
from nursery.weather import Forecast, MonthNormal, Station


@dataclass(frozen=True, slots=True)
class StationOutlook:
    """What is known of a station: its normals, and the fresh forecast by day (min, max °C)."""

    name: str
    normals: Normals | None
    forecast: Mapping[date, tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Calm:
    """How likely is there no heat hold, and no frost hold, on each day? Shares, one a day.

    Plain lists: a quote multiplies a few of them a day, thousands of times.
    """

    heat: list[float]
    frost: list[float]


@dataclass(frozen=True)
class Outlook:
    """What may the weather do at these stations, on `days` days from `start`?"""

    start: date
    days: int
    stations: Mapping[int, StationOutlook]
    _known: dict[tuple[frozenset[int], Limits], Calm] = field(
        default_factory=dict, compare=False, repr=False
    )

    def holds(
        self, stations: frozenset[int], limits: Limits, ship_on: date, arrives_until: date
    ) -> tuple[float, float]:
        """How likely is a heat hold, and a frost hold, from the ship day to a day after arrival?

        At one or more of these stations. Days past the end of the outlook count for nothing.
        """
        calm = self._calm(stations, limits)
        days = slice(max(0, (ship_on - self.start).days), (arrives_until - self.start).days + 2)
        return 1 - prod(calm.heat[days]), 1 - prod(calm.frost[days])

    def _calm(self, stations: frozenset[int], limits: Limits) -> Calm:
        key = (stations, limits)
        if key not in self._known:
            each = [self._at(self.stations[station], limits) for station in sorted(stations)]
            ones = np.ones(self.days)
            self._known[key] = Calm(
                heat=np.prod([ones, *(1 - heat for heat, _ in each)], axis=0).tolist(),
                frost=np.prod([ones, *(1 - frost for _, frost in each)], axis=0).tolist(),
            )
        return self._known[key]

    def said(self, stations: Iterable[int], day: date) -> list[tuple[str, float, float]]:
        """What do fresh forecasts say of this day? (station, minimum, maximum)."""
        asked = [self.stations[station] for station in sorted(set(stations))]
        return [(one.name, *one.forecast[day]) for one in asked if day in one.forecast]

    def _at(self, station: StationOutlook, limits: Limits) -> tuple[Floats, Floats]:
        """How likely is a heat hold, and a frost hold, on each day here? Shares [days]."""
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
        return heat, frost


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
