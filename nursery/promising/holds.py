"""How likely is a day in transit too hot or too cold for the plants in the box?

A fresh forecast counts with the error that forecasts of its age have: a day that is forecast just
under the limit is often over it. A forecast that is far from what is usual errs more often away
from it than towards it: what is expected of the day lies between the two, the nearer to what is
usual the farther ahead (`expected`). Where there is none, the chance is counted in the station's
observed years (`promising.weather_years`), else it comes from its normals, day by day: that states
a chance which is rather too high, since warm days come together. Stations are taken as independent
of each other; of the days of one that have a forecast the worst stands for all (`Calm`): taken one
by one they stated 29 % for journeys of which 4 % met heat. (Clemson, 33 summers, five days, 32 °C,
forecasts with the errors of the settings; of single days it was 30 % and 29 %.) Vehicles are warmer
than the air outside by what the nursery measured; against frost that is not counted on, since a
parked van cools down at night.

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
from math import prod, sqrt
from typing import TypeAlias

import numpy as np
from scipy import special
from sqlmodel import Session, col, func, select

from nursery.climate import (
    DailyNormals,
    Floats,
    Normals,
    Weather,
    chance_colder,
    chance_hotter,
    daily_normals,
    day_range,
)
from nursery.promising.basket import Limits
from nursery.promising.weather_years import Seen, weather_years
from nursery.weather import Forecast, Station
from nursery.weather_in.normals import station_normals

EVE_DAYS = 1
"""So many days before packing the risk itself decides whether a promised day is kept."""
_LEAST_ERROR_C = 1e-9
_FARTHEST = 3.0
"""A day forecast so many spreads from what is usual, or more, says that the spread is wider: a heat
that nobody has seen yet is not explained away (an estimate)."""


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

    Plain lists, one value a day: a quote looks at a few of them, thousands of times. `calm` has the
    days that no forecast judges; `told` and `careful` the chances of a hold on those that one does,
    a list a station, 0 on other days. Of such days of one station the worst stands for all: warm
    days come together, and their forecasts err together.
    """

    calm: list[float]
    told: tuple[list[float], ...]
    careful: tuple[list[float], ...]
    clear: list[bool]
    seen: tuple[Seen, ...] = ()

    def over(self, days: slice) -> Holding:
        """What do these days together say? Days that the `seen` judge are calm in the lists."""
        end = min(days.stop, len(self.calm))
        years = prod(each.chance_calm(days.start, end) for each in self.seen)
        untold = prod(self.calm[days]) * years
        return Holding(
            1 - untold * prod(1 - max(each[days], default=0.0) for each in self.told),
            1 - untold * prod(1 - max(each[days], default=0.0) for each in self.careful),
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
        seen, told, wary, calm = [], [], [], np.ones(self.days)
        over = np.zeros(self.days, dtype=np.bool_)
        for station, (chance, careful, clear) in by_station.items():
            one = self.stations[station]
            known = np.array(
                [day.item() in one.forecast for day in day_range(self.start, self.days)]
            )
            told.append(np.where(known, chance, 0.0).tolist())
            wary.append(np.where(known, careful, 0.0).tolist())
            over |= clear.astype(np.bool_)
            if one.years is None:
                calm *= np.where(known, 1.0, 1 - chance)
            else:
                reached = one.years.t_max >= limit_c if hot else one.years.t_min <= limit_c
                seen.append(Seen(reached, (1 - chance).tolist(), known.tolist()))
        return Calm(calm.tolist(), tuple(told), tuple(wary), over.tolist(), tuple(seen))

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
        usual_days = _usual(station.normals, self.start, self.days)
        for day, (low, high) in station.forecast.items():
            at = (day - self.start).days
            if not 0 <= at < self.days:
                continue
            usual = station.error.get(day, 0.0)
            warmest = expected(high, usual, usual_days.maximum(at) if usual_days else None)
            coldest = expected(low, usual, usual_days.minimum(at) if usual_days else None)
            heat[at] = warmest.chance(heat_c)
            frost[at] = coldest.chance(frost_c, hot=False)
            careful_heat[at] = warmest.chance(heat_c - limits.caution_c)
            careful_frost[at] = coldest.chance(frost_c + limits.caution_c, hot=False)
            clear_heat[at], clear_frost[at] = high >= heat_c + usual, low <= frost_c - usual
        return (heat, careful_heat, clear_heat), (frost, careful_frost, clear_frost)


@dataclass(frozen=True, slots=True)
class Expected:
    """What is expected of a day's minimum or maximum, °C, and how days spread about that."""

    mean_c: float
    spread_c: float

    def chance(self, limit_c: float, hot: bool = True) -> float:
        """How likely is the limit reached, from below (`hot`) or from above?"""
        over = self.mean_c - limit_c if hot else limit_c - self.mean_c
        if self.spread_c <= _LEAST_ERROR_C:
            return float(over >= 0)
        return float(special.ndtr(over / self.spread_c))


def expected(forecast_c: float, error_c: float, usual: Expected | None = None) -> Expected:
    """What is expected of a day for which this is forecast, with so large a usual error?

    Forecasts vary about as much as the weather does, so that those far from what is `usual` are too
    far on average. With the climate's spread s and the error e, the correlation of forecast and day
    is r = 1 - e^2 / (2 s^2), never below 0; given the forecast f the day has the mean m + r (f - m)
    and the spread s sqrt(1 - r^2): two normal variables of one variance, any textbook of
    statistics. So a forecast that knows nothing is no worse than the climate. (Where a forecast is
    the day's own value with an error added, less still is to be feared; where a service has
    corrected its forecasts for this, a little more.) Without a climate it is taken as it is.
    """
    if usual is None:
        return Expected(forecast_c, error_c)
    away = abs(forecast_c - usual.mean_c)
    spread = max(usual.spread_c, away / _FARTHEST, _LEAST_ERROR_C)
    r = max(0.0, 1 - error_c**2 / (2 * spread**2))
    mean = usual.mean_c + r * (forecast_c - usual.mean_c)
    return Expected(mean, spread * sqrt(1 - r**2))


@dataclass(frozen=True, slots=True)
class _UsualDays:
    """What is usual on each day of the outlook. [days]"""

    days: DailyNormals

    def minimum(self, at: int) -> Expected:
        return Expected(float(self.days.t_min[at]), float(self.days.min_sd[at]))

    def maximum(self, at: int) -> Expected:
        return Expected(float(self.days.t_max[at]), float(self.days.max_sd[at]))


def _usual(normals: Normals | None, start: date, days: int) -> _UsualDays | None:
    if normals is None:
        return None
    return _UsualDays(daily_normals(normals, day_range(start, days)))


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
