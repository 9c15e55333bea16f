"""A server on loopback that hands requests on to an object store, and lets one of them fail."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from http.client import HTTPConnection
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import urlsplit

KINDS = ("lost", "refused", "slow", "killed before", "killed after", "down")


class Proxy:
    """What befalls the ``at``-th request. Killed is the process ``pid``, which a test sets."""

    def __init__(self, target: str, kind: str, at: int) -> None:
        self.target, self.kind, self.at = urlsplit(target).netloc, kind, at
        self.pid: int | None = None
        self.count = 0
        self._lock = threading.Lock()

    def number(self) -> int:
        """Number of one more request."""
        with self._lock:
            self.count += 1
            return self.count

    def kill(self) -> None:
        """Kill the job."""
        while self.pid is None:
            time.sleep(0.01)
        with suppress(ProcessLookupError):
            os.kill(self.pid, signal.SIGKILL)


@contextmanager
def faulty(target: str, kind: str, at: int) -> Iterator[tuple[str, Proxy]]:
    """Endpoint of a proxy before an object store."""
    proxy = Proxy(target, kind, at)

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def _hand_on(self) -> None:
            body = self._body()
            number = proxy.number()
            mine = number == at
            if kind == "refused" and at <= number < at + 3:
                self._answer(503, [], b"<Error><Code>SlowDown</Code></Error>")
                return
            if kind == "down" and number >= at:  # from here on there is no server
                self.close_connection = True
                return
            if mine and kind == "killed before":
                proxy.kill()
                self.close_connection = True
                return
            if mine and kind == "slow":
                time.sleep(1.0)
            status, headers, data = self._asked(body)
            if mine and kind in ("lost", "killed after"):
                if kind == "killed after":
                    proxy.kill()
                self.close_connection = True
                self.connection.close()
                return
            self._answer(status, headers, data)

        do_GET = do_PUT = do_HEAD = do_DELETE = do_POST = _hand_on

        def _body(self) -> bytes:
            return self.rfile.read(int(self.headers.get("Content-Length") or 0))

        def _asked(self, body: bytes) -> tuple[int, list[tuple[str, str]], bytes]:
            connection = HTTPConnection(proxy.target)
            connection.request(self.command, self.path, body, dict(self.headers))
            answer = connection.getresponse()
            found = answer.status, answer.getheaders(), answer.read()
            connection.close()
            return found

        def _answer(self, status: int, headers: list[tuple[str, str]], data: bytes) -> None:
            self.send_response_only(status)
            names = {name.lower() for name, _ in headers}
            for name, value in headers:
                if name.lower() not in ("connection", "transfer-encoding"):
                    self.send_header(name, value)
            if "content-length" not in names:
                self.send_header("Content-Length", str(len(data)))
            self.end_headers()
            with suppress(OSError):
                self.wfile.write(data)

        def log_message(self, *_: object) -> None:
            """Nothing on the screen of the tests."""

        def handle(self) -> None:
            with suppress(OSError, ValueError):  # the job is gone
                super().handle()

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}", proxy
    finally:
        server.shutdown()
        server.server_close()
