"""On which delivery day do parcels really arrive, by service and zone, beside the book?

Delivery days are counted in the sense of EN 13850: from the day a parcel was handed over, closed
days at the destination not counted. Shown as book / yours / used: the Transit sheet's share, what
the recorded deliveries say by themselves, and both together, the book weighing `BOOK_PARCELS`
parcels. Nothing is used by itself: a person takes it into use (`shed.transit_use`), or writes other
shares into the Transit sheet.

A parcel that is handed over and not yet known to be delivered has only not arrived *so far*: it
counts among the later days, in the shares of those days (Efron's redistribution to the right, 1967,
repeated until it stands still), and is never dropped, which would flatter the carrier.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from scipy import special
from sqlmodel import Session, col, select

from nursery.carrier import TransitTaken
from nursery.database import today
from nursery.errors import Fault
from nursery.order import CustomerOrder, EventKind, Promise, PromiseEvent, State
from nursery.promising.lanes import Lane, read_lanes, taken_transit
from nursery.shed.handover import delivered

BOOK_PARCELS = 50
"""How many parcels the book's shares weigh as (an estimate; no source)."""
_ROUNDS = 2000
_STILL = 1e-12


@dataclass(frozen=True, slots=True)
class Sent:
    """One parcel: `days` delivery days until it arrived, or that passed without (not `arrived`)."""

    days: int
    arrived: bool


@dataclass(frozen=True, slots=True)
class DeliveryDay:
    """One line of a service and zone as book / yours / used; shares from 0 to 1.

    `parcels` were delivered that day; `low` to `high` holds the carrier's own share in nine of ten
    cases (Jeffreys interval, the parcels still on the way left aside). `yours` is None where
    nothing has been delivered yet. `promised` is what promises reckon with now.
    """

    service: str
    zone: str
    delivery_days: int
    parcels: int
    book: float
    yours: float | None
    used: float
    low: float | None
    high: float | None
    promised: float = 0.0


@dataclass(frozen=True, slots=True)
class InUse:
    """Who took a learned distribution into use, when, why, and from how many delivered parcels?"""

    taken_by: str
    taken_at: datetime
    reason: str
    parcels: int


@dataclass(frozen=True)
class TransitLearned:
    """A service to a zone: its delivery days, parcels delivered and parcels still on the way.

    `data` is a fingerprint of what it was learned from; `in_use` is None while the Transit sheet
    stands.
    """

    service: str
    zone: str
    delivered: int
    on_the_way: int
    days: tuple[DeliveryDay, ...]
    data: str = ""
    in_use: InUse | None = None


def learned_transit(session: Session) -> list[TransitLearned]:
    """What do the recorded deliveries say, for each service and zone that has any parcel sent?"""
    parcels = _parcels(session)
    zones = sorted({zone for _, zone in parcels})
    lanes = {
        (lane.service_id, zone): lane
        for zone, found in read_lanes(session, zones, by_book=True).items()
        for lane in found
    }
    day, taken = today(session), taken_transit(session, zones)
    return sorted(
        (
            _of_lane(lanes[key], rows, day, taken.get(key))
            for key, rows in parcels.items()
            if key in lanes
        ),
        key=lambda each: (each.service, each.zone),
    )


def shares(book: Mapping[int, float], sent: Sequence[Sent], weigh: float) -> dict[int, float]:
    """Which share of parcels arrives on which delivery day, the book weighing so many parcels?

    Parcels that have not arrived are shared out over the days after those that passed. One for
    which no later day is known counts for the day after. Raises `Fault` with nothing to go by.
    """
    counts = {n: weigh * share for n, share in book.items() if weigh > 0}
    for each in sent:
        if each.arrived:
            counts[each.days] = counts.get(each.days, 0.0) + 1
    waits: dict[int, int] = defaultdict(int)
    for each in sent:
        if not each.arrived:
            waits[each.days] += 1
    for passed in sorted(waits):
        if not any(n > passed and count > 0 for n, count in counts.items()):
            counts[passed + 1] = counts.get(passed + 1, 0.0) + waits.pop(passed)
    total = sum(counts.values())
    if total <= 0:
        rule = "a book that weighs something, or one delivered parcel, is needed"
        raise Fault("Delivery days", rule, len(sent), "record deliveries first")
    found = {n: count / total for n, count in counts.items()}
    for _ in range(_ROUNDS if waits else 0):
        before, found = found, _shared_out(counts, waits, found)
        if max(abs(found[n] - before[n]) for n in found) < _STILL:
            break
    return dict(sorted(found.items()))


def _shared_out(
    counts: Mapping[int, float], waits: Mapping[int, int], found: Mapping[int, float]
) -> dict[int, float]:
    """One round: the waiting parcels given to the later days in their present shares."""
    given = dict(counts)
    for passed, parcels in waits.items():
        later = sum(share for n, share in found.items() if n > passed)
        for n, share in found.items():
            if n > passed:
                given[n] += parcels * share / later
    total = sum(given.values())
    return {n: count / total for n, count in given.items()}


def record_deliveries(
    session: Session, rows: Iterable[tuple[str, date]], actor: str
) -> list[Promise]:
    """Which parcels were delivered, by the order's reference and the day? All of them or none.

    Raises `Fault` for an order that has no parcel on the way, or several, and as
    `handover.delivered` does.
    """
    return [
        delivered(session, parcel_on_the_way(session, reference), on, actor)
        for reference, on in rows
    ]


def parcel_on_the_way(session: Session, reference: str) -> int:
    """Which parcel of this order is with the carrier? Raises `Fault` unless there is just one."""
    rows = session.exec(
        select(Promise.id)
        .join(CustomerOrder, col(Promise.order_id) == col(CustomerOrder.id))
        .where(CustomerOrder.reference == reference, Promise.state == State.HANDED_OVER)
    ).all()
    if len(rows) != 1 or rows[0] is None:
        said = "no parcel of it is" if not rows else f"{len(rows)} parcels of it are"
        rule = f"needs one parcel with the carrier; {said}"
        raise Fault(f"Order '{reference}'", rule, reference, "check the reference")
    return rows[0]


@dataclass(frozen=True, slots=True)
class _Parcel:
    handed_over: date
    arrived: date | None


def _parcels(session: Session) -> dict[tuple[int, int], list[_Parcel]]:
    """Parcels by service and zone, from the events of promises that were handed over."""
    rows = session.exec(
        select(PromiseEvent, Promise, CustomerOrder)
        .join(Promise, col(PromiseEvent.promise_id) == col(Promise.id))
        .join(CustomerOrder, col(Promise.order_id) == col(CustomerOrder.id))
        .where(col(Promise.state).in_((State.HANDED_OVER, State.DELIVERED)))
        .where(col(PromiseEvent.kind).in_((EventKind.HANDED_OVER, EventKind.DELIVERED)))
        .order_by(col(PromiseEvent.id))
    )
    where: dict[int, tuple[int, int]] = {}
    told: dict[int, dict[EventKind, date]] = defaultdict(dict)
    for event, promise, order in rows:
        where[event.promise_id] = (promise.service_id, order.zone_id)
        if "on" in event.detail:
            told[event.promise_id][event.kind] = date.fromisoformat(str(event.detail["on"]))
    found: dict[tuple[int, int], list[_Parcel]] = defaultdict(list)
    for key, days in told.items():
        if EventKind.HANDED_OVER in days:
            arrived = days.get(EventKind.DELIVERED)
            found[where[key]].append(_Parcel(days[EventKind.HANDED_OVER], arrived))
    return found


def _of_lane(
    lane: Lane, parcels: Sequence[_Parcel], day: date, taken: TransitTaken | None
) -> TransitLearned:
    sent = [_sent(lane, each, day) for each in parcels]
    book = dict(lane.transit)
    used = shares(book, sent, BOOK_PARCELS)
    arrived = [each.days for each in sent if each.arrived]
    yours = shares({}, sent, 0) if arrived else {}
    promised = {int(n): share for n, share in taken.shares} if taken else book
    days = sorted({*book, *used, *yours, *promised})
    return TransitLearned(
        service=lane.service,
        zone=lane.zone,
        delivered=len(arrived),
        on_the_way=len(sent) - len(arrived),
        days=tuple(
            DeliveryDay(
                service=lane.service,
                zone=lane.zone,
                delivery_days=n,
                parcels=arrived.count(n),
                book=book.get(n, 0.0),
                yours=yours.get(n, 0.0) if arrived else None,
                used=used.get(n, 0.0),
                low=jeffreys(arrived.count(n), len(arrived))[0] if arrived else None,
                high=jeffreys(arrived.count(n), len(arrived))[1] if arrived else None,
                promised=promised.get(n, 0.0),
            )
            for n in days
        ),
        data=_fingerprint(book, sent),
        in_use=InUse(taken.taken_by, taken.taken_at, taken.reason, taken.parcels)
        if taken
        else None,
    )


def _fingerprint(book: Mapping[int, float], sent: Sequence[Sent]) -> str:
    """Which data is it learned from? The same for the same shares of the book and parcels."""
    listed = sorted(book.items()), sorted((each.days, each.arrived) for each in sent)
    return hashlib.sha256(repr(listed).encode()).hexdigest()[:12]


def _sent(lane: Lane, parcel: _Parcel, day: date) -> Sent:
    """Until yesterday it has not come; today's delivery may still be made."""
    if parcel.arrived is None:
        passed = lane.destination.open_days_between(parcel.handed_over, day - timedelta(days=1))
        return Sent(max(0, passed), arrived=False)
    passed = lane.destination.open_days_between(parcel.handed_over, parcel.arrived)
    return Sent(max(1, passed), arrived=True)


def jeffreys(hits: int, of: int, inside: float = 0.9) -> tuple[float, float]:
    """Between which shares does the true one lie, with so many hits of so many?

    Equal-tailed Jeffreys interval, Beta(hits + 1/2, misses + 1/2); 0 and 1 are kept as ends where
    there are no hits or no misses (Brown, Cai & DasGupta, 2001).
    """
    tail = (1 - inside) / 2
    low = float(special.betaincinv(hits + 0.5, of - hits + 0.5, tail)) if hits else 0.0
    high = float(special.betaincinv(hits + 0.5, of - hits + 0.5, 1 - tail)) if hits < of else 1.0
    return low, high
