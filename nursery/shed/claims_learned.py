"""What do claims teach about wraps, carriers and days in the box?

Parcels with a claim, of those that were sent, with the interval that holds the true share in nine
of ten cases (Jeffreys), so that two claims in five parcels are not taken for a law. Shown, never
acted on: limits and wraps are changed by a person, in the Products sheet.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date

from sqlmodel import Session, col, select

from nursery.order import EventKind, Promise, PromiseEvent, State
from nursery.shed.claims import ClaimKind, claims
from nursery.shed.deliveries import jeffreys


@dataclass(frozen=True, slots=True)
class ClaimRate:
    """Parcels sent and parcels with a claim of this kind, in one group; shares from 0 to 1."""

    by: str
    value: str
    kind: ClaimKind
    parcels: int
    claimed: int
    low: float
    high: float

    @property
    def share(self) -> float:
        """Which share of these parcels had such a claim?"""
        return self.claimed / self.parcels


@dataclass(frozen=True, slots=True)
class BoxLimit:
    """Had no parcel been longer in the box than this: parcels not sent, dead claims not made."""

    days: int
    parcels_not_sent: int
    claims_not_made: int


@dataclass(frozen=True)
class ClaimsLearned:
    """What the claims say by wrap, by carrier service and by days in the box."""

    parcels: int
    rates: tuple[ClaimRate, ...]
    limits: tuple[BoxLimit, ...]


@dataclass(frozen=True, slots=True)
class _Parcel:
    wraps: frozenset[str]
    service: str
    days: int | None
    claimed: frozenset[ClaimKind]


def claims_learned(session: Session) -> ClaimsLearned:
    """What do claims teach so far? Days in the box only where the day of delivery is known."""
    parcels = list(_parcels(session))
    return ClaimsLearned(len(parcels), tuple(_rates(parcels)), tuple(_limits(parcels)))


def _parcels(session: Session) -> Iterator[_Parcel]:
    claimed: dict[int, set[ClaimKind]] = defaultdict(set)
    for claim in claims(session):
        claimed[claim.promise_id].add(claim.kind)
    arrived = {
        event.promise_id: date.fromisoformat(str(event.detail["on"]))
        for event in session.exec(
            select(PromiseEvent).where(PromiseEvent.kind == EventKind.DELIVERED)
        )
    }
    sent = col(Promise.state).in_((State.HANDED_OVER, State.DELIVERED))
    for promise in session.exec(select(Promise).where(sent)):
        key = promise.id or 0
        wraps = {line.product.wrap.name if line.product.wrap else "none" for line in promise.lines}
        days = (arrived[key] - promise.pack_on).days if key in arrived else None
        kinds = frozenset(claimed[key])
        yield _Parcel(frozenset(wraps), promise.service.name, days, kinds)


def _rates(parcels: Iterable[_Parcel]) -> Iterator[ClaimRate]:
    groups: dict[tuple[str, str], list[_Parcel]] = defaultdict(list)
    for each in parcels:
        groups["service", each.service].append(each)
        for wrap in each.wraps:
            groups["wrap", wrap].append(each)
        if each.days is not None:
            groups["days in the box", f"{each.days:2d}"].append(each)
    for (by, value), rows in sorted(groups.items()):
        for kind in ClaimKind:
            hits = sum(kind in row.claimed for row in rows)
            if hits or kind is ClaimKind.DEAD:
                low, high = jeffreys(hits, len(rows))
                yield ClaimRate(by, value.strip(), kind, len(rows), hits, low, high)


def _limits(parcels: Iterable[_Parcel]) -> Iterator[BoxLimit]:
    """Limits at which at least one dead claim would not have been made, the loosest first."""
    known = [
        (each.days, ClaimKind.DEAD in each.claimed) for each in parcels if each.days is not None
    ]
    for limit in sorted({days - 1 for days, dead in known if dead and days > 1}, reverse=True):
        longer = [dead for days, dead in known if days > limit]
        yield BoxLimit(limit, len(longer), sum(longer))
