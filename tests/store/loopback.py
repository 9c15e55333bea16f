"""Object stores on loopback: moto's, and one that answers every request with the same refusal."""

from __future__ import annotations

import threading
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

BUCKET = "lab"


@contextmanager
def s3_server(bucket: str = BUCKET) -> Iterator[str]:
    """Endpoint of a server with an empty bucket."""
    from moto.server import ThreadedMotoServer

    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    endpoint = f"http://{host}:{port}"
    try:
        for path, method in (("moto-api/reset", "POST"), (bucket, "PUT")):
            with urllib.request.urlopen(urllib.request.Request(f"{endpoint}/{path}", method=method)):
                pass
        yield endpoint
    finally:
        server.stop()


@contextmanager
def refusing(status: int, code: str, more: str = "") -> Iterator[str]:
    """Endpoint of a server that refuses all; ``more`` is in its answer, as a real one repeats keys there."""
    body = f"<Error><Code>{code}</Code><Message>no</Message>{more}</Error>".encode()

    class Refusal(BaseHTTPRequestHandler):
        def _answer(self) -> None:
            self.rfile.read(int(self.headers.get("Content-Length") or 0))
            self.send_response(status)
            self.send_header("Content-Length", str(0 if self.command == "HEAD" else len(body)))
            self.end_headers()
            if self.command != "HEAD":
                self.wfile.write(body)

        do_GET = do_PUT = do_HEAD = do_DELETE = do_POST = _answer

        def log_message(self, *_: object) -> None:
            """Nothing on the screen of the tests."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Refusal)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}"
    finally:
        server.shutdown()
        server.server_close()
