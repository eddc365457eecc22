"""A real server for tests: uvicorn in a thread, on a free port of this machine."""

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import uvicorn
from sqlmodel import select

from api.app import create_app
from nursery.access import Role, make_token
from nursery.database import Database, now
from nursery.order import Product
from nursery.settings import Settings
from tests.builders import small_nursery


@contextmanager
def serving(db: Database, settings: Settings | None = None) -> Iterator[str]:
    """The address of a server of this database, for as long as the block lasts."""
    app = create_app(db, settings=settings)
    config = uvicorn.Config(
        app, port=0, access_log=False, log_level="error", ws="websockets-sansio"
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        while not server.started:
            assert thread.is_alive()
            time.sleep(0.01)
        port = server.servers[0].sockets[0].getsockname()[1]
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        thread.join()


def tokens(db: Database) -> dict[Role, str]:
    """A small nursery in the database, and a token for each of the three people."""
    with db.writing() as session:
        small_nursery(session)
        for product in session.exec(select(Product)):
            # March has frost: these plants stand it, so that a test sees the rules it is about.
            product.frost_limit_c = -25.0
            session.add(product)
        return {role: make_token(session, f"the {role.value}", role, now(session)) for role in Role}
