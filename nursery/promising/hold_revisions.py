"""How alike are the errors of neighbouring days in one forecast of a station?

An error is all revisions that a forecast has still to go through until the day is there. So where
neighbouring days of one forecast were revised alike by the time they came, their errors are alike:
this is seen in the forecasts that were recorded, before anybody knows what weather came. A service
that runs one model revises whole weeks up or down; one that adds noise day by day does not. All
that a day was revised by counts, not the step from one morning to the next: where a day errs as the
day before it did, that comes out on another morning (simulated forecasts whose neighbouring errors
were 0.65 alike: by all revisions 0.4 to 0.6 was seen, by the steps of single mornings 0.1).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta
from itertools import groupby

import numpy as np
from sqlmodel import Session, col, select

from nursery.promising.facts import kept_of
from nursery.weather import Forecast

LOOK_BACK_DAYS = 30
TOGETHER, _WEIGHS, _MOST = 0.5, 100, 0.9
"""What is taken before any revision was seen (an estimate: between errors that have nothing to do
with each other and errors that last as the weather does), as how many pairs of neighbouring days it
weighs (one pair is seen on several mornings), and the most that is believed."""


def errors_together(
    session: Session, station: int, at: datetime, newest: datetime | None, many: int
) -> float:
    """The correlation of neighbouring days' errors, by the forecasts of the last weeks. 0 to 0.9.

    `newest` and `many` say when the latest of the station's forecasts was issued and how many rows
    it has; while they stand, the process keeps the answer for the day.
    """
    if newest is None:
        return TOGETHER
    known = (newest, many, at.date())
    kept = kept_of(session).setdefault("errors together", {})
    if station not in kept or kept[station][0] != known:
        kept[station] = (known, together(revisions(_issues(session, station, at))))
    found: float = kept[station][1]
    return found


def revisions(issues: Mapping[date, Mapping[date, tuple[float, float]]]) -> list[list[float]]:
    """By how much was each day's minimum and maximum revised from a forecast to its last one? °C

    `issues` has the (minimum, maximum) by day, by the day of issue. One list for each run of days
    of an issue that a later one has too.
    """
    found: list[list[float]] = []
    last: dict[date, tuple[float, float]] = {}
    for issued in sorted(issues, reverse=True):
        said = issues[issued]
        for run in _in_a_row(sorted(said.keys() & last.keys())):
            for end in (0, 1):
                found.append([last[day][end] - said[day][end] for day in run])
        last = {**said, **last}
    return found


def together(revised: Sequence[Sequence[float]]) -> float:
    """The correlation of neighbouring days' revisions, each about 0, from 0 to 0.9.

    Where few pairs of neighbouring days were seen, it is drawn to `TOGETHER`.
    """
    pairs, products, squares = 0, 0.0, 0.0
    for row in revised:
        changed = np.asarray(row, float)
        pairs += changed.size - 1
        products += float(np.sum(changed[1:] * changed[:-1]))
        squares += float(np.sum(changed[1:] ** 2 + changed[:-1] ** 2)) / 2
    seen = products / squares if squares > 0 else TOGETHER
    return float(np.clip((pairs * seen + _WEIGHS * TOGETHER) / (pairs + _WEIGHS), 0.0, _MOST))


def _issues(
    session: Session, station: int, at: datetime
) -> dict[date, dict[date, tuple[float, float]]]:
    """The last forecast of each morning."""
    when = col(Forecast.issued_at)
    rows = session.exec(
        select(when, col(Forecast.day), col(Forecast.min_c), col(Forecast.max_c))
        .where(col(Forecast.station_id) == station)
        .where(when <= at, when >= at - timedelta(days=LOOK_BACK_DAYS))
        .order_by(when)
    ).all()
    found: dict[date, dict[date, tuple[float, float]]] = {}
    for issued_at, group in groupby(rows, key=lambda row: row[0]):
        found[issued_at.date()] = {day: (low, high) for _, day, low, high in group}
    return found


def _in_a_row(days: Iterable[date]) -> list[list[date]]:
    runs: list[list[date]] = []
    for day in days:
        if runs and day - runs[-1][-1] == timedelta(days=1):
            runs[-1].append(day)
        else:
            runs.append([day])
    return runs
