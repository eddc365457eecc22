"""A receiver of webhooks for tests: a real small HTTP server, on a free port of this machine."""

import json
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


@dataclass(frozen=True)
class Heard:
    """One request: its headers in lower case, and its body as it came."""

    headers: dict[str, str]
    body: bytes

    @property
    def id(self) -> str:
        return self.headers["webhook-id"]

    @property
    def event(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.body)
        return found


class Ear:
    """It answers as `answer` says (a status, and headers) and remembers what it heard.

    With `tls` it speaks HTTPS, as localhost. While `waits` is set to an event it answers nobody
    until that is set.
    """

    def __init__(self, port: int = 0, tls: ssl.SSLContext | None = None) -> None:
        self.port, self._tls = port, tls
        self.heard: list[Heard] = []
        self.answer: Callable[[Heard], tuple[int, dict[str, str]]] = lambda heard: (204, {})
        self.waits: threading.Event | None = None

    @property
    def address(self) -> str:
        if self._tls is not None:
            return f"https://localhost:{self.port}/news"
        return f"http://127.0.0.1:{self.port}/news"

    def kinds(self) -> list[str]:
        return [each.event["data"]["kind"] for each in self.heard]

    @contextmanager
    def open(self) -> Iterator["Ear"]:
        ear = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                length = int(self.headers["content-length"])
                body = self.rfile.read(length)
                if len(body) < length:
                    return  # the nursery broke off: nothing was told
                one = Heard({name.lower(): text for name, text in self.headers.items()}, body)
                ear.heard.append(one)
                if ear.waits is not None:
                    ear.waits.wait(30)
                status, headers = ear.answer(one)
                try:
                    self.send_response(status)
                    for name, text in headers.items():
                        self.send_header(name, text)
                    self.end_headers()
                except OSError:
                    return  # the nursery waited no longer

            def log_message(self, *_: Any) -> None:
                return

        server = ThreadingHTTPServer(("127.0.0.1", self.port), Handler)
        self.port = server.server_address[1]
        if self._tls is not None:
            server.socket = self._tls.wrap_socket(server.socket, server_side=True)
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        try:
            yield self
        finally:
            if self.waits is not None:
                self.waits.set()
            server.shutdown()
            thread.join()
            server.server_close()
