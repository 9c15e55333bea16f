"""Commands in messages. Where a message is made, it is not known how the user names a run or a lab from the folder
they are in: it is written with ``RUN`` or ``LAB``, and the command line fills these in when it prints it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from benchpipe.errors import BenchpipeError

_RUN = re.compile(r"(\bbenchpipe [a-z]+) RUN\b")
_LAB = re.compile(r"(\bbenchpipe [a-z]+) LAB\b")
_LAB_OPTION = re.compile(r" --lab LAB\b")
_STEPS = "benchpipe ingest RUN && benchpipe process RUN && benchpipe check RUN"


@dataclass(frozen=True)
class Names:
    """How a run and a lab are named in commands that are typed here.

    Attributes
    ----------
    run : str
        A name or a plan file, with the options that it needs.
    lab : str or None
        A lab file; empty where it is found without being named; None where there is none.
    """

    run: str = "RUN"
    lab: str | None = "LAB"

    def filled(self, text: str) -> str:
        """A message whose commands can be pasted."""
        if "benchpipe" not in text:
            return text
        if self.lab is None:
            text = text.replace("benchpipe nightly LAB", _STEPS)
        text = _LAB_OPTION.sub(lambda _: f" --lab {self.lab}" if self.lab else "", text)
        text = _LAB.sub(lambda found: f"{found[1]} {self.lab or ''}".rstrip(), text)
        return _RUN.sub(lambda found: f"{found[1]} {self.run}", text)

    def fill(self, error: BenchpipeError) -> None:
        """Fill in the commands of an error."""
        error.what = self.filled(error.what)
        error.do_next = None if error.do_next is None else self.filled(error.do_next)
