"""What does a resolver have at hand, and how does it ask the nursery?

A resolver is async and hands its work to a thread: nothing that talks to the database runs on the
event loop. The work gets a session and the token, and answers with API types made inside the
transaction, so that their fields are plain attributes.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property, partial
from typing import TYPE_CHECKING, Any, TypeAlias, TypeVar

import strawberry
from anyio import CapacityLimiter, to_thread
from sqlmodel import Session

from api.auth import allowed
from api.kept import plain, revived
from api.loaders import Loaders
from api.refusals import Refusal, kept_refusal, of_fault, written
from nursery.access import Role, Token
from nursery.database import Database
from nursery.errors import Fault, Refused
from nursery.promising.group_commit import GroupCommit
from nursery.promising.idempotent import once
from nursery.settings import Settings

if TYPE_CHECKING:
    from api.jobs import Jobs
    from api.listening import Listeners

T = TypeVar("T")
Work: TypeAlias = Callable[[Session, Token], T]


@dataclass(frozen=True)
class Desk:
    """What all requests of one server share: the database, settings, threads, jobs, the writer,
    and who listens."""

    db: Database
    settings: Settings
    jobs: "Jobs"
    threads: CapacityLimiter
    writer: GroupCommit
    listeners: "Listeners"

    async def in_thread(self, work: Callable[[], T]) -> T:
        """What does this work answer, done in a thread while the event loop goes on?"""
        return await to_thread.run_sync(work, limiter=self.threads)


@dataclass
class Context:
    """One request (or one web socket): whose it is, and its data loaders.

    `token_key` is the token's row, known of a web socket once it has begun.
    """

    desk: Desk
    secret: str | None
    connection_params: object = field(default=None)
    token_key: int | None = None

    @cached_property
    def loaders(self) -> Loaders:
        """The data loaders of this request; made where they are first needed."""
        return Loaders(self.desk)


Info: TypeAlias = strawberry.Info[Context, None]


async def read(info: Info, roles: tuple[Role, ...], work: Work[T]) -> T | Refusal:
    """What does this question answer to one of these roles, in one reading transaction?"""
    context = info.context
    return await context.desk.in_thread(partial(read_now, context, roles, work))


def read_now(context: Context, roles: tuple[Role, ...], work: Work[T]) -> T | Refusal:
    """As `read`, in the calling thread."""
    try:
        with context.desk.db.reading() as session:
            token = allowed(session, context.secret, roles)
            return token if isinstance(token, Refusal) else work(session, token)
    except Refused as refused:
        return written(refused.refusal)
    except Fault as fault:
        return of_fault(fault)


async def write(
    info: Info, roles: tuple[Role, ...], key: str, body: Mapping[str, Any], work: Work[T]
) -> T | Refusal:
    """What is the answer to the request that this key names? The same one for the same body.

    The work is done once, in one transaction together with its answer; sent again, the request
    gets the answer that was kept. `body` holds the arguments; the operation's name is added.
    """
    named = {"operation": info.field_name, **plain(body)}
    return await info.context.desk.in_thread(
        partial(write_now, info.context, roles, key, named, work)
    )


def write_now(
    context: Context, roles: tuple[Role, ...], key: str, body: Mapping[str, Any], work: Work[T]
) -> T | Refusal:
    """As `write`, in the calling thread."""
    db = context.desk.db
    try:
        with db.reading() as session:
            token = allowed(session, context.secret, roles)
        if isinstance(token, Refusal):
            return token
        assert token.id is not None

        def act(session: Session) -> Mapping[str, Any]:
            return {"answer": plain(work(session, token))}

        answer = once(db, token.id, key, body, act)
    except Refused as refused:
        return written(refused.refusal)
    except Fault as fault:
        return of_fault(fault)
    if "refusal" in answer:
        return kept_refusal(answer["refusal"])
    revived_answer: T = revived(answer["answer"])
    return revived_answer
