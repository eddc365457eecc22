"""What tests of webhooks need: a promise, a receiver of its news, senders that work until it is so.

`verified` is how a shop's own program verifies a webhook, by the published standard alone.
"""

import base64
import hashlib
import hmac
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta

import anyio
from sqlalchemy import update
from sqlmodel import col, select

from nursery.database import Database
from nursery.order import EventKind
from nursery.promising.promise import confirm, re_date, reserve
from nursery.receiver import Delivery, DeliveryState
from nursery.telling.receivers import USUAL, add_receiver
from nursery.telling.sending import Patience, Sender
from tests.shop import HERE, MONDAY, caltha, mild_nursery
from tests.webhook_receiver import Ear, Heard

TUESDAY = MONDAY + timedelta(days=1)
HURRIED = Patience(connect=2.0, altogether=2.0)


def verified(secret: str, heard: Heard) -> bool:
    """Does this secret verify what was heard?

    Standard Webhooks 1.0.0 (github.com/standard-webhooks/standard-webhooks, spec), "Signature
    scheme", "Webhook headers" and "Verifying signatures": the content is id.timestamp.payload; the
    header is a space delimited list, of which each is tried until one matches, compared in constant
    time; the timestamp must be within some tolerance (five minutes here).
    """
    key = base64.b64decode(secret.removeprefix("whsec_"))
    stamp = heard.headers["webhook-timestamp"]
    content = heard.id.encode() + b"." + stamp.encode() + b"." + heard.body
    own = base64.b64encode(hmac.new(key, content, hashlib.sha256).digest()).decode()
    fresh = abs(datetime.now(UTC).timestamp() - int(stamp)) < 300
    each = heard.headers["webhook-signature"].split(" ")
    return fresh and any(hmac.compare_digest(one, f"v1,{own}") for one in each)


def named(kind: str, key: int) -> str:
    return f"{kind} {key}"


def tell(
    db: Database,
    until: Callable[[], bool],
    senders: int = 1,
    patience: Patience = HURRIED,
    authorities: str = "",
) -> None:
    """Let so many senders work until this is so; then they are cut off."""
    more = {"poll_seconds": 0.02, "patience": patience, "authorities": authorities}

    async def work() -> None:
        async with anyio.create_task_group() as tasks:
            for _ in range(senders):
                tasks.start_soon(Sender(db, named, **more).run)  # type: ignore[arg-type]
            with anyio.fail_after(20):
                while not await anyio.to_thread.run_sync(until):
                    await anyio.sleep(0.02)
            tasks.cancel_scope.cancel()

    anyio.run(work)


def states(db: Database) -> list[DeliveryState]:
    with db.reading() as session:
        return list(session.exec(select(col(Delivery.state)).order_by(col(Delivery.id))))


def all_of(db: Database, state: DeliveryState, number: int) -> Callable[[], bool]:
    return lambda: states(db) == [state] * number


def tried(db: Database, tries: int) -> Callable[[], bool]:
    """Has each delivery been tried so often, with an answer written down?"""

    def found() -> bool:
        with db.reading() as session:
            rows = session.exec(select(Delivery)).all()
        return bool(rows) and all(r.tries == tries and r.leased_until is None for r in rows)

    return found


def time_passes(db: Database) -> None:
    """Every lease has run out, and everything that waits is due."""
    past = datetime(2020, 1, 1, tzinfo=UTC)
    with db.writing() as session:
        values = {"next_try_at": past, "leased_until": None}
        session.connection().execute(update(Delivery).values(**values))


def told_nursery(
    db: Database, ear: Ear, name: str = "shop", kinds: Sequence[EventKind] = USUAL
) -> tuple[int, str]:
    """A promise for Tuesday that is confirmed, and a receiver from then on: its id, its secret."""
    with db.writing() as session:
        mild_nursery(session)
        promise = reserve(session, "S-1", caltha(1), HERE, TUESDAY, "Van", "shop")
        confirm(session, promise.id or 0, "shop")
        secret = add_receiver(session, name, ear.address, "Lea", kinds)
        return promise.id or 0, secret


def moved(db: Database, id: int, *days: date) -> None:
    for day in days:
        with db.writing() as session:
            re_date(session, id, day, "Van", "Lea", f"moved to {day}")
