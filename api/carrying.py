"""How is a job carried out? By a process of its own, which its carrier watches and may stop.

The process is started fresh (spawned), told what to do, and reports over a pipe. The carrier
writes what it hears into the job's row, and reads there whether the job should end. The process
ends with its carrier, whatever ended that. A plan is stored only while the row says that the job
runs, and the row says with the same commit that it was stored.
"""

import logging
import os
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from multiprocessing import get_context, parent_process
from multiprocessing.connection import Connection, wait
from multiprocessing.synchronize import Event
from typing import Any

import orjson
from pydantic import TypeAdapter
from sqlalchemy import event
from sqlalchemy.exc import SQLAlchemyError
from sqlmodel import Session

from nursery.database import Database, clock, open_database
from nursery.errors import Fault, Refusal, Refused
from nursery.plan_job import JobState, PlanJob
from nursery.planned import PlanVersion
from nursery.planning.tasks import Made

log = logging.getLogger("nursery.api")
_LOOK_SECONDS = 0.25
_TELL_SECONDS = 2.0
_AGAIN_SECONDS = 0.5
_PATIENCE_SECONDS = 10.0

Task = Callable[..., Made]
"""A task takes a database, arguments, `tell` and `stop` (`nursery.planning.tasks`)."""
MADE: TypeAdapter[Made] = TypeAdapter(Made)
REFUSAL: TypeAdapter[Refusal] = TypeAdapter(Refusal)


class Carrier:
    """Carries jobs out for one server process, each in a process of its own."""

    def __init__(self, db: Database, tasks: Mapping[str, Task]) -> None:
        self._db = db
        self._tasks = tasks
        self._stopping = threading.Event()

    def stop(self) -> None:
        """Asks every job to end with the best that it has; soon they are made to."""
        self._stopping.set()

    def carry_out(self, id: str) -> None:
        """Does this job, and returns when it has ended. A job that was cancelled is not begun."""
        with self._db.reading() as session:
            row = session.get(PlanJob, id)
        if row is None or row.state is not JobState.RUNNING:
            return
        context = get_context("spawn")
        ours, theirs = context.Pipe(duplex=False)
        stop = context.Event()
        arguments = orjson.loads(row.arguments)
        given = (self._tasks[row.kind.value], self._db.address, id, arguments, theirs, stop)
        process = context.Process(target=_run, args=given, daemon=True)
        process.start()
        theirs.close()
        try:
            self._watch(id, ours, stop)
        finally:
            process.kill()
            process.join()
            ours.close()

    def _watch(self, id: str, pipe: Connection, stop: Event) -> None:
        """Writes down what is heard, until the job has ended or its row says that it has."""
        last, until = 0.0, 0.0
        news: dict[str, Any] = {}
        while True:
            news |= _heard(pipe)
            if self._stopping.is_set():
                stop.set()
                until = until or time.monotonic() + _PATIENCE_SECONDS
                if time.monotonic() > until and "state" not in news:
                    news |= {"state": JobState.FAILED, "refusal": _text(was_cut_off())}
            if not news and time.monotonic() < last + _TELL_SECONDS:
                if self._asked(id, stop):
                    continue
                return
            try:
                if not self._tell(id, news, stop) or "state" in news:
                    return
            except SQLAlchemyError:
                log.exception("What job %s says could not be written down; tried again", id)
                time.sleep(_AGAIN_SECONDS)
                if self._stopping.is_set() and time.monotonic() > until:
                    return
            else:
                last, news = time.monotonic(), {}

    def _asked(self, id: str, stop: Event) -> bool:
        """Does the job's row let it go on? Passes a wish to stop on."""
        with self._db.reading() as session:
            row = session.get(PlanJob, id)
        return _goes_on(row, stop)

    def _tell(self, id: str, news: dict[str, Any], stop: Event) -> bool:
        with self._db.writing() as session:
            row = session.get(PlanJob, id, with_for_update=True)
            if not _goes_on(row, stop):
                return False
            assert row is not None
            for name, value in news.items():
                setattr(row, name, value)
            row.told_at = clock(session)
            session.add(row)
        return True


def _goes_on(row: PlanJob | None, stop: Event) -> bool:
    if row is not None and row.stop_asked:
        stop.set()
    return row is not None and row.state is JobState.RUNNING


def _heard(pipe: Connection) -> dict[str, Any]:
    """What has the job's process said in the last moment? As columns of its row."""
    news: dict[str, Any] = {}
    try:
        wait = _LOOK_SECONDS
        while "state" not in news and pipe.poll(wait):
            news |= pipe.recv()
            wait = 0.0
    except (EOFError, OSError):
        log.error("A job ended without a word")
        news["state"] = JobState.FAILED
    return news


def was_cut_off() -> Refusal:
    """What is said of a job whose server stopped?"""
    message = "The plan was cut off: the server stopped while it was being made"
    return Refusal("CUT_OFF", message, None, "plan again")


def _text(refusal: Refusal) -> str:
    return REFUSAL.dump_json(refusal).decode()


def _run(
    task: Task, address: str, id: str, arguments: dict[str, Any], pipe: Connection, stop: Event
) -> None:
    """The job's own process: does the task and says how it went."""
    threading.Thread(target=_end_with_the_carrier, daemon=True).start()
    db = open_database(address)
    keeping = replace(db, writing=partial(storing, db, id))

    def tell(
        cost: int | None = None,
        bound: int | None = None,
        steps_done: int | None = None,
        steps: int | None = None,
    ) -> None:
        pipe.send({"cost": cost, "bound": bound, "steps_done": steps_done, "steps": steps})

    try:
        made = task(keeping, arguments, tell, stop)
        pipe.send({"state": JobState.DONE, "made": MADE.dump_json(made).decode()})
    except Refused as refused:
        pipe.send({"state": JobState.REFUSED, "refusal": _text(refused.refusal)})
    except Fault as fault:
        refusal = Refusal("INVALID", f"{fault.thing}: {fault.rule}", None, fault.next)
        pipe.send({"state": JobState.REFUSED, "refusal": _text(refusal)})
    except Exception:
        log.exception("A job failed")
        pipe.send({"state": JobState.FAILED})
    finally:
        pipe.close()
        db.close()


def _end_with_the_carrier() -> None:
    """Nobody hears any more what this process says: it ends, and stores nothing."""
    carrier = parent_process()
    assert carrier is not None
    wait([carrier.sentinel])
    os._exit(1)


@contextmanager
def storing(db: Database, id: str) -> Iterator[Session]:
    """A writing transaction of a job: with it the job's row says which plan was stored.

    Raises Refused where the row says that the job has ended: cut off, or cancelled.
    """
    with db.writing() as session:
        row = session.get(PlanJob, id, with_for_update=True)
        if row is None or row.state is not JobState.RUNNING:
            raise Refused(was_cut_off())

        def say(session: Session, _: object) -> None:
            for plan in session.new:
                if isinstance(plan, PlanVersion):
                    stored.append(plan.version)

        stored: list[int] = []
        event.listen(session, "after_flush", say)
        yield session
        session.flush()
        if stored:
            row.made = MADE.dump_json(Made(stored[-1])).decode()
            session.add(row)
