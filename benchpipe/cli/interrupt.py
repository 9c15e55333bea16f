"""Control-C that is never lost.

Python runs a signal's handler between any two instructions, in a finaliser (``__del__``) or a callback
too: what is raised there is printed and forgotten, and the command would go on. Such an interrupt is
sent again until it lands where it can be answered.
"""

from __future__ import annotations

import _thread
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sys import UnraisableHookArgs

AGAIN_S = 0.02


@contextmanager
def interrupt_kept() -> Iterator[None]:
    """Within this, a ``KeyboardInterrupt`` that cannot be raised is raised again a little later."""
    before = sys.unraisablehook

    def hook(lost: UnraisableHookArgs) -> None:
        if issubclass(lost.exc_type, KeyboardInterrupt):
            again = threading.Timer(AGAIN_S, _thread.interrupt_main)
            again.daemon = True
            again.start()
        else:
            before(lost)

    sys.unraisablehook = hook
    try:
        yield
    finally:
        sys.unraisablehook = before
