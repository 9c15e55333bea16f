"""Control-C that comes at the wrong moment."""

from __future__ import annotations

import signal
import subprocess
import sys
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


# Half of the time a kernel runs: many interrupts come inside, and would be raised where it hands over its results.
IN_KERNELS = """
import signal
import sys
import threading
import time
import numpy as np
from benchpipe.cli.interrupt import interrupt_kept
from benchpipe.kernels.boundaries import FRESH, bounds_of, find_boundaries

rows = 1_000_000
time_us, load = np.arange(rows) * 10_000, np.sin(np.arange(rows) * 0.5)
events, _ = find_boundaries(time_us[:100], load[:100], 0, -0.5, 0.5, 10**12, 10**12, FRESH)
bounds_of(events, load, 0.5)
events = np.repeat(events, 20_000, axis=0)
works = {
    "find_boundaries": lambda: find_boundaries(time_us, load, 0, -0.5, 0.5, 10**12, 10**12, FRESH),
    "bounds_of": lambda: bounds_of(events, load, 0.5),
}
with interrupt_kept():
    for _ in range(20):
        try:
            threading.Timer(0.005, signal.raise_signal, [signal.SIGINT]).start()
            while True:
                works[sys.argv[1]]()
                time.sleep(0.004)
        except KeyboardInterrupt:
            print("interrupted")
"""


@pytest.mark.parametrize("kernel", ["find_boundaries", "bounds_of"])
def test_an_interrupt_inside_a_kernel_is_raised_after_it(kernel: str) -> None:
    done = subprocess.run([sys.executable, "-c", IN_KERNELS, kernel], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout.split()) == (0, ["interrupted"] * 20), done.stderr


def test_an_interrupt_that_is_ignored_stays_so() -> None:
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        with interrupt_kept():
            assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGINT, before)
