"""In how many weather years was a station too hot or too cold on some day of a journey?

Warm days come together, so days taken one by one state a chance of heat that is too high; and the
days of a month are not spread as the normal distribution says. Where the books have whole observed
years of a station, the chance beyond its forecast is therefore counted in them: the share of years
in which any day of the journey reached the limit, looked at in the same week and up to a week
before and after it. What the normals say of the days together (`hold_futures`, without a forecast)
weighs as one more year, so that few years close no day for what none of them has seen.
(Leave-one-year-out on Clemson's 85 years, 32 °C, four days: where the normals, day by day, said 80
to 90 % calm it was 97 %, where the years said so it was 89 %.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
import sqlalchemy as sa
from numpy.typing import NDArray
from sqlmodel import Session, col

from nursery.climate import Weather, observed_weather
from nursery.errors import Fault
from nursery.growing.air import LEAST_YEARS
from nursery.promising.facts import kept_of
from nursery.promising.hold_futures import CalmRuns
from nursery.weather import WeatherDay

SHIFT_DAYS = 7
"""A day's weather in a year might as well have come so many days sooner or later (an estimate)."""
_NORMALS_WEIGH = 1.0


@dataclass(frozen=True)
class Seen:
    """On which days was a limit reached, year by year, at one station?

    `reached` is [years, days], begun `SHIFT_DAYS` before the outlook and ended as many after it;
    `calm` what the normals say of days in a row, `told` the days that a forecast judges.
    """

    reached: NDArray[np.bool_]
    calm: CalmRuns
    told: Sequence[bool]
    _by_length: dict[int, list[float]] = field(default_factory=dict, compare=False, repr=False)

    def chance_calm(self, first: int, end: int) -> float:
        """How likely is no such day from the first one that no forecast judges to before `end`?"""
        while first < end and self.told[first]:
            first += 1
        if first >= end:
            return 1.0
        length = end - first
        if length not in self._by_length:
            self._by_length[length] = self._shares(length)
        years, normals = self.reached.shape[0], self.calm.chance(first, end)
        seen = self._by_length[length][first]
        return float((years * seen + _NORMALS_WEIGH * normals) / (years + _NORMALS_WEIGH))

    def _shares(self, length: int) -> list[float]:
        """The share of years and shifts without such a day, by first day of so many days."""
        so_far = np.pad(np.cumsum(self.reached, axis=1), ((0, 0), (1, 0)))
        free = (so_far[:, length:] == so_far[:, :-length]).mean(axis=0)
        upto = np.concatenate(([0.0], np.cumsum(free)))
        wide = 2 * SHIFT_DAYS + 1
        return ((upto[wide:] - upto[:-wide]) / wide).tolist()  # type: ignore[no-any-return]


def weather_years(session: Session, station: int, start: date, days: int) -> Weather | None:
    """How were these days, `SHIFT_DAYS` before and after them too, in the station's whole years?

    None where it has fewer than `LEAST_YEARS`. Kept by the process while the observed days stand.
    """
    low, high = col(WeatherDay.min_c), col(WeatherDay.max_c)
    mine = col(WeatherDay.station_id) == station
    count, newest, total = sa.func.count(), sa.func.max(WeatherDay.day), sa.func.sum(low + 3 * high)
    stamp = session.connection().execute(sa.select(count, newest, total).where(mine)).one()
    if stamp[0] < 300 * LEAST_YEARS:
        return None
    known = (*stamp, start, days)
    kept = kept_of(session).setdefault("weather years", {})
    if station not in kept or kept[station][0] != known:
        rows = session.connection().execute(sa.select(WeatherDay.day, low, high).where(mine)).all()  # type: ignore[call-overload]
        kept[station] = (known, _observed(rows, start, days))
    found: Weather | None = kept[station][1]
    return found


def _observed(
    rows: Sequence[sa.Row[tuple[date, float, float]]], start: date, days: int
) -> Weather | None:
    when, low, high = zip(*sorted(tuple(row) for row in rows), strict=True)
    first, length = start - timedelta(days=SHIFT_DAYS), days + 2 * SHIFT_DAYS
    try:
        found = observed_weather(np.array(when, dtype="datetime64[D]"), low, high, first, length)
    except Fault:  # no year is whole enough
        return None
    return found if found.years >= LEAST_YEARS else None
