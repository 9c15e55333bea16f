"""Write a note on a run: what was done to its specimen at a time of its log."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from benchpipe.config.planned import NOTE_KINDS
from benchpipe.errors import ConfigError, nearest
from benchpipe.run import RunConfig
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_notes import RunNote, append_note
from benchpipe.units import parse_quantity

MOST_LETTERS = 1000
EPOCH = datetime(1970, 1, 1)


def note_time(run: RunConfig, text: str) -> int:
    """Time on the run's axis [us] of a date and time of the rig's clock, or of a time since the log began.

    Raises
    ------
    ConfigError
        It is no such time.
    """
    dates = run.rig.time.shown_as_dates
    try:
        if dates:
            at = datetime.fromisoformat(text.strip())
            if at.utcoffset() is not None:
                raise _no_time(text, "a time as the rig's clock shows it, which has no zone: '2031-04-14 22:41'")
            return (at - EPOCH) // timedelta(microseconds=1)
        return round(1e6 * parse_quantity(text, "time"))
    except (ValueError, OverflowError, ConfigError) as error:
        if isinstance(error, ConfigError) and dates:
            raise
        expected = "a date and time, such as '2031-04-14 22:41'" if dates else "a time since the log began: '12.5 h'"
        raise _no_time(text, expected) from None


def _no_time(text: str, expected: str) -> ConfigError:
    return ConfigError("--at is no time of this run's log", got=text, expected=expected)


def write_note(
    run: RunConfig, manifest: Manifest, at_us: int, kind: str, text: str, now: datetime
) -> tuple[RunNote, int]:
    """Write a note; the caller holds the store.

    Returns
    -------
    note : RunNote
    last_us : int
        Where the log ends: a later note counts from the night on whose log reaches it.

    Raises
    ------
    ConfigError
        An unknown kind, no text, a time before the log begins, or no log yet.
    StoreError
        It cannot be written, or the notes are damaged.
    """
    if kind not in NOTE_KINDS:
        raise ConfigError(f"'{kind}' is no kind of note", expected=nearest(kind, list(NOTE_KINDS)))
    if not text.strip():
        raise ConfigError("the text of a note must not be empty", do_next="say in words what was done")
    if len(text) > MOST_LETTERS:
        raise ConfigError(f"the text of a note has {len(text):,} letters", expected=f"at most {MOST_LETTERS:,}")
    first, last = log_span(manifest)
    if first is None or last is None:
        raise ConfigError(
            f"nothing of run '{run.name}' is in the store yet", where=run.store,
            do_next="run this first: benchpipe ingest RUN",
        )  # fmt: skip
    if at_us < first:
        raise ConfigError(
            "the time of the note is before the log begins", got=time_words(run, at_us),
            expected=f"a time from {time_words(run, first)} on",
        )  # fmt: skip
    written = now.astimezone(UTC).isoformat(timespec="seconds")
    return append_note(run.store / run.name, at_us, kind, text.strip(), written), last


def log_span(manifest: Manifest) -> tuple[int | None, int | None]:
    """First and last time of a run's log on its axis [us]."""
    shifts = {place.file: place.shift_us for place in manifest.placed}
    ends = [
        (source.first_us + shifts[source.file], source.last_us + shifts[source.file])
        for source in manifest.sources
        if source.first_us is not None and source.last_us is not None and source.file in shifts
    ]
    return min((a for a, _ in ends), default=None), max((b for _, b in ends), default=None)


def time_words(run: RunConfig, at_us: int) -> str:
    """A time as `note_time` reads it."""
    if run.rig.time.shown_as_dates:
        return (EPOCH + timedelta(microseconds=at_us)).isoformat(sep=" ", timespec="seconds")
    return f"{at_us / 3.6e9:.6g} h"
