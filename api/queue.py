"""Who carries a job out where several server processes share one PostgreSQL? The queue decides.

Jobs wait in Procrastinate's tables, in a schema of their own beside the nursery's, and are put
there by the transaction that writes the job's row. Every server process takes jobs from the queue;
a lock for each kind lets one of a kind run at a time at a site. The queue holds nothing that
`plan_job` does not know: its schema is made anew when the library's tables change.
"""

import asyncio
import logging
import threading
from collections.abc import Callable
from contextlib import suppress
from importlib.metadata import version

from procrastinate import App, PsycopgConnector, SyncPsycopgConnector
from procrastinate.jobs import Status
from procrastinate.schema import SchemaManager
from sqlalchemy import make_url, text
from sqlmodel import Session

from api.carrying import Carrier
from nursery.database import Database

log = logging.getLogger("nursery.api")
_TASK = "plan"
_AT_A_TIME = 2
_STALLED_SECONDS = 30
_FREE_SECONDS = 10.0
_AGAIN_SECONDS = 2.0
_GRACE_SECONDS = 20.0
_MAKING = 5_302_741  # the advisory lock under which the queue's tables are made


class Queue:
    """Hands jobs to the queue, and carries out those that it gives to this process."""

    def __init__(self, db: Database, carrier: Carrier) -> None:
        self._db, self._carrier = db, carrier
        self._handing = App(connector=SyncPsycopgConnector(conninfo=_conninfo(db)))
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._ended: asyncio.Event | None = None
        self._ready = threading.Event()
        self._schema = ""

    def hand_over(self, session: Session, kind: str, id: str) -> None:
        """The job waits in the queue from the moment at which this transaction commits."""
        self._prepare()
        connection = session.connection()
        _search(connection.exec_driver_sql, self._schema)
        driver = connection.connection.driver_connection
        lock = f"site: {kind}"
        self._handing.configure_task(_TASK, lock=lock, connection=driver).defer(id=id)

    def open(self) -> None:
        """Begins to take jobs from the queue."""
        self._prepare()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()), daemon=True)
        self._thread.start()
        self._ready.wait()

    def close(self) -> None:
        """Takes no more jobs; returns when those of this process have ended."""
        if self._thread is None or self._loop is None or self._ended is None:
            return
        self._loop.call_soon_threadsafe(self._ended.set)
        self._thread.join()

    def _prepare(self) -> None:
        """Makes the queue's tables where there are none, or those of another version."""
        if self._schema:
            return
        with self._db.writer.begin() as connection:
            run = connection.exec_driver_sql
            run(f"SELECT pg_advisory_xact_lock({_MAKING})")
            schema = str(run("SELECT current_schema()").scalar_one()) + "_queue"
            wanted = f"Procrastinate {version('procrastinate')}"
            found = connection.execute(
                text(
                    "SELECT obj_description(oid, 'pg_namespace') FROM pg_namespace"
                    " WHERE nspname = :schema"
                ),
                {"schema": schema},
            ).scalar()
            if found != wanted:
                run(f'DROP SCHEMA IF EXISTS "{schema}" CASCADE')
                run(f'CREATE SCHEMA "{schema}"')
                run(f"COMMENT ON SCHEMA \"{schema}\" IS '{wanted}'")
                _search(run, schema)
                driver = connection.connection.driver_connection
                assert driver is not None
                driver.execute(SchemaManager.get_schema().encode())
        self._schema = schema

    async def _serve(self) -> None:
        self._loop, self._ended = asyncio.get_running_loop(), asyncio.Event()
        self._ready.set()
        while not self._ended.is_set():
            try:
                await self._take_jobs(self._ended)
            except Exception:
                log.exception("The queue of jobs does not answer; tried again soon")
                with suppress(TimeoutError):
                    await asyncio.wait_for(self._ended.wait(), _AGAIN_SECONDS)

    async def _take_jobs(self, ended: asyncio.Event) -> None:
        """Carries out what the queue gives, until `ended`; raises where the queue fails."""
        options = f"-c search_path={self._schema}"
        connector = PsycopgConnector(
            conninfo=_conninfo(self._db), kwargs={"options": options}, min_size=1, max_size=5
        )
        app = App(connector=connector)

        @app.task(name=_TASK)
        async def plan(id: str) -> None:
            await asyncio.to_thread(self._carrier.carry_out, id)

        async with app.open_async():
            worker = asyncio.create_task(
                app.run_worker_async(
                    concurrency=_AT_A_TIME,
                    install_signal_handlers=False,
                    delete_jobs="always",
                    shutdown_graceful_timeout=_GRACE_SECONDS,
                    stalled_worker_timeout=_STALLED_SECONDS,
                )
            )
            freeing = asyncio.create_task(_free_stalled(app))
            stop = asyncio.create_task(ended.wait())
            everything = (worker, freeing, stop)
            await asyncio.wait(everything, return_when=asyncio.FIRST_COMPLETED)
            for each in everything:
                each.cancel()
            await asyncio.gather(*everything, return_exceptions=True)
        for each in (worker, freeing):
            if not each.cancelled() and (wrong := each.exception()) is not None:
                raise wrong


async def _free_stalled(app: App) -> None:
    """Jobs of servers that are no more let their lock go; their rows say that they were cut off."""
    while True:
        for job in await app.job_manager.get_stalled_jobs(seconds_since_heartbeat=_STALLED_SECONDS):
            with suppress(Exception):  # another process was first
                await app.job_manager.finish_job(job, Status.FAILED, delete_job=True)
        await asyncio.sleep(_FREE_SECONDS)


def _conninfo(db: Database) -> str:
    plain = make_url(db.address).set(drivername="postgresql")
    return plain.render_as_string(hide_password=False)


def _search(run: Callable[[str], object], schema: str) -> None:
    """Names without a schema mean the queue's first, for the rest of this transaction."""
    run(
        f"SELECT set_config('search_path', '\"{schema}\",' || current_setting('search_path'), true)"
    )
