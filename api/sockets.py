"""How does a web socket behave whose client does not? It is told why, and holds nothing for long.

What strawberry's handler of graphql-transport-ws leaves open: messages of a wrong shape close the
socket with 4400, a document that cannot be read is answered with an error instead of silence, what
is refused has a code, a client that does not read loses its socket, and one token holds so many
sockets.
"""

import asyncio
from typing import Any, TypeGuard, cast

from graphql import GraphQLError, parse
from strawberry.http.exceptions import WebSocketDisconnected
from strawberry.subscriptions.protocols.graphql_transport_ws.handlers import (
    BaseGraphQLTransportWSHandler,
)
from strawberry.subscriptions.protocols.graphql_transport_ws.types import Message

from api.context import Context
from api.refusals import Code

SLOWEST_SECONDS = 30.0
"""A client that takes nothing for so long does not read."""
MOST_AT_ONCE = 50
"""Operations under way on one web socket; how many a token holds is counted in `listening`."""
WRONG, TOO_MANY = 4400, 4429


class SocketHandler(BaseGraphQLTransportWSHandler[Context, None]):
    """One web socket."""

    _main: asyncio.Task[Any] | None = None
    _unread = False
    _held: int | None = None

    async def handle(self) -> None:
        """Until either side has had enough."""
        self._main = asyncio.current_task()
        try:
            await super().handle()
        except asyncio.CancelledError:
            if not self._unread:
                raise
        finally:
            if self._held is not None:
                self.context.desk.listeners.let_go(self._held)

    async def handle_message(self, message: Any) -> None:
        if not _is_message(message):
            await self.websocket.close(code=WRONG, reason="Failed to parse message")
            return
        await super().handle_message(cast("Message", message))

    async def handle_connection_init(self, message: Any) -> None:
        await super().handle_connection_init(message)
        if not self.connection_acknowledged or self._held is not None:
            return
        token = self.context.token_key
        if token is not None and self.context.desk.listeners.take_socket(token):
            self._held = token
        elif token is not None:
            self.connection_acknowledged = False
            reason = "This token holds too many web sockets"
            await self.websocket.close(code=TOO_MANY, reason=reason)

    async def handle_subscribe(self, message: Any) -> None:
        id = message["id"]
        if self.connection_acknowledged and id not in self.operations:
            if len(self.operations) >= MOST_AT_ONCE:
                what = f"This web socket has {MOST_AT_ONCE} operations under way, as many as it may"
                await self._refuse(id, GraphQLError(what, extensions={"code": Code.TOO_MANY}))
                return
            try:
                settings = self.context.desk.settings
                parse(message["payload"]["query"], max_tokens=settings.max_tokens)
            except GraphQLError as wrong:
                await self._refuse(id, wrong)
                return
        await super().handle_subscribe(message)

    async def _refuse(self, id: str, error: GraphQLError) -> None:
        await self.send_message({"id": id, "type": "error", "payload": [error.formatted]})

    async def send_message(self, message: Any) -> None:
        """Ends the web socket, and all that it holds, where its client does not take it."""
        try:
            async with asyncio.timeout(SLOWEST_SECONDS):
                await super().send_message(message)
        except TimeoutError:
            self._unread = True
            if self._main is not None and self._main is not asyncio.current_task():
                self._main.cancel()
            raise WebSocketDisconnected from None


def _is_message(message: object) -> TypeGuard[dict[str, Any]]:
    """Has it the shape that the protocol says? (graphql-transport-ws, "Message types")"""
    if not isinstance(message, dict) or not isinstance(message.get("type"), str):
        return False
    if message["type"] not in ("subscribe", "complete"):
        return True
    if not isinstance(message.get("id"), str):
        return False
    return message["type"] == "complete" or _is_request(message.get("payload"))


def _is_request(payload: object) -> bool:
    return (
        isinstance(payload, dict)
        and isinstance(payload.get("query"), str)
        and isinstance(payload.get("variables"), dict | None)
        and isinstance(payload.get("operationName"), str | None)
    )
