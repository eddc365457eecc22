"""How does a receiver get another secret without missing anything? The old one signs on for a time.

As Standard Webhooks has it: while both are in force each message carries a signature by each, so
that the shop can change over when it likes. What has ended signs nothing and is cleared away.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime, timedelta

from sqlalchemy import delete
from sqlmodel import Session, col, select

from nursery.database import clock
from nursery.errors import Refusal, Refused
from nursery.receiver import OldSecret, Receiver
from nursery.telling.signature import new_secret

USUAL_HOURS = 24
MOST_HOURS = 168
MOST_OLD = 3
"""Old secrets in force at once: a header with more signatures would only grow."""


def rotate(session: Session, receiver: Receiver, actor: str, hours: float) -> str:
    """Which secret signs for this receiver from now on? Shown this once only.

    The one before signs beside it for so many hours; with 0 every old one ends at once, as where
    one has leaked. The receiver's row is locked. Raises Refused: `bad_hours`, `too_many_secrets`.
    """
    assert receiver.id is not None
    if not 0 <= hours <= MOST_HOURS:
        message = f"An old secret signs on for 0 to {MOST_HOURS} hours, not for {hours:g}"
        raise Refused(Refusal("bad_hours", message, "hours", "give another number"))
    at = clock(session)
    if hours == 0:
        _end(session, receiver.id)
    else:
        _refuse_too_many(in_force(session, [receiver.id], at).get(receiver.id, ()))
        session.add(
            OldSecret(
                receiver_id=receiver.id,
                secret=receiver.secret,
                signs_until=at + timedelta(hours=hours),
                replaced_by=actor,
                replaced_at=at,
            )
        )
    receiver.secret = new_secret()
    session.flush()
    return receiver.secret


def _end(session: Session, receiver_id: int) -> None:
    of_it = col(OldSecret.receiver_id) == receiver_id
    session.connection().execute(delete(OldSecret).where(of_it))


def _refuse_too_many(old: Collection[OldSecret]) -> None:
    if len(old) >= MOST_OLD:
        first = min(each.signs_until for each in old)
        message = f"{len(old)} old secrets sign on already, as many as may"
        then = f"wait until {first:%d %b %H:%M} UTC, or end them all at once with 0 hours"
        raise Refused(Refusal("too_many_secrets", message, "hours", then))


def in_force(
    session: Session, receivers: Collection[int], at: datetime
) -> dict[int, list[OldSecret]]:
    """Which old secrets of these receivers still sign at this moment, the newest first?"""
    rows = session.exec(
        select(OldSecret)
        .where(col(OldSecret.receiver_id).in_(receivers), col(OldSecret.signs_until) > at)
        .order_by(col(OldSecret.id).desc())
    )
    found: dict[int, list[OldSecret]] = {}
    for row in rows:
        found.setdefault(row.receiver_id, []).append(row)
    return found


def secrets_of(session: Session, receiver: Receiver, at: datetime) -> tuple[str, ...]:
    """Which secrets sign what this receiver is sent at this moment? The newest first."""
    assert receiver.id is not None
    old = in_force(session, [receiver.id], at).get(receiver.id, [])
    return (receiver.secret, *(each.secret for each in old))


def forget_ended(session: Session) -> None:
    """Secrets that sign no more are cleared away."""
    ended = col(OldSecret.signs_until) <= clock(session)
    session.connection().execute(delete(OldSecret).where(ended))
