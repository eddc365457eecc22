"""Who hears of promises by webhook: the lead adds, switches and looks."""

from collections.abc import Callable
from datetime import datetime
from functools import partial
from typing import Annotated, TypeAlias, TypeVar

import strawberry
from sqlmodel import Session

from api.auth import allowed
from api.context import Context, Info, read, write
from api.fields import field, mutation
from api.kept import kept
from api.mirror import mirror
from api.refusals import Refusal, written
from nursery.access import Role, Token
from nursery.errors import Refused
from nursery.order import EventKind
from nursery.telling.receivers import USUAL, add_receiver, rotate_secret, switch_receiver
from nursery.telling.rotating import USUAL_HOURS
from nursery.telling.standing import Standing, standing

T = TypeVar("T")
LEAD = (Role.LEAD,)


@kept
@strawberry.type(description="An address that hears what happens to promises, and how that goes.")
class Receiver:
    """`waiting` events are on their way; `given_up` ones were tried for about three days.

    `last_answer` is its newest word on what has not been delivered, "" where all is well. Until
    `old_secret_until` an old secret signs beside the new one.
    """

    name: str
    address: str
    kinds: list[EventKind]
    made_by: str
    made_at: datetime
    is_on: bool
    off_at: datetime | None
    off_by: str
    waiting: int
    delivered: int
    given_up: int
    last_answer: str
    old_secret_until: datetime | None = None


@strawberry.type(description="All receivers, by name.")
class Receivers:
    """Their secrets are not shown again."""

    receivers: list[Receiver]


@strawberry.type(description="A new receiver, and the secret that signs what it is sent.")
class ReceiverAdded:
    """The secret is shown this once. HMAC-SHA256 of Standard Webhooks, `whsec_` and base64."""

    name: str
    address: str
    kinds: list[EventKind]
    secret: str


@strawberry.type(description="A receiver's new secret, and how long the old one signs too.")
class SecretRotated:
    """The secret is shown this once. `old_secret_until` null: no other secret signs."""

    name: str
    secret: str
    old_secret_until: datetime | None


ReceiversAnswer: TypeAlias = Annotated[Receivers | Refusal, strawberry.union("ReceiversAnswer")]
ReceiverAnswer: TypeAlias = Annotated[Receiver | Refusal, strawberry.union("ReceiverAnswer")]
ReceiverAddedAnswer: TypeAlias = Annotated[
    ReceiverAdded | Refusal, strawberry.union("ReceiverAddedAnswer")
]


SecretRotatedAnswer: TypeAlias = Annotated[
    SecretRotated | Refusal, strawberry.union("SecretRotatedAnswer")
]


def _receiver(found: Standing) -> Receiver:
    return mirror(Receiver, found, kinds=list(found.kinds))


@strawberry.type
class ReceiverQueries:
    """Roots about receivers of webhooks."""

    @field("Who hears of promises by webhook, and does it arrive?")
    async def receivers(self, info: Info) -> ReceiversAnswer:
        """For the lead."""

        def work(session: Session, token: Token) -> Receivers:
            return Receivers(receivers=[_receiver(each) for each in standing(session)])

        return await read(info, LEAD, work)


@strawberry.type
class ReceiverMutations:
    """What the lead does about receivers."""

    @mutation("Adds a receiver of webhooks; its secret is shown this once.")
    async def add_receiver(
        self, info: Info, name: str, address: str, kinds: list[EventKind] | None = None
    ) -> ReceiverAddedAnswer:
        """For the lead. Without a key, since an answer that is kept would keep the secret.

        Sent twice, the second is refused: the name is taken. Without `kinds` it hears the usual.
        """
        wanted = list(USUAL) if kinds is None else list(dict.fromkeys(kinds))
        hosts = info.context.desk.settings.receiver_hosts

        def work(session: Session, token: Token) -> ReceiverAdded:
            secret = add_receiver(session, name, address, token.name, wanted, hosts)
            return ReceiverAdded(
                name=name.strip(), address=address.strip(), kinds=wanted, secret=secret
            )

        return await info.context.desk.in_thread(partial(_write_unkept, info.context, work))

    @mutation("Gives a receiver a new secret, shown this once; the old one signs on for a time.")
    async def rotate_receiver_secret(
        self, info: Info, name: str, hours: float = float(USUAL_HOURS)
    ) -> SecretRotatedAnswer:
        """For the lead. Without a key, since an answer that is kept would keep the secret.

        Sent twice, both old secrets sign on. With 0 hours every old one ends at once.
        """

        def work(session: Session, token: Token) -> SecretRotated:
            secret = rotate_secret(session, name, token.name, hours)
            (stands,) = (each for each in standing(session) if each.name == name)
            return SecretRotated(name=name, secret=secret, old_secret_until=stands.old_secret_until)

        return await info.context.desk.in_thread(partial(_write_unkept, info.context, work))

    @mutation("Switches a receiver on or off.")
    async def switch_receiver(self, info: Info, key: str, name: str, on: bool) -> ReceiverAnswer:
        """For the lead. Off: what happens meanwhile it does not hear later.

        On: what waited for it, and what was given up, is sent at once.
        """

        def work(session: Session, token: Token) -> Receiver:
            return _receiver(switch_receiver(session, name, on, token.name))

        return await write(info, LEAD, key, {"name": name, "on": on}, work)


def _write_unkept(context: Context, work: Callable[[Session, Token], T]) -> T | Refusal:
    """What is the answer of this work, of which nothing is kept?"""
    try:
        with context.desk.db.writing() as session:
            token = allowed(session, context.secret, LEAD)
            return token if isinstance(token, Refusal) else work(session, token)
    except Refused as refused:
        return written(refused.refusal)
