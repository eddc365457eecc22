"""Which forecast is recorded, and when was it issued? What is stale or implausible is refused."""

import math
from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np
from sqlmodel import Session, select

from nursery.climate import check_days
from nursery.database import now, site
from nursery.errors import Fault, Refusal, Refused
from nursery.weather import Degrees, Forecast, Station
from nursery.weather_in.answer import ForecastDay
from nursery.weather_in.normals import station_normals
from nursery.weather_in.units import unit_question

FARTHEST_DAYS = 16
"""How many days ahead a forecast of single days means anything (common practice, no source)."""

_CLOCK_SLACK = timedelta(minutes=5)


def record_forecast(
    session: Session,
    station: str,
    issued_at: datetime,
    days: Sequence[ForecastDay],
    unit: Degrees = Degrees.CELSIUS,
) -> list[Forecast]:
    """Which rows does a forecast for a station's days (°C) write? In the order of the days.

    `unit` is the one in which they were given, before they became °C: it is asked whether the
    other one was meant where that fits the station's normals far better. The same forecast recorded
    again changes nothing. Raises Refused: "unknown_station", "stale_forecast" (issued longer ago
    than the site's shelf life: a person decides then), "not_issued_yet", "day_not_covered",
    "forecast_exists" (the same issue with other values). Raises Fault for values that cannot be in
    that unit, no days, or a day that comes twice.
    """
    named = select(Station).where(Station.name == station)
    # One after another for a station: two who bring the same issue at once bring it once.
    found = session.exec(named.with_for_update(key_share=True)).first()
    if found is None or found.id is None:
        raise _refused("unknown_station", f"there is no station {station!r}", "station")
    _refuse_wrong_time(session, issued_at)
    _check_days(days, issued_at)
    _check_unit(session, found.id, days, unit)
    query = select(Forecast).where(Forecast.station_id == found.id, Forecast.issued_at == issued_at)
    known = {row.day: row for row in session.exec(query)}
    rows = [
        _row(known.get(each.day), found.id, issued_at, each)
        for each in sorted(days, key=lambda each: each.day)
    ]
    session.add_all(rows)
    session.flush()
    return rows


def _refuse_wrong_time(session: Session, issued_at: datetime) -> None:
    if issued_at.tzinfo is None:
        raise Fault("Forecast", "time of issue must carry a zone", issued_at, "add its offset")
    at, shelf = now(session), timedelta(hours=site(session).forecast_shelf_hours)
    if issued_at > at + _CLOCK_SLACK:
        message = f"it would be issued at {issued_at}, it is {at:%Y-%m-%d %H:%M} UTC now"
        raise _refused("not_issued_yet", message, "issued_at", "correct date and time")
    if issued_at < at - shelf:
        hours = round((at - issued_at).total_seconds() / 3600)
        raise _refused(
            "stale_forecast",
            f"it was issued {hours} hours ago; after {shelf.total_seconds() / 3600:g} it is none",
            "issued_at",
            "fetch a new one; until then a person decides",
        )


def _check_days(days: Sequence[ForecastDay], issued_at: datetime) -> None:
    if not days:
        raise Fault("Forecast", "must hold at least one day", 0, "give the days")
    dates = [each.day for each in days]
    if len(set(dates)) < len(dates):
        raise Fault("Forecast", "must hold each day once", dates, "leave the second one out")
    for each in days:
        if not (math.isfinite(each.min_c) and math.isfinite(each.max_c)):
            raise Fault(f"Forecast of {each.day}", "must have numbers", each, "leave the day out")
    first = issued_at.date() - timedelta(days=1)
    last = first + timedelta(days=FARTHEST_DAYS + 1)
    for day in dates:
        if not first <= day <= last:
            message = f"a forecast issued at {issued_at:%Y-%m-%d} does not reach {day}"
            raise _refused("day_not_covered", message, "days", f"give days up to {last}")
    check_days(
        np.array(dates, dtype="datetime64[D]"),
        np.array([each.min_c for each in days], dtype=float),
        np.array([each.max_c for each in days], dtype=float),
    )


def _check_unit(session: Session, station: int, days: Sequence[ForecastDay], unit: Degrees) -> None:
    question = unit_question(
        np.array([each.day for each in days], dtype="datetime64[D]"),
        np.array([each.min_c for each in days], dtype=float),
        np.array([each.max_c for each in days], dtype=float),
        station_normals(session, [station]).get(station),
        unit,
    )
    if question:
        raise Fault("Forecast", question, unit.value, "declare the unit that it is in")


def _row(
    known: Forecast | None, station_id: int, issued_at: datetime, each: ForecastDay
) -> Forecast:
    if known is None:
        return Forecast(
            station_id=station_id,
            day=each.day,
            issued_at=issued_at,
            min_c=each.min_c,
            max_c=each.max_c,
        )
    if (known.min_c, known.max_c) != (each.min_c, each.max_c):
        message = (
            f"{each.day} was recorded from this issue as {known.min_c:g} to {known.max_c:g} °C,"
            f" now {each.min_c:g} to {each.max_c:g} °C"
        )
        raise _refused("forecast_exists", message, "days", "give the new forecast's time of issue")
    return known


def _refused(code: str, message: str, field: str, next: str | None = None) -> Refused:
    return Refused(Refusal(code, f"Forecast: {message}", field, next))
