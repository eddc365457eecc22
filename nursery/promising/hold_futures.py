"""How likely does a station's weather reach a limit on one or more days of a journey?

Two things tie the days of a journey together. A warm day is followed by a warm one; and the
forecasts of one morning err together, more or less. So a chance is stated of the journey and not of
its days: days taken one by one and joined as if nothing tied them state far too much, and the worst
of them alone is the one whose forecast erred upwards most.

The model, all of it normal variables: a day departs from what is usual by a departure x with the
climate's spread, the correlation of two days being `DAY_TO_DAY` to the power of the days between; a
forecast is the day plus an error of the usual size, the correlation of two days' errors being
`together` to that power. What is known of all days given all forecasts is then conditioning in a
multivariate normal distribution (any textbook of statistics; in the atmospheric sciences "optimal
interpolation"). It draws a forecast that stands out from those beside it towards them, and one that
is far from usual towards what is usual, the more the farther ahead; and it reaches past the last
day of the forecast.

That no day of a journey reaches a limit is the product of the chances of each day given that those
before it did not, the distribution of the days to come being replaced at each step by the normal
one with its mean and variance (Mendell & Elston 1974, Biometrics 30:41-57; exact for one day, of
several days it states a little too much where the chance is small).

How far errors come together is seen in how a station's forecasts were revised
(`promising.hold_revisions`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import special

from nursery.climate import Floats

DAY_TO_DAY = 0.65
"""Correlation of the departures of one day and the next (Clemson and Seattle, all seasons: 0.6 to
0.7; as in `nursery.climate`)."""
_FARTHEST = 3.0
"""A day forecast so many spreads from what is usual, or more, says that the spread is wider: a heat
that nobody has seen yet is not explained away (an estimate)."""
_LEAST_C, _ANY_C, _NOT_ASKED_C = 1e-3, 1e3, 1e9
_AT_LIMIT_C, _KNOWN_C = 1e-6, 1e-4
"""Nearer than the one to a limit is at it; a day that spreads by less than the other is known."""


@dataclass(frozen=True)
class Futures:
    """What is known of the maxima (or minima) of days at one station. °C

    `mean` and `spread` are arrays [days]: what is expected, and the climate's spread where there is
    no forecast of any day. `known` [days, forecasts] is what the forecasts take off the climate's
    covariance: that of days i and j is spread_i spread_j r^|i - j| - known_i . known_j. The first
    `judged` days alone are asked about here, `skipped` [days] are not even if they are among them.
    """

    mean: Floats
    spread: Floats
    known: Floats
    judged: int
    skipped: NDArray[np.bool_]

    def reached(self, limit_c: float, hot: bool) -> Floats:
        """How likely is the limit reached on each day, from below (`hot`) or from above? [days]"""
        return 1 - self._calm(limit_c, hot, 1)

    def calm(self, limit_c: float, hot: bool) -> CalmRuns:
        """How likely is it not reached on any of some days in a row?"""
        return CalmRuns(self, limit_c, hot)

    def _calm(self, limit_c: float, hot: bool, length: int) -> Floats:
        """The chance of no day at the limit among so many, by the first of them. [judged]"""
        if not self.judged:
            return np.ones(0)
        windows = np.minimum(
            np.arange(self.judged)[:, None] + np.arange(length), self.mean.size - 1
        )
        beyond = np.arange(self.judged)[:, None] + np.arange(length) >= self.judged
        passed = beyond | self.skipped[windows]
        room = limit_c - self.mean[windows] if hot else self.mean[windows] - limit_c
        room = np.where(passed, _NOT_ASKED_C, room)
        return _none_reached(room, self._covariances(windows))

    def _covariances(self, windows: NDArray[np.intp]) -> Floats:
        apart = np.abs(np.subtract.outer(np.arange(windows.shape[1]), np.arange(windows.shape[1])))
        spread, known = self.spread[windows], self.known[windows]
        climate = spread[:, :, None] * spread[:, None, :] * DAY_TO_DAY**apart
        return np.asarray(climate - np.einsum("wif,wjf->wij", known, known))


@dataclass(frozen=True)
class CalmRuns:
    """The chance that a limit is not reached, for days in a row; worked out a length at a time."""

    futures: Futures
    limit_c: float
    hot: bool
    _by_length: dict[int, list[float]] = field(default_factory=dict, compare=False, repr=False)

    def chance(self, first: int, end: int) -> float:
        """How likely is it reached on no day from `first` to before `end`?"""
        end = min(end, self.futures.judged)
        if first >= end:
            return 1.0
        length = end - first
        if length not in self._by_length:
            found = self.futures._calm(self.limit_c, self.hot, length)
            self._by_length[length] = found.tolist()
        return self._by_length[length][first]


def futures(
    usual: Sequence[float] | Floats | None,
    spread: Sequence[float] | Floats | None,
    days: int,
    said: Sequence[tuple[int, float, float]],
    together: float,
    untold: bool = True,
) -> Futures:
    """What is known of so many days, given the forecasts `said` (day index, °C, usual error °C)?

    `usual` and `spread` are the climate's, arrays [days], None where nothing is known of it: then
    forecasts are taken as they are and of other days nothing is said. Without `untold` the days
    that have no forecast are left to another judge.
    """
    at = np.array([each[0] for each in said], dtype=np.intp)
    told = np.zeros(days, dtype=np.bool_)
    told[at] = True
    forecast = np.array([each[1] for each in said])
    error = np.maximum([each[2] for each in said], 0.0)
    apart = np.abs(np.subtract.outer(at, at))
    errors = np.outer(error, error) * together**apart
    judges = untold and usual is not None
    judged = days if judges else (int(at.max()) + 1 if at.size else 0)
    skipped = np.zeros(days, dtype=np.bool_) if judges else ~told
    mean, wide = np.zeros(days), np.full(days, _ANY_C)  # a climate that could be anything
    mean[at] = forecast
    if usual is not None and spread is not None:
        mean, wide = np.array(usual, float), np.maximum(np.asarray(spread, float), _LEAST_C)
    if not at.size:
        return Futures(mean, wide, np.zeros((days, 0)), judged, skipped)
    wide[at] = np.maximum(wide[at], np.abs(forecast - mean[at]) / _FARTHEST)
    lasting = DAY_TO_DAY ** np.abs(np.subtract.outer(np.arange(days), at))
    shared = wide[:, None] * wide[at] * lasting
    root = np.linalg.cholesky(shared[at] + errors + np.diag(np.full(at.size, _LEAST_C**4)))
    known = np.linalg.solve(root, shared.T).T
    mean = mean + known @ np.linalg.solve(root, forecast - mean[at])
    return Futures(mean, wide, known, judged, skipped)


def _none_reached(room: Floats, covariance: Floats) -> Floats:
    """How likely is every one of some normal variables under its bound? [cases]

    `room` [cases, variables] is how far each bound lies above the mean, `covariance` is
    [cases, variables, variables].
    """
    room, covariance = room.copy(), covariance.copy()
    chance = np.ones(room.shape[0])
    for one in range(room.shape[1]):
        spread = np.sqrt(np.maximum(covariance[:, one, one], 0.0))
        sure = spread <= _KNOWN_C
        bound = room[:, one] / np.where(sure, 1.0, spread)
        under = np.where(sure, room[:, one] > _AT_LIMIT_C, special.ndtr(bound))
        chance *= under
        # of those that stay under it: the mean is lower and the spread smaller (a cut normal)
        lower = np.where(
            sure, 0.0, np.exp(-0.5 * bound**2 - special.log_ndtr(bound)) / np.sqrt(2 * np.pi)
        )
        tied = covariance[:, :, one] / np.where(sure, 1.0, spread)[:, None]
        room += tied * lower[:, None]
        less = lower * (lower + bound)
        covariance -= less[:, None, None] * tied[:, :, None] * tied[:, None, :]
    return chance
