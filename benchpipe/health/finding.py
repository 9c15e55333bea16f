"""Something about a rig or a store that is not well."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Finding:
    """Something about a rig that is not well."""

    code: str
    where: str
    text: str
    do_next: str
