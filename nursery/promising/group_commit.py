"""How are many requests made durable with one commit? One writer takes what waits, all at once.

A commit costs a write to the disk, and on PostgreSQL whoever waits for a contended pool waits for
the commits of all before. So one thread of the process gathers the requests that wait, does them
in one transaction (`promising.group_batch`) and answers them after the commit. A crash in between
loses no answer: it is stored under the request's key, and the retry finds it.
"""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Sequence
from concurrent.futures import Future
from types import TracebackType

from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlmodel import Session

from nursery.database import Database
from nursery.errors import Refusal, Refused
from nursery.promising.group_batch import Outcome, Request, answer_all
from nursery.promising.group_books import Books
from nursery.promising.idempotent import Answer, refuse_bad_key

log = logging.getLogger("nursery.promising")

_STARTED_AGAIN = frozenset({"40001", "40P01"})
"""PostgreSQL: two transactions stood in each other's way, and this one was given up."""


class GroupCommit:
    """The writer of one process: `answer(request)`, or `submit(request)` for a future.

    `waiting` bounds the queue and `together` the requests of one commit. The thread starts with
    the first request. Use as a context manager, or `close()` it: what waits is still answered.
    """

    def __init__(self, db: Database, waiting: int = 1024, together: int = 128) -> None:
        self._db, self._waiting, self._together = db, waiting, together
        self._queue: deque[tuple[Request, Future[Answer]]] = deque()
        self._changed = threading.Condition()
        self._closed = False
        self._thread: threading.Thread | None = None
        self._connection: Connection | None = None
        self._books = Books()

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
        with self._changed:
            if self._closed:
                raise Refused(_CLOSING)
            if len(self._queue) >= self._waiting:
                raise Refused(_busy(len(self._queue)))
            self._queue.append((request, future))
            if self._thread is None:
                # A daemon: an application that nobody closes must not keep its process from
                # ending. What was not committed by then was not acknowledged either.
                self._thread = threading.Thread(
                    target=self._write, name="nursery-writer", daemon=True
                )
                self._thread.start()
            self._changed.notify()
        return future

    def answer(self, request: Request) -> Answer:
        """What is this request answered? Waits for the commit; raises as `submit` says."""
        return self.submit(request).result()

    def close(self) -> None:
        """Take no more requests, answer those that wait, and end."""
        with self._changed:
            self._closed = True
            self._changed.notify()
        if self._thread is not None:
            self._thread.join()

    def _write(self) -> None:
        while waiting := self._next():
            # A request that was given up before it began is not done at all.
            live = [each for each in waiting if each[1].set_running_or_notify_cancel()]
            if live:
                outcomes = self._done([request for request, _ in live])
                for (_, future), outcome in zip(live, outcomes, strict=True):
                    _tell(future, outcome)
        self._let_go()

    def _next(self) -> list[tuple[Request, Future[Answer]]]:
        """What waits now; nothing once the writer is closed and everything is answered."""
        with self._changed:
            while not self._queue and not self._closed:
                self._changed.wait()
            count = min(len(self._queue), self._together)
            return [self._queue.popleft() for _ in range(count)]

    def _done(self, requests: Sequence[Request]) -> Sequence[Outcome]:
        """Do them in one transaction; if that cannot be, alone or not at all."""
        try:
            return self._in_one(requests)
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
            return self._in_one([request])
        except Exception as wrong:
            self._books.forget()
            self._let_go()
            return [wrong]

    def _in_one(self, requests: Sequence[Request]) -> list[Outcome]:
        if self._connection is None:
            self._connection = self._db.writer.connect()
        with (
            Session(self._connection, expire_on_commit=False) as session,
            session.begin(),
        ):
            return answer_all(session, self._books, requests)

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
    if isinstance(wrong, IntegrityError):
        return True
    state = getattr(getattr(wrong, "orig", None), "sqlstate", None)
    return state in _STARTED_AGAIN


def _is_the_databases(wrong: Exception) -> bool:
    """Would each request alone meet the same trouble: a full disk, no connection?"""
    return isinstance(wrong, DBAPIError) and not _may_be_tried_again(wrong)


def _busy(waiting: int) -> Refusal:
    message = f"{waiting} requests wait to be written already"
    return Refusal("busy", message, None, "busy, try again: send it with the same key in a second")


_CLOSING = Refusal(
    "closing", "The server is being stopped", None, "try again: send it with the same key"
)
