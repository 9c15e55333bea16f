"""Faults of logs, each one small function that edits the files and returns what it did.

A fault gets the written logs, its config and a place, and gives back a :class:`FaultTruth`.
To add one: a config with a new ``kind``, a function, and its line in ``_MAKERS``.
Faults are made in the order given; ``file`` and ``row`` count (files from 1, data rows
from 0) in the logs as they are when the fault is applied.
"""

from __future__ import annotations

import gzip
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from benchpipe.config.model import ConfigModel
from benchpipe.errors import ConfigError, nearest
from benchpipe.simulate.log import WrittenLogConfig, encoded
from benchpipe.simulate.truth import FaultTruth


class _Fault(ConfigModel):
    file: int = Field(default=1, ge=1)


class _AtRow(_Fault):
    row: int = Field(ge=0)
    rows: int = Field(default=1, ge=1)


class HoldLastConfig(_AtRow):
    """A dropout, or a stuck sensor: the channel repeats the value before ``row``."""

    kind: Literal["hold-last"]
    channel: str


class SentinelConfig(_AtRow):
    """The channel shows ``text`` (OVER, -999, 1e38, nothing) in place of a value."""

    kind: Literal["sentinel"]
    channel: str
    text: str = "OVER"


class LoseRowsConfig(_AtRow):
    """Rows that were never written: a gap."""

    kind: Literal["lose-rows"]


class RepeatRowsConfig(_AtRow):
    """After a resume the last ``rows`` rows before ``row`` stand there again; row 0 repeats the file before."""

    kind: Literal["repeat-rows"]


class RepeatHeaderConfig(_Fault):
    """Preamble, header and units again before ``row``."""

    kind: Literal["repeat-header"]
    row: int = Field(ge=0)


class SwapLineEndsConfig(_AtRow):
    """These rows end in the other line end."""

    kind: Literal["mixed-line-ends"]


class TextLineConfig(_Fault):
    """A line of other text before ``row``: an operator's note, broken letters."""

    kind: Literal["text-line"]
    row: int = Field(ge=0)
    text: str = ""


class TruncateConfig(_Fault):
    """The last line is cut after ``keep`` characters, without a line end."""

    kind: Literal["truncated-last-line"]
    keep: int = Field(default=7, ge=1)


class MissingFileConfig(_Fault):
    """The file is not there."""

    kind: Literal["missing-file"]


class DuplicateFileConfig(_Fault):
    """The file is there twice, the second time as ``copy_name``."""

    kind: Literal["duplicate-file"]
    copy_name: str = Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._-]*$")


class EmptyFileConfig(_Fault):
    """A file of no bytes beside the others."""

    kind: Literal["empty-file"]
    name: str = Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._-]*$")


Fault = Annotated[
    HoldLastConfig | SentinelConfig | LoseRowsConfig | RepeatRowsConfig | RepeatHeaderConfig | SwapLineEndsConfig
    | TextLineConfig | TruncateConfig | MissingFileConfig | DuplicateFileConfig | EmptyFileConfig,
    Field(discriminator="kind"),
]  # fmt: skip


@dataclass
class LogText:
    """One log as lines with their ends: preamble, header and units, then data rows."""

    name: str
    head: list[str]
    rows: list[str]


class Logs:
    """The written text logs of a run, which faults edit. ``head`` is known from the dialect."""

    def __init__(self, folder: Path, names: list[str], log: WrittenLogConfig, channels: list[str]) -> None:
        self.folder, self.names, self.log, self.channels = folder, names, log, channels
        self._head = len(log.preamble) + int(log.header) + int(log.units_row)

    def name(self, number: int) -> str:
        """Name of file ``number``, from 1."""
        if number > len(self.names):
            raise ConfigError(
                f"a fault names file {number}",
                expected=f"1 to {len(self.names)}" if self.names else "no file is left",
                do_next="correct 'file' of the fault",
            )
        return self.names[number - 1]

    def read(self, number: int) -> LogText:
        """Read file ``number``."""
        name = self.name(number)
        data = (self.folder / name).read_bytes()
        codec = "utf-8-sig" if self.log.encoding == "utf-8" else self.log.encoding
        text = (gzip.decompress(data) if self.log.gzip else data).decode(codec)
        lines = [part + "\n" for part in text.split("\n")]
        lines[-1] = lines[-1][:-1]
        if not lines[-1]:
            lines.pop()
        return LogText(name, lines[: self._head], lines[self._head :])

    def write(self, log: LogText) -> None:
        """Write a file again."""
        data = encoded("".join(log.head + log.rows), self.log)
        if self.log.gzip:
            data = gzip.compress(data, mtime=0)
        (self.folder / log.name).write_bytes(data)

    def cells(self, row: str, channel: str) -> tuple[list[str], int]:
        """Cells of a row without its line end, and which of them is the channel's."""
        if channel not in self.channels:
            raise ConfigError(f"a fault names the channel '{channel}'", expected=nearest(channel, self.channels))
        return row.rstrip("\r\n").split(self.log.separator_text), self.channels.index(channel)

    def joined(self, cells: list[str]) -> str:
        """A row of cells with the dialect's line end."""
        return self.log.separator_text.join(cells) + self.log.line_end


def make_faults(logs: Logs, faults: tuple[Any, ...]) -> tuple[FaultTruth, ...]:
    """Make each fault in turn.

    Raises
    ------
    ConfigError
        A file, row or channel that is not there.
    """
    return tuple(_MAKERS[fault.kind](logs, fault) for fault in faults)


def _place(log: LogText, row: int, rows: int = 1) -> None:
    if row + rows > len(log.rows):
        raise ConfigError(
            f"a fault names rows {row} to {row + rows - 1} of {log.name}", expected=f"rows below {len(log.rows)}"
        )


def _told(fault: Any, log: LogText, row: int, rows: int, added: int, detail: str) -> FaultTruth:
    return FaultTruth(fault.kind, log.name, row, len(log.head) + row + 1, rows, added, detail)


def _set_cells(logs: Logs, fault: HoldLastConfig | SentinelConfig, log: LogText, value: str) -> None:
    for k in range(fault.row, fault.row + fault.rows):
        cells, place = logs.cells(log.rows[k], fault.channel)
        cells[place] = value
        log.rows[k] = logs.joined(cells)
    logs.write(log)


def _hold_last(logs: Logs, fault: HoldLastConfig) -> FaultTruth:
    log = logs.read(fault.file)
    _place(log, fault.row, fault.rows)
    cells, place = logs.cells(log.rows[max(fault.row - 1, 0)], fault.channel)
    _set_cells(logs, fault, log, cells[place])
    return _told(fault, log, fault.row, fault.rows, 0, f"{fault.channel} stays at {cells[place]}")


def _sentinel(logs: Logs, fault: SentinelConfig) -> FaultTruth:
    log = logs.read(fault.file)
    _place(log, fault.row, fault.rows)
    _set_cells(logs, fault, log, fault.text)
    return _told(fault, log, fault.row, fault.rows, 0, f"{fault.channel} shows '{fault.text}'")


def _lose_rows(logs: Logs, fault: LoseRowsConfig) -> FaultTruth:
    log = logs.read(fault.file)
    _place(log, fault.row, fault.rows)
    del log.rows[fault.row : fault.row + fault.rows]
    logs.write(log)
    return _told(fault, log, fault.row, fault.rows, -fault.rows, "rows never written")


def _repeat_rows(logs: Logs, fault: RepeatRowsConfig) -> FaultTruth:
    log = logs.read(fault.file)
    source = log.rows[: fault.row] if fault.row else logs.read(fault.file - 1).rows if fault.file > 1 else []
    if fault.rows > len(source) or fault.row > len(log.rows):
        raise ConfigError(
            f"a fault repeats {fault.rows} rows before row {fault.row} of {log.name}", expected=f"at most {len(source)}"
        )
    log.rows[fault.row : fault.row] = source[-fault.rows :]
    logs.write(log)
    return _told(fault, log, fault.row, fault.rows, fault.rows, "the rows before stand again")


def _repeat_header(logs: Logs, fault: RepeatHeaderConfig) -> FaultTruth:
    log = logs.read(fault.file)
    _place(log, fault.row)
    log.rows[fault.row : fault.row] = log.head
    logs.write(log)
    return _told(fault, log, fault.row, len(log.head), len(log.head), "preamble, header and units again")


def _swap_line_ends(logs: Logs, fault: SwapLineEndsConfig) -> FaultTruth:
    log = logs.read(fault.file)
    _place(log, fault.row, fault.rows)
    other = "\n" if logs.log.line_end == "\r\n" else "\r\n"
    for k in range(fault.row, fault.row + fault.rows):
        log.rows[k] = log.rows[k].rstrip("\r\n") + other
    logs.write(log)
    return _told(fault, log, fault.row, fault.rows, 0, f"rows end in {other!r}")


def _text_line(logs: Logs, fault: TextLineConfig) -> FaultTruth:
    log = logs.read(fault.file)
    _place(log, fault.row)
    log.rows.insert(fault.row, fault.text + logs.log.line_end)
    logs.write(log)
    return _told(fault, log, fault.row, 1, 1, f"line '{fault.text}'")


def _truncate(logs: Logs, fault: TruncateConfig) -> FaultTruth:
    log = logs.read(fault.file)
    _place(log, 0)
    whole = log.rows[-1].rstrip("\r\n")
    log.rows[-1] = whole[: fault.keep]
    logs.write(log)
    return _told(fault, log, len(log.rows) - 1, 1, 0, f"'{whole}' cut to '{log.rows[-1]}'")


def _missing_file(logs: Logs, fault: MissingFileConfig) -> FaultTruth:
    log = logs.read(fault.file)
    (logs.folder / log.name).unlink()
    del logs.names[fault.file - 1]
    return _told(fault, log, 0, len(log.rows), -len(log.rows), "the file is not there")


def _duplicate_file(logs: Logs, fault: DuplicateFileConfig) -> FaultTruth:
    log = logs.read(fault.file)
    copy = _new_name(logs, fault.copy_name)
    copy.write_bytes((logs.folder / log.name).read_bytes())
    logs.names.append(copy.name)
    return _told(fault, log, 0, len(log.rows), len(log.rows), f"again as {copy.name}")


def _empty_file(logs: Logs, fault: EmptyFileConfig) -> FaultTruth:
    empty = _new_name(logs, fault.name)
    empty.write_bytes(b"")
    logs.names.append(empty.name)
    return FaultTruth(fault.kind, empty.name, 0, 1, 0, 0, "a file of no bytes")


def _new_name(logs: Logs, name: str) -> Path:
    if name.casefold() in {there.casefold() for there in logs.names}:  # one file on some systems
        raise ConfigError(f"a fault would write '{name}', which is there already")
    return logs.folder / name


_MAKERS: dict[str, Callable[[Logs, Any], FaultTruth]] = {
    "hold-last": _hold_last,
    "sentinel": _sentinel,
    "lose-rows": _lose_rows,
    "repeat-rows": _repeat_rows,
    "repeat-header": _repeat_header,
    "mixed-line-ends": _swap_line_ends,
    "text-line": _text_line,
    "truncated-last-line": _truncate,
    "missing-file": _missing_file,
    "duplicate-file": _duplicate_file,
    "empty-file": _empty_file,
}
