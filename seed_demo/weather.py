"""What weather has the invented nursery had, and what is forecast? Made up, from a seed.

A day's mean is a yearly sine plus AR(1) noise that neighbouring stations largely share; half the
daily range lies on each side of it. Real weather is rougher; nothing here is a record.
"""

from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from seed_demo.nursery_data import STATIONS, TODAY, Place

FIRST_DAY = date(2025, 3, 22)
"""Two years of observed days lie before `TODAY`."""
FORECAST_DAYS = 10
_COLDEST_DAY = 20
_PERSISTENCE = 0.8
_SPREAD_C = 2.0
_COLD_SPELL = {3: 4.0, 4: 7.5, 5: 6.0, 6: 3.0}
"""Days after today, and how many °C a northerly takes off the inland forecasts."""
_COLD_AT = frozenset({"Hoogven", "Oberried"})


class Day(NamedTuple):
    """One day at one station, °C."""

    station: str
    day: date
    min_c: float
    max_c: float


class Normal(NamedTuple):
    """A month's means of daily minimum and maximum at one station, with their spread, °C."""

    station: str
    month: int
    min_c: float
    max_c: float
    min_sd_c: float
    max_sd_c: float


def observed(rng: np.random.Generator) -> list[Day]:
    """Which days were observed at every station, from `FIRST_DAY` to yesterday?"""
    days = (TODAY - FIRST_DAY).days
    shared = _noise(rng, days)
    return [
        day
        for place in STATIONS
        for day in _days(rng, place, FIRST_DAY, 0.85 * shared + 0.5 * _noise(rng, days))
    ]


def forecasts(rng: np.random.Generator) -> list[Day]:
    """What was forecast this morning for today and the days after it? A cold spell inland."""
    shared = 0.5 * _noise(rng, FORECAST_DAYS)
    made = []
    for place in STATIONS:
        off = np.zeros(FORECAST_DAYS)
        if place.name in _COLD_AT:
            off[list(_COLD_SPELL)] = list(_COLD_SPELL.values())
        made += _days(rng, place, TODAY, shared - off)
    return made


def normals() -> list[Normal]:
    """What is usual in each month at every station?"""
    return [
        Normal(
            place.name,
            month,
            round(_usual(place, date(2026, month, 15)) - place.half_range_c, 1),
            round(_usual(place, date(2026, month, 15)) + place.half_range_c, 1),
            _SPREAD_C,
            _SPREAD_C + 0.4,
        )
        for place in STATIONS
        for month in range(1, 13)
    ]


def _usual(place: Place, day: date) -> float:
    turn = 2 * np.pi * (day.timetuple().tm_yday - _COLDEST_DAY) / 365.25
    return float(place.mean_c - place.swing_c * np.cos(turn))


def _noise(rng: np.random.Generator, days: int) -> NDArray[np.float64]:
    shocks = rng.normal(0.0, _SPREAD_C * np.sqrt(1 - _PERSISTENCE**2), days)
    values = np.empty(days)
    last = rng.normal(0.0, _SPREAD_C)
    for i, shock in enumerate(shocks):
        last = _PERSISTENCE * last + shock
        values[i] = last
    return values


def _days(
    rng: np.random.Generator, place: Place, first: date, off: NDArray[np.float64]
) -> list[Day]:
    ranges = place.half_range_c * rng.uniform(0.6, 1.4, len(off))
    made = []
    for i, (noise, half) in enumerate(zip(off, ranges, strict=True)):
        day = first + timedelta(days=i)
        mean = _usual(place, day) + float(noise)
        low, high = round(mean - float(half), 1), round(mean + float(half), 1)
        made.append(Day(place.name, day, low, high))
    return made
