"""What air will the trays of each growing area feel, on every day of every weather year?

The one place where rows of weather and areas become the arrays of `nursery.climate`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from functools import lru_cache

import numpy as np
from sqlmodel import Session, col, select

from nursery.climate import (
    AreaAir,
    Dates,
    Floats,
    Normals,
    Weather,
    day_range,
    drawn_weather,
    felt_weather,
    normals_from_days,
    observed_weather,
    with_known_days,
)
from nursery.clocks import StageClock, Whole, dwell_days, running_total
from nursery.crop import AreaKind, Clock
from nursery.database import now, site
from nursery.errors import Fault
from nursery.growing.shade_layers import Changes, kept_changes, layers_by_day
from nursery.growing_area import GrowingArea, Site
from nursery.weather import Forecast, MonthNormal, WeatherDay

LEAST_YEARS = 3
"""Fewer whole observed years than this show no spread, so draws from normals are used."""

_WHOLE_YEAR = 329  # nine tenths of 365 days, as `observed_weather` asks for
# The same first day and length all the year, so that seeded draws do not change from day to day:
# two years back for batches that have long been in a stage, and three and more ahead.
_YEARS_BACK, _DAYS = 2, 6 * 366


@dataclass(frozen=True)
class Air:
    """What is felt outside and in every growing area, one row a weather year, °C?

    `areas` is by area id, `of_kind` the ids of the areas of one kind. `outside` is None for a
    nursery without any weather, where only clocks that count days can be told.
    """

    start: date
    days: int
    outside: Weather | None
    areas: Mapping[int, Weather]
    of_kind: Mapping[AreaKind, tuple[int, ...]]
    source: str
    _totals: dict[tuple[int, StageClock], Floats] = field(default_factory=dict, repr=False)

    def day(self, when: date) -> int:
        """How many days after the start is this date?"""
        return (when - self.start).days

    def entry(self, when: date) -> int:
        """The same for the entry of a stage; what was entered before the start counts from it."""
        return max(0, self.day(when))

    def date(self, day: int) -> date:
        """Which date is so many days after the start?"""
        return self.start + timedelta(days=day)

    def dwell(self, clock: StageClock, felt: Weather, entry_days: Whole) -> Whole:
        """How many days does a stage take in this air (one that `of` gave)? [years, entries]"""
        if clock.kind == "days":
            return dwell_days(clock, felt, entry_days)
        key = (id(felt), clock)
        if key not in self._totals:
            self._totals[key] = running_total(clock, felt)
        return dwell_days(clock, felt, entry_days, self._totals[key])

    def of(self, kind: AreaKind, clock: Clock, area_id: int | None = None) -> tuple[Weather, ...]:
        """Which air may a stage in this kind of area feel: one for each area it may stand in?

        Only that of `area_id` where it is known where the batch stands; the air outside where the
        nursery has no area of the kind. Raises `Fault` for a clock that needs temperatures where
        there is no weather.
        """
        if self.outside is None:
            if clock is Clock.DAYS:
                return (Weather(self.start, *_no_air(self.days), source=self.source),)
            raise Fault(
                "Weather",
                f"a stage with the clock '{clock}' needs temperatures of the site's station",
                None,
                "give the station's monthly normals or load its observed days",
            )
        if area_id is not None and area_id in self.areas:
            return (self.areas[area_id],)
        return tuple(self.areas[i] for i in self.of_kind.get(kind, ())) or (self.outside,)


def air_of(session: Session, today: date) -> Air:
    """What air is felt from two years before this year until three years after it?

    Observed years of the site's station where there are at least `LEAST_YEARS` of them, else
    seeded draws from its normals (which the observed days give where no monthly ones are kept).
    Days that are already observed, and days with a forecast that is still fresh, are the same in
    every weather year. The draws are the same until the year ends. Where a shade calendar is kept
    for an area, its layers are on when the calendar says.
    """
    first, days = date(today.year - _YEARS_BACK, 1, 1), _DAYS
    outside = _outside(session, site(session), first, days)
    kept = kept_changes(session)
    areas = session.exec(select(GrowingArea).order_by(col(GrowingArea.id))).all()
    felt: dict[int, Weather] = {}
    of_kind: dict[AreaKind, list[int]] = {}
    for area in areas:
        if area.id is None or outside is None:
            continue
        felt[area.id] = _felt(area, outside, kept.get(area.id, ()))
        of_kind.setdefault(area.kind, []).append(area.id)
    kinds = {kind: tuple(ids) for kind, ids in of_kind.items()}
    source = "no weather" if outside is None else outside.source
    return Air(first, days, outside, felt, kinds, source)


def area_air(area: GrowingArea, layers: int | None = None) -> AreaAir:
    """How does this area's air differ from the air outside? The row as `nursery.climate` has it.

    With so many shade `layers` on, its usual ones where None.
    """
    return AreaAir(
        area.sink_c,
        area.coupling,
        area.floor_c,
        area.ceiling_c,
        area.shade_layers if layers is None else layers,
        area.shade_c,
    )


def _felt(area: GrowingArea, outside: Weather, changes: Changes) -> Weather:
    if not changes:
        return felt_weather(area_air(area), outside)
    bare = felt_weather(area_air(area, 0), outside)
    layers = layers_by_day(changes, area.shade_layers, bare.start, bare.days)
    return replace(bare, t_max=np.maximum(bare.t_max - layers * area.shade_c, bare.t_min))


def _outside(session: Session, here: Site, first: date, days: int) -> Weather | None:
    if here.station_id is None:
        return None
    weather = station_climate(session, here.station_id, first, days)
    if weather is None:
        return None
    weather = with_known_days(weather, *_series(session, here.station_id))
    return with_known_days(weather, *_fresh_forecasts(session, here, here.station_id))


def station_climate(
    session: Session, station: int, first: date, days: int, years: int = 30
) -> Weather | None:
    """How might these days be at a station, by its climate alone? °C, one row a weather year.

    Its observed years where there are at least `LEAST_YEARS`, else so many seeded draws from its
    normals; None where it has neither.
    """
    observed, normals = _series(session, station), _normals(session, station)
    return _weather_years(normals, observed, first, days, years)


Series = tuple[Dates, Floats, Floats]


@dataclass(frozen=True)
class StationWeather:
    """All that is known of a station's weather, read once: any days can be asked of it.

    `observed` days, `normals` by month (None: it has none), the fresh forecasts as `forecast`.
    """

    observed: Series
    normals: Normals | None
    forecast: Series

    def outlook(self, first: date, days: int, years: int = 200) -> Weather | None:
        """How might these days be? As `station_climate`, a fresh forecast's in its place."""
        weather = _weather_years(self.normals, self.observed, first, days, years)
        return None if weather is None else with_known_days(weather, *self.forecast)


def station_weather(session: Session, station: int) -> StationWeather:
    """What is known of the weather at this station now?"""
    return StationWeather(
        _series(session, station),
        _normals(session, station),
        _fresh_forecasts(session, site(session), station),
    )


def _series(session: Session, station: int) -> Series:
    rows = session.exec(
        select(col(WeatherDay.day), col(WeatherDay.min_c), col(WeatherDay.max_c))
        .where(WeatherDay.station_id == station)
        .order_by(col(WeatherDay.day))
    ).all()
    return _arrays([(day, low, high) for day, low, high in rows])


def _arrays(rows: list[tuple[date, float, float]]) -> Series:
    return (
        np.array([day for day, _, _ in rows], dtype="datetime64[D]"),
        np.array([low for _, low, _ in rows], dtype=float),
        np.array([high for _, _, high in rows], dtype=float),
    )


def _weather_years(
    normals: Normals | None, observed: Series, first: date, days: int, draws: int
) -> Weather | None:
    years = observed[0].astype("datetime64[Y]")
    whole = sum(count >= _WHOLE_YEAR for count in np.unique(years, return_counts=True)[1])
    if whole >= LEAST_YEARS:
        return observed_weather(*observed, start=first, length=days)
    if normals is None and observed[0].size == 0:
        return None
    return _drawn(normals or normals_from_days(*observed), first, days, draws)


@lru_cache(maxsize=64)
def _drawn(normals: Normals, first: date, days: int, draws: int) -> Weather:
    """Draws are the same for the same normals: nobody need draw them twice."""
    return drawn_weather(normals, first, days, draws)


def _normals(session: Session, station: int) -> Normals | None:
    rows = session.exec(
        select(MonthNormal)
        .where(MonthNormal.station_id == station)
        .order_by(col(MonthNormal.month))
    ).all()
    if not rows:
        return None
    return Normals(
        tuple(row.min_c for row in rows),
        tuple(row.max_c for row in rows),
        tuple(row.min_sd_c for row in rows),
        tuple(row.max_sd_c for row in rows),
    )


def _fresh_forecasts(session: Session, here: Site, station: int) -> Series:
    """The latest forecast of each day that is not past its shelf life."""
    oldest = now(session) - timedelta(hours=here.forecast_shelf_hours)
    rows = session.exec(
        select(Forecast)
        .where(Forecast.station_id == station, col(Forecast.issued_at) >= oldest)
        .order_by(col(Forecast.issued_at))
    ).all()
    latest = {row.day: (row.day, row.min_c, row.max_c) for row in rows}
    return _arrays([latest[day] for day in sorted(latest)])


def _no_air(days: int) -> tuple[Floats, Floats]:
    return np.zeros((1, days)), np.zeros((1, days))


def week_starts(air: Air, monday: date, weeks: int) -> Whole:
    """Which day of the air is the Monday of each of these weeks? Whole numbers [weeks]."""
    days = day_range(monday, 7 * weeks)[::7]
    return np.asarray((days - np.datetime64(air.start, "D")).astype(np.int64))
