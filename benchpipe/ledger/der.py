"""As much of DER (ITU-T X.690) as it takes to leave an item out of a sequence."""

from __future__ import annotations


def items(sequence: bytes) -> list[bytes]:
    """Items of a sequence, each with its tag and length."""
    _, at = _length(sequence, 1)
    found = []
    while at < len(sequence):
        size, begin = _length(sequence, at + 1)
        found.append(sequence[at : begin + size])
        at = begin + size
    return found


def der(tag: int, body: bytes) -> bytes:
    """An item of a tag and its content."""
    size = len(body)
    if size < 0x80:
        return bytes((tag, size)) + body
    digits = size.to_bytes((size.bit_length() + 7) // 8, "big")
    return bytes((tag, 0x80 | len(digits))) + digits + body


def _length(data: bytes, at: int) -> tuple[int, int]:
    """Length of the content that begins after the length octets at a place, and where it begins."""
    first = data[at]
    if first < 0x80:
        return first, at + 1
    end = at + 1 + (first & 0x7F)
    return int.from_bytes(data[at + 1 : end], "big"), end
