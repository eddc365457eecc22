"""The real server for as long as a block lasts: for the demo, and for tests."""

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import uvicorn

from api.app import create_app
from nursery.database import Database
from nursery.errors import Fault
from nursery.settings import Settings


@contextmanager
def running(db: Database, settings: Settings | None = None) -> Iterator[str]:
    """At which address does this database's server answer? On a free port of this machine.

    It has stopped when the block ends. Raises `Fault` where it cannot start.
    """
    server = uvicorn.Server(
        uvicorn.Config(
            create_app(db, settings=settings),
            port=0,
            access_log=False,
            log_level="error",
            ws="websockets-sansio",
        )
    )
    thread = threading.Thread(target=server.run, name="nursery-server")
    thread.start()
    try:
        while not server.started:
            if not thread.is_alive():
                raise Fault("Server", "must start", "stopped at once", "see the log above")
            time.sleep(0.01)
        yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join()
