"""A weather service for tests, on a free port of this machine."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


class Service:
    """It answers what it was told to, one after another, and remembers the questions.

    While `waits` is set to an event it answers nobody until that is set.
    """

    def __init__(self) -> None:
        self.waits: threading.Event | None = None
        self.answers: list[tuple[int, bytes]] = []
        self.asked: list[str] = []
        self.address = ""

    @contextmanager
    def open(self) -> Iterator["Service"]:
        service = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                service.asked.append(self.path)
                if service.waits is not None:
                    service.waits.wait(30)
                turn = min(len(service.asked), len(service.answers)) - 1
                status, body = service.answers[turn]
                self.send_response(status)
                self.end_headers()
                try:
                    self.wfile.write(body)
                except OSError:
                    return  # the nursery had heard enough

            def log_message(self, *_: Any) -> None:
                return

        server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
        thread.start()
        self.address = f"http://127.0.0.1:{server.server_address[1]}/days?key={{key}}"
        try:
            yield self
        finally:
            server.shutdown()
            thread.join()
            server.server_close()
