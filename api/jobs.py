"""How does a plan get solved while the API goes on answering? In a process of its own.

What a job says stands in the database (`nursery.plan_job`), so that any server process can watch
it and stop it, and so that a server that starts again says "was cut off" rather than nothing. Who
carries a job out depends on the database: on SQLite the server that was asked, on PostgreSQL
whichever server process takes it from the queue (`api.queue`). One job of a kind runs at a time.
"""

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Protocol
from uuid import uuid4

import orjson
from sqlalchemy import event
from sqlalchemy.exc import IntegrityError
from sqlmodel import Session, col, delete, select

from api.carrying import MADE, REFUSAL, Carrier, Task, was_cut_off
from nursery.database import clock, open_database
from nursery.errors import Refusal, Refused
from nursery.plan_job import JobKind, JobState, PlanJob
from nursery.planning.tasks import Made

__all__ = ["JobState", "Jobs", "Report", "Task"]

_KEPT = 100
SILENT_SECONDS = 30.0
"""A running job of which nothing was heard for so long was cut off."""


@dataclass(frozen=True)
class Report:
    """What is known of a job: the best cost so far, a proven bound, its steps, what was stored."""

    id: str
    kind: str
    state: JobState
    seconds: float = 0.0
    cost: int | None = None
    bound: int | None = None
    steps_done: int | None = None
    steps: int | None = None
    made: Made | None = None
    refusal: Refusal | None = None


class Runner(Protocol):
    """Whatever sees to it that a job is carried out once its transaction has committed."""

    def hand_over(self, session: Session, kind: str, id: str) -> None: ...

    def open(self) -> None: ...

    def close(self) -> None: ...


class Jobs:
    """The jobs of one nursery, as one server process sees them."""

    def __init__(self, address: str, tasks: Mapping[str, Task]) -> None:
        self._db = open_database(address)
        self._carrier = Carrier(self._db, tasks)
        self._runner: Runner = _Here(self._carrier)
        if not self._db.is_sqlite:
            from api.queue import Queue  # needs the extra `postgres`

            self._runner = Queue(self._db, self._carrier)

    def open(self) -> None:
        """Begins to carry jobs out; until then they wait."""
        self._runner.open()

    def close(self) -> None:
        """Ends the jobs that this process carries out: asked to stop, then made to."""
        self._carrier.stop()
        self._runner.close()
        self._db.close()

    def start(self, session: Session, kind: str, arguments: Mapping[str, Any]) -> Report:
        """Which job was started? It begins when the session's transaction has committed.

        Raises Refused ("JOB_RUNNING") while one of the kind runs, whichever process runs it.
        """
        _cut_off(session)
        query = select(PlanJob).where(PlanJob.kind == kind, PlanJob.state == JobState.RUNNING)
        if session.exec(query).first() is not None:
            raise _busy(kind)
        _forget_old(session)
        at = clock(session)
        row = PlanJob(
            id=uuid4().hex,
            kind=JobKind(kind),
            arguments=orjson.dumps(dict(arguments)).decode(),
            started_at=at,
            told_at=at,
        )
        session.add(row)
        try:
            session.flush()
        except IntegrityError:  # somebody else asked at the same moment
            raise _busy(kind) from None
        self._runner.hand_over(session, kind, row.id)
        return _report(row)

    def report(self, session: Session, id: str) -> Report | None:
        """How far is this job? None where nobody started it, or where it ended long ago."""
        row = session.get(PlanJob, id)
        if row is None:
            return None
        if row.state is JobState.RUNNING and row.told_at < clock(session) - _silent():
            with self._db.writing() as writing:
                _cut_off(writing)
                row = writing.get(PlanJob, id) or row
        return _report(row)

    def cancel(self, id: str, keep_best: bool) -> Report | None:
        """What becomes of a job that should end now? With `keep_best` it stores its best plan."""
        with self._db.writing() as session:
            _cut_off(session)
            row = session.get(PlanJob, id, with_for_update=True)
            if row is not None and row.state is JobState.RUNNING:
                if row.made is not None:  # too late: its plan is stored
                    row.state = JobState.DONE
                elif keep_best:
                    row.stop_asked = True
                else:
                    row.state, row.told_at = JobState.CANCELLED, clock(session)
                session.add(row)
        return None if row is None else _report(row)


class _Here:
    """Jobs are carried out by the process that was asked, each watched by a thread."""

    def __init__(self, carrier: Carrier) -> None:
        self._carrier = carrier
        self._threads: list[threading.Thread] = []

    def hand_over(self, session: Session, kind: str, id: str) -> None:
        def begin(_: Session) -> None:
            watcher = threading.Thread(target=self._carrier.carry_out, args=(id,), daemon=True)
            self._threads = [each for each in self._threads if each.is_alive()]
            self._threads.append(watcher)
            watcher.start()

        event.listen(session, "after_commit", begin, once=True)

    def open(self) -> None:
        """Nothing waits: a job begins when it is asked for."""

    def close(self) -> None:
        for each in self._threads:
            each.join()


def _report(row: PlanJob) -> Report:
    return Report(
        id=row.id,
        kind=row.kind.value,
        state=row.state,
        seconds=max(0.0, (row.told_at - row.started_at).total_seconds()),
        cost=row.cost,
        bound=row.bound,
        steps_done=row.steps_done,
        steps=row.steps,
        made=None if row.made is None else MADE.validate_json(row.made),
        refusal=None if row.refusal is None else REFUSAL.validate_json(row.refusal),
    )


def _silent() -> timedelta:
    return timedelta(seconds=SILENT_SECONDS)


def _cut_off(session: Session) -> None:
    """Jobs of which nothing is heard any more have failed, and say why.

    One whose plan was stored already is done: only the word of it was cut off.
    """
    query = select(PlanJob).where(
        PlanJob.state == JobState.RUNNING, col(PlanJob.told_at) < clock(session) - _silent()
    )
    for row in session.exec(query.with_for_update(skip_locked=True)):
        if row.made is None:
            row.state, row.refusal = JobState.FAILED, REFUSAL.dump_json(was_cut_off()).decode()
        else:
            row.state = JobState.DONE
        session.add(row)
    session.flush()


def _forget_old(session: Session) -> None:
    ended = select(PlanJob.id).where(PlanJob.state != JobState.RUNNING)
    old = list(session.exec(ended.order_by(col(PlanJob.told_at).desc()).offset(_KEPT)))
    if old:
        session.exec(delete(PlanJob).where(col(PlanJob.id).in_(old)))


def _busy(kind: str) -> Refused:
    message = f"A {kind} plan is being made already"
    if kind == JobKind.RELIEF:
        message = "What would help is being asked already"
    return Refused(Refusal("JOB_RUNNING", message, None, "wait for it, or cancel it"))
