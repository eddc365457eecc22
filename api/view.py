"""How does GraphQL travel over HTTP? As the GraphQL over HTTP specification (draft) says.

`application/graphql-response+json` where the client asks for it: then a document that failed
before its execution is answered with 400 and no `data`. With `application/json` every well-formed
request is answered with 200. Only POST; batches and the older web socket protocol are off.
"""

import json
from datetime import timedelta
from functools import partial
from typing import Any

import orjson
from cross_web import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import Receive, Scope, Send
from starlette.websockets import WebSocket
from strawberry import Schema
from strawberry.asgi import GraphQL
from strawberry.exceptions import ConnectionRejectionError
from strawberry.http import GraphQLHTTPResponse, process_result
from strawberry.http.base import BaseRequestProtocol
from strawberry.subscriptions import GRAPHQL_TRANSPORT_WS_PROTOCOL
from strawberry.types import ExecutionResult
from strawberry.types.unset import UNSET, UnsetType

from api.auth import bearer, secret_in
from api.context import Context, Desk
from api.sockets import SocketHandler
from nursery.access import token_for

RESPONSE_TYPE = "application/graphql-response+json"
JSON_TYPE = "application/json"


def accepted_type(accept: str | None) -> str:
    """Which of the two media types does the client like better? JSON where it does not say."""
    best, liked = JSON_TYPE, 0.0
    for part in (accept or "").split(","):
        name, *parameters = (piece.strip().lower() for piece in part.split(";"))
        quality = 1.0
        for parameter in parameters:
            if parameter.startswith("q="):
                try:
                    quality = float(parameter[2:])
                except ValueError:
                    quality = 0.0
        if name in (RESPONSE_TYPE, JSON_TYPE) and quality > liked:
            best, liked = name, quality
    return best


class View(GraphQL[Context, None]):
    """The one endpoint: queries and mutations by POST, subscriptions by web socket."""

    graphql_transport_ws_handler_class = SocketHandler

    def __init__(self, schema: Schema, desk: Desk) -> None:
        super().__init__(
            schema,
            graphql_ide="graphiql" if desk.settings.introspection else None,
            allow_queries_via_get=False,
            subscription_protocols=(GRAPHQL_TRANSPORT_WS_PROTOCOL,),
            connection_init_wait_timeout=timedelta(seconds=10),
            allowed_origins=desk.settings.allowed_origins,
        )
        self.desk = desk

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await super().__call__(scope, receive, send)
            return
        request = Request(scope, receive)
        try:
            response = await self.run(request)
        except HTTPException as refused:
            response = _not_graphql(request, refused)
        await response(scope, receive, send)

    def is_request_allowed(self, request: BaseRequestProtocol) -> bool:
        return request.method == "POST" or self.graphql_ide is not None

    async def get_context(
        self, request: Request | WebSocket, response: Response | WebSocket
    ) -> Context:
        return Context(self.desk, bearer(request.headers.get("authorization")))

    async def on_ws_connect(self, context: Context) -> UnsetType | dict[str, object] | None:
        """A web socket without a valid token is closed with 4403, before it may ask anything."""
        params = context.connection_params
        context.secret = secret_in(params if isinstance(params, dict) else {}) or context.secret
        if context.secret is not None:
            found = partial(_token_key, self.desk, context.secret)
            context.token_key = await self.desk.in_thread(found)
        if context.token_key is None:
            raise ConnectionRejectionError
        nothing: UnsetType = UNSET
        return nothing

    async def get_sub_response(self, request: Request | WebSocket) -> Response:
        response = await super().get_sub_response(request)
        response.media_type = accepted_type(request.headers.get("accept"))
        return response

    async def process_result(
        self, request: Request, result: ExecutionResult
    ) -> GraphQLHTTPResponse:
        answer = process_result(result)
        # Only what ran has a path: anything else failed before its execution and has no data.
        if result.data is None and not any(error.path for error in result.errors or ()):
            answer.pop("data", None)
        return answer

    def create_response(self, response_data: Any, sub_response: Response) -> Response:
        strict = sub_response.media_type == RESPONSE_TYPE
        failed_before = isinstance(response_data, dict) and "data" not in response_data
        return Response(
            self.encode_json(response_data),
            status_code=400 if strict and failed_before else 200,
            media_type=f"{sub_response.media_type}; charset=utf-8",
        )

    def decode_json(self, data: str | bytes) -> object:
        return json.loads(data)

    def encode_json(self, data: object) -> str:
        # Text, not bytes: bytes would leave a web socket as binary frames, which clients refuse.
        return _as_json(data)


def _token_key(desk: Desk, secret: str) -> int | None:
    with desk.db.reading() as session:
        token = token_for(session, secret)
        return None if token is None else token.id


def _as_json(data: object) -> str:
    try:
        return orjson.dumps(data).decode()
    except TypeError:  # half of a surrogate pair, told back in an error: written as an escape
        return json.dumps(data)


def _not_graphql(request: Request, refused: HTTPException) -> Response:
    """The answer to what is no GraphQL request at all."""
    reason = "This endpoint takes POST only." if refused.status_code == 405 else refused.reason
    body = _as_json({"errors": [{"message": reason}]})
    kind = accepted_type(request.headers.get("accept"))
    allow = {"allow": "POST"} if refused.status_code == 405 else {}
    return Response(body, refused.status_code, allow, f"{kind}; charset=utf-8")
