"""Where a text reader goes on when its log has grown."""

from __future__ import annotations

from dataclasses import dataclass

from benchpipe.readers.text_layout import TextLayout


@dataclass(frozen=True)
class TextState:
    """What a reader needs to go on after a batch.

    Attributes
    ----------
    codec : str
        Encoding with the byte order.
    offset : int
        Bytes of the log that this batch and those before it cover.
    line, slots : int
        Number of the next line, and of rows so far where they count the time.
    fed : bool or None
        Whether the last line ended in a line feed alone; None where it is not known.
    final : bool
        More rows cannot change what those so far are.
    layout : TextLayout
    """

    codec: str
    offset: int
    line: int
    slots: int
    fed: bool | None
    final: bool
    layout: TextLayout
