"""Control-C that comes at the wrong moment."""

from __future__ import annotations

import signal
import time

import pytest

from benchpipe.cli.interrupt import interrupt_kept

# pytest's own hook would make a warning of what is lost
pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")


class _Interrupted:
    def __del__(self) -> None:
        signal.raise_signal(signal.SIGINT)


def _wait() -> bool:
    """Whether an interrupt came within two seconds."""
    try:
        del _Interrupted().__dict__  # the object goes, and its finaliser is interrupted
        end = time.monotonic() + 2.0
        while time.monotonic() < end:
            time.sleep(0.005)
    except KeyboardInterrupt:
        return True
    return False


def test_an_interrupt_inside_a_finaliser_comes_again() -> None:
    with interrupt_kept():
        assert _wait()


def test_without_it_the_interrupt_would_be_lost() -> None:
    assert not _wait()
