"""The encoding of a text log: byte-order mark, else strict UTF-8, else declared fallbacks.

No charset is guessed from letter frequencies. A fallback is taken only where the other encodings
read the log alike, cannot read it, or give no unit where it gives one (``°C``); otherwise it is a question.
"""

from __future__ import annotations

import codecs
import re

from benchpipe.errors import ConfigError, InputError
from benchpipe.inspect.findings import Choice
from benchpipe.units import find_unit

HEADING_BYTES = 4096  # names and units stand here; elsewhere the encoding changes no number
FALLBACKS = ("cp1252", "latin-1", "gbk")
MOST_SOUND = 0.8  # of the lines without a zero byte: those of a text with holes in it
_MARKS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
_CELL = re.compile(r"[,;\t|]")


def find_encoding(head: bytes, others: tuple[bytes, ...] = ()) -> Choice:
    """Find the rig file's ``encoding`` of a log from its beginning and other pieces of it.

    Raises
    ------
    InputError
        It is no text, or UTF-16 without a mark that says its byte order.
    """
    for mark, name in _MARKS:
        if head.startswith(mark):
            return Choice((name,), True, "byte-order mark")
    if b"\0" in head:
        lines = head.split(b"\n")
        sound = [line for line in lines if b"\0" not in line]
        if len(sound) < MOST_SOUND * len(lines):
            return _with_zeros(head)
        head = b"\n".join(sound)  # a disk that lost power fills lines with zeros
    lines = [line for piece in (head, *others) for line in piece.split(b"\n") if not line.isascii()]
    if not lines:
        return Choice(("utf-8", *FALLBACKS), True, "plain ASCII")
    broken = [line for line in lines if not _reads(line, "utf-8")]
    if not broken:
        return Choice(("utf-8",), True, "strict UTF-8")
    if len(lines) > 2 * len(broken) or not any(line in head[:HEADING_BYTES] for line in broken):
        return Choice(("utf-8",), True, f"UTF-8, but for broken bytes in {len(broken)} line(s)")
    return _fallback(broken)


def python_codec(encoding: str, head: bytes) -> str:
    """Codec of Python that reads any piece of the log, its byte order known."""
    if encoding != "utf-16":
        return encoding
    return "utf-16-be" if head.startswith(codecs.BOM_UTF16_BE) else "utf-16-le"


def without_mark(head: bytes) -> bytes:
    """The beginning of a log without its byte-order mark."""
    for mark, _ in _MARKS:
        head = head.removeprefix(mark)
    return head


def _with_zeros(head: bytes) -> Choice:
    even, odd = head[0::2].count(0), head[1::2].count(0)
    if odd > 10 * (even + 1):
        return Choice(("utf-16",), True, "every second byte is zero")
    if even > 10 * (odd + 1):
        raise InputError(
            "the log is UTF-16, high byte first, without a byte-order mark", do_next="let the rig write the mark"
        )
    raise InputError("the log is no text: it holds zero bytes", do_next="see the log formats that rig files know")


def _fallback(lines: list[bytes]) -> Choice:
    """Fallbacks that can read the lines, and what tells them apart."""
    readings: dict[str, list[str]] = {}
    for codec in FALLBACKS:
        strict = "gb2312" if codec == "gbk" else codec  # GBK counts where every pair is a GB 2312 character
        if all(_reads(line, strict) for line in lines):
            readings[codec] = [line.decode(strict) for line in lines]
    units = {codec: _units_in(texts) for codec, texts in readings.items()}
    best = max(units.values())
    winners = tuple(codec for codec in readings if units[codec] == best)
    if all(readings[codec] == readings[winners[0]] for codec in winners):
        why = "not UTF-8; makes the log's units readable" if best else "not UTF-8"
        return Choice(winners, True, why + (f"; {' and '.join(winners)} read it alike" if len(winners) > 1 else ""))
    shown = ", ".join(f"{codec} makes '{_first_cell(lines, codec)}' of it" for codec in winners)
    return Choice(winners, False, "not UTF-8", f"several encodings can read it: {shown}")


def _reads(line: bytes, codec: str) -> bool:
    try:
        line.decode(codec)
    except UnicodeDecodeError:
        return False
    return True


def _units_in(texts: list[str]) -> int:
    """Cells with letters beyond ASCII that are a known unit, alone or in brackets."""
    found = 0
    for text in texts[:50]:
        for cell in _CELL.split(text):
            inside = re.search(r"[\[(]([^\])]*)[\])]\s*\"?$", cell.strip())
            written = (inside[1] if inside else cell).strip().strip('"')
            if not written.isascii():
                try:
                    find_unit(written)
                except ConfigError:
                    continue
                found += 1
    return found


def _first_cell(lines: list[bytes], codec: str) -> str:
    """The first cell that is not ASCII, as a codec reads it."""
    text = lines[0].decode(codec, "replace")
    cell = next((c for c in _CELL.split(text) if not c.isascii()), text)
    return cell.strip().strip('"')[:20]
