"""The packer's pages: the pick sheet, slips with care cards, and the parcels on the table.

What is done is recorded where it is read. Every form carries a key of its own, so that a tap sent
twice by a bad signal is recorded once, and says the same again.
"""

from collections.abc import Callable
from datetime import date, timedelta
from functools import partial
from secrets import token_urlsafe
from typing import Any
from urllib.parse import quote

from sqlmodel import Session
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute

from api.context import Desk, write_now
from api.pages.showing import (
    HEADERS,
    SHED,
    asking,
    given_day,
    no_such,
    page,
    posted,
    refused,
    route,
    shown,
)
from api.refusals import Refusal
from nursery.access import Token
from nursery.database import site, today
from nursery.errors import Fault
from nursery.order import PromiseLine
from nursery.promising.idempotent import answered
from nursery.shed.care import care_cards
from nursery.shed.handover import hand_over, not_collected, pack_parcel
from nursery.shed.parcels import Step, parcels_on, to_pack
from nursery.shed.pick_sheet import pick_sheet, print_sheet
from nursery.shed.picking import record_found
from nursery.shed.wraps_taken import wrap_names
from nursery.stock import Lot

_EXAMPLE = "2027-03-02"
REASONS = ("fewer there", "wilted or damaged", "not rooted through", "other plants there",
           "pest or disease seen")  # fmt: skip
"""Why fewer are picked than the sheet says: common practice, no source."""
_SICK = REASONS[-1]
_WRAP = "wrap "
"""Before a product's code: the name of a field that says in which wrap it was packed."""
_Form = dict[str, str]


def routes(desk: Desk) -> list[BaseRoute]:
    """The packer's pages of this server."""
    at = partial(route, desk)
    return [
        at("/picks", partial(_today, "picks"), "GET"),
        at("/picks/{day}", _picks, "GET"),
        at("/picks/{day}/print", _print, "POST"),
        at("/picks/{day}/stop", _stop, "POST"),
        at("/parcels", partial(_today, "parcels"), "GET"),
        at("/parcels/{day}", _parcels, "GET"),
        at("/parcels/{day}/{step}", _step, "POST"),
        at("/cards", partial(_today, "cards"), "GET"),
        at("/cards/{day}", _cards, "GET"),
    ]


async def _today(what: str, desk: Desk, request: Request) -> Response:
    return await shown(
        desk, request, SHED, lambda session, token: RedirectResponse(f"/{what}/{today(session)}")
    )


async def _picks(desk: Desk, request: Request) -> Response:
    return await _of_day(
        desk,
        request,
        "picks",
        lambda session, day: {"sheet": pick_sheet(session, day), "reasons": REASONS},
    )


async def _parcels(desk: Desk, request: Request) -> Response:
    def found(session: Session, day: date) -> dict[str, Any]:
        parcels = parcels_on(session, day)
        steps = {step: [one for one in parcels if one.next is step] for step in Step}
        wraps = wrap_names(session)
        return {"steps": steps, "step": Step, "many": len(parcels), "wraps": wraps}

    return await _of_day(desk, request, "parcels", found)


async def _cards(desk: Desk, request: Request) -> Response:
    def found(session: Session, day: date) -> dict[str, Any]:
        slips = to_pack(session, day)
        codes = {line.product_code for slip in slips for line in slip.lines}
        cards = care_cards(session, codes)
        with_cards = [(slip, [cards[line.product_code] for line in slip.lines]) for slip in slips]
        return {"parcels": with_cards}

    return await _of_day(desk, request, "cards", found)


async def _of_day(
    desk: Desk,
    request: Request,
    name: str,
    found: Callable[[Session, date], dict[str, Any]],
) -> Response:
    """The page of this name for the day in the address, with what was just done at its head."""
    day = given_day(request)
    if day is None:
        return no_such("day", request.path_params["day"], f"/{name}/{_EXAMPLE}")

    def work(session: Session, token: Token) -> Response:
        done = answered(session, token.id or 0, request.query_params.get("done", ""))
        return page(
            f"{name}.html",
            **found(session, day),
            site=site(session),
            day=day,
            today=today(session),
            before=day - timedelta(days=1),
            after=day + timedelta(days=1),
            new_key=partial(token_urlsafe, 12),
            done=(done or {}).get("answer", ()),
        )

    return await shown(desk, request, SHED, work)


async def _print(desk: Desk, request: Request) -> Response:
    day = given_day(request)
    if day is None:
        return no_such("day", request.path_params["day"], f"/picks/{_EXAMPLE}")

    def work(session: Session, token: Token) -> Response:
        with desk.db.writing() as writing:
            print_sheet(writing, day, token.name)
        return RedirectResponse(f"/picks/{day}", 303, HEADERS)

    return await shown(desk, request, SHED, work)


async def _stop(desk: Desk, request: Request) -> Response:
    return await _recorded(desk, request, "picks", "pick at a stop", _record_stop)


async def _step(desk: Desk, request: Request) -> Response:
    step = request.path_params["step"]
    record = _STEPS.get(step)
    if record is None:
        return no_such("step", step, f"/parcels/{_EXAMPLE}/pack")
    return await _recorded(desk, request, "parcels", f"parcel: {step}", record)


async def _recorded(
    desk: Desk,
    request: Request,
    name: str,
    operation: str,
    record: Callable[[Session, _Form, str], list[str]],
) -> Response:
    """Records what the form says, once for its key; then the day's page, or why not."""
    day = given_day(request)
    if day is None:
        return no_such("day", request.path_params["day"], f"/{name}/{_EXAMPLE}")
    form = await posted(request)
    key = form.pop("key", "")

    def act(session: Session, token: Token) -> list[str]:
        return record(session, form, token.name)

    body = {"operation": operation, **form}
    found = await desk.in_thread(lambda: write_now(asking(desk, request), SHED, key, body, act))
    if isinstance(found, Refusal):
        return refused(request, found, 409, f"/{name}/{day}")
    return RedirectResponse(f"/{name}/{day}?done={quote(key)}", 303, HEADERS)


def _record_stop(session: Session, form: _Form, actor: str) -> list[str]:
    """Picks what was found at a stop for its orders, the first of them first. What to say of it."""
    lot = session.get(Lot, _whole(form, "lot"))
    parts = _parts(form.get("parts", ""))
    if lot is None:
        raise Fault("Stop", "its lot is not in the books", form["lot"], "open the sheet anew")
    listed, found = sum(parts.values()), _whole(form, "found")
    if found > listed:
        rule = f"at most the {listed} plugs that the sheet lists are picked"
        raise Fault("Plugs found", rule, found, "leave the rest on the bench, and count it later")
    left, said, shorts = found, [], []
    for line_id, wanted in parts.items():
        line = session.get(PromiseLine, line_id)
        if line is None:
            raise Fault("Stop", "one of its orders is gone", line_id, "open the sheet anew")
        one = record_found(
            session, line, lot, wanted, min(left, wanted), actor, form.get("reason", "")
        )
        left -= one.picked
        if one.recount:
            said.append("The books had fewer than you picked: count this place again, please")
        if one.missing:
            then = f": {one.short.says}" if one.short else ""
            shorts.append(f"Order {one.order_reference} lacks {one.missing} plugs{then}")
    said.insert(0, f"{lot.batch.code}: {found} of {listed} plugs picked")
    if found < listed and form.get("reason") == _SICK:
        said.append(f"Move no plants of {lot.batch.code} or beside it, and call the lead now")
    return said + shorts


def _packed(session: Session, form: _Form, actor: str) -> list[str]:
    """Packed, in the wraps that were chosen on the page; the slip's stand chosen there."""
    taken = {
        name.removeprefix(_WRAP): wrap
        for name, wrap in form.items()
        if name.startswith(_WRAP) and wrap
    }
    key, checked = _whole(form, "promise"), form.get("checked", "").strip()
    promise = pack_parcel(session, key, actor, checked, taken)
    wraps = ", ".join(f"{code} in {wrap}" for code, wrap in taken.items())
    return [f"Order {promise.order.reference} is packed" + (f": {wraps}" if wraps else "")]


def _handed_over(session: Session, form: _Form, actor: str) -> list[str]:
    promise = hand_over(session, _whole(form, "promise"), form.get("tracking", ""), actor)
    return [f"Order {promise.order.reference} is handed over: {promise.tracking}"]


def _left_behind(session: Session, form: _Form, actor: str) -> list[str]:
    text = form.get("repack_by", "")
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise Fault("Pack again by", "must be a day", text, "write it as 2027-03-30") from None
    promise = not_collected(session, _whole(form, "promise"), day, actor)
    return [f"Order {promise.order.reference} was left behind: pack it again by {day}"]


_STEPS = {"pack": _packed, "hand-over": _handed_over, "left-behind": _left_behind}


def _whole(form: _Form, name: str) -> int:
    text = form.get(name, "").strip()
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise Fault(name.capitalize(), "must be a whole number", text, "go back and type it again")
    return int(text)


def _parts(text: str) -> dict[int, int]:
    """By promise line (id): the plugs listed at a stop. Raises `Fault` for what is no such list."""
    try:
        pairs = [part.split(":") for part in text.split(",")]
        parts = {int(line): int(plugs) for line, plugs in pairs}
    except ValueError:
        parts = {}
    if not parts or min(parts.values()) < 1:
        raise Fault("Stop", "its list of orders cannot be read", text, "open the sheet anew")
    return parts
