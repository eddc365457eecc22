"""What does `nursery demo` do? The whole job once, on an invented nursery, nothing stubbed."""

import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import asdict
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import orjson
from sqlmodel import Session, col, select

from nursery.access import Role
from nursery.database import Database, open_database, today
from nursery.dispatching.dispatch import DispatchReport, plan_dispatch
from nursery.order import Promise, State
from nursery.planning.plan_report import PlanReport
from nursery.planning.propagation import Limits, accept_plan, plan_propagation
from nursery.shed.pick_sheet import PickSheet, pick_sheet
from seed_demo.baskets import baskets
from seed_demo.build import build, read_tokens
from seed_demo.sent import send_again
from seed_demo.shop import as_quote, ask
from seed_demo.story import tell

WEEKS = 26
_DISPATCH_SECONDS = 5.0
_QUOTE_DAYS = 45
_ACTOR = "Imke"

Serve = Callable[[Database], AbstractContextManager[str]]
"""Starts the real server on a database and gives its address for as long as a block lasts."""


def run_demo(
    serve: Serve,
    folder: Path | None = None,
    seed: int = 1,
    seconds: float = 20.0,
    as_json: bool = False,
    threads: int = 2,
) -> dict[str, Any]:
    """How does the whole job look? Builds, plans, dispatches, quotes over HTTP, prints picks.

    `seconds` bounds the propagation plan's solve. The database stays in `folder`, or goes with a
    temporary one. Prints the story, or one JSON object, and returns that object. Raises `Fault`
    where the folder holds a nursery already.
    """
    began = time.monotonic()
    with _kept(folder) as where:
        path = build(where, seed)
        db = open_database(str(path))
        try:
            plan = _plan(db, seconds, threads)
            dispatch = plan_dispatch(db, Limits(_DISPATCH_SECONDS, threads), _ACTOR)
            with db.writing() as session:
                send_again(session)
            quotes = _quotes(db, serve, read_tokens(where)[Role.SHOP])
            with db.reading() as session:
                sheet = pick_sheet(session, _next_ship_day(session))
        finally:
            db.close()
        found = _as_mapping(plan, dispatch, quotes, sheet)
        if as_json:
            sys.stdout.write(orjson.dumps(found, option=orjson.OPT_INDENT_2).decode() + "\n")
        else:
            tell(plan, dispatch, quotes, sheet, folder, time.monotonic() - began)
    return found


@contextmanager
def _kept(folder: Path | None) -> Iterator[Path]:
    if folder is not None:
        yield folder
        return
    with tempfile.TemporaryDirectory(prefix="nursery-demo-") as made:
        yield Path(made)


def _plan(db: Database, seconds: float, threads: int) -> PlanReport:
    report = plan_propagation(db, WEEKS, Limits(seconds, threads), _ACTOR)
    with db.writing() as session:
        accept_plan(session, report.version, _ACTOR)
    return report


def _quotes(db: Database, serve: Serve, secret: str) -> list[dict[str, Any]]:
    with db.reading() as session:
        until = today(session) + timedelta(days=_QUOTE_DAYS)
        asked = baskets(session)
    with serve(db) as base_url:
        return [as_quote(basket, ask(base_url, secret, basket, until)) for basket in asked]


def _next_ship_day(session: Session) -> date:
    """Which is the first day after today on which a promised parcel leaves? Else tomorrow."""
    after = today(session)
    query = select(col(Promise.ship_on)).where(
        col(Promise.ship_on) > after, col(Promise.state) == State.CONFIRMED
    )
    return session.exec(query.order_by(col(Promise.ship_on))).first() or after + timedelta(days=1)


def _as_mapping(
    plan: PlanReport,
    dispatch: DispatchReport,
    quotes: list[dict[str, Any]],
    sheet: PickSheet,
) -> dict[str, Any]:
    return {
        "plan": {
            "cost": plan.cost,
            "bound": plan.bound,
            "gap": plan.gap,
            "backward_cost": plan.backward_cost,
            "weeks": plan.weeks,
            "starts": len(plan.starts),
            "unmet": plan.unmet_plugs,
        },
        "dispatch": {
            "orders": dispatch.orders,
            "dispatched": dispatch.dispatched,
            "late": dispatch.late,
            "cost": dispatch.cost,
            "bound": dispatch.bound,
            "first_come_cost": dispatch.first_come_cost,
        },
        "quotes": quotes,
        "pick_sheet": [
            {"ship_day": sheet.ship_day.isoformat(), **asdict(pick)} for pick in sheet.picks
        ],
    }
