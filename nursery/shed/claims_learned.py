"""What do claims teach about wraps, carriers, days in the box, heat and cold?

Parcels with a claim, of those that were sent, with the interval that holds the true share in nine
of ten cases (Jeffreys), so that two claims in five parcels are not taken for a law. What another
limit would have prevented is told with what it would have cost: the parcels that had to have
another day. A parcel's wraps are those that were written down when it was packed, the listed ones
where it was handed over without. Shown, never acted on: limits and wraps are changed by a person,
in the Products sheet.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from sqlmodel import Session, col, select

from nursery.order import EventKind, Promise, PromiseEvent, State
from nursery.promising.promise_rows import with_all
from nursery.shed.claims import ClaimKind, claims
from nursery.shed.deliveries import jeffreys
from nursery.shed.felt import Felt, Journey, band, felt_on_the_way
from nursery.shed.packer import own_wrap
from nursery.shed.wraps_taken import NO_WRAP, wraps_recorded
from nursery.travelling import Against

BAND_C = 5


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


@dataclass(frozen=True, slots=True)
class FeltLimit:
    """Had this been the limit, in °C, of what was met on the way (with hindsight).

    `parcels_moved` would have needed another day, with `claims_not_made` dead ones among them.
    """

    against: Against
    limit_c: int
    parcels_moved: int
    claims_not_made: int


@dataclass(frozen=True)
class ClaimsLearned:
    """What the claims say by wrap, carrier service, days in the box, and what was met on the way.

    Of `felt_known` parcels it is known how hot and cold it was, of `felt_observed` from
    observations alone, of the others with forecasts of the time.
    """

    parcels: int
    rates: tuple[ClaimRate, ...]
    limits: tuple[BoxLimit, ...]
    felt_known: int = 0
    felt_observed: int = 0
    felt_limits: tuple[FeltLimit, ...] = ()


@dataclass(frozen=True, slots=True)
class _Parcel:
    wraps: frozenset[str]
    service: str
    days: int | None
    felt: Felt | None
    claimed: frozenset[ClaimKind]


def claims_learned(session: Session) -> ClaimsLearned:
    """What do claims teach so far? Days in the box only where the day of delivery is known."""
    parcels = list(_parcels(session))
    felt = [each.felt for each in parcels if each.felt is not None]
    return ClaimsLearned(
        parcels=len(parcels),
        rates=tuple(_rates(parcels)),
        limits=tuple(_limits(parcels)),
        felt_known=len(felt),
        felt_observed=sum(each.observed for each in felt),
        felt_limits=(*_felt_limits(parcels, Against.HEAT), *_felt_limits(parcels, Against.FROST)),
    )


def _parcels(session: Session) -> Iterator[_Parcel]:
    claimed: dict[int, set[ClaimKind]] = defaultdict(set)
    for claim in claims(session):
        claimed[claim.promise_id].add(claim.kind)
    sent = col(Promise.state).in_((State.HANDED_OVER, State.DELIVERED))
    promises = session.exec(select(Promise).where(sent).options(*with_all())).all()
    left, arrived = _days_of(session, EventKind.HANDED_OVER), _days_of(session, EventKind.DELIVERED)
    felt = felt_on_the_way(session, [_journey(each, left, arrived) for each in promises])
    recorded = wraps_recorded(session)
    for promise in promises:
        key = promise.id or 0
        wraps = recorded.get(key) or {own_wrap(line.product) or NO_WRAP for line in promise.lines}
        days = (arrived[key] - promise.pack_on).days if key in arrived else None
        kinds = frozenset(claimed[key])
        yield _Parcel(frozenset(wraps), promise.service.name, days, felt.get(key), kinds)


def _days_of(session: Session, kind: EventKind) -> dict[int, date]:
    """On which day did this happen to each promise (id)?"""
    return {
        event.promise_id: date.fromisoformat(str(event.detail["on"]))
        for event in session.exec(select(PromiseEvent).where(PromiseEvent.kind == kind))
        if "on" in event.detail
    }


def _journey(promise: Promise, left: Mapping[int, date], arrived: Mapping[int, date]) -> Journey:
    key = promise.id or 0
    first = left.get(key, promise.ship_on)
    last = arrived.get(key, promise.arrives_until)
    return Journey(key, promise.service_id, promise.order.zone_id, first, max(first, last))


def _rates(parcels: Iterable[_Parcel]) -> Iterator[ClaimRate]:
    groups: dict[tuple[str, int, str], list[_Parcel]] = defaultdict(list)
    for each in parcels:
        for key in _groups(each):
            groups[key].append(each)
    for (by, _, value), rows in sorted(groups.items()):
        for kind in ClaimKind:
            hits = sum(kind in row.claimed for row in rows)
            if kind is ClaimKind.DEAD or (hits and not by.startswith("felt")):
                low, high = jeffreys(hits, len(rows))
                yield ClaimRate(by, value, kind, len(rows), hits, low, high)


def _groups(parcel: _Parcel) -> Iterator[tuple[str, int, str]]:
    """In which groups is it: by what, in which order, with which value?"""
    yield "service", 0, parcel.service
    for wrap in parcel.wraps:
        yield "wrap", 0, wrap
    if parcel.days is not None:
        yield "days in the box", parcel.days, str(parcel.days)
    if parcel.felt is not None:
        for by, degrees in (
            ("felt maximum", parcel.felt.max_c),
            ("felt minimum", parcel.felt.min_c),
        ):
            low = band(degrees, BAND_C)
            yield by, low, f"{low} to {low + BAND_C} °C"


def _limits(parcels: Iterable[_Parcel]) -> Iterator[BoxLimit]:
    """Limits at which at least one dead claim would not have been made, the loosest first."""
    known = [
        (each.days, ClaimKind.DEAD in each.claimed) for each in parcels if each.days is not None
    ]
    for limit in sorted({days - 1 for days, dead in known if dead and days > 1}, reverse=True):
        longer = [dead for days, dead in known if days > limit]
        yield BoxLimit(limit, len(longer), sum(longer))


def _felt_limits(parcels: Sequence[_Parcel], against: Against) -> Iterator[FeltLimit]:
    """The same for heat and frost, in whole °C. A limit that is reached holds, as in promises."""
    known = [
        (_over(each.felt, against), ClaimKind.DEAD in each.claimed)
        for each in parcels
        if each.felt is not None
    ]
    sign = 1 if against is Against.HEAT else -1
    for over in sorted({math.floor(at) for at, dead in known if dead}, reverse=True):
        reached = [dead for at, dead in known if at >= over]
        yield FeltLimit(against, sign * over, len(reached), sum(reached))


def _over(felt: Felt, against: Against) -> float:
    """How far towards the limit did it come? °C, colder counting more against frost."""
    return felt.max_c if against is Against.HEAT else -felt.min_c
