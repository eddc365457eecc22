"""How are many requests made durable with one commit? One writer takes what waits, all at once.

A commit costs a write to the disk, and on PostgreSQL whoever waits for a contended pool waits for
the commits of all before. So one thread of the process gathers the requests that wait, does them
in one transaction (`promising.group_batch`) and answers them after the commit. A crash in between
loses no answer: it is stored under the request's key, and the retry finds it.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Sequence
from concurrent.futures import Future
from dataclasses import replace
from queue import SimpleQueue
from types import TracebackType
from typing import TypeAlias

from sqlalchemy import Connection
from sqlalchemy.exc import DataError, DBAPIError, IntegrityError
from sqlmodel import Session

from nursery.database import Database, was_overtaken
from nursery.errors import Refusal, Refused
from nursery.promising.group_batch import Outcome, Request, answer_all
from nursery.promising.group_books import Books
from nursery.promising.idempotent import Answer, refuse_bad_key
from nursery.promising.promise_rows import NotThatDay

log = logging.getLogger("nursery.promising")

_Waiting: TypeAlias = tuple[Request, Future[Answer]]
_A_MOMENT = 50e-6
"""Seconds that are waited for more requests: less than a commit takes."""


def answered(
    db: Database,
    books: Books,
    requests: Sequence[Request],
    connection: Connection | None = None,
) -> list[Outcome]:
    """What is each of these answered, now that it has been committed?

    All in one transaction, on this connection or a new one of the writer. Where a day cannot be had
    and others may be, those are looked for after it, with no lock held, and the refusals with them
    are stored by a second one. A crash in between has stored nothing under those keys and answered
    nobody; if the same key was answered meanwhile by another process, that answer is the one.
    Raises what the database raises.
    """
    outcomes = _in_one(db, books, requests, connection)
    late = [i for i, outcome in enumerate(outcomes) if isinstance(outcome, NotThatDay)]
    if late:
        refused = _with_options(db, requests, outcomes, late)
        for i, outcome in zip(late, _in_one(db, books, refused, connection), strict=True):
            outcomes[i] = outcome
    return outcomes


def _in_one(
    db: Database, books: Books, requests: Sequence[Request], connection: Connection | None
) -> list[Outcome]:
    bind = connection if connection is not None else db.writer
    with Session(bind, expire_on_commit=False) as session, session.begin():
        return answer_all(session, books, requests)


def _with_options(
    db: Database, requests: Sequence[Request], outcomes: Sequence[Outcome], late: Sequence[int]
) -> list[Request]:
    found = []
    with db.reading() as session:
        for i in late:
            refused = outcomes[i]
            assert isinstance(refused, NotThatDay)
            found.append(replace(requests[i], refusal=refused.with_options(session)))
    return found


class GroupCommit:
    """The writer of one process: `answer(request)`, or `submit(request)` for a future.

    `waiting` bounds the queue and `together` the requests of one commit. The thread starts with
    the first request. Use as a context manager, or `close()` it: what waits is still answered.
    """

    def __init__(self, db: Database, waiting: int = 1024, together: int = 128) -> None:
        self._db, self._waiting, self._together = db, waiting, together
        self._queue: SimpleQueue[_Waiting | None] = SimpleQueue()
        self._lock = threading.Lock()
        self._closed = False
        self._thread: threading.Thread | None = None
        self._connection: Connection | None = None
        self._books = Books()
        self._expected = 1

    def __enter__(self) -> GroupCommit:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        wrong: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def submit(self, request: Request) -> Future[Answer]:
        """When will this be answered? A future, done only after the commit.

        Its result is the answer, a stored refusal as {"refusal": {...}}; it raises Refused
        `key_reused`, or what went wrong. Raises Refused at once: `bad_key`, `busy` (the queue is
        full), `closing`; nothing was done then, and nothing is stored under the key.
        """
        refuse_bad_key(request.key)
        future: Future[Answer] = Future()
        with self._lock:
            if self._closed:
                raise Refused(_CLOSING)
            if self._queue.qsize() >= self._waiting:
                raise Refused(_busy(self._queue.qsize()))
            self._queue.put((request, future))
            if self._thread is None:
                # A daemon: an application that nobody closes must not keep its process from
                # ending. What was not committed by then was not acknowledged either.
                self._thread = threading.Thread(
                    target=self._write, name="nursery-writer", daemon=True
                )
                self._thread.start()
        return future

    def answer(self, request: Request) -> Answer:
        """What is this request answered? Waits for the commit; raises as `submit` says."""
        return self.submit(request).result()

    def close(self) -> None:
        """Take no more requests, answer those that wait, and end."""
        with self._lock:
            if not self._closed:
                self._closed = True
                self._queue.put(None)
        if self._thread is not None:
            self._thread.join()

    def _write(self) -> None:
        while waiting := self._next():
            # A request that was given up before it began is not done at all.
            live = [each for each in waiting if each[1].set_running_or_notify_cancel()]
            if live:
                outcomes = self._done([request for request, _ in live])
                self._expected = len(live) + self._queue.qsize()
                for (_, future), outcome in zip(live, outcomes, strict=True):
                    _tell(future, outcome)
        self._let_go()

    def _next(self) -> list[_Waiting]:
        """What waits now; nothing once the writer is closed and everything is answered."""
        first = self._queue.get()
        if first is None:
            return []
        self._gather()
        found = [first]
        while len(found) < self._together and not self._queue.empty():
            another = self._queue.get()
            if another is None:
                self._queue.put(None)  # nothing comes after it: to be seen the next time
                break
            found.append(another)
        return found

    def _gather(self) -> None:
        """Let those whom the last commit answered ask again, as long as more of them do.

        They would else go with the commit after the next, each time in two halves.
        """
        had, most = 0, min(self._expected, self._together)
        while had < (waiting := self._queue.qsize() + 1) < most:
            had = waiting
            time.sleep(_A_MOMENT)

    def _done(self, requests: Sequence[Request]) -> Sequence[Outcome]:
        """Do them in one transaction; if that cannot be, alone or not at all."""
        try:
            return self._at_once(requests)
        except Exception as wrong:
            self._books.forget()
            self._let_go()
            if len(requests) > 1 and not _is_the_databases(wrong):
                log.warning("A group is done one by one: %s", wrong)
                return [self._done([request])[0] for request in requests]
            if len(requests) == 1 and _may_be_tried_again(wrong):
                return self._once_more(requests[0])
            return [wrong] * len(requests)

    def _once_more(self, request: Request) -> Sequence[Outcome]:
        """Somebody else was first (with this key, or this order): now they are to be seen."""
        try:
            return self._at_once([request])
        except Exception as wrong:
            self._books.forget()
            self._let_go()
            return [wrong]

    def _at_once(self, requests: Sequence[Request]) -> list[Outcome]:
        if self._connection is None:
            self._connection = self._db.writer.connect()
        return answered(self._db, self._books, requests, self._connection)

    def _let_go(self) -> None:
        """Give the connection back: another one may be better."""
        connection, self._connection = self._connection, None
        if connection is None:
            return
        try:
            connection.close()
        except Exception:
            log.warning("A connection could not be given back", exc_info=True)


def _tell(future: Future[Answer], outcome: Outcome) -> None:
    if isinstance(outcome, Exception):
        future.set_exception(outcome)
    else:
        future.set_result(outcome)


def _may_be_tried_again(wrong: Exception) -> bool:
    return isinstance(wrong, IntegrityError) or was_overtaken(wrong)


def _is_the_databases(wrong: Exception) -> bool:
    """Would each request alone meet the same trouble: a full disk, no connection?

    A value that the database cannot hold is the trouble of the one request that brought it.
    """
    if isinstance(wrong, DataError):
        return False
    return isinstance(wrong, DBAPIError) and not _may_be_tried_again(wrong)


def _busy(waiting: int) -> Refusal:
    message = f"{waiting} requests wait to be written already"
    return Refusal("busy", message, None, "busy, try again: send it with the same key in a second")


_CLOSING = Refusal(
    "closing", "The server is being stopped", None, "try again: send it with the same key"
)
