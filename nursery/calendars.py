"""On which days is nothing collected or delivered, why, and when does a parcel arrive?

Holidays come from the package `holidays`, year by year and by region, filled before use: an object
that fills itself while threads share it has called Christmas a working day. A year or a region
without a calendar is refused, never taken as open.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import cached_property, lru_cache
from types import MappingProxyType
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import holidays

from nursery.errors import Fault

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONDAY_TO_FRIDAY = (True, True, True, True, True, False, False)
MONDAY_TO_SATURDAY = (True, True, True, True, True, True, False)
# Lists that are incomplete without a part of the country (no Easter Monday, no August holiday).
_NEEDS_PART = frozenset({"GB"})
# Further lists that close a region: most of Bavaria keeps 15 August, which is not on its main list.
_FURTHER = {"DE-BY": ("catholic",)}
# Days that the package lists although shops, post and carriers work on them.
_WORKED = {"NL": frozenset({"Good Friday"})}
_SEARCH_DAYS = 366


@dataclass(frozen=True, slots=True)
class Region:
    """Whose public holidays count? A country (ISO 3166-1) and, where it matters, a part of it."""

    country: str
    part: str | None = None

    @classmethod
    @lru_cache(maxsize=512)
    def parse(cls, text: str) -> Region:
        """Which region does 'NL', 'DE-BY' or 'GB-SCT' name?

        Raises Fault for one that has no calendar, with the nearest that have.
        """
        code = text.strip().upper()
        country, _, part = code.partition("-")
        known = holidays.list_supported_countries(include_aliases=False)
        if country not in known:
            near = difflib.get_close_matches(country, known, n=3, cutoff=0.5)
            raise _no_region(text, near or ["NL", "DE-BY", "GB-SCT"])
        parts = [str(name) for name in known[country]]
        if (part and part not in parts) or (not part and country in _NEEDS_PART):
            near = difflib.get_close_matches(part, parts, n=3, cutoff=0.3) or parts[:4]
            raise _no_region(text, [f"{country}-{name}" for name in near])
        return cls(country, part or None)

    def __str__(self) -> str:
        return f"{self.country}-{self.part}" if self.part else self.country


def _no_region(text: str, near: list[str]) -> Fault:
    rule = "no holiday calendar for that region"
    return Fault("Holiday region", rule, text, f"use one such as {', '.join(near)}")


@lru_cache(maxsize=2048)
def public_holidays(region: str, year: int) -> Mapping[date, str]:
    """Which days of this year are public holidays in this region, and what are they called?

    Substitute days are in it. Raises Fault for a region or a year without a calendar.
    """
    place = Region.parse(region)
    kind = holidays.country_holidays(place.country)
    if not kind.start_year <= year <= kind.end_year:
        rule = f"no holiday calendar for {place} outside {kind.start_year} to {kind.end_year}"
        raise Fault("Holiday year", rule, year, "choose a date that the calendar covers")
    listed = holidays.country_holidays(
        place.country,
        subdiv=place.part,
        years=[year],
        expand=False,
        observed=True,
        language=_english(kind),
        categories=("public", *_FURTHER.get(str(place), ())),
    )
    worked = _WORKED.get(place.country, frozenset())
    days = {day: name for day, name in sorted(listed.items()) if name not in worked}
    if not days:
        rule = f"no holiday calendar for {place} in that year"
        raise Fault("Holiday year", rule, year, "choose a date that the calendar covers")
    return MappingProxyType(days)


def _english(kind: holidays.HolidayBase) -> str | None:
    """Names must not depend on the language of the machine."""
    spoken = sorted(kind.supported_languages)
    return next((tongue for tongue in ("en_US", "en_GB", *spoken) if tongue in spoken), None)


@dataclass(frozen=True, slots=True)
class Closure:
    """Which days (both included) does the nursery or the carrier close of its own accord, and why?

    `region` None closes every region, a country closes all its parts.
    """

    first: date
    last: date
    reason: str
    region: str | None = None

    def __post_init__(self) -> None:
        if self.last < self.first:
            dates = f"{self.first} to {self.last}"
            raise Fault(
                "Closure", "the last day must not come before the first", dates, "swap them"
            )
        if not self.reason.strip():
            raise Fault("Closure", "a reason must be given", self.reason, "say why it is closed")


def weekday_mask(text: str) -> tuple[bool, ...]:
    """Which weekdays are open, written as seven characters, Monday first ("1111100")?

    Raises Fault for any other form, and when no day is open.
    """
    if len(text) != 7 or set(text) - {"0", "1"} or "1" not in text:
        rule = "seven characters 0 or 1, Monday first, one of them 1"
        raise Fault("Weekdays", rule, text, "write Monday to Friday as 1111100")
    return tuple(mark == "1" for mark in text)


@dataclass(frozen=True)
class WorkingDays:
    """On which days does a carrier collect (or deliver) in this region?

    `weekdays` has seven values, Monday first. A frozen value that threads may share.
    """

    region: str
    weekdays: tuple[bool, ...] = MONDAY_TO_FRIDAY
    closures: tuple[Closure, ...] = ()

    def __post_init__(self) -> None:
        Region.parse(self.region)
        if len(self.weekdays) != 7 or not any(self.weekdays):
            rule = "weekdays need seven values, Monday first, one of them open"
            raise Fault(f"Calendar of {self.region}", rule, self.weekdays, "open at least one day")

    @cached_property
    def _own(self) -> Mapping[date, str]:
        reasons: dict[date, str] = {}
        for closure in self.closures:
            if closure.region is None or f"{self.region}-".startswith(f"{closure.region}-"):
                for i in range((closure.last - closure.first).days + 1):
                    reasons.setdefault(closure.first + timedelta(days=i), closure.reason)
        return reasons

    def closed(self, day: date) -> str | None:
        """Why is this day closed? None when it is open.

        Own closures are named first, then public holidays, then the weekday. Raises Fault when no
        holiday calendar covers the day.
        """
        holiday = public_holidays(self.region, day.year).get(day)
        if day in self._own:
            return self._own[day]
        if holiday is not None:
            return f"{holiday} ({self.region})"
        if not self.weekdays[day.weekday()]:
            return f"closed on {WEEKDAYS[day.weekday()]}s"
        return None

    def is_open(self, day: date) -> bool:
        """Is this day open?"""
        return self.closed(day) is None

    def nth_open_after(self, day: date, n: int) -> date:
        """Which is the n-th open day after this one (n >= 1)? Raises Fault if none is near."""
        return self._step(day, n, 1)

    def last_open_before(self, day: date) -> date:
        """Which is the last open day before this one? Raises Fault if none is near."""
        return self._step(day, 1, -1)

    def open_days_between(self, first: date, last: date) -> int:
        """How many open days lie after `first`, up to `last` included?"""
        return sum(self.is_open(first + timedelta(days=i + 1)) for i in range((last - first).days))

    def _step(self, day: date, n: int, way: int) -> date:
        if n < 1:
            raise Fault("Working days", "the number of days must be >= 1", n, "ask for one or more")
        at, left = day, n
        for _ in range(_SEARCH_DAYS + 7 * n):
            at += timedelta(days=way)
            left -= self.is_open(at)
            if not left:
                return at
        rule = f"no open day within {_SEARCH_DAYS} days of {day}"
        raise Fault(f"Calendar of {self.region}", rule, n, "shorten the closures")


def arrival(ship_day: date, delivery_days: int, destination: WorkingDays) -> date:
    """On which date does a parcel arrive, so many delivery days (J+n, n >= 1) after its ship day?

    Closed days at the destination do not count: working days between deposit and delivery, as in
    Directive 97/67/EC, Annex II.
    """
    return destination.nth_open_after(ship_day, delivery_days)


def pack_day(ship_day: date, shed: WorkingDays, same_day: bool) -> date:
    """On which day is a parcel packed: its ship day, or the last day before that the shed works?

    `same_day` says that the collection leaves time after packing starts (a setting per service).
    """
    return ship_day if same_day else shed.last_open_before(ship_day)


def days_in_the_box(packed: date, arrives: date) -> int:
    """How many days, closed ones included, are the plants in the box?"""
    return (arrives - packed).days


@dataclass(frozen=True, slots=True)
class CutOff:
    """Until when must an order be in, to leave on a ship day?

    At `at`, local time of `zone` (IANA name), on the `days_before`-th open day before the ship day;
    0 means on the ship day itself.
    """

    at: time
    days_before: int = 1
    zone: str = "UTC"

    def __post_init__(self) -> None:
        if self.days_before < 0:
            raise Fault("Cut-off", "days before must be >= 0", self.days_before, "use 0 or more")
        time_zone(self.zone)

    def closes(self, ship_day: date, origin: WorkingDays) -> datetime:
        """At which moment does this ship day close for new orders? With its time zone."""
        day = ship_day
        for _ in range(self.days_before):
            day = origin.last_open_before(day)
        return datetime.combine(day, self.at, tzinfo=time_zone(self.zone))

    def passed(self, ordered_at: datetime, ship_day: date, origin: WorkingDays) -> bool:
        """Is this moment, which needs a time zone, too late? The cut-off itself is not."""
        if ordered_at.tzinfo is None:
            rule = "a moment needs a time zone"
            raise Fault("Cut-off", rule, ordered_at.isoformat(), "add one, such as UTC")
        # Compared as moments: two local times of one zone are compared by the clock on the wall.
        return ordered_at.timestamp() > self.closes(ship_day, origin).timestamp()


@lru_cache(maxsize=64)
def time_zone(name: str) -> ZoneInfo:
    """Which time zone has this IANA name, such as 'Europe/Brussels'? Raises Fault if none has."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as wrong:
        rule = "no time zone of that name"
        raise Fault("Time zone", rule, name, "use an IANA name such as Europe/Brussels") from wrong


def local_date(moment: datetime, zone: str) -> date:
    """Which date is it in this time zone at that moment (which needs a time zone itself)?"""
    if moment.tzinfo is None:
        rule = "a moment needs a time zone"
        raise Fault("Moment", rule, moment.isoformat(), "add one, such as UTC")
    return moment.astimezone(time_zone(zone)).date()
