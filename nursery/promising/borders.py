"""May plants go to this zone at all, and for which days has a person opened it?

A zone that the Zones sheet blocks stays so until an authorised person opens it by hand, with a
reason, from one day until another. A parcel must leave and arrive within these days; after the last
one the zone is blocked again by itself. Nothing here infers that a border is open: plant health law
decides, and the plant health authority is asked first.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from sqlmodel import Session, col, select

from nursery.carrier import Zone, ZoneOpening

ASK_FIRST = (
    "Before plants cross a border ask the plant health authority which papers they need (a plant"
    " passport, a phytosanitary certificate, an import permit); its answer rules, not this entry"
)


@dataclass(frozen=True, slots=True)
class Opening:
    """Days for which a person opened a blocked zone; both included."""

    id: int
    first_day: date
    last_day: date
    opened_by: str
    reason: str

    @property
    def text(self) -> str:
        """The opening in words, for a quote."""
        days = f"{self.first_day} to {self.last_day}"
        return f"opened by hand ({days}) by {self.opened_by}: {self.reason}"


@dataclass(frozen=True, slots=True)
class Border:
    """A blocked zone, why it is blocked, and its openings that are not over."""

    zone: str
    blocked: str
    openings: tuple[Opening, ...]

    def lets(self, ship_on: date, arrives_until: date) -> bool:
        """May a parcel that leaves and arrives on these days go there?"""
        return any(
            each.first_day <= ship_on and arrives_until <= each.last_day for each in self.openings
        )

    def against(self, ship_on: date, arrives_until: date) -> str:
        """Why may it not? "" where it may."""
        if self.lets(ship_on, arrives_until):
            return ""
        shut = f"nothing is sent to {self.zone}: {self.blocked}"
        if not self.openings:
            return shut
        opened = "; ".join(each.text for each in self.openings)
        return f"{shut}; {opened}; a parcel must leave and arrive within these days"


def read_borders(session: Session, zone_ids: Iterable[int], day: date) -> dict[int, Border]:
    """Which of these zones are blocked, and which openings are not over on this day?"""
    zones = session.exec(
        select(Zone).where(col(Zone.id).in_(sorted(set(zone_ids))), Zone.blocked != "")
    ).all()
    openings = _openings(session, [zone.id or 0 for zone in zones], day) if zones else {}
    return {
        zone.id or 0: Border(zone.name, zone.blocked, openings.get(zone.id or 0, ()))
        for zone in zones
    }


def is_shut(session: Session, zone: Zone, day: date) -> bool:
    """Is the zone blocked, with no opening from this day on?"""
    return bool(zone.blocked) and not _openings(session, [zone.id or 0], day)


def _openings(
    session: Session, zone_ids: Iterable[int], day: date
) -> Mapping[int, tuple[Opening, ...]]:
    rows = session.exec(
        select(ZoneOpening)
        .where(
            col(ZoneOpening.zone_id).in_(zone_ids),
            col(ZoneOpening.last_day) >= day,
            col(ZoneOpening.ended_at).is_(None),
        )
        .order_by(col(ZoneOpening.first_day), col(ZoneOpening.id))
    )
    found: dict[int, tuple[Opening, ...]] = {}
    for row in rows:
        one = Opening(row.id or 0, row.first_day, row.last_day, row.opened_by, row.reason)
        found[row.zone_id] = (*found.get(row.zone_id, ()), one)
    return found
