"""Which page answers which address?"""

from functools import partial
from itertools import groupby

from sqlmodel import Session
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response
from starlette.routing import BaseRoute

from api.context import Context, Desk, read_now
from api.pages import packing_table
from api.pages.bench_picture import pictures
from api.pages.shade_strip import strip
from api.pages.showing import COOKIE, HEADERS, HERE, SHED, no_such, page, posted, route, shown
from api.refusals import Refusal
from nursery.access import Role, Token
from nursery.database import site, today
from nursery.dispatching.days_ahead import DAYS, days_ahead, shut_days
from nursery.errors import Fault
from nursery.growing.shade_calendar import CAUTION, shade_calendars
from nursery.planning.bench_map import WEEKS as MAP_WEEKS
from nursery.planning.bench_map import Limits, bench_map
from nursery.week.rota import keep_rota, rota
from nursery.week.warnings import warnings
from nursery.week.week_sheet import week_sheet
from nursery.weeks import Week

_LEAD = (Role.LEAD,)
_SECONDS = 5.0
"""How long a rota is levelled while the lead waits for it."""


def routes(desk: Desk) -> list[BaseRoute]:
    """The pages of this server."""

    at = partial(route, desk)
    return [
        at("/", _home, "GET"),
        at("/login", _login_form, "GET"),
        at("/login", _log_in, "POST"),
        at("/logout", _log_out, "POST"),
        at("/style.css", _style, "GET"),
        *packing_table.routes(desk),
        at("/shade", _shade, "GET"),
        at("/days", _days, "GET"),
        at("/warnings", _warnings, "GET"),
        at("/week", _week_now, "GET"),
        at("/week/{week}", _week, "GET"),
        at("/week/{week}/sheets", _sheets, "GET"),
        at("/week/{week}/sheets", _level, "POST"),
        at("/benches", _benches_now, "GET"),
        at("/benches/{week}", _benches, "GET"),
    ]


async def _home(desk: Desk, request: Request) -> Response:
    return page("home.html")


async def _style(desk: Desk, request: Request) -> Response:
    return FileResponse(HERE / "style.css", media_type="text/css")


async def _login_form(desk: Desk, request: Request) -> Response:
    return page("login.html", next=_inside(request.query_params.get("next", "/")), wrong=False)


async def _log_in(desk: Desk, request: Request) -> Response:
    form = await posted(request)
    secret = form.get("token", "").strip()
    to = _inside(form.get("next", "/"))
    known = await desk.in_thread(
        lambda: read_now(Context(desk, secret), tuple(Role), lambda session, token: token.name)
    )
    if isinstance(known, Refusal):
        return page("login.html", 401, next=to, wrong=True)
    answer = RedirectResponse(to, 303, HEADERS)
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
    answer = RedirectResponse("/login", 303, HEADERS)
    answer.delete_cookie(COOKIE)
    return answer


def _inside(path: str) -> str:
    """A path of this server, never another site's address."""
    plain = path.startswith("/") and not path.startswith("//") and "\\" not in path
    return path if plain and path.isprintable() else "/"


async def _week_now(desk: Desk, request: Request) -> Response:
    return await shown(
        desk,
        request,
        _LEAD,
        lambda session, token: RedirectResponse(f"/week/{Week.of(today(session))}"),
    )


async def _shade(desk: Desk, request: Request) -> Response:
    def work(session: Session, token: Token) -> Response:
        try:
            found = shade_calendars(session)
        except Fault as fault:
            return page("refused.html", 403, message=str(fault), next=fault.next, back="")
        strips = [strip(one) for one in found]
        return page("shade.html", strips=strips, site=site(session), caution=CAUTION)

    return await shown(desk, request, SHED, work)


async def _days(desk: Desk, request: Request) -> Response:
    asked = request.query_params.get("days", f"{DAYS}")
    span = int(asked) if asked.isascii() and asked.isdigit() and len(asked) < 4 else 0

    def work(session: Session, token: Token) -> Response:
        try:
            found = days_ahead(session, span)
        except Fault as fault:
            return page("refused.html", 404, message=str(fault), next=fault.next, back="/days")
        return page(
            "days.html",
            days=found,
            why=shut_days(found),
            moves=[one for each in found for one in each.must_move],
            span=span,
            site=site(session),
        )

    return await shown(desk, request, _LEAD, work)


async def _warnings(desk: Desk, request: Request) -> Response:
    def work(session: Session, token: Token) -> Response:
        found = groupby(warnings(session), lambda one: one.urgency)
        groups = [(urgency, list(some)) for urgency, some in found]
        return page("warnings.html", groups=groups, site=site(session), day=today(session))

    return await shown(desk, request, _LEAD, work)


async def _week(desk: Desk, request: Request) -> Response:
    week = _given_week(request)
    if week is None:
        return no_such("week", request.path_params["week"], "/week/2027-W14")

    def work(session: Session, token: Token) -> Response:
        return page(
            "week.html",
            sheet=week_sheet(session, week),
            site=site(session),
            monday=week.monday(),
            sunday=week.sunday(),
            before=week - 1,
            after=week + 1,
        )

    return await shown(desk, request, _LEAD, work)


async def _sheets(desk: Desk, request: Request) -> Response:
    week = _given_week(request)
    if week is None:
        return no_such("week", request.path_params["week"], "/week/2027-W14/sheets")

    def work(session: Session, token: Token) -> Response:
        found = rota(session, week)
        return page("sheets.html", found=found, site=site(session), week=week, after=week + 1)

    return await shown(desk, request, _LEAD, work)


async def _level(desk: Desk, request: Request) -> Response:
    week = _given_week(request)
    if week is None:
        return no_such("week", request.path_params["week"], "/week/2027-W14/sheets")
    may = await shown(
        desk, request, _LEAD, lambda session, token: RedirectResponse(f"/week/{week}/sheets", 303)
    )
    if may.status_code == 303:
        limits = Limits(_SECONDS, threads=1)
        try:
            await desk.in_thread(lambda: keep_rota(desk.db, week, limits))
        except Fault as fault:
            return page("refused.html", 403, message=str(fault), next=fault.next, back="")
    return may


async def _benches_now(desk: Desk, request: Request) -> Response:
    return await shown(
        desk,
        request,
        _LEAD,
        lambda session, token: RedirectResponse(f"/benches/{Week.of(today(session))}"),
    )


async def _benches(desk: Desk, request: Request) -> Response:
    week = _given_week(request)
    if week is None:
        return no_such("week", request.path_params["week"], "/benches/2027-W14")

    def work(session: Session, token: Token) -> Response:
        day = today(session)
        found = bench_map(session, week, MAP_WEEKS + max(0, week - Week.of(day)))
        drawn = pictures(found, day)
        return page(
            "benches.html",
            found=found,
            areas=[(area, list(some)) for area, some in groupby(drawn, lambda one: one.row.area)],
            site=site(session),
            before=week - 4 if week - 4 >= Week.of(day) else None,
            after=week + 4,
        )

    return await shown(desk, request, _LEAD, work)


def _given_week(request: Request) -> Week | None:
    try:
        return Week.parse(request.path_params["week"])
    except Fault:
        return None
