"""Which ship days has a person opened or closed, whatever forecast and climate say?

Where a forecast is missing or wrong, somebody who knows the vans and the plants may decide, with a
name and a reason. An opened day has no heat hold and no frost hold, and its chance is that of the
transit alone; a closed day is given to nobody, and promises that have it get another.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Protocol

from sqlmodel import Session, col, select

from nursery.carrier import Zone
from nursery.database import now, site, today
from nursery.errors import Fault, Refusal, Refused
from nursery.locks import lock_ship_days
from nursery.weather import HoldDecision

LONGEST_DAYS = 31
"""What a person decides of the weather is a matter of days; longer is rather a wrong date."""


class Goes(Protocol):
    """A way to a zone, which has a holiday region."""

    @property
    def zone(self) -> str: ...
    @property
    def region(self) -> str: ...


@dataclass(frozen=True, slots=True)
class Decision:
    """Ship days that a person opened or closed; both days included. `place` "" is everywhere."""

    id: int
    place: str
    first_day: date
    last_day: date
    opens: bool
    decided_by: str
    reason: str

    def covers(self, way: Goes, ship_on: date) -> bool:
        """Does it say something of this ship day by this way?"""
        country = way.region.partition("-")[0]
        here = self.place in ("", way.zone, way.region, country)
        return here and self.first_day <= ship_on <= self.last_day

    @property
    def text(self) -> str:
        """The decision in words, for a quote."""
        days = f"{self.first_day}"
        if self.last_day != self.first_day:
            days += f" to {self.last_day}"
        done = "opened" if self.opens else "closed"
        where = self.place or "everywhere"
        return f"{done} by hand ({days}, {where}) by {self.decided_by}: {self.reason}"


def standing_decisions(session: Session, first_day: date) -> tuple[Decision, ...]:
    """Which decisions stand for days from `first_day` on? The latest made first."""
    rows = session.exec(
        select(HoldDecision)
        .where(col(HoldDecision.last_day) >= first_day, col(HoldDecision.withdrawn_at).is_(None))
        .order_by(col(HoldDecision.decided_at).desc(), col(HoldDecision.id).desc())
    )
    return tuple(
        Decision(
            row.id or 0,
            row.place,
            row.first_day,
            row.last_day,
            row.opens,
            row.decided_by,
            row.reason,
        )
        for row in rows
    )


def decide_days(
    session: Session,
    opens: bool,
    first_day: date,
    last_day: date,
    decided_by: str,
    reason: str,
    place: str = "",
) -> HoldDecision:
    """Open or close ship days to a zone or a holiday region ("" everywhere) by hand.

    The latest decision for a day counts. The same once more changes nothing. Raises Refused
    "unknown_place"; Fault without a name or a reason, and for days that have passed, stand in the
    wrong order or are too many.
    """
    _check(session, first_day, last_day, decided_by, reason, place)
    lock_ship_days(session, _days(first_day, last_day))
    said = (place, first_day, last_day, opens, decided_by.strip(), reason.strip())
    for one in standing_decisions(session, first_day):
        if (one.place, one.first_day, one.last_day, one.opens, one.decided_by, one.reason) == said:
            return session.get_one(HoldDecision, one.id)
        if one.place == place and (one.first_day, one.last_day) == (first_day, last_day):
            break  # another decision was made since for these very days
    row = HoldDecision(
        place=place,
        first_day=first_day,
        last_day=last_day,
        opens=opens,
        decided_by=decided_by.strip(),
        reason=reason.strip(),
        decided_at=now(session),
    )
    session.add(row)
    session.flush()
    return row


def withdraw_decision(session: Session, id: int) -> HoldDecision:
    """Let forecast and climate decide again. Raises Refused "no_decision" for one that is not there
    or was withdrawn before."""
    row = session.get(HoldDecision, id)
    if row is None or row.withdrawn_at is not None:
        raise _no_decision(id)
    lock_ship_days(session, _days(row.first_day, row.last_day))
    session.refresh(row)
    if row.withdrawn_at is not None:  # by somebody else, while the days were waited for
        raise _no_decision(id)
    row.withdrawn_at = now(session)
    session.add(row)
    session.flush()
    return row


def _no_decision(id: int) -> Refused:
    said = "list them with `nursery forecast show`"
    return Refused(Refusal("no_decision", f"No decision {id} stands", "id", said))


def _days(first: date, last: date) -> list[date]:
    return [first + timedelta(days=i) for i in range((last - first).days + 1)]


def _check(
    session: Session, first_day: date, last_day: date, decided_by: str, reason: str, place: str
) -> None:
    if not decided_by.strip():
        raise Fault("Decision", "needs a name", decided_by, "say who decides")
    if not reason.strip():
        raise Fault("Decision", "needs a reason", reason, "say why")
    if last_day < first_day:
        rule = f"the last day must not be before the first ({first_day})"
        raise Fault("Decision", rule, last_day, "swap or correct the days")
    if last_day < today(session):
        raise Fault("Decision", "the days must not have passed", last_day, "correct them")
    if (last_day - first_day).days >= LONGEST_DAYS:
        rule = f"must be for at most {LONGEST_DAYS} days"
        raise Fault("Decision", rule, f"{first_day} to {last_day}", "correct the days")
    known = places(session)
    if place and place not in known:
        message = f"There is no zone or holiday region {place!r}"
        raise Refused(Refusal("unknown_place", message, "place", f"known are: {', '.join(known)}"))


def places(session: Session) -> list[str]:
    """For which places may a person decide? Zones, their holiday regions, their countries."""
    zones = session.exec(select(Zone)).all()
    regions = {zone.holiday_region for zone in zones} | {site(session).holiday_region}
    return sorted(
        {zone.name for zone in zones} | regions | {one.partition("-")[0] for one in regions}
    )
