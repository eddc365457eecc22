"""What has to be sent to whom, and what has become of it?

Events are rows of `promise_event`, written with the change itself, so none is lost. Handing one out
makes a delivery for each receiver that wants it and marks it told; from then on the delivery is
what must not be lost. A sender takes deliveries by a lease, commits, sends with no transaction
open, and settles each: one that is killed between is sent again under the same id once its lease
has run out. Several server processes share the work.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, Exists, delete, exists, func, or_
from sqlalchemy import select as sql_select
from sqlalchemy.orm import aliased
from sqlmodel import Session, col, select

from nursery.database import clock, site
from nursery.order import CustomerOrder, EventKind, Promise, PromiseEvent
from nursery.promising.told import ToldOnce, Untold, detail_told
from nursery.receiver import GONE, Delivery, DeliveryState, Receiver
from nursery.telling.rotating import forget_ended, secrets_of
from nursery.telling.signature import new_message_id

AT_A_TIME = 8
"""Deliveries to one receiver that are on their way at once."""
LEASE = timedelta(seconds=45)
"""Longer than any try takes (`sending.Patience`)."""
MOST_TRIES = 12
_FIRST_WAIT, _TIMES, _LONGEST_WAIT = 5.0, 4.0, 43_200.0
_JITTER = 0.2
_FARTHEST = timedelta(days=2)
"""No wait is so long: a moment further ahead says that the clock was set back."""
_KEPT = timedelta(days=30)
_HANDED_OUT_AT_ONCE = 500


@dataclass(frozen=True, slots=True)
class Sending:
    """A delivery that is taken, with all that has to be known to send it."""

    delivery_id: int
    receiver_id: int
    receiver: str
    address: str
    secrets: tuple[str, ...] = field(repr=False)
    message_id: str
    tries: int
    reached_before: bool
    at: datetime
    leased_until: datetime
    event_id: int
    kind: EventKind
    happened_at: datetime
    detail: Mapping[str, object]
    promise_id: int
    reference: str
    nursery: str


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of one try? `status` 0 where no answer came; `said` is one short sentence.

    `reached` is False only where nothing can have been read by the receiver. `wait` is what it
    asked to be left alone for.
    """

    status: int
    said: str
    reached: bool = True
    wait: timedelta | None = None

    @property
    def is_good(self) -> bool:
        """Has the receiver got it?"""
        return 200 <= self.status < 300


def wait_after(tries: int, message_id: str) -> timedelta:
    """How long until the next try, after so many? 5 s, 20 s, 80 s, 5, 21, 85 minutes, 6 h, then 12.

    A fifth shorter or longer, by the message: what failed together is not tried again together.
    Twelve tries take about three days.
    """
    plain = min(_FIRST_WAIT * _TIMES ** (tries - 1), _LONGEST_WAIT)
    share = zlib.crc32(f"{message_id}/{tries}".encode()) / 2**32
    return timedelta(seconds=plain * (1 + _JITTER * (2 * share - 1)))


def has_work(session: Session) -> bool:
    """Is there anything to hand out or to send now? One statement."""
    on = select(Receiver.id).where(col(Receiver.off_at).is_(None))
    new = select(PromiseEvent.id).where(col(PromiseEvent.told_at).is_(None))
    due = select(Delivery.id).join(Receiver).where(*_due(clock(session)))
    found = sql_select(exists(on) & (exists(new) | exists(due)))
    return bool(session.connection().execute(found).scalar_one())


def hand_out(session: Session) -> int:
    """How many events are now on their way to the receivers that want them? Marked as told.

    Nothing is marked while nobody listens. The receivers' rows are locked: one process at a time
    hands out, so that what is told once is told once (`told.ToldOnce`).
    """
    receivers = session.exec(
        select(Receiver)
        .where(col(Receiver.off_at).is_(None))
        .order_by(col(Receiver.id))
        .with_for_update(),
        execution_options={"populate_existing": True},
    ).all()
    if not receivers:
        return 0
    events = session.exec(
        select(PromiseEvent)
        .where(col(PromiseEvent.told_at).is_(None))
        .order_by(col(PromiseEvent.id))
        .limit(_HANDED_OUT_AT_ONCE)
    ).all()
    at = clock(session)
    for receiver in receivers:
        _hand_to(session, receiver, events, at)
    for event in events:
        event.told_at = at
    session.flush()
    return len(events)


def _hand_to(
    session: Session, receiver: Receiver, events: Sequence[PromiseEvent], at: datetime
) -> None:
    assert receiver.id is not None
    untold = _untold(session, receiver.id, events)
    once = ToldOnce(
        {key: Untold(row.event_id, _before(row)) for key, row in untold.items() if _before(row)}
    )
    made = {row.event_id: row for row in untold.values()}
    for event in events:
        telling = once.take(event)
        if telling.instead_of is not None and (old := made.get(telling.instead_of)) is not None:
            old.state, old.settled_at = DeliveryState.WITHDRAWN, at
        if telling.is_told and event.kind.value in receiver.kinds:
            assert event.id is not None
            made[event.id] = Delivery(
                receiver_id=receiver.id,
                event_id=event.id,
                message_id=new_message_id(),
                next_try_at=at,
                before=None if telling.before is None else dict(telling.before),
            )
            session.add(made[event.id])


def _before(row: Delivery) -> Mapping[str, object]:
    found = row.before or row.event.detail.get("before")
    return found if isinstance(found, Mapping) else {}


def _untold(
    session: Session, receiver_id: int, events: Sequence[PromiseEvent]
) -> dict[int, Delivery]:
    """Re-dated events of these promises that this receiver cannot have got yet, by promise.

    Only where nothing else has happened to the promise since. Locked: nobody can send them.
    """
    moved = {event.promise_id for event in events if event.kind is EventKind.RE_DATED}
    if not moved:
        return {}
    last = (
        select(func.max(PromiseEvent.id))
        .where(col(PromiseEvent.promise_id).in_(moved), col(PromiseEvent.told_at).is_not(None))
        .group_by(col(PromiseEvent.promise_id))
    )
    rows = session.exec(
        select(Delivery)
        .join(PromiseEvent)
        .where(
            Delivery.receiver_id == receiver_id,
            Delivery.state == DeliveryState.WAITING,
            col(Delivery.reached).is_(False),
            col(Delivery.event_id).in_(last),
            PromiseEvent.kind == EventKind.RE_DATED,
        )
        .order_by(col(Delivery.id))
        .with_for_update(of=Delivery),
        execution_options={"populate_existing": True},
    )
    return {row.event.promise_id: row for row in rows}


def take(session: Session, busy: Mapping[int, int]) -> list[Sending]:
    """Which deliveries are due, and from now on this sender's until their lease runs out?

    `busy` has how many of each receiver it is sending already. Others' are passed over. Of one
    promise one event is sent at a time, in order; only one that has to be tried again is overtaken.
    """
    at, nursery = clock(session), site(session).name
    on = select(Receiver).where(col(Receiver.off_at).is_(None)).order_by(col(Receiver.id))
    found: list[Sending] = []
    for receiver in session.exec(on).all():
        assert receiver.id is not None
        free = AT_A_TIME - busy.get(receiver.id, 0)
        if free > 0:
            rows = session.exec(
                select(Delivery)
                .join(Receiver)
                .join(PromiseEvent)
                .where(Delivery.receiver_id == receiver.id, *_due(at), ~_behind_another(at))
                .order_by(col(Delivery.next_try_at), col(Delivery.id))
                .limit(free)
                .with_for_update(of=Delivery, skip_locked=True),
                execution_options={"populate_existing": True},
            ).all()
            secrets = secrets_of(session, receiver, at) if rows else ()
            found += [_taken(session, receiver, secrets, row, at, nursery) for row in rows]
    session.flush()
    return found


def _due(at: datetime) -> tuple[ColumnElement[bool], ...]:
    """Waiting, its time has come, and nobody is sending it."""
    tried, lease = col(Delivery.next_try_at), col(Delivery.leased_until)
    return (
        col(Delivery.state) == DeliveryState.WAITING,
        col(Receiver.off_at).is_(None),
        or_(tried <= at, tried > at + _FARTHEST),
        or_(lease.is_(None), lease <= at, lease > at + _FARTHEST),
    )


def _behind_another(at: datetime) -> Exists:
    """Is an earlier event of the same promise due, or being sent to the same receiver?"""
    other, happened = aliased(Delivery), aliased(PromiseEvent)
    return exists(
        select(other.id)
        .join(happened, col(happened.id) == col(other.event_id))
        .where(
            col(happened.promise_id) == col(PromiseEvent.promise_id),
            col(other.receiver_id) == col(Delivery.receiver_id),
            col(other.state) == DeliveryState.WAITING,
            col(other.id) < col(Delivery.id),
            or_(col(other.next_try_at) <= at, col(other.leased_until) > at),
        )
    )


def _taken(
    session: Session,
    receiver: Receiver,
    secrets: tuple[str, ...],
    row: Delivery,
    at: datetime,
    nursery: str,
) -> Sending:
    event, before = row.event, row.reached
    row.tries += 1
    row.leased_until, row.reached = at + LEASE, True
    reference = session.exec(
        select(CustomerOrder.reference)
        .join(Promise, col(Promise.order_id) == col(CustomerOrder.id))
        .where(Promise.id == event.promise_id)
    ).one()
    return Sending(
        delivery_id=row.id or 0,
        receiver_id=receiver.id or 0,
        receiver=receiver.name,
        address=receiver.address,
        secrets=secrets,
        message_id=row.message_id,
        tries=row.tries,
        reached_before=before,
        at=at,
        leased_until=row.leased_until,
        event_id=event.id or 0,
        kind=event.kind,
        happened_at=event.at,
        detail=detail_told(event, row.before),
        promise_id=event.promise_id,
        reference=reference,
        nursery=nursery,
    )


def settle(session: Session, sending: Sending, answer: Answer) -> DeliveryState:
    """How does this delivery stand after a try that was answered so?

    2xx: delivered. 410 Gone: its receiver is switched off, and it waits for it. Else it is tried
    again, and given up after `MOST_TRIES`. A try that took longer than its lease changes nothing,
    unless the receiver has got it.
    """
    at = clock(session)
    if answer.status == 410:
        _switch_off(session, sending.receiver_id, at)
    row = session.exec(
        select(Delivery).where(Delivery.id == sending.delivery_id).with_for_update(),
        execution_options={"populate_existing": True},
    ).one()
    mine = row.leased_until == sending.leased_until
    if row.state is not DeliveryState.WAITING or not (mine or answer.is_good):
        return row.state
    row.leased_until, row.last_answer = None, answer.said[:200]
    row.reached = answer.reached or sending.reached_before
    if answer.is_good:
        row.state, row.settled_at = DeliveryState.DELIVERED, at
    elif answer.status == 410:
        row.next_try_at = at
    elif row.tries >= MOST_TRIES:
        row.state, row.settled_at = DeliveryState.GIVEN_UP, at
    else:
        wait = max(wait_after(row.tries, row.message_id), answer.wait or timedelta())
        row.next_try_at = at + wait
    session.flush()
    return row.state


def _switch_off(session: Session, receiver_id: int, at: datetime) -> None:
    # Its row before the delivery's: whoever hands out locks them in this order.
    row = session.exec(
        select(Receiver).where(Receiver.id == receiver_id).with_for_update(),
        execution_options={"populate_existing": True},
    ).one()
    if row.off_at is None:
        row.off_at, row.off_by = at, GONE
        session.flush()


def forget(session: Session) -> None:
    """Deliveries that were settled long ago are cleared away; what was given up stays.

    So are secrets that sign no more.
    """
    forget_ended(session)
    over = (DeliveryState.DELIVERED, DeliveryState.WITHDRAWN)
    old = clock(session) - _KEPT
    session.connection().execute(
        delete(Delivery).where(col(Delivery.state).in_(over), col(Delivery.settled_at) < old)
    )
