"""How the simulated rig writes its logs: a rig file's dialect, and the settings that only a writer needs."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from benchpipe.config.model import Many
from benchpipe.config.rig import LogConfig

DATE_PARTS = {"%Y": 4, "%m": 2, "%d": 2, "%H": 2, "%M": 2, "%S": 2}  # %f takes the channel's decimals


class WrittenLogConfig(LogConfig):
    """Dialect of the logs. ``time_format`` is ``elapsed`` or a date format of %Y %m %d %H %M %S %f.

    ``rows``: a row a sample, or a row a completed cycle of cyclic blocks and nothing of the others.
    """

    format: Literal["text", "parquet"] = "text"
    stem: str | None = Field(default=None, pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._-]*$")  # else the scenario's name
    suffix: str | None = Field(default=None, pattern=r"^\.[a-z0-9.]+$")  # else .csv, .csv.gz or .parquet
    line_end: Literal["\n", "\r\n"] = "\n"
    byte_order_mark: bool = False
    gzip: bool = False
    preamble: Many[str] = ()  # lines; {name}, {rig}, {specimen}, {file} and {start} are filled in
    time_format: str = "elapsed"
    cut: Literal["never", "hour", "day", "cycles"] = "never"
    cycles_per_file: int = Field(default=3600, ge=1)
    rows: Literal["samples", "cycles"] = "samples"

    @model_validator(mode="after")
    def _can_be_written(self) -> Self:
        if self.format == "parquet" and (self.gzip or self.preamble):
            raise ValueError("parquet has no preamble and no gzip")
        if self.missing or self.variables:
            raise ValueError("missing and variables are for reading; a fault of kind 'sentinel' writes such texts")
        if self.time_format != "elapsed":
            date_tokens(self.time_format, 3)
        try:
            "".join(self.preamble).format(name="", rig="", specimen="", file="", start="")
        except (KeyError, IndexError, ValueError):
            raise ValueError("preamble may hold {name}, {rig}, {specimen}, {file} and {start} only") from None
        for line in self.preamble:
            self.check_text(line)
        return self

    def check_text(self, text: str) -> None:
        """Refuse a text that a line of the log cannot hold.

        Raises
        ------
        ValueError
            A line end in it, or a letter that the encoding does not have.
        """
        if "\n" in text or "\r" in text:
            raise ValueError(f"{text!r} is more than one line")
        try:
            text.encode(self.encoding)
        except UnicodeEncodeError as error:
            raise ValueError(f"'{text}': {self.encoding} has no '{text[error.start]}'") from None

    @property
    def separator_text(self) -> str:
        """The separator itself."""
        return " " if self.separator == "space" else self.separator

    @property
    def file_suffix(self) -> str:
        """Suffix of every log file."""
        if self.suffix is not None:
            return self.suffix
        return ".parquet" if self.format == "parquet" else ".csv.gz" if self.gzip else ".csv"


def date_tokens(text: str, decimals: int) -> list[int]:
    """Date format as a list of tokens: a byte, or minus the place of a part in ``%Y%m%d%H%M%S%f``.

    Raises
    ------
    ValueError
        A part this writer does not know, or a letter outside ASCII.
    """
    places = {part: -1 - i for i, part in enumerate([*DATE_PARTS, "%f"])}
    tokens: list[int] = []
    i = 0
    while i < len(text):
        part = text[i : i + 2]
        if text[i] == "%":
            if part not in places:
                raise ValueError(f"time_format has '{part}'; known: {' '.join(places)}, or 'elapsed'")
            if part != "%f" or decimals:
                tokens.append(places[part])
            i += 2
            continue
        if ord(text[i]) > 126:
            raise ValueError(f"time_format has '{text[i]}', which is not ASCII")
        tokens.append(ord(text[i]))
        i += 1
    return tokens


def encoded(text: str, log: WrittenLogConfig, *, first: bool = True) -> bytes:
    """Text in the log's encoding; ``first`` puts the byte order mark before it where there is one."""
    if log.encoding == "utf-16":
        return (b"\xff\xfe" if first else b"") + text.encode("utf-16-le")
    mark = b"\xef\xbb\xbf" if first and log.byte_order_mark and log.encoding == "utf-8" else b""
    return mark + text.encode(log.encoding)
