"""How long does a stage take, from any day of entry, over many weather years?

A stage waits for its clock: `days`, `warmth` (°C·d above a base), `chill` (days with a mean at or
below a limit) or `hardening` (days whose night and day limits held). Its dwell is a distribution
with one value a weather year; plans use the `expected` quantile, promises the `safe` one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nursery.climate import Floats, Weather, degree_days
from nursery.errors import Fault

Whole = NDArray[np.int64]
KINDS = ("days", "warmth", "chill", "hardening")
EXPECTED, SAFE = 0.5, 0.9
NEVER = 100_000  # dwell in days of a stage that does not end within the weather given
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class StageClock:
    """What does a stage wait for?

    `amount` is days, °C·d above `base_c` (up to `upper_c`), days with a mean at or below `base_c`
    (chill), or days with a minimum >= `base_c` and a maximum <= `upper_c` (hardening; a frost day
    never counts). Raises Fault for an unknown kind, a negative amount, or a missing base.
    """

    kind: str
    amount: float
    base_c: float | None = None
    upper_c: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise Fault("Clock", f"is one of {', '.join(KINDS)}", self.kind, "choose one")
        if not self.amount >= 0:
            raise Fault("Clock", "amount must be >= 0", self.amount, "correct the stage")
        if self.base_c is None and self.kind in ("warmth", "chill"):
            raise Fault("Clock", f"{self.kind} needs a base temperature", None, "give base_c, °C")


def progress(clock: StageClock, weather: Weather) -> Floats:
    """How much of what it waits for does a stage gain each day? Array [years, days].

    `weather` is what the trays feel (`nursery.climate.felt_weather`).
    """
    low, high = weather.t_min, weather.t_max
    if clock.kind == "warmth":
        return degree_days(low, high, clock.base_c or 0.0, clock.upper_c)
    if clock.kind == "chill":
        return np.asarray(((low + high) / 2 <= (clock.base_c or 0.0)).astype(float))
    if clock.kind == "hardening":
        night = 0.0 if clock.base_c is None else max(clock.base_c, 0.0)
        day = np.inf if clock.upper_c is None else clock.upper_c
        return np.asarray(((low >= night) & (high <= day)).astype(float))
    return np.ones_like(low)


def running_total(clock: StageClock, weather: Weather) -> Floats:
    """How much has been gained by the start of each day, and by the end? [years, days + 1]"""
    total = np.zeros((weather.years, weather.days + 1))
    np.cumsum(progress(clock, weather), axis=1, out=total[:, 1:])
    return total


def dwell_days(
    clock: StageClock, weather: Weather, entry_days: ArrayLike, total: Floats | None = None
) -> Whole:
    """How many days does a stage take if it is entered on these days? Array [years, entries].

    `entry_days` count from the weather's start, one row for all years [entries] or one a year
    [years, entries]. The day of entry counts. NEVER where the weather given ends first. `total` is
    the clock's `running_total`, for callers that ask often.
    """
    entries = np.atleast_1d(np.asarray(entry_days, dtype=np.int64))
    entries = np.broadcast_to(entries, (weather.years, entries.shape[-1]))
    if clock.kind == "days":
        return np.full(entries.shape, int(np.ceil(clock.amount)), dtype=np.int64)
    total = running_total(clock, weather) if total is None else total
    answer = np.full(entries.shape, NEVER, dtype=np.int64)
    for year in range(weather.years):
        inside = (entries[year] >= 0) & (entries[year] <= weather.days)
        start = entries[year, inside]
        wanted = total[year, start] + clock.amount - _ROUNDING
        end = np.maximum(np.searchsorted(total[year], wanted, side="left"), start)
        answer[year, inside] = np.where(end <= weather.days, end - start, NEVER)
    return answer


def quantile_days(dwell: Whole, quantile: float) -> Whole:
    """Which number of days is enough in this share of the weather years? Array [entries].

    The smallest value of the distribution that covers the share; `dwell` is [years, entries].
    """
    if not 0 < quantile <= 1:
        raise Fault("Quantile", "must be above 0 and at most 1", quantile, "use 0.5 or 0.9")
    return np.asarray(np.quantile(dwell, quantile, axis=0, method="inverted_cdf"), dtype=np.int64)


def weeks_of_dwell(
    stages: Sequence[tuple[StageClock, Weather]], entry_days: ArrayLike, quantile: float
) -> Whole:
    """How many weeks does each stage take, by day (say, Monday) of entry? [stages, entries].

    Each stage comes with what its trays feel. Whole weeks, rounded up; NEVER where it does not end
    in this share of the weather years.
    """
    rows = [quantile_days(dwell_days(clock, air, entry_days), quantile) for clock, air in stages]
    days = np.stack(rows) if rows else np.zeros((0, np.size(entry_days)), dtype=np.int64)
    return np.asarray(np.where(days >= NEVER, NEVER, -(-days // 7)), dtype=np.int64)


def passage_days(stages: Sequence[tuple[StageClock, Weather]], start_days: ArrayLike) -> Whole:
    """On which day does a batch leave each stage, year by year? Array [stages, years, starts].

    Goes through all stages in one weather year, so the quantile of the whole is not the sum of
    quantiles. All `Weather` have the same years and start. NEVER from the first stage that does
    not end.
    """
    at = np.atleast_1d(np.asarray(start_days, dtype=np.int64))
    ends: list[Whole] = []
    for clock, air in stages:
        at = np.broadcast_to(at, (air.years, at.shape[-1]))
        dwell = dwell_days(clock, air, at)
        at = np.where((dwell >= NEVER) | (at >= NEVER), NEVER, at + dwell)
        ends.append(at)
    return np.stack(ends)
