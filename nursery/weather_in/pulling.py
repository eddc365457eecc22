"""Which forecasts are fetched from the addresses that the nursery set?

Fetching never holds anything up: no transaction is open meanwhile, and quotes go on with the
forecast that is there. Whatever comes back wrong loses nothing and is told in one sentence: what
was recorded before counts until it passes its shelf life, and the climate after that.
"""

from __future__ import annotations

import asyncio
import logging
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from urllib.parse import quote_plus, urlsplit
from urllib.request import url2pathname
from zoneinfo import ZoneInfo

import httpx
from sqlalchemy import delete
from sqlmodel import Session, col, func, select

from nursery.calendars import time_zone
from nursery.database import Database, now, site, today
from nursery.errors import Fault, Refused
from nursery.growing.forecasting import FARTHEST_DAYS, record_forecast
from nursery.weather import Forecast, ForecastPull, ForecastSource, Station
from nursery.weather_in.answer import Answer, FieldMap, read_answer

log = logging.getLogger("nursery.weather")
LARGEST_BYTES = 1_000_000
_AT_A_TIME = 4
_FEW = 0.75
"""Share of the days of the forecast before under which a new one is told to be short."""


@dataclass(frozen=True, slots=True)
class Patience:
    """How long is a service waited for? Seconds: for one try, between tries, for all of it."""

    tries: int = 3
    one_try: float = 10.0
    between: float = 2.0
    altogether: float = 40.0


@dataclass(frozen=True, slots=True)
class Pulled:
    """How did it go for a station? `days` that were recorded; `warning` is "" if all was well."""

    station: str
    days: int
    warning: str


@dataclass(frozen=True, slots=True)
class _Source:
    """A row of Forecast sources, free of its session."""

    station_id: int
    station: str
    address: str
    fields: FieldMap
    zone: ZoneInfo


async def pull_forecasts(
    db: Database,
    *,
    key: str = "",
    unless_within: timedelta | None = None,
    patience: Patience | None = None,
) -> list[Pulled]:
    """How did it go when the forecast of every station with a source was fetched and recorded?

    `key` takes the place of `{key}` in addresses. With `unless_within`, stations that any process
    tried so recently are left alone: so one server process of many pulls. By station's name. Raises
    nothing for what a service answers.
    """
    patience = patience or Patience()
    sources = await asyncio.to_thread(_due, db, unless_within)
    if not sources:
        return []
    gate = asyncio.Semaphore(_AT_A_TIME)
    async with httpx.AsyncClient(
        timeout=patience.one_try, follow_redirects=True, max_redirects=3
    ) as client:

        async def one(source: _Source) -> Pulled:
            async with gate:
                return await _pull(db, client, source, key, patience)

        return list(await asyncio.gather(*(one(source) for source in sources)))


def _due(db: Database, unless_within: timedelta | None) -> list[_Source]:
    """The sources whose turn it is; from now on it is nobody else's."""
    with db.reading() as session:
        if session.exec(select(ForecastSource.id)).first() is None:
            return []
    with db.writing() as session:
        here = site(session)
        rows = session.exec(
            select(ForecastSource, Station)
            .join(Station, col(Station.id) == col(ForecastSource.station_id))
            .order_by(col(Station.name))
            .with_for_update(of=ForecastSource)
        ).all()
        at = now(session)  # after the lock: what was tried while it was waited for is not ahead
        before = {row.station_id: row for row in session.exec(select(ForecastPull))}
        found = []
        for row, station in rows:
            tried = before.get(row.station_id)
            if tried and unless_within and at - unless_within < tried.tried_at <= at:
                continue
            pull = tried or ForecastPull(station_id=row.station_id, tried_at=at)
            pull.tried_at = at
            session.add(pull)
            found.append(_source(row, station.name, here.time_zone))
        return found


def _source(row: ForecastSource, station: str, usual_zone: str) -> _Source:
    fields = FieldMap(
        row.days_at, row.day_field, row.min_field, row.max_field, row.issued_at, row.unit
    )
    zone = time_zone(row.time_zone or usual_zone)
    return _Source(row.station_id, station, row.address, fields, zone)


async def _pull(
    db: Database, client: httpx.AsyncClient, source: _Source, key: str, patience: Patience
) -> Pulled:
    days, warning = 0, ""
    try:
        async with asyncio.timeout(patience.altogether):
            body = await _fetch(client, source.address.replace("{key}", quote_plus(key)), patience)
        days, warning = await asyncio.to_thread(_record, db, source, body)
    except TimeoutError:
        warning = f"did not answer within {patience.altogether:g} seconds"
    except (Fault, _Unanswered) as fault:
        warning = str(fault)
    except Refused as refused:
        warning = refused.refusal.message
    except Exception:
        log.exception("The forecast of %s could not be recorded", source.station)
        warning = "could not be recorded; the server's log says why"
    if warning:
        host = urlsplit(source.address).hostname or "its address"
        warning = f"Forecast of {source.station} from {host}: {warning}"
        if not days:
            warning += ". The forecast before it counts until it is stale"
    await asyncio.to_thread(_tell, db, source, bool(days), warning)
    return Pulled(source.station, days, warning)


class _Unanswered(Exception):
    """No answer came that could be read."""


async def _fetch(client: httpx.AsyncClient, address: str, patience: Patience) -> bytes:
    """The answer's body. What may pass by itself (no connection, 429, 5xx) is tried again."""
    if address.startswith("file:"):
        return await asyncio.to_thread(_read_file, address)
    said = ""
    for attempt in range(patience.tries):
        if attempt:
            await asyncio.sleep(patience.between * attempt)
        try:
            async with client.stream("GET", address) as answer:
                if answer.status_code < 400:
                    return await _body(answer)
                said = f"answered {answer.status_code}"
                if answer.status_code < 500 and answer.status_code != 429:
                    break
        except httpx.TimeoutException:
            said = f"did not answer within {patience.one_try:g} seconds"
        except (httpx.UnsupportedProtocol, httpx.InvalidURL, httpx.TooManyRedirects):
            raise _Unanswered("the address must begin with https:// and lead somewhere") from None
        except httpx.HTTPError as error:
            said = f"could not be reached ({type(error).__name__})"
    raise _Unanswered(said)


def _read_file(address: str) -> bytes:
    """A forecast that some other program writes to this machine."""
    try:
        with Path(url2pathname(urlsplit(address).path)).open("rb") as file:
            found = file.read(LARGEST_BYTES + 1)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "there is no such file"
        raise _Unanswered(f"the file cannot be read: {why}") from None
    if len(found) > LARGEST_BYTES:
        raise _Unanswered(f"the file is larger than {LARGEST_BYTES // 1_000_000} MB")
    return found


async def _body(answer: httpx.Response) -> bytes:
    found = bytearray()
    async for part in answer.aiter_bytes():
        found += part
        if len(found) > LARGEST_BYTES:
            raise _Unanswered(f"the answer is larger than {LARGEST_BYTES // 1_000_000} MB")
    return bytes(found)


def _record(db: Database, source: _Source, body: bytes) -> tuple[int, str]:
    """How many days of the answer are recorded, and what is to be told of those that are not?"""
    answer = read_answer(body, source.fields, source.zone)
    with db.writing() as session:
        issued = answer.issued_at or now(session)
        first = today(session)
        last = issued.date() + timedelta(days=FARTHEST_DAYS)
        days = [each for each in answer.days if first <= each.day <= last]
        if not days:
            span = f"{answer.days[0].day} to {answer.days[-1].day}"
            raise Fault("The answer", f"must reach past {first}", span, "is the service stopped?")
        before = _days_before(session, source.station_id, issued)
        record_forecast(session, source.station, issued, days, source.fields.unit)
        _thin_out(session, source.station_id)
    return len(days), _short(answer, len(days), before)


def _thin_out(session: Session, station_id: int) -> None:
    """Of forecasts past their shelf life the first of each day is kept: they would only pile up."""
    moments, mine = col(Forecast.issued_at), col(Forecast.station_id) == station_id
    first_of_day = select(func.min(moments)).where(mine).group_by(func.date(moments))
    old = now(session) - timedelta(hours=site(session).forecast_shelf_hours)
    session.connection().execute(
        delete(Forecast).where(mine, moments < old, moments.not_in(first_of_day))
    )


def _days_before(session: Session, station_id: int, issued: datetime) -> int:
    """How many days had the forecast before this one?"""
    moments = col(Forecast.issued_at)
    here = (col(Forecast.station_id) == station_id, moments < issued)
    newest = session.exec(select(func.max(moments)).where(*here)).one()
    if newest is None:
        return 0
    query = select(func.count()).where(col(Forecast.station_id) == station_id, moments == newest)
    return int(session.exec(query).one())


def _short(answer: Answer, days: int, before: int) -> str:
    if answer.left_out:
        listed = ", ".join(str(day) for day in answer.left_out[:3])
        more = f" and {len(answer.left_out) - 3} more" if len(answer.left_out) > 3 else ""
        return f"{days} days are recorded; {listed}{more} came without both values"
    if days < _FEW * before:
        return f"{days} days are recorded, {before} came the time before"
    return ""


def _tell(db: Database, source: _Source, good: bool, warning: str) -> None:
    with db.writing() as session:
        row = session.exec(
            select(ForecastPull).where(ForecastPull.station_id == source.station_id)
        ).first()
        if row is None:
            return
        row.good_at = now(session) if good else row.good_at
        row.warning = warning[:400]
        session.add(row)
    if warning:
        log.warning("%s", warning)
