"""How far were the forecasts out? Recorded forecasts beside the days that were observed since."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from sqlmodel import Session, col, select

from nursery.database import site, today
from nursery.weather import Forecast, WeatherDay

LOOK_BACK_DAYS = 365
LEAST_DAYS = 30
"""Fewer days of one distance say too little (an estimate: their error is known within 13 %)."""


@dataclass(frozen=True, slots=True)
class Measured:
    """How far forecasts so many days ahead were out: root mean square of minima and maxima, °C.

    `set_c` is what the site's settings say, `days` how many observed days were compared.
    """

    days_ahead: int
    days: int
    error_c: float
    set_c: float


@dataclass(frozen=True, slots=True)
class Advice:
    """Settings that fit what was measured, °C; None where too little was."""

    forecast_error_c: float
    forecast_drift_c: float


def measured_errors(session: Session) -> tuple[Measured, ...]:
    """How far were forecasts of the last year out, by days ahead? All stations together.

    Of several forecasts issued on one day for the same day the last counts.
    """
    here = site(session)
    seen: dict[tuple[int, date, int], float] = {}
    for issued, said, was in _pairs(session):
        ahead = (was.day - issued).days
        if ahead >= 0:
            low, high = said.min_c - was.min_c, said.max_c - was.max_c
            seen[was.station_id, was.day, ahead] = (low**2 + high**2) / 2
    squares: dict[int, list[float]] = {}
    for (_, _, ahead), square in seen.items():
        squares.setdefault(ahead, []).append(square)
    return tuple(
        Measured(
            ahead,
            len(each),
            float(np.sqrt(np.mean(each))),
            here.forecast_error_c + here.forecast_drift_c * ahead,
        )
        for ahead, each in sorted(squares.items())
    )


def _pairs(session: Session) -> list[tuple[date, Forecast, WeatherDay]]:
    rows = session.exec(
        select(Forecast, WeatherDay)
        .join(
            WeatherDay,
            (col(WeatherDay.station_id) == col(Forecast.station_id))
            & (col(WeatherDay.day) == col(Forecast.day)),
        )
        .where(col(Forecast.day) >= today(session) - timedelta(days=LOOK_BACK_DAYS))
        .order_by(col(Forecast.issued_at))
    )
    return [(said.issued_at.date(), said, was) for said, was in rows]


def advice(measured: Sequence[Measured]) -> Advice | None:
    """Which settings fit these errors best (least squares, by days compared)? None for too few."""
    enough = [one for one in measured if one.days >= LEAST_DAYS]
    if len(enough) < 2:
        return None
    ahead = np.array([one.days_ahead for one in enough], dtype=float)
    errors = np.array([one.error_c for one in enough])
    weights = np.sqrt([one.days for one in enough])
    drift, first = np.polyfit(ahead, errors, 1, w=weights)
    return Advice(round(max(0.0, float(first)), 2), round(max(0.0, float(drift)), 2))
