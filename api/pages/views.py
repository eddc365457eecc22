"""Which page answers which address?"""

from collections.abc import Awaitable, Callable
from datetime import date, timedelta
from functools import partial
from itertools import groupby
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from sqlmodel import Session
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from api.auth import bearer
from api.context import Context, Desk, read_now
from api.pages.bench_picture import pictures
from api.pages.shade_strip import strip
from api.refusals import Refusal
from nursery.access import Role, Token
from nursery.database import site, today
from nursery.errors import Fault
from nursery.growing.shade_calendar import CAUTION, shade_calendars
from nursery.planning.bench_map import WEEKS as MAP_WEEKS
from nursery.planning.bench_map import Limits, bench_map
from nursery.shed.care import care_card
from nursery.shed.pick_sheet import pick_sheet, print_sheet
from nursery.week.rota import keep_rota, rota
from nursery.week.week_sheet import week_sheet
from nursery.weeks import Week

COOKIE = "nursery_token"
_HERE = Path(__file__).parent
_HEADERS = {
    "cache-control": "no-store",
    "content-security-policy": (
        "default-src 'none'; style-src 'self'; form-action 'self'; frame-ancestors 'none';"
        " base-uri 'none'"
    ),
    "referrer-policy": "same-origin",
    "x-content-type-options": "nosniff",
}
_TEMPLATES = Environment(
    loader=FileSystemLoader(_HERE / "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
_SHED = (Role.PACKER, Role.LEAD)
_LEAD = (Role.LEAD,)
_SECONDS = 5.0
"""How long a rota is levelled while the lead waits for it."""
Values = dict[str, Any]


def routes(desk: Desk) -> list[BaseRoute]:
    """The pages of this server."""

    def at(path: str, view: Callable[[Desk, Request], Awaitable[Response]], method: str) -> Route:
        return Route(path, partial(view, desk), methods=[method])

    return [
        at("/", _home, "GET"),
        at("/login", _login_form, "GET"),
        at("/login", _log_in, "POST"),
        at("/logout", _log_out, "POST"),
        at("/style.css", _style, "GET"),
        at("/picks", _picks_today, "GET"),
        at("/picks/{day}", _picks, "GET"),
        at("/picks/{day}/print", _print, "POST"),
        at("/cards", _cards_today, "GET"),
        at("/cards/{day}", _cards, "GET"),
        at("/shade", _shade, "GET"),
        at("/week", _week_now, "GET"),
        at("/week/{week}", _week, "GET"),
        at("/week/{week}/sheets", _sheets, "GET"),
        at("/week/{week}/sheets", _level, "POST"),
        at("/benches", _benches_now, "GET"),
        at("/benches/{week}", _benches, "GET"),
    ]


def _page(name: str, status: int = 200, **values: object) -> HTMLResponse:
    html = _TEMPLATES.get_template(name).render(**values)
    return HTMLResponse(html, status, _HEADERS)


async def _home(desk: Desk, request: Request) -> Response:
    return _page("home.html")


async def _style(desk: Desk, request: Request) -> Response:
    return FileResponse(_HERE / "style.css", media_type="text/css")


async def _login_form(desk: Desk, request: Request) -> Response:
    return _page("login.html", next=_inside(request.query_params.get("next", "/")), wrong=False)


async def _log_in(desk: Desk, request: Request) -> Response:
    form = parse_qs((await request.body()).decode(errors="replace"))
    secret = form.get("token", [""])[0].strip()
    to = _inside(form.get("next", ["/"])[0])
    known = await desk.in_thread(
        lambda: read_now(Context(desk, secret), tuple(Role), lambda session, token: token.name)
    )
    if isinstance(known, Refusal):
        return _page("login.html", 401, next=to, wrong=True)
    answer = RedirectResponse(to, 303, _HEADERS)
    answer.set_cookie(
        COOKIE,
        secret,
        max_age=12 * 3600,
        httponly=True,
        samesite="strict",
        secure=desk.settings.secure_cookies,
    )
    return answer


async def _log_out(desk: Desk, request: Request) -> Response:
    answer = RedirectResponse("/login", 303, _HEADERS)
    answer.delete_cookie(COOKIE)
    return answer


def _inside(path: str) -> str:
    """A path of this server, never another site's address."""
    plain = path.startswith("/") and not path.startswith("//") and "\\" not in path
    return path if plain and path.isprintable() else "/"


async def _picks_today(desk: Desk, request: Request) -> Response:
    return await _shown(
        desk, request, _SHED, lambda session, token: RedirectResponse(f"/picks/{today(session)}")
    )


async def _week_now(desk: Desk, request: Request) -> Response:
    return await _shown(
        desk,
        request,
        _LEAD,
        lambda session, token: RedirectResponse(f"/week/{Week.of(today(session))}"),
    )


async def _picks(desk: Desk, request: Request) -> Response:
    day = _day(request)
    if day is None:
        return _no_such("day", request.path_params["day"], "/picks/2027-03-02")

    def work(session: Session, token: Token) -> Response:
        return _page(
            "picks.html",
            sheet=pick_sheet(session, day),
            site=site(session),
            before=day - timedelta(days=1),
            after=day + timedelta(days=1),
        )

    return await _shown(desk, request, _SHED, work)


async def _print(desk: Desk, request: Request) -> Response:
    day = _day(request)
    if day is None:
        return _no_such("day", request.path_params["day"], "/picks/2027-03-02")

    def work(session: Session, token: Token) -> Response:
        with desk.db.writing() as writing:
            print_sheet(writing, day, token.name)
        return RedirectResponse(f"/picks/{day}", 303, _HEADERS)

    return await _shown(desk, request, _SHED, work)


async def _cards_today(desk: Desk, request: Request) -> Response:
    return await _shown(
        desk, request, _SHED, lambda session, token: RedirectResponse(f"/cards/{today(session)}")
    )


async def _cards(desk: Desk, request: Request) -> Response:
    day = _day(request)
    if day is None:
        return _no_such("day", request.path_params["day"], "/cards/2027-03-02")

    def work(session: Session, token: Token) -> Response:
        slips = pick_sheet(session, day).slips
        codes = sorted({line.product_code for slip in slips for line in slip.lines})
        cards = {code: care_card(session, code) for code in codes}
        return _page(
            "cards.html",
            parcels=[(slip, [cards[line.product_code] for line in slip.lines]) for slip in slips],
            site=site(session),
            day=day,
            before=day - timedelta(days=1),
            after=day + timedelta(days=1),
        )

    return await _shown(desk, request, _SHED, work)


async def _shade(desk: Desk, request: Request) -> Response:
    def work(session: Session, token: Token) -> Response:
        try:
            found = shade_calendars(session)
        except Fault as fault:
            return _page("refused.html", 403, message=str(fault), next=fault.next)
        strips = [strip(one) for one in found]
        return _page("shade.html", strips=strips, site=site(session), caution=CAUTION)

    return await _shown(desk, request, _SHED, work)


async def _week(desk: Desk, request: Request) -> Response:
    week = _given_week(request)
    if week is None:
        return _no_such("week", request.path_params["week"], "/week/2027-W14")

    def work(session: Session, token: Token) -> Response:
        return _page(
            "week.html",
            sheet=week_sheet(session, week),
            site=site(session),
            monday=week.monday(),
            sunday=week.sunday(),
            before=week - 1,
            after=week + 1,
        )

    return await _shown(desk, request, _LEAD, work)


async def _sheets(desk: Desk, request: Request) -> Response:
    week = _given_week(request)
    if week is None:
        return _no_such("week", request.path_params["week"], "/week/2027-W14/sheets")

    def work(session: Session, token: Token) -> Response:
        found = rota(session, week)
        return _page("sheets.html", found=found, site=site(session), week=week, after=week + 1)

    return await _shown(desk, request, _LEAD, work)


async def _level(desk: Desk, request: Request) -> Response:
    week = _given_week(request)
    if week is None:
        return _no_such("week", request.path_params["week"], "/week/2027-W14/sheets")
    may = await _shown(
        desk, request, _LEAD, lambda session, token: RedirectResponse(f"/week/{week}/sheets", 303)
    )
    if may.status_code == 303:
        limits = Limits(_SECONDS, threads=1)
        try:
            await desk.in_thread(lambda: keep_rota(desk.db, week, limits))
        except Fault as fault:
            return _page("refused.html", 403, message=str(fault), next=fault.next)
    return may


async def _benches_now(desk: Desk, request: Request) -> Response:
    return await _shown(
        desk,
        request,
        _LEAD,
        lambda session, token: RedirectResponse(f"/benches/{Week.of(today(session))}"),
    )


async def _benches(desk: Desk, request: Request) -> Response:
    week = _given_week(request)
    if week is None:
        return _no_such("week", request.path_params["week"], "/benches/2027-W14")

    def work(session: Session, token: Token) -> Response:
        day = today(session)
        found = bench_map(session, week, MAP_WEEKS + max(0, week - Week.of(day)))
        drawn = pictures(found, day)
        return _page(
            "benches.html",
            found=found,
            areas=[(area, list(some)) for area, some in groupby(drawn, lambda one: one.row.area)],
            site=site(session),
            before=week - 4 if week - 4 >= Week.of(day) else None,
            after=week + 4,
        )

    return await _shown(desk, request, _LEAD, work)


def _given_week(request: Request) -> Week | None:
    try:
        return Week.parse(request.path_params["week"])
    except Fault:
        return None


async def _shown(
    desk: Desk,
    request: Request,
    roles: tuple[Role, ...],
    work: Callable[[Session, Token], Response],
) -> Response:
    """The page that the work makes, or the way to the login, or why not."""
    secret = bearer(request.headers.get("authorization")) or request.cookies.get(COOKIE)
    found = await desk.in_thread(partial(read_now, Context(desk, secret), roles, work))
    if not isinstance(found, Refusal):
        return found
    if found.code == "UNAUTHENTICATED" and request.method == "GET":
        return RedirectResponse(f"/login?next={quote(request.url.path)}", 303, _HEADERS)
    return _page("refused.html", 403, message=found.message, next=found.next)


def _day(request: Request) -> date | None:
    try:
        return date.fromisoformat(request.path_params["day"])
    except ValueError:
        return None


def _no_such(what: str, given: str, example: str) -> Response:
    message = f"There is no {what} {given!r}"
    return _page("refused.html", 404, message=message, next=f"write it as in {example}")
