"""A page for whoever may see it, or the way to the login, or why not."""

from collections.abc import Awaitable, Callable
from datetime import date
from functools import partial
from pathlib import Path
from urllib.parse import parse_qsl, quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from sqlmodel import Session
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from api.auth import bearer
from api.context import Context, Desk, read_now
from api.refusals import Refusal
from nursery.access import Role, Token

COOKIE = "nursery_token"
HERE = Path(__file__).parent
HEADERS = {
    "cache-control": "no-store",
    "content-security-policy": (
        "default-src 'none'; style-src 'self'; form-action 'self'; frame-ancestors 'none';"
        " base-uri 'none'"
    ),
    "referrer-policy": "same-origin",
    "x-content-type-options": "nosniff",
}
_TEMPLATES = Environment(
    loader=FileSystemLoader(HERE / "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
SHED = (Role.PACKER, Role.LEAD)
_LARGEST_FORM = 16_384
"""Bytes: what any of our forms needs, many times over."""


def route(
    desk: Desk, path: str, view: Callable[[Desk, Request], Awaitable[Response]], method: str
) -> Route:
    """Which view of this desk answers this address?"""
    return Route(path, partial(view, desk), methods=[method])


def page(name: str, status: int = 200, **values: object) -> HTMLResponse:
    """Which HTML does this template make of these values?"""
    html = _TEMPLATES.get_template(name).render(**values)
    return HTMLResponse(html, status, HEADERS)


async def shown(
    desk: Desk,
    request: Request,
    roles: tuple[Role, ...],
    work: Callable[[Session, Token], Response],
) -> Response:
    """The page that the work makes, or the way to the login, or why not."""
    found = await desk.in_thread(partial(read_now, asking(desk, request), roles, work))
    return refused(request, found) if isinstance(found, Refusal) else found


def asking(desk: Desk, request: Request) -> Context:
    """Whose request is it? By its bearer token, or by the cookie of the login."""
    secret = bearer(request.headers.get("authorization")) or request.cookies.get(COOKIE)
    return Context(desk, secret)


def refused(request: Request, found: Refusal, status: int = 403, back: str = "") -> Response:
    """The page that says why not, with a way `back`; the way to the login for a stranger."""
    if found.code == "UNAUTHENTICATED":
        path = request.url.path if request.method == "GET" else back
        return RedirectResponse(f"/login?next={quote(path or '/')}", 303, HEADERS)
    return page("refused.html", status, message=found.message, next=found.next, back=back)


async def posted(request: Request) -> dict[str, str]:
    """What was typed into the form? Nothing of it where it is larger than any form of ours."""
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > _LARGEST_FORM:
            return {}
    return dict(parse_qsl(body.decode(errors="replace"), keep_blank_values=True))


def given_day(request: Request) -> date | None:
    """Which day is in the address? None where it is no day, or one of another century."""
    try:
        day = date.fromisoformat(request.path_params["day"])
    except ValueError:
        return None
    return day if 1900 <= day.year < 2200 else None


def no_such(what: str, given: str, example: str) -> Response:
    """The page for a day or week that does not exist."""
    message = f"There is no {what} {given!r}"
    return page("refused.html", 404, message=message, next=f"write it as in {example}", back="")
