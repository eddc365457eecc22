"""Two people at the same moment: the second waits for what the first has locked, then goes on."""

import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

from sqlmodel import Session, text

from nursery.database import Database

T = TypeVar("T")
S = TypeVar("S")


def until_it_waits(db: Database, held: Session, other: Future[T]) -> bool:
    """Does the other one wait for what `held` has locked? Returns once it does, or has ended.

    On SQLite whoever writes waits for the whole file, so that nothing need be looked for.
    """
    if db.is_sqlite:
        return True
    waits = text("SELECT count(*) FROM pg_locks WHERE NOT granted")
    while not other.done():
        if held.connection().execute(waits).scalar_one():
            return True
        time.sleep(0.01)
    return False


def one_after_the_other(
    db: Database, first: Callable[[Session], T], second: Callable[[Session], S]
) -> tuple[T, Future[S]]:
    """What do both get, if the second begins when the first has written and not yet committed?"""

    def late() -> S:
        with db.writing() as session:
            return second(session)

    with ThreadPoolExecutor(1) as thread:
        with db.writing() as session:
            got = first(session)
            other = thread.submit(late)
            until_it_waits(db, session, other)
        other.exception()
    return got, other
