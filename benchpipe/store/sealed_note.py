"""A small JSON note that shows when a byte of it changes: it has one form, and a hash of what it says.

The seal is no signature: who can write the note can seal another.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from benchpipe.store.manifest import canonical

SEAL = "seal"


def sealed_note(content: Mapping[str, Any]) -> bytes:
    """A note as it is written."""
    return _form({**content, SEAL: hashlib.sha256(canonical(dict(content))).hexdigest()})


def read_note(data: bytes, version: int) -> dict[str, Any]:
    """What a note says. One without a seal is of an older version.

    Raises
    ------
    ValueError, KeyError, TypeError
        It is not what was written, or of another version.
    """
    document: dict[str, Any] = json.loads(data)
    if document["version"] != version:
        raise ValueError(f"version {document['version']} instead of {version}")
    if SEAL in document:
        content = {key: value for key, value in document.items() if key != SEAL}
        if sealed_note(content) != data:
            raise ValueError("its seal does not hold")
    return document


def _form(document: Mapping[str, Any]) -> bytes:
    return json.dumps(document, indent=1).encode()
