"""ASAM MDF 4 logs: the channels of a group, with the group's own time.

``log.variables`` names the groups by their acquisition name or number (from 0, as MDF
tools show them), read one after the other; without it one group must hold every channel.
``kind = "elapsed"`` takes the seconds of the group's master channel, ``kind = "datetime"``
adds them to the start of the measurement by the rig's clock.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Any

import numpy as np
import pyarrow as pa

from benchpipe.config.rig import RigConfig
from benchpipe.errors import InputError, nearest
from benchpipe.readers.batch import RawBatch, needed_columns
from benchpipe.readers.extras import load_extra, no_column, readable
from benchpipe.readers.tabular import BATCH_ROWS, raw_batch

NO_MASTER = -1
MOST_PACKED = 1100  # deflate packs at most 1032:1; more means a damaged length
STRETCH_BYTES = 64 << 20  # of records that are read at once
VIRTUAL = (3, 6)  # ASAM MDF 4, block CN: master and data that are counted, not stored
HAS_INVALID_BIT = 2  # ASAM MDF 4, block CN
FIRST_TEXT_CONVERSION = 7  # ASAM MDF 4, block CC: from here on values turn into texts; the numbers are taken
EPOCH = datetime(1970, 1, 1)


@dataclass(frozen=True)
class Group:
    """One channel group: rows, bytes of each, channels by name (place in the group; the master too) and their units."""

    number: int
    name: str
    length: int
    record: int
    channels: dict[str, int]
    units: dict[str, str]
    master: str | None


def read_mdf(path: Path, file: IO[bytes], rig: RigConfig) -> Iterator[RawBatch]:
    """Read an ASAM MDF 4 log; values are converted as the file says, invalid ones are missing.

    Raises
    ------
    InputError
        Not MDF 4, not finalised, or no group holds all channels.
    MissingExtraError
        asammdf is not installed.
    """
    row = 1
    with opened(path, file) as content:
        with readable(path, "an MDF 4"):
            known = groups(path, content)
        for group in _chosen(path, known, rig):
            places = _places(path, group, rig)
            rows = max(min(BATCH_ROWS, STRETCH_BYTES // max(group.record, 1)), 1)
            for start in range(0, group.length, rows):
                count = min(rows, group.length - start)
                with readable(path, "an MDF 4"):
                    columns = {
                        key: _arrow(content, group, key, place, start, count, rig) for key, place in places.items()
                    }
                yield raw_batch(path, columns, row, rig)
                row += count


@contextmanager
def opened(path: Path, file: IO[bytes]) -> Iterator[Any]:
    """An MDF 4 file, open for reading."""
    file.seek(0)
    head = file.read(64)
    file.seek(0)
    if head[:8] == b"UnFinMF " or (head[:8] == b"MDF     " and any(head[60:64])):  # its flags of what is missing
        raise InputError(
            "the measurement was never finalised", where=path,
            do_next="end the measurement on the rig, or finalise the file with the program that wrote it",
        )  # fmt: skip
    if head[:8] != b"MDF     " or head[8:9] != b"4":
        raise InputError("not an MDF 4 file", where=path, got=repr(head[:12]))
    library = load_extra("asammdf", "mdf")
    with readable(path, "an MDF 4"):
        content = library.MDF(file)
    try:
        yield content
    finally:
        content.close()


def groups(path: Path, content: Any) -> list[Group]:
    """The channel groups of a file. A name that occurs twice in a group counts once, the first time.

    Raises
    ------
    InputError
        A channel reaches beyond its record: the library would read outside its buffers. Or the file says it has more
        rows than it can hold, and the library would make room for them.
    """
    found = []
    size = path.stat().st_size
    for number, group in enumerate(content.groups):
        length = int(group.channel_group.cycles_nr)
        record = int(group.channel_group.samples_byte_nr) + int(group.channel_group.invalidation_bytes_nr)
        if length * max(record, 1) > MOST_PACKED * size:
            what = f"a group says it has {length:,} rows of {record:,} bytes; so many are not in it"
            raise InputError(what, where=path)
        for channel in group.channels:
            _must_fit(path, channel, group.channel_group)
        channels: dict[str, int] = {}
        units: dict[str, str] = {}
        master = content.masters_db.get(number, NO_MASTER)
        for place, channel in enumerate(group.channels):
            if channel.name not in channels:
                channels[channel.name] = place
                units[channel.name] = channel.unit or (getattr(channel.conversion, "unit", "") or "")
        name = next((n for n, place in channels.items() if place == master), None)
        title = group.channel_group.acq_name or ""
        found.append(Group(number, title, length, record, channels, units, name))
    return found


def _must_fit(path: Path, channel: Any, group: Any) -> None:
    ends = 8 * channel.byte_offset + channel.bit_offset + channel.bit_count
    flags = channel.flags & HAS_INVALID_BIT and channel.pos_invalidation_bit >= 8 * group.invalidation_bytes_nr
    if channel.channel_type not in VIRTUAL and (ends > 8 * group.samples_byte_nr or flags):
        raise InputError(f"the channel '{channel.name}' reaches beyond its record: the file is damaged", where=path)


def _chosen(path: Path, known: list[Group], rig: RigConfig) -> list[Group]:
    if rig.log.variables:
        return [_named(path, known, name) for name in rig.log.variables]
    wanted = [str(column) for column in needed_columns(rig).values()]
    fitting = [group for group in known if all(name in group.channels for name in wanted)]
    if len(fitting) == 1:
        return fitting
    if fitting:
        raise InputError(
            "several groups hold the channels of the rig file", where=path,
            expected="variables naming one or more of: " + ", ".join(_title(group) for group in fitting),
            do_next="name the groups in the rig file's [log] variables",
        )  # fmt: skip
    names = sorted({name for group in known for name in group.channels})
    for name in wanted:
        if name not in names:
            raise no_column(path, name, names)
    raise InputError(
        "the channels stand in groups with different time bases", where=path,
        expected="one group with " + ", ".join(wanted),
        do_next="record them at one rate, or resample them with the program that wrote the file",
    )  # fmt: skip


def _title(group: Group) -> str:
    return group.name or str(group.number)


def _named(path: Path, known: list[Group], name: str) -> Group:
    for group in known:
        if name in (group.name, str(group.number)):
            return group
    titles = [_title(group) for group in known]
    raise InputError(f"the file has no group '{name}'", where=path, expected=nearest(name, titles))


def _places(path: Path, group: Group, rig: RigConfig) -> dict[str, int]:
    """Place in the group of everything that is needed."""
    places = {}
    for key, column in needed_columns(rig).items():
        if str(column) not in group.channels:
            raise no_column(f"{path}, group {_title(group)}", column, list(group.channels))
        places[key] = group.channels[str(column)]
    return places


def _arrow(
    content: Any, group: Group, key: str, place: int, start: int, count: int, rig: RigConfig
) -> pa.Array:
    values = channel_values(content, group, place, start, count)
    if key != "time" or rig.time.kind != "datetime":
        return pa.array(values)
    start_us = round((content.header.start_time.replace(tzinfo=None) - EPOCH).total_seconds() * 1e6)
    good = np.isfinite(values)
    stamps = start_us + np.rint(np.where(good, values, 0.0) * 1e6).astype(np.int64)
    return pa.array(stamps, pa.timestamp("us"), mask=~good)


def channel_values(content: Any, group: Group, place: int, start: int, count: int) -> Any:
    """Physical values of a stretch of a channel, float64, NaN where the file calls them invalid."""
    if place == content.masters_db.get(group.number, NO_MASTER):
        values = content.get_master(group.number, record_offset=start, record_count=count)
        return _whole(np.asarray(values, np.float64), count, "the time")
    channel = content.groups[group.number].channels[place]
    named = channel.conversion is not None and channel.conversion.conversion_type >= FIRST_TEXT_CONVERSION
    samples, invalid = content.get(
        group=group.number, index=place, record_offset=start, record_count=count,
        samples_only=True, raw=named, ignore_invalidation_bits=True,
    )  # fmt: skip  # not to ignore them would drop the invalid rows, each channel its own
    if samples.ndim != 1 or samples.dtype.kind not in "fiub":
        raise InputError(f"'{channel.name}' is not a vector of numbers", got=str(samples.dtype))
    values = _whole(np.array(samples, np.float64), count, f"'{channel.name}'")
    if invalid is not None:
        values[np.asarray(invalid, bool)] = np.nan
    return values


def _whole(values: Any, count: int, name: str) -> Any:
    if len(values) != count:
        raise ValueError(f"{name} ends {count - len(values)} values early")
    return values
