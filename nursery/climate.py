"""How warm is it, here and under glass, on any day of any weather year?

A station has twelve monthly normals, any number of observed years, or both. An area turns outdoor
air into what its trays feel. Everything here is numpy in and out, °C; `nursery.clocks` turns it
into the dwell of a stage.
"""

from __future__ import annotations

import calendar
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from nursery.errors import Fault

Floats = NDArray[np.float64]
Dates = NDArray[np.datetime64]
Method = Literal["simple-average", "modified-average", "single-triangle", "single-sine"]
CutOff = Literal["horizontal", "vertical", "intermediate"]

# No month on earth has a mean daily maximum near 50 °C and no day was ever measured above 57 °C
# (World Meteorological Organization, 56.7 °C in 1913; from memory).
HOTTEST_MONTH_C, HOTTEST_DAY_C, COLDEST_DAY_C = 50.0, 57.0, -90.0
# Share of a day's departure from normal that is still there the next day, and how far minimum and
# maximum of one day depart together (from memory; the Seattle series of the tests has 0.6 to 0.7).
_DAY_TO_DAY, _TOGETHER = 0.65, 0.6
_LEAST_SHARE = 0.9  # an observed year with fewer of its days is left out


def degree_days(
    t_min: ArrayLike,
    t_max: ArrayLike,
    base: float,
    upper: float | None = None,
    method: Method = "single-sine",
    cutoff: CutOff = "horizontal",
) -> Floats:
    """How many degree-days (°C·d) above `base` does each day give?

    `t_min` and `t_max` are daily minima and maxima, arrays of one shape or scalars; the result has
    that shape, NaN where an input is missing. `simple-average` is the mean less the base (no upper
    limit), `modified-average` first moves both to within base..upper, `single-triangle` and
    `single-sine` (Baskerville & Emin 1969) follow the day's curve. Above `upper` the curve counts
    as `upper` (horizontal), as nothing (vertical), or as much less as it is above (intermediate;
    Zalom et al. 1983). Raises Fault for a minimum above the maximum, or `upper` under `base`.
    """
    low, high = np.asarray(t_min, dtype=float), np.asarray(t_max, dtype=float)
    if np.any(low > high):
        rule = "the minimum must not be above the maximum"
        raise Fault("Temperatures", rule, _first_pair(low, high), "swap or correct them")
    if upper is not None and upper < base:
        rule = "the upper limit must not be under the base"
        raise Fault("Degree-days", rule, (base, upper), "correct the limits")
    if method == "simple-average":
        return np.asarray(np.maximum((low + high) / 2 - base, 0.0))
    if method == "modified-average":
        top = np.inf if upper is None else upper
        return np.asarray((np.clip(low, base, top) + np.clip(high, base, top)) / 2 - base)
    if method not in _ABOVE or cutoff not in ("horizontal", "vertical", "intermediate"):
        known = "simple-average, modified-average, single-triangle, single-sine"
        raise Fault("Degree-days", f"method is one of {known}", (method, cutoff), "choose one")
    warmth, _ = _ABOVE[method](low, high, base)
    if upper is None:
        return warmth
    over, share = _ABOVE[method](low, high, upper)
    if cutoff == "vertical":
        return np.asarray(warmth - over - (upper - base) * share)
    return np.asarray(warmth - over * (2.0 if cutoff == "intermediate" else 1.0))


def _first_pair(low: Floats, high: Floats) -> tuple[float, float]:
    low, high = np.broadcast_arrays(low, high)
    at = np.flatnonzero(low > high)[0]
    return float(low.flat[at]), float(high.flat[at])


def _sine_above(low: Floats, high: Floats, limit: float) -> tuple[Floats, Floats]:
    """Degree-days of a sine day above a limit, and the share of the day that is above it."""
    mean, swing = (low + high) / 2, (high - low) / 2
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        angle = np.arcsin(np.clip((limit - mean) / swing, -1.0, 1.0))
    part = ((mean - limit) * (np.pi / 2 - angle) + swing * np.cos(angle)) / np.pi
    warmth = np.where(low >= limit, mean - limit, np.where(high <= limit, 0.0, part))
    share = np.where(low >= limit, 1.0, np.where(high <= limit, 0.0, 0.5 - angle / np.pi))
    return _missing_kept(warmth, mean), share


def _triangle_above(low: Floats, high: Floats, limit: float) -> tuple[Floats, Floats]:
    """The same for a day that rises and falls in straight lines."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        part = (high - limit) / (high - low)
    part = np.where(low >= limit, 1.0, np.where(high <= limit, 0.0, part))
    warmth = np.where(low >= limit, (low + high) / 2 - limit, part * (high - limit) / 2)
    return _missing_kept(warmth, low + high), part


def _missing_kept(values: Floats, guide: Floats) -> Floats:
    return np.asarray(np.where(np.isnan(guide), np.nan, values))


_ABOVE = {"single-sine": _sine_above, "single-triangle": _triangle_above}


@dataclass(frozen=True, slots=True)
class Normals:
    """What are the twelve monthly means of daily minimum and maximum, and how do days spread?

    °C, January first; `min_sd` and `max_sd` are standard deviations of the days of a month.
    Raises Fault for a wrong number of months, a minimum above its maximum, or values that can only
    be degrees Fahrenheit.
    """

    t_min: tuple[float, ...]
    t_max: tuple[float, ...]
    min_sd: tuple[float, ...] = (3.0,) * 12
    max_sd: tuple[float, ...] = (3.5,) * 12

    def __post_init__(self) -> None:
        columns = (self.t_min, self.t_max, self.min_sd, self.max_sd)
        if any(len(column) != 12 for column in columns):
            found = tuple(len(column) for column in columns)
            raise Fault("Normals", "twelve months are needed", found, "give January to December")
        for month, (low, high) in enumerate(zip(self.t_min, self.t_max, strict=True), start=1):
            name = calendar.month_name[month]
            question = fahrenheit_question(f"{name} maximum", high, HOTTEST_MONTH_C)
            if question:
                raise Fault("Normals", question, high, "give °C")
            if low > high:
                rule = "the minimum must not be above the maximum"
                raise Fault(f"Normals of {name}", rule, (low, high), "swap or correct them")
        if min(*self.min_sd, *self.max_sd) < 0:
            spread = min(*self.min_sd, *self.max_sd)
            raise Fault("Normals", "standard deviations must be >= 0", spread, "correct them")


def fahrenheit_question(what: str, value: float, hottest: float = HOTTEST_DAY_C) -> str | None:
    """Can this temperature not be °C? The question to ask ("degrees Fahrenheit?"), or None.

    `hottest` is the highest value that can be: that of a day, or HOTTEST_MONTH_C for a mean.
    """
    if not value > hottest:
        return None
    return f"{what} {value:g}: degrees Fahrenheit? ({value:g} °F = {(value - 32) / 1.8:.1f} °C)"


def check_days(days: Dates, t_min: Floats, t_max: Floats) -> None:
    """Are these observed or forecast days believable? Raises Fault naming the first that is not.

    Missing values (NaN) are allowed.
    """
    for what, values in (("minimum", t_min), ("maximum", t_max)):
        hot = np.flatnonzero(values > HOTTEST_DAY_C)
        if hot.size:
            name, found = f"{days[hot[0]]} {what}", float(values[hot[0]])
            question = fahrenheit_question(name, found) or ""
            raise Fault("Weather", question, found, "give °C")
        cold = np.flatnonzero(values < COLDEST_DAY_C)
        if cold.size:
            rule = f"{what} must be >= {COLDEST_DAY_C:g} °C; a mark for missing values?"
            raise Fault(f"Weather of {days[cold[0]]}", rule, float(values[cold[0]]), "leave it out")
    wrong = np.flatnonzero(t_min > t_max)
    if wrong.size:
        rule = "the minimum must not be above the maximum"
        pair = (float(t_min[wrong[0]]), float(t_max[wrong[0]]))
        raise Fault(f"Weather of {days[wrong[0]]}", rule, pair, "swap or correct them")


def day_range(start: date, days: int) -> Dates:
    """Which dates are these many days from the start, as an array datetime64[D] [days]?"""
    return np.datetime64(start, "D") + np.arange(days)


def _months(days: Dates) -> NDArray[np.int64]:
    return days.astype("datetime64[M]").astype(np.int64) % 12


def _phase(days: Dates) -> Floats:
    """Share of its year that has passed at noon of each day, so that leap years fit too."""
    years = days.astype("datetime64[Y]")
    first, after = years.astype("datetime64[D]"), (years + 1).astype("datetime64[D]")
    return np.asarray(((days - first).astype(float) + 0.5) / (after - first).astype(float))


def _basis(phase: Floats) -> Floats:
    """Twelve harmonics of the year: the mean, five pairs of waves, one sine of two months.

    The sine has its crests in the middle of months. The cosine of two months is about 0 in the mean
    of every month, so that the months say nothing of it: small noise in them would become waves.
    """
    turns = 2 * np.pi * phase[:, None] * np.arange(1, 7)
    waves = np.concatenate([np.cos(turns[:, :5]), np.sin(turns)], axis=1)
    return np.concatenate([np.ones((phase.size, 1)), waves], axis=1)


def daily(months: Sequence[float], days: Dates) -> Floats:
    """Which daily values [days] lie on the smooth curve whose monthly means are these twelve?

    Harmonic interpolation that gives back each month's mean (Epstein 1991, Journal of Climate
    4:365-368), here with the true lengths of the months.
    """
    return _curve(months, _basis(_phase(days)))


def _curve(months: Sequence[float], waves: Floats) -> Floats:
    return np.asarray(waves @ np.linalg.solve(_monthly_waves(), np.asarray(months, float)))


@cache
def _monthly_waves() -> Floats:
    """The mean of each wave in each month of an ordinary year. [12, 12]"""
    year = np.arange(np.datetime64("2001-01-01"), np.datetime64("2002-01-01"))
    waves, of_month = _basis(_phase(year)), _months(year)
    return np.stack([waves[of_month == month].mean(axis=0) for month in range(12)])


@dataclass(frozen=True, slots=True)
class DailyNormals:
    """Daily mean minimum and maximum with their standard deviations, each an array [days]."""

    t_min: Floats
    t_max: Floats
    min_sd: Floats
    max_sd: Floats


def daily_normals(normals: Normals, days: Dates) -> DailyNormals:
    """What are the normal minimum, maximum and their spread on each of these days?"""
    waves = _basis(_phase(days))
    low, high = _curve(normals.t_min, waves), _curve(normals.t_max, waves)
    return DailyNormals(
        np.minimum(low, high),
        np.maximum(low, high),
        np.maximum(_curve(normals.min_sd, waves), 0.0),
        np.maximum(_curve(normals.max_sd, waves), 0.0),
    )


def normals_from_days(days: Dates, t_min: ArrayLike, t_max: ArrayLike) -> Normals:
    """Which monthly normals do these observed days have? NaN is a missing value.

    Raises Fault for a month with fewer than ten days, and for days that are not believable.
    """
    low, high = np.asarray(t_min, float), np.asarray(t_max, float)
    check_days(days, low, high)
    of_month = _months(days)
    columns: list[list[float]] = [[], [], [], []]
    for month in range(12):
        here = (of_month == month) & ~np.isnan(low) & ~np.isnan(high)
        if here.sum() < 10:
            name = calendar.month_name[month + 1]
            rule = f"{name} needs at least ten observed days"
            raise Fault("Normals", rule, int(here.sum()), "give more days or monthly normals")
        found = (low[here].mean(), high[here].mean(), low[here].std(ddof=1), high[here].std(ddof=1))
        for column, value in zip(columns, found, strict=True):
            column.append(float(value))
    return Normals(*(tuple(column) for column in columns))


@dataclass(frozen=True, slots=True)
class Weather:
    """How warm might the days from `start` be: one row a weather year, °C?

    `t_min` and `t_max` are arrays [years, days] without missing values; `source` says what the
    rows are ("observed years" or "draws from normals").
    """

    start: date
    t_min: Floats
    t_max: Floats
    source: str

    @property
    def years(self) -> int:
        return int(self.t_min.shape[0])

    @property
    def days(self) -> int:
        return int(self.t_min.shape[1])


def observed_weather(
    days: Dates, t_min: ArrayLike, t_max: ArrayLike, start: date, length: int
) -> Weather:
    """How would the days from `start` be if the weather of each observed year came again?

    One row an observed calendar year (those with nine tenths of their days); a row runs on into
    the following observed years and from the last to the first. A day that is missing (NaN or not
    there, 29 February too) is as the nearest known day of its year. Raises Fault if no year is
    whole enough, or for days that are not believable.
    """
    low, high = np.asarray(t_min, float), np.asarray(t_max, float)
    check_days(days, low, high)
    known = ~(np.isnan(low) | np.isnan(high))
    year_of = days.astype("datetime64[Y]").astype(np.int64) + 1970
    usable = [y for y in np.unique(year_of) if known[year_of == y].sum() >= _LEAST_SHARE * 365]
    if not usable:
        raise Fault("Weather", "no observed year has nine tenths of its days", 0, "use normals")
    grid = _calendar_grid(days, known, year_of, usable)
    target = day_range(start, length)
    years_on = target.astype("datetime64[Y]").astype(np.int64) + 1970 - start.year
    row = (np.arange(len(usable))[:, None] + years_on[None, :]) % len(usable)
    at = grid[row, _day_of_leap_year(target)[None, :]]
    return Weather(start, low[at], high[at], "observed years")


def _calendar_grid(
    days: Dates, known: NDArray[np.bool_], year_of: NDArray[np.int64], usable: Sequence[int]
) -> NDArray[np.int64]:
    """Which row of the series stands for each day of a leap year's calendar: [years, 366]."""
    slot = _day_of_leap_year(days)
    grid = np.empty((len(usable), 366), dtype=np.int64)
    for i, year in enumerate(usable):
        here = np.flatnonzero((year_of == year) & known)
        slots = slot[here]
        nearest = np.abs(np.arange(366)[:, None] - slots[None, :]).argmin(axis=1)
        grid[i] = here[nearest]
    return grid


def _day_of_leap_year(days: Dates) -> NDArray[np.int64]:
    """Place of each day's month and day in the calendar of a leap year, 0..365."""
    first_of_month = np.array([0, 31, 60, 91, 121, 152, 182, 213, 244, 274, 305, 335])
    month_start = days.astype("datetime64[M]").astype("datetime64[D]")
    return np.asarray(first_of_month[_months(days)] + (days - month_start).astype(np.int64))


def drawn_weather(
    normals: Normals, start: date, length: int, years: int = 30, seed: int = 1
) -> Weather:
    """How might the days from `start` be, where only normals are known? `years` seeded draws.

    A warm day is followed by a warm one: departures from normal carry over from day to day, and
    minimum and maximum depart together.
    """
    rng = np.random.default_rng(seed)
    each = daily_normals(normals, day_range(start, length))
    noise = rng.standard_normal((3, years, length))
    noise[:, :, 1:] *= np.sqrt(1 - _DAY_TO_DAY**2)
    for day in range(1, length):
        noise[:, :, day] += _DAY_TO_DAY * noise[:, :, day - 1]
    shared, own = np.sqrt(_TOGETHER), np.sqrt(1 - _TOGETHER)
    low = each.t_min + each.min_sd * (shared * noise[0] + own * noise[1])
    high = each.t_max + each.max_sd * (shared * noise[0] + own * noise[2])
    return Weather(start, np.minimum(low, high), np.maximum(low, high), "draws from normals")


def with_known_days(weather: Weather, days: Dates, t_min: ArrayLike, t_max: ArrayLike) -> Weather:
    """What is the weather if these days (past, or forecast) are already known in every year?"""
    at = (days - np.datetime64(weather.start, "D")).astype(np.int64)
    low, high = np.asarray(t_min, float), np.asarray(t_max, float)
    inside = (at >= 0) & (at < weather.days) & ~np.isnan(low) & ~np.isnan(high)
    new_low, new_high = weather.t_min.copy(), weather.t_max.copy()
    new_low[:, at[inside]] = low[inside]
    new_high[:, at[inside]] = high[inside]
    return replace(weather, t_min=new_low, t_max=new_high)


@dataclass(frozen=True, slots=True)
class AreaAir:
    """How does an area's air differ from the air outside? °C; see `felt`.

    Raises Fault for a negative coupling, shade, or a ceiling that is not above the floor.
    """

    sink_c: float = 0.0
    coupling: float = 1.0
    floor_c: float | None = None
    ceiling_c: float | None = None
    shade_layers: int = 0
    shade_c: float = 2.0

    def __post_init__(self) -> None:
        if self.coupling < 0 or self.shade_layers < 0 or self.shade_c < 0:
            found = (self.coupling, self.shade_layers, self.shade_c)
            raise Fault("Area", "coupling and shade must be >= 0", found, "correct the Areas sheet")
        if None not in (self.floor_c, self.ceiling_c) and self.floor_c >= self.ceiling_c:  # type: ignore[operator]
            limits = (self.floor_c, self.ceiling_c)
            raise Fault("Area", "the ceiling must be above the floor", limits, "correct them")


def felt(area: AreaAir, t_min: ArrayLike, t_max: ArrayLike) -> tuple[Floats, Floats]:
    """What minimum and maximum do the trays of an area feel on days with these outside?

    `sink + coupling * (air - sink)`, then the heated floor, then the vented ceiling, then each
    shade layer takes its amount off the maximum, which never falls under the minimum.
    """
    low = area.sink_c + area.coupling * (np.asarray(t_min, float) - area.sink_c)
    high = area.sink_c + area.coupling * (np.asarray(t_max, float) - area.sink_c)
    bottom = -np.inf if area.floor_c is None else area.floor_c
    top = np.inf if area.ceiling_c is None else area.ceiling_c
    low, high = np.clip(low, bottom, top), np.clip(high, bottom, top)
    return low, np.maximum(high - area.shade_layers * area.shade_c, low)


def felt_weather(area: AreaAir, weather: Weather) -> Weather:
    """What do the trays of an area feel in every weather year?"""
    low, high = felt(area, weather.t_min, weather.t_max)
    return replace(weather, t_min=low, t_max=high)


def chance_hotter(normals: Normals, days: Dates, limit_c: float) -> Floats:
    """How likely is a maximum at or above the limit on each of these days? Share [days]."""
    each = daily_normals(normals, days)
    return np.asarray(special.ndtr((each.t_max - limit_c) / np.maximum(each.max_sd, 1e-9)))


def chance_colder(normals: Normals, days: Dates, limit_c: float) -> Floats:
    """How likely is a minimum at or below the limit on each of these days? Share [days]."""
    each = daily_normals(normals, days)
    return np.asarray(special.ndtr((limit_c - each.t_min) / np.maximum(each.min_sd, 1e-9)))
