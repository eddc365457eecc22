"""How is the nursery served? One ASGI application, made by `create_app`, run by `serve`."""

import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import uvicorn
from anyio import CapacityLimiter, create_task_group, sleep, to_thread
from sqlmodel import col, select
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse
from starlette.routing import BaseRoute, Route, WebSocketRoute

from api.context import Desk
from api.erasing import keep_erasing
from api.forecasts import keep_pulling
from api.ids import global_id
from api.jobs import Jobs
from api.listening import Listeners
from api.pages import routes
from api.schema import make_schema
from api.view import View
from nursery.database import Database, now, site
from nursery.errors import Fault
from nursery.order import Promise, State
from nursery.planning.tasks import TASKS
from nursery.promising.group_commit import GroupCommit
from nursery.promising.promise import lapse
from nursery.settings import Settings
from nursery.telling.sending import Sender

LAPSE_SECONDS = 5.0
"""How long after a reservation ran out the shop may hear of it."""

log = logging.getLogger("nursery.api")


def create_app(db: Database, *, settings: Settings | None = None) -> Starlette:
    """Which application serves this database? GraphQL at /graphql, its state at /health,
    pages for the packer at /picks and for the lead at /week.

    The database must be migrated; it stays open when the application ends.
    """
    allowed = settings or Settings()
    jobs, threads = Jobs(db.address, TASKS), CapacityLimiter(allowed.threads)
    listeners = Listeners(allowed.subscriptions_a_token)
    desk = Desk(db, allowed, jobs, threads, GroupCommit(db), listeners)
    view = View(make_schema(allowed), desk)

    async def health(request: Request) -> JSONResponse:
        word = await desk.in_thread(lambda: _health(db))
        return JSONResponse({"status": word}, 200 if word == "ok" else 503)

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        await to_thread.run_sync(desk.jobs.open)
        try:
            async with create_task_group() as tasks:
                tasks.start_soon(_write_down_lapses, desk)
                tasks.start_soon(keep_erasing, db)
                if allowed.forecast_minutes > 0:
                    tasks.start_soon(keep_pulling, db, allowed)
                tasks.start_soon(_sender(db, allowed).run)
                yield
                tasks.cancel_scope.cancel()
        finally:
            await to_thread.run_sync(desk.writer.close)
            await to_thread.run_sync(desk.jobs.close)

    served: list[BaseRoute] = [
        Route("/graphql", view),
        WebSocketRoute("/graphql", view),
        Route("/health", health, methods=["GET"]),
        *routes(desk),
    ]
    return Starlette(routes=served, lifespan=lifespan, max_body_size=allowed.max_body_bytes)


async def _write_down_lapses(desk: Desk) -> None:
    """Lets the shop hear of reservations that ran out. Bookkeeping: they count for nothing."""
    while True:
        try:
            await desk.in_thread(lambda: _lapse(desk.db))
        except Exception:
            log.exception("Lapsed reservations could not be written down; tried again soon")
        await sleep(LAPSE_SECONDS)


def _sender(db: Database, settings: Settings) -> Sender:
    return Sender(
        db,
        global_id,
        hosts=settings.receiver_hosts,
        poll_seconds=settings.poll_seconds,
        authorities=settings.receiver_authorities,
    )


def _lapse(db: Database) -> None:
    with db.reading() as session:
        due = session.exec(
            select(Promise.id).where(
                Promise.state == State.RESERVED, col(Promise.reserved_until) <= now(session)
            )
        ).first()
    if due is not None:
        with db.writing() as session:
            lapse(session)


def _health(db: Database) -> str:
    """Does the database answer, and is there a nursery in it?"""
    try:
        with db.reading() as session:
            site(session)
    except Fault:
        return "no nursery loaded"
    except Exception:
        log.exception("The database does not answer")
        return "the database does not answer"
    return "ok"


def serve(
    db: Database, host: str = "127.0.0.1", port: int = 8000, *, settings: Settings | None = None
) -> None:
    """Serves until stopped (Ctrl-C). Without an access log, which costs as much as a request."""
    app = create_app(db, settings=settings)
    uvicorn.run(
        app,
        host=host,
        port=port,
        access_log=False,
        log_level="warning",
        ws="websockets-sansio",
        ws_max_size=settings.max_body_bytes if settings else Settings().max_body_bytes,
    )
