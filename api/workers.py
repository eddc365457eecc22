"""Several server processes that share one PostgreSQL and one port."""

import os

import uvicorn
from starlette.applications import Starlette

from api.app import create_app
from nursery.database import Database, open_database
from nursery.errors import Fault
from nursery.settings import read_settings


def serve_many(db: Database, host: str, port: int, workers: int) -> None:
    """Serves with so many processes until stopped (Ctrl-C); one that dies is started again.

    Each reads its settings from the environment. Raises `Fault` for fewer than one, and for
    SQLite: its writers wait for each other, so that more processes would serve no more shops.
    """
    if workers < 1:
        raise Fault("Workers", "must be at least 1", workers, "give another number")
    if db.is_sqlite and workers > 1:
        rule = "must be 1 with SQLite, which lets one process write at a time"
        raise Fault("Workers", rule, workers, "serve with one, or move to PostgreSQL")
    os.environ["NURSERY_DATABASE"] = db.address
    uvicorn.run(
        "api.workers:made",
        factory=True,
        workers=workers,
        host=host,
        port=port,
        access_log=False,
        log_level="warning",
        ws="websockets-sansio",
        ws_max_size=read_settings().max_body_bytes,
    )


def made() -> Starlette:
    """Which application does one of the processes serve? That of NURSERY_DATABASE."""
    settings = read_settings()
    return create_app(open_database(settings.database), settings=settings)
