"""What does a forecast service's answer say? Its JSON, read by a mapping that the nursery sets.

Two shapes are known: a list with an object for each day (or hour), and one object of parallel
lists. No service is built in; the mapping says which field is what.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, tzinfo
from typing import Any

from nursery.errors import Fault
from nursery.weather import Degrees

_MILLISECONDS = 1e11
"""Larger numbers for a moment are milliseconds since 1970, smaller ones seconds."""
_NAMED = 8
_WHOLE_DAY = 0.75
"""Share of the readings of the fullest day that a day of several readings must have."""


@dataclass(frozen=True, slots=True)
class FieldMap:
    """Which field of the answer is what? Dotted paths, as in `nursery.weather.ForecastSource`."""

    days_at: str
    day: str
    lowest: str
    highest: str
    issued_at: str
    unit: Degrees = Degrees.CELSIUS


@dataclass(frozen=True, slots=True)
class ForecastDay:
    """What is forecast for a day, °C."""

    day: date
    min_c: float
    max_c: float


@dataclass(frozen=True, slots=True)
class Answer:
    """What an answer says: when it was issued (None: it does not say), its days in order.

    `left_out` are days that came without both values, or with the lowest above the highest.
    """

    issued_at: datetime | None
    days: tuple[ForecastDay, ...]
    left_out: tuple[date, ...]


def read_answer(body: bytes, fields: FieldMap, zone: tzinfo) -> Answer:
    """What does this answer say, with moments as days in `zone`? °F becomes °C.

    A day that comes several times (hours) has the lowest and the highest of all its readings; one
    with far fewer readings than the others is no whole day and is left out. Raises Fault for what
    is no JSON, for a field that is not there, for lists of different lengths, and for no day.
    """
    data = _json(body)
    issued = _issued(_at(data, fields.issued_at), zone) if fields.issued_at else None
    rows = _rows(_at(data, fields.days_at), fields)
    seen: dict[date, list[tuple[float, float]]] = {}
    wrong: set[date] = set()
    for said, low, high in rows:
        day = _day(said, zone)
        values = _celsius(low, fields.unit), _celsius(high, fields.unit)
        if values[0] is None or values[1] is None or values[0] > values[1]:
            wrong.add(day)
        else:
            seen.setdefault(day, []).append((values[0], values[1]))
    most = max((len(each) for each in seen.values()), default=0)
    days = [
        ForecastDay(day, min(low for low, _ in each), max(high for _, high in each))
        for day, each in sorted(seen.items())
        if len(each) >= _WHOLE_DAY * most
    ]
    if not days:
        found = f"{len(rows)} without both values" if rows else "none"
        raise Fault("The answer", "must have a day with a lowest and a highest", found, _CHECK)
    return Answer(issued, tuple(days), tuple(sorted(wrong - {each.day for each in days})))


_CHECK = "compare the answer with the mapping in Forecast sources"


def _json(body: bytes) -> Any:
    try:
        return json.loads(body)
    except (ValueError, RecursionError):
        start = body[:40].decode("utf-8", "replace").strip()
        what = "a page for people" if start.startswith("<") else start or "nothing"
        raise Fault("The answer", "must be JSON", what, "check the address") from None


def _at(data: Any, path: str) -> Any:
    """What stands at this dotted path? The answer itself for ""."""
    found = data
    for part in path.split(".") if path else ():
        if isinstance(found, Mapping) and part in found:
            found = found[part]
        elif isinstance(found, list) and part.isdecimal() and int(part) < len(found):
            found = found[int(part)]
        else:
            raise Fault("The answer", f"must have the field '{path}'", _named(found), _CHECK)
    return found


def _named(found: Any) -> str:
    """What is there instead? Names only: an answer may be long."""
    if isinstance(found, Mapping):
        names = [str(name)[:30] for name in list(found)[:_NAMED]]
        return f"fields {', '.join(names)}" if names else "an empty object"
    return f"a list of {len(found)}" if isinstance(found, list) else type(found).__name__


def _rows(found: Any, fields: FieldMap) -> Sequence[tuple[Any, Any, Any]]:
    paths = (fields.day, fields.lowest, fields.highest)
    if isinstance(found, list):
        return [(_at(row, paths[0]), _maybe(row, paths[1]), _maybe(row, paths[2])) for row in found]
    columns = [_at(found, path) for path in paths]
    for path, column in zip(paths, columns, strict=True):
        if not isinstance(column, list):
            raise Fault("The answer", f"'{path}' must be a list", _named(column), _CHECK)
    lengths = [len(column) for column in columns]
    if len(set(lengths)) > 1:
        said = ", ".join(f"{path} {n}" for path, n in zip(paths, lengths, strict=True))
        raise Fault("The answer", "its lists must be of one length", said, "try again later")
    return list(zip(*columns, strict=True))


def _maybe(row: Any, path: str) -> Any:
    """One day may lack a value; a field that no day has is told by having no day at all."""
    try:
        return _at(row, path)
    except Fault:
        return None


def _celsius(value: Any, unit: Degrees) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        return None
    try:
        number = float(value)
    except ValueError:
        return None
    if not math.isfinite(number):
        return None
    return round((number - 32) / 1.8, 2) if unit is Degrees.FAHRENHEIT else number


def _moment(value: Any, zone: tzinfo) -> datetime | date:
    """A date, or a moment with a zone: `zone` where it comes without one."""
    if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
        seconds = value / 1000 if abs(value) > _MILLISECONDS else value
        return datetime.fromtimestamp(seconds, UTC)
    text = str(value).strip()
    if len(text) == 10:
        return date.fromisoformat(text)
    at = datetime.fromisoformat(text)
    return at if at.tzinfo is not None else at.replace(tzinfo=zone)


def _day(value: Any, zone: tzinfo) -> date:
    """The day at the station: clocks that change do not move a reading to another day."""
    try:
        at = _moment(value, zone)
        return at.astimezone(zone).date() if isinstance(at, datetime) else at
    except (ValueError, OverflowError, OSError):
        rule = "its day must be a date such as 2027-07-01, a moment, or seconds since 1970"
        raise Fault("The answer", rule, str(value)[:40], _CHECK) from None


def _issued(value: Any, zone: tzinfo) -> datetime:
    try:
        at = _moment(value, zone)
    except (ValueError, OverflowError, OSError):
        at = date.min
    if not isinstance(at, datetime):
        rule = "its time of issue must be a date with a time of day, or seconds since 1970"
        raise Fault("The answer", rule, str(value)[:40], _CHECK)
    return at
