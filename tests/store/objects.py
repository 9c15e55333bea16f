"""Stores on an object store in the memory of the test, and one whose requests fail as it is drawn."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from benchpipe.mirrors import HOME, store_place
from benchpipe.store.open_storage import storage_of

ADDRESS = "s3://lab/bench"


class KilledError(BaseException):
    """The job is gone: no line of it runs after this, but for what Python does when it leaves."""


class Requests:
    """Passes requests to an object store and counts them; ``before`` is called with number and name of each."""

    def __init__(self, client: Any) -> None:
        self.client = client
        self.count = 0
        self.names: list[str] = []
        self.fault: Fault | None = None

    def __getattr__(self, name: str) -> Callable[..., Any]:
        plain = getattr(self.client, name)

        def asked(*given: Any, **named: Any) -> Any:
            self.count += 1
            self.names.append(name)
            if self.fault is None:
                return plain(*given, **named)
            return self.fault(self.count, name, lambda: plain(*given, **named))

        return asked


class Fault:
    """What befalls one request of a job, the ``at``-th. ``kind`` is one of :data:`KINDS`."""

    def __init__(self, kind: str, at: int, rival: Callable[[], None] = lambda: None) -> None:
        self.kind, self.at, self.rival = kind, at, rival
        self.came = False
        self._late: Callable[[], Any] | None = None
        self._first = 0

    def __call__(self, number: int, name: str, request: Callable[[], Any]) -> Any:
        """Let the request happen, or not."""
        from obstore.exceptions import GenericError

        lost = GenericError("Generic S3 error: Server returned non-2xx status code: 503 Service Unavailable")
        if self.came and self.kind.startswith("killed"):
            raise KilledError
        if self._late is not None and number >= self._first + 3:  # the server did it after all, when no one asks
            late, self._late = self._late, None
            with suppress(Exception):  # the answer goes nowhere
                late()
        if self.kind == "storm" and self.at <= number < self.at + 4:
            self.came = True
            raise lost
        if number != self.at:
            return request()
        self.came, self._first = True, number
        if self.kind == "killed before":
            raise KilledError
        if self.kind == "killed after":
            request()
            raise KilledError
        if self.kind == "lost":
            request()
            raise lost
        if self.kind == "repeated":  # as the client does it where the answer was lost
            request()
            return request()
        if self.kind == "late":
            self._late = request
            raise lost
        if self.kind == "rival":  # so slow that another machine does the whole work meanwhile
            self.rival()
        return request()


KINDS = ("killed before", "killed after", "lost", "repeated", "late", "storm", "rival")


class Aged:
    """An object store that wrote some objects long ago."""

    def __init__(self, client: Any, old: set[str]) -> None:
        self.client, self.old = client, old

    def __getattr__(self, name: str) -> Any:
        return getattr(self.client, name)

    def list(self, prefix: str | None = None) -> Any:
        listed = self.client.list(prefix)
        age = timedelta(hours=25)

        class Answer:
            def collect(answer) -> list[dict[str, Any]]:
                found = listed.collect()
                return [{**o, "last_modified": o["last_modified"] - age} if o["path"] in self.old else o for o in found]

        return Answer()


@contextmanager
def on_machine(cache: Path, client: Any) -> Iterator[Path]:
    """A process of a machine with its own cache: the store at :data:`ADDRESS`, of a client."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(HOME, str(cache))
        patch.setattr("benchpipe.store.object_client.open_client", lambda *_: client)
        storage_of.cache_clear()
        place = store_place(ADDRESS)
        assert place is not None
        try:
            yield place
        finally:
            storage_of.cache_clear()


def objects(client: Any) -> dict[str, bytes]:
    """Everything that an object store holds, but what nights keep of the hour."""
    found = (str(one["path"]) for one in client.list().collect())
    return {name: bytes(client.get(name).bytes()) for name in found if not name.startswith(".nights/")}


def files(store: Path) -> dict[str, bytes]:
    """The same of a store in a folder."""
    return {
        path.relative_to(store).as_posix(): path.read_bytes()
        for path in store.rglob("*")
        if path.is_file() and path.name not in (".lock", ".holder.json") and ".nights" not in path.parts
    }


def credentials(patch: pytest.MonkeyPatch, endpoint: str = "") -> None:
    """Invented credentials, and no others of this machine."""
    for name in [one for one in os.environ if one.startswith("AWS_")]:
        patch.delenv(name)
    for name, value in (("ACCESS_KEY_ID", "KEYOFTHETEST"), ("SECRET_ACCESS_KEY", "secretofthetest"),
                        ("REGION", "us-east-1"), ("ENDPOINT_URL", endpoint)):  # fmt: skip
        if value:
            patch.setenv(f"AWS_{name}", value)
