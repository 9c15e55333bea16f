"""Make sure that Control-C is never lost.

Python runs a signal's handler between any two instructions, in a finaliser (``__del__``) or a callback
too: an exception raised there is printed and forgotten, and the command would continue. Such an interrupt is
sent again until it arrives where it can be handled. So is one that arrives while compiled kernels hand
their results to Python: they would continue without the result, and crash.
"""

from __future__ import annotations

import _thread
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sys import UnraisableHookArgs

AGAIN_S = 0.02
HANDS_OVER = "numba.core.serialize"  # the module that runs between a kernel's end and its caller


@contextmanager
def interrupt_kept() -> Iterator[None]:
    """Within this, a ``KeyboardInterrupt`` that cannot be raised is raised again a little later."""
    before = sys.unraisablehook
    came = threading.Event()

    def hook(lost: UnraisableHookArgs) -> None:
        if issubclass(lost.exc_type, KeyboardInterrupt):
            _come_again()
        elif not (came.is_set() and issubclass(lost.exc_type, ResourceWarning)):  # a file without an owner yet
            before(lost)

    def interrupted(number: int, frame: FrameType | None) -> None:
        came.set()
        _raise_where_seen(number, frame)

    sys.unraisablehook = hook
    asked = signal.getsignal(signal.SIGINT) is signal.default_int_handler  # not where it is ignored
    if asked:
        signal.signal(signal.SIGINT, interrupted)
    try:
        yield
    finally:
        sys.unraisablehook = before
        if asked:
            signal.signal(signal.SIGINT, signal.default_int_handler)


def _come_again() -> None:
    again = threading.Timer(AGAIN_S, _thread.interrupt_main)
    again.daemon = True
    again.start()


def _raise_where_seen(number: int, frame: FrameType | None) -> None:
    """Raise ``KeyboardInterrupt``, unless a kernel would not see it."""
    here = frame
    while here is not None:
        if here.f_globals.get("__name__") == HANDS_OVER:
            _come_again()
            return
        here = here.f_back
    signal.default_int_handler(number, frame)
