"""A share of the runs of a lab: all that an array job of any scheduler needs.

Which runs a share has is decided by their names alone. Shares may run at the same time, on machines that see the same
folders. A share works on its runs and keeps what it saw; pages, notifications, tests and alarms are of the whole lab:
a night without a share, after them, finds nothing new and makes those.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass

from benchpipe.errors import ConfigError

FORM = re.compile(r"(\d{1,6})/(\d{1,6})")


@dataclass(frozen=True)
class Shard:
    """Share ``number`` of ``of``, counted from 1."""

    number: int
    of: int

    @classmethod
    def parse(cls, text: str) -> Shard:
        """``I/N``.

        Raises
        ------
        ConfigError
            It is not of this form, or there is no such share.
        """
        found = FORM.fullmatch(text.strip())
        if found is None or not 1 <= int(found[1]) <= int(found[2]):
            raise ConfigError(
                "--shard cannot be used", expected="I/N with I from 1 to N, such as 2/8", got=text,
                do_next="give each job of the array a number of its own",
            )  # fmt: skip
        return cls(int(found[1]), int(found[2]))

    def has(self, run: str) -> bool:
        """Whether a run is in it: each run is in one share."""
        return int.from_bytes(hashlib.sha256(run.encode()).digest()[:8], "big") % self.of == self.number - 1
