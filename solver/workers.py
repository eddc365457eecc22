"""How are several linear models solved at once? Worker processes that take one task at a time.

A worker is a fresh Python that runs `python -m solver.workers`, so that it depends neither on how
the caller's program was started nor on a fork after a solver has run (a fork after the first
HiGHS call fails silently). It ignores Ctrl-C, ends when its pipe is closed, and answers every
task with a result or with the error that the task met.
"""

from __future__ import annotations

import os
import pickle
import selectors
import struct
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO

_LENGTH = struct.Struct("!Q")


class WorkerError(RuntimeError):
    """A worker process ended or met an error; the message says which."""


@dataclass
class Worker:
    """One worker process and the ticket of the task that it is at."""

    process: subprocess.Popen[bytes]
    ticket: Any = None
    busy: bool = False


@dataclass
class Workers:
    """A few worker processes that share one context object, which each makes once.

    `module` must have `start(context) -> state` and the functions named in tasks, which are called
    as `function(state, *arguments)`. Use it as a context manager.
    """

    module: str
    context: Any
    number: int
    _workers: list[Worker] = field(default_factory=list)

    def __enter__(self) -> Workers:
        environment = dict(os.environ)
        environment["PYTHONPATH"] = os.pathsep.join(path or str(Path.cwd()) for path in sys.path)
        for _ in range(self.number):
            process = subprocess.Popen(
                [sys.executable, "-m", "solver.workers"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                env=environment,
                start_new_session=True,
            )
            worker = Worker(process)
            self._workers.append(worker)
            _send(_stdin(worker), (self.module, self.context))
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for worker in self._workers:
            worker.process.kill()
        for worker in self._workers:
            worker.process.wait()
            for pipe in (worker.process.stdin, worker.process.stdout):
                if pipe is not None:
                    try:
                        pipe.close()
                    except BrokenPipeError:
                        continue
        self._workers.clear()

    def idle(self) -> int:
        """How many workers have no task?"""
        return sum(not worker.busy for worker in self._workers)

    def busy(self) -> int:
        """How many workers are at a task?"""
        return len(self._workers) - self.idle()

    def give(self, ticket: Any, function: str, *arguments: Any) -> None:
        """Gives a task to an idle worker. Raises WorkerError where none is idle."""
        worker = next((one for one in self._workers if not one.busy), None)
        if worker is None:
            raise WorkerError("No worker is idle; take a result first")
        worker.ticket, worker.busy = ticket, True
        _send(_stdin(worker), (function, arguments))

    def take(self, seconds: float) -> list[tuple[Any, Any]]:
        """Results that arrive within some seconds, as (ticket, result); maybe none."""
        with selectors.DefaultSelector() as selector:
            for worker in self._workers:
                if worker.busy:
                    selector.register(_stdout(worker), selectors.EVENT_READ, worker)
            events = selector.select(max(0.0, seconds))
        return [_result(key.data) for key, _ in events]


def _result(worker: Worker) -> tuple[Any, Any]:
    answer = _receive(_stdout(worker))
    if answer is None:
        raise WorkerError(f"A worker process ended with status {worker.process.wait()}")
    good, value = answer
    if not good:
        raise WorkerError(f"A worker process met an error: {value}")
    worker.busy = False
    return worker.ticket, value


def _stdin(worker: Worker) -> BinaryIO:
    assert worker.process.stdin is not None
    return worker.process.stdin  # type: ignore[return-value]


def _stdout(worker: Worker) -> BinaryIO:
    assert worker.process.stdout is not None
    return worker.process.stdout  # type: ignore[return-value]


def _send(pipe: BinaryIO, value: Any) -> None:
    data = pickle.dumps(value, protocol=pickle.HIGHEST_PROTOCOL)
    try:
        pipe.write(_LENGTH.pack(len(data)) + data)
        pipe.flush()
    except BrokenPipeError as fault:
        raise WorkerError("A worker process ended before it took its task") from fault


def _receive(pipe: BinaryIO) -> Any:
    head = pipe.read(_LENGTH.size)
    if len(head) < _LENGTH.size:
        return None
    (length,) = _LENGTH.unpack(head)
    return pickle.loads(pipe.read(length))


def _work() -> None:
    """Takes tasks from standard input until it is closed. What a solver prints is dropped."""
    tasks = sys.stdin.buffer
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    first = _receive(tasks)
    if first is None:
        return
    name, context = first
    module = import_module(name)
    state = module.start(context)
    while (task := _receive(tasks)) is not None:
        function, arguments = task
        _send(answers, _answer(getattr(module, function), state, arguments))


def _answer(function: Callable[..., Any], state: Any, arguments: tuple[Any, ...]) -> Any:
    try:
        return True, function(state, *arguments)
    except Exception as fault:
        return False, f"{type(fault).__name__}: {fault}"


if __name__ == "__main__":
    try:
        _work()
    except WorkerError:
        sys.exit(0)
