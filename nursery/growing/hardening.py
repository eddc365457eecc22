"""Which batches are being hardened off, how far are they, and which nights must they be covered?

A day counts whose night and day limits held; a frost day never does. What is found here is a
forecast of readiness: a person who has looked at the plugs decides, and a veto stands above both.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from sqlmodel import Session, col, select

from nursery.climate import felt
from nursery.clocks import EXPECTED, NEVER, progress
from nursery.crop import Clock, StageKind
from nursery.database import now, site
from nursery.growing.air import Air, air_of, area_air
from nursery.growing.growth import Growing, Passage, growing_batches, passages, stage_clock
from nursery.growing_area import GrowingArea
from nursery.weather import Forecast, WeatherDay

FROST_C = 0.0
"""Trays that feel this or less are covered or brought in (caution from 0 °C, an estimate)."""


@dataclass(frozen=True, slots=True)
class ColdNight:
    """A night that is forecast cold: what the trays of the batch's area will feel, °C."""

    day: date
    felt_min_c: float


@dataclass(frozen=True, slots=True)
class HardeningOff:
    """A batch that is being hardened off.

    `done` of `needed` days have counted so far, of which `observed` by the station's own days (the
    rest is taken from usual weather). `ends_on` is expected, None where the weather looked at never
    gets there. `cold` are the nights of a fresh forecast on which to cover or bring in;
    `forecast_until` is the last day that a fresh forecast covers, None: a person decides.
    """

    batch_id: int
    batch_code: str
    crop: str
    plugs: int
    done: int
    needed: int
    observed: int
    ends_on: date | None
    cold: tuple[ColdNight, ...]
    forecast_until: date | None
    vetoed: bool


def hardening_off(session: Session, today: date) -> list[HardeningOff]:
    """Which batches are being hardened off now, how far are they, and what threatens them?

    Ordered by batch code. Reads only.
    """
    batches = [
        one
        for one in growing_batches(session)
        if one.batch.stage.kind is StageKind.HARDEN_OFF and one.stages_left
    ]
    if not batches:
        return []
    air = air_of(session, today)
    nights = _nights(session, today)
    areas = {area.id: area for area in session.exec(select(GrowingArea)).all()}
    observed = _observed(session, min(one.batch.stage_entered_on for one in batches), today)
    found = []
    for one, way in zip(batches, passages(air, batches, today), strict=True):
        its = _areas(one, areas.values())
        cold = tuple(
            ColdNight(night, round(least, 1))
            for night, low, high in nights
            if (least := min([float(felt(area_air(a), low, high)[0]) for a in its], default=low))
            <= FROST_C
        )
        found.append(_row(one, way, air, today, cold, nights, observed))
    return sorted(found, key=lambda row: row.batch_code)


def _row(
    one: Growing,
    way: Passage,
    air: Air,
    today: date,
    cold: tuple[ColdNight, ...],
    nights: list[tuple[date, float, float]],
    observed: set[date],
) -> HardeningOff:
    end = way.leaves(EXPECTED)
    days = range((today - one.batch.stage_entered_on).days)
    since = [one.batch.stage_entered_on + timedelta(days=n) for n in days]
    return HardeningOff(
        batch_id=one.batch.id or 0,
        batch_code=one.batch.code,
        crop=one.batch.crop.name,
        plugs=one.plugs,
        done=min(_counted(one, air, way.entered, air.day(today)), _needed(one)),
        needed=_needed(one),
        observed=sum(day in observed for day in since),
        ends_on=None if end >= NEVER else air.date(end),
        cold=cold,
        forecast_until=nights[-1][0] if nights else None,
        vetoed=one.vetoed,
    )


def _needed(one: Growing) -> int:
    return int(np.ceil(one.batch.stage.clock_amount))


def _counted(one: Growing, air: Air, entered: int, now_at: int) -> int:
    """How many days since the entry have counted, in the slowest area, in the median year?"""
    stage = one.batch.stage
    if stage.clock is Clock.DAYS:
        return max(0, now_at - entered)
    area_id = one.batch.bench.area_id if one.batch.bench is not None else None
    choice = air.of(stage.area_kind, stage.clock, area_id)
    gained = [progress(stage_clock(stage), its)[:, entered:now_at].sum(axis=1) for its in choice]
    return int(min(float(np.median(years)) for years in gained))


def _areas(one: Growing, areas: Iterable[GrowingArea]) -> list[GrowingArea]:
    if one.batch.bench is not None:
        return [one.batch.bench.area]
    kind = one.batch.stage.area_kind
    return [area for area in areas if area.kind is kind]


def _nights(session: Session, today: date) -> list[tuple[date, float, float]]:
    """The latest fresh forecast of each day from today: day, minimum, maximum outside, °C."""
    here = site(session)
    oldest = now(session) - timedelta(hours=here.forecast_shelf_hours)
    rows = session.exec(
        select(Forecast)
        .where(Forecast.station_id == here.station_id, col(Forecast.day) >= today)
        .where(col(Forecast.issued_at) >= oldest)
        .order_by(col(Forecast.issued_at))
    ).all()
    latest = {row.day: (row.day, row.min_c, row.max_c) for row in rows}
    return [latest[day] for day in sorted(latest)]


def _observed(session: Session, first: date, today: date) -> set[date]:
    rows = session.exec(
        select(WeatherDay).where(
            WeatherDay.station_id == site(session).station_id,
            col(WeatherDay.day) >= first,
            col(WeatherDay.day) < today,
        )
    ).all()
    return {row.day for row in rows}
