"""Lines that say what changed between two states of a run."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from benchpipe.check.rounding import rounded
from benchpipe.views.caution import CAUTION
from benchpipe.views.changes import Changes, FileChange, Moved

WIDTH = 80
MOST_KEYS = 40  # a file; all of them are in the JSON document


def changes_lines(found: Changes) -> Iterator[str]:
    """The changes for a terminal, at most 80 columns where names and values allow it."""
    to = "the files on the disk" if found.to is None else f"state {found.to}"
    yield f"{found.run}: from state {found.since} to {to}"
    if found.when is not None:
        yield f"  these settings are used since {found.when.replace('T', ' ').replace('+00:00', ' UTC')}"
    for file in found.files:
        yield from _file(file)
    if not found.files:
        yield "  settings files: no difference"
    for step in found.mixed:
        yield f"  the step '{step}' of state {found.to} was done with other files than its verdicts"
    yield from (f"  software   {text}" for text in found.software)
    if found.logs or found.rows:
        yield f"  logs       {found.logs:+,}; rows {found.rows:+,}"
    if found.to is None:
        if found.files:
            yield "  no night has judged by these files yet: benchpipe nightly LAB"
        return
    yield from _verdicts(found)
    yield from textwrap.wrap(CAUTION, WIDTH)


def _file(file: FileChange) -> Iterator[str]:
    hashes = " → ".join(h[:12] if h else "none" for h in (file.was, file.now))
    yield f"  {file.role} {file.name}: {file.what} (SHA-256 {hashes})"
    if file.what == "changed" and not file.keys:
        yield "    comments or layout only: all values are the same"
    for change in file.keys[:MOST_KEYS]:
        was, now = (value if value is not None else "(not there)" for value in (change.was, change.now))
        line = f"    {change.key}: {was} → {now}"
        if len(line) <= WIDTH:
            yield line
            continue
        yield f"    {change.key}"
        for mark, value in (("was", was), ("now", now)):
            yield from textwrap.wrap(
                value, WIDTH, initial_indent=f"      {mark}  ", subsequent_indent=" " * 11, break_on_hyphens=False
            ) or [f"      {mark}"]
    if len(file.keys) > MOST_KEYS:
        yield f"    and {len(file.keys) - MOST_KEYS} more keys: --json lists all"


def _verdicts(found: Changes) -> Iterator[str]:
    if found.verdicts is None:
        yield "  verdicts   not known: an older version judged one of the two states"
        return
    if not found.verdicts:
        yield f"  verdicts   none moved; {found.figures} figure(s) differ"
        return
    yield f"  verdicts   {len(found.verdicts)} moved; of others {found.figures} figure(s) differ"
    for one in found.verdicts:
        yield f"    {one.limit} ({one.block}): {one.was or 'not judged'} → {one.now or 'not judged'}"
        yield f"      measured {_value(one, one.measured_was)} → {_value(one, one.measured_now)}, by {one.limits_file}"


def _value(one: Moved, value: float | None) -> str:
    unit, scale = ("%", 100.0) if one.unit == "1" else (one.unit, 1.0)
    return "nothing" if value is None else f"{rounded(scale * value, None)[0]} {unit}"
