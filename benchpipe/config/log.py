"""How logs are written: their dialect and clock, and those of a second logger."""

from __future__ import annotations

from datetime import date
from fnmatch import fnmatch
from typing import Literal, Self

from pydantic import Field, model_validator

from benchpipe.config.channel import ColumnId, UnitText
from benchpipe.config.model import ConfigModel, Hertz, Many, Pair, Ratio, Seconds
from benchpipe.units import find_unit

DAY_PARTS = ("%d", "%e", "%j", "%D", "%F", "%x", "%c", "%s", "%v")


def name_matches(file: str, patterns: tuple[str, ...]) -> bool:
    """Whether a log file's path or name matches one of some patterns."""
    name = file.rsplit("/", 1)[-1]
    return any(fnmatch(file, p) or fnmatch(name, p) for p in patterns)


class LogConfig(ConfigModel):
    """How a log file is written.

    ``missing`` holds what stands for "no value" in every channel (see ``ChannelConfig``).
    """

    format: str = "text"
    encoding: Literal["utf-8", "utf-16", "latin-1", "cp1252", "gbk"] = "utf-8"
    separator: Literal[",", ";", "\t", "|", "space"] = ","
    decimal: Literal[".", ","] = "."
    thousands: Literal["", ".", ",", " ", "'"] = ""
    quoted: bool = False
    header: bool = True
    units_row: bool = False
    missing: Many[str] = ()
    variables: Many[str] = ()

    @property
    def separator_text(self) -> str:
        """The separator itself."""
        return " " if self.separator == "space" else self.separator

    @model_validator(mode="after")
    def _marks_differ(self) -> Self:
        separator = "" if self.quoted else self.separator_text  # cells in quotes may hold it
        marks = [m for m in (separator, self.decimal, self.thousands) if m]
        if len(set(marks)) != len(marks):
            raise ValueError(
                f"separator '{self.separator}', decimal '{self.decimal}' and thousands '{self.thousands}' must differ"
            )
        return self


class TimeConfig(ConfigModel):
    """The time column and what it counts.

    Where date and time stand in two columns, ``date_column`` names the first, and
    ``format`` is that of both with one space between them. ``unit_in_log`` is how the log's
    units row writes the unit, where that text is not one we know. ``uncertainty`` is that of the
    clock's rate (expanded, k = 2), as a part of any time. ``resolution`` is the step in which the clock counts:
    where it is longer than a sample, rows of one stamp are spread over it by ``sample_rate``. ``since`` is the day from
    whose midnight an elapsed time counts: its times are dates. With ``unit = "samples"`` the column counts samples.
    """

    kind: Literal["elapsed", "datetime", "sample"] = "elapsed"
    column: ColumnId | None = None
    date_column: ColumnId | None = None
    unit: Literal["samples"] | UnitText = "s"
    unit_in_log: str | None = None
    since: date | None = None
    format: str | None = None
    sample_rate: Hertz = Field(gt=0)
    gap_samples: float = Field(default=5.0, gt=1)
    uncertainty: Ratio = Field(default=0.0, ge=0)
    resolution: Seconds | None = Field(default=None, gt=0)

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if self.kind != "sample" and self.column is None:
            raise ValueError(f"kind '{self.kind}' needs 'column'")
        if self.kind == "datetime" and self.format is None:
            raise ValueError(
                "kind 'datetime' needs 'format', such as '%Y-%m-%d %H:%M:%S.%f' (day or month first is never guessed)"
            )
        if self.since is not None and self.kind != "elapsed":
            raise ValueError(f"since is the day from which an elapsed time counts, and kind is '{self.kind}'")
        if self.unit == "samples" and self.kind != "elapsed":
            raise ValueError("unit 'samples' goes with kind 'elapsed': the column counts samples, at sample_rate")
        if self.unit != "samples" and find_unit(self.unit).quantity != "time":
            raise ValueError(f"unit '{self.unit}' is not a time")
        if self.date_column is not None and (self.kind != "datetime" or " " not in (self.format or "")):
            raise ValueError("date_column needs kind 'datetime', and a format with one space between date and time")
        return self

    @property
    def dated(self) -> bool:
        """Whether the clock shows the day, not only the time of day or since a start."""
        written = self.kind == "datetime" and any(part in (self.format or "") for part in DAY_PARTS)
        return written or self.since is not None

    @property
    def shown_as_dates(self) -> bool:
        """Whether times are shown as dates: those of a clock that shows the time of day are too."""
        return self.kind == "datetime" or self.dated

    @property
    def origin_us(self) -> int:
        """Where the clock's zero is [µs since 1970]; 0 where that is not known, and for dates."""
        return (self.since - date(1970, 1, 1)).days * 86_400_000_000 if self.since is not None else 0

    @property
    def resolution_us(self) -> int | None:
        """``resolution`` [µs], 1 at least."""
        return None if self.resolution is None else max(round(1e6 * self.resolution), 1)

    @property
    def gap_s(self) -> float:
        """Longest step between samples that is not a gap [s]."""
        return self.gap_samples / self.sample_rate


class SecondConfig(ConfigModel):
    """A second logger: its logs, how they are written, its clock, and how that compares with the first one's.

    ``files`` are patterns of its logs among those of the plan; channels with ``logger = "second"`` are read from
    them. ``offset`` is how much more its clock shows than the first logger's at the same moment,
    ``offset_uncertainty`` how well that is known (expanded, k = 2). With ``same``, one channel of each logger that
    show the same quantity at the same place, the offset and its drift are found from them, within ``search`` of
    ``offset``, and verified all along: rows whose offset is off by more than ``offset_uncertainty`` are not joined.
    """

    files: Many[str] = Field(min_length=1)
    log: LogConfig = LogConfig()
    time: TimeConfig
    offset: Seconds = 0.0
    offset_uncertainty: Seconds = Field(ge=0)
    same: Pair[str] | None = None
    search: Seconds = Field(default=1.0, gt=0)

    @model_validator(mode="after")
    def _tolerance(self) -> Self:
        if self.same is not None and self.offset_uncertainty == 0.0:
            raise ValueError("offset_uncertainty is what the found offset may be off by: above zero")
        return self
