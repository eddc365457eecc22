"""How does a plan get solved while the API goes on answering? In a worker process of its own.

The process is started fresh (spawned), told what to do, and reports over a pipe. One job of a kind
runs at a time. What a job reports lives in the memory of the server that started it: with several
API workers, ask the one that answered.
"""

import logging
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from multiprocessing import get_context
from multiprocessing.connection import Connection
from multiprocessing.synchronize import Event
from typing import Any
from uuid import uuid4

from nursery.database import open_database
from nursery.errors import Fault, Refusal, Refused
from nursery.planning.tasks import Made

log = logging.getLogger("nursery.api")
_KEPT = 100
_PATIENCE_SECONDS = 10.0


class JobState(StrEnum):
    """How far is a job?"""

    RUNNING = "running"
    DONE = "done"
    REFUSED = "refused"
    FAILED = "failed"
    CANCELLED = "cancelled"


@dataclass(frozen=True)
class Report:
    """What is known of a job: the best cost so far, a proven bound, what was stored."""

    id: str
    kind: str
    state: JobState
    started: float
    seconds: float = 0.0
    cost: int | None = None
    bound: int | None = None
    made: Made | None = None
    refusal: Refusal | None = None


Tell = Callable[[int | None, int | None], None]
Task = Callable[..., Made]
"""A task takes a database, arguments, `tell(cost, bound)` and `stop`."""


class Jobs:
    """The jobs of one server."""

    def __init__(self, address: str, tasks: Mapping[str, Task]) -> None:
        self._address = address
        self._tasks = tasks
        self._reports: dict[str, Report] = {}
        self._stops: dict[str, Event] = {}
        self._processes: dict[str, Any] = {}
        self._lock = threading.Lock()

    def start(self, kind: str, arguments: Mapping[str, Any]) -> Report:
        """Which job was started? Raises Refused ("JOB_RUNNING") while one of the kind runs."""
        with self._lock:
            for report in self._reports.values():
                if report.kind == kind and report.state is JobState.RUNNING:
                    raise _busy(kind)
            self._forget_old()
            return self._spawn(kind, arguments)

    def report(self, id: str) -> Report | None:
        """How far is this job? None where this server started no such job."""
        return self._reports.get(id)

    def cancel(self, id: str, keep_best: bool) -> Report | None:
        """What becomes of a job that should end now? With `keep_best` it stores its best plan."""
        report = self._reports.get(id)
        if report is not None and report.state is JobState.RUNNING:
            self._stops[id].set()
            if not keep_best:
                self._note(id, state=JobState.CANCELLED)
                self._processes[id].kill()
        return self._reports.get(id)

    def close(self) -> None:
        """Ends every job; those that run are asked to stop, then made to."""
        for stop in self._stops.values():
            stop.set()
        until = time.monotonic() + _PATIENCE_SECONDS
        for process in self._processes.values():
            process.join(max(0.0, until - time.monotonic()))
            if process.is_alive():
                process.kill()
                process.join()

    def _spawn(self, kind: str, arguments: Mapping[str, Any]) -> Report:
        context = get_context("spawn")
        ours, theirs = context.Pipe(duplex=False)
        stop = context.Event()
        id = uuid4().hex
        task = self._tasks[kind]
        process = context.Process(
            target=_run, args=(task, self._address, dict(arguments), theirs, stop), daemon=True
        )
        report = Report(id, kind, JobState.RUNNING, time.monotonic())
        self._reports[id], self._stops[id], self._processes[id] = report, stop, process
        process.start()
        theirs.close()
        threading.Thread(target=self._listen, args=(id, ours), daemon=True).start()
        return report

    def _listen(self, id: str, pipe: Connection) -> None:
        while True:
            try:
                self._note(id, **pipe.recv())
            except (EOFError, OSError):
                break
        self._processes[id].join()
        if self._reports[id].state is JobState.RUNNING:
            log.error("Job %s ended without a word", id)
            self._note(id, state=JobState.FAILED)

    def _note(self, id: str, **news: Any) -> None:
        with self._lock:
            report = self._reports[id]
            if report.state is JobState.RUNNING:
                seconds = time.monotonic() - report.started
                self._reports[id] = replace(report, seconds=seconds, **news)

    def _forget_old(self) -> None:
        over = [id for id, one in self._reports.items() if one.state is not JobState.RUNNING]
        for id in over[: max(0, len(over) - _KEPT)]:
            for known in (self._reports, self._stops, self._processes):
                known.pop(id)


def _busy(kind: str) -> Refused:
    message = f"A {kind} plan is being made already"
    return Refused(Refusal("JOB_RUNNING", message, None, "wait for it, or cancel it"))


def _run(
    task: Task, address: str, arguments: dict[str, Any], pipe: Connection, stop: Event
) -> None:
    """The worker process: does the task and says how it went."""
    db = open_database(address)

    def tell(cost: int | None, bound: int | None) -> None:
        pipe.send({"cost": cost, "bound": bound})

    try:
        made = task(db, arguments, tell, stop)
        pipe.send({"state": JobState.DONE, "made": made})
    except Refused as refused:
        pipe.send({"state": JobState.REFUSED, "refusal": refused.refusal})
    except Fault as fault:
        refusal = Refusal("INVALID", f"{fault.thing}: {fault.rule}", None, fault.next)
        pipe.send({"state": JobState.REFUSED, "refusal": refusal})
    except Exception:
        log.exception("A job failed")
        pipe.send({"state": JobState.FAILED})
    finally:
        pipe.close()
        db.close()
