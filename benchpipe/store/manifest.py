"""The manifest of a run: which files make each table, and what they were made from.

A JSON document, written last. A table that no manifest names does not exist. It ends in a seal,
the hash of all other bytes, so that a flipped bit is detected.
"""

from __future__ import annotations

import hashlib
import re
from typing import Any, NamedTuple

import rfc8785
from pydantic import BaseModel, ConfigDict, Field

from benchpipe.store.state import StateT, Stored, Unfit, some_of

SCHEMA = 1
UNSEALED = "0" * 64
EARLY_ROWS = "early_rows"
_SEAL = re.compile(rb'"seal": "([0-9a-f]{64})"\s*\}\s*\Z')


class _Record(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Part(_Record):
    """One immutable Parquet file of a table. ``path`` is relative to the run's folder in the store.

    ``dropped``: the file is not kept any more; what it held still tells what was made of it.
    """

    table: str
    path: str
    rows: int
    bytes: int
    sha256: str
    dropped: bool = False


class Remark(_Record):
    """Something odd that is not an error."""

    step: str
    code: str
    where: str
    count: int
    text: str


class Stamps(_Record):
    """First and last stamp [µs] of a log by its own clock, and how many of its samples each has.

    ``tick_us`` is the step of the clock where samples share stamps, else 0. ``first_row`` is the log's first row;
    ``second_row`` and ``third_row`` are the first rows of the next two stamps, and ``second_rows`` counts those of the
    former; ``before_rows`` are of the stamp before the last. They are 0 where a stamp is not one step after the other.
    """

    tick_us: int
    first_us: int
    first_rows: int
    last_us: int
    last_rows: int
    first_row: int = 0
    second_row: int = 0
    second_rows: int = 0
    third_row: int = 0
    before_rows: int = 0


class Source(_Record):
    """One log file, what was taken from it, and where that is.

    ``taken`` bytes of the file were taken, and ``sha256`` is theirs; ``state`` is what is needed to go
    on from there when the log has grown (None: it is read whole then). ``rows`` of the file are
    ``samples``, ``rejects``, and ``repeats`` of rows inside the file.
    ``first_us`` and ``last_us`` are the file's own times; ``shift_us`` is what the last
    row of the file is moved by inside the file (clock restarts). ``stamps`` is there where samples may share one.
    ``begins`` names its first samples by their content. ``second``: the file is a second logger's. ``restarts`` are
    the file's own times of the first rows after an elapsed clock began again: how long each pause was is not known.
    ``spare``: its rows end in a separator that its header lacks. ``early_us`` is the first of the times of rows that
    come late and lie before its first one (see :mod:`benchpipe.ingest.early`); they are rows of it too.
    """

    file: str
    size: int
    mtime_ns: int
    sha256: str
    key: str
    rows: int
    samples: int
    rejects: int
    first_us: int | None
    last_us: int | None
    native_last_us: int | None
    missing: dict[str, int] = Field(default_factory=dict)
    parts: tuple[Part, ...]
    remarks: tuple[Remark, ...] = ()
    taken: int = 0
    repeats: int = 0
    restarts: tuple[int, ...] = ()
    state: Stored | None = None
    stamps: Stamps | None = None
    begins: str | None = None
    second: bool = False
    spare: bool = False
    early_us: int | None = None

    @property
    def early(self) -> int:
        """Rows that come late and lie before its first one."""
        return sum(part.rows for part in self.parts if part.table == EARLY_ROWS) if self.early_us is not None else 0

    @property
    def tail(self) -> Part | None:
        """The part with rejects that the log may take back when it grows; None where there is none."""
        path = self.state.get("tail") if self.state is not None else None
        return next((part for part in self.parts if part.path == path), None)


class Placed(_Record):
    """Where a source is placed on the run's time axis.

    Its first samples, at or before ``after_us``, are left out: ``repeats`` stand in other files too,
    and ``late`` are other rows at times that are over, as stretches (row, rows): they are rejects.
    ``key`` says what that was found from. Samples of the stamp in which the file before ends come after its own:
    ``lead`` says up to which of the file's own times, and by how much more they are moved, in rising order.
    ``restart``: an elapsed clock began again with this file. ``copied``: samples from one of the file's own times to
    another, and how many, that stand in other files, or before in this one, at other times: they are left out.
    ``early``: which of its early rows are in other files too, as stretches (row, rows); the others are rejects.
    ``thin``: rows before which a stamp lacks rows, as only the files before show.
    """

    file: str
    shift_us: int
    after_us: int | None
    repeats: int
    late: tuple[tuple[int, int], ...] = ()
    key: str = ""
    lead: tuple[tuple[int, int], ...] = ()
    restart: bool = False
    copied: tuple[tuple[int, int, int], ...] = ()
    early: tuple[tuple[int, int], ...] = ()
    thin: tuple[int, ...] = ()

    def at(self, own_us: int) -> int:
        """Where one of the file's own times is on the run's axis."""
        return own_us + self.shift_us + next((more for until, more in self.lead if own_us < until), 0)

    @property
    def again(self) -> int:
        """Samples of the file that stand elsewhere too."""
        return self.repeats + sum(rows for _, _, rows in self.copied)

    @property
    def left_out(self) -> int:
        """Samples of the file that are no samples of the run."""
        return self.again + sum(rows for _, rows in self.late)


class Account(NamedTuple):
    """Where all rows of a run's logs ended: ``rows`` is the sum of the others."""

    rows: int
    samples: int
    rejects: int
    repeats: int


class Zero(_Record):
    """Reading of a channel in an idle stretch: its zero from there on.

    ``from_us`` is the beginning of the stretch on the run's axis, in the part of ``file`` with the hash
    ``part``; ``sd`` is the scatter of its samples. ``key`` is in older manifests only.
    """

    channel: str
    file: str
    part: str = ""
    from_us: int
    value: float
    sd: float
    samples: int
    key: str = ""


class Step(_Record):
    """What a step made, and from what."""

    key: str
    version: int
    parts: tuple[Part, ...] = ()
    remarks: tuple[Remark, ...] = ()
    zeros: tuple[Zero, ...] = ()
    state: Stored = Field(default_factory=dict)


class Head(_Record):
    """The end of the ledger at one moment: how many entries it had, and the SHA-256 of the last."""

    entries: int
    sha256: str

    def __str__(self) -> str:
        return f"entry {self.entries}, SHA-256 {self.sha256}"


class SignOff(_Record):
    """A person signed a run as it was then.

    ``sequence`` and ``manifest_sha256`` name that manifest (its copy stays in the history); ``process``
    is the key of the figures, and ``verdicts`` the hash of what was judged. ``note`` is the reason. ``entry`` and
    ``entry_sha256`` name the entry of the ledger; a sign-off of an older version has none: it is unsigned by key.
    ``persons`` is how many persons must have signed for an approval to count.
    """

    who: str
    when: str
    note: str
    sequence: int
    manifest_sha256: str
    process: str
    verdicts: str
    verdict: str
    role: str = ""
    meaning: str = "approved"
    deviation: str = ""
    key: str = ""
    persons: int = 1
    entry: int | None = None
    entry_sha256: str = ""


class Manifest(_Record):
    """All of a run's tables at one moment.

    ``made_with``: software and machine that each step was last changed by. ``configuration``: SHA-256 of the list
    of settings files that each step was last done with. ``ledger``: the end of the store's ledger when this was
    written.
    """

    schema_version: int = SCHEMA
    run: str
    sequence: int = 0
    previous: str | None = None
    code: str = ""
    made_with: dict[str, dict[str, str]] = Field(default_factory=dict)
    configuration: dict[str, str] = Field(default_factory=dict)
    ledger: Head | None = None
    sources: tuple[Source, ...] = ()
    placed: tuple[Placed, ...] = ()
    steps: dict[str, Step] = Field(default_factory=dict)
    signed: tuple[SignOff, ...] = ()
    seal: str = UNSEALED  # the last, as the file ends in it

    def parts(self) -> list[Part]:
        """Every file that is kept."""
        found = [p for s in self.sources for p in s.parts if not p.dropped]
        return found + [p for step in self.steps.values() for p in step.parts]

    @property
    def approved(self) -> bool:
        """Whether the last signature is an approval."""
        return bool(self.signed) and self.signed[-1].meaning == "approved"

    @property
    def closed(self) -> bool:
        """Samples were dropped: its other tables stay as they are until all logs are read again."""
        return any(p.dropped for s in self.sources for p in s.parts)

    def with_remark(self, step: str, code: str, where: str, text: str) -> Manifest:
        """The same with one remark of that code in a step; with none if the text is empty."""
        old = self.steps[step]
        remarks = [r for r in old.remarks if r.code != code]
        remarks += [Remark(step=step, code=code, where=where, count=1, text=text)] if text else []
        return self.model_copy(
            update={"steps": {**self.steps, step: old.model_copy(update={"remarks": tuple(remarks)})}}
        )

    def block_parts(self, block: str, table: str) -> list[Part]:
        """Parts of one block of a table, in order."""
        step = self.steps.get("process")
        paths = named_parts(step.state.get(block)) if step else set()
        return [part for part in self.table(table) if part.path in paths]

    def block_state(self, block: str, model: type[StateT]) -> StateT | None:
        """The fields of a model in what the process step keeps of a block; None where there is none, or it is unfit."""
        step = self.steps.get("process")
        if step is None or block not in step.state:
            return None
        found = some_of(model, step.state[block])
        return None if isinstance(found, Unfit) else found

    def table(self, name: str) -> list[Part]:
        """The files of one table, in order."""
        return [p for p in self.parts() if p.table == name]

    def account(self) -> Account:
        """Rows in the files, and where they ended."""
        again = sum(place.again for place in self.placed)
        late = sum(place.left_out for place in self.placed) - again
        early = sum(s.early for s in self.sources)
        early_again = sum(rows for place in self.placed for _, rows in place.early)
        return Account(
            rows=sum(s.rows for s in self.sources),
            samples=sum(s.samples for s in self.sources) - again - late,
            rejects=sum(s.rejects for s in self.sources) + late + early - early_again,
            repeats=sum(s.repeats for s in self.sources) + again + early_again,
        )

    def zeros(self) -> list[Zero]:
        """Zeros of the channels, as the ingest took them from idle stretches."""
        return [zero for step in self.steps.values() for zero in step.zeros]

    def source(self, file: str) -> Source | None:
        """The record of one log file."""
        return next((s for s in self.sources if s.file == file), None)


def named_parts(stored: object) -> set[str]:
    """Paths of the parts that the stored state of a block names; none where it names them in no known way."""
    parts = stored.get("parts") if isinstance(stored, dict) else None
    return {path for path in parts if isinstance(path, str)} if isinstance(parts, list) else set()


def sealed(manifest: Manifest) -> tuple[Manifest, bytes]:
    """A manifest with its seal, and the document of it."""
    plain = manifest.model_copy(update={"seal": UNSEALED}).model_dump_json(indent=1).encode()
    seal = hashlib.sha256(plain).hexdigest()
    before, _, after = plain.rpartition(UNSEALED.encode())
    return manifest.model_copy(update={"seal": seal}), before + seal.encode() + after


def is_sealed(document: bytes) -> bool:
    """Whether a document is to the last bit what was sealed."""
    seal = _SEAL.search(document)
    if seal is None:
        return False
    plain = document[: seal.start(1)] + UNSEALED.encode() + document[seal.end(1) :]
    return hashlib.sha256(plain).hexdigest().encode() == seal[1]


def canonical(value: Any) -> bytes:
    """Canonical JSON (RFC 8785)."""
    return rfc8785.dumps(value)


def key_of(value: Any) -> str:
    """SHA-256 of the canonical JSON of a value."""
    return hashlib.sha256(canonical(value)).hexdigest()
