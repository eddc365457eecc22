"""Asking the API in tests, without a server between."""

import asyncio
from typing import Any

import httpx
from starlette.applications import Starlette

URL = "http://nursery.test/graphql"


def post(
    app: Starlette, json: Any = None, headers: dict[str, str] | None = None, **more: Any
) -> httpx.Response:
    """What does the application answer to this POST?"""

    async def send() -> httpx.Response:
        transport = httpx.ASGITransport(app=app)
        async with httpx.AsyncClient(transport=transport) as client:
            method = more.pop("method", "POST")
            return await client.request(method, URL, json=json, headers=headers, **more)

    return asyncio.run(send())


def get(app: Starlette, path: str, cookies: dict[str, str]) -> httpx.Response:
    """Which page is shown at this path to who has these cookies?"""

    async def send() -> httpx.Response:
        transport = httpx.ASGITransport(app=app)
        here = httpx.URL(URL).join("/")
        async with httpx.AsyncClient(transport=transport, base_url=here, cookies=cookies) as client:
            return await client.get(path)

    return asyncio.run(send())


def ask(
    app: Starlette, document: str, token: str | None = None, **variables: Any
) -> dict[str, Any]:
    """The JSON that is answered to a document; with this token."""
    headers = {"authorization": f"Bearer {token}"} if token else {}
    answer: dict[str, Any] = post(app, {"query": document, "variables": variables}, headers).json()
    return answer


def answered(app: Starlette, document: str, token: str | None = None, **variables: Any) -> Any:
    """The value of a document's one root; fails where there are errors."""
    answer = ask(app, document, token, **variables)
    assert "errors" not in answer, answer
    (value,) = answer["data"].values()
    return value
