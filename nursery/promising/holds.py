"""How likely is a day in transit too hot or too cold for the plants in the box?

A fresh forecast counts with the error that forecasts of its age have: a day that is forecast just
under the limit is nearly as often over it as not. Where there is none, the chance is counted in the
station's observed years (`promising.weather_years`), else it comes from its normals, day by day:
that states a chance which is rather too high, since warm days come together. Stations are taken as
independent of each other, and the forecast's errors of its days too. Vehicles are warmer than the
air outside by what the nursery measured; against frost that is not counted on, since a parked van
cools down at night.

To measure it: a temperature logger that writes every 10 minutes in a trial parcel packed as usual,
and one in the shade outside the shed, on at least three hot days of each carrier service. The
largest difference of the two maxima of a day is what its vehicles are warmer (Services sheet).

Nothing flaps with each forecast, because a day is opened and a promise is moved at different
temperatures. A day is offered only if the limit, less the plants' caution band, is hardly reached
(the site's risk). A promise that has the day keeps it until a forecast is over the limit by more
than its usual error, or until the eve of packing, when the risk itself decides.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from math import prod
from typing import TypeAlias

import numpy as np
from scipy import special
from sqlmodel import Session, col, func, select

from nursery.climate import Floats, Normals, Weather, chance_colder, chance_hotter, day_range
from nursery.promising.basket import Limits
from nursery.promising.weather_years import Seen, weather_years
from nursery.weather import Forecast, Station
from nursery.weather_in.normals import station_normals

EVE_DAYS = 1
"""So many days before packing the risk itself decides whether a promised day is kept."""
_LEAST_ERROR_C = 1e-9


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

    `error` has the usual error of each forecast day, °C (none: taken at its word). `newest` is when
    its latest forecast was issued, fresh or stale; None where there never was one.
    """

    name: str
    normals: Normals | None
    forecast: Mapping[date, tuple[float, float]]
    error: Mapping[date, float] = field(default_factory=dict)
    newest: datetime | None = None
    years: Weather | None = None

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
    """What does the weather say against a way: of heat, or of frost?

    `chance` is that of reaching the limit; `careful` the same with the caution band added on days
    that have a forecast; `clear` that a forecast is over the limit by more than its usual error.
    """

    chance: float
    careful: float
    clear: bool

    def closes(self, risk: float) -> bool:
        """May the day not be given to anybody new?"""
        return self.careful > risk or self.clear

    def moves(self, risk: float, days_to_packing: int) -> bool:
        """Must a promise that has this day get another?"""
        return self.clear or (days_to_packing <= EVE_DAYS and self.chance > risk)


@dataclass(frozen=True, slots=True)
class Calm:
    """How likely is no hold on each day, with and without caution, and which days are clearly over?

    Plain lists, one value a day: a quote multiplies a few of them, thousands of times.
    """

    calm: list[float]
    careful: list[float]
    clear: list[bool]
    seen: tuple[Seen, ...] = ()

    def over(self, days: slice) -> Holding:
        """What do these days together say? Days that the `seen` judge are calm in the lists."""
        end = min(days.stop, len(self.calm))
        years = prod(each.chance_calm(days.start, end) for each in self.seen)
        return Holding(
            1 - prod(self.calm[days]) * years,
            1 - prod(self.careful[days]) * years,
            any(self.clear[days]),
        )


@dataclass(frozen=True, slots=True)
class Worst:
    """The worst day of a way: what is forecast there (None: by the climate) and its usual error."""

    station: StationOutlook
    day: date
    chance: float
    forecast_c: float | None
    error_c: float


Daily: TypeAlias = tuple[Floats, Floats, Floats]
"""The chance of reaching the limit, the careful chance, clearly over; each an array [days]."""


@dataclass(frozen=True)
class Outlook:
    """What may the weather do at these stations, on `days` days from `start`?"""

    start: date
    days: int
    stations: Mapping[int, StationOutlook]
    _known: dict[tuple[frozenset[int], Limits, float], tuple[Calm, Calm]] = field(
        default_factory=dict, compare=False, repr=False
    )
    _here: dict[tuple[int, Limits, float], tuple[Daily, Daily]] = field(
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
        heat, frost = self._calm(stations, limits, warmer_c)
        days = slice(max(0, (ship_on - self.start).days), (arrives_until - self.start).days + 2)
        return heat.over(days), frost.over(days)

    def said(self, stations: Iterable[int], day: date) -> list[tuple[str, float, float]]:
        """What do fresh forecasts say of this day? (station, minimum, maximum)."""
        asked = [self.stations[station] for station in sorted(set(stations))]
        return [(one.name, *one.forecast[day]) for one in asked if day in one.forecast]

    def without_forecast(self) -> list[str]:
        """Which stations have no fresh forecast, so that the climate decides? One sentence each."""
        return [
            f"No fresh forecast: the next days are judged by {one.known_from(self.start)}"
            for _, one in sorted(self.stations.items())
            if not one.forecast and one.normals is not None
        ]

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
            one = self.stations[station]
            heat, frost = self._at(station, limits, warmer_c)
            chances = (heat if hot else frost)[0]
            for day in days:
                at = (day - self.start).days
                if 0 <= at < self.days:
                    said = one.forecast[day][hot] if day in one.forecast else None
                    found.append(Worst(one, day, float(chances[at]), said, one.error.get(day, 0.0)))
        return max(found, key=lambda each: (each.chance, _badness(each, hot)), default=None)

    def _calm(self, stations: frozenset[int], limits: Limits, warmer_c: float) -> tuple[Calm, Calm]:
        key = (stations, limits, warmer_c)
        if key not in self._known:
            each = {one: self._at(one, limits, warmer_c) for one in sorted(stations)}
            hot, cold = limits.heat_c - warmer_c, limits.frost_c
            self._known[key] = (
                self._together({one: heat for one, (heat, _) in each.items()}, hot, True),
                self._together({one: frost for one, (_, frost) in each.items()}, cold, False),
            )
        return self._known[key]

    def _together(self, by_station: Mapping[int, Daily], limit_c: float, hot: bool) -> Calm:
        """The stations together: days for which there are weather years are left to those."""
        seen, each = [], []
        for station, (chance, careful, clear) in by_station.items():
            one = self.stations[station]
            if one.years is not None:
                told = [day.item() in one.forecast for day in day_range(self.start, self.days)]
                reached = one.years.t_max >= limit_c if hot else one.years.t_min <= limit_c
                seen.append(Seen(reached, (1 - chance).tolist(), told))
                chance, careful = np.where(told, chance, 0.0), np.where(told, careful, 0.0)
            each.append((chance, careful, clear))
        ones = np.ones(self.days)
        return Calm(
            calm=np.prod([ones, *(1 - chance for chance, _, _ in each)], axis=0).tolist(),
            careful=np.prod([ones, *(1 - careful for _, careful, _ in each)], axis=0).tolist(),
            clear=np.any([0 * ones, *(clear for _, _, clear in each)], axis=0).tolist(),
            seen=tuple(seen),
        )

    def _at(self, station: int, limits: Limits, warmer_c: float) -> tuple[Daily, Daily]:
        """Heat and frost at a station, worked out once: telling why asks for it day by day."""
        key = (station, limits, warmer_c)
        if key not in self._here:
            self._here[key] = self._work_out(self.stations[station], limits, warmer_c)
        return self._here[key]

    def _work_out(
        self, station: StationOutlook, limits: Limits, warmer_c: float
    ) -> tuple[Daily, Daily]:
        """Heat and frost here, by the limits as felt outside: heat is reached sooner in vehicles
        that are warmer."""
        heat_c, frost_c = limits.heat_c - warmer_c, limits.frost_c
        heat, frost = np.zeros(self.days), np.zeros(self.days)
        if station.normals is not None:
            dates = day_range(self.start, self.days)
            heat = chance_hotter(station.normals, dates, heat_c)
            frost = chance_colder(station.normals, dates, frost_c)
        careful_heat, careful_frost = heat.copy(), frost.copy()
        clear_heat, clear_frost = np.zeros(self.days), np.zeros(self.days)
        spread = _spread(station.normals, self.start, self.days)
        for day, (low, high) in station.forecast.items():
            at = (day - self.start).days
            if not 0 <= at < self.days:
                continue
            usual = station.error.get(day, 0.0)
            heat[at] = _chance(high - heat_c, usual, spread[1][at])
            frost[at] = _chance(frost_c - low, usual, spread[0][at])
            careful_heat[at] = _chance(high - heat_c + limits.caution_c, usual, spread[1][at])
            careful_frost[at] = _chance(frost_c - low + limits.caution_c, usual, spread[0][at])
            clear_heat[at], clear_frost[at] = high >= heat_c + usual, low <= frost_c - usual
        return (heat, careful_heat, clear_heat), (frost, careful_frost, clear_frost)


def _spread(normals: Normals | None, start: date, days: int) -> tuple[Floats, Floats]:
    """The climate's own spread of minimum and maximum, °C [days]: no forecast is worse than it."""
    if normals is None:
        return np.full(days, np.inf), np.full(days, np.inf)
    month = (day_range(start, days).astype("datetime64[M]").astype(int) % 12).tolist()
    return np.array(normals.min_sd)[month], np.array(normals.max_sd)[month]


def _chance(over_c: float, usual_c: float, spread_c: float) -> float:
    """How likely is the limit reached by a day that is forecast to be so far over it, °C?"""
    error = min(usual_c, max(spread_c, _LEAST_ERROR_C))
    if error <= _LEAST_ERROR_C:
        return float(over_c >= 0)
    return float(special.ndtr(over_c / error))


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
    newest: dict[int, datetime] = dict(
        session.exec(
            select(col(Forecast.station_id), func.max(col(Forecast.issued_at)))
            .where(col(Forecast.station_id).in_(wanted), col(Forecast.issued_at) <= at)
            .group_by(col(Forecast.station_id))
        ).all()
    )
    return Outlook(
        start,
        days,
        {
            one: _station(
                names[one],
                normals.get(one),
                said.get(one, {}),
                newest.get(one),
                error,
                weather_years(session, one, start, days),
            )
            for one in wanted
        },
    )


def _station(
    name: str,
    normals: Normals | None,
    said: Mapping[date, Forecast],
    newest: datetime | None,
    error: ForecastError,
    years: Weather | None,
) -> StationOutlook:
    return StationOutlook(
        name,
        normals,
        {day: (row.min_c, row.max_c) for day, row in said.items()},
        {day: error.at((day - row.issued_at.date()).days) for day, row in said.items()},
        newest,
        years,
    )
