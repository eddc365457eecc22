"""What is usual at a station: twelve monthly rows, or what its observed days say?"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from sqlalchemy import extract, func
from sqlalchemy import select as sql_select
from sqlmodel import Session, col, select

from nursery.climate import Dates, Floats, Normals
from nursery.weather import MonthNormal, WeatherDay

LEAST_DAYS = 20
"""Fewer observed days of a month say too little of it (two thirds of a month; an estimate)."""


def station_normals(session: Session, stations: Iterable[int]) -> dict[int, Normals]:
    """Which normals has each of these stations? Those that have none are left out.

    The twelve monthly rows where they are all there, else what at least `LEAST_DAYS` observed days
    of every month say. Gaps and leap days need nothing special: each month is the mean of the days
    that there are.
    """
    wanted = sorted(set(stations))
    found = _of_months(session, wanted)
    return {**_of_days(session, [one for one in wanted if one not in found]), **found}


def _of_months(session: Session, stations: list[int]) -> dict[int, Normals]:
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


def _of_days(session: Session, stations: list[int]) -> dict[int, Normals]:
    """The database adds up: ten years of a station are 3,650 rows, and a quote waits for this."""
    if not stations:
        return {}
    low, high = col(WeatherDay.min_c), col(WeatherDay.max_c)
    month = extract("month", col(WeatherDay.day))
    rows = session.connection().execute(
        sql_select(
            col(WeatherDay.station_id),
            month,
            func.count(),
            func.avg(low),
            func.avg(high),
            func.avg(low * low),
            func.avg(high * high),
        )
        .where(col(WeatherDay.station_id).in_(stations))
        .group_by(col(WeatherDay.station_id), month)
        .order_by(col(WeatherDay.station_id), month)
    )
    months: dict[int, list[tuple[float, float, float, float]]] = {}
    for station, _, days, mean_low, mean_high, low_squares, high_squares in rows:
        if days >= LEAST_DAYS:
            spread = _deviation(days, mean_low, low_squares)
            other = _deviation(days, mean_high, high_squares)
            months.setdefault(station, []).append((mean_low, mean_high, spread, other))
    return {
        station: Normals(*(tuple(map(float, column)) for column in zip(*each, strict=True)))
        for station, each in months.items()
        if len(each) == 12
    }


def _deviation(days: int, mean: float, mean_of_squares: float) -> float:
    """The sample's standard deviation from its sums, as `statistics.stdev` has it."""
    variance = max(0.0, float(mean_of_squares) - float(mean) ** 2)
    return float(np.sqrt(variance * days / (days - 1)))


def days_of_hours(
    dates: Dates, temperatures: Floats, least_hours: int = 20
) -> tuple[Dates, Floats, Floats]:
    """Which minimum and maximum had each day, of readings by the hour on these local dates?

    `dates` holds the local day of each reading (datetime64[D]): convert moments to the station's
    zone first, so that a day of 23 or 25 hours at a change of clocks is one day. Missing readings
    (NaN) are left out, and a day with fewer than `least_hours` of them is NaN. Returns days,
    minima, maxima, each [days], without gaps.
    """
    known = ~np.isnan(temperatures)
    first, last = dates.min(), dates.max()
    days = np.arange(first, last + 1)
    at = (dates - first).astype(int)[known]
    count = np.bincount(at, minlength=days.size)
    low, high = np.full(days.size, np.inf), np.full(days.size, -np.inf)
    np.minimum.at(low, at, temperatures[known])
    np.maximum.at(high, at, temperatures[known])
    few = count < least_hours
    return days, np.where(few, np.nan, low), np.where(few, np.nan, high)
