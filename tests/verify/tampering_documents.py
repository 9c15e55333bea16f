"""Ways to tamper with the records and pages of a signed lab, and with the notes of them."""

from __future__ import annotations

import random
import re
from pathlib import Path

from benchpipe.store.page_note import NOTE as PAGES
from benchpipe.store.record_note import NOTE as RECORDS
from tests.verify.labs import RUNS, flipped, write_kept
from tests.verify.tampering import Lab, flip, kind

NOTED = ("pdf", "html")  # a record and a page of each run, beside the lab file


def file_of(lab: Lab, run: str, suffix: str) -> Path:
    return lab.lab.parent / f"{run}.{suffix}"


@kind(64)
def record_byte(lab: Lab, rng: random.Random) -> str:
    run = rng.choice(RUNS)
    flip(file_of(lab, run, "pdf"), rng)
    return f"{run}: record {run}.pdf"


@kind(8)
def record_cut(lab: Lab, rng: random.Random) -> str:
    run = rng.choice(RUNS)
    path = file_of(lab, run, "pdf")
    write_kept(path, path.read_bytes()[: -rng.randrange(1, 5000)])
    return f"{run}: record {run}.pdf"


@kind(8)
def record_added_to(lab: Lab, rng: random.Random) -> str:
    """As a program adds to a document: another object, and another end."""
    run = rng.choice(RUNS)
    path = file_of(lab, run, "pdf")
    write_kept(path, path.read_bytes() + b"%d 0 obj\n<<>>\nendobj\n%%%%EOF\n" % rng.randrange(1, 99))
    return f"{run}: record {run}.pdf"


@kind(4)
def records_exchanged(lab: Lab, rng: random.Random) -> str:
    exchange(lab, "pdf")
    run = rng.choice(RUNS)
    return f"{run}: record {run}.pdf"


@kind(16)
def record_note_byte(lab: Lab, rng: random.Random) -> str:
    run = rng.choice(RUNS)
    flip(lab.folder(run) / RECORDS, rng)
    return f"{run}: note {RECORDS}"


@kind(4)
def record_note_emptied(lab: Lab, rng: random.Random) -> str:
    """As somebody does who wants no record to be found."""
    run = rng.choice(RUNS)
    note = lab.folder(run) / RECORDS
    note.write_bytes(b"{}")
    return f"{run}: note {RECORDS}"


@kind(48)
def page_byte(lab: Lab, rng: random.Random) -> str:
    run = rng.choice(RUNS)
    flip(file_of(lab, run, "html"), rng)
    return f"{run}: page {run}.html"


@kind(16)
def page_verdict(lab: Lab, rng: random.Random) -> str:
    """One word of the verdict, everywhere or once; the state that the page names is kept."""
    run = rng.choice(RUNS)
    path = file_of(lab, run, "html")
    data = path.read_bytes()
    places = [one.span() for one in re.finditer(rb"[Ff]ail", data)]
    one, end = rng.choice(places)
    write_kept(path, data.replace(b"fail", b"pass") if rng.random() < 0.3 else data[:one] + b"Pass" + data[end:])
    return f"{run}: page {run}.html"


@kind(4)
def page_cut(lab: Lab, rng: random.Random) -> str:
    run = rng.choice(RUNS)
    path = file_of(lab, run, "html")
    write_kept(path, path.read_bytes()[: -rng.randrange(1, 5000)])
    return f"{run}: page {run}.html"


@kind(4)
def pages_exchanged(lab: Lab, rng: random.Random) -> str:
    exchange(lab, "html")
    run = rng.choice(RUNS)
    return f"{run}: page {run}.html"


@kind(16)
def page_note_byte(lab: Lab, rng: random.Random) -> str:
    path = lab.lab.parent / PAGES
    data = path.read_bytes()
    write_kept(path, flipped(data, rng.randrange(len(data)), rng.randrange(8)))
    return f"note {PAGES}"


def exchange(lab: Lab, suffix: str) -> None:
    one, other = (file_of(lab, run, suffix) for run in RUNS)
    data = one.read_bytes()
    write_kept(one, other.read_bytes())
    write_kept(other, data)
