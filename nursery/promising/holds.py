"""How likely is a day in transit too hot or too cold for the plants in the box?

The stated risk is a chance of the whole journey of one parcel: that at one station or more, on one
day or more from the ship day to the day after the last stated arrival, the limit of its plants is
reached. A ship day is given anew where that chance is at most the site's risk.

Days that have a fresh forecast are judged together (`promising.hold_futures`): the forecast counts
with the error that forecasts of its age have, drawn to the days beside it and to what is usual. Of
days beyond the forecast the chance is counted in the station's observed years
(`promising.weather_years`), else it comes from the normals by the same model. Stations are taken as
independent of each other, which states a little too much for two that lie near each other. Vehicles
are warmer than the air outside by what the nursery measured; against frost that is not counted on,
since a parked van cools down at night.

To measure it: a temperature logger that writes every 10 minutes in a trial parcel packed as usual,
and one in the shade outside the shed, on at least three hot days of each carrier service. The
largest difference of the two maxima of a day is what its vehicles are warmer (Services sheet).

Nothing flaps with each forecast: a promise that has the day keeps it, whatever the chance, until
the limit is as good as sure to be reached (`AS_GOOD_AS_SURE`), or until the eve of packing, when
the risk itself decides. The plants' caution band closes no day and moves nothing, as temperatures
in it do no harm: where a forecast of the way lies in it, that is shown (`told_of_cautions`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from math import prod

import numpy as np
from sqlmodel import Session, col, func, select

from nursery.climate import (
    Floats,
    Normals,
    Weather,
    chance_colder,
    chance_hotter,
    daily_normals,
    day_range,
)
from nursery.promising.basket import Limits
from nursery.promising.hold_futures import CalmRuns, Futures, futures
from nursery.promising.hold_revisions import TOGETHER, errors_together
from nursery.promising.weather_years import Seen, weather_years
from nursery.weather import Forecast, Station
from nursery.weather_in.normals import station_normals

EVE_DAYS = 1
"""So many days before packing the risk itself decides whether a promised day is kept."""
AS_GOOD_AS_SURE = 0.84
"""From this chance on a promise is moved before the eve: as if a single day were forecast over its
limit by the usual error of such a forecast (the normal distribution)."""
_EVEN = 1e-9


@dataclass(frozen=True, slots=True)
class ForecastError:
    """How far is a day usually from its forecast? Standard deviation, °C, by days ahead.

    `first_c` on the day of issue and `a_day_c` more for each day ahead (estimates; settings).
    """

    first_c: float = 0.0
    a_day_c: float = 0.0

    def at(self, days_ahead: int) -> float:
        """The usual error so many days ahead, °C."""
        return self.first_c + self.a_day_c * max(0, days_ahead)


@dataclass(frozen=True, slots=True)
class StationOutlook:
    """What is known of a station: its normals, and the fresh forecast by day (min, max °C).

    `error` has the usual error of each forecast day, °C (none: taken at its word), `together` how
    alike the errors of neighbouring days are (a correlation). `newest` is when its latest forecast
    was issued, fresh or stale; None where there never was one.
    """

    name: str
    normals: Normals | None
    forecast: Mapping[date, tuple[float, float]]
    error: Mapping[date, float] = field(default_factory=dict)
    newest: datetime | None = None
    years: Weather | None = None
    together: float = TOGETHER

    def known_from(self, day: date) -> str:
        """From what is this day judged here, in words?"""
        if day in self.forecast:
            return f"the forecast of {self.name}"
        if self.newest is None:
            return f"the climate of {self.name} (no forecast)"
        if not self.forecast:
            return f"the climate of {self.name} (forecast of {self.newest:%Y-%m-%d %H:%M} is stale)"
        return f"the climate of {self.name} (its forecast ends on {max(self.forecast)})"


@dataclass(frozen=True, slots=True)
class Holding:
    """What does the weather say against a way: how likely is the limit reached on it?"""

    chance: float

    def closes(self, risk: float) -> bool:
        """May the day not be given to anybody new?"""
        return self.chance > risk + _EVEN

    def moves(self, risk: float, days_to_packing: int) -> bool:
        """Must a promise that has this day get another?"""
        near = days_to_packing <= EVE_DAYS or self.chance >= AS_GOOD_AS_SURE
        return near and self.closes(risk)


@dataclass(frozen=True, slots=True)
class Calm:
    """How likely is no hold on some days in a row, at stations that are taken as independent?

    `runs` has a station's forecast days (without weather years: all days), `seen` the other days of
    those that have weather years.
    """

    days: int
    runs: tuple[CalmRuns, ...]
    seen: tuple[Seen, ...]
    _over: dict[tuple[int, int], Holding] = field(default_factory=dict, compare=False, repr=False)

    def over(self, first: int, end: int) -> Holding:
        """What do the days from `first` to before `end` together say? Worked out once."""
        end = min(end, self.days)
        found = self._over.get((first, end))
        if found is None:
            calm = prod(each.chance(first, end) for each in self.runs)
            calm *= prod(each.chance_calm(first, end) for each in self.seen)
            found = self._over[first, end] = Holding(1 - calm)
        return found


@dataclass(frozen=True, slots=True)
class Worst:
    """The worst day of a way: what is forecast there (None: by the climate) and its usual error."""

    station: StationOutlook
    day: date
    chance: float
    forecast_c: float | None
    error_c: float


@dataclass(frozen=True)
class Outlook:
    """What may the weather do at these stations, on `days` days from `start`?"""

    start: date
    days: int
    stations: Mapping[int, StationOutlook]
    _known: dict[tuple[frozenset[int], float, bool], Calm] = field(
        default_factory=dict, compare=False, repr=False
    )
    _by_day: dict[tuple[int, float, bool], Floats] = field(
        default_factory=dict, compare=False, repr=False
    )
    _here: dict[tuple[int, bool, bool], Futures] = field(
        default_factory=dict, compare=False, repr=False
    )

    def holds(
        self,
        stations: frozenset[int],
        limits: Limits,
        ship_on: date,
        arrives_until: date,
        warmer_c: float = 0.0,
    ) -> tuple[float, float]:
        """How likely is a heat hold, and a frost hold, from the ship day to a day after arrival?

        At one or more of these stations, in vehicles that are `warmer_c` °C warmer than the air.
        Days past the end of the outlook count for nothing.
        """
        heat, frost = self.weigh(stations, limits, ship_on, arrives_until, warmer_c)
        return heat.chance, frost.chance

    def weigh(
        self,
        stations: frozenset[int],
        limits: Limits,
        ship_on: date,
        arrives_until: date,
        warmer_c: float = 0.0,
    ) -> tuple[Holding, Holding]:
        """What does the weather say against this way: of heat, and of frost? Days as in `holds`."""
        first, end = max(0, (ship_on - self.start).days), (arrives_until - self.start).days + 2
        heat = self._calm(stations, limits.heat_c - warmer_c, True).over(first, end)
        return heat, self._calm(stations, limits.frost_c, False).over(first, end)

    def said(self, stations: Iterable[int], day: date) -> list[tuple[str, float, float]]:
        """What do fresh forecasts say of this day? (station, minimum, maximum)."""
        asked = [self.stations[station] for station in sorted(set(stations))]
        return [(one.name, *one.forecast[day]) for one in asked if day in one.forecast]

    def without_forecast(self) -> list[str]:
        """Where is a fresh forecast missing, or all that it could be judged by? A sentence each."""
        found = []
        for _, one in sorted(self.stations.items()):
            if one.normals is not None and not one.forecast:
                by = one.known_from(self.start)
                found.append(f"No fresh forecast: the next days are judged by {by}")
            elif one.normals is None and one.forecast:
                last = max(one.forecast)
                text = f"Station {one.name} has no normals: only its forecast is judged, to {last}"
                found.append(f"{text}; a person must judge its weather after that")
            elif one.normals is None:
                text = f"Station {one.name} has no normals and no fresh forecast"
                found.append(f"{text}: a person must judge its weather")
        return found

    def worst(
        self,
        stations: frozenset[int],
        limits: Limits,
        days: Iterable[date],
        hot: bool,
        warmer_c: float,
    ) -> Worst | None:
        """Which of these days is the worst, and where? None where nothing is known of any."""
        found = []
        for station in sorted(stations):
            one, chances = self.stations[station], self._daily(station, limits, warmer_c, hot)
            for day in days:
                at = (day - self.start).days
                if 0 <= at < self.days:
                    said = one.forecast[day][hot] if day in one.forecast else None
                    found.append(Worst(one, day, float(chances[at]), said, one.error.get(day, 0.0)))
        return max(found, key=lambda each: (each.chance, _badness(each, hot)), default=None)

    def _calm(self, stations: frozenset[int], limit_c: float, hot: bool) -> Calm:
        key = (stations, limit_c, hot)
        if key not in self._known:
            self._known[key] = self._together(stations, limit_c, hot)
        return self._known[key]

    def _together(self, stations: frozenset[int], limit_c: float, hot: bool) -> Calm:
        """The stations together: days for which there are weather years are left to those."""
        runs, seen = [], []
        for station in sorted(stations):
            one = self.stations[station]
            runs.append(self._futures(station, hot).calm(limit_c, hot))
            if one.years is not None:
                reached = one.years.t_max >= limit_c if hot else one.years.t_min <= limit_c
                calm = self._futures(station, hot, told=False).calm(limit_c, hot)
                told = [day.item() in one.forecast for day in day_range(self.start, self.days)]
                seen.append(Seen(reached, calm, told))
        return Calm(self.days, tuple(runs), tuple(seen))

    def _usual(self, one: StationOutlook, limit_c: float, hot: bool) -> Floats:
        """How often is the limit reached by the normals, day by day?"""
        if one.normals is None:
            return np.zeros(self.days)
        dates = day_range(self.start, self.days)
        return (chance_hotter if hot else chance_colder)(one.normals, dates, limit_c)

    def _daily(self, station: int, limits: Limits, warmer_c: float, hot: bool) -> Floats:
        """The chance of reaching the limit on each single day, by forecast or normals."""
        limit_c = limits.heat_c - warmer_c if hot else limits.frost_c
        key = (station, limit_c, hot)
        if key not in self._by_day:
            self._by_day[key] = self._each_day(station, limit_c, hot)
        return self._by_day[key]

    def _each_day(self, station: int, limit_c: float, hot: bool) -> Floats:
        one = self.stations[station]
        found = self._usual(one, limit_c, hot)
        judged = self._futures(station, hot).reached(limit_c, hot)
        for at in range(judged.size):
            if one.years is None or self.start + timedelta(days=at) in one.forecast:
                found[at] = judged[at]
        return found

    def _futures(self, station: int, hot: bool, told: bool = True) -> Futures:
        """What is known of the days here (`told`: by its forecast as well)? Once for all limits."""
        key = (station, hot, told)
        if key not in self._here:
            one, usual, spread = self.stations[station], None, None
            if one.normals is not None:
                each = daily_normals(one.normals, day_range(self.start, self.days))
                usual, spread = (each.t_max, each.max_sd) if hot else (each.t_min, each.min_sd)
            said = [
                ((day - self.start).days, pair[hot], one.error.get(day, 0.0))
                for day, pair in sorted(one.forecast.items())
                if told and 0 <= (day - self.start).days < self.days
            ]
            untold = one.years is None or not told
            self._here[key] = futures(usual, spread, self.days, said, one.together, untold)
        return self._here[key]


def _badness(worst: Worst, hot: bool) -> float:
    if worst.forecast_c is None:
        return -np.inf
    return worst.forecast_c if hot else -worst.forecast_c


AT_ITS_WORD = ForecastError()


def read_outlook(
    session: Session,
    stations: Iterable[int],
    start: date,
    days: int,
    at: datetime,
    shelf: timedelta,
    error: ForecastError = AT_ITS_WORD,
) -> Outlook:
    """What is known now of the weather at these stations?

    Of the forecasts issued within `shelf` before `at`, the latest counts for each day; an older
    one is no forecast. A station without normals has only its forecast.
    """
    wanted = sorted(set(stations))
    names = {
        station.id: station.name
        for station in session.exec(select(Station).where(col(Station.id).in_(wanted)))
    }
    normals = station_normals(session, wanted)
    rows = session.exec(
        select(Forecast)
        .where(col(Forecast.station_id).in_(wanted), col(Forecast.day) >= start)
        .where(col(Forecast.issued_at) >= at - shelf, col(Forecast.issued_at) <= at)
        .order_by(col(Forecast.issued_at))
    )
    said: dict[int, dict[date, Forecast]] = {}
    for row in rows:
        said.setdefault(row.station_id, {})[row.day] = row
    issued = session.exec(
        select(col(Forecast.station_id), func.max(col(Forecast.issued_at)), func.count())
        .where(col(Forecast.station_id).in_(wanted), col(Forecast.issued_at) <= at)
        .group_by(col(Forecast.station_id))
    ).all()
    newest: dict[int, tuple[datetime, int]] = {one: (last, n) for one, last, n in issued}
    return Outlook(
        start,
        days,
        {
            one: _station(
                session,
                one,
                names[one],
                normals.get(one),
                said.get(one, {}),
                error,
                newest.get(one),
                start,
                days,
                at,
            )
            for one in wanted
        },
    )


def _station(
    session: Session,
    station: int,
    name: str,
    normals: Normals | None,
    said: Mapping[date, Forecast],
    error: ForecastError,
    newest: tuple[datetime, int] | None,
    start: date,
    days: int,
    at: datetime,
) -> StationOutlook:
    last, many = newest or (None, 0)
    uncertain = said and error != AT_ITS_WORD
    return StationOutlook(
        name,
        normals,
        {day: (row.min_c, row.max_c) for day, row in said.items()},
        {day: error.at((day - row.issued_at.date()).days) for day, row in said.items()},
        last,
        weather_years(session, station, start, days),
        errors_together(session, station, at, last, many) if uncertain else TOGETHER,
    )
