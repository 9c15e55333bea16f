"""Pauses of a run at restarts of an elapsed clock: unknown, or stated with their source.

On the run's axis every restart lies :data:`RESTART_PAUSE_US` after the last row before it. This only keeps cycles from
spanning it: that hour did not pass. :class:`RunClock` takes it out again.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchpipe.store.manifest import Manifest, Source

RESTART_PAUSE_US = 3_600_000_000
FILE_TIMES = "file times"
NO_FILE_TIMES = "the times of the files cannot be right, as after copying, or the restart is inside a file"
Stated = float | Literal["file times"] | None  # every pause [s]; from the times of the files; not at all


class Restart(NamedTuple):
    """A restart: time of the first row after it on the run's axis, and its pause [us], None where not known.

    ``inside``: it is inside a file, so that no log ended there.
    """

    at_us: int
    pause_us: int | None
    inside: bool = False


def restarts_of(manifest: Manifest, stated: Stated = None) -> tuple[Restart, ...]:
    """Restarts of a run's clock, in order.

    Parameters
    ----------
    manifest : Manifest
    stated : float or "file times", optional
        Length of every pause [s]; or it lasted from the last writing of one file to the beginning of the next, which
        is its own last writing less the time it logged. Files that were copied have lost their times: a pause that
        would be below nought is not known, nor is one inside a file.
    """
    found: list[Restart] = []
    sources = {source.file: source for source in manifest.sources}
    before: Source | None = None
    for place in manifest.placed:
        source = sources[place.file]
        if source.first_us is None or place.left_out >= source.samples or source.second:
            continue
        if place.restart:
            pause = _by_files(before, source) if stated == FILE_TIMES else _us(stated)
            found.append(Restart(source.first_us + place.shift_us, pause))
        inside = None if stated == FILE_TIMES else _us(stated)
        found += [Restart(us + place.shift_us, inside, inside=True) for us in source.restarts]
        before = source
    return tuple(found)


def _us(stated: float | str | None) -> int | None:
    return round(1e6 * float(stated)) if isinstance(stated, float | int) else None


def _by_files(before: Source | None, source: Source) -> int | None:
    """Pause between two files by their times; of one that has restarts inside, the beginning is not known."""
    if before is None or source.restarts or source.first_us is None or source.last_us is None:
        return None
    pause = (source.mtime_ns - before.mtime_ns) // 1000 - (source.last_us - source.first_us)
    return pause if pause >= 0 else None


@dataclass(frozen=True)
class RunClock:
    """Times on the run's axis without the hours that no clock showed.

    Attributes
    ----------
    restarts : tuple of Restart
    stated : float or "file times", optional
        Where known pauses come from.
    """

    restarts: tuple[Restart, ...] = ()
    stated: Stated = None

    @classmethod
    def of(cls, manifest: Manifest, stated: Stated = None) -> RunClock:
        """Clock of a run."""
        return cls(restarts_of(manifest, stated), stated)

    @property
    def restarts_us(self) -> tuple[int, ...]:
        """Times of the first rows after each restart, on the axis."""
        return tuple(one.at_us for one in self.restarts)

    @property
    def ends_us(self) -> tuple[int, ...]:
        """Those at which a log ended: what was broken off there is not missing. Inside a log it may be."""
        return tuple(one.at_us for one in self.restarts if not one.inside)

    @property
    def _edges(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Where time is taken out, and how much in all from there on."""
        at = np.array([one.at_us for one in self.restarts], np.int64)
        return at, np.cumsum([RESTART_PAUSE_US - (one.pause_us or 0) for one in self.restarts], dtype=np.int64)

    def real(self, us: ArrayLike) -> NDArray[np.int64]:
        """Times on the axis → logged time and known pauses since the axis' zero."""
        at, out = self._edges
        times = np.asarray(us, np.int64)
        return times - np.concatenate(([0], out)).astype(np.int64)[np.searchsorted(at, times, "right")]

    def axis(self, real_us: int) -> int:
        """Earliest time on the axis that is not before a real one."""
        at, out = self._edges
        before = np.concatenate(([0], out)).astype(np.int64)
        which = int(np.searchsorted(at - before[1:], real_us, "right")) if at.size else 0
        return real_us + int(before[which])

    def unknown_between(self, from_us: int, until_us: int) -> bool:
        """Whether a pause of unknown length lies between two times on the axis."""
        return any(from_us < one.at_us <= until_us and one.pause_us is None for one in self.restarts)

    def logged_us(self, from_us: int, until_us: int) -> int:
        """Time from one time on the axis to another, without any pause, known or not [us]."""
        known = sum(one.pause_us or 0 for one in self.restarts if from_us < one.at_us <= until_us)
        return self.between_us(from_us, until_us) - known

    def between_us(self, from_us: int, until_us: int) -> int:
        """Time from one time on the axis to another, known pauses included [us]."""
        first, last = self.real([from_us, until_us]).tolist()
        return int(last - first)

    @property
    def words(self) -> str:
        """Such as ``4 restarts, pauses unknown``; empty where the clock never began again."""
        return ", ".join(self._said())

    def _said(self) -> Iterator[str]:
        count = len(self.restarts)
        if not count:
            return
        yield f"{count:,} restart{'' if count == 1 else 's'} of the log's clock"
        known = Counter(one.pause_us is not None for one in self.restarts)
        how = "by the times of the files" if self.stated == FILE_TIMES else "as the plan states"
        if known[True]:
            total = sum(one.pause_us or 0 for one in self.restarts) / 3.6e9
            which = "pauses" if not known[False] else f"{known[True]:,} pause{'' if known[True] == 1 else 's'}"
            yield f"{which} {total:.3g} h together {how}"
        if known[False]:
            several = "pause" if count == 1 else "pauses"
            unknown = f"{several if not known[True] else f'{known[False]:,} of them'} unknown"
            yield unknown + (f" ({NO_FILE_TIMES})" if self.stated == FILE_TIMES else "")


NO_RESTART = RunClock()
