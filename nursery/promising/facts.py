"""What do promises rest on beside pools and ship days, and until when does it hold?

One process keeps, for each database, what it worked out from the facts (see `nursery.fact_stamp`):
products, lanes, the weather, the plugs that growing batches will give. Every reader first asks the
database in one statement for its moment: the clock, the stamps, the versions. What was kept is used
only if the stamps are the same, the day at the nursery is the same, no forecast has passed its
shelf life since, and the clock has not been set back. So a write by any worker counts at once.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, TypeVar, cast

from sqlalchemy import text
from sqlmodel import Session, col, func, select

from nursery.calendars import time_zone
from nursery.database import site
from nursery.growing.air import Air, air_of
from nursery.growing.growth import ExpectedLot, expected_of, growing_batches, passages
from nursery.growing.prospects import Prospect, prospects
from nursery.growing_area import Site
from nursery.weather import Forecast

T = TypeVar("T")
SLACK = timedelta(seconds=2)
"""Requests that run side by side may bring their moments out of order by as much as this; a clock
that is set back further makes everything be read anew."""
_CLOCKS = {"sqlite": "strftime('%Y-%m-%d %H:%M:%f', 'now')", "postgresql": "clock_timestamp()"}
_MOMENT = {
    dialect: text(
        f"SELECT {clock}, (SELECT clock_shift_seconds FROM site),"
        " (SELECT count(*) FROM fact_stamp), (SELECT sum(stamp) FROM fact_stamp),"
        " (SELECT sum(version) FROM ship_day)"
    )
    for dialect, clock in _CLOCKS.items()
}


@dataclass(frozen=True, slots=True)
class Moment:
    """What does the database say first of all in a transaction?

    `at` is its clock (UTC, with the site's shift), `stamps` stand for the facts, `days` for the
    versions of all ship days: it rises with each change of one.
    """

    at: datetime
    stamps: tuple[int, int]
    days: int


@dataclass(frozen=True)
class Facts:
    """What holds while the stamps stand, from `since` until before `until`.

    `site` is a copy that belongs to no session; `today` the day at the nursery. `parts` has what
    was worked out from the facts, by name; it lives as long as the facts do.
    """

    stamps: tuple[int, int]
    since: datetime
    until: datetime
    today: date
    site: Site
    parts: dict[Hashable, Any] = field(default_factory=dict, repr=False)

    def hold(self, moment: Moment) -> bool:
        """Is this still what the database would say at this moment?"""
        return self.stamps == moment.stamps and self.since - SLACK <= moment.at < self.until

    def part(self, name: Hashable, read: Callable[[], T]) -> T:
        """What was worked out under this name, now if it had not been? For names from rows only."""
        if name not in self.parts:
            self.parts[name] = read()
        return cast(T, self.parts[name])


def moment_of(session: Session) -> Moment:
    """What is the clock, and where do the facts and ship days stand? One statement."""
    session.flush()
    connection = session.connection()
    found = connection.execute(_MOMENT[connection.dialect.name]).one()
    raw, shift, count, stamps, days = found
    at = (
        datetime.fromisoformat(raw).replace(tzinfo=UTC)
        if isinstance(raw, str)
        else raw.astimezone(UTC)
    )
    return Moment(
        at + timedelta(seconds=int(shift or 0)), (count, int(stamps or 0)), int(days or 0)
    )


def facts_of(session: Session) -> tuple[Moment, Facts]:
    """What do promises rest on at this moment? Kept from before, or read now.

    Raises `Fault` where the database holds no nursery yet, or its time zone does not exist.
    """
    moment, kept = moment_of(session), kept_of(session)
    facts: Facts | None = kept.get("facts")
    if facts is None or not facts.hold(moment):
        facts = _read(session, moment)
        kept["facts"] = facts
    return moment, facts


def kept_of(session: Session) -> dict[str, Any]:
    """What does this process remember of the session's database?"""
    found: dict[str, Any] = session.connection().get_execution_options().get("kept", {})
    return found


def reads_only(session: Session) -> bool:
    """Does this session only read, so that what it sees was committed and may be remembered?

    A writer sees versions that it raised itself, which others may raise to again if it rolls back.
    """
    return bool(session.connection().get_execution_options().get("reads_only", False))


@dataclass(frozen=True, slots=True)
class Grows:
    """What growing batches of a crop are going to give: safely, and draw by draw from `today`.

    `bought_in` has the draws of plugs that are sold as bought in, `prospects` those of the others.
    """

    lots: tuple[ExpectedLot, ...]
    prospects: tuple[Prospect, ...]
    bought_in: tuple[Prospect, ...] = ()


def growing(session: Session, facts: Facts, crop_ids: Iterable[int]) -> Mapping[int, Grows]:
    """Which plugs will the growing batches of these crops give? As `growth.expected_lots`."""
    wanted = set(crop_ids)
    known: dict[int, Grows] = facts.part("growing", dict)
    missing = sorted(wanted - known.keys())
    if missing:
        known.update(_grows(session, facts, missing))
    return {crop: known[crop] for crop in wanted}


def _grows(session: Session, facts: Facts, crops: list[int]) -> dict[int, Grows]:
    batches = growing_batches(session, crops)
    if not batches:
        return {crop: Grows((), ()) for crop in crops}
    air = air_at(session, facts)
    walked = list(zip(batches, passages(air, batches, facts.today), strict=True))
    lots: dict[int, list[ExpectedLot]] = {crop: [] for crop in crops}
    for lot in expected_of(session, facts.today, walked, air):
        lots[lot.crop_id].append(lot)
    might = prospects(facts.today, walked, air)
    return {
        crop: Grows(tuple(lots[crop]), *(tuple(might.get((crop, b), ())) for b in (False, True)))
        for crop in crops
    }


def air_at(session: Session, facts: Facts) -> Air:
    """What is felt outside and in every area, by these facts?"""
    return facts.part("air", lambda: air_of(session, facts.today))


def _read(session: Session, moment: Moment) -> Facts:
    here = Site(**site(session).model_dump())
    zone = time_zone(here.time_zone)
    today = moment.at.astimezone(zone).date()
    midnight = datetime.combine(today + timedelta(days=1), time(), zone).astimezone(UTC)
    until = min([midnight, *_forecasts_turn(session, moment.at, here.forecast_shelf_hours)])
    return Facts(moment.stamps, moment.at, until, today, here)


def _forecasts_turn(session: Session, at: datetime, shelf_hours: int) -> list[datetime]:
    """When does the next forecast pass its shelf life, and when does one issued later come in?"""
    shelf, issued = timedelta(hours=shelf_hours), col(Forecast.issued_at)
    oldest = session.exec(select(func.min(issued)).where(issued >= at - shelf)).one()
    coming = session.exec(select(func.min(issued)).where(issued > at)).one()
    turns = [oldest + shelf] if oldest is not None else []
    return [*turns, *([coming] if coming is not None else [])]
