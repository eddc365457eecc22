"""How do the receivers of webhooks stand, and which of them do not hear what happens?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlmodel import Session, col, func, select

from nursery.database import clock
from nursery.order import EventKind, PromiseEvent
from nursery.receiver import GONE, Delivery, DeliveryState, Receiver
from nursery.telling.rotating import in_force

LATE = timedelta(hours=1)
"""News that has been on its way for longer is late."""


@dataclass(frozen=True, slots=True)
class Standing:
    """A receiver and how its deliveries stand; its secret is not in it.

    `waiting_since` is when the oldest that waits was handed out; `last_answer` is the newest word
    from it that was not "delivered", "" where all is well. `old_secret_until` is when the last old
    secret that still signs beside the new one ends.
    """

    name: str
    address: str
    kinds: tuple[EventKind, ...]
    made_by: str
    made_at: datetime
    off_at: datetime | None
    off_by: str
    waiting: int
    delivered: int
    withdrawn: int
    given_up: int
    waiting_since: datetime | None
    last_answer: str
    old_secret_until: datetime | None

    @property
    def is_on(self) -> bool:
        """Is it told what happens?"""
        return self.off_at is None


def standing(session: Session, rows: Sequence[Receiver] | None = None) -> list[Standing]:
    """How do these receivers stand, or all of them, by name?"""
    if rows is None:
        rows = session.exec(select(Receiver).order_by(col(Receiver.name))).all()
    counted = session.exec(
        select(
            col(Delivery.receiver_id),
            col(Delivery.state),
            func.count(),
            func.min(col(PromiseEvent.told_at)),
        )
        .join(PromiseEvent, col(PromiseEvent.id) == col(Delivery.event_id))
        .group_by(col(Delivery.receiver_id), col(Delivery.state))
    ).all()
    by = {(receiver, state): (number, since) for receiver, state, number, since in counted}
    old = in_force(session, [row.id for row in rows if row.id], clock(session))
    ends = {id: max(each.signs_until for each in found) for id, found in old.items()}
    return [_standing(session, row, by, ends.get(row.id or 0)) for row in rows]


def _standing(
    session: Session,
    row: Receiver,
    by: dict[tuple[int, DeliveryState], tuple[int, datetime | None]],
    old_secret_until: datetime | None,
) -> Standing:
    assert row.id is not None
    number = {state: by.get((row.id, state), (0, None))[0] for state in DeliveryState}
    open_ones = (DeliveryState.WAITING, DeliveryState.GIVEN_UP)
    last = session.exec(
        select(Delivery.last_answer)
        .where(
            Delivery.receiver_id == row.id,
            col(Delivery.state).in_(open_ones),
            Delivery.last_answer != "",
        )
        .order_by(col(Delivery.id).desc())
    ).first()
    return Standing(
        name=row.name,
        address=row.address,
        kinds=tuple(EventKind(word) for word in row.kinds),
        made_by=row.made_by,
        made_at=row.made_at,
        off_at=row.off_at,
        off_by=row.off_by,
        waiting=number[DeliveryState.WAITING],
        delivered=number[DeliveryState.DELIVERED],
        withdrawn=number[DeliveryState.WITHDRAWN],
        given_up=number[DeliveryState.GIVEN_UP],
        waiting_since=by.get((row.id, DeliveryState.WAITING), (0, None))[1],
        last_answer=last or "",
        old_secret_until=old_secret_until,
    )


@dataclass(frozen=True, slots=True)
class Trouble:
    """What is wrong with a receiver, and what to do about it."""

    receiver: str
    text: str
    what_to_do: str


def troubles(session: Session) -> list[Trouble]:
    """Which receivers do not hear what happens, though somebody wants them to? By name."""
    at, found = clock(session), []
    for each in standing(session):
        again = f"see that it answers, then `nursery receivers on '{each.name}'` sends them again"
        said = f" (last: {each.last_answer})" if each.last_answer else ""
        since = each.waiting_since
        if each.off_by == GONE:
            text = "it answered 410 Gone and is switched off; it hears nothing of promises"
            what = f"ask the shop, then `nursery receivers on` or `off '{each.name}'`"
            found.append(Trouble(each.name, text, what))
        elif not each.is_on:
            continue
        elif each.given_up:
            text = f"{each.given_up} events could not be delivered and were given up{said}"
            found.append(Trouble(each.name, text, again))
        elif since is not None and at - since > LATE:
            text = (
                f"{each.waiting} events wait for it, the oldest since {since:%d %b %H:%M} UTC{said}"
            )
            what = "see that it answers and that `nursery serve` runs; it is tried for three days"
            found.append(Trouble(each.name, text, what))
    return found
