"""How does a subscription listen, and how many may one token hold?"""

from collections import Counter
from collections.abc import AsyncGenerator, Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TypeVar

import anyio
from sqlmodel import Session

from api.context import Info, read
from api.refusals import Code, Refusal, refuse
from nursery.access import Role, Token

T = TypeVar("T")


SOCKETS_A_SUBSCRIPTION = 2
"""Web sockets that a token may hold, for each subscription: old ones may still be closing."""


class Listeners:
    """Subscriptions and web sockets of one server process, counted by token.

    Used on its event loop alone.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._held: Counter[int] = Counter()
        self._sockets: Counter[int] = Counter()

    def take_socket(self, token: int) -> bool:
        """May this token hold one more web socket? Counted then, until `let_go`."""
        if self._sockets[token] >= SOCKETS_A_SUBSCRIPTION * self._most:
            return False
        self._sockets[token] += 1
        return True

    def let_go(self, token: int) -> None:
        """One web socket of this token is over."""
        self._sockets[token] -= 1

    @contextmanager
    def one_more(self, token: int) -> Iterator[Refusal | None]:
        """May this token hold one more, for as long as the block lasts? None, or why not."""
        if self._held[token] >= self._most:
            message = f"This token holds {self._most} subscriptions already, as many as it may"
            yield refuse(Code.TOO_MANY, message, next="end one, or watch several in one")
            return
        self._held[token] += 1
        try:
            yield None
        finally:
            self._held[token] -= 1


async def listen(
    info: Info, roles: tuple[Role, ...], look: Callable[[Session], Sequence[T] | Refusal]
) -> AsyncGenerator[T | Refusal, None]:
    """What is new, look by look, until a refusal ends it or nobody listens any more?

    The token is looked up again for every look, so that a revoked one hears no more.
    """
    desk = info.context.desk
    token = await read(info, roles, _key_of)
    if isinstance(token, Refusal):
        yield token
        return
    with desk.listeners.one_more(token) as refused:
        if refused is not None:
            yield refused
            return
        while True:
            found = await read(info, roles, lambda session, _: look(session))
            if isinstance(found, Refusal):
                yield found
                return
            for each in found:
                yield each
            await anyio.sleep(desk.settings.poll_seconds)


def _key_of(session: Session, token: Token) -> int:
    assert token.id is not None
    return token.id
