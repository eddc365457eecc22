"""How many packing minutes of each ship day are given away already?

Kept by the process, day by day: a day is added up again only when its version has risen (every
writer of promises raises it under its lock). Reservations are kept with their ends, so that one
that lapses counts no longer with nothing read or written.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import ColumnElement, case, func, or_
from sqlmodel import Session, col, select

from nursery.order import Promise, ShipDay, State
from nursery.promising.facts import SLACK, Facts, Moment, kept_of, reads_only
from nursery.promising.supply import holding

_GONE = (State.PICKED, State.HANDED_OVER, State.DELIVERED, State.NOT_COLLECTED)


@dataclass(frozen=True, slots=True)
class _Day:
    """Minutes of one day: for good, and until when those of reservations hold."""

    version: int
    firm: int
    reserved: tuple[tuple[datetime, int], ...]


@dataclass(frozen=True, slots=True)
class _Taken:
    """All ship days from `today`, as read up to `since`, and the sums that hold until `until`."""

    versions: int
    stamps: tuple[int, int]
    today: date
    since: datetime
    until: datetime | None
    days: Mapping[date, _Day]
    sums: Mapping[date, int]


def minutes_taken(
    session: Session, moment: Moment, facts: Facts, without: int | None = None
) -> Mapping[date, int]:
    """How many minutes of each ship day from today are taken? `without` leaves a promise out."""
    taken = _current(session, moment, facts)
    if without is None:
        return taken.sums
    own = session.exec(
        select(col(Promise.ship_on), col(Promise.minutes)).where(
            col(Promise.id) == without, _counts(moment.at)
        )
    ).first()
    if own is None or own[0] not in taken.sums:
        return taken.sums
    return {**taken.sums, own[0]: taken.sums[own[0]] - own[1]}


def minutes_on(
    session: Session, at: datetime, days: Iterable[date]
) -> dict[date, tuple[int, datetime | None]]:
    """How many minutes of these days are taken now, and when does the next of them lapse?"""
    wanted = sorted(set(days))
    found = _days(session, at, wanted, dict.fromkeys(wanted, 0))
    return {
        when: (
            day.firm + sum(minutes for _, minutes in day.reserved),
            min((end for end, _ in day.reserved), default=None),
        )
        for when, day in found.items()
    }


def _current(session: Session, moment: Moment, facts: Facts) -> _Taken:
    kept = kept_of(session)
    known: _Taken | None = kept.get("minutes")
    # A site whose clock was shifted has other stamps, and a clock set back shows itself.
    usable = known is not None and known.today == facts.today and known.since - SLACK <= moment.at
    if known is not None and usable and known.versions == moment.days:
        if known.until is None or moment.at <= known.until:
            return known
        fresh = _summed(moment, facts, known.days, known.since)
    else:
        fresh = _read(session, moment, facts, known.days if known and usable else None)
    # What a writer sees may be rolled back, and its versions come again with another meaning.
    if reads_only(session):
        kept["minutes"] = fresh
    return fresh


def _read(
    session: Session, moment: Moment, facts: Facts, known: Mapping[date, _Day] | None
) -> _Taken:
    """The days as they are now; read anew where the version is another one."""
    rows = select(col(ShipDay.day), col(ShipDay.version)).where(col(ShipDay.day) >= facts.today)
    versions = dict(session.exec(rows).all())
    if known is None:
        found = _days(session, moment.at, None, versions, facts.today)
    else:
        stale = [d for d, v in versions.items() if d not in known or known[d].version != v]
        found = {**known, **_days(session, moment.at, stale, versions)}
    return _summed(moment, facts, found, moment.at)


def _days(
    session: Session,
    at: datetime,
    wanted: Collection[date] | None,
    versions: Mapping[date, int],
    first: date = date.min,
) -> dict[date, _Day]:
    until = case((col(Promise.state) == State.RESERVED, col(Promise.reserved_until)), else_=None)
    day = col(Promise.ship_on)
    query = select(day, until, func.sum(col(Promise.minutes))).where(_counts(at))
    query = query.where(day >= first if wanted is None else day.in_(wanted)).group_by(day, until)
    firm = dict.fromkeys(versions if wanted is None else wanted, 0)
    reserved: dict[date, list[tuple[datetime, int]]] = {}
    for when, ends, minutes in session.exec(query) if wanted is None or wanted else ():
        if ends is None:
            firm[when] = int(minutes)
        else:
            firm.setdefault(when, 0)
            reserved.setdefault(when, []).append((ends, int(minutes)))
    return {
        when: _Day(versions.get(when, -1), minutes, tuple(reserved.get(when, ())))
        for when, minutes in firm.items()
    }


def _summed(moment: Moment, facts: Facts, days: Mapping[date, _Day], since: datetime) -> _Taken:
    ends = [end for day in days.values() for end, _ in day.reserved if end >= moment.at]
    sums = {
        when: day.firm + sum(minutes for end, minutes in day.reserved if end >= moment.at)
        for when, day in days.items()
    }
    until = min(ends, default=None)
    # Sums at this moment leave out what has lapsed, so they do not hold for an earlier one.
    at = max(since, moment.at)
    return _Taken(moment.days, moment.stamps, facts.today, at, until, days, sums)


def _counts(at: datetime) -> ColumnElement[bool]:
    return or_(col(Promise.state).in_(_GONE), holding(at))
