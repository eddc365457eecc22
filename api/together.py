"""How is a shop's change made durable? By the one writer of this process, many with one commit."""

import asyncio
from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, TypeAlias, TypeVar

from api.auth import allowed
from api.context import Context, Info
from api.kept import plain, revived
from api.refusals import Refusal, kept_refusal, of_fault, written
from nursery.access import Role, Token
from nursery.errors import Fault, Refused
from nursery.promising.group_batch import Request

T = TypeVar("T")
Asking: TypeAlias = Callable[[Token, Mapping[str, Any]], Request]
"""Which request is this, of this token, with this body (operation and arguments, as JSON)?"""


async def write_together(
    info: Info, roles: tuple[Role, ...], key: str, body: Mapping[str, Any], asking: Asking
) -> object:
    """What is the answer to the request that this key names? The same one for the same body.

    As `context.write`, but committed with the requests that wait beside it. While it waits it
    holds no thread. A request whose client went away before it began is not done at all.
    """
    desk = info.context.desk
    token = await desk.in_thread(partial(_token, info.context, roles))
    if isinstance(token, Refusal):
        return token
    named = {"operation": info.field_name, **plain(body)}
    try:
        answer = await asyncio.wrap_future(desk.writer.submit(asking(token, named)))
    except Refused as refused:
        return written(refused.refusal)
    except Fault as fault:
        return of_fault(fault)
    return kept_refusal(answer["refusal"]) if "refusal" in answer else revived(answer["answer"])


def _token(context: Context, roles: tuple[Role, ...]) -> Token | Refusal:
    with context.desk.db.reading() as session:
        return allowed(session, context.secret, roles)
