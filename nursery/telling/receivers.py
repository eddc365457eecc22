"""Who hears of promises by webhook? Receivers are added, switched and tried out."""

from __future__ import annotations

import asyncio
from collections.abc import Collection, Iterable, Sequence
from datetime import datetime

from sqlalchemy import update
from sqlalchemy.exc import IntegrityError
from sqlmodel import Session, col, select

from nursery.database import Database, clock, site
from nursery.errors import Refusal, Refused
from nursery.locks import lock_site
from nursery.order import EventKind, PromiseEvent
from nursery.receiver import GONE, Delivery, DeliveryState, Receiver
from nursery.telling.addresses import wrong_address
from nursery.telling.message import trial_body
from nursery.telling.outbox import Answer, hand_out
from nursery.telling.rotating import USUAL_HOURS, rotate, secrets_of
from nursery.telling.sending import Patience, client_for, post
from nursery.telling.signature import new_message_id, new_secret, signed
from nursery.telling.standing import Standing, standing

USUAL = (
    EventKind.CONFIRMED,
    EventKind.RE_DATED,
    EventKind.SHORT,
    EventKind.HANDED_OVER,
    EventKind.NOT_COLLECTED,
    EventKind.DELIVERED,
    EventKind.LAPSED,
    EventKind.CANCELLED,
)
"""What a receiver hears of, where nothing else is asked for."""
MOST_RECEIVERS = 20


def add_receiver(
    session: Session,
    name: str,
    address: str,
    actor: str,
    kinds: Iterable[EventKind] = USUAL,
    hosts: Collection[str] = (),
) -> str:
    """Which secret signs what this new receiver is sent? Shown this once only.

    It hears what happens from now on. `hosts` are those that the settings allow besides. Raises
    Refused: `bad_name`, `bad_address`, `bad_kinds`, `name_taken`, `too_many_receivers`.
    """
    name, address, actor = name.strip(), address.strip(), actor.strip()
    wanted = list(dict.fromkeys(kinds))
    _refuse_wrong(name, address, actor, wanted, hosts)
    # Before the receivers: who is added or switched on at the same moment is waited for and seen,
    # else what happened since would be marked as told to nobody.
    lock_site(session)
    known = list(session.exec(select(Receiver.name).order_by(col(Receiver.id)).with_for_update()))
    if name in known:
        raise Refused(_taken(name))
    if len(known) >= MOST_RECEIVERS:
        message = f"There are {len(known)} receivers, and no more than {MOST_RECEIVERS} may be"
        raise Refused(Refusal("too_many_receivers", message, "name", "let one serve several"))
    _what_came_before_is_told(session)
    secret = new_secret()
    row = Receiver(
        name=name,
        address=address,
        secret=secret,
        kinds=[kind.value for kind in wanted],
        made_by=actor,
        made_at=clock(session),
    )
    session.add(row)
    try:
        session.flush()
    except IntegrityError as taken:
        raise Refused(_taken(name)) from taken
    return secret


def _taken(name: str) -> Refusal:
    message = f"There is a receiver {name!r} already"
    return Refusal("name_taken", message, "name", "choose another name")


def _refuse_wrong(
    name: str, address: str, actor: str, kinds: Sequence[EventKind], hosts: Collection[str]
) -> None:
    for field, text in (("name", name), ("by", actor)):
        if not 0 < len(text) <= 60 or not text.isprintable():
            message = f"A receiver's {field} has 1 to 60 printable characters"
            raise Refused(Refusal("bad_name", message, field, "write another"))
    wrong = wrong_address(address, hosts)
    if wrong is not None:
        said = "mend it; other hosts can be allowed by NURSERY_RECEIVER_HOSTS on the server"
        message = f"Nothing may be sent to this address: {wrong}"
        raise Refused(Refusal("bad_address", message, "address", said))
    if not kinds:
        message = "A receiver must want some kind of event"
        raise Refused(Refusal("bad_kinds", message, "kinds", "name at least one"))


def _what_came_before_is_told(session: Session) -> None:
    """A receiver hears what happens from now on: what came before it is marked as told.

    Where somebody listens already it is handed out to those who do, however long no server ran.
    Measured with 200,000 events and nobody listening: 0.4 s on SQLite, 1.2 s on PostgreSQL, once.
    """
    listening = session.exec(select(Receiver.id).where(col(Receiver.off_at).is_(None))).first()
    if listening is not None:
        while hand_out(session):
            pass
        return
    untold = col(PromiseEvent.told_at).is_(None)
    session.connection().execute(update(PromiseEvent).where(untold).values(told_at=clock(session)))


def switch_receiver(session: Session, name: str, on: bool, actor: str) -> Standing:
    """How does a receiver stand, now that it is switched on or off?

    Off: nothing is sent and nothing new is taken up for it. On: it hears what happens from now on;
    what waited for it, and what was given up, is sent at once. Raises Refused:
    `unknown_receiver`, `bad_name`.
    """
    _refuse_nobody(actor)
    lock_site(session)  # as `add_receiver` does
    was_off = session.exec(select(col(Receiver.off_at)).where(Receiver.name == name)).first()
    if on and was_off is not None:
        # Before its row is locked: whoever hands out locks all of them in the order of their ids.
        _what_came_before_is_told(session)
    row = _called(session, name)
    at = clock(session)
    if on:
        row.off_at, row.off_by = None, ""
        _try_again(session, row, at)
    elif row.off_at is None or row.off_by == GONE:
        row.off_at, row.off_by = at, actor.strip()
    session.flush()
    return standing(session, [row])[0]


def rotate_secret(session: Session, name: str, actor: str, hours: float = USUAL_HOURS) -> str:
    """Which secret signs for this receiver from now on? Shown this once only (`rotating.rotate`).

    Raises Refused: `unknown_receiver`, `bad_name`, `bad_hours`, `too_many_secrets`.
    """
    _refuse_nobody(actor)
    return rotate(session, _called(session, name), actor.strip(), hours)


def _refuse_nobody(actor: str) -> None:
    if not 0 < len(actor.strip()) <= 60:
        message = "Whoever changes a receiver has a name of 1 to 60 characters"
        raise Refused(Refusal("bad_name", message, "by", "say who does it"))


def _try_again(session: Session, receiver: Receiver, at: datetime) -> None:
    again = (DeliveryState.WAITING, DeliveryState.GIVEN_UP)
    session.connection().execute(
        update(Delivery)
        .where(col(Delivery.receiver_id) == receiver.id, col(Delivery.state).in_(again))
        .values(state=DeliveryState.WAITING, settled_at=None, tries=0, next_try_at=at)
    )


def _called(session: Session, name: str) -> Receiver:
    row = session.exec(
        select(Receiver).where(Receiver.name == name).with_for_update(),
        execution_options={"populate_existing": True},
    ).first()
    if row is None:
        names = (
            ", ".join(session.exec(select(Receiver.name).order_by(col(Receiver.name)))) or "none"
        )
        message = f"There is no receiver {name!r}"
        raise Refused(Refusal("unknown_receiver", message, "name", f"there are: {names}"))
    return row


def try_receiver(
    db: Database,
    name: str,
    hosts: Collection[str] = (),
    patience: Patience | None = None,
    authorities: str = "",
) -> Answer:
    """What does this receiver answer to a trial that is about no promise? Sent once, now.

    Raises Refused `unknown_receiver`.
    """
    with db.writing() as session:
        row = _called(session, name)
        at = clock(session)
        address, secrets = row.address, secrets_of(session, row, at)
        message_id = new_message_id()
        body = trial_body(message_id, site(session).name, at)
    patience = patience or Patience()

    async def send() -> Answer:
        headers = signed(secrets, message_id, at, body)
        async with client_for(patience, authorities) as client:
            return await post(client, address, headers, body, hosts, patience)

    return asyncio.run(send())
