"""One message to one address, by the notification library (apprise), which is loaded only here."""

from __future__ import annotations

import logging
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from io import StringIO
from typing import Any

from benchpipe.errors import MissingExtraError, install_extra
from benchpipe.notify.addresses import Address

ERRNO = re.compile(r"\[Errno -?\d+\] ([^\"')\]]+)")


def library() -> Any:
    """The notification library.

    Raises
    ------
    MissingExtraError
        It is not installed.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of the library's own age
            import apprise
    except ImportError:
        raise MissingExtraError(
            "no message can be sent: the library apprise is not installed", do_next=install_extra("notify")
        ) from None
    return apprise


def send(address: Address, title: str, body: str) -> str | None:
    """Send a message; say why it did not go out, None if it did. The reason holds nothing of the URL.

    Raises
    ------
    MissingExtraError
        The library is not installed.
    """
    apprise = library()
    try:
        with overheard() as heard, warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return _sent(apprise, address, title, body, heard)
    except Exception as error:  # whatever a plug-in of it does, the night goes on
        return address.hidden_in(f"{type(error).__name__}: {error}")


@contextmanager
def overheard() -> Iterator[StringIO]:
    """Log messages of the library hold addresses: they go nowhere."""
    heard = StringIO()
    handler = logging.StreamHandler(heard)
    handler.setFormatter(logging.Formatter("%(levelname)s %(message)s"))
    logs = [logging.getLogger(name) for name in ("apprise", "urllib3")]
    before = [(log, log.level, log.propagate) for log in logs]
    for log in logs:
        log.addHandler(handler)
        log.setLevel(logging.DEBUG)
        log.propagate = False
    try:
        yield heard
    finally:
        for log, level, upwards in before:
            log.removeHandler(handler)
            log.setLevel(level)
            log.propagate = upwards


def _sent(apprise: Any, address: Address, title: str, body: str, heard: StringIO) -> str | None:
    sender = apprise.Apprise()
    if not sender.add(address.url):
        return "its URL is none that the library knows"
    if sender.notify(body=body, title=title, body_format=apprise.NotifyFormat.TEXT):
        return None
    lines = heard.getvalue().splitlines()
    said = [line.partition(" ")[2] for line in lines if line.startswith(("WARNING", "ERROR"))]
    said += [found[1] for found in map(ERRNO.search, lines) if found]
    return address.hidden_in("; ".join(dict.fromkeys(said))) or "the library did not say why"
