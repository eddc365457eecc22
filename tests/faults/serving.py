"""Real server processes that can be killed, and a network that can be cut."""

from __future__ import annotations

import http.client
import os
import select
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

PATIENCE_SECONDS = 60.0


class Servers:
    """So many `nursery serve` processes on one database, each on its own port."""

    def __init__(self, nest: subprocess.Popen[str], address: str, log: Path, many: int) -> None:
        self._nest, self.address, self._log = nest, address, log
        self.ports = [_free_port() for _ in range(many)]
        self._pids: dict[int, int] = {}
        self.most_bytes = 0
        """The longest file that servers started from now on may write; 0 for no limit."""

    def start(self, place: int) -> None:
        """Starts the server of this place; it answers a moment later."""
        order = f"{self.ports[place]} {self.address} {self._log} {self.most_bytes}\n"
        assert self._nest.stdin is not None and self._nest.stdout is not None
        self._nest.stdin.write(order)
        self._nest.stdin.flush()
        self._pids[place] = int(self._nest.stdout.readline())

    def kill(self, place: int) -> None:
        """kill -9, if it runs, and waits until it is gone."""
        pid = self._pids.pop(place, None)
        if pid is None:
            return
        with suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
        until = time.monotonic() + PATIENCE_SECONDS
        while Path(f"/proc/{pid}/stat").exists() and time.monotonic() < until:
            time.sleep(0.002)

    def pid(self, place: int) -> int:
        """Under which number does the server of this place run?"""
        return self._pids[place]

    def wait(self) -> None:
        """Until every server answers that it is well. Raises RuntimeError with its log."""
        until = time.monotonic() + PATIENCE_SECONDS
        for port in self.ports:
            while not _is_well(port):
                if time.monotonic() > until:
                    raise RuntimeError(f"no server answers: {self._log.read_text()[-3000:]}")
                time.sleep(0.01)

    def stop(self) -> None:
        """Ends all of them."""
        for place in list(self._pids):
            self.kill(place)


@contextmanager
def servers(address: str, folder: Path, many: int = 2) -> Iterator[Servers]:
    """So many servers of this database, answering; none is left afterwards."""
    with subprocess.Popen(
        [sys.executable, "-m", "tests.faults.nest"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as nest:
        assert nest.stdout is not None and nest.stdin is not None
        nest.stdout.readline()
        running = Servers(nest, address, folder / "servers.log", many)
        try:
            for place in range(many):
                running.start(place)
            running.wait()
            yield running
        finally:
            running.stop()
            nest.stdin.close()


class Wire:
    """A way to a server on this machine that can be cut and mended: `port` leads to `to`.

    `lost` counts the answers that it lost when told to.
    """

    def __init__(self, to: int) -> None:
        self.lost = 0
        self._losing: bytes | None = None
        self._to, self._open, self._cut = to, True, False
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self._lock = threading.Lock()
        self._door = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._door.getsockname()[1])
        self._thread = threading.Thread(target=self._take)
        self._thread.start()

    def cut(self) -> None:
        """Every connection is broken off, and none is taken any more."""
        with self._lock:
            self._cut = True
            for pair in self._pairs:
                for end in pair:
                    with suppress(OSError):
                        end.shutdown(socket.SHUT_RDWR)
            self._pairs.clear()

    def mend(self) -> None:
        """Connections are taken again."""
        self._cut = False

    def lose_the_answer_to(self, words: bytes) -> None:
        """The next request with these words arrives, and its answer is cut off on its way back."""
        with self._lock:
            self._losing = words

    def close(self) -> None:
        """Takes the wire away."""
        self._open = False
        self.cut()
        self._thread.join()
        self._door.close()

    def _take(self) -> None:
        while self._open:
            if not select.select([self._door], [], [], 0.05)[0]:
                continue
            here, _ = self._door.accept()
            with self._lock:
                if self._cut:
                    here.close()
                    continue
                there = socket.create_connection(("127.0.0.1", self._to))
                self._pairs.append((here, there))
            mute = threading.Event()
            for carry in (self._carry_requests, self._carry_answers):
                threading.Thread(target=carry, args=(here, there, mute), daemon=True).start()

    def _carry_requests(
        self, here: socket.socket, there: socket.socket, mute: threading.Event
    ) -> None:
        with suppress(OSError):
            while data := here.recv(65536):
                with self._lock:
                    if self._losing is not None and self._losing in data:
                        self._losing = None
                        mute.set()
                there.sendall(data)
        _break_off(here, there)

    def _carry_answers(
        self, here: socket.socket, there: socket.socket, mute: threading.Event
    ) -> None:
        with suppress(OSError):
            while data := there.recv(65536):
                if mute.is_set():  # it was answered, and nobody hears it
                    self.lost += 1
                    break
                here.sendall(data)
        _break_off(here, there)


def _break_off(here: socket.socket, there: socket.socket) -> None:
    for end in (here, there):
        with suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)
        end.close()


def _is_well(port: int) -> bool:
    link = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
    try:
        link.request("GET", "/health")
        return link.getresponse().status == 200
    except (OSError, http.client.HTTPException):
        return False
    finally:
        link.close()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
